// SPDX-License-Identifier: Apache-2.0
#include "optics/sheet.h"

#define INV_SQRT_2PI 0.39894228040143267794
#define SQRT_HALF 0.70710678118654752440

double lr_sheet_density(double sigma_m, double y_m)
{
    const double u = y_m/sigma_m;
    return INV_SQRT_2PI/sigma_m*exp(-0.5*u*u);
}

// Share between two places in units of sigma, lo <= hi, by the form that loses no digits: both on one side of the centre
// are a difference of tails, so that a share of 1e-30 keeps its figures.
static double share(double lo, double hi)
{
    if (lo >= 0.0)
        return 0.5*(erfc(lo*SQRT_HALF) - erfc(hi*SQRT_HALF));
    if (hi <= 0.0)
        return 0.5*(erfc(-hi*SQRT_HALF) - erfc(-lo*SQRT_HALF));
    return 0.5*(erf(hi*SQRT_HALF) - erf(lo*SQRT_HALF));
}

// Mean over a short interval (units of sigma), Gauss-Legendre with 5 points: there the difference above cancels.
static double mean_short(double mid, double half)
{
    static const double x[3] = {0.0, 0.53846931010568309104, 0.90617984593866399280};
    static const double w[3] = {0.56888888888888888889, 0.47862867049936646804, 0.23692688505618908751};
    double sum = w[0]*exp(-0.5*mid*mid);
    for (int i = 1; i < 3; i++) {
        const double a = mid - half*x[i], b = mid + half*x[i];
        sum += w[i]*(exp(-0.5*a*a) + exp(-0.5*b*b));
    }
    return 0.5*INV_SQRT_2PI*sum;
}

double lr_sheet_mean(double sigma_m, double y1_m, double y2_m)
{
    const double lo = fmin(y1_m, y2_m)/sigma_m, hi = fmax(y1_m, y2_m)/sigma_m;
    const double mid = 0.5*(lo + hi), width = hi - lo;
    // The density changes by exp(-mid width) across: short means this is a modest factor.
    if (width*fmax(1.0, fabs(mid)) < 0.5)
        return mean_short(mid, 0.5*width)/sigma_m;
    return share(lo, hi)/(width*sigma_m);
}

double lr_sheet_share(double sigma_m, double y1_m, double y2_m)
{
    return lr_sheet_mean(sigma_m, y1_m, y2_m)*(y2_m - y1_m);
}
