// SPDX-License-Identifier: Apache-2.0
// Interference band-pass filter: a super-Gaussian band that moves to shorter wavelengths with the angle of incidence.
//   T(lambda) = peak exp(-ln2 (2 (lambda - c)/width)^(2 order)),   c = lambda0 sqrt(1 - (sin(a)/n_eff)^2)
// The angle at the filter is a = angle_factor x field angle: 1 in front of the lens, less behind a lens that
// straightens the chief rays.
// Source of the shift: Smith, Modern Optical Engineering (McGraw-Hill), chapter on coatings. Band shape: our choice.
#ifndef LR_OPTICS_FILTER_H
#define LR_OPTICS_FILTER_H

#include "core/status.h"

typedef struct lr_filter {  // all zero: no filter
    int present;            // 0: transmission is 1 everywhere and the other fields are not read
    double center_m;        // lambda0, at normal incidence
    double width_m;         // full width at half of the peak, above 0
    double peak;            // (0, 1]
    double order;           // 1: Gaussian, 3: flat top; 0.5 .. 20
    double index;           // n_eff, 1 or more; 1.5 .. 2.5 is usual
    double angle_factor;    // angle at the filter / field angle, 0 or more
} lr_filter;

lr_filter lr_filter_default(void);  // absent; order 3, peak 0.9, index 2, angle_factor 1 ready to be used
lr_status lr_filter_check(const lr_filter *filter, lr_error *err);  // RANGE, naming the field

double lr_filter_center(const lr_filter *filter, double field_angle_rad);  // where the band sits [m]
double lr_filter_shift(const lr_filter *filter, double field_angle_rad);   // center - lambda0 [m], 0 or negative
double lr_filter_transmission(const lr_filter *filter, double lambda_m, double field_angle_rad);

// The wavelengths [m] between which transmission is at least `fraction` (in (0, 1)) of the peak, at this angle.
// Without a filter lo = 0, hi = infinity.
void lr_filter_band(const lr_filter *filter, double field_angle_rad, double fraction, double *lo_m, double *hi_m);
// Integral of the transmission over all wavelengths [m]: width peak / ln2^(1/2n) Gamma(1 + 1/2n); infinite without a filter.
double lr_filter_equivalent_width_m(const lr_filter *filter);

#endif
