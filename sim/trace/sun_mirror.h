// SPDX-License-Identifier: Apache-2.0
// Flat mirrors that the sun reaches: panes, glass, mirrors and smooth metal at rest. What a point gets of the sun by way of one is found as exactly as what it
// gets straight: the sun's disc stands mirrored behind it, one ray goes from the point to the mirror, one on to the sun.
// The largest are kept here. What smaller and bent ones, and two one after the other, cast is left to light paths (trace/path.c), which blur it.
#ifndef LR_TRACE_SUN_MIRROR_H
#define LR_TRACE_SUN_MIRROR_H

#include "core/status.h"
#include "core/vecf.h"
#include "scene/scene.h"
#include "trace/bvh.h"
#include "trace/lights.h"

#define LR_SUN_MIRRORS 64       // at most: a bit each
#define LR_SUN_MIRROR_CELLS 32  // a side of the grid that tells which matter

typedef struct lr_sun_mirror {
    int32_t object, primitive;
    const lr_surface *surface;
    lr_vec3f corner, normal;    // the middle of a disc; the normal is on the side that the sun is on
    lr_vec3f edge[2];           // of a triangle, from the corner
    lr_vec3f across[2];         // dotted with what leads to a place from the corner: its shares of the edges, 0 or above and together at most 1
    float outer2, inner2;       // of a disc: squared radii; outer2 0: a triangle
} lr_sun_mirror;

typedef struct lr_sun_mirrors {   // read-only after create; all 0: there are none
    int count;
    lr_sun_mirror *mirror;        // largest first
    lr_vec3f low;                 // corner of the grid
    float per_m;                  // cells a metre
    uint64_t (*near)[LR_SUN_MIRROR_CELLS][LR_SUN_MIRROR_CELLS];   // z, y, x: whose light may reach into a cell
} lr_sun_mirrors;

// The scene is baked, there is a sun; `eye`: the middle of the grid. MEMORY
lr_status lr_sun_mirrors_create(const lr_scene *scene, const lr_bvh *bvh, const lr_lights *lights, lr_vec3 eye, lr_sun_mirrors *out, lr_error *err);
void lr_sun_mirrors_destroy(lr_sun_mirrors *mirrors);

int lr_sun_mirrors_have(const lr_sun_mirrors *mirrors, int object, int primitive);   // 1: it is kept here

// Those whose light may reach p, a bit each.
static inline uint64_t lr_sun_mirrors_near(const lr_sun_mirrors *m, lr_vec3f p)
{
    if (m->count == 0)
        return 0;
    const float side = (float)LR_SUN_MIRROR_CELLS, x = (p.x - m->low.x)*m->per_m, y = (p.y - m->low.y)*m->per_m, z = (p.z - m->low.z)*m->per_m;
    const int inside = (x >= 0.0f) & (y >= 0.0f) & (z >= 0.0f) & (x < side) & (y < side) & (z < side);
    return inside ? m->near[(int)z][(int)y][(int)x] : UINT64_MAX >> (LR_SUN_MIRRORS - m->count);
}

typedef struct lr_sun_picture { lr_vec3f wi, place; float distance, cosine; } lr_sun_picture;   // where to look, where on the mirror that is, and the angle there

// Where a place of the sun's disc, towards `to_sun` (unit), stands in the mirror as seen from p. 0: nowhere.
int lr_sun_mirror_look(const lr_sun_mirror *mirror, lr_vec3f p, lr_vec3f to_sun, lr_sun_picture *out);

#endif
