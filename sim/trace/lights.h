// SPDX-License-Identifier: Apache-2.0
// The room's lamps and openings as light paths need them: flat tables in float, and the chance of choosing each.
#ifndef LR_TRACE_LIGHTS_H
#define LR_TRACE_LIGHTS_H

#include <math.h>

#include "core/anglef.h"
#include "core/vecf.h"
#include "scene/scene.h"

typedef struct lr_lit_lamp {
    int lamp;             // index into scene->lamp
    int object, source;
    float strength;       // radiance over the source's spectrum
    float reach;          // all of it is within this of `center`; INFINITY where not known [m]
    float area, power;    // m^2; in-band exitance times area, for choosing
    int planar;           // rectangle: corner + a u + b v
    int one_sided;        // planar and dark from behind
    int round;            // sphere, capsule or cylinder shining outwards: radius, half_m and frame
    int capped;           // its ends are flat
    float radius, half_m; // half_m: along the axis from the middle to a flat end or to the centre of a round one
    float side_share;     // of its area
    lr_frame3f frame;     // in the world, axis z
    lr_vec3f center, corner, u, v, normal;
} lr_lit_lamp;

typedef struct lr_lit_portal { lr_vec3f center, corner, u, v, normal; float area; } lr_lit_portal;

typedef struct lr_lights {
    const lr_scene *scene;
    int lamp_count, portal_count;
    lr_lit_lamp *lamp;            // those with light in the scan's bins
    lr_lit_portal *portal;
    int *lamp_of_object;          // index into lamp, or -1 (scene->object_count)
    lr_frame3f sun_frame;         // z towards the sun
    float sun_sine;               // of the disc's radius
} lr_lights;

lr_status lr_lights_create(const lr_scene *scene, const lr_bins *bins, lr_lights *out, lr_error *err);
void lr_lights_destroy(lr_lights *lights);

// How much lamp `l` might matter at x: power over distance squared, softened by its size.
static inline float lr_lights_lamp_weight(const lr_lit_lamp *l, lr_vec3f x)
{
    const lr_vec3f d = lr_subf(x, l->center);
    if (l->one_sided && lr_dotf(d, l->normal) <= 0.0f)
        return 0.0f;
    return l->power/(lr_dotf(d, d) + l->area);
}
// About the most of it that a surface at x can catch by the cosines at both ends, 0 .. 1; 0: it is all behind the surface.
static inline float lr_lights_lamp_slant(const lr_lit_lamp *l, lr_vec3f x, lr_vec3f normal)
{
    const lr_vec3f to = lr_subf(l->center, x);
    const float far = sqrtf(lr_dotf(to, to)), here = (lr_dotf(normal, to) + l->reach)/far;
    const float there = l->planar ? (fabsf(lr_dotf(l->normal, to)) + 0.1f*l->reach)/far : 1.0f;
    return lr_maxf(0.0f, lr_minf(here, 1.0f)*lr_minf(there, 1.0f));
}
static inline float lr_lights_portal_weight(const lr_lit_portal *p, lr_vec3f x)
{
    const lr_vec3f d = lr_subf(x, p->center);
    return p->area/(lr_dotf(d, d) + p->area);
}
// Picks a lamp by its weight at x; `pick` in [0, 1). -1: none matters there.
int lr_lights_pick_lamp(const lr_lights *lights, lr_vec3f x, float pick, float *weight, float *total);
// Whether a ray from x may meet a lamp, as far as their spheres tell.
int lr_lights_lamp_ahead(const lr_lights *lights, lr_vec3f x, lr_vec3f d);
// Weights of the openings at x, worked out once for picking one and for the density of it.
#define LR_PORTALS_AT_HAND 16      // more of them are worked out again
typedef struct lr_portal_weights { lr_vec3f x; float total, of[LR_PORTALS_AT_HAND]; } lr_portal_weights;
void lr_lights_weigh_portals(const lr_lights *lights, lr_vec3f x, lr_portal_weights *weights);
int lr_lights_pick_portal(const lr_lights *lights, const lr_portal_weights *weights, float pick);   // `pick` in [0, 1); there is one
// Density over solid angle of choosing direction d from there through the openings [1/sr].
float lr_lights_portal_pdf(const lr_lights *lights, const lr_portal_weights *weights, lr_vec3f d);
// A point on a lamp and its normal.
void lr_lights_lamp_point(const lr_lights *lights, const lr_lit_lamp *l, float u, float v, float w, lr_vec3f *point, lr_vec3f *normal);

#endif
