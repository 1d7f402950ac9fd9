// SPDX-License-Identifier: Apache-2.0
// A thin laser sheet: Gaussian across, growing with distance. y is the distance out of the sheet's plane.
//   4 sigma(r) = sqrt(thickness^2 + (divergence r)^2)
// Source: Gaussian beam far from and at its waist; the 1/e^2 radius is 2 sigma (ISO 11146-1, from memory).
#ifndef LR_OPTICS_SHEET_H
#define LR_OPTICS_SHEET_H

#include <math.h>

typedef struct lr_sheet {
    double thickness_m;     // full 1/e^2 width at the aperture, above 0
    double divergence_rad;  // full 1/e^2 angle, 0 or more
} lr_sheet;

static inline double lr_sheet_sigma_m(lr_sheet sheet, double r_m)
{
    const double grown_m = sheet.divergence_rad*r_m;
    return 0.25*sqrt(sheet.thickness_m*sheet.thickness_m + grown_m*grown_m);
}

double lr_sheet_density(double sigma_m, double y_m);  // Gaussian of integral 1 [1/m]
// Its mean over [y1, y2] in either order [1/m]; y1 = y2 gives the density. Good to 1e-12 relative, far tails too.
double lr_sheet_mean(double sigma_m, double y1_m, double y2_m);
double lr_sheet_share(double sigma_m, double y1_m, double y2_m);  // integral from y1 to y2, signed

// Irradiance [W/m^2] at distance r: power x share per radian of fan x share per metre across / r x cos of incidence.
static inline double lr_sheet_irradiance(double power_w, double per_rad, double per_m, double r_m, double cos_i)
{
    return power_w*per_rad*per_m*cos_i/r_m;
}

#endif
