// SPDX-License-Identifier: Apache-2.0
// Scan folders on disks that lose power, fill up, fail or cannot be written.
#include <signal.h>
#include <sys/resource.h>
#include <sys/wait.h>

#include "scan_disk.h"

// A power cut keeps what was put on disk before it. A record must therefore never be written while any array has data
// that are not, and must be on disk itself when flush returns.
static void records_follow_their_data_to_disk(void **state)
{
    const place *p = *state;
    job *j = job_create(p->other);
    lr_error err = {""};
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_OK);
    memset(&disk, 0, sizeof disk);
    disk.watching = 1;
    for (int64_t b = 0; b < lr_scan_writer_blocks(j->writer); b++) {
        assert_int_equal(render(j, b, 0, &err), LR_OK);
        if (b % 3 != 0)
            continue;
        assert_int_equal(lr_scan_writer_flush(j->writer, &err), LR_OK);
        for (int fd = 0; fd < MOST_FDS; fd++)
            assert_true(disk.wrote[fd] <= disk.synced[fd]);
    }
    disk.watching = 0;
    assert_true(disk.journal_records >= 6);
    assert_int_equal(disk.out_of_order, 0);
    job_destroy(j);
}

static void blocks_are_marked_about_once_a_second(void **state)
{
    const place *p = *state;
    job *j = job_create(p->other);
    lr_error err = {""};
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_OK);
    disk.watching = 1;
    assert_int_equal(render(j, 0, 0, &err), LR_OK);
    assert_int_equal(disk.journal_records, 0);       // not for every block
    const struct timespec second = {1, 50000000};
    nanosleep(&second, NULL);
    assert_int_equal(render(j, 1, 0, &err), LR_OK);
    for (int k = 0; k < 1000 && disk.journal_records == 0; k++)   // a thread of its own waits for the disk
        nanosleep(&(struct timespec){0, 10000000}, NULL);
    assert_int_equal(disk.journal_records, 1);
    disk.watching = 0;
    job_destroy(j);
    assert_int_equal(ready_blocks_are_right(p->other), 2*BLOCK_LINES);
}

// A torn or foreign tail of the journal does not count, and what follows it is not lost.
static void a_torn_record_does_not_count(void **state)
{
    const place *p = *state;
    static const char *const tails[] = {"0000", "0000000000000005 00000000\n", "000000000000000", "0000000000000001 zzzzzzzz\nrubbish", ""};
    for (size_t i = 0; i < sizeof tails/sizeof *tails; i++) {
        job *j = job_create(p->other);
        lr_error err = {""};
        char path[LR_PATH_MAX];
        assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_OK);
        for (int64_t b = 0; b < 2; b++)
            assert_int_equal(render(j, b, 0, &err), LR_OK);
        job_destroy(j);
        inside(path, p->other, "progress/shard-1-of-1");
        assert_int_equal(truncate(path, 2*26 - (i == 4)), 0);  // the last round: the second record itself is torn
        FILE *file = fopen(path, "ab");
        fputs(tails[i], file);
        fclose(file);
        assert_int_equal(ready_blocks_are_right(p->other), i == 4 ? BLOCK_LINES : 2*BLOCK_LINES);
        run_well(p->other, 1, BLOCK_LINES);
        same_as_plain(p, p->other);
        fixture_remove(p->other);
    }
}

static void no_room_is_noticed_at_once(void **state)
{
    const place *p = *state;
    for (int nth = 1; nth <= ARRAYS + 1; nth++) {   // the journal, then each array
        job *j = job_create(p->other);
        lr_error err = {""};
        disk.fail_room = nth;
        assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_ERR_IO);
        assert_int_equal(disk.fail_room, 0);
        assert_non_null(strstr(err.text, "No space left on device"));
        if (nth == 3)   // uint16 [157, 64] after a header of 128 bytes: 20224
            assert_non_null(strstr(err.text, "deep/other/front/upper.npy: no room for 20224 bytes ("));
        assert_false(lr_path_exists(p->other));    // nothing is left behind
        job_destroy(j);
    }
    run_well(p->other, 2, BLOCK_LINES);
    same_as_plain(p, p->other);
}

// The same by the system's own limit on the size of a file, in a child.
static void a_limit_on_files_is_told(void **state)
{
    const place *p = *state;
    fflush(NULL);
    const pid_t child = fork();
    if (child == 0) {
        const struct rlimit limit = {15000, 15000};
        job *j = job_create(p->other);
        lr_error err = {""};
        signal(SIGXFSZ, SIG_IGN);
        if (setrlimit(RLIMIT_FSIZE, &limit) != 0)
            _exit(2);
        const lr_status status = lr_scan_writer_open(&j->def, &j->writer, &err);
        const int good = status == LR_ERR_IO && strstr(err.text, "no room for 20224 bytes") && !lr_path_exists(p->other);
        if (!good)
            fprintf(stderr, "status %d: %s\n", status, err.text);
        _exit(good ? 0 : 1);
    }
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
}

// Any write or flush that fails on the way is told, marks nothing, and leaves a scan that resumes to the same bytes.
static void failures_on_the_way_are_survived(void **state)
{
    const place *p = *state;
    int failed = 0;
    for (int kind = 0; kind < 2; kind++) {
        for (int nth = 1; nth < 700; nth += nth < 30 ? 2 : 53) {
            job *j = job_create(p->other);
            lr_error err = {""};
            int finished = 0;
            j->flush_often = 1;
            *(kind ? &disk.fail_sync : &disk.fail_pwrite) = nth;
            const lr_status status = run(j, 1, &finished, &err);
            const int met = *(kind ? &disk.fail_sync : &disk.fail_pwrite) == 0;
            disk.fail_sync = disk.fail_pwrite = 0;
            if (met) {
                assert_int_equal(status, LR_ERR_IO);
                assert_int_equal(finished, 0);
                assert_true(err.text[0] && strstr(err.text, kind ? "Input/output error" : "No space left on device"));
                (void)ready_blocks_are_right(p->other);
                failed++;
                assert_int_equal(run(j, 2, &finished, &err), LR_OK);
            }
            assert_int_equal(finished, 1);
            job_destroy(j);
            same_as_plain(p, p->other);
            fixture_remove(p->other);
        }
    }
    assert_true(failed > 30);
}

static void an_unwritable_place_is_told(void **state)
{
    const place *p = *state;
    char path[LR_PATH_MAX], want[LR_PATH_MAX + 100];
    lr_error err = {""};
    inside(path, p->plain, "scan.json/below");   // a file is no folder, for root neither
    job *j = job_create(path);
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_ERR_IO);
    snprintf(want, sizeof want, "%s: cannot be read: Not a directory", path);
    assert_string_equal(err.text, want);
    job_destroy(j);

    j = job_create("/proc/none/scan");
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_ERR_IO);
    assert_string_equal(err.text, "/proc/none: cannot make this folder: No such file or directory");
    job_destroy(j);

    if (geteuid() != 0) {
        char top[LR_PATH_MAX];
        inside(top, p->top, "closed");
        assert_int_equal(mkdir(top, 0555), 0);
        inside(path, top, "scan");
        j = job_create(path);
        assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_ERR_IO);
        snprintf(want, sizeof want, "%s: cannot make this folder: Permission denied", path);
        assert_string_equal(err.text, want);
        job_destroy(j);
    }
}

static void a_changed_array_is_not_resumed(void **state)
{
    const place *p = *state;
    char path[LR_PATH_MAX];
    lr_error err = {""};
    job *j = job_create(p->other);
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_OK);
    assert_int_equal(render(j, 0, 0, &err), LR_OK);
    job_destroy(j);
    inside(path, p->other, "front/lower.npy");
    assert_int_equal(truncate(path, 5000), 0);
    j = job_create(p->other);
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_ERR_IO);
    assert_non_null(strstr(err.text, "front/lower.npy: not as the unfinished scan left it"));
    j->def.force = 1;
    int finished = 0;
    assert_int_equal(run(j, 1, &finished, &err), LR_OK);
    same_as_plain(p, p->other);
    job_destroy(j);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
        TEST(records_follow_their_data_to_disk),
        TEST(blocks_are_marked_about_once_a_second),
        TEST(a_torn_record_does_not_count),
        TEST(no_room_is_noticed_at_once),
        TEST(a_limit_on_files_is_told),
        TEST(failures_on_the_way_are_survived),
        TEST(an_unwritable_place_is_told),
        TEST(a_changed_array_is_not_resumed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
