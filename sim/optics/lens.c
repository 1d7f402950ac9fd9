// SPDX-License-Identifier: Apache-2.0
// Every projection is odd in theta: all work is done on |theta| and the sign put back at the end.
// The table is joined by a monotone cubic (Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5(2), 1984), since straight
// lines would make the solid angle of a pixel jump at every place of the table.
#include "optics/lens.h"

#include <assert.h>
#include <math.h>
#include <stddef.h>

#include "core/vec.h"

#define NOWHERE ((double)NAN)  // outside the image

const char *const lr_projection_names[] = {"rectilinear", "equidistant", "equisolid", "stereographic",
                                           "orthographic", "polynomial", "table", NULL};

lr_lens lr_lens_default(void)
{
    return (lr_lens){.projection = LR_PROJECTION_RECTILINEAR, .focal_m = 8e-3, .f_number = 2.0, .transmission = 1.0};
}

// ---- Odd polynomial ---------------------------------------------------------------------------------------------

static double poly_radius(const double k[4], double t)  // r/f
{
    const double t2 = t*t;
    return t*(1.0 + t2*(k[0] + t2*(k[1] + t2*(k[2] + t2*k[3]))));
}

static double poly_slope(const double k[4], double t)
{
    const double t2 = t*t;
    return 1.0 + t2*(3.0*k[0] + t2*(5.0*k[1] + t2*(7.0*k[2] + t2*9.0*k[3])));
}

static double horner(const double *c, int degree, double x)
{
    double sum = c[degree];
    for (int i = degree - 1; i >= 0; i--)
        sum = sum*x + c[i];
    return sum;
}

static double bisect(const double *c, int degree, double lo, double hi)
{
    const int rises = horner(c, degree, hi) > 0.0;
    for (int i = 0; i < 120 && lo < hi; i++) {
        const double mid = 0.5*(lo + hi);
        if ((horner(c, degree, mid) > 0.0) == rises)
            hi = mid;
        else
            lo = mid;
    }
    return lo;  // the side before the change of sign
}

// Places in (lo, hi) where a polynomial of degree 4 at most changes sign, rising. Between two zeros of its derivative a
// polynomial is monotone, so each such stretch holds one at most: no narrow pair is missed. At most 4 levels deep.
static int sign_changes(const double *c, int degree, double lo, double hi, double *out)
{
    if (degree == 0)
        return 0;
    double derivative[4], edge[6];
    for (int i = 0; i < degree; i++)
        derivative[i] = (i + 1)*c[i + 1];
    edge[0] = lo;
    int stretches = 1 + sign_changes(derivative, degree - 1, lo, hi, edge + 1), count = 0;
    edge[stretches] = hi;
    for (int i = 0; i < stretches; i++)
        if ((horner(c, degree, edge[i]) > 0.0) != (horner(c, degree, edge[i + 1]) > 0.0))
            out[count++] = bisect(c, degree, edge[i], edge[i + 1]);
    return count;
}

static double poly_reach(const double k[4])
{
    const double slope[5] = {1.0, 3.0*k[0], 5.0*k[1], 7.0*k[2], 9.0*k[3]};  // in t^2
    double zero[5];
    return sign_changes(slope, 4, 0.0, LR_PI*LR_PI, zero) ? sqrt(zero[0]) : LR_PI;
}

// ---- Table ------------------------------------------------------------------------------------------------------

static double table_chord(const lr_table *table, int i) { return (table->y[i + 1] - table->y[i])/(table->x[i + 1] - table->x[i]); }

static double table_node_slope(const lr_table *table, int i)
{
    if (i == 0)
        return table_chord(table, 0);  // the mirror image at negative angles gives the same chord
    if (i == table->count - 1)
        return table_chord(table, i - 1);
    const double h0 = table->x[i] - table->x[i - 1], h1 = table->x[i + 1] - table->x[i];
    const double w0 = 2.0*h1 + h0, w1 = h1 + 2.0*h0;
    return (w0 + w1)/(w0/table_chord(table, i - 1) + w1/table_chord(table, i));
}

static int table_stretch(int count, const double *rising, double value)  // index i with rising[i] <= value <= rising[i+1]
{
    int lo = 0, hi = count - 1;
    while (hi - lo > 1) {
        const int mid = (lo + hi)/2;
        if (rising[mid] <= value)
            lo = mid;
        else
            hi = mid;
    }
    return lo;
}

// Value and slope of the cubic in stretch i.
static void table_cubic(const lr_table *table, int i, double t, double *r, double *slope)
{
    const double h = table->x[i + 1] - table->x[i], u = (t - table->x[i])/h;
    const double m0 = table_node_slope(table, i), m1 = table_node_slope(table, i + 1), d = table_chord(table, i);
    const double c = 3.0*d - 2.0*m0 - m1, b = m0 + m1 - 2.0*d;
    *r = table->y[i] + h*u*(m0 + u*(c + u*b));
    *slope = m0 + u*(2.0*c + 3.0*u*b);
}

// ---- All projections --------------------------------------------------------------------------------------------

static double projection_reach(const lr_lens *lens)
{
    switch (lens->projection) {
    case LR_PROJECTION_RECTILINEAR:
    case LR_PROJECTION_ORTHOGRAPHIC:
        return 0.5*LR_PI;
    case LR_PROJECTION_EQUIDISTANT:
    case LR_PROJECTION_EQUISOLID:
    case LR_PROJECTION_STEREOGRAPHIC:
        return LR_PI;
    case LR_PROJECTION_POLYNOMIAL:
        return poly_reach(lens->k);
    case LR_PROJECTION_TABLE:
        return lens->table.count > 1 ? lens->table.x[lens->table.count - 1] : -1.0;  // no image
    }
    return -1.0;
}

double lr_lens_theta_max(const lr_lens *lens)
{
    const double stored = lens->theta_max_rad;
    if (stored > 0.0 && lens->projection == LR_PROJECTION_POLYNOMIAL)
        return stored;  // lr_lens_check has seen that r rises so far
    const double reach = projection_reach(lens);
    return stored > 0.0 ? fmin(stored, reach) : reach;  // negative for a table that is not there
}

// Radius and slope at t >= 0, without regard to the reach.
static void radius_and_slope(const lr_lens *lens, double t, double *r, double *slope)
{
    const double f = lens->focal_m;
    switch (lens->projection) {
    case LR_PROJECTION_RECTILINEAR: *r = f*tan(t); *slope = f/(cos(t)*cos(t)); return;
    case LR_PROJECTION_EQUIDISTANT: *r = f*t; *slope = f; return;
    case LR_PROJECTION_EQUISOLID: *r = 2.0*f*sin(0.5*t); *slope = f*cos(0.5*t); return;
    case LR_PROJECTION_STEREOGRAPHIC: *r = 2.0*f*tan(0.5*t); *slope = f/(cos(0.5*t)*cos(0.5*t)); return;
    case LR_PROJECTION_ORTHOGRAPHIC: *r = f*sin(t); *slope = f*cos(t); return;
    case LR_PROJECTION_POLYNOMIAL: *r = f*poly_radius(lens->k, t); *slope = f*poly_slope(lens->k, t); return;
    case LR_PROJECTION_TABLE: table_cubic(&lens->table, table_stretch(lens->table.count, lens->table.x, t), t, r, slope); return;
    }
    *r = *slope = NOWHERE;
}

double lr_lens_radius(const lr_lens *lens, double theta_rad)
{
    const double t = fabs(theta_rad);
    if (!(t <= lr_lens_theta_max(lens)))
        return NOWHERE;
    double r, slope;
    radius_and_slope(lens, t, &r, &slope);
    return copysign(r, theta_rad);
}

double lr_lens_slope(const lr_lens *lens, double theta_rad)
{
    const double t = fabs(theta_rad);
    if (!(t <= lr_lens_theta_max(lens)))
        return NOWHERE;
    double r, slope;
    radius_and_slope(lens, t, &r, &slope);
    return slope;
}

// Newton kept inside a bracket [lo, hi] over which the radius rises past r.
static double invert(const lr_lens *lens, double r, double lo, double hi, double start)
{
    double t = fmin(fmax(start, lo), hi);
    for (int i = 0; i < 100; i++) {
        double got, slope;
        radius_and_slope(lens, t, &got, &slope);
        if (got > r)
            hi = t;
        else
            lo = t;
        double next = t - (got - r)/slope;
        if (!(next >= lo && next <= hi))
            next = 0.5*(lo + hi);
        if (fabs(next - t) <= 1e-15*fmax(t, 1e-3))
            return next;
        t = next;
    }
    return t;
}

static double invert_any(const lr_lens *lens, double r)
{
    const double q = r/lens->focal_m;
    switch (lens->projection) {
    case LR_PROJECTION_RECTILINEAR: return atan(q);
    case LR_PROJECTION_EQUIDISTANT: return q;
    case LR_PROJECTION_EQUISOLID: return q <= 2.0 ? 2.0*asin(0.5*q) : NOWHERE;
    case LR_PROJECTION_STEREOGRAPHIC: return 2.0*atan(0.5*q);
    case LR_PROJECTION_ORTHOGRAPHIC: return q <= 1.0 ? asin(q) : NOWHERE;
    case LR_PROJECTION_POLYNOMIAL: {
        const double reach = lr_lens_theta_max(lens);
        return q <= poly_radius(lens->k, reach) ? invert(lens, r, 0.0, reach, q) : NOWHERE;
    }
    case LR_PROJECTION_TABLE: {
        const lr_table *table = &lens->table;
        if (table->count < 2 || !(r <= table->y[table->count - 1]))
            return NOWHERE;
        const int i = table_stretch(table->count, table->y, r);
        const double u = (r - table->y[i])/(table->y[i + 1] - table->y[i]);
        return invert(lens, r, table->x[i], table->x[i + 1], table->x[i] + u*(table->x[i + 1] - table->x[i]));
    }
    }
    return NOWHERE;
}

double lr_lens_theta(const lr_lens *lens, double r_m)
{
    const double t = invert_any(lens, fabs(r_m));
    // The edge itself belongs to the image, whatever the last bit says.
    return t <= lr_lens_theta_max(lens)*(1.0 + 1e-14) ? copysign(t, r_m) : NOWHERE;
}

// ---- Light ------------------------------------------------------------------------------------------------------

double lr_lens_vignetting(const lr_lens *lens, double theta_rad)
{
    if (lens->vignetting.count > 0)
        return lr_table_at(&lens->vignetting, fabs(theta_rad));
    return fmax(0.0, cos(theta_rad));
}

double lr_lens_pupil_m2(const lr_lens *lens, double theta_rad)
{
    const double diameter_m = lens->focal_m/lens->f_number;
    return 0.25*LR_PI*diameter_m*diameter_m*lr_lens_vignetting(lens, theta_rad);
}

double lr_lens_along(const lr_lens *lens, double theta_rad, double pitch_m)
{
    return pitch_m/lr_lens_slope(lens, theta_rad);
}

double lr_lens_across(const lr_lens *lens, double theta_rad, double width_m)
{
    const double t = fabs(theta_rad);
    if (t == 0.0)
        return width_m/lr_lens_slope(lens, 0.0);
    return width_m*sin(t)/lr_lens_radius(lens, t);
}

double lr_lens_solid_angle(const lr_lens *lens, double theta_rad, double pitch_m, double width_m)
{
    return lr_lens_along(lens, theta_rad, pitch_m)*lr_lens_across(lens, theta_rad, width_m);
}

double lr_lens_etendue(const lr_lens *lens, double theta_rad, double pitch_m, double width_m)
{
    return lr_lens_pupil_m2(lens, theta_rad)*lr_lens_solid_angle(lens, theta_rad, pitch_m, width_m);
}

// ---- Check ------------------------------------------------------------------------------------------------------

static lr_status check_table(const lr_table *table, lr_error *err)
{
    if (table->count < 2)
        return lr_fail(err, LR_ERR_RANGE, "table: %d places are fewer than 2", table->count);
    if (table->x[0] != 0.0 || table->y[0] != 0.0)
        return lr_fail(err, LR_ERR_RANGE, "table: begins at (%g, %g) instead of (0, 0)", table->x[0], table->y[0]);
    for (int i = 1; i < table->count; i++)
        if (!(table->x[i] > table->x[i - 1]) || !(table->y[i] > table->y[i - 1]) || !isfinite(table->y[i]))
            return lr_fail(err, LR_ERR_RANGE, "table: place %d (%g, %g) is not above the one before", i, table->x[i], table->y[i]);
    if (!(table->x[table->count - 1] <= LR_PI))
        return lr_fail(err, LR_ERR_RANGE, "table: %g rad is above pi", table->x[table->count - 1]);
    return LR_OK;
}

static lr_status check_vignetting(const lr_table *table, lr_error *err)
{
    for (int i = 0; i < table->count; i++)
        if (!(table->y[i] >= 0.0 && table->y[i] <= 2.0))  // a tilting pupil can look larger than on the axis
            return lr_fail(err, LR_ERR_RANGE, "vignetting: %g is not in [0, 2]", table->y[i]);
    return LR_OK;
}

lr_status lr_lens_check(const lr_lens *lens, double theta_used_rad, lr_error *err)
{
    assert(lens);
    if ((int)lens->projection < 0 || lens->projection > LR_PROJECTION_TABLE)
        return lr_fail(err, LR_ERR_RANGE, "projection: %d is not a projection", (int)lens->projection);
    if (!(lens->focal_m > 0.0) || !isfinite(lens->focal_m))
        return lr_fail(err, LR_ERR_RANGE, "focal_m: %g is not above 0", lens->focal_m);
    if (!(lens->f_number > 0.0) || !isfinite(lens->f_number))
        return lr_fail(err, LR_ERR_RANGE, "f_number: %g is not above 0", lens->f_number);
    if (!(lens->transmission > 0.0 && lens->transmission <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "transmission: %g is not in (0, 1]", lens->transmission);
    if (!(lens->focus_m >= 0.0))
        return lr_fail(err, LR_ERR_RANGE, "focus_m: %g is below 0", lens->focus_m);
    if (lens->focus_m > 0.0 && !(lens->focus_m > lens->focal_m))
        return lr_fail(err, LR_ERR_RANGE, "focus_m: %g is not 0 or above focal_m, %g", lens->focus_m, lens->focal_m);
    if (!(lens->theta_max_rad >= 0.0 && lens->theta_max_rad <= LR_PI))
        return lr_fail(err, LR_ERR_RANGE, "theta_max_rad: %g is not in [0, pi]", lens->theta_max_rad);
    for (int i = 0; i < 4; i++)
        if (!isfinite(lens->k[i]))
            return lr_fail(err, LR_ERR_RANGE, "k[%d]: %g is not a finite number", i, lens->k[i]);
    if (lens->projection == LR_PROJECTION_TABLE)
        LR_TRY(check_table(&lens->table, err));
    LR_TRY(check_vignetting(&lens->vignetting, err));
    const double reach = projection_reach(lens), used = fmax(theta_used_rad, lens->theta_max_rad);
    if (!(used <= reach))
        return lr_fail(err, LR_ERR_RANGE, "projection: the image ends at %.6g deg, but %.6g deg are needed", reach/LR_DEG, used/LR_DEG);
    if (lens->theta_max_rad > 0.0 && !(theta_used_rad <= lens->theta_max_rad))
        return lr_fail(err, LR_ERR_RANGE, "theta_max_rad: the image is said to end at %.6g deg, but %.6g deg are needed",
                       lens->theta_max_rad/LR_DEG, theta_used_rad/LR_DEG);
    return LR_OK;
}
