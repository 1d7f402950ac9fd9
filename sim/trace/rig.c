// SPDX-License-Identifier: Apache-2.0
#include "trace/rig.h"

#include <stdlib.h>

static lr_vec3 camera_ray(const lr_rig_camera *camera, double pixel, double across)
{
    return lr_rotate(camera->in_module.rotation, lr_camera_direction(camera->def, pixel, across));
}

static void fill_directions(lr_rig_camera *camera)
{
    for (int i = 0; i <= camera->pixels; i++)
        camera->edge[i] = lr_v3f_of(camera_ray(camera, i - 0.5, 0.0));
    for (int i = 0; i < camera->pixels; i++) {
        camera->center[i] = camera_ray(camera, i, 0.0);
        camera->across[i] = lr_v3f_of(lr_sub(camera_ray(camera, i, 0.5), camera_ray(camera, i, -0.5)));
    }
}

// The pupil as the pixel's central ray sees it: an ellipse f/N across the line and V(theta) f/N along it, so that its area is the etendue's,
// whether V is the cosine of a pupil fixed on the axis or the table of one that tilts towards the ray.
static lr_status fill_pupil(lr_rig_camera *camera, lr_error *err)
{
    const lr_lens *lens = &camera->def->lens;
    const double radius_m = 0.5*lens->focal_m/lens->f_number;
    if (!(lens->focus_m > 0.0))
        return LR_OK;
    camera->pupil = malloc(2*(size_t)camera->pixels*sizeof *camera->pupil);
    if (!camera->pupil)
        return lr_fail(err, LR_ERR_MEMORY, "head: out of memory");
    for (int i = 0; i < camera->pixels; i++) {
        const lr_vec3 side = lr_unit(lr_sub(camera_ray(camera, i, 0.5), camera_ray(camera, i, -0.5)));
        const double share = lr_lens_vignetting(lens, fabs(lr_camera_angle(camera->def, i)));
        camera->pupil[2*i] = lr_v3f_of(lr_mul(side, radius_m));
        camera->pupil[2*i + 1] = lr_v3f_of(lr_mul(lr_unit(lr_cross(camera->center[i], side)), radius_m*share));
    }
    return LR_OK;
}

// The laser line as seven points of a Gaussian: Gauss-Hermite nodes and weights for exp(-x^2).
// Source: Abramowitz & Stegun, table 25.10, n = 7 (from memory; the weights sum to sqrt(pi) in the test).
static const double hermite_x[4] = {0.0, 0.816287882858965, 1.673551628767471, 2.651961356835233};
static const double hermite_w[4] = {0.810264617556807, 0.425607252610128, 0.054515582819127, 0.000971781245100};

static double line_response(const lr_camera_def *camera, double pixel, const lr_laser_def *laser)
{
    const double line_m = lr_laser_line_m(laser), sigma = laser->line_width_m/2.3548200450309493;  // full width at half maximum of a Gaussian
    double sum = hermite_w[0]*lr_camera_response(camera, pixel, line_m);
    for (int k = 1; k < 4; k++) {
        const double step = sqrt(2.0)*sigma*hermite_x[k];
        sum += hermite_w[k]*(lr_camera_response(camera, pixel, line_m - step) +
                             lr_camera_response(camera, pixel, line_m + step));
    }
    return sum/sqrt(LR_PI);
}

static void fill_laser_response(lr_rig_camera *camera, const lr_rig_module *module)
{
    for (int l = 0; l < module->laser_count; l++)
        for (int i = 0; i < camera->pixels; i++)
            camera->laser_response[(size_t)l*camera->pixels + i] = (float)line_response(camera->def, i, module->laser[l].def);
}

// Electrons of a source's whole spectrum through lens, filter and sensor, bin by bin: midpoints fine enough for the
// steep sides of a filter.
static lr_status fill_ambient_response(lr_rig_camera *camera, const lr_rig *rig, lr_error *err)
{
    const int bins = rig->bins.ambient_count, sources = rig->scene->source_count;
    const double span_m = rig->bins.edge_m[bins] - rig->bins.edge_m[0];
    const int steps = camera->def->filter.present ? (int)ceil(span_m/bins/0.4e-9) : (int)ceil(span_m/bins/2e-9);
    double *power = malloc(sizeof *power*(size_t)(sources*bins*steps + 1));
    if (!power)
        return lr_fail(err, LR_ERR_MEMORY, "head: out of memory");
    for (int k = 0; k < sources; k++)
        for (int b = 0; b < bins; b++)
            for (int s = 0; s < steps; s++) {
                const double width_m = (rig->bins.edge_m[b + 1] - rig->bins.edge_m[b])/steps;
                power[(k*bins + b)*steps + s] =
                    width_m*lr_table_at(&rig->scene->source[k].spectrum, rig->bins.edge_m[b] + (s + 0.5)*width_m);
            }
    for (int i = 0; i < camera->pixels; i++)
        for (int b = 0; b < bins; b++)
            for (int s = 0; s < steps; s++) {
                const double width_m = (rig->bins.edge_m[b + 1] - rig->bins.edge_m[b])/steps;
                const double response = lr_camera_response(camera->def, i, rig->bins.edge_m[b] + (s + 0.5)*width_m);
                for (int k = 0; k < sources; k++)
                    camera->ambient_response[((size_t)k*camera->pixels + i)*bins + b] +=
                        (float)(response*power[(k*bins + b)*steps + s]);
            }
    free(power);
    return LR_OK;
}

static double floor_e2(const lr_camera_def *def)
{
    const lr_sensor_def *s = &def->sensor;
    return s->dark_current_e_per_s*def->exposure_s + s->read_noise_e*s->read_noise_e + 1.0/(12.0*s->gain_dn_per_e*s->gain_dn_per_e);
}

static lr_status build_camera(lr_rig_camera *camera, const lr_camera_def *def, const lr_rig *rig, const lr_rig_module *module, lr_error *err)
{
    const size_t pixels = (size_t)def->sensor.pixels;
    camera->def = def;
    camera->pixels = def->sensor.pixels;
    camera->in_module = lr_placement_pose(&def->placement, 1);
    camera->floor_e2 = (float)floor_e2(def);
    camera->center = malloc(pixels*sizeof *camera->center);
    camera->edge = malloc((pixels + 1)*sizeof *camera->edge);
    camera->across = malloc(pixels*sizeof *camera->across);
    camera->laser_response = calloc(pixels*(size_t)module->laser_count + 1, sizeof(float));
    camera->ambient_response =
        calloc(pixels*(size_t)(rig->scene->source_count*rig->bins.ambient_count) + 1, sizeof(float));
    if (!camera->center || !camera->edge || !camera->across || !camera->laser_response || !camera->ambient_response)
        return lr_fail(err, LR_ERR_MEMORY, "head: out of memory");
    fill_directions(camera);
    LR_TRY(fill_pupil(camera, err));
    fill_laser_response(camera, module);
    return fill_ambient_response(camera, rig, err);
}

static lr_status build_module(lr_rig_module *module, const lr_module_def *def, const lr_rig *rig, lr_error *err)
{
    module->camera = calloc((size_t)def->camera_count + 1, sizeof *module->camera);
    module->laser = calloc((size_t)def->laser_count + 1, sizeof *module->laser);
    if (!module->camera || !module->laser)
        return lr_fail(err, LR_ERR_MEMORY, "head: out of memory");
    for (int i = 0; i < def->laser_count; i++) {
        lr_rig_laser *laser = &module->laser[module->laser_count++];
        laser->def = &def->laser[i];
        laser->in_module = lr_placement_pose(&laser->def->placement, 1);
        laser->sheet = (lr_sheet){laser->def->thickness_m, laser->def->divergence_rad};
        laser->bin = lr_bins_of_line(&rig->bins, laser->def->wavelength_m);
        LR_TRY(lr_laser_pattern(laser->def, rig->head->folder, &laser->dots, err));
    }
    for (int i = 0; i < def->camera_count; i++)
        LR_TRY(build_camera(&module->camera[module->camera_count++], &def->camera[i], rig, module, err));
    return LR_OK;
}

lr_status lr_rig_create(const lr_head *head, const lr_scene *scene, lr_rig **out, lr_error *err)
{
    *out = NULL;
    lr_rig *rig = calloc(1, sizeof *rig);
    if (!rig)
        return lr_fail(err, LR_ERR_MEMORY, "head: out of memory");
    rig->head = head;
    rig->scene = scene;
    rig->head_pose = scene->head_pose;
    rig->module = calloc((size_t)head->module_count + 1, sizeof *rig->module);
    lr_status status = rig->module ? lr_head_bins(head, &rig->bins, err) : lr_fail(err, LR_ERR_MEMORY, "head: out of memory");
    for (int m = 0; status == LR_OK && m < head->module_count; m++)
        status = build_module(&rig->module[rig->module_count++], &head->module[m], rig, err);
    if (status != LR_OK)
        lr_rig_destroy(rig);
    else
        *out = rig;
    return status;
}

void lr_rig_destroy(lr_rig *rig)
{
    if (!rig)
        return;
    for (int m = 0; m < rig->module_count; m++) {
        lr_rig_module *module = &rig->module[m];
        for (int i = 0; i < module->camera_count; i++) {
            lr_rig_camera *camera = &module->camera[i];
            free(camera->center);
            free(camera->edge);
            free(camera->across);
            free(camera->pupil);
            free(camera->laser_response);
            free(camera->ambient_response);
        }
        for (int i = 0; i < module->laser_count; i++)
            lr_dots_destroy(module->laser[i].dots);
        free(module->camera);
        free(module->laser);
    }
    free(rig->module);
    free(rig);
}

lr_rig_moment lr_rig_at(const lr_rig *rig, int module, double time_s)
{
    const lr_spin *spin = &rig->head->spin;
    lr_rig_moment moment = {.time_s = time_s};
    moment.pose = lr_pose_mul(rig->head_pose, lr_head_module_pose(rig->head, module, lr_spin_angle(spin, time_s), 1));
    const lr_mat3 tilt = lr_mat3_mul(lr_rotation_y(spin->axis_error_rad[1]), lr_rotation_x(spin->axis_error_rad[0]));
    moment.axis = lr_rotate(rig->head_pose.rotation, tilt.z);
    moment.pivot = rig->head_pose.origin;
    moment.rate_rad_s = lr_spin_angle(spin, 1.0);
    return moment;
}
