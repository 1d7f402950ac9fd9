// SPDX-License-Identifier: Apache-2.0
// The ray tracer's answers by trying everything, in double: the second road to each number.
#ifndef LR_TESTS_BRUTE_H
#define LR_TESTS_BRUTE_H

#include "rooms.h"
#include "trace/bvh.h"

typedef struct brute_hit { double t; int object, primitive; lr_vec3 normal; double u, v; } brute_hit;

static inline lr_vec3 brute_corner(const lr_object *o, int triangle, int corner)
{
    const float *p = o->mesh->position[o->mesh->triangle[triangle][corner]];
    return lr_v3((double)p[0], (double)p[1], (double)p[2]);
}

// Source: Moeller and Trumbore, Fast, Minimum Storage Ray/Triangle Intersection, Journal of Graphics Tools 2(1), 1997.
static inline void brute_triangle(const lr_vec3 p[3], lr_vec3 o, lr_vec3 d, double t_near, brute_hit *best)
{
    const lr_vec3 e1 = lr_sub(p[1], p[0]), e2 = lr_sub(p[2], p[0]), q = lr_cross(d, e2);
    const double det = lr_dot(e1, q);
    if (det == 0)
        return;
    const lr_vec3 s = lr_sub(o, p[0]), r = lr_cross(s, e1);
    const double u = lr_dot(s, q)/det, v = lr_dot(d, r)/det, t = lr_dot(e2, r)/det;
    if (u < 0 || v < 0 || u + v > 1 || !(t > t_near && t < best->t))
        return;
    *best = (brute_hit){.t = t, .normal = lr_unit(lr_cross(e1, e2)), .u = u, .v = v};
}

static inline void brute_object(const lr_object *o, int index, lr_vec3 origin, lr_vec3 direction, double t_near, double time_s, brute_hit *best)
{
    const lr_pose pose = o->motion ? lr_object_pose_at(o, time_s) : o->pose;
    const lr_vec3 lo = lr_mul(lr_pose_point_back(pose, origin), 1/o->scale), ld = lr_mul(lr_rotate_back(pose.rotation, direction), 1/o->scale);
    brute_hit near = *best;
    near.primitive = -1;
    lr_curved_hit c;
    if (!o->mesh && lr_curved_intersect(&o->curved, lo, ld, t_near, best->t, &c))
        near = (brute_hit){.t = c.t, .normal = c.normal, .u = c.u, .v = c.v};
    for (int k = 0; o->mesh && k < o->mesh->triangle_count; k++) {
        const double before = near.t;
        brute_triangle((lr_vec3[3]){brute_corner(o, k, 0), brute_corner(o, k, 1), brute_corner(o, k, 2)}, lo, ld, t_near, &near);
        if (near.t < before)
            near.primitive = k;
    }
    if (!(near.t < best->t))
        return;
    *best = near;
    best->object = index;
    best->normal = lr_rotate(pose.rotation, near.normal);
}

// Nearest hit of ray k beyond t_near, and before t_far. object -1: none.
static inline brute_hit brute_nearest(const lr_scene *scene, const lr_rays *rays, int k)
{
    const lr_vec3 o = {(double)rays->ox[k], (double)rays->oy[k], (double)rays->oz[k]}, d = {(double)rays->dx[k], (double)rays->dy[k], (double)rays->dz[k]};
    brute_hit best = {.t = (double)rays->t_far[k], .object = -1, .primitive = -1};
    for (int i = 0; i < scene->object_count; i++)
        brute_object(&scene->object[i], i, o, d, (double)rays->t_near[k], (double)rays->time_s[k], &best);
    return best;
}

// ---- rays for tests -----------------------------------------------------------------------------------------------------

static inline lr_vec3 brute_direction(uint32_t *state)
{
    const double z = 2*room_uniform(state) - 1, a = 2*LR_PI*room_uniform(state), s = sqrt(fmax(0, 1 - z*z));
    return lr_v3(s*cos(a), s*sin(a), z);
}

static inline void brute_set(lr_rays *rays, int k, lr_vec3 o, lr_vec3 d, double t_near, double t_far, double time_s)
{
    rays->ox[k] = (float)o.x, rays->oy[k] = (float)o.y, rays->oz[k] = (float)o.z;
    rays->dx[k] = (float)d.x, rays->dy[k] = (float)d.y, rays->dz[k] = (float)d.z;
    rays->t_near[k] = (float)t_near, rays->t_far[k] = (float)t_far, rays->time_s[k] = (float)time_s;
}

// Evenly in a box, every way.
static inline void brute_random(lr_rays *rays, int count, lr_vec3 lo, lr_vec3 hi, uint32_t *state)
{
    rays->count = count;
    for (int k = 0; k < count; k++) {
        const lr_vec3 o = room_point(state, lo, hi);
        const double time_s = room_uniform(state);
        brute_set(rays, k, o, brute_direction(state), 0, (double)INFINITY, time_s);
    }
}

#endif
