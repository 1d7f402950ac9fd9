// SPDX-License-Identifier: Apache-2.0
// What the parts of the exporter share. For sim/page/export*.c only.
#ifndef LR_PAGE_EXPORT_BODY_H
#define LR_PAGE_EXPORT_BODY_H

#include <stddef.h>

#include "core/file.h"
#include "depth/depth.h"
#include "page/export.h"
#include "truth/truth.h"

typedef struct export_camera {   // maps of one camera; data NULL where there is none
    const lr_cal_module *module;
    const lr_cal_camera *camera;
    lr_npy_map raw, range, confidence, object;
    lr_vec3 *ray;                // (pixels) in the module's frame
    lr_vec3 eye;                 // the pupil there
} export_camera;

typedef struct export_body {
    const lr_export_def *def;
    const lr_scan_reader *reader;
    const lr_calibration *calibration;
    const char *out;
    int64_t lines, turn_lines;   // of the scan; of its first revolution
    lr_export_report *report;
} export_body;

lr_status export_open(const export_body *b, const lr_cal_module *module, int camera, int needs_range, export_camera *c, lr_error *err);
void export_close(export_camera *c);
// OUT/MODULE_CAMERA_WHAT or OUT/WHAT (module NULL); camera may be NULL. Counts the file. RANGE if too long.
lr_status export_path(const export_body *b, const char *module, const char *camera, const char *what, char path[LR_PATH_MAX], lr_error *err);
// Range [m] if it is there and sure enough, else NaN.
float export_range(const export_body *b, const export_camera *c, int64_t line, int pixel);
double export_light(const export_camera *c, int64_t line, int pixel);  // electrons
int export_object(const export_camera *c, int64_t line, int pixel);    // 0: not known

// Module in head or world, line by line.
typedef struct export_poses { lr_npy_map lines; int world; lr_pose module; } export_poses;
lr_status export_poses_open(const export_body *b, const lr_cal_module *module, lr_export_frame frame, export_poses *out, lr_error *err);
void export_poses_close(export_poses *poses);
lr_pose export_pose(const export_poses *poses, int64_t line);

lr_status export_images(export_body *b, lr_error *err);
lr_status export_rectified(export_body *b, lr_error *err);
lr_status export_clouds(export_body *b, lr_error *err);
lr_status export_equirect(export_body *b, lr_error *err);
// PFM, one channel. Source: Debevec's portable float map as general readers take it, from memory: bottom row first, scale -1: little endian.
lr_status export_pfm(const char *path, int width, int height, const float *pixels, lr_error *err);

#endif
