// SPDX-License-Identifier: Apache-2.0
// The cube root of a gamma deviate is nearly normal (Wilson & Hilferty, PNAS 17, 1931), so its quantiles over the normal
// score z are nearly a straight line. A table of them, exact at its places, serves every shape from M = 1 up at the
// cost of one normal deviate, one look-up and a cube.
#include "sensor/speckle.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "core/vec.h"
#include "sensor/noise.h"

// 6.5 is beyond the largest deviate of 32 bits. At 32 steps to the unit a straight line is off by 1e-4 of the mean at worst.
enum { STEPS_PER_Z = 32, STEPS = 13*STEPS_PER_Z };
#define Z_TOP 6.5

struct lr_speckle {
    uint64_t seed;
    int module, camera, laser;
    float root[STEPS + 2];            // cube root of the quantile at z = -Z_TOP + i/STEPS_PER_Z; one to spare
};

// ---- How many speckles ------------------------------------------------------------------------------------------

lr_speckle_def lr_speckle_def_default(void)
{
    return (lr_speckle_def){.f_number = 2, .wavelength_m = 850e-9, .pitch_m = 3.5e-6, .width_m = 14e-6};
}

lr_status lr_speckle_def_check(const lr_speckle_def *d, lr_error *err)
{
    if (!(d->f_number > 0.0 && d->f_number <= 100.0))
        return lr_fail(err, LR_ERR_RANGE, "f_number: %.15g is not in (0, 100]", d->f_number);
    if (!(d->wavelength_m >= 100e-9 && d->wavelength_m <= 20e-6))
        return lr_fail(err, LR_ERR_RANGE, "wavelength_m: %.15g is not in [1e-07, 2e-05]", d->wavelength_m);
    if (!(d->pitch_m > 0.0 && d->pitch_m <= 1e-3))
        return lr_fail(err, LR_ERR_RANGE, "pitch_m: %.15g is not in (0, 0.001]", d->pitch_m);
    if (!(d->width_m > 0.0 && d->width_m <= 1e-2))
        return lr_fail(err, LR_ERR_RANGE, "width_m: %.15g is not in (0, 0.01]", d->width_m);
    if (!(d->drag_m >= 0.0 && d->drag_m <= 0.1))
        return lr_fail(err, LR_ERR_RANGE, "drag_m: %.15g is not in [0, 0.1]", d->drag_m);
    if (!(d->polarisation >= 0.0 && d->polarisation <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "polarisation: %.15g is not in [0, 1]", d->polarisation);
    return LR_OK;
}

static double coherence2(double s)
{
    if (s < 1e-4)
        return 1.0;
    const double mu = 2.0*j1(s)/s;
    return mu*mu;
}

// How far apart across the line two random points of the pixel lie, when a box of width w is dragged over a path d: two
// triangles folded together. A triangle is the second difference of |y|, so the fold is one of |y|^3:
//   density(y) = [ sum over i, j = -1, 0, 1 of c_i c_j |y + i w + j d|^3 ] / (12 w^2 d^2),   c = 1, -2, 1
static double density_across(double y, double w, double d)
{
    y = fabs(y);
    if (d < 1e-3*w)
        return y < w ? (w - y)/(w*w) : 0.0;
    if (w < 1e-3*d)
        return y < d ? (d - y)/(d*d) : 0.0;
    static const double c[3] = {1.0, -2.0, 1.0};
    double sum = 0.0;
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++) {
            const double t = fabs(y + (i - 1)*w + (j - 1)*d);
            sum += c[i]*c[j]*t*t*t;
        }
    return fmax(0.0, sum/(12.0*w*w*d*d));
}

// |mu|^2 holds no wave shorter than pi in s, so steps of 1/2 lose nothing over a wide pixel; the corner of the density at
// 0 asks for finer ones where few fit.
static int steps_over(double s) { return 16 + (int)(s < 50.0 ? 8.0*s : 400.0 + 2.0*(s - 50.0)); }

// Mean of |mu|^2 over all pairs of points of the pixel, by the midpoint rule. |mu|^2 falls as 4/(pi s^3): what lies
// beyond s = 1000 is 6e-4 of the whole at most.
double lr_speckle_count(const lr_speckle_def *d)
{
    const double unit_m = d->wavelength_m*d->f_number/LR_PI, reach_m = 1000.0*unit_m;
    const double top_x = fmin(d->pitch_m, reach_m), top_y = fmin(d->width_m + d->drag_m, reach_m);
    const int nx = steps_over(top_x/unit_m), ny = steps_over(top_y/unit_m);
    const double hx = top_x/nx, hy = top_y/ny;
    double sum = 0.0;
    for (int j = 0; j < ny; j++) {
        const double y = (j + 0.5)*hy;
        double row = 0.0;
        for (int i = 0; i < nx; i++) {
            const double x = (i + 0.5)*hx;
            row += (d->pitch_m - x)/(d->pitch_m*d->pitch_m)*coherence2(hypot(x, y)/unit_m);
        }
        sum += row*density_across(y, d->width_m, d->drag_m);
    }
    const double area = 4.0*sum*hx*hy, polarisation = 2.0/(1.0 + d->polarisation*d->polarisation);
    return fmax(1.0, 1.0/area)*polarisation;
}

// ---- Gamma quantiles --------------------------------------------------------------------------------------------

// P(shape, x), regularised, or Q = 1 - P for the upper tail: a series below the mean, Lentz's continued fraction above.
// Source: Abramowitz & Stegun 6.5.29 and 6.5.31; modified Lentz as in Thompson & Barnett, J. Comput. Phys. 64 (1986).
static double gamma_series(double shape, double x)
{
    double term = 1.0/shape, sum = term;
    for (int n = 1; n < 100000 && term > 1e-17*sum; n++) {
        term *= x/(shape + n);
        sum += term;
    }
    return sum*exp(shape*log(x) - x - lgamma(shape));
}

static double gamma_fraction(double shape, double x)
{
    double b = x + 1.0 - shape, c = 1e300, d = 1.0/b, h = d;
    for (int n = 1; n < 100000; n++) {
        const double a = -n*(n - shape);
        b += 2.0;
        d = a*d + b;
        c = b + a/c;
        d = 1.0/(fabs(d) < 1e-300 ? 1e-300 : d);
        const double step = c*d;
        h *= step;
        if (fabs(step - 1.0) < 1e-15)
            break;
    }
    return h*exp(shape*log(x) - x - lgamma(shape));
}

// log of the smaller tail at x, below or above.
static double log_tail(double shape, double x, int upper)
{
    const int series = x < shape + 1.0;
    const double direct = series ? gamma_series(shape, x) : gamma_fraction(shape, x);
    const double tail = series == !upper ? direct : 1.0 - direct;
    return log(fmax(tail, 1e-300));
}

// x with P(shape, x) = Phi(z), by bisection in log x around the start of Wilson & Hilferty: slow and sure, once a table.
static double gamma_quantile(double shape, double z)
{
    const int upper = z > 0.0;
    const double want = log(0.5*erfc(fabs(z)/sqrt(2.0)));
    double lo = -60.0, hi = log(shape + 20.0*sqrt(shape) + 60.0);
    for (int i = 0; i < 60; i++) {
        const double mid = 0.5*(lo + hi), got = log_tail(shape, exp(mid), upper);
        if ((got < want) != upper)
            lo = mid;
        else
            hi = mid;
    }
    return exp(0.5*(lo + hi));
}

#define EXACT_TO 200.0  // above this shape Wilson & Hilferty is right to 1e-4 of the mean

static void fill_table(float *root, double shape)
{
    const double a = 1.0 - 1.0/(9.0*shape), b = 1.0/(3.0*sqrt(shape));
    for (int i = 0; i < STEPS + 2; i++) {
        const double z = -Z_TOP + (double)i/STEPS_PER_Z;
        const double y = shape <= EXACT_TO ? cbrt(gamma_quantile(shape, z)/shape) : fmax(0.0, a + b*z);
        root[i] = (float)y;
    }
}

lr_status lr_speckle_create(double count, uint64_t seed, int module, int camera, int laser, lr_speckle **out, lr_error *err)
{
    assert(out);
    *out = NULL;
    if (!(count >= 1.0 && count <= 1e6))
        return lr_fail(err, LR_ERR_RANGE, "speckles per pixel: %.15g is not in [1, 1000000]", count);
    lr_speckle *s = calloc(1, sizeof *s);
    if (!s)
        return lr_fail(err, LR_ERR_MEMORY, "speckle: out of memory");
    s->seed = seed;
    s->module = module;
    s->camera = camera;
    s->laser = laser;
    fill_table(s->root, count);
    *out = s;
    return LR_OK;
}

void lr_speckle_destroy(lr_speckle *speckle) { free(speckle); }

void lr_speckle_line(const lr_speckle *s, int64_t line, int pixels, float *factor)
{
    assert(s && factor);
    const lr_noise_stream stream = lr_noise_stream_of(s->seed, s->module, s->camera, LR_NOISE_SPECKLE, s->laser, line);
    uint32_t a[LR_NOISE_BLOCK], b[LR_NOISE_BLOCK];
    float z[LR_NOISE_BLOCK];
    for (int first = 0; first < pixels; first += LR_NOISE_BLOCK) {
        const int count = pixels - first < LR_NOISE_BLOCK ? pixels - first : LR_NOISE_BLOCK;
        lr_noise_bits(&stream, (uint32_t)first/LR_NOISE_BLOCK, a, b);
        lr_noise_normal(a, count, z);
        for (int i = 0; i < count; i++) {
            const float at = (z[i] + (float)Z_TOP)*STEPS_PER_Z;
            const int k = (int)at;
            const float y = s->root[k] + (at - (float)k)*(s->root[k + 1] - s->root[k]);
            factor[first + i] = y*y*y;
        }
    }
}
