// SPDX-License-Identifier: Apache-2.0
// Which parameter buys the most: each is made 2 % smaller and 2 % larger, all over the head, the budget worked out again, and the
// slope taken in logarithms: per cent of the result for one per cent of the parameter.
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "study/budget_model.h"

#define CHANGE 0.02
enum { NODES = 5 };   // both sides of a slope share the error of so few

const char *const lr_budget_metric_names[] = {"range noise", "farthest range", "coverage", "link load", "eye-safety margin", NULL};

typedef enum parameter {
    REV, LINES, BASELINE, FOCAL, F_NUMBER, TRANSMISSION, BLUR, FILTER_WIDTH, PIXELS, PITCH, WIDTH, READ_NOISE, EXPOSURE,
    POWER, FAN, THICKNESS, DIVERGENCE, DOT_COUNT, DOT_SIZE, ZERO_ORDER, BACKGROUND, PARAMETERS
} parameter;
static const char *const parameter_names[PARAMETERS] = {
    "spin.rev_per_s", "spin.lines_per_rev", "baseline (height_mm of cameras)", "lens.focal_mm", "lens.f_number", "lens.transmission", "lens.blur_px",
    "filter.width_nm", "sensor.pixels", "sensor.pitch_um", "sensor.width_um", "sensor.read_noise_e", "exposure_us",
    "power_mw", "fan_deg", "thickness_mm", "divergence_mrad", "dots.count", "dots.size_mrad", "dots.zero_order", "dots.background",
};
_Static_assert(PARAMETERS <= LR_BUDGET_ADVICE, "room for every parameter");

typedef struct clone { lr_head head; lr_module_def *module; lr_camera_def *camera; lr_laser_def *laser; } clone;

static int clone_make(clone *c, const lr_head *head)   // tables stay with the original
{
    const size_t modules = (size_t)head->module_count;
    c->head = *head;
    c->module = malloc(modules*sizeof *c->module);
    c->camera = malloc(modules*LR_MAX_CAMERAS*sizeof *c->camera);
    c->laser = malloc(modules*LR_MAX_LASERS*sizeof *c->laser);
    c->head.module = c->module;
    return c->module && c->camera && c->laser;
}

static void clone_reset(clone *c, const lr_head *head)
{
    c->head.spin = head->spin;
    for (int m = 0; m < head->module_count; m++) {
        c->module[m] = head->module[m];
        c->module[m].camera = c->camera + (size_t)m*LR_MAX_CAMERAS;
        c->module[m].laser = c->laser + (size_t)m*LR_MAX_LASERS;
        memcpy(c->module[m].camera, head->module[m].camera, (size_t)head->module[m].camera_count*sizeof *c->camera);
        if (head->module[m].laser_count)
            memcpy(c->module[m].laser, head->module[m].laser, (size_t)head->module[m].laser_count*sizeof *c->laser);
    }
}

static void clone_free(clone *c)
{
    free(c->module);
    free(c->camera);
    free(c->laser);
}

static void spread_cameras(lr_module_def *m, double factor)   // about their mean height
{
    double mean_m = 0.0;
    for (int c = 0; c < m->camera_count; c++)
        mean_m += m->camera[c].placement.height_m/m->camera_count;
    for (int c = 0; c < m->camera_count; c++) {
        double *height_m = &m->camera[c].placement.height_m;
        *height_m = mean_m + factor*(*height_m - mean_m);
    }
}

static void change_whole(int *count, double factor, double *log_ratio)   // whole numbers: by the step that fits
{
    const int is = *count, next = (int)lround(is*factor);
    *count = next < 1 ? 1 : next;
    *log_ratio = log((double)*count/(is > 0 ? is : 1));
}

static void change_camera(lr_camera_def *c, parameter p, double factor, double *log_ratio)
{
    switch (p) {
    case FOCAL: c->lens.focal_m *= factor; break;
    case F_NUMBER: c->lens.f_number *= factor; break;
    case TRANSMISSION: c->lens.transmission *= factor; break;
    case BLUR: c->blur_px *= factor; break;
    case FILTER_WIDTH: c->filter.width_m *= factor; break;
    case PIXELS: change_whole(&c->sensor.pixels, factor, log_ratio); break;
    case PITCH: c->sensor.pitch_m *= factor; break;
    case WIDTH: c->sensor.width_m *= factor; break;
    case READ_NOISE: c->sensor.read_noise_e *= factor; break;
    case EXPOSURE: c->exposure_s *= factor; break;
    default: break;
    }
}

static void change_laser(lr_laser_def *l, parameter p, double factor, double *log_ratio)
{
    switch (p) {
    case POWER: l->power_w *= factor; break;
    case FAN: l->fan_rad = fmin(LR_PI, l->fan_rad*factor); break;
    case THICKNESS: l->thickness_m *= factor; break;
    case DIVERGENCE: l->divergence_rad *= factor; break;
    case DOT_COUNT: if (l->dots.count > 0) change_whole(&l->dots.count, factor, log_ratio); break;
    case DOT_SIZE: l->dots.size_rad *= factor; break;
    case ZERO_ORDER: l->dots.zero_order *= factor; break;
    case BACKGROUND: l->dots.background = fmin(l->dots.background*factor, 1.0 - l->dots.zero_order); break;
    default: break;
    }
}

static double change(clone *c, parameter p, double factor)   // logarithm of what the parameter really changed by
{
    double log_ratio = log(factor);
    if (p == REV)
        c->head.spin.rev_per_s *= factor;
    if (p == LINES)
        change_whole(&c->head.spin.lines_per_rev, factor, &log_ratio);
    for (int m = 0; m < c->head.module_count; m++) {
        if (p == BASELINE)
            spread_cameras(&c->module[m], factor);
        for (int i = 0; i < c->module[m].camera_count; i++)
            change_camera(&c->module[m].camera[i], p, factor, &log_ratio);
        for (int i = 0; i < c->module[m].laser_count; i++)
            change_laser(&c->module[m].laser[i], p, factor, &log_ratio);
    }
    return log_ratio;
}

static double safety_margin(const lr_model *model, lr_budget_fan *fan)
{
    double turning, stalled;
    int count = 0;
    for (int m = 0; m < model->module_count; m++)
        for (int l = 0; l < model->module[m].def->laser_count; l++) {
            const lr_laser_def *def = &model->module[m].def->laser[l];
            if (def->mode != LR_LASER_OFF && def->power_w > 0.0)
                lr_safety_fill_fan(model, m, l, 0, &fan[count++]);
        }
    lr_safety_worst(model, fan, count, &turning, &stalled);
    return 1.0/fmax(turning, stalled);
}

// In the direction in which the module judged looks with its middle, whatever the lens has become.
static void measure(const lr_model *model, int module, double angle_rad, lr_budget_fan *fan, double metric[LR_METRICS_COUNT])
{
    const lr_model_camera *camera = &model->module[module].camera[0];
    double x_m, z_m;
    lr_model_point(camera, angle_rad, model->def->range_m, &x_m, &z_m);
    const double pixel = lr_model_see(camera, x_m, z_m).pixel;
    metric[LR_METRIC_NOISE] = lr_model_look(model, module, pixel, model->def->range_m, model->def->light).noise_m;
    metric[LR_METRIC_FAR] = lr_model_reach(model, module, pixel, model->def->light).far_m;
    metric[LR_METRIC_COVERAGE] = lr_coverage_useful_share(model);
    metric[LR_METRIC_LINK] = lr_link_raw_byte_per_s(model->head);
    metric[LR_METRIC_SAFETY] = safety_margin(model, fan);
}

static double strength(const lr_budget_advice *a)
{
    double sum = 0.0;
    for (int k = 0; k < LR_METRICS_COUNT; k++)
        sum += isfinite(a->elasticity[k]) ? fabs(a->elasticity[k]) : 0.0;
    return sum;
}

static int by_strength(const void *a, const void *b)   // by what it does to noise first
{
    const lr_budget_advice *x = a, *y = b;
    const double nx = isfinite(x->elasticity[0]) ? fabs(x->elasticity[0]) : 0.0, ny = isfinite(y->elasticity[0]) ? fabs(y->elasticity[0]) : 0.0;
    if (fabs(nx - ny) > 5e-4)
        return nx < ny ? 1 : -1;
    return strength(x) < strength(y) ? 1 : strength(x) > strength(y) ? -1 : 0;
}

static lr_status one(const lr_model *model, clone *c, parameter p, int module, double angle_rad, lr_budget_fan *fan, lr_budget_advice *out, lr_error *err)
{
    double metric[2][LR_METRICS_COUNT], log_ratio[2];
    for (int side = 0; side < 2; side++) {
        lr_model *changed = NULL;
        clone_reset(c, model->head);
        log_ratio[side] = change(c, p, side ? 1.0 + CHANGE : 1.0/(1.0 + CHANGE));
        LR_TRY(lr_model_create(&c->head, model->def, model->lights, model, NODES, model->def->light, &changed, err));
        measure(changed, module, angle_rad, fan, metric[side]);
        lr_model_destroy(changed);
    }
    out->parameter = parameter_names[p];
    for (int k = 0; k < LR_METRICS_COUNT; k++) {
        const double low = metric[0][k], high = metric[1][k];
        out->elasticity[k] = low > 0.0 && high > 0.0 && isfinite(low) && isfinite(high) && log_ratio[1] > log_ratio[0]
            ? log(high/low)/(log_ratio[1] - log_ratio[0]) : (double)NAN;
    }
    return LR_OK;
}

// Along the axis of the laser that lights the middle of the field, so that no end of a fan moves across what is looked at; the
// middle itself where that axis is not seen in stereo.
static double direction(const lr_model *model, int module, double middle_pixel)
{
    const lr_model_camera *camera = &model->module[module].camera[0];
    const lr_model_at at = lr_model_look(model, module, middle_pixel, model->def->range_m, LR_LIGHT_DARK);
    const double axis_rad = model->module[module].laser[at.laser].pitch_rad;
    double x_m, z_m;
    lr_model_point(camera, axis_rad, model->def->range_m, &x_m, &z_m);
    const lr_seen seen = lr_model_see(camera, x_m, z_m);
    if (seen.inside && lr_model_look(model, module, seen.pixel, model->def->range_m, LR_LIGHT_DARK).seen)
        return axis_rad;
    return lr_model_angle(camera, middle_pixel);
}

lr_status lr_budget_fill_advice(const lr_model *model, lr_budget *out, lr_error *err)
{
    double pixel;
    int module = 0;
    while (module < model->module_count && !lr_model_middle_pixel(model, module, &pixel))   // the first that can measure
        module++;
    if (module == model->module_count)
        return LR_OK;
    const double angle_rad = direction(model, module, pixel);
    clone c = {.module = NULL};
    lr_budget_fan *fan = malloc(LR_MAX_MODULES*LR_MAX_LASERS*sizeof *fan);
    lr_status s = clone_make(&c, model->head) && fan ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "budget: out of memory");
    for (int p = 0; s == LR_OK && p < PARAMETERS; p++)
        s = one(model, &c, (parameter)p, module, angle_rad, fan, &out->advice[out->advice_count++], err);
    if (s == LR_OK)
        qsort(out->advice, (size_t)out->advice_count, sizeof *out->advice, by_strength);
    clone_free(&c);
    free(fan);
    return s;
}
