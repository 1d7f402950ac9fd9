// SPDX-License-Identifier: Apache-2.0
// What follows from a calibration for general vision libraries: camera matrices and names of frames. Private to the
// reader and writer of calibration.json.
// Sources: fisheye model of four coefficients, plumb_bob and the layout of K as OpenCV documents them.
#ifndef LR_SCAN_CALIBRATION_DERIVED_H
#define LR_SCAN_CALIBRATION_DERIVED_H

#include "scan/calibration.h"

typedef struct lr_vision {
    const char *model;       // kannala_brandt4, plumb_bob, or our name of the projection: then no K, D
    int known;               // K and D apply
    double k[9];             // row by row
    int d_count;
    double d[5];
    double fov_deg;          // between the outer edges of the first and last pixel; NaN: the lens does not cover the line
} lr_vision;

lr_vision lr_vision_of(const lr_cal_camera *camera);

// Optical frame (z forward, x right, y down) in the module.
lr_transform lr_optical_in_module(const lr_cal_camera *camera);

typedef struct lr_frame { char parent[160], child[160]; } lr_frame;

// "head" -> "MODULE" (part NULL), or "MODULE" -> "MODULE/PART" + `last`. Names have no slash, so a frame's name is unique.
lr_frame lr_frame_of(const char *module, const char *part, const char *last);

extern const char *const lr_cal_directions[];  // "ccw", "cw", NULL
extern const char *const lr_cal_modes[];       // in the order of lr_cal_mode, then NULL

#endif
