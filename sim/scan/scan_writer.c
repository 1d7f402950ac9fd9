// SPDX-License-Identifier: Apache-2.0
// How a kill or a power cut is survived: a block passes through OPEN -> WRITTEN (its rows were handed to the system) ->
// MOVING (a flush has begun after that) -> MARKED (the arrays were put on disk, then its record). Only records count when
// the scan is resumed, so at worst about a second of work is done again, with the same result.
#include "scan/scan_writer.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "core/thread.h"
#include "scan/scan_folder.h"
#include "scan/scan_writer_body.h"

#define FLUSH_EVERY_S 1.0  // longer: more to do again after a kill; shorter: the disk is kept busier

double lr_scan_clock_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

lr_status lr_scan_put(int fd, const char *path, const void *data, int64_t length, int64_t offset, lr_error *err)
{
    const char *next = data;
    while (length > 0) {
        const ssize_t n = pwrite(fd, next, (size_t)length, offset);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            return lr_fail(err, LR_ERR_IO, "%.300s: cannot be written: %s", path, strerror(n < 0 ? errno : ENOSPC));
        next += n;
        offset += n;
        length -= n;
    }
    return LR_OK;
}

void lr_scan_writer_release(lr_scan_writer *w)
{
    for (int i = 0; w->out && i < w->scan.array_count; i++)
        if (w->out[i].fd >= 0)
            close(w->out[i].fd);
    lr_journal_close(&w->journal);
    pthread_mutex_destroy(&w->mutex);
    pthread_cond_destroy(&w->idle);
    lr_scan_free(&w->scan);
    free(w->out);
    free(w->side);
    free(w->found);
    free(w->stage);
    free(w);
}

void lr_scan_writer_close(lr_scan_writer *w)
{
    if (!w)
        return;
    (void)lr_scan_writer_flush(w, NULL);  // what cannot be marked is done again
    lr_scan_writer_release(w);
}

lr_scan_state lr_scan_writer_state(const lr_scan_writer *w) { return w->state; }
int64_t lr_scan_writer_blocks(const lr_scan_writer *w) { return w->blocks; }
const char *lr_scan_writer_fingerprint(const lr_scan_writer *w) { return w->scan.fingerprint; }

void lr_scan_writer_block(const lr_scan_writer *w, int64_t block, int64_t *first_line, int64_t *line_count)
{
    assert(block >= 0 && block < w->blocks);
    const int64_t left = w->scan.line_count - block*w->scan.block_lines;
    *first_line = block*w->scan.block_lines;
    *line_count = left < w->scan.block_lines ? left : w->scan.block_lines;
}

int lr_scan_writer_wants(const lr_scan_writer *w, int64_t block)
{
    assert(block >= 0 && block < w->blocks);
    return !w->found[block] && block % w->shard_count == w->shard - 1;
}

lr_status lr_scan_writer_rows(lr_scan_writer *w, int array, int64_t first_line, int64_t line_count, const void *data, lr_error *err)
{
    assert(w->state != LR_SCAN_FINISHED && array >= 0 && array < w->scan.array_count);
    assert(first_line >= 0 && line_count >= 0 && first_line + line_count <= w->scan.line_count);
    const lr_scan_output *out = &w->out[array];
    const lr_status status = lr_scan_put(out->fd, w->scan.array[array].path, data, line_count*out->row_bytes,
                                         (int64_t)out->data_offset + first_line*out->row_bytes, err);
    return status == LR_OK ? status : lr_fail_prefix(err, status, w->folder);
}

lr_status lr_scan_writer_read(const lr_scan_writer *w, int array, int64_t first_line, int64_t line_count, void *data, lr_error *err)
{
    assert(array >= 0 && array < w->scan.array_count && first_line >= 0 && line_count >= 0 && first_line + line_count <= w->scan.line_count);
    const lr_scan_output *out = &w->out[array];
    int64_t at = (int64_t)out->data_offset + first_line*out->row_bytes, left = line_count*out->row_bytes;
    for (char *next = data; left > 0;) {
        const ssize_t n = pread(out->fd, next, (size_t)left, at);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            return lr_fail(err, LR_ERR_IO, "%.300s/%s: cannot be read: %s", w->folder, w->scan.array[array].path, n < 0 ? strerror(errno) : "it ends too soon");
        next += n;
        at += n;
        left -= n;
    }
    return LR_OK;
}

// ---- Marking finished blocks ----

static lr_status put_on_disk(const lr_scan_writer *w, lr_error *err)
{
    for (int i = 0; i < w->scan.array_count; i++)
        if (fdatasync(w->out[i].fd) != 0)
            return lr_fail(err, LR_ERR_IO, "%.300s/%s: cannot be put on disk: %s", w->folder, w->scan.array[i].path, strerror(errno));
    return LR_OK;
}

// Moves every block from one stage to the next; `list`, if wanted, receives their numbers.
static int64_t move_blocks(lr_scan_writer *w, lr_block_stage from, lr_block_stage to, int64_t *list)
{
    int64_t count = 0;
    for (int64_t b = 0; b < w->blocks; b++) {
        if (w->stage[b] != from)
            continue;
        w->stage[b] = (uint8_t)to;
        if (list)
            list[count] = b;
        count++;
    }
    return count;
}

static int64_t count_blocks(const lr_scan_writer *w, lr_block_stage stage)
{
    int64_t count = 0;
    for (int64_t b = 0; b < w->blocks; b++)
        count += w->stage[b] == stage;
    return count;
}

static void flush_blocks(lr_scan_writer *w)
{
    const int64_t count = count_blocks(w, LR_BLOCK_WRITTEN);
    if (count == 0 || w->failed != LR_OK)
        return;
    int64_t *list = malloc((size_t)count*sizeof *list);
    if (!list) {
        w->failed = lr_fail(&w->failure, LR_ERR_MEMORY, "%.300s: out of memory", w->folder);
        return;
    }
    move_blocks(w, LR_BLOCK_WRITTEN, LR_BLOCK_MOVING, list);
    pthread_mutex_unlock(&w->mutex);

    lr_error failure = {""};
    lr_status status = put_on_disk(w, &failure);
    if (status == LR_OK)
        status = lr_journal_append(&w->journal, count, list, &failure);
    free(list);

    pthread_mutex_lock(&w->mutex);
    if (status != LR_OK) {
        w->failed = status;
        w->failure = failure;
    } else {
        move_blocks(w, LR_BLOCK_MOVING, LR_BLOCK_MARKED, NULL);
    }
    w->flushed_s = lr_scan_clock_s();
}

// Called and left with the mutex held, released while the disk works. Failures go to w->failed.
static void flush_held(lr_scan_writer *w)
{
    w->flushing = 1;
    flush_blocks(w);
    w->flushing = 0;
    pthread_cond_broadcast(&w->idle);
}

static void *flush_apart(void *context)
{
    lr_scan_writer *w = context;
    pthread_mutex_lock(&w->mutex);
    flush_held(w);
    pthread_mutex_unlock(&w->mutex);
    return NULL;
}

// When no flush is at work: its thread, if there was one, has nothing left to do.
static void join_flusher(lr_scan_writer *w)
{
    if (w->has_flusher)
        pthread_join(w->flusher, NULL);
    w->has_flusher = 0;
}

static void start_flush(lr_scan_writer *w)
{
    join_flusher(w);
    w->flushing = 1;
    w->has_flusher = pthread_create(&w->flusher, NULL, flush_apart, w) == 0;
    if (!w->has_flusher)
        flush_held(w);
}

static lr_status leave(lr_scan_writer *w, lr_error *err)
{
    const lr_status status = w->failed;
    if (status != LR_OK && err)
        *err = w->failure;
    pthread_mutex_unlock(&w->mutex);
    return status;
}

lr_status lr_scan_writer_done(lr_scan_writer *w, int64_t block, lr_error *err)
{
    assert(block >= 0 && block < w->blocks);
    pthread_mutex_lock(&w->mutex);
    assert(w->stage[block] == LR_BLOCK_OPEN);
    w->stage[block] = LR_BLOCK_WRITTEN;
    if (!w->flushing && lr_scan_clock_s() - w->flushed_s >= FLUSH_EVERY_S)
        start_flush(w);
    return leave(w, err);
}

lr_status lr_scan_writer_flush(lr_scan_writer *w, lr_error *err)
{
    pthread_mutex_lock(&w->mutex);
    while (w->flushing)
        pthread_cond_wait(&w->idle, &w->mutex);
    join_flusher(w);
    flush_held(w);
    return leave(w, err);
}

// ---- The end ----

static lr_status sum_array(void *context, int64_t job, int worker, lr_error *err)
{
    (void)worker;
    lr_scan_writer *w = context;
    char path[LR_PATH_MAX];
    LR_TRY(lr_path_join(path, w->folder, w->scan.array[job].path, err));
    return lr_file_sha256(path, w->scan.array[job].sha256, err);
}

static int by_path(const void *a, const void *b)
{
    return strcmp(((const lr_scan_sum *)a)->path, ((const lr_scan_sum *)b)->path);
}

static void set_sum(lr_scan_sum *sum, const char *path, const char *sha256)
{
    memcpy(sum->path, path, strlen(path) + 1);
    memcpy(sum->sha256, sha256, sizeof sum->sha256);
}

// Lines as `sha256sum -c` reads them, in the order of the paths; every file but the list itself.
static lr_status write_sums(const lr_scan_writer *w, const lr_text *scan, lr_error *err)
{
    const int count = w->scan.array_count + w->side_count + 1;
    lr_scan_sum *sum = malloc((size_t)count*sizeof *sum);
    if (!sum)
        return lr_fail(err, LR_ERR_MEMORY, "sha256sums.txt: out of memory");
    int n = 0;
    for (int i = 0; i < w->scan.array_count; i++)
        set_sum(&sum[n++], w->scan.array[i].path, w->scan.array[i].sha256);
    for (int i = 0; i < w->side_count; i++)
        set_sum(&sum[n++], w->side[i].path, w->side[i].sha256);
    char scan_sum[65];
    lr_sha256(scan->data, scan->length, scan_sum);
    set_sum(&sum[n++], "scan.json", scan_sum);
    qsort(sum, (size_t)n, sizeof *sum, by_path);

    lr_text text = {0};
    for (int i = 0; i < n; i++)
        lr_text_add(&text, "%s  %s\n", sum[i].sha256, sum[i].path);
    free(sum);
    const lr_status status = text.failed ? lr_fail(err, LR_ERR_MEMORY, "sha256sums.txt: out of memory")
                                         : lr_folder_write(w->folder, "sha256sums.txt", text.data, text.length, err);
    lr_text_free(&text);
    return status;
}

static lr_status take_results(lr_scan_writer *w, lr_error *err)
{
    lr_text text = {0};
    if (!w->results)
        return LR_OK;
    lr_status status = w->results(w->results_context, w, &text, err);
    if (status == LR_OK && text.failed)
        status = lr_fail(err, LR_ERR_MEMORY, "scan.json: out of memory");
    if (status != LR_OK) {
        lr_text_free(&text);
        return status;
    }
    free(w->scan.results);
    w->scan.results = text.data;
    return LR_OK;
}

// scan.json comes last, by rename; only then may progress/ go: a kill between the two leaves a finished scan.
static lr_status write_end(lr_scan_writer *w, lr_error *err)
{
    LR_TRY(lr_threads_run(w->threads, w->scan.array_count, sum_array, w, err));
    LR_TRY(take_results(w, err));
    lr_scan last = w->scan;
    last.block_lines = 0;
    lr_text text = {0};
    LR_TRY(lr_scan_write(&last, &text, err));
    lr_status status = write_sums(w, &text, err);
    if (status == LR_OK)
        status = lr_folder_write(w->folder, "scan.json", text.data, text.length, err);
    lr_text_free(&text);
    return status;
}

static lr_status finish_locked(lr_scan_writer *w, lr_error *err)
{
    lr_folder_kind kind;
    LR_TRY(lr_folder_look(w->folder, &kind, err));
    if (kind == LR_FOLDER_UNFINISHED) {
        uint8_t *done = calloc((size_t)w->blocks, 1);
        if (!done)
            return lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", w->folder);
        const lr_status status = lr_journal_collect(w->progress, &w->scan, done, err);
        const int missing = memchr(done, 0, (size_t)w->blocks) != NULL;
        free(done);
        if (status != LR_OK || missing)
            return status;
        LR_TRY(write_end(w, err));
    } else if (kind != LR_FOLDER_FINISHED) {  // finished: another shard was faster
        return lr_fail(err, LR_ERR_IO, "%.300s: the unfinished scan has gone", w->folder);
    }
    lr_folder_drop_progress(w->folder);
    w->state = LR_SCAN_FINISHED;
    return LR_OK;
}

lr_status lr_scan_writer_finish(lr_scan_writer *w, int *finished, lr_error *err)
{
    assert(w && finished);
    int lock;
    *finished = w->state == LR_SCAN_FINISHED;
    if (*finished)
        return LR_OK;
    LR_TRY(lr_scan_writer_flush(w, err));
    LR_TRY(lr_folder_lock(w->folder, &lock, err));
    const lr_status status = finish_locked(w, err);
    lr_folder_unlock(lock);
    *finished = w->state == LR_SCAN_FINISHED;
    return status;
}
