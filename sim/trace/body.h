// SPDX-License-Identifier: Apache-2.0
// Bodies: what is intersected by our own code in the object's own frame, in double. Curved shapes, and all that moves.
#ifndef LR_TRACE_BODY_H
#define LR_TRACE_BODY_H

#include <stdint.h>

#include "scene/scene.h"

// A round box about the axis of a curved shape at rest, with a hole through it, in float. What moves has an endless one.
typedef struct lr_body_gate { float center[3], axis[3][3], half, outer, hole; } lr_body_gate;   // axis: x, y, z of the shape in the world; half: along z; radii

typedef struct lr_body {
    const lr_object *object;
    int32_t index;          // of the object in the scene
    int32_t tree;           // which mesh tree holds its triangles, -1: curved
    lr_pose pose;           // at rest
    double inverse_scale;
    lr_body_gate gate;
} lr_body;

typedef struct lr_body_ray {
    lr_vec3 origin, direction;  // local; t along it is the world's, so direction is not of unit length where scale is not 1
    lr_pose pose;               // local to world at the ray's time
} lr_body_ray;

lr_body lr_body_of(const lr_scene *scene, int object, int tree);

// Rays of a packet, structure of arrays; directions of about unit length.
typedef struct lr_body_lanes { const float *origin[3], *direction[3], *t_near, *t_far; } lr_body_lanes;

// A bit each for `count` (at most 16) rays: 0 for those that are off or pass the body by, however numbers round; 1 for those worth working out.
// valid[i]: -1, or 0 for a ray that is off.
unsigned lr_body_gate_keep(const lr_body_gate *gate, const lr_body_lanes *rays, int count, const int *valid);

// Holds the body at every time: boxes at many moments, each grown by the farthest any of its points goes until the next.
lr_box3 lr_body_bounds(const lr_body *body);
// The same in float, a little wider.
void lr_body_padded(const lr_body *body, float lo[3], float hi[3]);

static inline lr_body_ray lr_body_ray_at(const lr_body *body, lr_vec3 origin, lr_vec3 direction, double time_s)
{
    lr_body_ray ray;
    ray.pose = body->object->motion ? lr_object_pose_at(body->object, time_s) : body->pose;
    ray.origin = lr_mul(lr_pose_point_back(ray.pose, origin), body->inverse_scale);
    ray.direction = lr_mul(lr_rotate_back(ray.pose.rotation, direction), body->inverse_scale);
    return ray;
}

#endif
