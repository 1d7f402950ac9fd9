// SPDX-License-Identifier: Apache-2.0
// One block of lines: rendered whole by one thread and written at once.
#include <math.h>
#include <stdlib.h>

#include "core/rng.h"
#include "run/run_state.h"

lr_status lr_run_worker_create(lr_run_state *r, lr_run_worker *w, lr_error *err)
{
    const size_t n = (size_t)r->most_pixels*LR_BLOCK_LINES;
    LR_TRY(lr_work_create(r->tracer, &w->work, err));
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

void lr_run_worker_free(lr_run_worker *w)
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

static float *layer_floats(const lr_run_worker *w, int layer)
{
    switch (layer) {
    case LR_TRUTH_RANGE: return w->range;
    case LR_TRUTH_NORMAL: return w->normal;
    case LR_TRUTH_PARTNER: return w->partner;
    default: return w->part[layer - LR_TRUTH_DIRECT];
    }
}

static const void *layer_data(const lr_run_worker *w, int layer)
{
    switch (layer) {
    case LR_TRUTH_OBJECT: return w->object;
    case LR_TRUTH_MATERIAL: return w->material;
    case LR_TRUTH_FLAGS: return w->flags;
    default: return layer_floats(w, layer);
    }
}

// One line of one camera into row `row` of the worker's arrays.
static void render_line(const lr_run_state *r, const lr_camera_slot *slot, lr_run_worker *w, int64_t line, int row)
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
static void measure_line(const lr_run_state *r, const lr_camera_slot *slot, lr_run_worker *w, int64_t line, int row)
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

static lr_status render_camera(lr_run_state *r, const lr_camera_slot *slot, lr_run_worker *w, int64_t first, int64_t count, lr_error *err)
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

static lr_scan_line read_encoder(const lr_run_state *r, int64_t line)
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

static lr_truth_line true_line(const lr_run_state *r, int module, int64_t line)
{
    const double time_s = lr_spin_line_time(&r->head->spin, line);
    const lr_rig_moment moment = lr_rig_at(r->rig, module, time_s);
    const lr_transform pose = lr_transform_from_pose(moment.pose);
    return (lr_truth_line){time_s, lr_spin_angle(&r->head->spin, time_s), pose.origin_m.x, pose.origin_m.y, pose.origin_m.z,
                           pose.rotation.x, pose.rotation.y, pose.rotation.z, pose.rotation.w};
}

static lr_status write_line_records(lr_run_state *r, int64_t first, int64_t count, lr_error *err)
{
    for (int m = 0; m < r->head->module_count; m++) {
        lr_scan_line seen[LR_BLOCK_LINES];
        lr_truth_line true_lines[LR_BLOCK_LINES];
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

static lr_status report_block(lr_run_state *r, lr_error *err)
{
    pthread_mutex_lock(&r->lock);
    r->done++;
    if (!r->cancelled && r->progress)
        r->cancelled = r->progress(r->context, "scan", r->done, r->total);
    const int cancelled = r->cancelled;
    pthread_mutex_unlock(&r->lock);
    return cancelled && r->done < r->total ? lr_fail(err, LR_ERR_CANCELLED, "stopped; the same command goes on from here") : LR_OK;
}

lr_status lr_run_block(void *context, int64_t block, int index, lr_error *err)
{
    lr_run_state *r = context;
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
