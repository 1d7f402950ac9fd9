// SPDX-License-Identifier: Apache-2.0
// A small scan of known content: every byte is a function of array, line and place. Shared by the tests of scan folders.
#ifndef LR_TESTS_SCAN_JOB_H
#define LR_TESTS_SCAN_JOB_H

#include <time.h>

#include "close.h"
#include "core/rng.h"
#include "core/thread.h"
#include "scan_fixture.h"

enum { LINES = 157, PIXELS = 64, ARRAYS = 11, FILES = 2 };
#define BLOCK_LINES 8

typedef struct job {
    lr_scan_writer_def def;
    lr_calibration calibration;
    lr_scan_array array[ARRAYS];
    lr_scan_file file[FILES];
    lr_scan_writer *writer;
    int flush_often, pause_us;
} job;

static inline void array_of(lr_scan_array *array, const char *path, const char *descr, int dims, int64_t columns)
{
    *array = (lr_scan_array){.info = {.dims = dims, .shape = {LINES, dims > 1 ? columns : 0, dims > 2 ? 3 : 0}}, .unit = "m", .about = "a test"};
    snprintf(array->path, sizeof array->path, "%s", path);
    snprintf(array->info.descr, sizeof array->info.descr, "%s", descr);
}

static inline job *job_create(const char *folder)
{
    job *j = calloc(1, sizeof *j);
    int n = 0;
    j->calibration = fixture_calibration(PIXELS);
    for (int m = 0; m < 2; m++) {
        const lr_cal_module *module = &j->calibration.module[m];
        assert_int_equal(lr_scan_lines_array(module->name, LINES, &j->array[n++], NULL), LR_OK);
        for (int c = 0; c < 2; c++)
            assert_int_equal(lr_scan_raw_array(module->name, module->camera[c].name, LINES, PIXELS, &j->array[n++], NULL), LR_OK);
    }
    array_of(&j->array[n++], "truth/front/upper.range.npy", "<f4", 2, PIXELS);
    array_of(&j->array[n++], "truth/front/upper.normal.npy", "<f4", 3, PIXELS);
    array_of(&j->array[n++], "truth/front/upper.flags.npy", "|u1", 2, PIXELS);
    array_of(&j->array[n++], "truth/back/upper.object.npy", "<i4", 2, PIXELS);
    array_of(&j->array[n++], "truth/back/upper.material.npy", "<u2", 2, PIXELS);
    assert_int_equal(n, ARRAYS);
    j->file[0] = (lr_scan_file){"truth/as_built.json", "{}\n", 3};
    j->file[1] = (lr_scan_file){"truth/inputs/a room.json", "{\"x\": 1}", 8};
    j->def = lr_scan_writer_def_default();
    j->def.folder = folder;
    j->def.version = "0.1.0";
    j->def.seed = UINT64_MAX - 6;
    j->def.settings = "{\"quality\": \"draft\", \"samples\": 1e-3}";
    j->def.scene = "{\"name\": \"room\", \"objects\": [{\"size_m\": [1, 2, 0.1]}]}";
    j->def.head = "{\"name\": \"head\"}";
    j->def.calibration = &j->calibration;
    j->def.line_count = LINES;
    j->def.block_lines = BLOCK_LINES;
    j->def.array_count = ARRAYS;
    j->def.array = j->array;
    j->def.file_count = FILES;
    j->def.file = j->file;
    j->def.threads = 2;
    return j;
}

static inline void job_destroy(job *j)
{
    lr_scan_writer_close(j->writer);
    lr_calibration_free(&j->calibration);
    free(j);
}

static inline size_t row_bytes(const lr_scan_array *array)
{
    size_t bytes = lr_npy_item_bytes(&array->info);
    for (int d = 1; d < array->info.dims; d++)
        bytes *= (size_t)array->info.shape[d];
    return bytes;
}

// What row `line` of array `a` must hold, a function of the two alone.
static inline void make_row(int a, int64_t line, uint8_t *out, size_t bytes)
{
    for (size_t i = 0; i < bytes; i++)
        out[i] = (uint8_t)lr_hash(lr_hash((uint32_t)a, (uint32_t)line), (uint32_t)i);
}

static inline lr_status render(void *context, int64_t block, int worker, lr_error *err)
{
    (void)worker;
    job *j = context;
    if (!lr_scan_writer_wants(j->writer, block))
        return LR_OK;
    int64_t first, count;
    lr_scan_writer_block(j->writer, block, &first, &count);
    for (int a = 0; a < ARRAYS; a++) {
        const size_t bytes = row_bytes(&j->array[a]);
        uint8_t *rows = malloc(bytes*(size_t)count);
        if (!rows)
            return lr_fail(err, LR_ERR_MEMORY, "out of memory");
        for (int64_t l = 0; l < count; l++)
            make_row(a, first + l, rows + (size_t)l*bytes, bytes);
        const lr_status status = lr_scan_writer_rows(j->writer, a, first, count, rows, err);
        free(rows);
        LR_TRY(status);
    }
    if (j->pause_us) {
        const struct timespec pause = {0, 1000L*j->pause_us};
        nanosleep(&pause, NULL);
    }
    LR_TRY(lr_scan_writer_done(j->writer, block, err));
    return j->flush_often ? lr_scan_writer_flush(j->writer, err) : LR_OK;
}

// Opens, renders what is wanted, finishes.
static inline lr_status run(job *j, int threads, int *finished, lr_error *err)
{
    *finished = 0;
    lr_status status = lr_scan_writer_open(&j->def, &j->writer, err);
    if (status == LR_OK)
        status = lr_threads_run(threads, lr_scan_writer_blocks(j->writer), render, j, err);
    if (status == LR_OK)
        status = lr_scan_writer_finish(j->writer, finished, err);
    lr_scan_writer_close(j->writer);
    j->writer = NULL;
    return status;
}

static inline void run_well(const char *folder, int threads, int64_t block_lines)
{
    job *j = job_create(folder);
    lr_error err = {""};
    int finished = 0;
    j->def.block_lines = block_lines;
    if (run(j, threads, &finished, &err) != LR_OK)
        fail_msg("%s", err.text);
    assert_int_equal(finished, 1);
    job_destroy(j);
}

static inline void inside(char out[LR_PATH_MAX], const char *folder, const char *name)
{
    assert_int_equal(lr_path_join(out, folder, name, NULL), LR_OK);
}

#endif
