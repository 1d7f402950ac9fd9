// SPDX-License-Identifier: Apache-2.0
// CIE standard general sky (CIE S 011 / ISO 15469):
//   L/Lz = phi(Z) f(chi) / (phi(0) f(Zs)),  phi = 1 + a exp(b/cos Z),  f = 1 + c (exp(d chi) - exp(d pi/2)) + e cos^2 chi
// The one of zero distance to the sun, Z = 0, is the zenith, where chi = Zs.
#include <assert.h>
#include <math.h>

#include "core/vec.h"
#include "optics/daylight.h"

static const double shapes[LR_SKY_TYPES][5] = {
    {4, -0.7, 0, -1, 0},       {4, -0.7, 2, -1.5, 0.15},   {1.1, -0.8, 0, -1, 0},    {1.1, -0.8, 2, -1.5, 0.15},
    {0, -1, 0, -1, 0},         {0, -1, 2, -1.5, 0.15},     {0, -1, 5, -2.5, 0.3},    {0, -1, 10, -3, 0.45},
    {-1, -0.55, 2, -1.5, 0.15}, {-1, -0.55, 5, -2.5, 0.3}, {-1, -0.55, 10, -3, 0.45}, {-1, -0.32, 10, -3, 0.45},
    {-1, -0.32, 16, -3, 0.3},  {-1, -0.15, 16, -3, 0.3},   {-1, -0.15, 24, -2.8, 0.15},
};

static double gradation(const lr_sky *sky, double cos_zenith)
{
    return 1.0 + sky->a*exp(sky->b/fmax(cos_zenith, 1e-300));  // b is negative: 1 at the horizon
}

static double indicatrix(const lr_sky *sky, double cos_sun)
{
    const double c = fmin(fmax(cos_sun, -1.0), 1.0);
    return 1.0 + sky->c*(exp(sky->d*acos(c)) - exp(sky->d*0.5*LR_PI)) + sky->e*c*c;
}

lr_status lr_sky_create(int type, double sun_zenith_rad, lr_sky *out, lr_error *err)
{
    assert(out);
    if (!(type >= 1 && type <= LR_SKY_TYPES))
        return lr_fail(err, LR_ERR_RANGE, "sky type %d is not in 1 .. %d", type, LR_SKY_TYPES);
    if (!(sun_zenith_rad >= 0.0 && sun_zenith_rad <= LR_PI))
        return lr_fail(err, LR_ERR_RANGE, "sun zenith angle %g deg is not in [0, 180]", sun_zenith_rad/LR_DEG);
    const double *s = shapes[type - 1];
    *out = (lr_sky){s[0], s[1], s[2], s[3], s[4], 1.0};
    out->scale = 1.0/(gradation(out, 1.0)*indicatrix(out, cos(sun_zenith_rad)));
    return LR_OK;
}

double lr_sky_ratio(const lr_sky *sky, double cos_zenith, double cos_sun)
{
    if (!(cos_zenith >= 0.0))
        return 0.0;
    return sky->scale*gradation(sky, cos_zenith)*indicatrix(sky, cos_sun);
}

// Gauss-Legendre in zenith angle, evenly in azimuth over the half that mirrors the other.
double lr_sky_horizontal(const lr_sky *sky, double sun_zenith_rad)
{
    static const double x[2] = {0.33998104358485626480, 0.86113631159405257522};
    static const double w[2] = {0.65214515486254614263, 0.34785484513745385737};  // 4 points
    const int panels = 40, around = 180;
    const double cos_s = cos(sun_zenith_rad), sin_s = sin(sun_zenith_rad), half = 0.25*LR_PI/panels;
    double sum = 0.0;
    for (int i = 0; i < 4*panels; i++) {
        const int j = i % 4;
        const double node = j < 2 ? -x[1 - j] : x[j - 2], weight = j < 2 ? w[1 - j] : w[j - 2];
        const double zenith = half*(2*(i/4) + 1 + node), cz = cos(zenith), sz = sin(zenith);
        double ring = 0.0;
        for (int k = 0; k < around; k++)
            ring += indicatrix(sky, cos_s*cz + sin_s*sz*cos(LR_PI*(k + 0.5)/around));
        sum += half*weight*sz*cz*gradation(sky, cz)*ring*2.0*LR_PI/around;
    }
    return sky->scale*sum;
}
