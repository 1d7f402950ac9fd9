// SPDX-License-Identifier: Apache-2.0
#include "depth/matching.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PATTERN_PEAK_E 400.0  // electrons a mean dot is taken to give; levelling makes the choice immaterial
#define AGREE_SIGMAS 4.0f     // answers this many errors apart still mean one surface
// The customary limit of detection (Currie, Pure & Applied Chemistry 67(10), 1995: 3.3): nearer, range is good to a third, and one sky of a thousand is taken for a surface.
#define FAR_SIGMAS 3.0f
#define PATTERN_PIXELS_MOST 16384

// ---- A laser as a camera ----

// Power per angle at `alpha_rad`, mean about 1.
static double pattern_at(const lr_cal_laser *laser, double alpha_rad)
{
    const lr_cal_dots *d = &laser->dots;
    const double half = 0.5*laser->fan_rad;
    if (fabs(alpha_rad) > half)
        return 0.0;
    if (d->profile.count > 1)
        return lr_table_at(&d->profile, alpha_rad);
    const double sigma = 0.25*d->size_rad, scale = laser->fan_rad/(sqrt(2.0*LR_PI)*sigma);
    double sum = 0.0;
    for (int i = 0; i < d->count; i++) {
        const double z = (alpha_rad - d->alpha_rad[i])/sigma;
        sum += fabs(z) < 6.0 ? d->weight[i]*exp(-0.5*z*z) : 0.0;
    }
    return d->background + scale*sum;
}

// An equidistant lens over the fan, its pixels as wide as the finest of the camera's.
static void make_projector(const lr_cal_laser *laser, const lr_cal_camera *camera, lr_cal_camera *out)
{
    const double pixel_rad = lr_lens_along(&camera->lens, 0.0, camera->pitch_m), wanted = ceil(laser->fan_rad/pixel_rad);
    *out = *camera;
    snprintf(out->name, sizeof out->name, "%s", laser->name);
    out->pose = laser->pose;
    out->pixels = (int)fmin(fmax(wanted, 16.0), PATTERN_PIXELS_MOST);
    out->lens = lr_lens_default();
    out->lens.projection = LR_PROJECTION_EQUIDISTANT;
    out->lens.focal_m = out->pitch_m*out->pixels/laser->fan_rad;
}

static float *make_pattern(const lr_cal_laser *laser, const lr_cal_camera *projector)
{
    enum { PARTS = 16 };
    float *out = malloc((size_t)projector->pixels*sizeof *out);
    for (int i = 0; out && i < projector->pixels; i++) {
        double sum = 0.0;
        for (int p = 0; p < PARTS; p++)  // the camera's index grows downwards, alpha upwards
            sum += pattern_at(laser, -lr_cal_camera_angle(projector, i - 0.5 + (p + 0.5)/PARTS));
        out[i] = lr_match_level(PATTERN_PEAK_E*sum/PARTS, 0.0);
    }
    return out;
}

static int has_pattern(const lr_cal_laser *laser)
{
    return laser->mode == LR_CAL_SHEET && laser->power_w > 0.0 && (laser->dots.count > 1 || laser->dots.profile.count > 1);
}

// ---- What to match ----

static lr_matching *add(lr_matchings *all) { return &all->one[all->count++]; }

static lr_status add_stereo(const lr_cal_module *module, int a, int b, const lr_depth_def *def, lr_matchings *out, lr_error *err)
{
    lr_matching *one = add(out);
    one->camera[0] = a;
    one->camera[1] = b;
    LR_TRY(lr_pair_create(module->name, &module->camera[a], &module->camera[b], &one->pair, err));
    return lr_matcher_create(&one->pair, &def->match, &one->matcher, err);
}

static lr_status add_pattern(const lr_cal_module *module, int camera, int laser, const lr_depth_def *def, lr_matchings *out, lr_error *err)
{
    lr_matching *one = add(out);
    const lr_cal_camera *c = &module->camera[camera];
    const lr_cal_laser *l = &module->laser[laser];
    const int laser_above = l->pose.origin_m.z > c->pose.origin_m.z;
    make_projector(l, c, &one->projector);
    one->pattern = make_pattern(l, &one->projector);
    if (!one->pattern)
        return lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", module->name);
    one->camera[laser_above] = camera;
    one->camera[!laser_above] = -1;
    LR_TRY(lr_pair_create(module->name, laser_above ? &one->projector : c, laser_above ? c : &one->projector, &one->pair, err));
    return lr_matcher_create(&one->pair, &def->match, &one->matcher, err);
}

static int compare_heights(const void *a, const void *b, void *context)
{
    const lr_cal_module *module = context;
    const int i = *(const int *)a, j = *(const int *)b;
    const double zi = module->camera[i].pose.origin_m.z, zj = module->camera[j].pose.origin_m.z;
    return zi != zj ? (zi < zj) - (zi > zj) : (i > j) - (i < j);
}

static lr_status add_all(const lr_cal_module *module, const lr_depth_def *def, lr_matchings *out, lr_error *err)
{
    const int cameras = module->camera_count, pairs = cameras > 1 ? cameras - 1 : 0;
    int order[LR_CAL_MAX_PARTS], dots = 0;
    for (int l = 0; l < module->laser_count; l++)
        dots += has_pattern(&module->laser[l]);
    for (int c = 0; c < cameras; c++)
        order[c] = c;
    qsort_r(order, (size_t)cameras, sizeof *order, compare_heights, (void *)(uintptr_t)module);
    const int stereo = def->mode != LR_DEPTH_PATTERN && pairs > 0, pattern = def->mode == LR_DEPTH_PATTERN || def->mode == LR_DEPTH_BOTH || (def->mode == LR_DEPTH_AUTO && pairs == 0);
    if (def->mode == LR_DEPTH_STEREO && pairs == 0)
        return lr_fail(err, LR_ERR_RANGE, "%s: %d camera%s: stereo needs two", module->name, cameras, cameras == 1 ? "" : "s");
    if (!stereo && dots == 0)
        return lr_fail(err, LR_ERR_RANGE, "%s: %d camera%s and no laser whose dots are known: nothing to match", module->name, cameras, cameras == 1 ? "" : "s");
    for (int p = 0; stereo && p < pairs; p++)
        LR_TRY(add_stereo(module, order[p], order[p + 1], def, out, err));
    for (int l = 0; pattern && l < module->laser_count; l++)
        for (int c = 0; has_pattern(&module->laser[l]) && c < cameras; c++)
            LR_TRY(add_pattern(module, c, l, def, out, err));
    return LR_OK;
}

lr_status lr_matchings_create(const lr_cal_module *module, const lr_depth_def *def, lr_matchings *out, lr_error *err)
{
    const size_t most = (size_t)module->camera_count*(size_t)(module->laser_count + 1) + 1;
    *out = (lr_matchings){0, calloc(most, sizeof *out->one)};
    if (!out->one)
        return lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", module->name);
    const lr_status s = add_all(module, def, out, err);
    if (s != LR_OK)
        lr_matchings_free(out);
    return s;
}

void lr_matchings_free(lr_matchings *all)
{
    for (int i = 0; i < all->count; i++) {
        free(all->one[i].pattern);
        lr_matcher_destroy(all->one[i].matcher);
    }
    free(all->one);
    *all = (lr_matchings){0};
}

// ---- Several answers ----

lr_answer lr_answer_join(lr_answer a, lr_answer b)
{
    if (!(a.confidence > 0.0f))
        return b;
    if (!(b.confidence > 0.0f))
        return a;
    const float apart = fabsf(a.inverse_range - b.inverse_range), spread = sqrtf(a.sigma*a.sigma + b.sigma*b.sigma);
    if (apart <= AGREE_SIGMAS*spread) {
        const float wa = 1.0f/(a.sigma*a.sigma), wb = 1.0f/(b.sigma*b.sigma);
        return (lr_answer){(wa*a.inverse_range + wb*b.inverse_range)/(wa + wb), sqrtf(1.0f/(wa + wb)),
                           1.0f - (1.0f - a.confidence)*(1.0f - b.confidence)};
    }
    lr_answer best = a.confidence >= b.confidence ? a : b;
    const float p = best.confidence, q = a.confidence >= b.confidence ? b.confidence : a.confidence;
    best.confidence = p*(1.0f - q)/fmaxf(1.0f - p*q, 1e-6f);  // one of the two at most is right
    return best;
}

int lr_answer_is_range(const lr_answer *a) { return a->confidence > 0.0f && a->inverse_range > FAR_SIGMAS*a->sigma; }
