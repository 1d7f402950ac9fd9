// SPDX-License-Identifier: Apache-2.0
// Order of work: load, bake, build; open the folder; blocks of lines on all threads; checksums. Each block is rendered whole by one
// thread and written at once, so memory holds the blocks in hand and nothing more.
#include "run/run.h"

#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/file.h"
#include "core/rng.h"
#include "core/thread.h"
#include "run/cut.h"
#include "run/image.h"
#include "scan/scan_writer.h"
#include "sensor/sensor.h"
#include "trace/gather.h"

#define MOST_PARTS 64   // of a pixel, where --noise-ratio is given
#define BLOCK_LINES 16  // of all modules: some megabytes a thread

const char *const lr_quality_names[] = {"draft", "standard", "fine", NULL};

typedef struct camera_slot {   // one camera of the scan and where its arrays are
    int module, camera, partner;
    int raw;                          // index of the raw array
    int error;                        // index of the array of light errors
    int layer[LR_TRUTH_LAYERS];       // index of a truth array or -1
    lr_sensor *sensor;
    lr_image *image;
} camera_slot;

typedef struct module_slot { int lines, truth_lines; } module_slot;

typedef struct worker {
    lr_work *work;
    float *signal, *part[5];          // (BLOCK_LINES x most pixels)
    float *again[5];                  // (most pixels) a line's second rendering
    lr_truth_error error[BLOCK_LINES];
    float *range, *normal, *partner;
    int32_t *object;
    uint16_t *material, *raw;
    uint8_t *flags;
} worker;

typedef struct run {
    const lr_run_def *def;
    lr_scene *scene;
    lr_head *head;
    lr_bvh *bvh;
    lr_rig *rig;
    lr_tracer *tracer;
    lr_tracer again;                  // for the second rendering of a line
    lr_scan_writer *writer;
    int64_t first_line, line_count;
    int threads, camera_count, array_count, most_pixels;
    camera_slot *camera;
    module_slot module[LR_MAX_MODULES];
    lr_scan_array *array;
    worker *worker;
    pthread_mutex_t lock;             // of progress
    lr_run_progress progress;
    void *context;
    int64_t done, total;
    int cancelled;
    lr_light_error *light_error;      // of the report
    const lr_ambient *ambient;
} run;

lr_run_def lr_run_def_default(void)
{
    return (lr_run_def){.version = "0", .seed = 1, .quality = LR_QUALITY_STANDARD, .indirect_samples = -1, .noise_ratio = -1.0, .truth = LR_TRUTH_ALL, .shard = 1, .shard_count = 1};
}

lr_trace_def lr_run_trace_def(const lr_run_def *def)
{
    static const struct { int samples, most, indirect, curve; double noise_ratio, bounce_share, faint_e, faint_indirect_e; int gather_rows, gather_paths; } by_quality[] =
        {{1, 1, 0, 128, 0.0, 0.5, 3.0, 0.5, 160, 8}, {2, 8, 1, 256, 0.25, 0.5, 1.5, 2.0, 384, 24}, {16, 64, 8, 512, 0.1, 1.0, 0.0, 0.0, 1024, 128}};
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
    trace.faint_indirect_e = by_quality[def->quality].faint_indirect_e;
    trace.gather_rows = by_quality[def->quality].gather_rows;
    trace.gather_paths = by_quality[def->quality].gather_paths;
    return trace;
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

// ---- one block ---------------------------------------------------------------------------------------------------------

static float *layer_floats(const worker *w, int layer)
{
    switch (layer) {
    case LR_TRUTH_RANGE: return w->range;
    case LR_TRUTH_NORMAL: return w->normal;
    case LR_TRUTH_PARTNER: return w->partner;
    default: return w->part[layer - LR_TRUTH_DIRECT];
    }
}

static const void *layer_data(const worker *w, int layer)
{
    switch (layer) {
    case LR_TRUTH_OBJECT: return w->object;
    case LR_TRUTH_MATERIAL: return w->material;
    case LR_TRUTH_FLAGS: return w->flags;
    default: return layer_floats(w, layer);
    }
}

// One line of one camera into row `row` of the worker's arrays.
static void render_line(const run *r, const camera_slot *slot, worker *w, int64_t line, int row)
{
    const size_t pixels = (size_t)r->head->module[slot->module].camera[slot->camera].sensor.pixels, at = (size_t)row*pixels;
    const lr_line_truth truth = {
        .range_m = w->range + at, .normal = w->normal + 3*at, .object = w->object + at,
        .material = w->material + at, .partner = w->partner + at, .flags = w->flags + at,
    };
    const lr_line_light light = {.direct = w->part[0] + at, .indirect = w->part[1] + at, .sun = w->part[2] + at, .sky = w->part[3] + at, .lamp = w->part[4] + at};
    lr_trace_line(r->tracer, w->work, slot->module, slot->camera, slot->partner, line, &truth, &light);
    for (int part = 0; part < 5; part++)
        lr_image_blur(slot->image, w->part[part] + at, w->signal);
    lr_image_speckle(slot->image, line, w->signal);
    for (size_t i = 0; i < pixels; i++)
        w->signal[i] = w->signal[i]*(light.direct[i] + light.indirect[i]) + light.sun[i] + light.sky[i] + light.lamp[i];
    lr_sensor_expose(slot->sensor, line, w->signal, w->raw + at);
}

// The same line once more, by other light paths: what the two differ by is their error.
static void measure_line(const run *r, const camera_slot *slot, worker *w, int64_t line, int row)
{
    const size_t at = (size_t)row*(size_t)r->head->module[slot->module].camera[slot->camera].sensor.pixels;
    const lr_line_truth nothing = {0};
    const lr_line_light light = {.direct = w->again[0], .indirect = w->again[1], .sun = w->again[2], .sky = w->again[3], .lamp = w->again[4]};
    float *const one[5] = {w->part[0] + at, w->part[1] + at, w->part[2] + at, w->part[3] + at, w->part[4] + at};
    lr_trace_line(&r->again, w->work, slot->module, slot->camera, slot->partner, line, &nothing, &light);
    for (int part = 0; part < 5; part++)
        lr_image_blur(slot->image, w->again[part], w->signal);
    w->error[row] = lr_light_error_line(slot->sensor, one, w->again);
}

static lr_status render_camera(run *r, const camera_slot *slot, worker *w, int64_t first, int64_t count, lr_error *err)
{
    const int index = (int)(slot - r->camera);
    for (int64_t k = 0; k < count; k++) {
        render_line(r, slot, w, r->first_line + first + k, (int)k);
        w->error[k] = (lr_truth_error){0};
        if (lr_light_error_wants(first + k, r->line_count, index, r->camera_count))
            measure_line(r, slot, w, r->first_line + first + k, (int)k);
    }
    LR_TRY(lr_scan_writer_rows(r->writer, slot->error, first, count, w->error, err));
    LR_TRY(lr_scan_writer_rows(r->writer, slot->raw, first, count, w->raw, err));
    for (int layer = 0; layer < LR_TRUTH_LAYERS; layer++)
        if (slot->layer[layer] >= 0)
            LR_TRY(lr_scan_writer_rows(r->writer, slot->layer[layer], first, count, layer_data(w, layer), err));
    return LR_OK;
}

// A standard normal number by the Box-Muller transform, keyed by the line.
static double line_normal(uint64_t seed, int64_t line)
{
    const uint32_t key[2] = {(uint32_t)seed, (uint32_t)(seed >> 32)};
    const uint32_t counter[4] = {(uint32_t)line, (uint32_t)((uint64_t)line >> 32), 0x656e6364u, 0};  // a stream of its own
    uint32_t word[4];
    lr_philox(key, counter, word);
    return sqrt(-2.0*log(((double)word[0] + 0.5)*0x1p-32))*cos(2.0*LR_PI*((double)word[1] + 0.5)*0x1p-32);
}

static lr_scan_line read_encoder(const run *r, int64_t line)
{
    const lr_spin *spin = &r->head->spin;
    lr_scan_line record = {.time_s = lr_spin_line_time(spin, line)};
    const double angle = lr_spin_angle(spin, record.time_s);
    if (spin->encoder_counts_per_rev == 0) {
        record.azimuth_deg = angle/LR_DEG;
        return record;
    }
    const double seen = angle + spin->encoder_jitter_rad*line_normal(r->def->seed, line);
    record.encoder_count = llround(seen/(2.0*LR_PI)*spin->encoder_counts_per_rev);
    record.azimuth_deg = (double)record.encoder_count*360.0/spin->encoder_counts_per_rev;
    return record;
}

static lr_truth_line true_line(const run *r, int module, int64_t line)
{
    const double time_s = lr_spin_line_time(&r->head->spin, line);
    const lr_rig_moment moment = lr_rig_at(r->rig, module, time_s);
    const lr_transform pose = lr_transform_from_pose(moment.pose);
    return (lr_truth_line){time_s, lr_spin_angle(&r->head->spin, time_s), pose.origin_m.x, pose.origin_m.y, pose.origin_m.z,
                           pose.rotation.x, pose.rotation.y, pose.rotation.z, pose.rotation.w};
}

static lr_status write_line_records(run *r, int64_t first, int64_t count, lr_error *err)
{
    for (int m = 0; m < r->head->module_count; m++) {
        lr_scan_line seen[BLOCK_LINES];
        lr_truth_line true_lines[BLOCK_LINES];
        for (int64_t k = 0; k < count; k++) {
            seen[k] = read_encoder(r, r->first_line + first + k);
            true_lines[k] = true_line(r, m, r->first_line + first + k);
        }
        LR_TRY(lr_scan_writer_rows(r->writer, r->module[m].lines, first, count, seen, err));
        if (r->module[m].truth_lines >= 0)
            LR_TRY(lr_scan_writer_rows(r->writer, r->module[m].truth_lines, first, count, true_lines, err));
    }
    return LR_OK;
}

static lr_status report_block(run *r, lr_error *err)
{
    pthread_mutex_lock(&r->lock);
    r->done++;
    if (!r->cancelled && r->progress)
        r->cancelled = r->progress(r->context, "scan", r->done, r->total);
    const int cancelled = r->cancelled;
    pthread_mutex_unlock(&r->lock);
    return cancelled && r->done < r->total ? lr_fail(err, LR_ERR_CANCELLED, "stopped; the same command goes on from here") : LR_OK;
}

static lr_status render_block(void *context, int64_t block, int index, lr_error *err)
{
    run *r = context;
    if (!lr_scan_writer_wants(r->writer, block))
        return LR_OK;
    int64_t first, count;
    lr_scan_writer_block(r->writer, block, &first, &count);
    LR_TRY(write_line_records(r, first, count, err));
    for (int c = 0; c < r->camera_count; c++)
        LR_TRY(render_camera(r, &r->camera[c], &r->worker[index], first, count, err));
    LR_TRY(lr_scan_writer_done(r->writer, block, err));
    return report_block(r, err);
}

// ---- setting up ----------------------------------------------------------------------------------------------------------

static void input_folder(const lr_run_input *input, char folder[LR_PATH_MAX]) { lr_path_folder(folder, input->path); }

static lr_status load(run *r, const lr_run_input *scene, const lr_run_input *head, lr_run_report *report, lr_error *err)
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
    const run *r = context;
    return r->progress ? r->progress(r->context, "light", done, total) : 0;
}

static lr_status build(run *r, lr_run_report *report, lr_error *err)
{
    const lr_trace_def trace = lr_run_trace_def(r->def);
    LR_TRY(lr_bvh_create(r->scene, r->threads, &r->bvh, err));
    LR_TRY(lr_rig_create(r->head, r->scene, &r->rig, err));
    LR_TRY(lr_tracer_create(&trace, r->scene, r->bvh, r->rig, &r->tracer, err));
    const double start = now_s();
    LR_TRY(lr_tracer_gather(r->tracer, r->threads, show_light, r, err));
    r->again = lr_tracer_again(r->tracer);
    report->gather_s = now_s() - start;
    for (int k = 0; r->tracer->gather && k < LR_RAY_KINDS; k++)
        report->gather_rays += r->tracer->gather->count.rays[k];
    return LR_OK;
}

static lr_status choose_lines(run *r, lr_error *err)
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

static int partner_of(const lr_module_def *module, int camera)
{
    return module->camera_count < 2 ? -1 : camera == 0 ? 1 : 0;
}

static lr_status list_camera(run *r, int module, int camera, lr_error *err)
{
    const lr_module_def *m = &r->head->module[module];
    const lr_camera_def *c = &m->camera[camera];
    camera_slot *slot = &r->camera[r->camera_count++];
    *slot = (camera_slot){.module = module, .camera = camera, .partner = partner_of(m, camera), .raw = r->array_count};
    if (c->sensor.pixels > r->most_pixels)
        r->most_pixels = c->sensor.pixels;
    LR_TRY(lr_scan_raw_array(m->name, c->name, r->line_count, c->sensor.pixels, &r->array[r->array_count++], err));
    for (int layer = 0; layer < LR_TRUTH_LAYERS; layer++) {
        slot->layer[layer] = -1;
        if (!lr_truth_has(r->def->truth, (lr_truth_layer)layer))
            continue;
        lr_scan_array *array = &r->array[r->array_count];
        slot->layer[layer] = r->array_count++;
        *array = (lr_scan_array){.info = lr_truth_info((lr_truth_layer)layer, r->line_count, c->sensor.pixels)};
        snprintf(array->unit, sizeof array->unit, "%s", lr_truth_unit((lr_truth_layer)layer));
        snprintf(array->about, sizeof array->about, "%s", lr_truth_about((lr_truth_layer)layer));
        LR_TRY(lr_truth_path(m->name, c->name, (lr_truth_layer)layer, array->path, sizeof array->path, err));
    }
    lr_scan_array *error = &r->array[r->array_count];
    slot->error = r->array_count++;
    *error = (lr_scan_array){.info = lr_truth_error_info(r->line_count),
                             .about = "of lines rendered twice: pixels, those with an error of light below a quarter of the noise, sums of (error/noise)^2"};
    LR_TRY(lr_truth_error_path(m->name, c->name, error->path, sizeof error->path, err));
    LR_TRY(lr_image_create(r->head, module, camera, r->def->seed, &slot->image, err));
    return lr_sensor_create(&c->sensor, c->exposure_s, r->def->seed, module, camera, &slot->sensor, err);
}

static lr_status list_module(run *r, int module, lr_error *err)
{
    const lr_module_def *m = &r->head->module[module];
    r->module[module] = (module_slot){r->array_count, -1};
    LR_TRY(lr_scan_lines_array(m->name, r->line_count, &r->array[r->array_count++], err));
    if (r->def->truth != LR_TRUTH_NONE) {
        lr_scan_array *array = &r->array[r->array_count];
        r->module[module].truth_lines = r->array_count++;
        *array = (lr_scan_array){.info = lr_truth_lines_info(r->line_count), .about = "true time and pose of each line at mid-exposure"};
        LR_TRY(lr_truth_lines_path(m->name, array->path, sizeof array->path, err));
    }
    for (int c = 0; c < m->camera_count; c++)
        LR_TRY(list_camera(r, module, c, err));
    return LR_OK;
}

static lr_status list_arrays(run *r, lr_error *err)
{
    int cameras = 0;
    for (int m = 0; m < r->head->module_count; m++)
        cameras += r->head->module[m].camera_count;
    r->camera = calloc((size_t)cameras + 1, sizeof *r->camera);
    r->array = calloc((size_t)(cameras*(2 + LR_TRUTH_LAYERS) + 2*r->head->module_count + 1), sizeof *r->array);
    if (!r->camera || !r->array)
        return lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
    for (int m = 0; m < r->head->module_count; m++)
        LR_TRY(list_module(r, m, err));
    return LR_OK;
}

static lr_status make_worker(run *r, worker *w, lr_error *err)
{
    const size_t n = (size_t)r->most_pixels*BLOCK_LINES;
    LR_TRY(lr_work_create(r->tracer, &w->work, err));
    lr_work_count(w->work)->measure = r->def->measure;
    int ok = (w->signal = malloc(n*sizeof(float))) != NULL;
    for (int i = 0; i < 5; i++)
        ok = (w->part[i] = malloc(n*sizeof(float))) != NULL && (w->again[i] = malloc((size_t)r->most_pixels*sizeof(float))) != NULL && ok;
    ok = (w->range = malloc(n*sizeof(float))) != NULL && ok;
    ok = (w->normal = malloc(3*n*sizeof(float))) != NULL && ok;
    ok = (w->partner = malloc(n*sizeof(float))) != NULL && ok;
    ok = (w->object = malloc(n*sizeof *w->object)) != NULL && ok;
    ok = (w->material = malloc(n*sizeof *w->material)) != NULL && ok;
    ok = (w->raw = malloc(n*sizeof *w->raw)) != NULL && ok;
    ok = (w->flags = malloc(n)) != NULL && ok;
    return ok ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
}

static void free_worker(worker *w)
{
    lr_work_destroy(w->work);
    free(w->signal);
    for (int i = 0; i < 5; i++) {
        free(w->part[i]);
        free(w->again[i]);
    }
    free(w->range);
    free(w->normal);
    free(w->partner);
    free(w->object);
    free(w->material);
    free(w->raw);
    free(w->flags);
}

// ---- the folder's side files ------------------------------------------------------------------------------------------------

// What other files the inputs drew on, by content: a scan must not go on with a changed mesh, material or dot list.
static lr_status write_contents(const run *r, lr_text *text, lr_error *err)
{
    char hex[65];
    LR_TRY(lr_scene_digest(r->scene, hex, err));
    lr_text_add(text, ", \"scene_sha256\": \"%s\", \"dots_sha256\": [", hex);
    int count = 0;
    for (int m = 0; m < r->head->module_count; m++)
        for (int l = 0; l < r->head->module[m].laser_count; l++) {
            const char *file = r->head->module[m].laser[l].dots.file;
            char path[LR_PATH_MAX];
            if (!file[0])
                continue;
            LR_TRY(lr_path_join(path, r->head->folder, file, err));
            LR_TRY(lr_file_sha256(path, hex, err));
            lr_text_add(text, "%s\"%s\"", count++ ? ", " : "", hex);
        }
    lr_text_add(text, "]}");
    return LR_OK;
}

static void write_settings(const run *r, lr_text *text)
{
    const lr_trace_def trace = lr_run_trace_def(r->def);
    char truth[128];
    lr_truth_print(r->def->truth, truth);
    lr_text_add(text, "{\"quality\": ");
    lr_text_quote(text, lr_quality_names[r->def->quality]);
    lr_text_add(text, ", \"samples\": %d, \"most_samples\": %d, \"indirect_samples\": %d, \"curve_rays\": %d, \"noise_ratio\": ",
                trace.samples, trace.most_samples, trace.indirect_samples, trace.curve_rays);
    lr_text_number(text, trace.noise_ratio);
    lr_text_add(text, ", \"bounce_share\": ");
    lr_text_number(text, trace.bounce_share);
    lr_text_add(text, ", \"first_line\": %lld, \"truth\": ", (long long)r->first_line);
    lr_text_quote(text, truth);
    if (r->ambient->present) {
        lr_text_add(text, ", \"ambient\": ");
        lr_ambient_json(r->ambient, text);
    }
}

static void write_labels(const run *r, lr_text *text)
{
    lr_text_add(text, "{\"objects\": [");
    for (int i = 0; i < r->scene->label_count; i++) {
        lr_text_add(text, "%s\n  {\"id\": %d, \"name\": ", i ? "," : "", i + 1);
        lr_text_quote(text, r->scene->label[i]);
        lr_text_add(text, "}");
    }
    lr_text_add(text, "],\n \"materials\": [");
    for (int i = 0; i < r->scene->material_count; i++) {
        lr_text_add(text, "%s\n  {\"id\": %d, \"name\": ", i ? "," : "", i + 1);
        lr_text_quote(text, r->scene->material[i].name);
        lr_text_add(text, "}");
    }
    lr_text_add(text, "]}\n");
}

// Read back from the folder, so that it is the same whoever rendered the lines, and when.
static lr_status sum_errors(void *context, const lr_scan_writer *writer, lr_text *out, lr_error *err)
{
    const run *r = context;
    *r->light_error = (lr_light_error){0};
    for (int c = 0; c < r->camera_count; c++)
        for (int64_t first = 0; first < r->line_count; first += BLOCK_LINES) {
            lr_truth_error record[BLOCK_LINES];
            const int64_t count = r->line_count - first < BLOCK_LINES ? r->line_count - first : BLOCK_LINES;
            LR_TRY(lr_scan_writer_read(writer, r->camera[c].error, first, count, record, err));
            for (int64_t k = 0; k < count; k++)
                lr_light_error_add(r->light_error, &record[k]);
        }
    lr_text_add(out, "{\"light_error\": ");
    lr_light_error_json(r->light_error, out);
    lr_text_add(out, "}");
    return LR_OK;
}

static lr_status open_writer(run *r, const lr_run_input *scene, const lr_run_input *head, lr_error *err)
{
    lr_calibration nominal = {0}, built = {0};
    lr_text settings = {0}, as_built = {0}, labels = {0};
    char *scene_text = lr_json_print(scene->json), *head_text = lr_json_print(head->json);
    lr_status status = scene_text && head_text ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
    if (status == LR_OK) status = lr_cut_calibration(r->head, 0, &nominal, err);
    if (status == LR_OK) status = lr_cut_calibration(r->head, 1, &built, err);
    if (status == LR_OK) status = lr_calibration_write(&built, &as_built, err);
    write_settings(r, &settings);
    if (status == LR_OK) status = write_contents(r, &settings, err);
    write_labels(r, &labels);
    if (status == LR_OK && (settings.failed || labels.failed))
        status = lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
    if (status == LR_OK) {
        const lr_scan_file files[] = {
            {"truth/as_built.json", as_built.data, as_built.length},
            {"truth/labels.json", labels.data, labels.length},
            {"truth/inputs/scene.json", scene->verbatim, strlen(scene->verbatim)},
            {"truth/inputs/head.json", head->verbatim, strlen(head->verbatim)},
        };
        lr_scan_writer_def def = lr_scan_writer_def_default();
        def.folder = r->def->folder;
        def.version = r->def->version;
        def.seed = r->def->seed;
        def.settings = settings.data;
        def.scene = scene_text;
        def.head = head_text;
        def.calibration = &nominal;
        def.file_count = (int)(sizeof files/sizeof *files);
        def.file = files;
        def.line_count = r->line_count;
        def.block_lines = BLOCK_LINES;
        def.array_count = r->array_count;
        def.array = r->array;
        def.force = r->def->force;
        def.shard = r->def->shard;
        def.shard_count = r->def->shard_count;
        def.threads = r->threads;
        def.results = sum_errors;
        def.results_context = r;
        status = lr_scan_writer_open(&def, &r->writer, err);
    }
    free(scene_text);
    free(head_text);
    lr_text_free(&settings);
    lr_text_free(&as_built);
    lr_text_free(&labels);
    lr_calibration_free(&nominal);
    lr_calibration_free(&built);
    return status;
}

// ---- the whole ------------------------------------------------------------------------------------------------------------

static lr_status render(run *r, lr_run_report *report, lr_error *err)
{
    const double start = now_s();
    LR_TRY(build(r, report, err));
    r->worker = calloc((size_t)r->threads, sizeof *r->worker);
    if (!r->worker)
        return lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
    for (int i = 0; i < r->threads; i++)
        LR_TRY(make_worker(r, &r->worker[i], err));
    const int64_t blocks = lr_scan_writer_blocks(r->writer);
    for (int64_t b = 0; b < blocks; b++)
        r->total += lr_scan_writer_wants(r->writer, b);
    report->load_s += now_s() - start - report->gather_s;
    const double traced = now_s();
    const lr_status status = lr_threads_run(r->threads, blocks, render_block, r, err);
    report->trace_s = now_s() - traced;
    for (int i = 0; i < r->threads; i++) {
        const lr_trace_count *count = lr_work_count(r->worker[i].work);
        for (int k = 0; k < LR_RAY_KINDS; k++) {
            report->count.rays[k] += count->rays[k];
            report->count.bare_s[k] += count->bare_s[k];
        }
    }
    return status;
}

static void count_done(const run *r, lr_run_report *report)
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

static lr_status run_all(run *r, const lr_run_input *scene, const lr_run_input *head, lr_run_report *report, lr_error *err)
{
    const double start = now_s();
    LR_TRY(load(r, scene, head, report, err));
    LR_TRY(choose_lines(r, err));
    LR_TRY(list_arrays(r, err));
    LR_TRY(open_writer(r, scene, head, err));
    report->load_s = now_s() - start;
    const lr_scan_state state = lr_scan_writer_state(r->writer);
    report->resumed = state == LR_SCAN_RESUMED;
    report->was_complete = state == LR_SCAN_FINISHED;
    report->finished = 1;
    if (report->was_complete)
        return LR_OK;
    count_done(r, report);
    LR_TRY(render(r, report, err));
    const double traced = now_s();
    LR_TRY(lr_scan_writer_finish(r->writer, &report->finished, err));
    report->finish_s = now_s() - traced;
    return LR_OK;
}

lr_status lr_run(const lr_run_input *scene, const lr_run_input *head, const lr_run_def *def, lr_run_progress progress, void *context,
                 lr_run_report *report, lr_error *err)
{
    run r = {.def = def, .progress = progress, .context = context, .threads = def->threads > 0 ? def->threads : lr_thread_default()};
    *report = (lr_run_report){0};
    r.light_error = &report->light_error;
    report->count.measure = def->measure;
    pthread_mutex_init(&r.lock, NULL);
    const lr_status status = run_all(&r, scene, head, report, err);
    for (int i = 0; r.worker && i < r.threads; i++)
        free_worker(&r.worker[i]);
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
