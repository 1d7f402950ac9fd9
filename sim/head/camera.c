// SPDX-License-Identifier: Apache-2.0
#include "head/camera.h"

#include <assert.h>
#include <string.h>

#include "head/limits.h"
#include "optics/spectrum.h"

#define COUNT(array) ((int)(sizeof (array)/sizeof (array)[0]))

#define EDGE_M 1000.0  // rectilinear and stereographic images have no edge; further out a double cannot tell pixels apart

// The image is described as the scene sees it, not upside down: v up along the line, q across towards +y [m].
// A point at distance r from the image centre belongs to a ray at the angle theta(r) off the axis, in the same azimuth
// around the axis; so a lens that is given along the line only also says where points beside the line lie.

lr_pose lr_placement_pose(const lr_placement *p, int as_built)
{
    const lr_pose nominal = {lr_rotation_y(-p->pitch_rad), {p->forward_m, p->side_m, p->height_m}};
    if (!as_built)
        return nominal;
    const double *turn = p->error_rotate_rad, *move = p->error_offset_m;
    const lr_pose error = {lr_rotation_xyz(lr_v3(turn[0], turn[1], turn[2])), {move[0], move[1], move[2]}};
    return lr_pose_mul(nominal, error);
}

lr_status lr_placement_check(const lr_placement *p, lr_error *err)
{
    const double far_m = LR_PLACEMENT_MAX_M, turn = LR_PI, bend = LR_ERROR_MAX_RAD;
    const double *move = p->error_offset_m, *rotate = p->error_rotate_rad;
    const lr_limit limits[] = {
        {"forward_m", p->forward_m, -far_m, far_m, 0},
        {"side_m", p->side_m, -far_m, far_m, 0},
        {"height_m", p->height_m, -far_m, far_m, 0},
        {"pitch_rad", p->pitch_rad, -turn, turn, 0},
        {"error_offset_m[0]", move[0], -far_m, far_m, 0},
        {"error_offset_m[1]", move[1], -far_m, far_m, 0},
        {"error_offset_m[2]", move[2], -far_m, far_m, 0},
        {"error_rotate_rad[0]", rotate[0], -bend, bend, 0},
        {"error_rotate_rad[1]", rotate[1], -bend, bend, 0},
        {"error_rotate_rad[2]", rotate[2], -bend, bend, 0},
    };
    return lr_limits_check(limits, COUNT(limits), err);
}

lr_status lr_part_name_check(const char *name, lr_error *err)
{
    static const char *const taken[] = {"truth", "depth", "preview", "lines", "scan", "calibration"};
    const char *fine = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-";
    if (!name[0] || name[0] == '-' || name[strspn(name, fine)])
        return lr_fail(err, LR_ERR_RANGE, "\"%s\" is not made of letters, digits, _ and -: it becomes a file name", name);
    for (int i = 0; i < COUNT(taken); i++)
        if (strcmp(name, taken[i]) == 0)
            return lr_fail(err, LR_ERR_RANGE, "\"%s\" is a name that scans use for something else", name);
    return LR_OK;
}

lr_camera_def lr_camera_def_default(void)
{
    lr_camera_def def = {.exposure_s = 100e-6};
    strcpy(def.name, "camera");
    def.lens = lr_lens_default();
    def.lens.projection = LR_PROJECTION_EQUIDISTANT;
    def.lens.focal_m = 3.4e-3;
    def.lens.transmission = 0.85;
    def.filter = lr_filter_default();
    def.sensor = (lr_sensor_def){
        .pixels = 2048, .pitch_m = 3.5e-6, .width_m = 14e-6, .full_well_e = 20000, .read_noise_e = 8,
        .dark_current_e_per_s = 200, .bits = 12, .gain_dn_per_e = 0.19, .offset_dn = 64, .prnu = 0.01, .dsnu_e = 3,
        .line_offset_e = 1,
    };
    return def;
}

lr_status lr_sensor_def_check(const lr_sensor_def *s, lr_error *err)
{
    const lr_limit limits[] = {
        {"sensor.pixels", s->pixels, 1, 65536, 0},
        {"sensor.pitch_m", s->pitch_m, 0, 1e-3, 1},
        {"sensor.width_m", s->width_m, 0, 1e-2, 1},
        {"sensor.full_well_e", s->full_well_e, 0, 1e9, 1},
        {"sensor.read_noise_e", s->read_noise_e, 0, 1e6, 0},
        {"sensor.dark_current_e_per_s", s->dark_current_e_per_s, 0, 1e9, 0},
        {"sensor.bits", s->bits, 8, 16, 0},
        {"sensor.gain_dn_per_e", s->gain_dn_per_e, 0, 1e4, 1},
        {"sensor.offset_dn", s->offset_dn, 0, 65535, 0},
        {"sensor.prnu", s->prnu, 0, 0.5, 0},
        {"sensor.dsnu_e", s->dsnu_e, 0, 1e6, 0},
        {"sensor.line_offset_e", s->line_offset_e, 0, 1e6, 0},
        {"sensor.defect_share", s->defect_share, 0, 0.5, 0},
    };
    LR_TRY(lr_limits_check(limits, COUNT(limits), err));
    const int top_dn = (1 << s->bits) - 1;
    if (!(s->offset_dn < top_dn))
        return lr_fail(err, LR_ERR_RANGE, "sensor.offset_dn: %.15g is not below the highest value of %d bits, %d",
                       s->offset_dn, s->bits, top_dn);
    for (int i = 0; i < s->quantum_efficiency.count; i++) {
        const double qe = s->quantum_efficiency.y[i];
        if (!(qe >= 0.0 && qe <= 1.0))
            return lr_fail(err, LR_ERR_RANGE, "sensor.quantum_efficiency: %.15g is not in 0 .. 1", qe);
    }
    return LR_OK;
}

double lr_sensor_qe(const lr_sensor_def *sensor, double lambda_m)
{
    if (sensor->quantum_efficiency.count > 0)
        return lr_table_at(&sensor->quantum_efficiency, lambda_m);
    return lr_curve_at(lr_qe_find(LR_SENSOR_QE_DEFAULT), lambda_m);
}

lr_status lr_camera_def_check(const lr_camera_def *def, lr_error *err)
{
    const lr_limit limits[] = {
        {"blur_px", def->blur_px, 0, 100, 0},
        {"veiling_share", def->veiling_share, 0, 1, 0},
        {"exposure_s", def->exposure_s, 0, 1, 1},
    };
    LR_TRY(lr_placement_check(&def->placement, err));
    // Pixels beyond the lens's image are allowed: they are dark, as on a real sensor larger than the image circle.
    lr_status s = lr_lens_check(&def->lens, 0.0, err);
    if (s != LR_OK)
        return lr_fail_prefix(err, s, "lens");
    s = lr_filter_check(&def->filter, err);
    if (s != LR_OK)
        return lr_fail_prefix(err, s, "filter");
    LR_TRY(lr_sensor_def_check(&def->sensor, err));
    return lr_limits_check(limits, COUNT(limits), err);
}

static double line_centre(const lr_sensor_def *sensor) { return 0.5*(sensor->pixels - 1); }

lr_vec3 lr_camera_direction(const lr_camera_def *camera, double pixel, double across)
{
    const lr_sensor_def *s = &camera->sensor;
    const double v_m = (line_centre(s) - pixel)*s->pitch_m, q_m = across*s->width_m;
    const double r_m = sqrt(v_m*v_m + q_m*q_m);
    const double theta_rad = lr_lens_theta(&camera->lens, r_m);
    if (r_m == 0.0)
        return lr_v3(1, 0, 0);
    const double side = sin(theta_rad)/r_m;
    return lr_v3(cos(theta_rad), side*q_m, side*v_m);
}

int lr_camera_project_polar(const lr_camera_def *camera, lr_vec3 d, double side, double theta_rad, double *pixel, double *across)
{
    const lr_sensor_def *s = &camera->sensor;
    if (!(side > 0.0) && !(d.x > 0.0))  // no direction at all, or straight back: no azimuth to put it at
        return 0;
    const double r_m = lr_lens_radius(&camera->lens, theta_rad);
    if (!(r_m < EDGE_M))
        return 0;
    const double share = side > 0.0 ? r_m/side : 0.0;
    *pixel = line_centre(s) - share*d.z/s->pitch_m;
    *across = share*d.y/s->width_m;
    return 1;
}

int lr_camera_project(const lr_camera_def *camera, lr_vec3 d, double *pixel, double *across)
{
    const double side = sqrt(d.y*d.y + d.z*d.z);
    return lr_camera_project_polar(camera, d, side, atan2(side, d.x), pixel, across);
}

double lr_camera_angle(const lr_camera_def *camera, double pixel)
{
    return lr_lens_theta(&camera->lens, (pixel - line_centre(&camera->sensor))*camera->sensor.pitch_m);
}

double lr_camera_response(const lr_camera_def *camera, double pixel, double lambda_m)
{
    const lr_sensor_def *s = &camera->sensor;
    const double theta_rad = fabs(lr_camera_angle(camera, pixel));
    if (!(theta_rad >= 0.0))
        return 0.0;
    const double etendue_m2_sr = lr_lens_etendue(&camera->lens, theta_rad, s->pitch_m, s->width_m);
    const double share = camera->lens.transmission*lr_filter_transmission(&camera->filter, lambda_m, theta_rad)
                         *lr_sensor_qe(s, lambda_m);
    return etendue_m2_sr*share*camera->exposure_s/lr_photon_energy_j(lambda_m);
}
