// SPDX-License-Identifier: Apache-2.0
#include "sensor/sensor.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "core/wide.h"
#include "sensor/noise.h"

#define MEAN_MAX_E 2e9f  // the full well ends at 1e9: beyond this every pixel is full, and int32 holds the count

typedef struct defect { int pixel; uint16_t dn; } defect;

struct lr_sensor {
    int pixels, defect_count;
    uint64_t seed;
    int module, camera;
    float dark_e, full_well_e, read_noise_e, line_offset_e;
    float gain_dn_per_e, offset_dn, top_dn;
    float *gain_map, *offset_map;  // (pixels)
    defect *defects;               // (defect_count)
};

// Maps are drawn as if they were one line: `a` for the gain, `b` for the offset.
static void draw_maps(lr_sensor *s, const lr_sensor_def *def)
{
    const lr_noise_stream stream = lr_noise_stream_of(s->seed, s->module, s->camera, LR_NOISE_PATTERN, 0, 0);
    uint32_t a[LR_NOISE_BLOCK], b[LR_NOISE_BLOCK];
    float za[LR_NOISE_BLOCK], zb[LR_NOISE_BLOCK];
    for (int first = 0; first < s->pixels; first += LR_NOISE_BLOCK) {
        const int count = s->pixels - first < LR_NOISE_BLOCK ? s->pixels - first : LR_NOISE_BLOCK;
        lr_noise_bits(&stream, (uint32_t)first/LR_NOISE_BLOCK, a, b);
        lr_noise_normal(a, count, za);
        lr_noise_normal(b, count, zb);
        for (int i = 0; i < count; i++) {
            s->gain_map[first + i] = fmaxf(0.0f, 1.0f + (float)def->prnu*za[i]);
            s->offset_map[first + i] = (float)def->dsnu_e*zb[i];
        }
    }
}

// A pixel is stuck if its first word falls below the share; the second word says at which end.
static void draw_defects(lr_sensor *s, double share)
{
    const lr_noise_stream stream = lr_noise_stream_of(s->seed, s->module, s->camera, LR_NOISE_DEFECT, 0, 0);
    uint32_t a[LR_NOISE_BLOCK], b[LR_NOISE_BLOCK];
    for (int i = 0; i < s->pixels; i++) {
        const int at = i % LR_NOISE_BLOCK;
        if (at == 0)
            lr_noise_bits(&stream, (uint32_t)(i/LR_NOISE_BLOCK), a, b);
        if (!((a[at] + 0.5)*0x1p-32 < share))
            continue;
        s->defects[s->defect_count++] = (defect){i, (uint16_t)(b[at] >> 31 ? (int)s->top_dn : 0)};
    }
}

lr_status lr_sensor_create(const lr_sensor_def *def, double exposure_s, uint64_t seed, int module, int camera, lr_sensor **out, lr_error *err)
{
    assert(def && out);
    *out = NULL;
    LR_TRY(lr_sensor_def_check(def, err));
    if (!(exposure_s > 0.0 && exposure_s <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "exposure_s: %.15g is not in (0, 1]", exposure_s);
    lr_sensor *s = calloc(1, sizeof *s);
    if (!s)
        return lr_fail(err, LR_ERR_MEMORY, "sensor: out of memory");
    *s = (lr_sensor){
        .pixels = def->pixels, .seed = seed, .module = module, .camera = camera,
        .dark_e = (float)(def->dark_current_e_per_s*exposure_s), .full_well_e = (float)def->full_well_e,
        .read_noise_e = (float)def->read_noise_e, .line_offset_e = (float)def->line_offset_e,
        .gain_dn_per_e = (float)def->gain_dn_per_e, .offset_dn = (float)def->offset_dn, .top_dn = (float)((1 << def->bits) - 1),
    };
    const size_t count = (size_t)def->pixels;
    s->gain_map = malloc(count*sizeof *s->gain_map);
    s->offset_map = malloc(count*sizeof *s->offset_map);
    s->defects = malloc(count*sizeof *s->defects);
    if (!s->gain_map || !s->offset_map || !s->defects) {
        lr_sensor_destroy(s);
        return lr_fail(err, LR_ERR_MEMORY, "sensor: out of memory");
    }
    draw_maps(s, def);
    draw_defects(s, def->defect_share);
    *out = s;
    return LR_OK;
}

void lr_sensor_destroy(lr_sensor *sensor)
{
    if (!sensor)
        return;
    free(sensor->gain_map);
    free(sensor->offset_map);
    free(sensor->defects);
    free(sensor);
}

// NaN compares false and becomes the floor.
static inline float cut(float x, float lo, float hi) { x = x > lo ? x : lo; return x < hi ? x : hi; }

static float line_offset(const lr_sensor *s, int64_t line)
{
    const lr_noise_stream stream = lr_noise_stream_of(s->seed, s->module, s->camera, LR_NOISE_LINE, 0, line);
    uint32_t a[LR_NOISE_BLOCK], b[LR_NOISE_BLOCK];
    float z;
    lr_noise_bits(&stream, 0, a, b);
    lr_noise_normal(a, 1, &z);
    return s->line_offset_e*z;
}

// What the electrons `n` of a block become, with read noise `z`.
LR_WIDE static void read_out(const lr_sensor *s, float line_e, int count, const float *restrict n, const float *restrict z, const float *restrict offset_e, uint16_t *restrict dn)
{
    const float well = s->full_well_e, read = s->read_noise_e, k = s->gain_dn_per_e, base = s->offset_dn + 0.5f, top = s->top_dn;
    for (int i = 0; i < count; i++) {
        const float charge = n[i] < well ? n[i] : well;
        const float y = base + k*(charge + offset_e[i] + line_e + read*z[i]);
        dn[i] = (uint16_t)(int32_t)cut(y, 0.0f, top);
    }
}

// `count` pixels of one block; pointers are those of its first pixel.
static void expose_block(const lr_sensor *s, const uint32_t *a, const uint32_t *b, float line_e, int count, const float *restrict expected_e,
                         const float *restrict gain, const float *restrict offset_e, uint16_t *restrict dn)
{
    float mean[LR_NOISE_BLOCK], n[LR_NOISE_BLOCK], z[LR_NOISE_BLOCK];
    for (int i = 0; i < count; i++)
        mean[i] = cut(expected_e[i]*gain[i], 0.0f, MEAN_MAX_E) + s->dark_e;
    lr_noise_poisson(mean, a, count, n);
    lr_noise_normal(b, count, z);
    read_out(s, line_e, count, n, z, offset_e, dn);
}

void lr_sensor_expose(const lr_sensor *sensor, int64_t line, const float *expected_e, uint16_t *dn)
{
    assert(sensor && expected_e && dn);
    const lr_noise_stream stream = lr_noise_stream_of(sensor->seed, sensor->module, sensor->camera, LR_NOISE_PIXEL, 0, line);
    const float line_e = sensor->line_offset_e > 0.0f ? line_offset(sensor, line) : 0.0f;
    uint32_t a[LR_NOISE_BLOCK], b[LR_NOISE_BLOCK];
    for (int first = 0; first < sensor->pixels; first += LR_NOISE_BLOCK) {
        const int count = sensor->pixels - first < LR_NOISE_BLOCK ? sensor->pixels - first : LR_NOISE_BLOCK;
        lr_noise_bits(&stream, (uint32_t)first/LR_NOISE_BLOCK, a, b);
        expose_block(sensor, a, b, line_e, count, expected_e + first, sensor->gain_map + first, sensor->offset_map + first, dn + first);
    }
    for (int i = 0; i < sensor->defect_count; i++)
        dn[sensor->defects[i].pixel] = sensor->defects[i].dn;
}

double lr_sensor_variance_e2(const lr_sensor *s, double expected_e)
{
    const double step_e = 1.0/(double)s->gain_dn_per_e, read_e = (double)s->read_noise_e;
    return fmax(expected_e, 0.0) + (double)s->dark_e + read_e*read_e + step_e*step_e/12.0;
}

int lr_sensor_pixels(const lr_sensor *sensor) { return sensor->pixels; }
const float *lr_sensor_gain_map(const lr_sensor *sensor) { return sensor->gain_map; }
const float *lr_sensor_offset_map(const lr_sensor *sensor) { return sensor->offset_map; }
int lr_sensor_defect_count(const lr_sensor *sensor) { return sensor->defect_count; }

int lr_sensor_defect(const lr_sensor *sensor, int i, int *pixel)
{
    assert(i >= 0 && i < sensor->defect_count);
    *pixel = sensor->defects[i].pixel;
    return sensor->defects[i].dn;
}
