// SPDX-License-Identifier: Apache-2.0
#include "head/head.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "head/limits.h"

#define COUNT(array) ((int)(sizeof (array)/sizeof (array)[0]))
#define PASS_FRACTION 1e-3     // where a pass band is said to end; a Gaussian band keeps all but 2e-4 of its light inside
#define NARROW_M 120e-9        // pass bands up to this are one ambient bin
#define SAME_LINE_M 1e-12      // laser lines closer than this share a bin

// ---- Poses ------------------------------------------------------------------------------------------------------

lr_pose lr_head_module_pose(const lr_head *head, int module, double angle_rad, int as_built)
{
    assert(head && module >= 0 && module < head->module_count);
    const lr_module_def *m = &head->module[module];
    const lr_pose turned = {lr_rotation_z(angle_rad + m->azimuth_rad), {0, 0, 0}};
    const lr_placement place = {
        .forward_m = m->radius_m, .height_m = m->height_m, .pitch_rad = m->pitch_rad,
        .error_offset_m = {m->error_offset_m[0], m->error_offset_m[1], m->error_offset_m[2]},
        .error_rotate_rad = {m->error_rotate_rad[0], m->error_rotate_rad[1], m->error_rotate_rad[2]},
    };
    const lr_pose pose = lr_pose_mul(turned, lr_placement_pose(&place, as_built));
    if (!as_built)
        return pose;
    const double *tilt = head->spin.axis_error_rad;  // fixed to the head: the rotor turns about the tilted axis
    const lr_pose axis = {lr_rotation_xyz(lr_v3(tilt[0], tilt[1], 0)), {0, 0, 0}};
    return lr_pose_mul(axis, pose);
}

int64_t lr_head_line_count(const lr_head *head)
{
    return llround(head->spin.lines_per_rev*head->spin.revolutions);
}

// ---- Checks -----------------------------------------------------------------------------------------------------

lr_spin lr_spin_default(void)
{
    return (lr_spin){.rev_per_s = 2, .lines_per_rev = 3600, .revolutions = 1};
}

lr_status lr_spin_check(const lr_spin *s, lr_error *err)
{
    const double bend = LR_ERROR_MAX_RAD;
    const lr_limit limits[] = {
        {"spin.rev_per_s", s->rev_per_s, 0, 1000, 1},
        {"spin.lines_per_rev", s->lines_per_rev, 1, 1e6, 0},
        {"spin.revolutions", s->revolutions, 0, 1e6, 1},
        {"spin.encoder_counts_per_rev", s->encoder_counts_per_rev, 0, 1e9, 0},
        {"spin.encoder_jitter_rad", s->encoder_jitter_rad, 0, bend, 0},
        {"spin.axis_error_rad[0]", s->axis_error_rad[0], -bend, bend, 0},
        {"spin.axis_error_rad[1]", s->axis_error_rad[1], -bend, bend, 0},
    };
    LR_TRY(lr_limits_check(limits, COUNT(limits), err));
    if (!(s->lines_per_rev*s->revolutions >= 0.5))
        return lr_fail(err, LR_ERR_RANGE, "spin.revolutions: %.15g turns of %d lines are less than one line", s->revolutions, s->lines_per_rev);
    return LR_OK;
}

lr_status lr_exposure_check(const lr_spin *spin, double exposure_s, lr_error *err)
{
    const double period_s = 1.0/(spin->rev_per_s*spin->lines_per_rev);
    if (exposure_s <= period_s*(1.0 + 1e-12))
        return LR_OK;
    return lr_fail(err, LR_ERR_RANGE, "%.6g us is longer than the line period of %.6g us, 1/(rev_per_s lines_per_rev)",
                   exposure_s*1e6, period_s*1e6);
}

static lr_status module_check(const lr_head *head, const lr_module_def *m, lr_error *err)
{
    const double far_m = LR_PLACEMENT_MAX_M, turn = 2.0*LR_PI;
    const lr_limit limits[] = {
        {"cameras", m->camera_count, 1, LR_MAX_CAMERAS, 0},
        {"lasers", m->laser_count, 0, LR_MAX_LASERS, 0},
        {"azimuth_rad", m->azimuth_rad, -turn, turn, 0},
        {"radius_m", m->radius_m, -far_m, far_m, 0},
        {"height_m", m->height_m, -far_m, far_m, 0},
        {"pitch_rad", m->pitch_rad, -LR_PI, LR_PI, 0},
    };
    LR_TRY(lr_limits_check(limits, COUNT(limits), err));
    LR_TRY(lr_part_name_check(m->name, err));
    for (int i = 0; i < m->camera_count; i++) {
        LR_TRY(lr_camera_def_check(&m->camera[i], err));
        LR_TRY(lr_part_name_check(m->camera[i].name, err));
        LR_TRY(lr_exposure_check(&head->spin, m->camera[i].exposure_s, err));
    }
    for (int i = 0; i < m->laser_count; i++)
        LR_TRY(lr_laser_def_check(&m->laser[i], err));
    return LR_OK;
}

lr_status lr_head_check(const lr_head *head, lr_error *err)
{
    LR_TRY(lr_spin_check(&head->spin, err));
    if (head->module_count < 1 || head->module_count > LR_MAX_MODULES)
        return lr_fail(err, LR_ERR_RANGE, "modules: %d is not in [1, %d]", head->module_count, LR_MAX_MODULES);
    for (int i = 0; i < head->module_count; i++) {
        const lr_status s = module_check(head, &head->module[i], err);
        if (s != LR_OK) {
            char prefix[32];
            snprintf(prefix, sizeof prefix, "modules[%d]", i);
            return lr_fail_prefix(err, s, prefix);
        }
    }
    lr_bins bins;
    return lr_head_bins(head, &bins, err);
}

// ---- Wavelength bins --------------------------------------------------------------------------------------------

// Where a camera sees light, over its whole line: the band moves to shorter wavelengths off the axis.
static void camera_band(const lr_camera_def *camera, double *lo_m, double *hi_m)
{
    const lr_filter *f = &camera->filter;
    double edge_rad = fabs(lr_camera_angle(camera, -0.5)), unused;
    if (!(edge_rad >= 0.0))
        edge_rad = lr_lens_theta_max(&camera->lens);
    // The centre falls with the angle at the filter up to 90 degrees there, and rises again beyond.
    if (f->angle_factor*edge_rad > 0.5*LR_PI)
        edge_rad = 0.5*LR_PI/f->angle_factor;
    lr_filter_band(f, edge_rad, PASS_FRACTION, lo_m, &unused);
    lr_filter_band(f, 0.0, PASS_FRACTION, &unused, hi_m);
}

static void ambient_bins(const lr_head *head, lr_bins *bins)
{
    double lo_m = (double)INFINITY, hi_m = 0.0;
    for (int m = 0; m < head->module_count; m++)
        for (int c = 0; c < head->module[m].camera_count; c++) {
            double a_m, b_m;
            camera_band(&head->module[m].camera[c], &a_m, &b_m);
            lo_m = fmin(lo_m, a_m);
            hi_m = fmax(hi_m, b_m);
        }
    bins->ambient_count = hi_m - lo_m <= NARROW_M ? 1 : LR_MAX_AMBIENT_BINS;
    if (bins->ambient_count > 1) {
        lo_m = 350e-9;
        hi_m = 1100e-9;
    }
    for (int b = 0; b <= bins->ambient_count; b++)
        bins->edge_m[b] = lo_m + (hi_m - lo_m)*b/bins->ambient_count;
    for (int b = 0; b < bins->ambient_count; b++)
        bins->center_m[b] = 0.5*(bins->edge_m[b] + bins->edge_m[b + 1]);
}

lr_status lr_head_bins(const lr_head *head, lr_bins *bins, lr_error *err)
{
    *bins = (lr_bins){0};
    ambient_bins(head, bins);
    for (int m = 0; m < head->module_count; m++)
        for (int l = 0; l < head->module[m].laser_count; l++) {
            const double lambda_m = head->module[m].laser[l].wavelength_m;
            if (lr_bins_of_line(bins, lambda_m) >= 0)
                continue;
            if (bins->line_count == LR_MAX_LASER_LINES)
                return lr_fail(err, LR_ERR_RANGE, "modules[%d].lasers[%d].wavelength_nm: %.6g is one more than the %d different wavelengths a head may have",
                               m, l, lambda_m*1e9, LR_MAX_LASER_LINES);
            bins->center_m[bins->ambient_count + bins->line_count++] = lambda_m;
        }
    return LR_OK;
}

int lr_bins_of_line(const lr_bins *bins, double wavelength_m)
{
    for (int i = bins->ambient_count; i < bins->ambient_count + bins->line_count; i++)
        if (fabs(bins->center_m[i] - wavelength_m) <= SAME_LINE_M)
            return i;
    return -1;
}
