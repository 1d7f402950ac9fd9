// SPDX-License-Identifier: Apache-2.0
// Opening scan folders: finished, growing, damaged.
#include <string.h>

#include "close.h"
#include "scan/scan_reader.h"
#include "scan_job.h"

static int set_up(void **state)
{
    char *folder = malloc(2*LR_PATH_MAX);
    char *top = folder + LR_PATH_MAX;   // the scan lies in a folder of its own
    fixture_folder(top);
    inside(folder, top, "scan");
    *state = folder;
    return 0;
}

static int tear_down(void **state)
{
    char *folder = *state;
    fixture_remove(folder + LR_PATH_MAX);
    free(folder);
    return 0;
}

// Faults as text, one a line, the folder's own name taken out.
typedef struct faults { lr_text text; const char *folder; } faults;

static void keep_fault(void *context, const char *line)
{
    faults *f = context;
    const size_t length = strlen(f->folder);
    const char *found = strstr(line, f->folder);
    assert_null(strchr(line, '\n'));
    if (found)
        lr_text_add(&f->text, "%.*s%s\n", (int)(found - line), line, found + length + 1);
    else
        lr_text_add(&f->text, "%s\n", line);
}

static void check_finds(const char *folder, const char *want)
{
    for (int threads = 1; threads <= 3; threads += 2) {
        faults f = {.folder = folder};
        lr_error err = {""};
        const lr_status status = lr_scan_check(folder, threads, keep_fault, &f, &err);
        assert_string_equal(f.text.data ? f.text.data : "", want);
        assert_int_equal(status, *want ? LR_ERR_PARSE : LR_OK);
        lr_text_free(&f.text);
    }
}

static void open_fails(const char *folder, lr_status want, const char *message)
{
    lr_scan_reader *reader = NULL;
    lr_error err = {""};
    assert_int_equal(lr_scan_reader_open(folder, &reader, &err), want);
    assert_null(reader);
    if (strncmp(err.text, folder, strlen(folder)) != 0 || strcmp(err.text + strlen(folder) + 1, message) != 0)
        fail_msg("%s\nis not FOLDER/%s", err.text, message);
}

// ---- Damage done and undone ----

typedef struct kept { char path[LR_PATH_MAX]; char *data; size_t length; } kept;

static kept keep(const char *folder, const char *name)
{
    kept k;
    inside(k.path, folder, name);
    assert_int_equal(lr_file_read(k.path, 1u << 24, &k.data, &k.length, NULL), LR_OK);
    return k;
}

static void put_back(kept *k)
{
    assert_int_equal(lr_file_write(k->path, k->data, k->length, NULL), LR_OK);
    free(k->data);
}

static void put_bytes(const char *folder, const char *name, size_t at, const char *bytes)
{
    char path[LR_PATH_MAX];
    inside(path, folder, name);
    FILE *file = fopen(path, "r+b");
    assert_non_null(file);
    fseek(file, (long)at, SEEK_SET);
    fputs(bytes, file);
    fclose(file);
}

// ---- Tests ----

static void a_finished_scan_opens(void **state)
{
    const char *folder = *state;
    char slashed[LR_PATH_MAX + 4];
    lr_scan_reader *reader = NULL;
    lr_error err = {""};
    run_well(folder, 2, BLOCK_LINES);
    snprintf(slashed, sizeof slashed, "%s///", folder);
    assert_int_equal(lr_scan_reader_open(slashed, &reader, &err), LR_OK);
    assert_string_equal(lr_scan_reader_folder(reader), folder);
    const lr_scan *scan = lr_scan_reader_scan(reader);
    assert_int_equal(scan->array_count, ARRAYS);
    assert_int_equal(scan->line_count, LINES);
    assert_int_equal(scan->block_lines, 0);
    assert_int_equal(strlen(scan->array[0].sha256), 64);
    assert_string_equal(lr_scan_reader_calibration(reader)->module[1].camera[1].name, "lower");
    assert_true(lr_scan_reader_ready(reader, 0, LINES));
    assert_true(lr_scan_reader_ready(reader, LINES, 0));
    assert_false(lr_scan_reader_ready(reader, 0, LINES + 1));
    assert_false(lr_scan_reader_ready(reader, LINES, 1));
    assert_false(lr_scan_reader_ready(reader, -1, 1));
    assert_false(lr_scan_reader_ready(reader, INT64_MAX, INT64_MAX));
    assert_true(lr_scan_reader_find(reader, "front/upper.npy") >= 0);
    assert_int_equal(lr_scan_reader_find(reader, "front/uper.npy"), -1);
    assert_int_equal(lr_scan_reader_refresh(reader, &err), LR_OK);

    lr_npy_map map;
    assert_int_equal(lr_scan_reader_array(reader, "scan.json", &map, &err), LR_ERR_MISSING);
    assert_int_equal(lr_scan_reader_array(reader, "front/lines.npy", &map, &err), LR_OK);
    assert_int_equal(map.info.field_count, 3);
    assert_string_equal(map.info.field[1].name, "encoder_count");
    lr_npy_close(&map);
    lr_scan_reader_close(reader);
    lr_scan_reader_close(NULL);
    check_finds(folder, "");
}

static void a_growing_scan_shows_finished_blocks_only(void **state)
{
    const char *folder = *state;
    job *j = job_create(folder);
    lr_scan_reader *reader = NULL;
    lr_error err = {""};
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_OK);
    assert_int_equal(lr_scan_reader_open(folder, &reader, &err), LR_OK);
    assert_false(lr_scan_reader_finished(reader));
    assert_false(lr_scan_reader_ready(reader, 0, 1));
    assert_int_equal(render(j, 1, 0, &err), LR_OK);      // lines 8 .. 15
    assert_int_equal(lr_scan_reader_refresh(reader, &err), LR_OK);
    assert_false(lr_scan_reader_ready(reader, 8, 8));    // done, but not on disk yet
    assert_int_equal(lr_scan_writer_flush(j->writer, &err), LR_OK);
    assert_false(lr_scan_reader_ready(reader, 8, 8));
    assert_int_equal(lr_scan_reader_refresh(reader, &err), LR_OK);
    assert_true(lr_scan_reader_ready(reader, 8, 8));
    assert_false(lr_scan_reader_ready(reader, 7, 2));
    assert_false(lr_scan_reader_ready(reader, 15, 2));

    lr_npy_map map;
    uint8_t row[1024];
    const size_t bytes = row_bytes(&j->array[1]);
    assert_int_equal(lr_scan_reader_array(reader, j->array[1].path, &map, &err), LR_OK);
    make_row(1, 9, row, bytes);
    assert_memory_equal((const uint8_t *)map.data + 9*bytes, row, bytes);
    lr_npy_close(&map);
    check_finds(folder, "progress: the scan is unfinished\n");

    int finished = 0;
    for (int64_t b = 0; b < lr_scan_writer_blocks(j->writer); b++)
        if (b != 1)
            assert_int_equal(render(j, b, 0, &err), LR_OK);
    assert_int_equal(lr_scan_writer_finish(j->writer, &finished, &err), LR_OK);
    assert_int_equal(finished, 1);
    assert_false(lr_scan_reader_finished(reader));
    assert_int_equal(lr_scan_reader_refresh(reader, &err), LR_OK);
    assert_true(lr_scan_reader_finished(reader));
    assert_true(lr_scan_reader_ready(reader, 0, LINES));
    assert_int_equal(strlen(lr_scan_reader_scan(reader)->array[0].sha256), 64);
    lr_scan_reader_close(reader);
    job_destroy(j);
}

static void a_replaced_scan_is_noticed(void **state)
{
    const char *folder = *state;
    job *j = job_create(folder);
    lr_scan_reader *reader = NULL;
    lr_error err = {""};
    int finished = 0;
    assert_int_equal(lr_scan_writer_open(&j->def, &j->writer, &err), LR_OK);
    assert_int_equal(lr_scan_reader_open(folder, &reader, &err), LR_OK);
    lr_scan_writer_close(j->writer);
    j->writer = NULL;
    j->def.force = 1;
    j->def.seed = 3;
    assert_int_equal(run(j, 1, &finished, &err), LR_OK);
    assert_int_equal(lr_scan_reader_refresh(reader, &err), LR_ERR_MISSING);
    assert_non_null(strstr(err.text, "the scan has been replaced by another"));
    lr_scan_reader_close(reader);
    job_destroy(j);
}

static void no_scan_is_said(void **state)
{
    const char *folder = *state;
    lr_scan_reader *reader = NULL;
    lr_error err = {""};
    char want[LR_PATH_MAX + 100];
    snprintf(want, sizeof want, "%s: no scan here: neither scan.json nor progress/plan.json", folder);
    assert_int_equal(lr_scan_reader_open(folder, &reader, &err), LR_ERR_MISSING);
    assert_string_equal(err.text, want);
    assert_int_equal(lr_scan_check(folder, 1, NULL, NULL, &err), LR_ERR_MISSING);
    assert_string_equal(err.text, want);
    assert_int_equal(lr_scan_reader_open("", &reader, &err), LR_ERR_RANGE);
}

static void damage_is_told_in_one_line_each(void **state)
{
    const char *folder = *state;
    char path[LR_PATH_MAX];
    run_well(folder, 1, BLOCK_LINES);

    kept k = keep(folder, "front/upper.npy");      // missing
    assert_int_equal(unlink(k.path), 0);
    open_fails(folder, LR_ERR_MISSING, "front/upper.npy: cannot be opened: No such file or directory");
    check_finds(folder, "front/upper.npy: cannot be opened: No such file or directory\n");

    assert_int_equal(lr_file_write(k.path, k.data, 5000, NULL), LR_OK);   // cut short
    open_fails(folder, LR_ERR_PARSE, "front/upper.npy: 4872 bytes of data where the header says 20096");
    check_finds(folder, "front/upper.npy: 4872 bytes of data where the header says 20096\n");
    put_back(&k);

    k = keep(folder, "front/lower.npy");           // another shape of the same size: [314, 32]
    put_bytes(folder, "front/lower.npy", 0, "");
    char *shape = memmem(k.data, 128, "(157, 64)", 9);
    assert_non_null(shape);
    put_bytes(folder, "front/lower.npy", (size_t)(shape - k.data), "(314, 32)");
    open_fails(folder, LR_ERR_PARSE, "front/lower.npy: shape [314, 32] where scan.json has [157, 64]");
    check_finds(folder, "front/lower.npy: shape [314, 32] where scan.json has [157, 64]\n");
    put_back(&k);

    k = keep(folder, "back/upper.npy");            // one bit
    const char bit[] = {(char)(k.data[3000] ^ 1), 0};
    put_bytes(folder, "back/upper.npy", 3000, bit);
    check_finds(folder, "back/upper.npy: SHA-256 is not the one in sha256sums.txt: the file has changed\n");
    put_back(&k);

    k = keep(folder, "truth/as_built.json");       // truth may be kept back: the scan opens, but is not whole
    assert_int_equal(unlink(k.path), 0);
    lr_scan_reader *reader = NULL;
    assert_int_equal(lr_scan_reader_open(folder, &reader, NULL), LR_OK);
    lr_scan_reader_close(reader);
    check_finds(folder, "truth/as_built.json: cannot be opened: No such file or directory\n");
    put_back(&k);

    k = keep(folder, "sha256sums.txt");
    assert_int_equal(lr_file_write(k.path, "rubbish\n", 8, NULL), LR_OK);
    faults f = {.folder = folder};
    assert_int_equal(lr_scan_check(folder, 2, keep_fault, &f, NULL), LR_ERR_PARSE);
    assert_non_null(strstr(f.text.data, "sha256sums.txt: has a line that is no checksum and path\n"));
    assert_non_null(strstr(f.text.data, "front/upper.npy: not listed in sha256sums.txt\n"));
    lr_text_free(&f.text);
    put_back(&k);

    k = keep(folder, "calibration.json");
    assert_int_equal(unlink(k.path), 0);
    open_fails(folder, LR_ERR_MISSING, "calibration.json: cannot be opened: No such file or directory");
    put_back(&k);
    inside(path, folder, "scan.json");
    check_finds(folder, "");
}

// scan.json and calibration.json must tell of the same instrument.
static void calibration_and_arrays_must_agree(void **state)
{
    const char *folder = *state;
    run_well(folder, 1, BLOCK_LINES);
    kept k = keep(folder, "calibration.json");
    lr_calibration other = fixture_calibration(PIXELS/2);
    lr_text text = {0};
    assert_int_equal(lr_calibration_write(&other, &text, NULL), LR_OK);
    assert_int_equal(lr_file_write(k.path, text.data, text.length, NULL), LR_OK);
    open_fails(folder, LR_ERR_PARSE, "front/upper.npy: shape [157, 64] where calibration.json has [157, 32]");
    check_finds(folder, "front/upper.npy: shape [157, 64] where calibration.json has [157, 32]\n"
                        "front/lower.npy: shape [157, 64] where calibration.json has [157, 32]\n"
                        "back/upper.npy: shape [157, 64] where calibration.json has [157, 32]\n"
                        "back/lower.npy: shape [157, 64] where calibration.json has [157, 32]\n"
                        "calibration.json: SHA-256 is not the one in sha256sums.txt: the file has changed\n");
    lr_text_free(&text);
    snprintf(other.module[0].camera[0].name, 64, "middle");
    assert_int_equal(lr_calibration_write(&other, &text, NULL), LR_OK);
    assert_int_equal(lr_file_write(k.path, text.data, text.length, NULL), LR_OK);
    open_fails(folder, LR_ERR_PARSE, "scan.json: array \"front/middle.npy\" of calibration.json is not listed");
    lr_text_free(&text);
    lr_calibration_free(&other);
    put_back(&k);
}

// Cut anywhere or with a byte changed, scan.json never brings the reader down.
static void no_damage_to_scan_json_gets_through(void **state)
{
    const char *folder = *state;
    run_well(folder, 1, BLOCK_LINES);
    kept k = keep(folder, "scan.json");
    for (size_t cut = 0; cut + 2 < k.length; cut += 13) {
        lr_json *json = NULL;
        lr_scan scan;
        if (lr_json_parse("scan.json", k.data, cut, &json, NULL) == LR_OK)
            assert_int_not_equal(lr_scan_from_json(json, &scan, NULL), LR_OK);
        lr_json_free(json);
    }
    int refused = 0;
    for (size_t i = 0; i < k.length; i++) {
        static const char put[] = "0-\"x]{}, e/.";
        const char was = k.data[i];
        lr_json *json = NULL;
        lr_scan scan = {0};
        lr_error err = {""};
        k.data[i] = put[i % (sizeof put - 1)];
        lr_status status = lr_json_parse("scan.json", k.data, k.length, &json, &err);
        if (status == LR_OK)
            status = lr_scan_from_json(json, &scan, &err);
        k.data[i] = was;
        assert_true(status == LR_OK || (err.text[0] && !strchr(err.text, '\n')));
        refused += status != LR_OK;
        lr_scan_free(&scan);
        lr_json_free(json);
    }
    assert_true(refused > 100);
    free(k.data);
}

static void texts_that_leave_the_folder_are_refused(void **state)
{
    (void)state;
    static const struct { const char *path, *message; } bad[] = {
        {"", "path \"\" is empty or too long"},
        {"/etc/x", "path \"/etc/x\" does not lie inside the scan"},
        {"a/../b", "path \"a/../b\" has an empty part, . or .."},
        {"a//b", "path \"a//b\" has an empty part, . or .."},
        {"a/", "path \"a/\" has an empty part, . or .."},
        {"./a", "path \"./a\" has an empty part, . or .."},
        {"a\\b", "path \"a\\b\" has a character that checksum lists cannot hold"},
        {"a\nb", "path \"a\nb\" has a character that checksum lists cannot hold"},
    };
    for (size_t i = 0; i < sizeof bad/sizeof *bad; i++) {
        lr_error err = {""};
        assert_int_equal(lr_scan_path_check(bad[i].path, &err), LR_ERR_RANGE);
        assert_string_equal(err.text, bad[i].message);
    }
    assert_int_equal(lr_scan_path_check("truth/inputs/a room.json", NULL), LR_OK);
    assert_int_equal(lr_scan_path_check("a/..b", NULL), LR_OK);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
        TEST(a_finished_scan_opens),
        TEST(a_growing_scan_shows_finished_blocks_only),
        TEST(a_replaced_scan_is_noticed),
        TEST(no_scan_is_said),
        TEST(damage_is_told_in_one_line_each),
        TEST(calibration_and_arrays_must_agree),
        TEST(no_damage_to_scan_json_gets_through),
        cmocka_unit_test(texts_that_leave_the_folder_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
