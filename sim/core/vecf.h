// SPDX-License-Identifier: Apache-2.0
// Vectors in float, for the inner loops of the light paths. Geometry that must be exact stays in vec.h.
#ifndef LR_CORE_VECF_H
#define LR_CORE_VECF_H

#include <math.h>

#include "core/vec.h"

typedef struct lr_vec3f { float x, y, z; } lr_vec3f;

static inline lr_vec3f lr_v3f(float x, float y, float z) { return (lr_vec3f){x, y, z}; }
static inline lr_vec3f lr_v3f_of(lr_vec3 v) { return lr_v3f((float)v.x, (float)v.y, (float)v.z); }
static inline lr_vec3f lr_addf(lr_vec3f a, lr_vec3f b) { return lr_v3f(a.x + b.x, a.y + b.y, a.z + b.z); }
static inline lr_vec3f lr_subf(lr_vec3f a, lr_vec3f b) { return lr_v3f(a.x - b.x, a.y - b.y, a.z - b.z); }
static inline lr_vec3f lr_mulf(lr_vec3f a, float s) { return lr_v3f(a.x*s, a.y*s, a.z*s); }
static inline lr_vec3f lr_madf(lr_vec3f a, float s, lr_vec3f b) { return lr_v3f(a.x + s*b.x, a.y + s*b.y, a.z + s*b.z); }
static inline float lr_dotf(lr_vec3f a, lr_vec3f b) { return a.x*b.x + a.y*b.y + a.z*b.z; }
static inline lr_vec3f lr_crossf(lr_vec3f a, lr_vec3f b)
{
    return lr_v3f(a.y*b.z - a.z*b.y, a.z*b.x - a.x*b.z, a.x*b.y - a.y*b.x);
}
static inline lr_vec3f lr_unitf(lr_vec3f a) { return lr_mulf(a, 1.0f/sqrtf(lr_dotf(a, a))); }

typedef struct lr_frame3f { lr_vec3f x, y, z; } lr_frame3f;
// Right-handed frame around the unit normal n (Duff et al., JCGT 6(1), 2017).
static inline lr_frame3f lr_frame_aroundf(lr_vec3f n)
{
    const float sign = n.z >= 0.0f ? 1.0f : -1.0f, a = -1.0f/(sign + n.z), b = n.x*n.y*a;
    return (lr_frame3f){{1.0f + sign*n.x*n.x*a, sign*b, -sign*n.x}, {b, sign + n.y*n.y*a, -n.y}, n};
}
static inline lr_vec3f lr_frame_tof(lr_frame3f f, lr_vec3f v)  // frame coordinates -> parent
{
    return lr_v3f(f.x.x*v.x + f.y.x*v.y + f.z.x*v.z, f.x.y*v.x + f.y.y*v.y + f.z.y*v.z,
                  f.x.z*v.x + f.y.z*v.y + f.z.z*v.z);
}
static inline lr_vec3f lr_frame_fromf(lr_frame3f f, lr_vec3f v)  // parent -> frame coordinates
{
    return lr_v3f(lr_dotf(f.x, v), lr_dotf(f.y, v), lr_dotf(f.z, v));
}

#endif
