// SPDX-License-Identifier: Apache-2.0
// Along rays: from where to where a range can be had, and how good it is, for every elevation.
#include <math.h>

#include "optics/filter.h"
#include "study/budget_model.h"

enum { GRID = 36, HALVINGS = 18 };   // 27 % between ranges of the grid, then halved to 1e-6 of that

const char *const lr_budget_limit_names[] = {"none", "field of the partner", "laser fan", "saturation", "signal to noise", "range noise", NULL};

static double grid_m(int i) { return LR_BUDGET_NEAREST_M*pow(LR_BUDGET_FARTHEST_M/LR_BUDGET_NEAREST_M, (double)i/(GRID - 1)); }

static lr_budget_limit limit_at(const lr_model *model, int module, double pixel, double range_m, int light)
{
    const lr_model_at at = lr_model_look(model, module, pixel, range_m, light);
    if (!at.seen)
        return LR_LIMIT_FIELD;
    if (!at.lit)
        return LR_LIMIT_LIT;
    if (at.saturated)
        return LR_LIMIT_SATURATION;
    if (!(at.snr >= model->def->snr_min))
        return LR_LIMIT_SNR;
    return at.noise_m <= model->def->noise_share_max*range_m ? LR_LIMIT_NONE : LR_LIMIT_NOISE;
}

// Edge of the usable range between a usable and an unusable place.
static double edge_m(const lr_model *model, int module, double pixel, int light, double good_m, double bad_m, lr_budget_limit *why)
{
    for (int i = 0; i < HALVINGS; i++) {
        const double middle_m = sqrt(good_m*bad_m);
        const lr_budget_limit limit = limit_at(model, module, pixel, middle_m, light);
        if (limit == LR_LIMIT_NONE)
            good_m = middle_m;
        else {
            bad_m = middle_m;
            *why = limit;
        }
    }
    return good_m;
}

lr_budget_reach lr_model_reach(const lr_model *model, int module, double pixel, int light)
{
    lr_budget_limit limit[GRID];
    int best = -1, length = 0;
    for (int i = 0, run = 0; i < GRID; i++) {
        limit[i] = limit_at(model, module, pixel, grid_m(i), light);
        run = limit[i] == LR_LIMIT_NONE ? run + 1 : 0;
        if (run > length) {
            length = run;
            best = i;
        }
    }
    if (best < 0) {
        const lr_budget_limit why = limit_at(model, module, pixel, model->def->range_m, light);
        return (lr_budget_reach){(double)NAN, (double)NAN, why, why};
    }
    const int first = best - length + 1;
    lr_budget_reach reach = {grid_m(first), grid_m(best), LR_LIMIT_NONE, LR_LIMIT_NONE};
    if (first > 0) {
        reach.near_limit = limit[first - 1];
        reach.near_m = edge_m(model, module, pixel, light, grid_m(first), grid_m(first - 1), &reach.near_limit);
    }
    if (best < GRID - 1) {
        reach.far_limit = limit[best + 1];
        reach.far_m = edge_m(model, module, pixel, light, grid_m(best), grid_m(best + 1), &reach.far_limit);
    }
    return reach;
}

// 1: ambient light gives more; 0: the laser does; -1: no laser here.
static int light_wins(const lr_model *model, int module, double pixel, double range_m, int light, int flood)
{
    const lr_model_at at = lr_model_look(model, module, pixel, range_m, light);
    return !at.lit ? -1 : at.light_e > (flood ? at.flood_e : at.laser_e);
}

double lr_model_wins_m(const lr_model *model, int module, double pixel, int light, int flood)
{
    double good_m = 0.0;
    int lit = 0;
    for (int i = 0; i < GRID; i++) {
        const int wins = light_wins(model, module, pixel, grid_m(i), light, flood);
        lit |= wins >= 0;
        if (wins == 0)
            good_m = grid_m(i);
        if (wins != 1)
            continue;
        if (!(good_m > 0.0))
            return grid_m(i);
        double bad_m = grid_m(i);
        for (int k = 0; k < HALVINGS; k++) {
            const double middle_m = sqrt(good_m*bad_m);
            *(light_wins(model, module, pixel, middle_m, light, flood) == 1 ? &bad_m : &good_m) = middle_m;
        }
        return bad_m;
    }
    return lit ? (double)INFINITY : (double)NAN;
}

// ---- All rays of a module ---------------------------------------------------------------------------------------------

static double ray_pixel(const lr_model_module *m, int i) { return (m->def->camera[0].sensor.pixels - 1)*(double)i/(LR_BUDGET_RAYS - 1); }

int lr_model_middle_pixel(const lr_model *model, int module, double *pixel)
{
    double good[LR_BUDGET_RAYS];
    int count = 0;
    for (int i = 0; i < LR_BUDGET_RAYS; i++) {
        const lr_model_at at = lr_model_look(model, module, ray_pixel(&model->module[module], i), model->def->range_m, LR_LIGHT_DARK);
        if (at.lit && (at.seen || model->module[module].partner < 0))
            good[count++] = ray_pixel(&model->module[module], i);
    }
    *pixel = count ? good[count/2] : ray_pixel(&model->module[module], LR_BUDGET_RAYS/2);
    return count > 0;
}

static double filter_at(const lr_model_module *m, double theta_rad)
{
    return m->def->laser_count ? lr_filter_transmission(&m->def->camera[0].filter, m->def->laser[0].wavelength_m, fabs(theta_rad)) : 1.0;
}

static void fill_ray(const lr_model *model, int module, double pixel, lr_budget_ray *ray)
{
    const lr_model_module *m = &model->module[module];
    const lr_model_camera *camera = &m->camera[0];
    const double theta_rad = lr_camera_angle(camera->def, pixel);
    const int light = model->def->light;
    const lr_model_at at = lr_model_look(model, module, pixel, model->def->range_m, light);
    *ray = (lr_budget_ray){.pixel = pixel, .elevation_rad = lr_model_angle(camera, pixel) + m->def->pitch_rad, .stereo = at.seen, .lit = at.lit};
    ray->along_rad = lr_model_along(camera, theta_rad);
    ray->across_rad = lr_model_across(camera, theta_rad);
    ray->filter_share = filter_at(m, theta_rad);
    ray->baseline_m = at.baseline_m;
    ray->step_m = at.step_m;
    ray->match_px = at.match_px;
    ray->noise_m = at.noise_m;
    ray->laser_e = at.laser_e;
    ray->reach = lr_model_reach(model, module, pixel, light);
    ray->dark = light == LR_LIGHT_DARK ? ray->reach : lr_model_reach(model, module, pixel, LR_LIGHT_DARK);
    ray->wins_m = lr_model_wins_m(model, module, pixel, light, 0);
}

// Fields to the pixel: elevations and points of the line that are in stereo, and lit as well.
static void scan_line(const lr_model *model, int module, lr_budget_module *out)
{
    const lr_model_module *m = &model->module[module];
    const lr_model_camera *c = &m->camera[0];
    out->field_rad[0] = out->stereo_rad[0] = out->lit_rad[0] = (double)INFINITY;
    out->field_rad[1] = out->stereo_rad[1] = out->lit_rad[1] = -(double)INFINITY;
    for (int i = 0; i < c->def->sensor.pixels; i++) {
        const double ray_rad = lr_model_angle(c, i), up_rad = ray_rad + m->def->pitch_rad;
        double x_m, z_m;
        if (!isfinite(ray_rad))
            continue;
        lr_model_point(c, ray_rad, model->def->range_m, &x_m, &z_m);
        const int stereo = m->partner >= 0 && lr_model_see(&m->camera[m->partner], x_m, z_m).inside;
        int lit = 0;
        for (int l = 0; l < m->def->laser_count; l++)
            lit |= lr_model_lit(&m->laser[l], x_m, z_m).inside;
        double *const fields[] = {out->field_rad, out->stereo_rad, out->lit_rad};
        const int in[] = {1, stereo, lit};
        for (int k = 0; k < 3; k++)
            if (in[k]) {
                fields[k][0] = fmin(fields[k][0], up_rad);
                fields[k][1] = fmax(fields[k][1], up_rad);
            }
        out->points_per_line += stereo && lit;
    }
    for (int k = 0; k < 2; k++) {   // nothing there: no interval
        if (!isfinite(out->stereo_rad[k])) out->stereo_rad[k] = (double)NAN;
        if (!isfinite(out->lit_rad[k])) out->lit_rad[k] = (double)NAN;
    }
}

static void fill_band(const lr_model *model, const lr_model_camera *c, double theta_rad, lr_budget_module *out)
{
    for (int k = 0; k < LR_LIGHTS_COUNT; k++) {
        double sum = 0.0;
        for (int s = 0; s < 1600; s++) {
            const double lambda_m = 300e-9 + (s + 0.5)*0.5e-9;
            sum += 0.5e-9*lr_table_at(&model->lights->irradiance[k], lambda_m)*lr_filter_transmission(&c->def->filter, lambda_m, fabs(theta_rad));
        }
        out->light_band_w_m2[k] = sum;
        out->light_share[k] = model->lights->total_w_m2[k] > 0.0 ? sum/model->lights->total_w_m2[k] : 0.0;
    }
}

void lr_budget_fill_rays(const lr_model *model, int module, lr_budget_module *out)
{
    const lr_model_module *m = &model->module[module];
    double middle, best_filter = 0.0;
    scan_line(model, module, out);
    lr_model_middle_pixel(model, module, &middle);
    for (int i = 0; i < LR_BUDGET_RAYS; i++) {
        fill_ray(model, module, ray_pixel(m, i), &out->ray[i]);
        if (out->ray[i].pixel == middle)
            out->middle = i;
        best_filter = fmax(best_filter, out->ray[i].filter_share);
    }
    for (int i = 0; i < LR_BUDGET_RAYS; i++)
        out->ray[i].filter_share /= best_filter > 0.0 ? best_filter : 1.0;
    const lr_model_camera *c = &m->camera[0];
    out->saturation_e = c->saturation_e;
    out->floor_e = sqrt(c->floor_e2);
    out->dynamic_range = c->saturation_e/(out->floor_e + 0.5);
    fill_band(model, c, lr_camera_angle(c->def, middle), out);
}

// ---- Curves against range -----------------------------------------------------------------------------------------------

static double saturation_m(const lr_model *model, int module, double pixel)
{
    double near_m = LR_BUDGET_NEAREST_M, far_m = LR_BUDGET_FARTHEST_M;
    for (int i = 0; i < 40; i++) {
        const double middle_m = sqrt(near_m*far_m);
        *(lr_model_look(model, module, pixel, middle_m, LR_LIGHT_DARK).saturated ? &near_m : &far_m) = middle_m;
    }
    return far_m;
}

static void fill_place(const lr_model *model, int module, double pixel, int i, lr_budget_curve *c)
{
    for (int k = 0; k < LR_LIGHTS_COUNT; k++) {
        const lr_model_camera *camera = &model->module[module].camera[0];
        const lr_model_at at = lr_model_look(model, module, pixel, c->range_m[i], k);
        c->laser_e[i] = at.laser_e;
        c->dot_e[i] = at.dot_e;
        c->flood_e[i] = at.flood_e;
        c->light_e[k] = at.light_e;
        c->snr[k][i] = lr_model_snr(camera, at.laser_e, at.light_e);
        c->flood_snr[k][i] = lr_model_snr(camera, at.flood_e, at.light_e);
        c->step_m[i] = at.step_m;
        c->noise_m[k][i] = at.noise_m;
    }
}

void lr_budget_fill_curve(const lr_model *model, int module, lr_budget_module *out)
{
    const lr_model_module *m = &model->module[module];
    const double pixel = out->ray[out->middle].pixel;
    lr_budget_curve *c = &out->curve;
    for (int i = 0; i < LR_BUDGET_RANGES; i++) {
        c->range_m[i] = 0.1*pow(300.0, (double)i/(LR_BUDGET_RANGES - 1));   // 0.1 .. 30 m
        fill_place(model, module, pixel, i, c);
    }
    for (int k = 0; k < LR_LIGHTS_COUNT; k++) {
        c->wins_m[k] = lr_model_wins_m(model, module, pixel, k, 0);
        c->flood_wins_m[k] = lr_model_wins_m(model, module, pixel, k, 1);
    }
    c->saturation_m = saturation_m(model, module, pixel);
    const lr_model_at at = lr_model_look(model, module, pixel, model->def->range_m, LR_LIGHT_DARK);
    if (at.laser < 0)
        return;
    const lr_model_laser *laser = &m->laser[at.laser];
    const double px_rad = out->ray[out->middle].along_rad, dot_px = laser->dot_rad/px_rad, blur_px = m->camera[0].def->blur_px;
    out->dot_px = laser->dots ? sqrt(dot_px*dot_px + blur_px*blur_px + 1.0/12.0) : 0.0;
    out->dot_spacing_px = laser->spacing_rad/px_rad;
    out->speckle_contrast = sqrt(m->speckle2[0][at.laser]);
}
