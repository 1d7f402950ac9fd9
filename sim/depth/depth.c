// SPDX-License-Identifier: Apache-2.0
#include "depth/depth.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/file.h"
#include "core/thread.h"
#include "depth/confidence.h"
#include "depth/matching.h"

#define BLOCK_LINES 40      // matched at once; part of the result, as are the lines beside them
#define BESIDE_LINES 4      // before and after a block, matched only to help it
#define SPAN_LINES (BLOCK_LINES + 2*BESIDE_LINES)
#define SPREAD_RAD 0.0088   // rms width of the average that a line is matched as: lines further apart see other things. Chosen in four demo rooms at 200 and 360 lines a turn
#define SIGMA_LEAST_PX 0.02f  // what lens calibration and sampling leave even without noise

const char *const lr_depth_mode_names[] = {"auto", "stereo", "pattern", "both", NULL};

lr_depth_def lr_depth_def_default(void) { return (lr_depth_def){.match = lr_match_def_default()}; }

lr_status lr_depth_path(const char *module, const char *camera, lr_depth_layer layer, char *out, size_t capacity, lr_error *err)
{
    static const char *const endings[LR_DEPTH_LAYERS] = {"", ".confidence", ".sigma"};
    const int n = snprintf(out, capacity, "depth/%s/%s%s.npy", module, camera, endings[layer]);
    return n > 0 && (size_t)n < capacity ? LR_OK : lr_fail(err, LR_ERR_RANGE, "depth/%s/%s: the name is too long", module, camera);
}

// ---- One module ----

typedef struct camera_files {    // raw lines in, maps out
    lr_npy_map raw;
    float *level;                // (65536) by digital number
    lr_file_draft out[LR_DEPTH_LAYERS];
    int open[LR_DEPTH_LAYERS];
} camera_files;

typedef struct worker {          // memory of one thread
    lr_match_work **work;        // (matchings)
    float *signal[2];            // (SPAN_LINES x most pixels)
    float *inverse_range[2], *sigma_px[2];  // (BLOCK_LINES x most pixels)
    lr_match_clue *clue[2];
    lr_answer **answer;          // (cameras) of (BLOCK_LINES x pixels)
    float *row;                  // (most pixels)
} worker;

typedef struct job_body {
    const lr_depth_def *def;
    const lr_scan_reader *reader;
    const lr_cal_module *module;
    int64_t lines;
    lr_matchings matchings;
    camera_files *camera;        // (camera_count)
    worker *worker;
    int most_pixels;
    lr_depth_show show;
    void *context;
    int64_t done_before, total;
    atomic_llong done, found, ready;
} job_body;

static lr_status open_outputs(job_body *j, int c, lr_error *err)
{
    const lr_cal_camera *camera = &j->module->camera[c];
    lr_npy_info info = {.descr = "<f4", .dims = 2, .shape = {j->lines, camera->pixels}};
    uint8_t header[LR_NPY_DATA];
    size_t size;
    char path[LR_SCAN_PATH], whole[LR_PATH_MAX], folder[LR_PATH_MAX];
    LR_TRY(lr_npy_header(&info, header, sizeof header, &size, err));
    for (int layer = 0; layer < LR_DEPTH_LAYERS; layer++) {
        LR_TRY(lr_depth_path(j->module->name, camera->name, (lr_depth_layer)layer, path, sizeof path, err));
        LR_TRY(lr_path_join(whole, j->def->folder, path, err));
        lr_path_folder(folder, whole);
        LR_TRY(lr_make_folders(folder, err));
        LR_TRY(lr_draft_open(whole, &j->camera[c].out[layer], err));
        j->camera[c].open[layer] = 1;
        LR_TRY(lr_draft_write(&j->camera[c].out[layer], header, size, err));
    }
    return LR_OK;
}

static lr_status open_camera(job_body *j, int c, lr_error *err)
{
    const lr_cal_camera *camera = &j->module->camera[c];
    lr_scan_array raw;
    LR_TRY(lr_scan_raw_array(j->module->name, camera->name, j->lines, camera->pixels, &raw, err));
    LR_TRY(lr_scan_reader_array(j->reader, raw.path, &j->camera[c].raw, err));
    j->camera[c].level = malloc(65536*sizeof(float));
    if (!j->camera[c].level)
        return lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", raw.path);
    for (int dn = 0; dn < 65536; dn++)
        j->camera[c].level[dn] = lr_match_level((dn - camera->offset_dn)/camera->gain_dn_per_e, camera->read_noise_e);
    if (camera->pixels > j->most_pixels)
        j->most_pixels = camera->pixels;
    return open_outputs(j, c, err);
}

static void close_all(job_body *j, int threads)
{
    for (int c = 0; j->camera && c < j->module->camera_count; c++) {
        if (j->camera[c].raw.base)
            lr_npy_close(&j->camera[c].raw);
        free(j->camera[c].level);
        for (int layer = 0; layer < LR_DEPTH_LAYERS; layer++)
            if (j->camera[c].open[layer])
                lr_draft_drop(&j->camera[c].out[layer]);
    }
    for (int t = 0; j->worker && t < threads; t++) {
        worker *w = &j->worker[t];
        for (int i = 0; w->work && i < j->matchings.count; i++)
            lr_match_work_destroy(w->work[i]);
        for (int c = 0; w->answer && c < j->module->camera_count; c++)
            free(w->answer[c]);
        free(w->work), free(w->answer), free(w->row);
        for (int v = 0; v < 2; v++)
            free(w->signal[v]), free(w->inverse_range[v]), free(w->sigma_px[v]), free(w->clue[v]);
    }
    free(j->worker);
    free(j->camera);
    lr_matchings_free(&j->matchings);
}

// On first use by its own thread.
static lr_status ready_worker(job_body *j, worker *w, lr_error *err)
{
    const size_t most = (size_t)j->most_pixels, cameras = (size_t)j->module->camera_count;
    if (w->row)
        return LR_OK;
    int good = (w->work = calloc((size_t)j->matchings.count, sizeof *w->work)) && (w->answer = calloc(cameras, sizeof *w->answer));
    for (int v = 0; v < 2; v++) {
        good &= (w->signal[v] = malloc(SPAN_LINES*most*sizeof(float))) != NULL;
        good &= (w->inverse_range[v] = malloc(BLOCK_LINES*most*sizeof(float))) != NULL;
        good &= (w->sigma_px[v] = malloc(BLOCK_LINES*most*sizeof(float))) != NULL;
        good &= (w->clue[v] = malloc(BLOCK_LINES*most*sizeof(lr_match_clue))) != NULL;
    }
    for (size_t c = 0; good && c < cameras; c++)
        good &= (w->answer[c] = malloc(BLOCK_LINES*(size_t)j->module->camera[c].pixels*sizeof(lr_answer))) != NULL;
    if (!good || !(w->row = malloc(most*sizeof *w->row)))
        return lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", j->module->name);
    return LR_OK;
}

// ---- One block ----

// Lines read; where those asked for begin among them, and how many; where they begin in the block.
typedef struct span { int64_t first; int lines, asked_at, asked, in_block; } span;

static int fill_signal(const job_body *j, const lr_matching *m, int view, span s, float *out)
{
    const int c = m->camera[view], pixels = m->pair.view[view].camera->pixels;
    for (int l = 0; l < s.lines; l++) {
        float *row = out + (size_t)l*(size_t)pixels;
        if (c < 0) {
            memcpy(row, m->pattern, (size_t)pixels*sizeof *row);
            continue;
        }
        const uint16_t *dn = (const uint16_t *)j->camera[c].raw.data + (size_t)(s.first + l)*(size_t)pixels;
        for (int i = 0; i < pixels; i++)
            row[i] = j->camera[c].level[dn[i]];
    }
    return pixels;
}

static void take_answers(const lr_matching *m, int view, const worker *w, span s, lr_answer *answer)
{
    const int pixels = m->pair.view[view].camera->pixels;
    const double noise = lr_matcher_noise(m->matcher);
    for (int i = 0; i < pixels; i++) {
        for (int l = 0; l < s.asked; l++) {
            const size_t at = (size_t)l*(size_t)pixels + (size_t)i, to = (size_t)(s.in_block + l)*(size_t)pixels + (size_t)i;
            const float q = w->inverse_range[view][at];
            if (isnan(q))
                continue;
            const lr_match_clue *clue = &w->clue[view][at];
            const double slope = lr_matcher_slope(m->matcher, view, i, (double)q);
            const lr_answer fresh = {q, (float)((double)hypotf(w->sigma_px[view][at], SIGMA_LEAST_PX)/slope), lr_match_confidence(clue, noise)};
            answer[to] = lr_answer_join(answer[to], fresh);
        }
    }
}

static lr_status match_span(job_body *j, worker *w, int index, span s, lr_error *err)
{
    const lr_matching *m = &j->matchings.one[index];
    if (!w->work[index])
        LR_TRY(lr_match_work_create(m->matcher, SPAN_LINES, &w->work[index], err));
    for (int v = 0; v < 2; v++)
        fill_signal(j, m, v, s, w->signal[v]);
    const float *const signal[2] = {w->signal[0], w->signal[1]};
    const lr_match_map map[2] = {{w->inverse_range[0], w->sigma_px[0], w->clue[0]}, {w->inverse_range[1], w->sigma_px[1], w->clue[1]}};
    lr_match_block(m->matcher, w->work[index], signal, s.lines, s.asked_at, s.asked, map);
    for (int v = 0; v < 2; v++)
        if (m->camera[v] >= 0)
            take_answers(m, v, w, s, w->answer[m->camera[v]]);
    return LR_OK;
}

static float layer_value(const lr_answer *a, int layer)
{
    if (!lr_answer_is_range(a))
        return layer == LR_DEPTH_CONFIDENCE ? 0.0f : (float)NAN;
    if (layer == LR_DEPTH_CONFIDENCE)
        return a->confidence;
    return layer == LR_DEPTH_RANGE ? 1.0f/a->inverse_range : a->sigma/(a->inverse_range*a->inverse_range);
}

static lr_status write_whole(lr_file_draft *draft, const void *data, size_t length, int64_t offset, lr_error *err)
{
    for (size_t done = 0; done < length;) {
        const ssize_t n = pwrite(draft->fd, (const char *)data + done, length - done, (off_t)(offset + (int64_t)done));
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            return lr_fail(err, LR_ERR_IO, "%s: cannot be written: %s", draft->path, n < 0 ? strerror(errno) : "nothing was written");
        done += (size_t)n;
    }
    return LR_OK;
}

static lr_status write_block(job_body *j, worker *w, int c, int64_t first, int lines, lr_error *err)
{
    const int pixels = j->module->camera[c].pixels;
    int64_t found = 0;
    for (int l = 0; l < lines; l++)
        for (int layer = 0; layer < LR_DEPTH_LAYERS; layer++) {
            const lr_answer *a = w->answer[c] + (size_t)l*(size_t)pixels;
            for (int i = 0; i < pixels; i++) {
                w->row[i] = layer_value(&a[i], layer);
                found += layer == LR_DEPTH_RANGE && !isnan(w->row[i]);
            }
            LR_TRY(write_whole(&j->camera[c].out[layer], w->row, (size_t)pixels*sizeof *w->row, LR_NPY_DATA + (first + l)*pixels*(int64_t)sizeof *w->row, err));
        }
    atomic_fetch_add(&j->found, found);
    return LR_OK;
}

static int is_ready(const job_body *j, int64_t line) { return lr_scan_reader_ready(j->reader, line, 1); }

// The first lines from `at` that are recorded, up to the end of the block, with what is recorded beside them; none asked for: there are no more.
static span next_span(const job_body *j, int64_t first, int at, int block)
{
    while (at < block && !is_ready(j, first + at))
        at++;
    span s = {first + at, 0, 0, 0, at};
    while (at + s.asked < block && is_ready(j, first + at + s.asked))
        s.asked++;
    while (s.asked > 0 && s.asked_at < BESIDE_LINES && is_ready(j, s.first - 1))
        s.first--, s.asked_at++;
    s.lines = s.asked_at + s.asked;
    while (s.asked > 0 && s.lines < s.asked_at + s.asked + BESIDE_LINES && is_ready(j, s.first + s.lines))
        s.lines++;
    return s;
}

static lr_status do_block(void *context, int64_t job, int worker_index, lr_error *err)
{
    job_body *j = context;
    worker *w = &j->worker[worker_index];
    const int64_t first = job*BLOCK_LINES, left = j->lines - first;
    const int block = left < BLOCK_LINES ? (int)left : BLOCK_LINES;
    LR_TRY(ready_worker(j, w, err));
    for (int c = 0; c < j->module->camera_count; c++)
        memset(w->answer[c], 0, (size_t)block*(size_t)j->module->camera[c].pixels*sizeof(lr_answer));
    for (span s = next_span(j, first, 0, block); s.asked > 0; s = next_span(j, first, s.in_block + s.asked, block)) {
        for (int i = 0; i < j->matchings.count; i++)
            LR_TRY(match_span(j, w, i, s, err));
        atomic_fetch_add(&j->ready, s.asked);
    }
    for (int c = 0; c < j->module->camera_count; c++)
        LR_TRY(write_block(j, w, c, first, block, err));
    for (int c = 0; c < j->module->camera_count; c++)
        lr_npy_let_go(&j->camera[c].raw, first, block);
    const long long done = atomic_fetch_add(&j->done, block) + block;
    if (j->show && worker_index == 0 && j->show(j->context, j->done_before + done, j->total))
        return lr_fail(err, LR_ERR_CANCELLED, "depth: stopped");
    return LR_OK;
}

static lr_status do_module(job_body *j, int threads, lr_depth_report *report, lr_error *err)
{
    j->camera = calloc((size_t)j->module->camera_count, sizeof *j->camera);
    j->worker = calloc((size_t)threads, sizeof *j->worker);
    if (!j->camera || !j->worker)
        return lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", j->module->name);
    LR_TRY(lr_matchings_create(j->module, j->def, &j->matchings, err));
    for (int i = 0; i < j->matchings.count; i++)
        j->most_pixels = j->matchings.one[i].projector.pixels > j->most_pixels ? j->matchings.one[i].projector.pixels : j->most_pixels;
    for (int c = 0; c < j->module->camera_count; c++)
        LR_TRY(open_camera(j, c, err));
    LR_TRY(lr_threads_run(threads, (j->lines + BLOCK_LINES - 1)/BLOCK_LINES, do_block, j, err));
    for (int c = 0; c < j->module->camera_count; c++)
        for (int layer = 0; layer < LR_DEPTH_LAYERS; layer++) {
            j->camera[c].open[layer] = 0;
            LR_TRY(lr_draft_finish(&j->camera[c].out[layer], err));
        }
    report->ready = j->ready;
    report->found += j->found;
    for (int c = 0; c < j->module->camera_count; c++)
        report->pixels += j->ready*j->module->camera[c].pixels;
    for (int i = 0; i < j->matchings.count; i++)
        report->candidates += j->ready*j->matchings.one[i].pair.view[0].camera->pixels*(int64_t)lr_matcher_candidates(j->matchings.one[i].matcher);
    return LR_OK;
}

static lr_status run_modules(const lr_depth_def *def, const lr_scan_reader *reader, lr_depth_show show, void *context, lr_depth_report *report, lr_error *err)
{
    const lr_calibration *calibration = lr_scan_reader_calibration(reader);
    const int64_t lines = lr_scan_reader_scan(reader)->line_count;
    const int threads = def->threads > 0 ? def->threads : lr_thread_default();
    report->lines = lines;
    for (int m = 0; m < calibration->module_count; m++) {
        job_body j = {.def = def, .reader = reader, .module = &calibration->module[m], .lines = lines, .show = show, .context = context,
                      .done_before = m*lines, .total = calibration->module_count*lines};
        const lr_status s = do_module(&j, threads, report, err);
        close_all(&j, threads);
        if (s != LR_OK)
            return s == LR_ERR_RANGE ? lr_fail_prefix(err, s, def->folder) : s;
    }
    return LR_OK;
}

lr_status lr_depth_run(const lr_depth_def *def, lr_depth_show show, void *context, lr_depth_report *report, lr_error *err)
{
    assert(def && report);
    lr_scan_reader *reader = NULL;
    *report = (lr_depth_report){0};
    if (!def->folder)
        return lr_fail(err, LR_ERR_RANGE, "depth: no folder given");
    LR_TRY(lr_scan_reader_open(def->folder, &reader, err));
    const double step_rad = 2.0*LR_PI/lr_scan_reader_calibration(reader)->spin.lines_per_rev;
    lr_depth_def here = *def;
    here.match.spread_lines = fmin(def->match.spread_lines, SPREAD_RAD/step_rad);
    const lr_status s = run_modules(&here, reader, show, context, report, err);
    lr_scan_reader_close(reader);
    return s;
}
