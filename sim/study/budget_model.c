// SPDX-License-Identifier: Apache-2.0
// The head cut down to its module planes, with what does not depend on range worked out once.
#include "study/budget_model.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "optics/spectrum.h"

#define PASS_FRACTION 1e-3     // of a filter's peak, where its band is said to end
#define FILTERED_STEP_M 0.5e-9
#define OPEN_STEP_M 4e-9
#define NO_FILTER_LO_M 300e-9  // light outside 300 .. 1100 nm is not counted
#define NO_FILTER_HI_M 1100e-9
#define JOIN 1.65              // of small and large pixels: nearest to the full integral over the pixel, 8 % off at worst

// ---- Geometry -----------------------------------------------------------------------------------------------------

static double wrap(double a) { return remainder(a, 2.0*LR_PI); }

double lr_model_angle(const lr_model_camera *c, double pixel) { return c->pitch_rad - lr_camera_angle(c->def, pixel); }

void lr_model_point(const lr_model_camera *c, double angle_rad, double range_m, double *x_m, double *z_m)
{
    *x_m = c->x_m + range_m*cos(angle_rad);
    *z_m = c->z_m + range_m*sin(angle_rad);
}

lr_seen lr_model_see(const lr_model_camera *c, double x_m, double z_m)
{
    const double x = x_m - c->x_m, z = z_m - c->z_m;
    lr_seen s = {.range_m = hypot(x, z), .angle_rad = atan2(z, x)};
    s.theta_rad = wrap(s.angle_rad - c->pitch_rad);
    double across;
    s.inside = lr_camera_project(c->def, lr_v3(cos(s.theta_rad), 0, sin(s.theta_rad)), &s.pixel, &across) &&
               s.pixel >= -0.5 && s.pixel <= c->def->sensor.pixels - 0.5 && fabs(s.theta_rad) <= c->theta_max_rad;
    return s;
}

lr_seen lr_model_lit(const lr_model_laser *l, double x_m, double z_m)
{
    const double x = x_m - l->x_m, z = z_m - l->z_m;
    lr_seen s = {.range_m = hypot(x, z), .angle_rad = atan2(z, x)};
    s.theta_rad = wrap(s.angle_rad - l->pitch_rad);
    s.inside = l->def->mode != LR_LASER_OFF && l->def->power_w > 0.0 && fabs(s.theta_rad) <= 0.5*l->def->fan_rad;
    return s;
}

double lr_model_along(const lr_model_camera *c, double theta_rad) { return lr_lens_along(&c->def->lens, fabs(theta_rad), c->def->sensor.pitch_m); }
double lr_model_across(const lr_model_camera *c, double theta_rad) { return lr_lens_across(&c->def->lens, fabs(theta_rad), c->def->sensor.width_m); }

// ---- Cameras ------------------------------------------------------------------------------------------------------

static void band_of(const lr_camera_def *def, double theta_max_rad, double *lo_m, double *hi_m, double *step_m)
{
    const lr_filter *f = &def->filter;
    double unused;
    *lo_m = NO_FILTER_LO_M;
    *hi_m = NO_FILTER_HI_M;
    *step_m = OPEN_STEP_M;
    if (!f->present)
        return;
    const double edge = f->angle_factor*theta_max_rad > 0.5*LR_PI ? 0.5*LR_PI/f->angle_factor : theta_max_rad;
    lr_filter_band(f, edge, PASS_FRACTION, lo_m, &unused);
    lr_filter_band(f, 0.0, PASS_FRACTION, &unused, hi_m);
    *lo_m = fmax(*lo_m, NO_FILTER_LO_M);
    *hi_m = fmax(fmin(*hi_m, NO_FILTER_HI_M), *lo_m);
    *step_m = fmin(FILTERED_STEP_M, def->filter.width_m/40.0);
    if ((*hi_m - *lo_m)/ *step_m > 2000.0)
        *step_m = (*hi_m - *lo_m)/2000.0;
}

// Line's pixel coordinate of a field angle, and back, without the sign of the side.
static double pixel_of(const lr_camera_def *def, double theta_rad)
{
    return 0.5*(def->sensor.pixels - 1) + lr_lens_radius(&def->lens, theta_rad)/def->sensor.pitch_m;
}

static void fill_light(lr_model_camera *c, const lr_model_lights *lights, int light)
{
    double lo_m, hi_m, step_m;
    band_of(c->def, c->theta_max_rad, &lo_m, &hi_m, &step_m);
    const int steps = (int)ceil((hi_m - lo_m)/step_m);
    const double width_m = steps > 0 ? (hi_m - lo_m)/steps : 0.0;
    for (int n = 0; n < c->nodes; n++) {
        const double pixel = pixel_of(c->def, c->theta_max_rad*n/(c->nodes - 1)*(1.0 - 1e-12));
        for (int s = 0; s < steps; s++) {
            const double lambda_m = lo_m + (s + 0.5)*width_m, response = lr_camera_response(c->def, pixel, lambda_m)*width_m/LR_PI;
            for (int k = 0; k < LR_LIGHTS_COUNT; k++)
                if ((light < 0 || k == light) && lights->irradiance[k].count)
                    c->light_e[k][n] += response*lr_table_at(&lights->irradiance[k], lambda_m);
        }
    }
}

double lr_model_light_e(const lr_model_camera *c, int light, double theta_rad, double reflectance)
{
    const double at = fabs(theta_rad)/c->theta_max_rad*(c->nodes - 1);
    const int n = (int)fmin(fmax(at, 0.0), c->nodes - 2);
    const double f = fmin(at - n, 1.0);
    return reflectance*((1.0 - f)*c->light_e[light][n] + f*c->light_e[light][n + 1]);
}

double lr_budget_ambient_e(const lr_camera_def *camera, double pixel, const lr_table *irradiance, double reflectance)
{
    double lo_m, hi_m, step_m, sum = 0.0;
    band_of(camera, fabs(lr_camera_angle(camera, pixel)), &lo_m, &hi_m, &step_m);
    const int steps = (int)ceil((hi_m - lo_m)/step_m);
    for (int s = 0; s < steps; s++) {
        const double lambda_m = lo_m + (s + 0.5)*(hi_m - lo_m)/steps;
        sum += lr_camera_response(camera, pixel, lambda_m)*lr_table_at(irradiance, lambda_m);
    }
    return steps > 0 ? reflectance/LR_PI*sum*(hi_m - lo_m)/steps : 0.0;
}

static void make_camera(lr_model_camera *c, const lr_camera_def *def, int nodes)
{
    const lr_sensor_def *s = &def->sensor;
    *c = (lr_model_camera){.def = def, .x_m = def->placement.forward_m, .z_m = def->placement.height_m, .pitch_rad = def->placement.pitch_rad, .nodes = nodes};
    c->theta_max_rad = fabs(lr_camera_angle(def, -0.5));
    if (!(c->theta_max_rad >= 0.0))
        c->theta_max_rad = lr_lens_theta_max(&def->lens);
    c->saturation_e = fmin(s->full_well_e, (ldexp(1.0, s->bits) - 1.0 - s->offset_dn)/s->gain_dn_per_e);
    c->floor_e2 = s->read_noise_e*s->read_noise_e + 1.0/(12.0*s->gain_dn_per_e*s->gain_dn_per_e) + s->dark_current_e_per_s*def->exposure_s;
}

// ---- Lasers -------------------------------------------------------------------------------------------------------

static int same_pattern(const lr_laser_def *a, const lr_laser_def *b)
{
    return a->fan_rad == b->fan_rad && a->dots.count == b->dots.count && a->dots.seed == b->dots.seed && a->dots.size_rad == b->dots.size_rad &&
           a->dots.zero_order == b->dots.zero_order && a->dots.background == b->dots.background && a->dots.jitter == b->dots.jitter &&
           a->dots.spread == b->dots.spread && strcmp(a->dots.file, b->dots.file) == 0;
}

static lr_status make_laser(lr_model_laser *l, const lr_laser_def *def, const char *folder, const lr_model_laser *like, lr_error *err)
{
    *l = (lr_model_laser){.def = def, .x_m = def->placement.forward_m, .z_m = def->placement.height_m, .pitch_rad = def->placement.pitch_rad};
    if (like && same_pattern(like->def, def)) {
        l->pattern = like->pattern;
        l->borrowed = 1;
    } else {
        LR_TRY(lr_laser_pattern(def, folder, &l->pattern, err));
    }
    const int dotted = def->dots.count > 0 || def->dots.file[0];
    const double zero = dotted ? def->dots.zero_order : 0.0, background = dotted ? def->dots.background : 1.0;
    l->dots = dotted ? lr_dots_count(l->pattern) : 0;
    l->mean_per_rad = (1.0 - zero)/def->fan_rad;
    l->background_per_rad = background/def->fan_rad;
    if (l->dots > 0) {
        l->dot_share = (1.0 - zero - background)/l->dots;
        l->dot_rad = 0.25*def->dots.size_rad;
        l->spacing_rad = def->fan_rad/l->dots;
    }
    return LR_OK;
}

// ---- Speckle ------------------------------------------------------------------------------------------------------

double lr_budget_speckle_contrast(const lr_camera_def *camera, double wavelength_m, double drag_m)
{
    const double p = camera->sensor.pitch_m, unit = wavelength_m*camera->lens.f_number, area = 4.0/LR_PI*unit*unit;
    // A box dragged along: the widest of both, and a third of the other's share more.
    const double w = camera->sensor.width_m, wide = fmax(w, drag_m), less = fmin(w, drag_m), folded = wide/(1.0 - less/(3.0*wide));
    const double along = pow(1.0 + pow(p*p/area, 0.5*JOIN), 1.0/JOIN), across = pow(1.0 + pow(folded*folded/area, 0.5*JOIN), 1.0/JOIN);
    return 1.0/sqrt(2.0*along*across);
}

static double camera_speckle2(const lr_head *head, const lr_camera_def *c, const lr_laser_def *l)
{
    const double drag_m = c->lens.focal_m*2.0*LR_PI*head->spin.rev_per_s*c->exposure_s, contrast = lr_budget_speckle_contrast(c, l->wavelength_m, drag_m);
    return contrast*contrast;
}

// ---- Whole --------------------------------------------------------------------------------------------------------

static lr_status make_module(lr_model *model, int index, const lr_model *like, int light, int nodes, lr_error *err)
{
    lr_model_module *m = &model->module[index];
    const lr_module_def *def = &model->head->module[index];
    m->def = def;
    m->partner = def->camera_count > 1 ? 1 : -1;   // as the renderer pairs them
    for (int c = 0; c < def->camera_count; c++) {
        make_camera(&m->camera[c], &def->camera[c], nodes);
        fill_light(&m->camera[c], model->lights, light);
        for (int l = 0; l < def->laser_count; l++)
            m->speckle2[c][l] = camera_speckle2(model->head, &def->camera[c], &def->laser[l]);
    }
    for (int l = 0; l < def->laser_count; l++)
        LR_TRY(make_laser(&m->laser[l], &def->laser[l], model->head->folder, like ? &like->module[index].laser[l] : NULL, err));
    return LR_OK;
}

lr_status lr_model_create(const lr_head *head, const lr_budget_def *def, const lr_model_lights *lights, const lr_model *like, int nodes, int light,
                          lr_model **out, lr_error *err)
{
    *out = NULL;
    lr_model *model = calloc(1, sizeof *model);
    if (!model)
        return lr_fail(err, LR_ERR_MEMORY, "budget: out of memory");
    model->head = head;
    model->def = def;
    model->lights = lights;
    model->module_count = head->module_count;
    lr_status s = LR_OK;
    for (int m = 0; s == LR_OK && m < head->module_count; m++)
        s = make_module(model, m, like, light, nodes, err);
    if (s != LR_OK) {
        lr_model_destroy(model);
        return s;
    }
    *out = model;
    return LR_OK;
}

void lr_model_destroy(lr_model *model)
{
    for (int m = 0; model && m < model->module_count; m++)
        for (int l = 0; l < LR_MAX_LASERS; l++)
            if (!model->module[m].laser[l].borrowed)
                lr_dots_destroy(model->module[m].laser[l].pattern);
    free(model);
}
