// SPDX-License-Identifier: Apache-2.0
// Electrons from a sheet, a flood and ambient light, and how well a pattern of dots can be matched with them.
//   sheet  L = reflectance/pi  P D cos(i)/r  <g(y)>      <g>: the sheet's Gaussian averaged over the pixel's width
//   flood  L = reflectance/pi  P/(fan flood cos(e)) cos(i)/r^2
// Matching: the Cramer-Rao bound for the shift of a known shape s(x) [e/pixel] in noise of variance v(x) [e^2] is
//   1/var = sum over pixels of s'(x)^2/v(x)
// with dots that are Gaussian in the image, spread by dot size, blur and the pixel's own box (1/12 of its square). Both images
// are noisy, so their variances add. v: shot noise of laser and ambient, the sensor's floor, speckle (s times its contrast).
// Fixed patterns of gain and offset count as corrected. No real matcher reaches the bound.
// Source: Kay, Fundamentals of Statistical Signal Processing (Prentice Hall, 1993), ch. 3 (from memory).
#include <math.h>

#include "optics/sheet.h"
#include "study/budget_model.h"

enum { SLICES = 16, MOST_NEIGHBOURS = 8 };   // midpoints over half a gap

// Laser line of Gaussian shape: three points of Gauss-Hermite quadrature (Abramowitz & Stegun, table 25.10).
static double line_response(const lr_camera_def *camera, double pixel, const lr_laser_def *laser)
{
    const double step_m = sqrt(3.0)*laser->line_width_m/2.3548200450309493, at_m = laser->wavelength_m;
    return 2.0/3.0*lr_camera_response(camera, pixel, at_m) +
           (lr_camera_response(camera, pixel, at_m - step_m) + lr_camera_response(camera, pixel, at_m + step_m))/6.0;
}

static double target_cos(const lr_target *t, double to_rad) { return fmax(0.0, cos(to_rad - t->normal_rad)); }

double lr_model_sheet_e(const lr_model_camera *camera, const lr_model_laser *laser, const lr_target *t)
{
    const lr_seen eye = lr_model_see(camera, t->x_m, t->z_m), beam = lr_model_lit(laser, t->x_m, t->z_m);
    if (!eye.inside || !(beam.range_m > 0.0))
        return 0.0;
    const lr_sheet sheet = {laser->def->thickness_m, laser->def->divergence_rad};
    const double half_m = 0.5*lr_model_across(camera, eye.theta_rad)*eye.range_m;
    const double per_m = lr_sheet_mean(lr_sheet_sigma_m(sheet, beam.range_m), -half_m, half_m);
    const double e_w_m2 = lr_sheet_irradiance(laser->def->power_w, 1.0, per_m, beam.range_m, target_cos(t, beam.angle_rad + LR_PI));
    return t->reflectance/LR_PI*e_w_m2*line_response(camera->def, eye.pixel, laser->def);
}

double lr_model_flood_e(const lr_model_camera *camera, const lr_model_laser *laser, const lr_target *t)
{
    const lr_seen eye = lr_model_see(camera, t->x_m, t->z_m), beam = lr_model_lit(laser, t->x_m, t->z_m);
    if (!eye.inside || !beam.inside || !(beam.range_m > 0.0))
        return 0.0;
    const double w_sr = laser->def->power_w/(laser->def->fan_rad*laser->def->flood_rad*cos(beam.theta_rad));
    const double e_w_m2 = w_sr*target_cos(t, beam.angle_rad + LR_PI)/(beam.range_m*beam.range_m);
    return t->reflectance/LR_PI*e_w_m2*line_response(camera->def, eye.pixel, laser->def);
}

double lr_model_snr(const lr_model_camera *camera, double signal_e, double light_e)
{
    return signal_e > 0.0 ? signal_e/sqrt(signal_e + light_e + camera->floor_e2) : 0.0;
}

// ---- Dots ---------------------------------------------------------------------------------------------------------

typedef struct dots_seen {   // as one camera sees a laser's dots
    double unit_e;           // electrons for a density of 1/rad
    double dot_e;            // electrons of a whole dot
    double spread_px, spacing_px;
    double under_e;          // smooth light of the laser
    double scatter;          // of the dots' places: 0 even, 1 anywhere in their cells
    double light_e;
    double along_m;          // of a pixel on the target
} dots_seen;

static dots_seen see_dots(const lr_model *model, const lr_model_camera *camera, const lr_model_laser *laser, const lr_target *t, int light)
{
    const lr_seen eye = lr_model_see(camera, t->x_m, t->z_m), beam = lr_model_lit(laser, t->x_m, t->z_m);
    dots_seen d = {.unit_e = lr_model_sheet_e(camera, laser, t), .light_e = lr_model_light_e(camera, light, eye.theta_rad, model->def->reflectance)};
    d.along_m = lr_model_along(camera, eye.theta_rad)*eye.range_m;
    // The target faces the first camera; the fan meets it askew, but both see the same stretch of it.
    const double px_rad = d.along_m/beam.range_m;    // of the fan, per pixel
    const double dot_px = laser->dot_rad/px_rad;
    d.spread_px = sqrt(dot_px*dot_px + camera->def->blur_px*camera->def->blur_px + 1.0/12.0);
    d.spacing_px = laser->spacing_rad/px_rad;
    d.dot_e = d.unit_e*laser->dot_share/px_rad;
    d.under_e = d.unit_e*laser->background_per_rad;
    d.scatter = laser->def->dots.jitter;
    return d;
}

// Light and its slope at x between a dot at 0 and one at `gap_px`, the others beyond them at the mean spacing.
typedef struct lit_place { double e, slope; } lit_place;
static void add_dot(const dots_seen *d, double x_px, lit_place *at)
{
    const double u = x_px/d->spread_px, e = d->dot_e/(d->spread_px*sqrt(2.0*LR_PI))*exp(-0.5*u*u);
    at->e += e;
    at->slope -= e*u/d->spread_px;
}
static lit_place between(const dots_seen *d, double x_px, double gap_px)
{
    const double reach_px = 5.0*d->spread_px;
    lit_place at = {d->under_e, 0.0};
    for (int k = 0; k < MOST_NEIGHBOURS && x_px + k*d->spacing_px <= reach_px; k++)
        add_dot(d, x_px + k*d->spacing_px, &at);
    for (int k = 0; k < MOST_NEIGHBOURS && gap_px - x_px + k*d->spacing_px <= reach_px; k++)
        add_dot(d, x_px - gap_px - k*d->spacing_px, &at);
    return at;
}

static double peak_e(const dots_seen *d)   // brightest pixel on a dot
{
    return between(d, 0.0, d->spacing_px).e;
}

static double gap_information(const dots_seen *d, double speckle2, double floor_e2, double gap_px)
{
    const double end_px = fmin(0.5*gap_px, 5.0*d->spread_px), step_px = end_px/SLICES;
    double sum = 0.0;
    for (int i = 0; i < SLICES; i++) {   // both halves are alike
        const lit_place at = between(d, (i + 0.5)*step_px, gap_px);
        sum += 2.0*at.slope*at.slope/(at.e + d->light_e + floor_e2 + speckle2*at.e*at.e)*step_px;
    }
    return sum;
}

// Information that a window holds about the shift, in 1/px^2. Dots scattered by +-jitter/2 of their cells leave gaps of variance
// jitter^2/6 in cells: three points of Gauss-Hermite quadrature over them.
static double information(const dots_seen *d, double speckle2, double floor_e2, double window_px)
{
    const double off = d->scatter/sqrt(2.0);
    double sum = 2.0/3.0*gap_information(d, speckle2, floor_e2, d->spacing_px);
    if (off > 0.0)
        sum += (gap_information(d, speckle2, floor_e2, d->spacing_px*(1.0 - off)) + gap_information(d, speckle2, floor_e2, d->spacing_px*(1.0 + off)))/6.0;
    else
        sum *= 1.5;
    return sum*window_px/d->spacing_px;
}

// ---- One point of a ray ---------------------------------------------------------------------------------------------

// Change of the partner's pixel with range along a ray of the first camera:
//   d(angle)/d(range) = sin(ray - sight line)/distance,   pixel = c - r(theta)/p
static double step_of(const lr_model_camera *partner, const lr_seen *eye, double ray_rad, double *baseline_m)
{
    const double turn = sin(ray_rad - eye->angle_rad), slope_px = lr_lens_slope(&partner->def->lens, fabs(eye->theta_rad))/partner->def->sensor.pitch_m;
    *baseline_m = fabs(turn)*eye->range_m;
    return eye->range_m/(fabs(turn)*slope_px);
}

static int strongest(const lr_model_module *m, const lr_target *t)
{
    int best = -1;
    double most = 0.0;
    for (int l = 0; l < m->def->laser_count; l++) {
        const lr_seen beam = lr_model_lit(&m->laser[l], t->x_m, t->z_m);
        const double e = beam.inside ? lr_model_sheet_e(&m->camera[0], &m->laser[l], t)*m->laser[l].mean_per_rad : 0.0;
        if (e > most) {
            most = e;
            best = l;
        }
    }
    return best;
}

static void match(const lr_model *model, const lr_model_module *m, const lr_target *t, int light, const dots_seen *first, lr_model_at *at)
{
    const lr_model_camera *partner = &m->camera[m->partner];
    const dots_seen second = see_dots(model, partner, &m->laser[at->laser], t, light);
    const double i1 = information(first, m->speckle2[0][at->laser], m->camera[0].floor_e2, model->def->window_px);
    const double i2 = information(&second, m->speckle2[m->partner][at->laser], partner->floor_e2, model->def->window_px);
    const double scale = first->along_m/second.along_m;   // a pixel of the first in pixels of the partner
    at->match_px = sqrt(scale*scale/i1 + 1.0/i2);
    at->noise_m = at->match_px*at->step_m;
    at->saturated |= peak_e(&second) + second.light_e > partner->saturation_e;
}

lr_model_at lr_model_look(const lr_model *model, int module, double pixel, double range_m, int light)
{
    const lr_model_module *m = &model->module[module];
    const lr_model_camera *camera = &m->camera[0];
    const double ray_rad = lr_model_angle(camera, pixel);
    lr_target t = {.normal_rad = ray_rad + LR_PI, .reflectance = model->def->reflectance};
    lr_model_at at = {.laser = -1, .step_m = (double)INFINITY, .match_px = (double)INFINITY, .noise_m = (double)INFINITY};
    if (!isfinite(ray_rad))
        return at;
    lr_model_point(camera, ray_rad, range_m, &t.x_m, &t.z_m);
    if (m->partner >= 0) {
        const lr_seen eye = lr_model_see(&m->camera[m->partner], t.x_m, t.z_m);
        at.seen = eye.inside;
        if (eye.inside)
            at.step_m = step_of(&m->camera[m->partner], &eye, ray_rad, &at.baseline_m);
    }
    at.laser = strongest(m, &t);
    at.lit = at.laser >= 0;
    at.light_e = lr_model_light_e(camera, light, lr_camera_angle(camera->def, pixel), model->def->reflectance);
    if (!at.lit)
        return at;
    const lr_model_laser *laser = &m->laser[at.laser];
    const dots_seen first = see_dots(model, camera, laser, &t, light);
    const int flood = laser->def->mode == LR_LASER_FLOOD;
    at.laser_e = first.unit_e*laser->mean_per_rad;
    at.flood_e = lr_model_flood_e(camera, laser, &t);
    at.dot_e = flood ? at.flood_e : laser->dots ? peak_e(&first) : at.laser_e;
    at.snr = lr_model_snr(camera, at.dot_e, at.light_e);
    at.noise_e = sqrt(at.dot_e + at.light_e + camera->floor_e2);
    at.saturated = at.dot_e + at.light_e > camera->saturation_e;
    if (at.seen && laser->dots && !flood)
        match(model, m, &t, light, &first, &at);
    return at;
}

// ---- Public single figures --------------------------------------------------------------------------------------------

static lr_model_camera bare_camera(const lr_camera_def *def)
{
    lr_model_camera c = {.def = def, .x_m = def->placement.forward_m, .z_m = def->placement.height_m, .pitch_rad = def->placement.pitch_rad};
    c.theta_max_rad = lr_lens_theta_max(&def->lens);
    return c;
}

double lr_budget_laser_e(const lr_head *head, int module, int camera, int laser, double pixel, double range_m, double normal_rad, double reflectance)
{
    const lr_camera_def *c_def = &head->module[module].camera[camera];
    const lr_laser_def *l_def = &head->module[module].laser[laser];
    const lr_model_camera c = bare_camera(c_def);
    const lr_model_laser l = {.def = l_def, .x_m = l_def->placement.forward_m, .z_m = l_def->placement.height_m, .pitch_rad = l_def->placement.pitch_rad};
    const double ray_rad = lr_model_angle(&c, pixel);
    lr_target t = {.normal_rad = isnan(normal_rad) ? ray_rad + LR_PI : normal_rad, .reflectance = reflectance};
    lr_model_point(&c, ray_rad, range_m, &t.x_m, &t.z_m);
    if (l_def->mode == LR_LASER_FLOOD)
        return lr_model_flood_e(&c, &l, &t);
    if (!lr_model_lit(&l, t.x_m, t.z_m).inside)
        return 0.0;
    const int dotted = l_def->dots.count > 0 || l_def->dots.file[0];
    return lr_model_sheet_e(&c, &l, &t)*(1.0 - (dotted ? l_def->dots.zero_order : 0.0))/l_def->fan_rad;
}

double lr_budget_range_step_m(const lr_head *head, int module, int camera, int partner, double pixel, double range_m)
{
    const lr_model_camera c = bare_camera(&head->module[module].camera[camera]), p = bare_camera(&head->module[module].camera[partner]);
    const double ray_rad = lr_model_angle(&c, pixel);
    double x_m, z_m, baseline_m;
    lr_model_point(&c, ray_rad, range_m, &x_m, &z_m);
    const lr_seen eye = lr_model_see(&p, x_m, z_m);
    return eye.inside ? step_of(&p, &eye, ray_rad, &baseline_m) : (double)NAN;
}
