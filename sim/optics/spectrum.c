// SPDX-License-Identifier: Apache-2.0
#include "optics/spectrum.h"

#include <math.h>
#include <stdlib.h>

const char *const lr_spectrum_names[] = {"flat", "incandescent", "halogen", "fluorescent", "fluorescent_broad",
                                         "led_2700k", "led_4000k", "daylight", NULL};

double lr_planck(double lambda_m, double kelvin)
{
    const double c1 = 2.0*LR_PLANCK_J_S*LR_LIGHT_M_S*LR_LIGHT_M_S, c2 = LR_PLANCK_J_S*LR_LIGHT_M_S/LR_BOLTZMANN_J_K;
    const double l2 = lambda_m*lambda_m;
    return c1/(l2*l2*lambda_m*expm1(c2/(lambda_m*kelvin)));
}

static double curve_place_nm(const lr_curve *curve, int i) { return curve->x_nm ? curve->x_nm[i] : curve->first_nm + i*curve->step_nm; }

double lr_curve_at(const lr_curve *curve, double lambda_m)
{
    const double nm = lambda_m/LR_NM;
    const int last = curve->count - 1;
    if (!(nm >= curve_place_nm(curve, 0)*(1.0 - 1e-12) && nm <= curve_place_nm(curve, last)*(1.0 + 1e-12)))
        return 0.0;
    int i = 0;
    if (curve->x_nm)
        while (i < last - 1 && curve->x_nm[i + 1] <= nm)
            i++;
    else
        i = (int)fmin(fmax((nm - curve->first_nm)/curve->step_nm, 0.0), last - 1);
    const double x0 = curve_place_nm(curve, i), x1 = curve_place_nm(curve, i + 1);
    return curve->y[i] + (curve->y[i + 1] - curve->y[i])*(nm - x0)/(x1 - x0);
}

lr_status lr_curve_table(const lr_curve *curve, lr_table *out, lr_error *err)
{
    double *x_m = malloc((size_t)curve->count*sizeof *x_m);
    if (!x_m)
        return lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", curve->name);
    for (int i = 0; i < curve->count; i++)
        x_m[i] = curve_place_nm(curve, i)*LR_NM;
    const lr_status status = lr_table_create(curve->count, x_m, curve->y, out, err);
    free(x_m);
    if (status == LR_OK)
        out->outside_zero = 1;
    return status;
}

// ---- Built-in lamps ---------------------------------------------------------------------------------------------

// CIE 015's formula of illuminant A: Planck with c2 = 1.435e7 nm K at 2848 K, 100 at 560 nm.
static double illuminant_a(double lambda_m)
{
    const double nm = lambda_m/LR_NM, q = 560.0/nm;
    return 100.0*q*q*q*q*q*expm1(1.435e7/(2848.0*560.0))/expm1(1.435e7/(2848.0*nm));
}

static double daylight(double lambda_m)
{
    const double join_m = 780e-9;
    if (lambda_m <= join_m)
        return lr_curve_at(&lr_curve_cie_d65, lambda_m);
    return lr_curve_at(&lr_curve_g173_global, lambda_m)
        *lr_curve_at(&lr_curve_cie_d65, join_m)/lr_curve_at(&lr_curve_g173_global, join_m);
}

double lr_spectrum_value(lr_spectrum spectrum, double lambda_m)
{
    switch (spectrum) {
    case LR_SPECTRUM_FLAT: return lambda_m >= 300e-9*(1.0 - 1e-12) && lambda_m <= 1100e-9*(1.0 + 1e-12) ? 1.0 : 0.0;
    case LR_SPECTRUM_INCANDESCENT: return illuminant_a(lambda_m);
    case LR_SPECTRUM_HALOGEN: return lr_planck(lambda_m, 3000.0)/lr_planck(560e-9, 3000.0);
    case LR_SPECTRUM_FLUORESCENT: return lr_curve_at(&lr_curve_fl11, lambda_m);
    case LR_SPECTRUM_FLUORESCENT_BROAD: return lr_curve_at(&lr_curve_fl2, lambda_m);
    case LR_SPECTRUM_LED_2700K: return lr_curve_at(&lr_curve_led_b1, lambda_m);
    case LR_SPECTRUM_LED_4000K: return lr_curve_at(&lr_curve_led_b3, lambda_m);
    case LR_SPECTRUM_DAYLIGHT: return daylight(lambda_m);
    case LR_SPECTRUM_COUNT: break;
    }
    return 0.0;
}

static int is_thermal(lr_spectrum spectrum) { return spectrum == LR_SPECTRUM_INCANDESCENT || spectrum == LR_SPECTRUM_HALOGEN; }

// Where a spectrum that ends, ends.
static void ends(lr_spectrum spectrum, double *lo_m, double *hi_m)
{
    const int wide = spectrum == LR_SPECTRUM_FLAT || spectrum == LR_SPECTRUM_DAYLIGHT;
    *lo_m = wide ? 300e-9 : 380e-9;
    *hi_m = wide ? 1100e-9 : 780e-9;
}

// Trapezoids no wider than 1 nm, as CIE 015 sums; the tables' places are whole nanometres.
lr_spectrum_sum lr_spectrum_between(lr_spectrum spectrum, double lo_m, double hi_m)
{
    if (!is_thermal(spectrum)) {
        double first_m, last_m;
        ends(spectrum, &first_m, &last_m);
        lo_m = fmax(lo_m, first_m);
        hi_m = fmin(hi_m, last_m);
    }
    if (!(hi_m > lo_m))
        return (lr_spectrum_sum){0, 0};
    const int steps = (int)fmax(1.0, ceil((hi_m - lo_m)/LR_NM - 1e-6));
    const double step_m = (hi_m - lo_m)/steps;
    lr_spectrum_sum sum = {0, 0};
    for (int i = 0; i <= steps; i++) {
        const double lambda_m = lo_m + i*step_m, weight = i == 0 || i == steps ? 0.5*step_m : step_m;
        const double value = weight*lr_spectrum_value(spectrum, lambda_m);
        sum.watts += value;
        sum.lumens += LR_KM_LM_W*value*lr_eye(lambda_m);
    }
    return sum;
}

// Lamps that glow reach far into the infrared: watts by the trapezoid in ln(lambda), 100 nm .. 1 mm, which converges
// fast since the curve is smooth and dies at both ends; beyond 1 mm lies under 1e-9 of the power.
static double thermal_watts(lr_spectrum spectrum)
{
    const int steps = 4000;
    const double lo = log(100e-9), step = (log(1e-3) - lo)/steps;
    double sum = 0.0;
    for (int i = 0; i <= steps; i++) {
        const double lambda_m = exp(lo + i*step);
        sum += step*lambda_m*lr_spectrum_value(spectrum, lambda_m);
    }
    return sum;
}

lr_spectrum_sum lr_spectrum_total(lr_spectrum spectrum)
{
    lr_spectrum_sum sum = lr_spectrum_between(spectrum, 300e-9, 1100e-9);
    if (is_thermal(spectrum))
        sum.watts = thermal_watts(spectrum);
    return sum;
}

// Integral of S V from a to b where both are straight: Simpson's rule is exact for their product.
static double seen_straight(const lr_table *table, double a_m, double b_m)
{
    const double mid_m = 0.5*(a_m + b_m);
    return (b_m - a_m)/6.0*(lr_table_at(table, a_m)*lr_eye(a_m) + 4.0*lr_table_at(table, mid_m)*lr_eye(mid_m)
                            + lr_table_at(table, b_m)*lr_eye(b_m));
}

// Cut at every place of V's table, however fine or coarse the user's is.
static double seen(const lr_table *table, double lo_m, double hi_m)
{
    double sum = 0.0, a_m = fmax(lo_m, 360e-9);
    for (int nm = 365; nm <= 830 && a_m < hi_m; nm += 5) {
        const double b_m = fmin(hi_m, nm*LR_NM);
        if (b_m > a_m) {
            sum += seen_straight(table, a_m, b_m);
            a_m = b_m;
        }
    }
    return sum;
}

lr_spectrum_sum lr_spectrum_total_table(const lr_table *relative_per_m)
{
    const int last = relative_per_m->count - 1;
    lr_spectrum_sum sum = {0, 0};
    if (last < 0)
        return sum;
    if (last == 0)
        return (lr_spectrum_sum){relative_per_m->y[0]*800e-9, LR_KM_LM_W*seen(relative_per_m, 360e-9, 830e-9)};
    const double *x = relative_per_m->x;
    sum.watts = lr_table_integral(relative_per_m, x[0], x[last]);
    for (int i = 0; i < last; i++)
        sum.lumens += LR_KM_LM_W*seen(relative_per_m, x[i], x[i + 1]);
    return sum;
}
