// SPDX-License-Identifier: Apache-2.0
// The ray tracer, behind one file: nearest hits and shadows for batches of rays. Embree's types and version stay in bvh.c.
// Panes (clear surfaces) are kept apart: lr_bvh_intersect sees them, lr_bvh_occluded does not.
#ifndef LR_TRACE_BVH_H
#define LR_TRACE_BVH_H

#include <stdint.h>

#include "core/status.h"
#include "scene/scene.h"
#include "trace/facets.h"

typedef struct lr_bvh lr_bvh;

typedef enum lr_ray_order { LR_RAYS_COHERENT, LR_RAYS_INCOHERENT } lr_ray_order;

// Structure of arrays, 64-byte aligned, capacity a multiple of 16: the tracer reads whole packets, so up to 15 places past the
// last ray must be there. Directions of unit length. A ray that is not finite, or with t_near >= t_far, hits nothing.
typedef struct lr_rays {
    int count, capacity;
    float *ox, *oy, *oz, *dx, *dy, *dz;
    float *t_near, *t_far;      // open interval searched, its ends to the rounding of a distance (2e-7 of the coordinates)
    float *time_s;              // when; only objects that move care
    // answers of lr_bvh_intersect:
    float *t;                   // distance, +INFINITY if nothing
    float *nx, *ny, *nz;        // unit geometric normal, as the shape gives it (not turned to the ray)
    float *u, *v;
    int32_t *object;            // index into scene->object, -1 if nothing
    int32_t *primitive;
    // answer of lr_bvh_occluded:
    uint8_t *blocked;
    // answer of lr_bvh_occluded_panes:
    uint8_t *panes;             // 1: not blocked, but there is a pane on the way
} lr_rays;

// Rounds the capacity up to a multiple of 16. RANGE, MEMORY
lr_status lr_rays_create(int capacity, lr_rays *out, lr_error *err);
void lr_rays_destroy(lr_rays *rays);

// Keeps `scene`, which must outlive it; materials may be baked later. Meshes at rest are laid out in world coordinates, but a large
// one that several objects share is kept once. `threads` build it. MEMORY, EMBREE
lr_status lr_bvh_create(const lr_scene *scene, int threads, lr_bvh **out, lr_error *err);
void lr_bvh_destroy(lr_bvh *bvh);

// Safe from any number of threads at once. An answer does not depend on the other rays of its batch. Rays that start on a
// surface should start 10 um off it. A closed mesh is tight, but of rays aimed exactly at one of its corners 1 in 2000 slips through.
void lr_bvh_intersect(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order);
void lr_bvh_occluded(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order);

int lr_bvh_has_panes(const lr_bvh *bvh);
const lr_facets *lr_bvh_facets(const lr_bvh *bvh, lr_layer layer);   // triangles at rest, in the world
int lr_bvh_may_be_pane(const lr_bvh *bvh, int object);   // 0: none of the object's surfaces is a pane
// As lr_bvh_occluded, and which of the rays that are not blocked meet a pane.
void lr_bvh_occluded_panes(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order);
// Multiplies transmittance of every bin by what the panes between origin + t_near d and origin + t_far d let through.
// Each crossing counts by the surface's lr_surface_pane_transmittance; two closer than 10 um count once, those after the 64th not.
// Needs the scene baked.
void lr_bvh_pane_transmittance(const lr_bvh *bvh, lr_vec3f origin, lr_vec3f direction, float t_near, float t_far, float time_s,
                               float transmittance[LR_MAX_BINS]);

// The same rays by bare packet calls: the least time they can take. For benchmarks. CPU seconds of the calling thread. Visits the very
// scenes that lr_bvh_intersect (all, with panes), lr_bvh_occluded (opaque ones) or lr_bvh_occluded_panes (panes too, for packets not all blocked)
// visits, our own code for curved shapes included; packing rays before and reading answers after are left out.
typedef enum lr_ray_question { LR_ASK_NEAREST, LR_ASK_BLOCKED, LR_ASK_BLOCKED_PANES } lr_ray_question;
double lr_bvh_bare_seconds(const lr_bvh *bvh, const lr_rays *rays, lr_ray_order order, lr_ray_question question);

#endif
