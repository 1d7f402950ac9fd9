// SPDX-License-Identifier: Apache-2.0
#include "run/cut.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static lr_status copy_lens(const lr_lens *from, lr_lens *to, lr_error *err)
{
    *to = *from;
    to->table = (lr_table){0};
    to->vignetting = (lr_table){0};
    LR_TRY(lr_table_copy(&from->table, &to->table, err));
    return lr_table_copy(&from->vignetting, &to->vignetting, err);
}

static lr_status cut_camera(const lr_camera_def *from, int as_built, lr_cal_camera *to, lr_error *err)
{
    const lr_sensor_def *sensor = &from->sensor;
    snprintf(to->name, sizeof to->name, "%s", from->name);
    to->pose = lr_transform_from_pose(lr_placement_pose(&from->placement, as_built));
    to->pixels = sensor->pixels;
    to->pitch_m = sensor->pitch_m;
    to->width_m = sensor->width_m;
    to->exposure_s = from->exposure_s;
    to->bits = sensor->bits;
    to->gain_dn_per_e = sensor->gain_dn_per_e;
    to->offset_dn = sensor->offset_dn;
    to->read_noise_e = sensor->read_noise_e;
    to->full_well_e = sensor->full_well_e;
    return copy_lens(&from->lens, &to->lens, err);
}

static lr_status cut_dots(const lr_laser_def *from, const char *folder, lr_cal_dots *to, lr_error *err)
{
    lr_dots *dots;
    LR_TRY(lr_laser_pattern(from, folder, &dots, err));
    const int count = lr_dots_count(dots);
    to->alpha_rad = malloc(((size_t)count + 1)*sizeof *to->alpha_rad);
    to->weight = malloc(((size_t)count + 1)*sizeof *to->weight);
    lr_status status = to->alpha_rad && to->weight ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "calibration: out of memory");
    for (int i = 0; status == LR_OK && i < count; i++)
        lr_dots_get(dots, i, &to->alpha_rad[i], &to->weight[i]);
    to->count = status == LR_OK ? count : 0;
    lr_dots_destroy(dots);
    return status;
}

static lr_status cut_laser(const lr_laser_def *from, const char *folder, int as_built, lr_cal_laser *to, lr_error *err)
{
    snprintf(to->name, sizeof to->name, "%s", from->name);
    to->pose = lr_transform_from_pose(lr_placement_pose(&from->placement, as_built));
    to->mode = (lr_cal_mode)from->mode;
    to->wavelength_m = from->wavelength_m;
    to->power_w = from->power_w;
    to->fan_rad = from->fan_rad;
    to->flood_rad = from->flood_rad;
    to->thickness_m = from->thickness_m;
    to->divergence_rad = from->divergence_rad;
    to->dots.size_rad = from->dots.size_rad;
    to->dots.zero_order = from->dots.zero_order;
    to->dots.background = from->dots.background;
    return cut_dots(from, folder, &to->dots, err);
}

static lr_status cut_module(const lr_head *head, int index, int as_built, lr_cal_module *to, lr_error *err)
{
    const lr_module_def *from = &head->module[index];
    snprintf(to->name, sizeof to->name, "%s", from->name);
    to->pose = lr_transform_from_pose(lr_head_module_pose(head, index, 0.0, as_built));
    to->camera = calloc((size_t)from->camera_count + 1, sizeof *to->camera);
    to->laser = calloc((size_t)from->laser_count + 1, sizeof *to->laser);
    if (!to->camera || !to->laser)
        return lr_fail(err, LR_ERR_MEMORY, "calibration: out of memory");
    for (int i = 0; i < from->camera_count; i++)
        LR_TRY(cut_camera(&from->camera[i], as_built, &to->camera[to->camera_count++], err));
    for (int i = 0; i < from->laser_count; i++)
        LR_TRY(cut_laser(&from->laser[i], head->folder, as_built, &to->laser[to->laser_count++], err));
    return LR_OK;
}

lr_status lr_cut_calibration(const lr_head *head, int as_built, lr_calibration *out, lr_error *err)
{
    *out = (lr_calibration){0};
    snprintf(out->head, sizeof out->head, "%s", head->name);
    out->spin = (lr_cal_spin){head->spin.rev_per_s, head->spin.lines_per_rev, head->spin.clockwise, head->spin.encoder_counts_per_rev};
    out->module = calloc((size_t)head->module_count + 1, sizeof *out->module);
    lr_status status = out->module ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "calibration: out of memory");
    for (int m = 0; status == LR_OK && m < head->module_count; m++)
        status = cut_module(head, m, as_built, &out->module[out->module_count++], err);
    if (status != LR_OK)
        lr_calibration_free(out);
    return status;
}
