// SPDX-License-Identifier: Apache-2.0
// What a kind of curved shape must be able to do: one row of the table in shape.c. Private to the shape files.
#ifndef LR_SCENE_SHAPE_KIND_H
#define LR_SCENE_SHAPE_KIND_H

#include "scene/shape.h"

// The ray as the kinds see it: `d` of unit length and `o` its closest point to the shape's centre, so that numbers stay
// of the size of the shape however far away the eye is. Searched between lo and hi, both excluded. `any`: it only matters that there is a crossing,
// so what is kept may be any place between lo and hi then.
typedef struct lr_shape_ray { lr_vec3 o, d; double lo, hi; int any; } lr_shape_ray;

// Nearest crossing so far, and which part of the surface it lies on (a kind's own numbers). Start from s = HUGE_VAL.
typedef struct lr_shape_cross { double s; int part; } lr_shape_cross;

static inline void lr_shape_keep(const lr_shape_ray *ray, double s, int part, lr_shape_cross *best)
{
    if (s > ray->lo && s < ray->hi && s < best->s)  // NaN fails
        *best = (lr_shape_cross){s, part};
}

// Share of a turn, 0..1, of the direction (x, y).
static inline double lr_shape_turn(double x, double y)
{
    const double turn = atan2(y, x)/(2.0*LR_PI);
    return turn < 0.0 ? turn + 1.0 : turn;
}

static inline double lr_shape_wrap(double u) { return u - floor(u); }

typedef struct lr_shape_kind {
    const char *name;
    lr_status (*check)(const lr_curved *curved, lr_error *err);
    lr_box3 (*bounds)(const lr_curved *curved);
    double (*area)(const lr_curved *curved);
    void (*cross)(const lr_curved *curved, const lr_shape_ray *ray, lr_shape_cross *best);
    // Unit normal, u and v at a point of a part.
    void (*surface)(const lr_curved *curved, lr_vec3 p, int part, lr_curved_hit *hit);
    void (*uv_size)(const lr_curved *curved, double size_m[2]);
    lr_vec3 (*sample)(const lr_curved *curved, double u, double v, double w, int *part);
} lr_shape_kind;

extern const lr_shape_kind lr_shape_sphere, lr_shape_cylinder, lr_shape_cone, lr_shape_capsule, lr_shape_disc, lr_shape_torus;

// Checks a size: finite, above `above`, not absurd. Names the key of the files.
lr_status lr_shape_size(const char *key, double value_m, double above_m, lr_error *err);

#endif
