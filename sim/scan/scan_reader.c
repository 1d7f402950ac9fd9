// SPDX-License-Identifier: Apache-2.0
#include "scan/scan_reader.h"

#include <assert.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/file.h"
#include "core/thread.h"
#include "scan/scan_journal.h"

struct lr_scan_reader {
    char folder[LR_PATH_MAX];
    lr_scan scan;
    lr_calibration calibration;
    int finished;
    int64_t blocks;     // of an unfinished scan
    uint8_t *done;      // (blocks)
};

const lr_scan *lr_scan_reader_scan(const lr_scan_reader *reader) { return &reader->scan; }
const lr_calibration *lr_scan_reader_calibration(const lr_scan_reader *reader) { return &reader->calibration; }
const char *lr_scan_reader_folder(const lr_scan_reader *reader) { return reader->folder; }
int lr_scan_reader_finished(const lr_scan_reader *reader) { return reader->finished; }

// ---- Arrays ----

int lr_scan_reader_find(const lr_scan_reader *reader, const char *path)
{
    for (int i = 0; i < reader->scan.array_count; i++)
        if (strcmp(reader->scan.array[i].path, path) == 0)
            return i;
    return -1;
}

static int same_type(const lr_npy_info *a, const lr_npy_info *b)
{
    if (a->field_count != b->field_count || strcmp(a->descr, b->descr) != 0)
        return 0;
    for (int i = 0; i < a->field_count; i++)
        if (strcmp(a->field[i].name, b->field[i].name) != 0 || strcmp(a->field[i].descr, b->field[i].descr) != 0)
            return 0;
    return 1;
}

static int same_shape(const lr_npy_info *a, const lr_npy_info *b)
{
    return a->dims == b->dims && memcmp(a->shape, b->shape, (size_t)a->dims*sizeof *a->shape) == 0;
}

typedef struct shape_text { char text[112]; } shape_text;

static shape_text show_shape(const lr_npy_info *info)
{
    shape_text s;
    int used = snprintf(s.text, sizeof s.text, "[");
    for (int i = 0; i < info->dims; i++)
        used += snprintf(s.text + used, sizeof s.text - (size_t)used, i ? ", %" PRId64 : "%" PRId64, info->shape[i]);
    snprintf(s.text + used, sizeof s.text - (size_t)used, "]");
    return s;
}

static lr_status compare(const char *path, const char *by, const lr_npy_info *found, const lr_npy_info *want, lr_error *err)
{
    if (!same_type(found, want))
        return lr_fail(err, LR_ERR_PARSE, "%.300s: type %s where %s has %s", path, found->field_count ? "record" : found->descr, by,
                       want->field_count ? "another record" : want->descr);
    if (!same_shape(found, want))
        return lr_fail(err, LR_ERR_PARSE, "%.300s: shape %s where %s has %s", path, show_shape(found).text, by, show_shape(want).text);
    return LR_OK;
}

lr_status lr_scan_reader_array(const lr_scan_reader *reader, const char *path, lr_npy_map *map, lr_error *err)
{
    assert(reader && path && map);
    *map = (lr_npy_map){0};
    const int i = lr_scan_reader_find(reader, path);
    char whole[LR_PATH_MAX];
    if (i < 0)
        return lr_fail(err, LR_ERR_MISSING, "%.300s/%.190s: the scan has no such array", reader->folder, path);
    LR_TRY(lr_path_join(whole, reader->folder, path, err));
    LR_TRY(lr_npy_open(whole, map, err));
    const lr_status status = compare(whole, "scan.json", &map->info, &reader->scan.array[i].info, err);
    if (status != LR_OK) {
        lr_npy_close(map);
        *map = (lr_npy_map){0};
    }
    return status;
}

// ---- Against the calibration ----

static lr_status compare_listed(const lr_scan_reader *reader, const lr_scan_array *want, lr_error *err)
{
    const int i = lr_scan_reader_find(reader, want->path);
    if (i < 0)
        return lr_fail(err, LR_ERR_PARSE, "%.300s/scan.json: array \"%s\" of calibration.json is not listed", reader->folder, want->path);
    char whole[LR_PATH_MAX];
    LR_TRY(lr_path_join(whole, reader->folder, want->path, err));
    return compare(whole, "calibration.json", &reader->scan.array[i].info, &want->info, err);
}

// Calls `visit` for each array an instrument delivers, in the order of the calibration.
typedef lr_status (*array_visitor)(const lr_scan_reader *reader, const lr_scan_array *want, void *context, lr_error *err);

static lr_status for_each_raw(const lr_scan_reader *reader, array_visitor visit, void *context, lr_error *err)
{
    const lr_calibration *calibration = &reader->calibration;
    lr_scan_array want;
    for (int m = 0; m < calibration->module_count; m++) {
        const lr_cal_module *module = &calibration->module[m];
        LR_TRY(lr_scan_lines_array(module->name, reader->scan.line_count, &want, err));
        LR_TRY(visit(reader, &want, context, err));
        for (int c = 0; c < module->camera_count; c++) {
            LR_TRY(lr_scan_raw_array(module->name, module->camera[c].name, reader->scan.line_count, module->camera[c].pixels, &want, err));
            LR_TRY(visit(reader, &want, context, err));
        }
    }
    return LR_OK;
}

static lr_status see_array(const lr_scan_reader *reader, const char *path, lr_error *err)
{
    lr_npy_map map;
    LR_TRY(lr_scan_reader_array(reader, path, &map, err));
    lr_npy_close(&map);
    return LR_OK;
}

static lr_status see_raw(const lr_scan_reader *reader, const lr_scan_array *want, void *context, lr_error *err)
{
    (void)context;
    LR_TRY(compare_listed(reader, want, err));
    return see_array(reader, want->path, err);
}

// ---- Opening ----

static lr_status load_inside(const lr_scan_reader *reader, const char *name, lr_scan *out, lr_error *err)
{
    char path[LR_PATH_MAX];
    LR_TRY(lr_path_join(path, reader->folder, name, err));
    return lr_scan_load(path, out, err);
}

static lr_status open_blocks(lr_scan_reader *reader, lr_error *err)
{
    char progress[LR_PATH_MAX];
    if (reader->scan.block_lines < 1)
        return lr_fail(err, LR_ERR_PARSE, "%.300s/progress/plan.json: block_lines is missing", reader->folder);
    reader->blocks = lr_journal_blocks(&reader->scan);
    reader->done = calloc((size_t)reader->blocks, 1);
    if (!reader->done)
        return lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", reader->folder);
    LR_TRY(lr_path_join(progress, reader->folder, "progress", err));
    return lr_journal_collect(progress, &reader->scan, reader->done, err);
}

static lr_status load_scan(lr_scan_reader *reader, lr_error *err)
{
    char scan[LR_PATH_MAX], plan[LR_PATH_MAX];
    LR_TRY(lr_path_join(scan, reader->folder, "scan.json", err));
    LR_TRY(lr_path_join(plan, reader->folder, "progress/plan.json", err));
    reader->finished = lr_path_exists(scan);
    if (!reader->finished && !lr_path_exists(plan)) {
        reader->finished = lr_path_exists(scan);  // it may have been finished between the two looks
        if (!reader->finished)
            return lr_fail(err, LR_ERR_MISSING, "%.300s: no scan here: neither scan.json nor progress/plan.json", reader->folder);
    }
    LR_TRY(lr_scan_load(reader->finished ? scan : plan, &reader->scan, err));
    return reader->finished ? LR_OK : open_blocks(reader, err);
}

static lr_status load_all(lr_scan_reader *reader, lr_error *err)
{
    char path[LR_PATH_MAX];
    LR_TRY(load_scan(reader, err));
    LR_TRY(lr_path_join(path, reader->folder, "calibration.json", err));
    return lr_calibration_load(path, &reader->calibration, err);
}

static lr_status allocate(const char *folder, lr_scan_reader **out, lr_error *err)
{
    size_t length = strlen(folder);
    while (length > 1 && folder[length - 1] == '/')
        length--;
    *out = NULL;
    if (length == 0 || length > LR_PATH_MAX - 2*LR_SCAN_PATH)
        return lr_fail(err, LR_ERR_RANGE, "\"%.100s\": not a usable name for a scan's folder", folder);
    lr_scan_reader *reader = calloc(1, sizeof *reader);
    if (!reader)
        return lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", folder);
    memcpy(reader->folder, folder, length);
    *out = reader;
    return LR_OK;
}

lr_status lr_scan_reader_open(const char *folder, lr_scan_reader **out, lr_error *err)
{
    assert(folder && out);
    LR_TRY(allocate(folder, out, err));
    lr_status status = load_all(*out, err);
    if (status == LR_OK)
        status = for_each_raw(*out, see_raw, NULL, err);
    if (status != LR_OK) {
        lr_scan_reader_close(*out);
        *out = NULL;
    }
    return status;
}

void lr_scan_reader_close(lr_scan_reader *reader)
{
    if (!reader)
        return;
    lr_scan_free(&reader->scan);
    lr_calibration_free(&reader->calibration);
    free(reader->done);
    free(reader);
}

int lr_scan_reader_ready(const lr_scan_reader *reader, int64_t first_line, int64_t line_count)
{
    if (first_line < 0 || line_count < 0 || line_count > reader->scan.line_count || first_line > reader->scan.line_count - line_count)
        return 0;
    if (reader->finished || line_count == 0)
        return 1;
    const int64_t last = (first_line + line_count - 1)/reader->scan.block_lines;
    for (int64_t block = first_line/reader->scan.block_lines; block <= last; block++)
        if (!reader->done[block])
            return 0;
    return 1;
}

lr_status lr_scan_reader_refresh(lr_scan_reader *reader, lr_error *err)
{
    char progress[LR_PATH_MAX], path[LR_PATH_MAX];
    lr_scan now = {0};
    if (reader->finished)
        return LR_OK;
    LR_TRY(lr_path_join(progress, reader->folder, "progress", err));
    LR_TRY(lr_journal_collect(progress, &reader->scan, reader->done, err));
    LR_TRY(lr_path_join(path, reader->folder, "scan.json", err));
    if (!lr_path_exists(path))
        return LR_OK;
    LR_TRY(load_inside(reader, "scan.json", &now, err));
    if (strcmp(now.fingerprint, reader->scan.fingerprint) != 0) {
        lr_scan_free(&now);
        return lr_fail(err, LR_ERR_MISSING, "%.300s: the scan has been replaced by another", reader->folder);
    }
    lr_scan_free(&reader->scan);
    reader->scan = now;
    reader->finished = 1;
    return LR_OK;
}

// ---- Verifying ----

typedef struct entry { char path[LR_SCAN_PATH]; char want[65], found[65]; int skip; lr_error fault; } entry;

typedef struct checker {
    lr_scan_reader *reader;
    lr_scan_fault fault;
    void *context;
    int faults;
    int entry_count;
    entry *entry;       // (entry_count) of sha256sums.txt
} checker;

static void report(checker *c, const char *line)
{
    c->faults++;
    if (c->fault)
        c->fault(c->context, line);
}

static void report_about(checker *c, const char *path, const char *what)
{
    lr_error line;
    (void)lr_fail(&line, LR_ERR_PARSE, "%.300s/%.190s: %s", c->reader->folder, path, what);
    report(c, line.text);
}

// "<64 hexadecimal digits>  path"
static int parse_sum(const char *line, size_t length, entry *out)
{
    if (length < 67 || length - 66 >= sizeof out->path || memcmp(line + 64, "  ", 2) != 0)
        return 0;
    memcpy(out->want, line, 64);
    memcpy(out->path, line + 66, length - 66);
    return strspn(out->want, "0123456789abcdef") == 64 && lr_scan_path_check(out->path, NULL) == LR_OK;
}

static lr_status read_sums(checker *c, lr_error *err)
{
    char path[LR_PATH_MAX], *text = NULL;
    size_t length = 0;
    LR_TRY(lr_path_join(path, c->reader->folder, "sha256sums.txt", err));
    lr_error why;
    const lr_status status = lr_file_read(path, 16u << 20, &text, &length, &why);
    if (status == LR_ERR_MEMORY)
        return lr_fail(err, status, "%s", why.text);
    if (status != LR_OK) {
        report(c, why.text);
        return LR_OK;
    }
    int lines = 1;
    for (size_t i = 0; i < length; i++)
        lines += text[i] == '\n';
    c->entry = calloc((size_t)lines, sizeof *c->entry);
    int bad = 0;
    for (const char *at = text, *end = text + length; c->entry && at < end;) {
        const char *stop = memchr(at, '\n', (size_t)(end - at));
        const size_t n = (size_t)((stop ? stop : end) - at);
        if (parse_sum(at, n, &c->entry[c->entry_count]))
            c->entry_count++;
        else
            memset(&c->entry[c->entry_count], 0, sizeof *c->entry), bad = 1;
        at += n + 1;
    }
    free(text);
    if (!c->entry)
        return lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", path);
    if (bad)
        report_about(c, "sha256sums.txt", "has a line that is no checksum and path");
    return LR_OK;
}

static entry *find_entry(checker *c, const char *path)
{
    for (int i = 0; i < c->entry_count; i++)
        if (strcmp(c->entry[i].path, path) == 0)
            return &c->entry[i];
    return NULL;
}

static lr_status check_listed(const lr_scan_reader *reader, const lr_scan_array *want, void *context, lr_error *err)
{
    (void)err;
    lr_error why;
    if (compare_listed(reader, want, &why) != LR_OK)
        report(context, why.text);
    return LR_OK;
}

static void check_arrays(checker *c)
{
    for (int i = 0; i < c->reader->scan.array_count; i++) {
        const lr_scan_array *array = &c->reader->scan.array[i];
        entry *sum = find_entry(c, array->path);
        lr_error why;
        const int bad = see_array(c->reader, array->path, &why) != LR_OK;
        if (bad)
            report(c, why.text);
        if (sum)
            sum->skip = bad;  // said already
        if (!sum)
            report_about(c, array->path, "not listed in sha256sums.txt");
        else if (strcmp(sum->want, array->sha256) != 0)
            report_about(c, array->path, "scan.json and sha256sums.txt disagree on its checksum");
    }
}

static lr_status sum_entry(void *context, int64_t job, int worker, lr_error *err)
{
    (void)worker, (void)err;
    checker *c = context;
    entry *e = &c->entry[job];
    char path[LR_PATH_MAX];
    if (e->skip)
        return LR_OK;
    if (lr_path_join(path, c->reader->folder, e->path, &e->fault) == LR_OK)
        (void)lr_file_sha256(path, e->found, &e->fault);
    return LR_OK;
}

static lr_status check_sums(checker *c, int threads, lr_error *err)
{
    if (c->entry_count > 0)
        LR_TRY(lr_threads_run(threads > 0 ? threads : lr_thread_default(), c->entry_count, sum_entry, c, err));
    for (int i = 0; i < c->entry_count; i++) {
        const entry *e = &c->entry[i];
        if (e->skip)
            continue;
        if (e->fault.text[0])
            report(c, e->fault.text);
        else if (strcmp(e->found, e->want) != 0)
            report_about(c, e->path, "SHA-256 is not the one in sha256sums.txt: the file has changed");
    }
    return LR_OK;
}

static lr_status check_all(checker *c, int threads, lr_error *err)
{
    char path[LR_PATH_MAX];
    lr_error why;
    LR_TRY(load_scan(c->reader, err));
    if (!c->reader->finished) {
        report_about(c, "progress", "the scan is unfinished");
        return LR_OK;
    }
    LR_TRY(read_sums(c, err));
    LR_TRY(lr_path_join(path, c->reader->folder, "calibration.json", err));
    const lr_status status = lr_calibration_load(path, &c->reader->calibration, &why);
    if (status == LR_ERR_MEMORY)
        return lr_fail(err, status, "%s", why.text);
    if (status != LR_OK)
        report(c, why.text);
    else
        LR_TRY(for_each_raw(c->reader, check_listed, c, err));
    check_arrays(c);
    if (c->entry && !find_entry(c, "scan.json"))
        report_about(c, "scan.json", "not listed in sha256sums.txt");
    if (c->entry && !find_entry(c, "calibration.json"))
        report_about(c, "calibration.json", "not listed in sha256sums.txt");
    return check_sums(c, threads, err);
}

lr_status lr_scan_check(const char *folder, int threads, lr_scan_fault fault, void *context, lr_error *err)
{
    checker c = {.fault = fault, .context = context};
    LR_TRY(allocate(folder, &c.reader, err));
    lr_status status = check_all(&c, threads, err);
    if (status == LR_OK && c.faults > 0)
        status = lr_fail(err, LR_ERR_PARSE, "%.300s: %d fault%s", folder, c.faults, c.faults == 1 ? "" : "s");
    lr_scan_reader_close(c.reader);
    free(c.entry);
    return status;
}
