// SPDX-License-Identifier: Apache-2.0
#include "optics/laser_safety.h"

#include <math.h>

#include "core/vec.h"

#define PUPIL_M2 (0.25*LR_PI*LR_SAFETY_APERTURE_M*LR_SAFETY_APERTURE_M)
#define SLICES 64   // of a round aperture; midpoints in the angle around it, so that the rim costs nothing

static int inside(double lambda_m) { return lambda_m >= LR_SAFETY_LO_M && lambda_m <= LR_SAFETY_HI_M; }
static double clamp(double x, double lo, double hi) { return fmin(fmax(x, lo), hi); }

double lr_safety_c4(double lambda_m)
{
    const double nm = lambda_m*1e9;
    if (!inside(lambda_m))
        return (double)NAN;
    return nm <= 700.0 ? 1.0 : nm < 1050.0 ? pow(10.0, 0.002*(nm - 700.0)) : 5.0;
}

double lr_safety_c7(double lambda_m)
{
    const double nm = lambda_m*1e9;
    if (!inside(lambda_m))
        return (double)NAN;
    return nm <= 1150.0 ? 1.0 : nm < 1200.0 ? pow(10.0, 0.018*(nm - 1150.0)) : 8.0 + pow(10.0, 0.04*(nm - 1250.0));
}

double lr_safety_alpha_max_rad(double time_s)
{
    return time_s < 625e-6 ? 5e-3 : time_s <= 0.25 ? 0.2*sqrt(time_s) : 0.1;
}

double lr_safety_c6(double alpha_rad, double time_s)
{
    return clamp(alpha_rad, LR_SAFETY_ALPHA_MIN_RAD, lr_safety_alpha_max_rad(time_s))/LR_SAFETY_ALPHA_MIN_RAD;
}

double lr_safety_t2_s(double alpha_rad)
{
    return 10.0*pow(10.0, (clamp(alpha_rad, 1.5e-3, 0.1) - 1.5e-3)/98.5e-3);
}

double lr_safety_ti_s(double lambda_m)
{
    return !inside(lambda_m) ? (double)NAN : lambda_m < 1050e-9 ? 5e-6 : 13e-6;
}

// Energy limit of Table 3 for pulses: J at the pupil (7.7e-8 ...) or J/m^2 at the cornea (2e-3 ...).
typedef struct rows { double shortest, flat, power, steady, extended; } rows;
static const rows ael_below = {3.8e-8, 7.7e-8, 7e-4, 3.9e-4, 7e-4};
static const rows ael_above = {3.8e-7, 7.7e-7, 3.5e-3, 3.9e-4, 7e-4};   // from 1050 nm
static const rows mpe_below = {1e-3, 2e-3, 18.0, 10.0, 18.0};

static double limit_j(const rows *r, double lambda_m, double time_s, double alpha_rad)
{
    const int above = lambda_m >= 1050e-9;
    // Above 1050 nm the pulsed rows carry C7 (and their figures include C4), below they carry C4.
    const double c4 = lr_safety_c4(lambda_m), c7 = lr_safety_c7(lambda_m), c6 = lr_safety_c6(alpha_rad, time_s);
    const double c = above ? c7 : c4;
    if (!inside(lambda_m) || !(time_s >= 1e-13) || !(time_s <= 3e4))
        return (double)NAN;
    if (time_s <= 1e-11)
        return r->shortest*c6*(above ? c7 : 1.0);
    if (time_s <= lr_safety_ti_s(lambda_m))
        return r->flat*c*c6;
    if (alpha_rad <= LR_SAFETY_ALPHA_MIN_RAD)
        return time_s < 10.0 ? r->power*pow(time_s, 0.75)*c : r->steady*c4*c7*time_s;
    const double t2_s = lr_safety_t2_s(alpha_rad);
    return time_s <= t2_s ? r->power*pow(time_s, 0.75)*c*c6 : r->extended*c4*c7*c6*pow(t2_s, -0.25)*time_s;
}

double lr_safety_ael_j(double lambda_m, double time_s, double alpha_rad)
{
    return limit_j(lambda_m < 1050e-9 ? &ael_below : &ael_above, lambda_m, time_s, alpha_rad);
}

double lr_safety_mpe_j_m2(double lambda_m, double time_s, double alpha_rad)
{
    if (lambda_m < 1050e-9)
        return limit_j(&mpe_below, lambda_m, time_s, alpha_rad);
    return lr_safety_ael_j(lambda_m, time_s, alpha_rad)/PUPIL_M2;
}

double lr_safety_c5(double lambda_m, double pulse_s, double alpha_rad, double count, double time_base_s)
{
    if (!(pulse_s <= 0.25))
        return 1.0;
    if (pulse_s <= lr_safety_ti_s(lambda_m))
        return time_base_s <= 0.25 || count <= 600.0 ? 1.0 : fmax(0.4, 5.0*pow(count, -0.25));
    if (alpha_rad <= 5e-3 || alpha_rad > 0.1)
        return 1.0;
    const double fall = count > 1.0 ? pow(count, -0.25) : 1.0;
    return fmax(fall, alpha_rad <= lr_safety_alpha_max_rad(pulse_s) ? 0.4 : 0.2);
}

double lr_safety_pass_s(double rev_per_s, double aperture_m, double distance_m)
{
    return aperture_m/(2.0*LR_PI*rev_per_s*distance_m);
}

// Slices along the fan at x = R sin(u): each passes what of the sheet's Gaussian fits between the rim, +-R cos(u).
// Midpoints in u: the integrand repeats after pi, so for an even fan the error falls faster than any power of the step.
double lr_safety_sheet_share(double fan_rad, double aperture_m, double distance_m, double sigma_m, lr_safety_fan per_rad, const void *context)
{
    const double radius_m = 0.5*aperture_m, step = LR_PI/SLICES;
    double share = 0.0;
    for (int i = 0; i < SLICES; i++) {
        const double u0 = -0.5*LR_PI + step*i, a0 = radius_m*sin(u0)/distance_m, a1 = radius_m*sin(u0 + step)/distance_m;
        const double half_m = radius_m*cos(u0 + 0.5*step), through = erf(half_m/(sqrt(2.0)*sigma_m));
        share += step*half_m/distance_m*through*(per_rad ? per_rad(context, a0, a1) : 1.0/fan_rad);
    }
    return fmin(share, 1.0);
}
