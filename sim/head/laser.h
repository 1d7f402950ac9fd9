// SPDX-License-Identifier: Apache-2.0
// Laser projector: a fan of dots in the x-z plane of its own frame (x along its axis, z up), or a flood for comparison.
// Fan angle alpha is measured from x towards +z (up).
#ifndef LR_HEAD_LASER_H
#define LR_HEAD_LASER_H

#include <stdint.h>

#include "head/camera.h"
#include "optics/dots.h"

typedef enum lr_laser_mode { LR_LASER_SHEET, LR_LASER_FLOOD, LR_LASER_OFF } lr_laser_mode;

typedef struct lr_laser_dots {
    int count;               // 0: no dots, a plain sheet
    uint64_t seed;
    double size_rad;         // full 1/e^2 width of a dot
    double zero_order;       // share of power left undiffracted on the axis
    double background;       // share of power spread evenly over the fan
    double jitter, spread;   // of random dots: see optics/dots.h
    char file[256];          // a list of dots instead of random ones, see below; empty: none
} lr_laser_dots;

typedef struct lr_laser_def {
    char name[64];
    lr_placement placement;
    lr_laser_mode mode;
    double wavelength_m;
    double line_width_m;           // full width at half maximum of the laser line
    double power_w;
    double fan_rad;                // full angle
    double flood_rad;              // flood mode: full angle across, evenly lit in azimuth
    double thickness_m, divergence_rad;
    double efficiency;             // optical over electrical power
    double warm_k;                 // warmer than where wavelength_m holds
    double drift_m_per_k;          // of the line with temperature
    int speckle;                   // 1: its light is speckled
    double polarisation;           // degree of polarisation of the light that comes back, 0..1
    lr_laser_dots dots;
} lr_laser_def;

lr_laser_def lr_laser_def_default(void);  // 850 nm, 200 mW, 60 degrees, 260 dots; needs no free
// Where the line really is: wavelength and drift.
static inline double lr_laser_line_m(const lr_laser_def *def) { return def->wavelength_m + def->drift_m_per_k*def->warm_k; }
lr_status lr_laser_def_check(const lr_laser_def *def, lr_error *err);
// A file of dots is text: one dot a line, "angle_deg weight" (weight 1 if left out), angle up from the axis; `#` starts a comment.
// The pattern itself, ready to evaluate. Errors: RANGE, MISSING, PARSE, MEMORY.
lr_status lr_laser_pattern(const lr_laser_def *def, const char *folder, lr_dots **out, lr_error *err);

#endif
