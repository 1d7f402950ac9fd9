// SPDX-License-Identifier: Apache-2.0
// Opens a scan for writing: what it is to hold, whose the folder is, what has been done already.
#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/thread.h"
#include "scan/scan_folder.h"
#include "scan/scan_writer_body.h"

lr_scan_writer_def lr_scan_writer_def_default(void)
{
    return (lr_scan_writer_def){.version = "", .settings = "{}", .scene = "null", .head = "null", .block_lines = 64, .shard = 1, .shard_count = 1};
}

// ---- The definition ----

static lr_status check_array(const lr_scan_writer_def *def, int i, lr_error *err)
{
    const lr_scan_array *array = &def->array[i];
    LR_TRY(lr_scan_path_check(array->path, err));
    for (int k = 0; k < i; k++)
        if (strcmp(array->path, def->array[k].path) == 0)
            return lr_fail(err, LR_ERR_RANGE, "array \"%s\" is given twice", array->path);
    const lr_npy_info *info = &array->info;
    if (lr_npy_item_bytes(info) == 0 || info->dims < 1 || info->dims > LR_NPY_MAX_DIMS)
        return lr_fail(err, LR_ERR_RANGE, "array \"%s\" has no type or shape", array->path);
    for (int d = 0; d < info->dims; d++)
        if (info->shape[d] < 1)
            return lr_fail(err, LR_ERR_RANGE, "array \"%s\": size %" PRId64 " is not above 0", array->path, info->shape[d]);
    if (info->shape[0] != def->line_count)
        return lr_fail(err, LR_ERR_RANGE, "array \"%s\" has %" PRId64 " lines where the scan has %" PRId64, array->path, info->shape[0],
                       def->line_count);
    return LR_OK;
}

static lr_status check_def(const lr_scan_writer_def *def, lr_error *err)
{
    assert(def->folder && def->version && def->settings && def->scene && def->head && def->calibration);
    if (!(def->line_count > 0))
        return lr_fail(err, LR_ERR_RANGE, "scan: %" PRId64 " lines is not above 0", def->line_count);
    if (!(def->block_lines > 0))
        return lr_fail(err, LR_ERR_RANGE, "scan: blocks of %" PRId64 " lines are not above 0", def->block_lines);
    if (!(def->array_count >= 1 && def->array_count <= LR_SCAN_MAX_ARRAYS))
        return lr_fail(err, LR_ERR_RANGE, "scan: %d arrays is not in 1 .. %d", def->array_count, LR_SCAN_MAX_ARRAYS);
    if (!(def->shard >= 1 && def->shard <= def->shard_count))
        return lr_fail(err, LR_ERR_RANGE, "shard %d/%d: not in 1/%d .. %d/%d", def->shard, def->shard_count, def->shard_count,
                       def->shard_count, def->shard_count);
    if (def->force && def->shard_count > 1)
        return lr_fail(err, LR_ERR_RANGE, "shard %d/%d: shards cannot replace a scan, each would remove the others' work", def->shard,
                       def->shard_count);
    for (int i = 0; i < def->array_count; i++)
        LR_TRY(check_array(def, i, err));
    for (int i = 0; i < def->file_count; i++) {
        LR_TRY(lr_scan_path_check(def->file[i].path, err));
        if (strncmp(def->file[i].path, "truth/", 6) != 0)
            return lr_fail(err, LR_ERR_RANGE, "file \"%s\" does not lie in truth/", def->file[i].path);
    }
    return LR_OK;
}

static lr_status copy_text(const char *text, char **out, lr_error *err)
{
    *out = strdup(text);
    return *out ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
}

static lr_status copy_scan(lr_scan_writer *w, const lr_scan_writer_def *def, lr_error *err)
{
    lr_scan *scan = &w->scan;
    snprintf(scan->version, sizeof scan->version, "%s", def->version);
    scan->seed = def->seed;
    scan->line_count = def->line_count;
    LR_TRY(copy_text(def->settings, &scan->settings, err));
    LR_TRY(copy_text(def->scene, &scan->scene, err));
    LR_TRY(copy_text(def->head, &scan->head, err));
    scan->array = calloc((size_t)def->array_count, sizeof *scan->array);
    w->out = calloc((size_t)def->array_count, sizeof *w->out);
    w->side = calloc((size_t)def->file_count + 1, sizeof *w->side);
    if (!scan->array || !w->out || !w->side)
        return lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
    scan->array_count = def->array_count;
    for (int i = 0; i < def->array_count; i++) {
        scan->array[i] = def->array[i];
        scan->array[i].sha256[0] = '\0';
        w->out[i].fd = -1;
    }
    return LR_OK;
}

// ---- Side files and the fingerprint ----

static void list_side(lr_scan_writer *w, const char *path, const void *data, size_t length)
{
    lr_scan_sum *file = &w->side[w->side_count++];
    snprintf(file->path, sizeof file->path, "%s", path);
    lr_sha256(data, length, file->sha256);
}

// Over scan.json as far as it is known, and every side file: all that shapes the result.
static lr_status take_fingerprint(lr_scan_writer *w, const lr_scan_writer_def *def, const lr_text *calibration, lr_error *err)
{
    lr_text text = {0};
    list_side(w, "calibration.json", calibration->data, calibration->length);
    for (int i = 0; i < def->file_count; i++)
        list_side(w, def->file[i].path, def->file[i].data, def->file[i].length);
    LR_TRY(lr_scan_write(&w->scan, &text, err));
    for (int i = 0; i < w->side_count; i++)
        lr_text_add(&text, "%s  %s\n", w->side[i].sha256, w->side[i].path);
    if (!text.failed)
        lr_sha256(text.data, text.length, w->scan.fingerprint);
    lr_text_free(&text);
    return w->scan.fingerprint[0] ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
}

static lr_status write_side(const lr_scan_writer *w, const lr_scan_writer_def *def, const lr_text *calibration, lr_error *err)
{
    LR_TRY(lr_folder_write(w->folder, "calibration.json", calibration->data, calibration->length, err));
    for (int i = 0; i < def->file_count; i++)
        LR_TRY(lr_folder_write(w->folder, def->file[i].path, def->file[i].data, def->file[i].length, err));
    return LR_OK;
}

// ---- Arrays ----

static int64_t whole_bytes(const lr_scan_writer *w, int i)
{
    return (int64_t)w->out[i].data_offset + w->out[i].row_bytes*w->scan.line_count;
}

static lr_status plan_output(lr_scan_writer *w, int i, uint8_t header[1024], lr_error *err)
{
    const lr_npy_info *info = &w->scan.array[i].info;
    const lr_status status = lr_npy_header(info, header, 1024, &w->out[i].data_offset, err);
    if (status != LR_OK)
        return lr_fail_prefix(err, status, w->scan.array[i].path);
    int64_t bytes = (int64_t)lr_npy_item_bytes(info);
    for (int d = 1; d < info->dims; d++)
        if (__builtin_mul_overflow(bytes, info->shape[d], &bytes) || bytes > INT64_MAX/2/w->scan.line_count)
            return lr_fail(err, LR_ERR_RANGE, "array \"%s\" is too large", w->scan.array[i].path);
    w->out[i].row_bytes = bytes;
    return LR_OK;
}

// Takes all the room now, so that a full disk is noticed before the first ray.
static lr_status make_array(lr_scan_writer *w, int i, const char *path, const uint8_t *header, lr_error *err)
{
    const int64_t bytes = whole_bytes(w, i);
    int64_t all = 0;
    for (int k = 0; k < w->scan.array_count; k++)
        all += whole_bytes(w, k);
    int fault = ftruncate(w->out[i].fd, 0) == 0 ? 0 : errno;
    if (!fault)
        fault = posix_fallocate(w->out[i].fd, 0, bytes);
    if (fault) {
        (void)unlink(path);
        return lr_fail(err, LR_ERR_IO, "%.200s: no room for %" PRId64 " bytes (%" PRId64 " for all arrays of the scan): %s", path, bytes, all,
                       strerror(fault));
    }
    return lr_scan_put(w->out[i].fd, path, header, (int64_t)w->out[i].data_offset, 0, err);
}

static int is_intact(const lr_scan_writer *w, int i, const uint8_t *header)
{
    uint8_t found[1024];
    struct stat info;
    const ssize_t length = (ssize_t)w->out[i].data_offset;
    return fstat(w->out[i].fd, &info) == 0 && info.st_size == whole_bytes(w, i) && pread(w->out[i].fd, found, (size_t)length, 0) == length &&
           memcmp(found, header, (size_t)length) == 0;
}

static lr_status open_array(lr_scan_writer *w, int i, int any_found, lr_error *err)
{
    uint8_t header[1024];
    char path[LR_PATH_MAX];
    LR_TRY(plan_output(w, i, header, err));
    LR_TRY(lr_path_join(path, w->folder, w->scan.array[i].path, err));
    LR_TRY(lr_folder_make_parents(w->folder, w->scan.array[i].path, err));
    w->out[i].fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0666);
    if (w->out[i].fd < 0)
        return lr_fail(err, LR_ERR_IO, "%.300s: cannot be opened: %s%s", path, strerror(errno),
                       errno == EMFILE ? "; raise the limit of open files" : "");
    if (is_intact(w, i, header))
        return LR_OK;
    if (any_found)
        return lr_fail(err, LR_ERR_IO, "%.300s: not as the unfinished scan left it: its size or header has changed; start the scan anew", path);
    return make_array(w, i, path, header, err);
}

static int same_parent(const char *a, const char *b)
{
    const char *end_a = strrchr(a, '/'), *end_b = strrchr(b, '/');
    const size_t length_a = end_a ? (size_t)(end_a - a) : 0, length_b = end_b ? (size_t)(end_b - b) : 0;
    return length_a == length_b && memcmp(a, b, length_a) == 0;
}

static lr_status open_arrays(lr_scan_writer *w, lr_error *err)
{
    int any_found = 0;
    uint8_t header[1024];
    for (int64_t b = 0; b < w->blocks; b++)
        any_found |= w->found[b];
    for (int i = 0; i < w->scan.array_count; i++)  // all sizes first: the message about room gives their sum
        LR_TRY(plan_output(w, i, header, err));
    for (int i = 0; i < w->scan.array_count; i++)
        LR_TRY(open_array(w, i, any_found, err));
    for (int i = 0; i < w->scan.array_count; i++)
        if (i == 0 || !same_parent(w->scan.array[i].path, w->scan.array[i - 1].path))
            lr_folder_sync(w->folder, w->scan.array[i].path);
    return LR_OK;
}

// ---- Opening ----

static lr_status load_plan(const lr_scan_writer *w, const char *name, lr_scan *plan, lr_error *err)
{
    char path[LR_PATH_MAX];
    LR_TRY(lr_path_join(path, w->folder, name, err));
    return lr_scan_load(path, plan, err);
}

static lr_status write_plan(lr_scan_writer *w, int64_t block_lines, lr_error *err)
{
    lr_text text = {0};
    w->scan.block_lines = block_lines;
    LR_TRY(lr_scan_write(&w->scan, &text, err));
    const lr_status status = lr_folder_write(w->folder, "progress/plan.json", text.data, text.length, err);
    lr_text_free(&text);
    return status;
}

static lr_status settle_replaced(lr_scan_writer *w, const lr_scan_writer_def *def, lr_folder_kind kind, const lr_scan *old, lr_error *err)
{
    LR_TRY(lr_journal_idle(w->progress, err));
    if (kind == LR_FOLDER_FINISHED)
        LR_TRY(lr_folder_reopen(w->folder, err));
    LR_TRY(lr_folder_clear(w->folder, old, err));
    return write_plan(w, def->block_lines, err);
}

static lr_status settle_same(lr_scan_writer *w, const lr_scan_writer_def *def, lr_folder_kind kind, const lr_scan *old, lr_error *err)
{
    if (kind == LR_FOLDER_FINISHED) {
        w->state = LR_SCAN_FINISHED;
        lr_folder_drop_progress(w->folder);  // a kill just after the end may have left it
        return LR_OK;
    }
    w->state = LR_SCAN_RESUMED;
    w->scan.block_lines = old->block_lines;
    return old->block_lines > 0 ? LR_OK : write_plan(w, def->block_lines, err);  // 0: it was about to be replaced by the same again
}

// Decides by what the folder holds whether to begin, resume or refuse.
static lr_status settle(lr_scan_writer *w, const lr_scan_writer_def *def, lr_folder_kind kind, lr_error *err)
{
    lr_scan old = {0};
    if (kind == LR_FOLDER_FOREIGN)
        return lr_fail(err, LR_ERR_RANGE, "%.300s: not empty, and not a scan of ours: choose another folder", w->folder);
    if (kind == LR_FOLDER_FREE)
        return write_plan(w, def->block_lines, err);
    LR_TRY(load_plan(w, kind == LR_FOLDER_FINISHED ? "scan.json" : "progress/plan.json", &old, err));
    lr_status status;
    if (def->force)
        status = settle_replaced(w, def, kind, &old, err);
    else if (strcmp(old.fingerprint, w->scan.fingerprint) == 0)
        status = settle_same(w, def, kind, &old, err);
    else
        status = lr_fail(err, LR_ERR_RANGE, "%.300s: the folder holds %s scan of other inputs; choose another, or replace it with --force", w->folder,
                         kind == LR_FOLDER_FINISHED ? "a finished" : "an unfinished");
    lr_scan_free(&old);
    return status;
}

static lr_status set_up_blocks(lr_scan_writer *w, lr_error *err)
{
    w->blocks = lr_journal_blocks(&w->scan);
    w->found = calloc((size_t)w->blocks, 1);
    w->stage = calloc((size_t)w->blocks, 1);
    if (!w->found || !w->stage)
        return lr_fail(err, LR_ERR_MEMORY, "scan: out of memory for the list of its %lld lines", (long long)w->scan.line_count);
    LR_TRY(lr_journal_collect(w->progress, &w->scan, w->found, err));
    int64_t missing = 0;
    for (int64_t b = 0; b < w->blocks; b++) {
        w->stage[b] = w->found[b] ? LR_BLOCK_MARKED : LR_BLOCK_OPEN;
        missing += lr_scan_writer_wants(w, b);
    }
    return lr_journal_open(w->progress, w->shard, w->shard_count, &w->scan, missing, &w->journal, err);
}

static lr_status set_up(lr_scan_writer *w, const lr_scan_writer_def *def, const lr_text *calibration, lr_error *err)
{
    LR_TRY(set_up_blocks(w, err));
    LR_TRY(write_side(w, def, calibration, err));
    return open_arrays(w, err);
}

static lr_status open_locked(lr_scan_writer *w, const lr_scan_writer_def *def, const lr_text *calibration, int made, lr_error *err)
{
    lr_folder_kind kind;
    LR_TRY(lr_folder_look(w->folder, &kind, err));
    lr_status status = settle(w, def, kind, err);
    if (status == LR_OK && w->state != LR_SCAN_FINISHED)
        status = set_up(w, def, calibration, err);
    if (status == LR_OK || kind != LR_FOLDER_FREE)
        return status;
    (void)lr_folder_clear(w->folder, &w->scan, NULL);  // nothing stays of a scan that could not begin
    lr_folder_drop_progress(w->folder);
    if (made)
        (void)rmdir(w->folder);
    return status;
}

static lr_status open_folder(lr_scan_writer *w, const lr_scan_writer_def *def, const lr_text *calibration, lr_error *err)
{
    lr_folder_kind kind;
    int lock;
    LR_TRY(lr_folder_look(w->folder, &kind, err));
    if (kind == LR_FOLDER_FOREIGN || (kind == LR_FOLDER_FINISHED && !def->force))
        return settle(w, def, kind, err);  // without a lock: nothing is made in someone else's folder, or in a finished scan
    const int made = !lr_path_exists(w->folder);
    LR_TRY(lr_folder_lock(w->folder, &lock, err));
    const lr_status status = open_locked(w, def, calibration, made, err);
    lr_folder_unlock(lock);
    return status;
}

// Without slashes at the end, and with room for what lies inside.
static lr_status copy_folder(lr_scan_writer *w, const char *folder, lr_error *err)
{
    size_t length = strlen(folder);
    while (length > 1 && folder[length - 1] == '/')
        length--;
    if (length == 0 || length > LR_PATH_MAX - 2*LR_SCAN_PATH)
        return lr_fail(err, LR_ERR_RANGE, "\"%.100s\": not a usable name for a scan's folder", folder);
    memcpy(w->folder, folder, length);
    return lr_path_join(w->progress, w->folder, "progress", err);
}

lr_status lr_scan_writer_open(const lr_scan_writer_def *def, lr_scan_writer **out, lr_error *err)
{
    assert(def && out);
    *out = NULL;
    LR_TRY(check_def(def, err));
    lr_scan_writer *w = calloc(1, sizeof *w);
    if (!w)
        return lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
    pthread_mutex_init(&w->mutex, NULL);
    pthread_cond_init(&w->idle, NULL);
    w->journal.fd = -1;
    w->shard = def->shard;
    w->shard_count = def->shard_count;
    w->threads = def->threads > 0 ? def->threads : lr_thread_default();
    w->flushed_s = lr_scan_clock_s();
    w->results = def->results;
    w->results_context = def->results_context;

    lr_text calibration = {0};
    lr_status status = copy_folder(w, def->folder, err);
    if (status == LR_OK)
        status = copy_scan(w, def, err);
    if (status == LR_OK)
        status = lr_calibration_write(def->calibration, &calibration, err);
    if (status == LR_OK)
        status = take_fingerprint(w, def, &calibration, err);
    if (status == LR_OK)
        status = open_folder(w, def, &calibration, err);
    lr_text_free(&calibration);
    if (status != LR_OK)
        lr_scan_writer_release(w);
    else
        *out = w;
    return status;
}
