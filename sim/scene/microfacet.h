// SPDX-License-Identifier: Apache-2.0
// GGX microfacets: how many face where, which are seen, and drawing one that is seen. Local frame, z the normal, w.z above 0.
// Sources: Walter et al., Microfacet Models for Refraction through Rough Surfaces, EGSR 2007 (the distribution);
//          Heitz, Understanding the Masking-Shadowing Function, JCGT 3(2), 2014 (Smith, height-correlated, stretched);
//          Dupuy & Benyoub, Sampling Visible GGX Normals with Spherical Caps, CGF 42(8), 2023.
#ifndef LR_SCENE_MICROFACET_H
#define LR_SCENE_MICROFACET_H

#include "core/anglef.h"
#include "core/vecf.h"

#define LR_PI_F 3.14159265f

// Facets per solid angle around h [1/sr]; the integral of D h.z is 1.
static inline float lr_ggx_d(lr_vec3f h, float ax, float ay)
{
    const float x = h.x/ax, y = h.y/ay, s = x*x + y*y + h.z*h.z;
    return 1.0f/(LR_PI_F*ax*ay*s*s);
}

// Smith's Lambda. Seen alone: G1 = 1/(1 + Lambda); seen and lit: G2 = 1/(1 + Lambda_o + Lambda_i).
static inline float lr_ggx_lambda(lr_vec3f w, float ax, float ay)
{
    const float x = ax*w.x, y = ay*w.y;
    return 0.5f*(sqrtf(1.0f + (x*x + y*y)/(w.z*w.z)) - 1.0f);
}

// A facet drawn by how much of it is seen from w: density G1(w) D(h) (w.h)/w.z. By cosine and sine of its turn.
static inline lr_vec3f lr_ggx_facet(lr_vec3f w, float ax, float ay, float cosine, float sine, float v)
{
    const lr_vec3f s = lr_unitf(lr_v3f(ax*w.x, ay*w.y, w.z));  // as seen by facets of roughness 1
    const float z = (1.0f - v)*(1.0f + s.z) - s.z, r = sqrtf(lr_maxf(0.0f, 1.0f - z*z));
    const lr_vec3f h = lr_v3f(r*cosine + s.x, r*sine + s.y, z + s.z);
    return lr_unitf(lr_v3f(ax*h.x, ay*h.y, lr_maxf(h.z, 1e-9f)));
}

static inline lr_vec3f lr_ggx_draw(lr_vec3f w, float ax, float ay, float u, float v)
{
    float cosine, sine;
    lr_turnf(u, &cosine, &sine);
    return lr_ggx_facet(w, ax, ay, cosine, sine, v);
}

static inline lr_vec3f lr_mirrorf(lr_vec3f w, lr_vec3f h) { return lr_subf(lr_mulf(h, 2.0f*lr_dotf(w, h)), w); }

#endif
