// SPDX-License-Identifier: Apache-2.0
// The table of curved shapes, and what is the same for all: moving the ray close, and back.
#include "scene/shape.h"

#include <assert.h>

#include "scene/shape_kind.h"

#define SIZE_MOST_M 1e6  // beyond it, float rays of the tracer could not tell millimetres anyway

static const lr_shape_kind *const kinds[LR_CURVED_KINDS] = {
    [LR_CURVED_SPHERE] = &lr_shape_sphere,   [LR_CURVED_CYLINDER] = &lr_shape_cylinder,
    [LR_CURVED_CONE] = &lr_shape_cone,       [LR_CURVED_CAPSULE] = &lr_shape_capsule,
    [LR_CURVED_DISC] = &lr_shape_disc,       [LR_CURVED_TORUS] = &lr_shape_torus,
};

lr_status lr_shape_size(const char *key, double value_m, double above_m, lr_error *err)
{
    if (!(value_m > above_m))
        return lr_fail(err, LR_ERR_RANGE, "%s: %g is not above %g", key, value_m, above_m);
    if (!(value_m <= SIZE_MOST_M))
        return lr_fail(err, LR_ERR_RANGE, "%s: %g is above %g", key, value_m, SIZE_MOST_M);
    return LR_OK;
}

lr_status lr_curved_check(const lr_curved *curved, lr_error *err)
{
    assert(curved);
    if ((int)curved->kind < 0 || curved->kind >= LR_CURVED_KINDS)
        return lr_fail(err, LR_ERR_RANGE, "shape: %d is not a kind of curved shape", (int)curved->kind);
    LR_TRY(lr_shape_size("radius_m", curved->radius, 0.0, err));
    return kinds[curved->kind]->check(curved, err);
}

int lr_curved_intersect(const lr_curved *curved, lr_vec3 origin, lr_vec3 direction, double t_near, double t_far, lr_curved_hit *hit)
{
    const double length = lr_length(direction);
    if (!(length > 0.0 && length < HUGE_VAL))
        return 0;
    const lr_shape_kind *kind = kinds[curved->kind];
    const lr_vec3 d = lr_mul(direction, 1.0/length);
    const double s0 = -lr_dot(origin, d);
    lr_shape_ray ray = {lr_mad(origin, s0, d), d, t_near*length - s0, t_far*length - s0, !hit};
    // Coming back to t rounds: a crossing at the very end of the interval may fall out of it, and then the next counts.
    for (int attempt = 0; attempt < 4; ++attempt) {
        lr_shape_cross best = {HUGE_VAL, 0};
        kind->cross(curved, &ray, &best);
        if (!(best.s < HUGE_VAL))
            return 0;
        const double t = (best.s + s0)/length;
        if (t > t_near && t < t_far) {
            if (!hit)
                return 1;
            hit->t = t;
            kind->surface(curved, lr_mad(ray.o, best.s, d), best.part, hit);
            return 1;
        }
        ray.lo = best.s;
    }
    return 0;
}

lr_box3 lr_curved_bounds(const lr_curved *curved) { return kinds[curved->kind]->bounds(curved); }

double lr_curved_area(const lr_curved *curved) { return kinds[curved->kind]->area(curved); }

void lr_curved_uv_size(const lr_curved *curved, double size_m[2]) { kinds[curved->kind]->uv_size(curved, size_m); }

void lr_curved_sample(const lr_curved *curved, double u, double v, double w, lr_vec3 *point, lr_vec3 *normal)
{
    int part = 0;
    lr_curved_hit hit;
    *point = kinds[curved->kind]->sample(curved, u, v, w, &part);
    kinds[curved->kind]->surface(curved, *point, part, &hit);
    *normal = hit.normal;
}
