// SPDX-License-Identifier: Apache-2.0
#include "page/error_picture.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core/file.h"
#include "page/picture.h"
#include "page/preview.h"
#include "scan/scan_reader.h"
#include "score/score.h"
#include "truth/truth.h"

#define FULL_SHARE 0.05  // of range: the deepest colour
#define FOOT 28          // rows under a picture for words

static const lr_rgb far_end = {0xd5, 0x5e, 0x00}, near_end = {0x00, 0x72, 0xb2}, none = {0x80, 0x80, 0x80}, empty = {0, 0, 0};

static lr_rgb blend(lr_rgb end, double t)
{
    return (lr_rgb){(uint8_t)(255.0 + t*(end.r - 255.0)), (uint8_t)(255.0 + t*(end.g - 255.0)), (uint8_t)(255.0 + t*(end.b - 255.0))};
}

static lr_rgb colour_of(float truth, float range)
{
    if (!isfinite(truth))
        return isfinite(range) && range > 0.0f ? near_end : empty;
    if (!(range > 0.0f) || !isfinite(range))
        return none;
    const double error = ((double)range - (double)truth)/(FULL_SHARE*(double)truth);
    return blend(error > 0.0 ? far_end : near_end, fmin(fabs(error), 1.0));
}

static lr_status draw(const lr_scan_reader *reader, const char *module, const lr_cal_camera *camera, const float *truth, const float *range, lr_error *err)
{
    const lr_cal_spin *spin = &lr_scan_reader_calibration(reader)->spin;
    const int64_t all = lr_scan_reader_scan(reader)->line_count, lines = all < spin->lines_per_rev ? all : spin->lines_per_rev;
    const int step = (int)((lines + LR_PREVIEW_MAX_WIDTH - 1)/LR_PREVIEW_MAX_WIDTH), width = (int)(lines/step), height = camera->pixels/step;
    lr_picture picture = {0};
    char path[LR_PATH_MAX];
    static const char words[] = "range error: blue 5 % near, orange 5 % far; grey: none";
    LR_TRY(lr_picture_create(lr_picture_wide_enough(width, 8, 2, words), height + FOOT, (lr_rgb){0xf4, 0xf2, 0xec}, &picture, err));
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            const size_t i = (size_t)((spin->clockwise ? x : width - 1 - x)*step)*(size_t)camera->pixels + (size_t)(y*step);
            lr_picture_set(&picture, x, y, colour_of(truth[i], range[i]));
        }
    lr_picture_text(&picture, 8, height + 8, 2, (lr_rgb){0x22, 0x22, 0x22}, words);
    const int n = snprintf(path, sizeof path, "%s/preview/%s_%s_error.png", lr_scan_reader_folder(reader), module, camera->name);
    lr_status s = n > 0 && n < (int)sizeof path ? LR_OK : lr_fail(err, LR_ERR_RANGE, "%s: the path is too long", lr_scan_reader_folder(reader));
    if (s == LR_OK)
        s = lr_picture_save(&picture, path, err);
    lr_picture_destroy(&picture);
    return s;
}

static lr_status draw_camera(const lr_scan_reader *reader, const char *module, const lr_cal_camera *camera, lr_error *err)
{
    char path[LR_SCAN_PATH], whole[LR_PATH_MAX];
    lr_npy_map truth = {0}, depth = {0};
    LR_TRY(lr_depth_path(module, camera->name, LR_DEPTH_RANGE, path, sizeof path, err));
    LR_TRY(lr_path_join(whole, lr_scan_reader_folder(reader), path, err));
    LR_TRY(lr_truth_path(module, camera->name, LR_TRUTH_RANGE, path, sizeof path, err));
    if (!lr_path_exists(whole) || lr_scan_reader_find(reader, path) < 0)
        return LR_OK;
    LR_TRY(lr_scan_reader_array(reader, path, &truth, err));
    lr_status s = lr_npy_open(whole, &depth, err);
    if (s == LR_OK && lr_npy_items(&depth.info) == lr_npy_items(&truth.info) && !strcmp(depth.info.descr, "<f4"))
        s = draw(reader, module, camera, truth.data, depth.data, err);
    if (depth.base)
        lr_npy_close(&depth);
    lr_npy_close(&truth);
    return s;
}

lr_status lr_error_pictures_write(const char *folder, lr_error *err)
{
    lr_scan_reader *reader = NULL;
    char path[LR_PATH_MAX];
    LR_TRY(lr_scan_reader_open(folder, &reader, err));
    const lr_calibration *c = lr_scan_reader_calibration(reader);
    lr_status s = lr_path_join(path, folder, "preview", err);
    if (s == LR_OK)
        s = lr_make_folders(path, err);
    for (int m = 0; s == LR_OK && m < c->module_count; m++)
        for (int k = 0; s == LR_OK && k < c->module[m].camera_count; k++)
            s = draw_camera(reader, c->module[m].name, &c->module[m].camera[k], err);
    lr_scan_reader_close(reader);
    return s;
}
