// SPDX-License-Identifier: Apache-2.0
// Reflectance of smooth surfaces for power: dielectrics, metals, a thin pane. Cosines are of the angle of incidence, 0 .. 1.
// Sources: Born & Wolf, Principles of Optics, 7th ed., sections 1.5 (dielectrics) and 14.2 (metals);
//          N-BK7: Schott's Sellmeier coefficients (catalogue 2017).
#ifndef LR_OPTICS_FRESNEL_H
#define LR_OPTICS_FRESNEL_H

#include <math.h>

typedef struct lr_fresnel { double s, p; } lr_fresnel;  // reflectance of each polarisation
typedef struct lr_pane { double reflectance, transmittance; } lr_pane;  // the rest is absorbed

static inline double lr_fresnel_mean(lr_fresnel f) { return 0.5*(f.s + f.p); }

// eta = index beyond / index on this side. Below 1, total internal reflection gives exactly 1.
lr_fresnel lr_fresnel_dielectric(double cos_i, double eta);
// Metal of index n + i k against vacuum, exact. k = 0 is the dielectric.
lr_fresnel lr_fresnel_conductor(double cos_i, double n, double k);

// Unpolarised, in float, for the path tracer.
static inline float lr_fresnel_dielectric_f(float cos_i, float eta)
{
    const float sin2_t = (1.0f - cos_i*cos_i)/(eta*eta);
    if (!(sin2_t < 1.0f))
        return 1.0f;
    const float cos_t = sqrtf(1.0f - sin2_t);
    const float s = (cos_i - eta*cos_t)/(cos_i + eta*cos_t), p = (eta*cos_i - cos_t)/(eta*cos_i + cos_t);
    return 0.5f*(s*s + p*p);
}
float lr_fresnel_conductor_f(float cos_i, float n, float k);

// Dielectric under evenly diffuse light: integral of F(theta) 2 sin cos. eta above 1 from outside, below 1 from inside.
double lr_fresnel_hemispherical(double eta);

// Clear slab, two surfaces, all inner reflections added as powers (a pane is far thicker than the coherence length).
//   per polarisation, R = one surface, a = exp(-absorption thickness / cos_t):
//   transmittance (1-R)^2 a / (1 - R^2 a^2),   reflectance R (1 + a transmittance)
lr_pane lr_pane_at(double cos_i, double index, double absorption_per_m, double thickness_m);

double lr_index_bk7(double lambda_m);  // N-BK7, 0.3 .. 2.5 um

#endif
