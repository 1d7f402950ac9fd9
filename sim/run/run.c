// SPDX-License-Identifier: Apache-2.0
// Order of work: load, bake, build; open the folder; blocks of lines on all threads; checksums. Each block is rendered whole by one
// thread and written at once, so memory holds the blocks in hand and nothing more.
#include "run/run.h"

#include <math.h>
#include <stdlib.h>
#include <time.h>

#include "core/file.h"
#include "core/thread.h"
#include "run/run_state.h"
#include "trace/enclosed.h"
#include "trace/gather.h"

#define MOST_PARTS 64   // of a pixel, where --noise-ratio is given
#define USUAL_RATIO 0.25 // that the samples of a quality without an aim of its own stand for
#define MOST_GATHER_PATHS 2048

const char *const lr_quality_names[] = {"draft", "standard", "fine", NULL};

lr_run_def lr_run_def_default(void)
{
    return (lr_run_def){.version = "0", .seed = 1, .quality = LR_QUALITY_STANDARD, .indirect_samples = -1, .noise_ratio = -1.0, .truth = LR_TRUTH_ALL, .shard = 1, .shard_count = 1};
}

// For an error `finer` times smaller: it falls with the root of the paths of what is gathered once, and of the odds of asking for faint light.
static void sharpen(lr_trace_def *trace, double finer)
{
    const double paths = trace->gather_paths*finer*finer;
    trace->gather_paths = paths < MOST_GATHER_PATHS ? 2*(int)lrint(0.5*paths) : MOST_GATHER_PATHS;
    trace->faint_e /= finer*finer;
    trace->faint_ratio /= finer;
    trace->indirect_ratio /= finer;
    trace->faint_indirect_e /= finer*finer;
}

lr_trace_def lr_run_trace_def(const lr_run_def *def)
{
    static const struct { int samples, most, indirect, curve; double noise_ratio, bounce_share, faint_e, faint_ratio, indirect_ratio, faint_indirect_e; int gather_rows, gather_paths; } by_quality[] =
        {{1, 1, 0, 128, 0.0, 0.5, 8.0, 0.2, 0.1, 0.5, 160, 8}, {2, 8, 1, 256, 0.25, 0.5, 1.5, 0.2, 0.1, 2.0, 384, 32}, {16, 64, 8, 512, 0.1, 1.0, 0.0, 0.0, 0.0, 0.0, 1024, 128}};
    lr_trace_def trace = lr_trace_def_default();
    trace.seed = def->seed;
    trace.samples = def->samples ? def->samples : by_quality[def->quality].samples;
    trace.noise_ratio = def->noise_ratio >= 0.0 ? def->noise_ratio : def->samples ? 0.0 : by_quality[def->quality].noise_ratio;
    const int most = def->noise_ratio > 0.0 ? MOST_PARTS : by_quality[def->quality].most;   // who states an aim wants it reached
    trace.most_samples = most > trace.samples ? most : trace.samples;
    trace.indirect_samples = def->indirect_samples >= 0 ? def->indirect_samples : by_quality[def->quality].indirect;
    trace.curve_rays = by_quality[def->quality].curve;
    trace.bounce_share = by_quality[def->quality].bounce_share;
    trace.faint_e = by_quality[def->quality].faint_e;
    trace.faint_ratio = by_quality[def->quality].faint_ratio;
    trace.indirect_ratio = by_quality[def->quality].indirect_ratio;
    trace.faint_indirect_e = by_quality[def->quality].faint_indirect_e;
    trace.gather_rows = by_quality[def->quality].gather_rows;
    trace.gather_paths = by_quality[def->quality].gather_paths;
    const double usual = by_quality[def->quality].noise_ratio > 0.0 ? by_quality[def->quality].noise_ratio : USUAL_RATIO;
    if (def->noise_ratio > 0.0 && def->noise_ratio < usual)
        sharpen(&trace, usual/def->noise_ratio);
    return trace;
}

static double clock_s(clockid_t which)
{
    struct timespec t;
    clock_gettime(which, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

static double now_s(void) { return clock_s(CLOCK_MONOTONIC); }
static double cpu_s(void) { return clock_s(CLOCK_PROCESS_CPUTIME_ID); }

// ---- setting up ----------------------------------------------------------------------------------------------------------

static void input_folder(const lr_run_input *input, char folder[LR_PATH_MAX]) { lr_path_folder(folder, input->path); }

static lr_status load(lr_run_state *r, const lr_run_input *scene, const lr_run_input *head, lr_run_report *report, lr_error *err)
{
    char folder[LR_PATH_MAX];
    lr_bins bins;
    input_folder(head, folder);
    LR_TRY(lr_head_from_json(head->json, folder, &r->head, err));
    input_folder(scene, folder);
    LR_TRY(lr_scene_from_json(scene->json, folder, "", &r->scene, err));
    const lr_status settled = lr_ambient_settle(r->scene, r->threads, &report->ambient, err);
    if (settled != LR_OK)
        return lr_fail_prefix(err, settled, scene->path);
    report->ambient_asked = r->scene->ambient;
    r->ambient = &report->ambient;
    LR_TRY(lr_head_bins(r->head, &bins, err));
    LR_TRY(lr_scene_bake(r->scene, &bins, err));
    return LR_OK;
}

static int show_light(void *context, int64_t done, int64_t total)
{
    const lr_run_state *r = context;
    return r->progress ? r->progress(r->context, "light", done, total) : 0;
}

static lr_status warn(const lr_run_state *r, const char *scene_path, lr_error *err)
{
    lr_enclosed enclosed;
    lr_text line = {0};
    if (!r->def->warn)
        return LR_OK;
    LR_TRY(lr_enclosed_find(r->bvh, r->rig, r->first_line, r->line_count, &enclosed, err));
    if (enclosed.count == 0)
        return LR_OK;
    lr_text_add(&line, "%s: ", scene_path);
    lr_enclosed_words(r->rig, &enclosed, &line);
    const lr_status status = line.failed ? lr_fail(err, LR_ERR_MEMORY, "scan: out of memory") : LR_OK;
    if (status == LR_OK)
        r->def->warn(r->context, line.data);
    lr_text_free(&line);
    return status;
}

static lr_status build(lr_run_state *r, const char *scene_path, lr_run_report *report, lr_error *err)
{
    const lr_trace_def trace = lr_run_trace_def(r->def);
    LR_TRY(lr_bvh_create(r->scene, r->threads, &r->bvh, err));
    LR_TRY(lr_rig_create(r->head, r->scene, &r->rig, err));
    LR_TRY(warn(r, scene_path, err));
    LR_TRY(lr_tracer_create(&trace, r->scene, r->bvh, r->rig, &r->tracer, err));
    r->tracer->measure = r->def->measure;
    const double start = now_s(), start_cpu = cpu_s();
    LR_TRY(lr_tracer_gather(r->tracer, r->threads, show_light, r, err));
    r->again = lr_tracer_again(r->tracer);
    report->gather_s = now_s() - start;
    report->gather_cpu_s = cpu_s() - start_cpu;
    if (r->tracer->gather)
        lr_trace_count_add(&report->gathering, &r->tracer->gather->count);
    return LR_OK;
}

static lr_status choose_lines(lr_run_state *r, lr_error *err)
{
    const double from = r->def->sector_deg[0], to = r->def->sector_deg[1];
    const int per_rev = r->head->spin.lines_per_rev;
    r->first_line = 0;
    r->line_count = lr_head_line_count(r->head);
    if (from == 0.0 && to == 0.0)
        return LR_OK;
    if (!(from >= 0.0 && from < to && to <= 360.0))
        return lr_fail(err, LR_ERR_RANGE, "sector: %g,%g is not FROM,TO with 0 <= FROM < TO <= 360", from, to);
    r->first_line = (int64_t)ceil(from/360.0*per_rev);
    r->line_count = (int64_t)ceil(to/360.0*per_rev) - r->first_line;
    if (!(r->line_count >= 1))
        return lr_fail(err, LR_ERR_RANGE, "sector: %g,%g holds no line; lines are %g degrees apart", from, to, 360.0/per_rev);
    return LR_OK;
}

// ---- the whole ------------------------------------------------------------------------------------------------------------

static lr_status render(lr_run_state *r, const char *scene_path, lr_run_report *report, lr_error *err)
{
    const double start = now_s();
    LR_TRY(build(r, scene_path, report, err));
    r->worker = calloc((size_t)r->threads, sizeof *r->worker);
    if (!r->worker)
        return lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
    for (int i = 0; i < r->threads; i++)
        LR_TRY(lr_run_worker_create(r, &r->worker[i], err));
    const int64_t blocks = lr_scan_writer_blocks(r->writer);
    for (int64_t b = 0; b < blocks; b++)
        r->total += lr_scan_writer_wants(r->writer, b);
    report->load_s += now_s() - start - report->gather_s;
    const double traced = now_s();
    const lr_status status = lr_threads_run(r->threads, blocks, lr_run_block, r, err);
    report->trace_s = now_s() - traced;
    for (int i = 0; i < r->threads; i++)
        lr_trace_count_add(&report->count, lr_work_count(r->worker[i].work));
    return status;
}

static void count_done(const lr_run_state *r, lr_run_report *report)
{
    for (int64_t b = 0; b < lr_scan_writer_blocks(r->writer); b++)
        if (lr_scan_writer_wants(r->writer, b)) {
            int64_t first, count;
            lr_scan_writer_block(r->writer, b, &first, &count);
            report->lines += count*r->head->module_count;
            for (int c = 0; c < r->camera_count; c++)
                report->pixels += count*r->head->module[r->camera[c].module].camera[r->camera[c].camera].sensor.pixels;
        }
}

static lr_status run_all(lr_run_state *r, const lr_run_input *scene, const lr_run_input *head, lr_run_report *report, lr_error *err)
{
    const double start = now_s();
    const lr_trace_def trace = lr_run_trace_def(r->def);
    LR_TRY(lr_trace_def_check(&trace, err));   // before a folder is made
    LR_TRY(load(r, scene, head, report, err));
    LR_TRY(choose_lines(r, err));
    LR_TRY(lr_run_list_arrays(r, err));
    LR_TRY(lr_run_open(r, scene, head, err));
    report->load_s = now_s() - start;
    const lr_scan_state state = lr_scan_writer_state(r->writer);
    report->resumed = state == LR_SCAN_RESUMED;
    report->was_complete = state == LR_SCAN_FINISHED;
    report->finished = 1;
    if (report->was_complete)
        return LR_OK;
    count_done(r, report);
    LR_TRY(render(r, scene->path, report, err));
    const double traced = now_s();
    LR_TRY(lr_scan_writer_finish(r->writer, &report->finished, err));
    report->finish_s = now_s() - traced;
    return LR_OK;
}

lr_status lr_run(const lr_run_input *scene, const lr_run_input *head, const lr_run_def *def, lr_run_progress progress, void *context,
                 lr_run_report *report, lr_error *err)
{
    lr_run_state r = {.def = def, .progress = progress, .context = context, .threads = def->threads > 0 ? def->threads : lr_thread_default()};
    *report = (lr_run_report){0};
    r.light_error = &report->light_error;
    pthread_mutex_init(&r.lock, NULL);
    const lr_status status = run_all(&r, scene, head, report, err);
    for (int i = 0; r.worker && i < r.threads; i++)
        lr_run_worker_free(&r.worker[i]);
    free(r.worker);
    for (int c = 0; c < r.camera_count; c++) {
        lr_sensor_destroy(r.camera[c].sensor);
        lr_image_destroy(r.camera[c].image);
    }
    free(r.camera);
    free(r.array);
    lr_scan_writer_close(r.writer);
    lr_tracer_destroy(r.tracer);
    lr_rig_destroy(r.rig);
    lr_bvh_destroy(r.bvh);
    lr_head_destroy(r.head);
    lr_scene_destroy(r.scene);
    pthread_mutex_destroy(&r.lock);
    return status;
}
