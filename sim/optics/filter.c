// SPDX-License-Identifier: Apache-2.0
#include "optics/filter.h"

#include <math.h>

#define LN2 0.69314718055994530942

lr_filter lr_filter_default(void)
{
    return (lr_filter){.present = 0, .center_m = 850e-9, .width_m = 30e-9, .peak = 0.9, .order = 3.0, .index = 2.0, .angle_factor = 1.0};
}

lr_status lr_filter_check(const lr_filter *filter, lr_error *err)
{
    if (!filter->present)
        return LR_OK;
    if (!(filter->center_m > 0.0) || !isfinite(filter->center_m))
        return lr_fail(err, LR_ERR_RANGE, "center_m: %g is not above 0", filter->center_m);
    if (!(filter->width_m > 0.0) || !isfinite(filter->width_m))
        return lr_fail(err, LR_ERR_RANGE, "width_m: %g is not above 0", filter->width_m);
    if (!(filter->peak > 0.0 && filter->peak <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "peak: %g is not in (0, 1]", filter->peak);
    if (!(filter->order >= 0.5 && filter->order <= 20.0))
        return lr_fail(err, LR_ERR_RANGE, "order: %g is not in [0.5, 20]", filter->order);
    if (!(filter->index >= 1.0) || !isfinite(filter->index))
        return lr_fail(err, LR_ERR_RANGE, "index: %g is not 1 or more", filter->index);
    if (!(filter->angle_factor >= 0.0) || !isfinite(filter->angle_factor))
        return lr_fail(err, LR_ERR_RANGE, "angle_factor: %g is not 0 or more", filter->angle_factor);
    return LR_OK;
}

double lr_filter_center(const lr_filter *filter, double field_angle_rad)
{
    const double s = sin(filter->angle_factor*field_angle_rad)/filter->index;
    return filter->center_m*sqrt(fmax(0.0, 1.0 - s*s));
}

double lr_filter_shift(const lr_filter *filter, double field_angle_rad)
{
    return lr_filter_center(filter, field_angle_rad) - filter->center_m;
}

double lr_filter_transmission(const lr_filter *filter, double lambda_m, double field_angle_rad)
{
    if (!filter->present)
        return 1.0;
    const double u = 2.0*(lambda_m - lr_filter_center(filter, field_angle_rad))/filter->width_m;
    return filter->peak*exp(-LN2*pow(u*u, filter->order));
}

void lr_filter_band(const lr_filter *filter, double field_angle_rad, double fraction, double *lo_m, double *hi_m)
{
    *lo_m = 0.0;
    *hi_m = (double)INFINITY;
    if (!filter->present)
        return;
    const double center_m = lr_filter_center(filter, field_angle_rad);
    const double half_m = 0.5*filter->width_m*pow(-log(fraction)/LN2, 0.5/filter->order);
    *lo_m = fmax(0.0, center_m - half_m);
    *hi_m = center_m + half_m;
}

// Integral of exp(-ln2 |2x/w|^2n) dx = w ln2^(-1/2n) Gamma(1 + 1/2n): the substitution v = ln2 |2x/w|^2n.
double lr_filter_equivalent_width_m(const lr_filter *filter)
{
    if (!filter->present)
        return (double)INFINITY;
    const double s = 0.5/filter->order;
    return filter->peak*filter->width_m*pow(LN2, -s)*tgamma(1.0 + s);
}
