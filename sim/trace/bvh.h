// SPDX-License-Identifier: Apache-2.0
// The ray tracer, behind one file: nearest hits and shadows for batches of rays. Embree's types and version stay in bvh.c.
// Panes (clear surfaces) are kept apart: lr_bvh_intersect sees them, lr_bvh_occluded does not.
#ifndef LR_TRACE_BVH_H
#define LR_TRACE_BVH_H

#include <stdint.h>

#include "core/status.h"
#include "scene/scene.h"

typedef struct lr_bvh lr_bvh;

typedef enum lr_ray_order { LR_RAYS_COHERENT, LR_RAYS_INCOHERENT } lr_ray_order;

// Structure of arrays, 64-byte aligned, capacity a multiple of 16. Directions of unit length.
typedef struct lr_rays {
    int count, capacity;
    float *ox, *oy, *oz, *dx, *dy, *dz;
    float *t_near, *t_far;      // open interval searched
    float *time_s;              // when; only objects that move care
    // answers of lr_bvh_intersect:
    float *t;                   // distance, +INFINITY if nothing
    float *nx, *ny, *nz;        // unit geometric normal, as the shape gives it (not turned to the ray)
    float *u, *v;
    int32_t *object;            // index into scene->object, -1 if nothing
    int32_t *primitive;
    // answer of lr_bvh_occluded:
    uint8_t *blocked;
} lr_rays;

lr_status lr_rays_create(int capacity, lr_rays *out, lr_error *err);
void lr_rays_destroy(lr_rays *rays);

lr_status lr_bvh_create(const lr_scene *scene, int threads, lr_bvh **out, lr_error *err);
void lr_bvh_destroy(lr_bvh *bvh);

// Safe from any number of threads at once.
void lr_bvh_intersect(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order);
void lr_bvh_occluded(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order);

int lr_bvh_has_panes(const lr_bvh *bvh);
// Multiplies transmittance of every bin by what the panes between origin + t_near d and origin + t_far d let through.
void lr_bvh_pane_transmittance(const lr_bvh *bvh, lr_vec3f origin, lr_vec3f direction, float t_near, float t_far, float time_s,
                               float transmittance[LR_MAX_BINS]);

// The same rays by bare packet calls, nothing else done: the least time they can take. For benchmarks. Seconds.
double lr_bvh_bare_seconds(const lr_bvh *bvh, const lr_rays *rays, lr_ray_order order, int occlusion);

#endif
