// SPDX-License-Identifier: Apache-2.0
// Rules of a calibration in memory, and the camera's pixel-to-angle law. Reading and writing is in calibration_json.c.
#include "scan/calibration.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define UNIT_LENGTH 1e-9  // a quaternion further from unit length than this is a mistake, not rounding

lr_transform lr_transform_identity(void)
{
    return (lr_transform){{0, 0, 0}, {0, 0, 0, 1}};
}

lr_transform lr_transform_from_pose(lr_pose pose)
{
    return (lr_transform){pose.origin, lr_quat_from_mat3(pose.rotation)};
}

lr_pose lr_transform_pose(const lr_transform *transform)
{
    return (lr_pose){lr_mat3_from_quat(transform->rotation), transform->origin_m};
}

double lr_cal_camera_angle(const lr_cal_camera *camera, double pixel)
{
    const double r_m = (pixel - 0.5*(camera->pixels - 1))*camera->pitch_m;
    return lr_lens_theta(&camera->lens, r_m);
}

double lr_cal_camera_pixel(const lr_cal_camera *camera, double angle_rad)
{
    return lr_lens_radius(&camera->lens, angle_rad)/camera->pitch_m + 0.5*(camera->pixels - 1);
}

lr_vec3 lr_cal_camera_direction(const lr_cal_camera *camera, double pixel)
{
    const double angle = lr_cal_camera_angle(camera, pixel);
    return lr_v3(cos(angle), 0.0, -sin(angle));
}

lr_status lr_scan_name_check(const char *what, const char *name, lr_error *err)
{
    static const char allowed[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-";
    const size_t length = strlen(name);
    if (length == 0 || length > 63 || strspn(name, allowed) != length)
        return lr_fail(err, LR_ERR_RANGE, "%s: \"%.64s\" cannot name a file: use 1 to 63 letters, digits, _ and -", what, name);
    return LR_OK;
}

typedef struct lr_place { char text[64]; } lr_place;  // "modules[0].cameras[1]"

// Checks one value; `rule` completes "VALUE is ...".
static lr_status need(int good, const lr_place *place, const char *key, double value, const char *rule, lr_error *err)
{
    return good ? LR_OK : lr_fail(err, LR_ERR_RANGE, "%s%s%s: %.10g is %s", place->text, place->text[0] ? "." : "", key, value, rule);
}

static lr_status need_above(const lr_place *place, const char *key, double value, lr_error *err)
{
    return need(value > 0 && isfinite(value), place, key, value, "not above 0", err);
}

static lr_status need_from_zero(const lr_place *place, const char *key, double value, lr_error *err)
{
    return need(value >= 0 && isfinite(value), place, key, value, "not 0 or more", err);
}

static lr_status need_share(const lr_place *place, const char *key, double value, lr_error *err)
{
    return need(value >= 0 && value <= 1, place, key, value, "not in 0 .. 1", err);
}

static lr_status check_pose(const lr_place *place, const lr_transform *pose, lr_error *err)
{
    const lr_quat q = pose->rotation;
    const double length = sqrt(q.x*q.x + q.y*q.y + q.z*q.z + q.w*q.w), distance = lr_length(pose->origin_m);
    LR_TRY(need(isfinite(distance), place, "pose.t_m", distance, "not finite", err));
    return need(fabs(length - 1.0) <= UNIT_LENGTH, place, "pose.q_xyzw", length, "not of unit length", err);
}

static lr_status check_camera(const lr_place *place, const lr_cal_camera *camera, lr_error *err)
{
    LR_TRY(lr_scan_name_check(place->text, camera->name, err));
    if (strcmp(camera->name, "lines") == 0)
        return lr_fail(err, LR_ERR_RANGE, "%s.name: \"lines\" is taken by lines.npy", place->text);
    LR_TRY(check_pose(place, &camera->pose, err));
    const lr_status status = lr_lens_check(&camera->lens, 0.0, err);
    if (status != LR_OK)
        return lr_fail_prefix(err, status, place->text);
    LR_TRY(need(camera->pixels >= 1 && camera->pixels <= 65536, place, "pixels", camera->pixels, "not in 1 .. 65536", err));
    LR_TRY(need_above(place, "pitch_m", camera->pitch_m, err));
    LR_TRY(need_above(place, "width_m", camera->width_m, err));
    LR_TRY(need_above(place, "exposure_s", camera->exposure_s, err));
    LR_TRY(need(camera->bits >= 8 && camera->bits <= 16, place, "bits", camera->bits, "not in 8 .. 16", err));
    LR_TRY(need_above(place, "gain_dn_per_e", camera->gain_dn_per_e, err));
    LR_TRY(need(isfinite(camera->offset_dn), place, "offset_dn", camera->offset_dn, "not finite", err));
    LR_TRY(need_from_zero(place, "read_noise_e", camera->read_noise_e, err));
    return need_above(place, "full_well_e", camera->full_well_e, err);
}

static lr_status check_dots(const lr_place *place, const lr_cal_dots *dots, lr_error *err)
{
    LR_TRY(need(dots->count >= 0, place, "dots", dots->count, "not a number of dots", err));
    for (int i = 0; i < dots->count; i++) {
        const double alpha = dots->alpha_rad[i], before = i ? dots->alpha_rad[i - 1] : -LR_PI;
        LR_TRY(need(fabs(alpha) <= LR_PI, place, "dots.alpha_rad", alpha, "not in -pi .. pi", err));
        LR_TRY(need(alpha >= before, place, "dots.alpha_rad", alpha, "below the one before it", err));
        LR_TRY(need_from_zero(place, "dots.weight", dots->weight[i], err));
    }
    if (dots->count > 0 && dots->profile.count > 0)
        return lr_fail(err, LR_ERR_RANGE, "%s.dots: a list of dots and a profile exclude each other", place->text);
    if (dots->count > 0)
        LR_TRY(need_above(place, "dots.size_rad", dots->size_rad, err));
    LR_TRY(need_from_zero(place, "dots.size_rad", dots->size_rad, err));
    LR_TRY(need_share(place, "dots.zero_order", dots->zero_order, err));
    return need_share(place, "dots.background", dots->background, err);
}

static lr_status check_laser(const lr_place *place, const lr_cal_laser *laser, lr_error *err)
{
    LR_TRY(lr_scan_name_check(place->text, laser->name, err));
    LR_TRY(check_pose(place, &laser->pose, err));
    LR_TRY(need((int)laser->mode >= 0 && laser->mode <= LR_CAL_OFF, place, "mode", laser->mode, "not a mode", err));
    LR_TRY(need_above(place, "wavelength_m", laser->wavelength_m, err));
    LR_TRY(need_from_zero(place, "power_w", laser->power_w, err));
    LR_TRY(need(laser->fan_rad > 0 && laser->fan_rad <= 2*LR_PI, place, "fan_rad", laser->fan_rad, "not above 0 and up to 2 pi", err));
    LR_TRY(need(laser->flood_rad >= 0 && laser->flood_rad <= 2*LR_PI, place, "flood_rad", laser->flood_rad, "not in 0 .. 2 pi", err));
    LR_TRY(need_above(place, "thickness_m", laser->thickness_m, err));
    LR_TRY(need_from_zero(place, "divergence_rad", laser->divergence_rad, err));
    return check_dots(place, &laser->dots, err);
}

// Whether two parts of one module, or two modules, would share a name.
static lr_status check_apart(const lr_place *place, const char *name, const char *other, lr_error *err)
{
    if (strcmp(name, other) == 0)
        return lr_fail(err, LR_ERR_RANGE, "%s.name: \"%s\" is taken", place->text, name);
    return LR_OK;
}

static lr_status check_module(const lr_calibration *calibration, int m, lr_error *err)
{
    static const char *const taken[] = {"truth", "depth", "preview", "progress"};
    const lr_cal_module *module = &calibration->module[m];
    lr_place place;
    snprintf(place.text, sizeof place.text, "modules[%d]", m);
    LR_TRY(lr_scan_name_check(place.text, module->name, err));
    for (size_t i = 0; i < sizeof taken/sizeof *taken; i++)
        LR_TRY(check_apart(&place, module->name, taken[i], err));
    for (int i = 0; i < m; i++)
        LR_TRY(check_apart(&place, module->name, calibration->module[i].name, err));
    LR_TRY(check_pose(&place, &module->pose, err));
    LR_TRY(need(module->camera_count >= 1 && module->camera_count <= LR_CAL_MAX_PARTS, &place, "cameras", module->camera_count,
                "not in 1 .. 8", err));
    LR_TRY(need(module->laser_count >= 0 && module->laser_count <= LR_CAL_MAX_PARTS, &place, "lasers", module->laser_count,
                "not in 0 .. 8", err));

    for (int i = 0; i < module->camera_count; i++) {
        snprintf(place.text, sizeof place.text, "modules[%d].cameras[%d]", m, i);
        LR_TRY(check_camera(&place, &module->camera[i], err));
        for (int k = 0; k < i; k++)
            LR_TRY(check_apart(&place, module->camera[i].name, module->camera[k].name, err));
    }
    for (int i = 0; i < module->laser_count; i++) {
        snprintf(place.text, sizeof place.text, "modules[%d].lasers[%d]", m, i);
        LR_TRY(check_laser(&place, &module->laser[i], err));
        for (int k = 0; k < i; k++)
            LR_TRY(check_apart(&place, module->laser[i].name, module->laser[k].name, err));
        for (int k = 0; k < module->camera_count; k++)
            LR_TRY(check_apart(&place, module->laser[i].name, module->camera[k].name, err));
    }
    return LR_OK;
}

lr_status lr_calibration_check(const lr_calibration *calibration, lr_error *err)
{
    assert(calibration);
    const lr_place top = {""}, spin = {"spin"};
    LR_TRY(need(calibration->head[0] != '\0', &top, "head", 0, "not a name", err));
    LR_TRY(need_above(&spin, "rev_per_s", calibration->spin.rev_per_s, err));
    LR_TRY(need(calibration->spin.lines_per_rev >= 1 && calibration->spin.lines_per_rev <= 1000000, &spin, "lines_per_rev",
                calibration->spin.lines_per_rev, "not in 1 .. 1000000", err));
    LR_TRY(need(calibration->spin.encoder_counts_per_rev >= 0, &spin, "encoder_counts_per_rev",
                calibration->spin.encoder_counts_per_rev, "not 0 or more", err));
    LR_TRY(need(calibration->module_count >= 1 && calibration->module_count <= LR_CAL_MAX_MODULES, &top, "modules",
                calibration->module_count, "not in 1 .. 16", err));
    for (int m = 0; m < calibration->module_count; m++)
        LR_TRY(check_module(calibration, m, err));
    return LR_OK;
}
