// SPDX-License-Identifier: Apache-2.0
// How the power of a laser fan is spread over the fan angle alpha: random dots, a zero order, a smooth background.
// The handle holds D(alpha) = p(alpha) m(alpha) [1/rad], the share of the power per radian: its integral over the fan is 1,
// and its cumulative C, so that the mean over any interval is exact in O(1), without noise.
#ifndef LR_OPTICS_DOTS_H
#define LR_OPTICS_DOTS_H

#include <stdint.h>

#include "core/status.h"
#include "core/table.h"

typedef struct lr_dots_def {   // start from lr_dots_def_default()
    double half_fan_rad;       // the fan is -half .. half; above 0, up to pi/2
    int count;                 // random dots; 0 with no list: a plain line
    uint64_t seed;
    double size_rad;           // full 1/e^2 width of one dot (4 sigma), above 0 if there are dots
    double jitter;             // 0: evenly spaced .. 1: anywhere in its cell; smallest spacing is (1 - jitter) cells
    double spread;             // a dot's power is 1 +- spread, evenly distributed; 0 .. 1
    double zero_order;         // share of the power in the undiffracted dot at alpha = 0, [0, 1)
    double background;         // share of the power in smooth light over the fan, [0, 1]; the two sum to 1 at most
    lr_table envelope;         // relative power per angle over alpha_rad, for dots and background; empty: even
    int listed;                // dots given instead of random ones: alpha_rad[i], weight[i]; 0: none
    const double *alpha_rad;   // (listed)
    const double *weight;      // (listed), 0 or more, relative
    lr_table profile;          // or a measured relative power per angle over alpha_rad, straight lines between, instead of dots
} lr_dots_def;

typedef struct lr_dots lr_dots;  // read-only after create: share between threads

lr_dots_def lr_dots_def_default(void);  // plain line over 60 degrees
lr_status lr_dots_def_check(const lr_dots_def *def, lr_error *err);             // RANGE, naming the field
lr_status lr_dots_create(const lr_dots_def *def, lr_dots **out, lr_error *err);  // RANGE, MEMORY; copies what it needs
void lr_dots_destroy(lr_dots *dots);  // NULL is fine

double lr_dots_density(const lr_dots *dots, double alpha_rad);     // D [1/rad]; 0 outside the fan
double lr_dots_cumulative(const lr_dots *dots, double alpha_rad);  // C: 0 at -half, 1 at +half
double lr_dots_mean(const lr_dots *dots, double a1_rad, double a2_rad);  // mean of D over the interval, either order; a1 = a2 gives D
// The same for `count` intervals at once, which hides how long their places in the table take to come.
void lr_dots_means(const lr_dots *dots, int count, const float *a1_rad, const float *a2_rad, float *mean);
double lr_dots_relative(const lr_dots *dots, double alpha_rad);    // m = D / p, mean 1 over the power of the fan
double lr_dots_sample(const lr_dots *dots, double u);              // alpha below which the share u of the power lies, u in [0, 1]
double lr_dots_half_fan_rad(const lr_dots *dots);

int lr_dots_count(const lr_dots *dots);  // dots without the zero order
// Dot i (rising alpha): where, and its share of the whole power before clipping at the fan's edges.
void lr_dots_get(const lr_dots *dots, int i, double *alpha_rad, double *share);

#endif
