// SPDX-License-Identifier: Apache-2.0
// Geometry of two views whose lines lie in one plane: where a point seen by one appears in the other, and how far it is.
// Angles are taken from the normal of the baseline, rising towards the upper view. With rho the distance from the baseline:
//   tan(upper) = (h - b)/rho,  tan(lower) = h/rho   for a point at height h above the lower view, so
//   rho = b/(tan(lower) - tan(upper)),  and the same inverse distance 1/rho is a pure shift of the tangent.
#ifndef LR_DEPTH_TRIANGULATE_H
#define LR_DEPTH_TRIANGULATE_H

#include "core/vec.h"
#include "scan/calibration.h"

// Distance from the baseline of the point seen under two angles; +inf where the rays do not meet in front.
double lr_triangulate_rho(double baseline_m, double upper_rad, double lower_rad);
// Angle under which a view sees a point at inverse distance 1/rho that another view, `above_m` higher (negative: lower), sees at `angle_rad`.
double lr_triangulate_angle(double angle_rad, double above_m, double inverse_rho);

typedef struct lr_view {         // one camera, or a laser's pattern taken as one, in the plane of its module
    const lr_cal_camera *camera; // borrowed
    double zero_rad;             // angle of its axis from the baseline's normal
    double turn;                 // +1 or -1: angle = zero_rad + turn * angle in the camera (positive down as the index grows)
} lr_view;

typedef struct lr_pair {
    lr_view view[2];             // upper, lower: the way the baseline points is from the second to the first
    double baseline_m;
} lr_pair;

// RANGE: the two are in one place, or their lines do not lie in one plane (beyond 1 mm and 0.2 degrees); names both.
lr_status lr_pair_create(const char *module, const lr_cal_camera *upper, const lr_cal_camera *lower, lr_pair *out, lr_error *err);

double lr_view_angle(const lr_view *view, double pixel);      // NaN outside the image
double lr_view_pixel(const lr_view *view, double angle_rad);  // may lie outside the line; NaN where the lens has no image

// Pixel in the other view of what `from` (0 upper, 1 lower) sees at `pixel` and inverse distance 1/rho.
double lr_pair_partner(const lr_pair *pair, int from, double pixel, double inverse_rho);
// Range along the pixel's ray from that view's pupil. +inf for inverse_rho 0 or less.
double lr_pair_range(const lr_pair *pair, int from, double pixel, double inverse_rho);
// The inverse of it.
double lr_pair_inverse_rho(const lr_pair *pair, int from, double pixel, double range_m);

#endif
