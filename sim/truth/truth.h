// SPDX-License-Identifier: Apache-2.0
// The truth arrays that may go with a scan: names, types, units, what a bit means, and choosing among them.
// Files: truth/MODULE/CAMERA.NAME.npy, one row a line; truth/MODULE/lines.npy with true time and pose.
#ifndef LR_TRUTH_TRUTH_H
#define LR_TRUTH_TRUTH_H

#include <stddef.h>
#include <stdint.h>

#include "core/npy.h"
#include "core/status.h"

typedef enum lr_truth_layer {
    LR_TRUTH_RANGE,     // f4 [m] along the pixel's central ray from the pupil; +Inf nothing hit
    LR_TRUTH_NORMAL,    // 3 x f4, unit, in the world, turned towards the camera; NaN nothing hit
    LR_TRUTH_OBJECT,    // i4, 0 nothing
    LR_TRUTH_MATERIAL,  // u2, 0 nothing, k is the k-th of the scene's materials
    LR_TRUTH_PARTNER,   // f4 pixel coordinate in the partner camera; NaN outside its image or nothing hit
    LR_TRUTH_FLAGS,     // u1, bits below
    LR_TRUTH_DIRECT, LR_TRUTH_INDIRECT, LR_TRUTH_SUN, LR_TRUTH_SKY, LR_TRUTH_LAMP,  // f4 expected electrons
    LR_TRUTH_LAYERS
} lr_truth_layer;

enum {  // of LR_TRUTH_FLAGS
    LR_TRUTH_LIT = 1,              // the laser reaches the surface point
    LR_TRUTH_SEEN_BY_PARTNER = 2,  // the partner camera sees the same surface point
    LR_TRUTH_EDGE = 4,             // the pixel's field spans a jump in range
    LR_TRUTH_IN_MOTION = 8,        // the surface moves
    LR_TRUTH_BEHIND_PANE = 16,     // seen through a clear pane
};

typedef uint32_t lr_truth_set;  // bit k: layer k
#define LR_TRUTH_ALL ((lr_truth_set)((1u << LR_TRUTH_LAYERS) - 1))
#define LR_TRUTH_NONE ((lr_truth_set)0)
#define LR_TRUTH_LIGHT (LR_TRUTH_ALL & ~(lr_truth_set)((1u << LR_TRUTH_DIRECT) - 1))  // the parts `expose` adds up
static inline int lr_truth_has(lr_truth_set set, lr_truth_layer layer) { return (int)(set >> layer) & 1; }

extern const char *const lr_truth_names[];           // "range", ... in the order of the enum, then NULL
const char *lr_truth_unit(lr_truth_layer layer);     // "m", "e", "px", "1"
const char *lr_truth_about(lr_truth_layer layer);    // one line for people
size_t lr_truth_pixel_bytes(lr_truth_layer layer);   // of one pixel: 12 for normals

// "all", "none", "light", or names with commas ("range,flags"). RANGE, with the nearest name.
lr_status lr_truth_parse(const char *list, lr_truth_set *set, lr_error *err);
// The set as such a list, in the order of the enum. `out` holds at least 128 bytes.
void lr_truth_print(lr_truth_set set, char out[128]);

// Shape [lines, pixels] or [lines, pixels, 3].
lr_npy_info lr_truth_info(lr_truth_layer layer, int64_t lines, int pixels);
// "truth/MODULE/CAMERA.NAME.npy". RANGE if it does not fit.
lr_status lr_truth_path(const char *module, const char *camera, lr_truth_layer layer, char *out, size_t capacity, lr_error *err);

// One record of truth/MODULE/lines.npy: mid-exposure.
typedef struct lr_truth_line {
    double time_s;
    double angle_rad;             // true rotor angle, counter-clockwise positive, not wrapped
    double x_m, y_m, z_m;         // module origin in the world
    double qx, qy, qz, qw;        // module axes in the world, unit
} lr_truth_line;
lr_npy_info lr_truth_lines_info(int64_t lines);
lr_status lr_truth_lines_path(const char *module, char *out, size_t capacity, lr_error *err);  // "truth/MODULE/lines.npy"

// One record of truth/MODULE/CAMERA.error.npy: what rendering this line twice, with other light paths, says of its error.
typedef struct lr_truth_error {
    int32_t measured;             // pixels; 0: this line was rendered once
    int32_t within;               // of them, with an error below a quarter of the sensor's noise
    double square[6];             // sums over pixels of (error/noise)^2: all light, direct, indirect, sun, sky, lamp
} lr_truth_error;
lr_npy_info lr_truth_error_info(int64_t lines);
lr_status lr_truth_error_path(const char *module, const char *camera, char *out, size_t capacity, lr_error *err);

#endif
