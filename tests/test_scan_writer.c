// SPDX-License-Identifier: Apache-2.0
// Scan folders through kills, threads, blocks and shards, and other people's folders: the same bytes, or a clear line.
#include <signal.h>
#include <sys/wait.h>

#include "scan_disk.h"

static void the_folder_holds_what_was_written(void **state)
{
    const place *p = *state;
    lr_scan_reader *reader = NULL;
    lr_error err = {""};
    job *j = job_create(p->plain);
    assert_int_equal(lr_scan_reader_open(p->plain, &reader, &err), LR_OK);
    assert_int_equal(lr_scan_reader_finished(reader), 1);
    for (int a = 0; a < ARRAYS; a++) {
        lr_npy_map map;
        uint8_t row[1024];
        const size_t bytes = row_bytes(&j->array[a]);
        assert_int_equal(lr_scan_reader_array(reader, j->array[a].path, &map, &err), LR_OK);
        if (j->array[a].info.field_count == 0)
            assert_int_equal((const char *)map.data - (const char *)map.base, 128);
        for (int64_t l = 0; l < LINES; l++) {
            make_row(a, l, row, bytes);
            assert_memory_equal((const uint8_t *)map.data + (size_t)l*bytes, row, bytes);
        }
        lr_npy_close(&map);
    }
    const lr_scan *scan = lr_scan_reader_scan(reader);
    assert_string_equal(scan->version, "0.1.0");
    assert_true(scan->seed == UINT64_MAX - 6);
    assert_non_null(strstr(scan->settings, "\"samples\": 0.001"));
    assert_non_null(strstr(scan->scene, "\"size_m\": [1, 2, 0.1]"));
    lr_scan_reader_close(reader);
    job_destroy(j);
}

// By a program that is not ours: GNU coreutils.
static void sha256sum_verifies_it(void **state)
{
    const place *p = *state;
    char command[LR_PATH_MAX + 100], path[LR_PATH_MAX];
    snprintf(command, sizeof command, "cd '%s' && sha256sum --strict --quiet -c sha256sums.txt >/dev/null 2>&1", p->plain);
    assert_int_equal(system(command), 0);
    inside(path, p->plain, "front/upper.npy");
    FILE *file = fopen(path, "r+b");
    fseek(file, 1000, SEEK_SET);
    const int kept = fgetc(file);
    fseek(file, 1000, SEEK_SET);
    fputc(kept ^ 1, file);
    fclose(file);
    assert_int_not_equal(system(command), 0);

    char *text = NULL;  // and the list covers every file but itself
    size_t length = 0;
    inside(path, p->plain, "sha256sums.txt");
    assert_int_equal(lr_file_read(path, 1 << 20, &text, &length, NULL), LR_OK);
    int listed = 0, files = 0;
    for (size_t i = 0; i < length; i++)
        listed += text[i] == '\n';
    for (const char *line = p->want; *line; line = strchr(line, '\n') + 1)
        files += strchr(line, '\n')[-1] != '/';
    assert_int_equal(listed, files - 1);
    assert_int_equal(listed, ARRAYS + FILES + 2);
    free(text);
}

static void threads_and_blocks_leave_no_trace(void **state)
{
    const place *p = *state;
    static const struct { int threads; int64_t block_lines; } runs[] = {{2, 8}, {7, 8}, {1, 1}, {7, 3}, {2, LINES}, {3, 10000}};
    for (size_t i = 0; i < sizeof runs/sizeof *runs; i++) {
        run_well(p->other, runs[i].threads, runs[i].block_lines);
        same_as_plain(p, p->other);
        fixture_remove(p->other);
    }
}

static pid_t start_child(const char *folder, int threads, int pause_us)
{
    fflush(NULL);
    const pid_t child = fork();
    if (child != 0)
        return child;
    job *j = job_create(folder);
    lr_error err = {""};
    int finished = 0;
    j->flush_often = 1;
    j->pause_us = pause_us;
    _exit(run(j, threads, &finished, &err) == LR_OK && finished ? 0 : 1);
}

static int records(const char *folder)
{
    char path[LR_PATH_MAX], *text = NULL;
    size_t length = 0;
    int count = 0;
    inside(path, folder, "progress/shard-1-of-1");
    if (lr_file_read(path, 1 << 20, &text, &length, NULL) == LR_OK)
        for (size_t i = 0; i < length; i++)
            count += text[i] == '\n';
    free(text);
    return count;
}

// Waits `wait_us`, and before it for one more record than `had` if that is not negative. 0: the child is still at work.
static pid_t wait_for(pid_t child, const char *folder, int had, long wait_us, int *status)
{
    const struct timespec step = {0, 200000};
    pid_t gone = 0;
    for (int i = 0; had >= 0 && gone == 0 && records(folder) <= had && i < 50000; i++) {
        nanosleep(&step, NULL);
        gone = waitpid(child, status, WNOHANG);
    }
    for (long waited = 0; waited < wait_us && gone == 0; waited += 200) {
        nanosleep(&step, NULL);
        gone = waitpid(child, status, WNOHANG);
    }
    return gone;
}

// Killed while it sets up, twice amid the blocks, a few times anywhere; then left to finish.
static void a_killed_scan_resumes_to_the_same_bytes(void **state)
{
    const place *p = *state;
    uint64_t x = 9;
    int kills = 0, resumed_partly = 0;
    for (int round = 0; round < 10; round++) {
        for (int attempt = 0;; attempt++) {
            x = x*6364136223846793005u + 1442695040888963407u;
            const int amid = attempt == 1 || attempt == 2, last = attempt == 6;
            const int had = amid ? records(p->other) : -1;
            const long wait_us = last ? 100000000 : (long)(x >> 40) % (amid ? 5000 : 20000);
            const pid_t child = start_child(p->other, 1 + round % 3, attempt <= 2 ? 20000 : 200);
            int status = 0;
            assert_true(child > 0);
            if (wait_for(child, p->other, had, wait_us, &status) == 0) {
                kill(child, SIGKILL);
                assert_int_equal(waitpid(child, &status, 0), child);
            }
            if (WIFSIGNALED(status)) {
                kills++;
                const int64_t ready = ready_blocks_are_right(p->other);
                resumed_partly += ready > 0 && ready < LINES;
                continue;
            }
            assert_true(WIFEXITED(status));
            assert_int_equal(WEXITSTATUS(status), 0);
            break;
        }
        same_as_plain(p, p->other);
        fixture_remove(p->other);
    }
    assert_true(kills >= 10);          // or the test has tested nothing
    assert_true(resumed_partly >= 10);
}

static void shards_make_one_scan(void **state)
{
    const place *p = *state;
    enum { SHARDS = 3 };
    pid_t child[SHARDS];
    fflush(NULL);
    for (int k = 0; k < SHARDS; k++) {
        child[k] = fork();
        if (child[k] == 0) {
            job *j = job_create(p->other);
            lr_error err = {""};
            int finished = 0;
            j->def.shard = k + 1;
            j->def.shard_count = SHARDS;
            j->pause_us = 500;
            const lr_status status = run(j, 1 + k, &finished, &err);
            if (status != LR_OK)
                fprintf(stderr, "%s\n", err.text);
            _exit(status == LR_OK ? 10 + finished : 1);
        }
    }
    int finished = 0;
    for (int k = 0; k < SHARDS; k++) {
        int status = 0;
        assert_int_equal(waitpid(child[k], &status, 0), child[k]);
        assert_true(WIFEXITED(status) && WEXITSTATUS(status) >= 10);
        finished += WEXITSTATUS(status) == 11;
    }
    assert_true(finished >= 1);
    same_as_plain(p, p->other);
}

static void one_shard_alone_does_not_finish(void **state)
{
    const place *p = *state;
    job *j = job_create(p->other);
    lr_error err = {""};
    int finished = 1;
    char path[LR_PATH_MAX];
    j->def.shard = 2;
    j->def.shard_count = 2;
    assert_int_equal(run(j, 2, &finished, &err), LR_OK);
    assert_int_equal(finished, 0);
    inside(path, p->other, "scan.json");
    assert_false(lr_path_exists(path));
    j->def.shard = j->def.shard_count = 1;   // another division of the work goes on from there
    assert_int_equal(run(j, 2, &finished, &err), LR_OK);
    assert_int_equal(finished, 1);
    same_as_plain(p, p->other);
    j->def.shard = 3;
    j->def.shard_count = 2;
    assert_int_equal(run(j, 1, &finished, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "shard 3/2: not in 1/2 .. 2/2");
    job_destroy(j);
}

static void a_finished_scan_is_left_alone(void **state)
{
    const place *p = *state;
    job *j = job_create(p->plain);
    lr_error err = {""};
    char path[LR_PATH_MAX];
    struct stat before, after;
    int finished = 0;
    inside(path, p->plain, "scan.json");
    assert_int_equal(stat(path, &before), 0);
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_OK);
    assert_int_equal(lr_scan_writer_state(j->writer), LR_SCAN_FINISHED);
    assert_int_equal(lr_scan_writer_blocks(j->writer), 0);
    assert_int_equal(lr_scan_writer_finish(j->writer, &finished, &err), LR_OK);
    assert_int_equal(finished, 1);
    job_destroy(j);
    assert_int_equal(stat(path, &after), 0);
    assert_int_equal(before.st_ino, after.st_ino);
    assert_memory_equal(&before.st_mtim, &after.st_mtim, sizeof before.st_mtim);
    same_as_plain(p, p->plain);
}

static void refused(job *j, const char *folder, const char *what)
{
    lr_error err = {""};
    char want[LR_PATH_MAX + 100];
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_ERR_RANGE);
    assert_null(j->writer);
    snprintf(want, sizeof want, "%s: %s", folder, what);
    assert_string_equal(err.text, want);
}

static void other_inputs_are_refused(void **state)
{
    const place *p = *state;
    enum { CHANGES = 9 };
    char *before = NULL;
    job *first = job_create(p->other);
    lr_error err = {""};
    assert_int_equal(lr_scan_writer_open(&first->def, &first->writer, &err), LR_OK);
    assert_int_equal(render(first, 0, 0, &err), LR_OK);
    job_destroy(first);
    before = fixture_digest(p->other);
    for (int change = 0; change < CHANGES; change++) {
        for (int done = 0; done < 2; done++) {
            job *j = job_create(done ? p->plain : p->other);
            switch (change) {
            case 0: j->def.seed++; break;
            case 1: j->def.version = "0.1.1"; break;
            case 2: j->def.settings = "{\"quality\": \"fine\", \"samples\": 1e-3}"; break;
            case 3: j->def.scene = "{\"name\": \"room\"}"; break;
            case 4: j->def.head = "{\"name\": \"other\"}"; break;
            case 5: j->calibration.module[0].camera[0].exposure_s *= 1.0 + 1e-15; break;
            case 6: j->file[0].data = "[]\n"; break;
            case 7: j->def.array_count--; break;
            case 8: j->file[1].path = "truth/inputs/room.json"; break;
            }
            refused(j, j->def.folder, done ? "the folder holds a finished scan of other inputs; choose another, or replace it with --force"
                                             : "the folder holds an unfinished scan of other inputs; choose another, or replace it with --force");
            job_destroy(j);
        }
    }
    char *after = fixture_digest(p->other);
    assert_string_equal(after, before);
    same_as_plain(p, p->plain);
    free(before);
    free(after);
    run_well(p->other, 1, 99);  // and the one it was begun with goes on
    same_as_plain(p, p->other);
}

static void someone_elses_folder_is_refused(void **state)
{
    const place *p = *state;
    char path[LR_PATH_MAX];
    assert_int_equal(lr_make_folders(p->other, NULL), LR_OK);
    inside(path, p->other, "thesis.txt");
    assert_int_equal(lr_file_write(path, "x", 1, NULL), LR_OK);
    char *before = fixture_digest(p->other);
    for (int force = 0; force < 2; force++) {
        job *j = job_create(p->other);
        j->def.force = force;
        refused(j, p->other, "not empty, and not a scan of ours: choose another folder");
        job_destroy(j);
    }
    char *after = fixture_digest(p->other);
    assert_string_equal(after, before);
    free(before);
    free(after);
    inside(path, p->other, "scan.json");   // nor a scan.json that is none of ours
    assert_int_equal(lr_file_write(path, "{\"format\": \"x\"}", 15, NULL), LR_OK);
    job *j = job_create(p->other);
    lr_error err = {""};
    j->def.force = 1;
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_ERR_RANGE);
    assert_non_null(strstr(err.text, "scan.json: format: \"x\" where \"lanternroom-scan/1\" is wanted"));
    job_destroy(j);
}

static void force_replaces_and_leaves_nothing_stale(void **state)
{
    const place *p = *state;
    char path[LR_PATH_MAX];
    for (int unfinished = 0; unfinished < 2; unfinished++) {
        job *old = job_create(p->other);   // with one array more, another name of an input, another seed
        lr_error err = {""};
        int finished = 0;
        old->def.seed = 1;
        old->file[1].path = "truth/inputs/stale.json";
        snprintf(old->array[ARRAYS - 1].path, LR_SCAN_PATH, "stale/x.npy");
        if (unfinished) {
            assert_int_equal(lr_scan_writer_open(&old->def, &old->writer, &err), LR_OK);
            assert_int_equal(render(old, 3, 0, &err), LR_OK);
        } else {
            assert_int_equal(run(old, 1, &finished, &err), LR_OK);
        }
        if (unfinished) {   // not while another process is at it
            job *j = job_create(p->other);
            j->def.force = 1;
            assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_ERR_RANGE);
            assert_non_null(strstr(err.text, "progress/shard-1-of-1: another process is writing this scan"));
            job_destroy(j);
        }
        job_destroy(old);
        job *j = job_create(p->other);
        j->def.force = 1;
        assert_int_equal(run(j, 2, &finished, &err), LR_OK);
        assert_int_equal(finished, 1);
        same_as_plain(p, p->other);
        assert_int_equal(run(j, 2, &finished, &err), LR_OK);  // the same again
        same_as_plain(p, p->other);
        job_destroy(j);
        if (!unfinished)
            fixture_remove(p->other);
    }
    inside(path, p->other, "depth");       // what others have put beside it stays
    assert_int_equal(mkdir(path, 0777), 0);
    job *j = job_create(p->other);
    int finished = 0;
    j->def.force = 1;
    assert_int_equal(run(j, 2, &finished, NULL), LR_OK);
    assert_true(lr_path_exists(path));
    job_destroy(j);
}

static void two_writers_do_not_meet(void **state)
{
    const place *p = *state;
    job *a = job_create(p->other), *b = job_create(p->other);
    lr_error err = {""};
    assert_int_equal(lr_scan_writer_open(&a->def, &a->writer, &err), LR_OK);
    assert_int_equal(lr_scan_writer_open(&b->def, &b->writer, &err), LR_ERR_RANGE);
    assert_non_null(strstr(err.text, "progress/shard-1-of-1: another process is writing this part of the scan"));
    assert_int_equal(lr_threads_run(2, lr_scan_writer_blocks(a->writer), render, a, &err), LR_OK);
    int finished = 0;
    assert_int_equal(lr_scan_writer_finish(a->writer, &finished, &err), LR_OK);
    same_as_plain(p, p->other);
    job_destroy(a);
    job_destroy(b);
}

static void bad_definitions_are_refused(void **state)
{
    const place *p = *state;
    static const char *const want[] = {
        "scan: 0 lines is not above 0",
        "scan: blocks of 0 lines are not above 0",
        "scan: 0 arrays is not in 1 .. 4096",
        "path \"../x.npy\" has an empty part, . or ..",
        "path \"/x.npy\" does not lie inside the scan",
        "array \"front/upper.npy\" is given twice",
        "array \"front/upper.npy\" has 156 lines where the scan has 157",
        "array \"front/upper.npy\" has no type or shape",
        "file \"scan.json\" does not lie in truth/",
        "shard 1/2: shards cannot replace a scan, each would remove the others' work",
        "\"\": not a usable name for a scan's folder",
        "modules[0].cameras[0].bits: 7 is not in 8 .. 16",
    };
    for (int i = 0; i < (int)(sizeof want/sizeof *want); i++) {
        job *j = job_create(p->other);
        lr_error err = {""};
        switch (i) {
        case 0: j->def.line_count = 0; break;
        case 1: j->def.block_lines = 0; break;
        case 2: j->def.array_count = 0; break;
        case 3: snprintf(j->array[1].path, LR_SCAN_PATH, "../x.npy"); break;
        case 4: snprintf(j->array[1].path, LR_SCAN_PATH, "/x.npy"); break;
        case 5: j->array[2] = j->array[1]; break;
        case 6: j->array[1].info.shape[0]--; break;
        case 7: snprintf(j->array[1].info.descr, 8, "<q9"); break;
        case 8: j->file[0].path = "scan.json"; break;
        case 9: j->def.shard_count = 2; j->def.force = 1; break;
        case 10: j->def.folder = ""; break;
        case 11: j->calibration.module[0].camera[0].bits = 7; break;
        }
        assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_ERR_RANGE);
        assert_string_equal(err.text, want[i]);
        assert_false(lr_path_exists(p->other));
        job_destroy(j);
    }
    lr_scan_writer_close(NULL);
}

// Results come from the rows of the whole scan, whoever wrote them, and stay out of the fingerprint; without them there is no end.
static lr_status first_bytes(void *context, const lr_scan_writer *writer, lr_text *out, lr_error *err)
{
    job *j = context;
    uint8_t row[8*PIXELS], want[8*PIXELS];
    const size_t bytes = row_bytes(&j->array[1]);
    assert_true(bytes <= sizeof row);
    LR_TRY(lr_scan_writer_read(writer, 1, LINES - 1, 1, row, err));
    make_row(1, LINES - 1, want, bytes);
    assert_memory_equal(row, want, bytes);
    lr_text_add(out, "{\"last\": %d}", row[0]);
    return LR_OK;
}

static lr_status no_results(void *context, const lr_scan_writer *writer, lr_text *out, lr_error *err)
{
    (void)context, (void)writer;
    lr_text_add(out, "{");
    return lr_fail(err, LR_ERR_IO, "no results");
}

static void results_are_kept(void **state)
{
    const place *p = *state;
    lr_error err = {""};
    int finished = 0;
    char fingerprint[65], text[32];
    job *j = job_create(p->other);
    j->def.results_context = j;
    j->def.results = no_results;
    assert_int_equal(run(j, 2, &finished, &err), LR_ERR_IO);
    assert_string_equal(err.text, "no results");
    assert_int_equal(finished, 0);
    j->def.results = first_bytes;    // resumed: all is done but the end
    assert_int_equal(run(j, 2, &finished, &err), LR_OK);
    assert_int_equal(finished, 1);
    lr_scan_reader *reader;
    assert_int_equal(lr_scan_reader_open(p->plain, &reader, &err), LR_OK);
    snprintf(fingerprint, sizeof fingerprint, "%s", lr_scan_reader_scan(reader)->fingerprint);
    assert_null(lr_scan_reader_scan(reader)->results);
    lr_scan_reader_close(reader);
    assert_int_equal(lr_scan_reader_open(p->other, &reader, &err), LR_OK);
    uint8_t row[8*PIXELS];
    make_row(1, LINES - 1, row, row_bytes(&j->array[1]));
    snprintf(text, sizeof text, "\"last\": %d", row[0]);
    assert_non_null(strstr(lr_scan_reader_scan(reader)->results, text));
    assert_string_equal(lr_scan_reader_scan(reader)->fingerprint, fingerprint);
    lr_scan_reader_close(reader);
    job_destroy(j);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
        TEST(the_folder_holds_what_was_written),
        TEST(sha256sum_verifies_it),
        TEST(threads_and_blocks_leave_no_trace),
        TEST(a_killed_scan_resumes_to_the_same_bytes),
        TEST(shards_make_one_scan),
        TEST(one_shard_alone_does_not_finish),
        TEST(a_finished_scan_is_left_alone),
        TEST(other_inputs_are_refused),
        TEST(someone_elses_folder_is_refused),
        TEST(force_replaces_and_leaves_nothing_stale),
        TEST(two_writers_do_not_meet),
        TEST(bad_definitions_are_refused),
        TEST(results_are_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
