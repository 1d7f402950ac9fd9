// SPDX-License-Identifier: Apache-2.0
// Whether triangles are the skin of something: a closed surface, all of it turned outwards.
#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "scene/shape.h"

// By its ends, not by the numbers of its corners: where colour or texture changes, one place is several corners.
typedef struct edge { float end[2][3]; int way; } edge;   // ends in order; +1: the triangle runs from end 0 to end 1, -1: back, 0: nowhere

static int by_ends(const void *a, const void *b) { return memcmp(((const edge *)a)->end, ((const edge *)b)->end, sizeof ((const edge *)a)->end); }

static edge edge_of(const float *from, const float *to)
{
    edge e;
    for (int k = 0; k < 3; k++) {
        e.end[0][k] = from[k] + 0.0f;   // one zero, not two
        e.end[1][k] = to[k] + 0.0f;
    }
    const int order = memcmp(e.end[0], e.end[1], sizeof e.end[0]);
    e.way = (order < 0) - (order > 0);
    for (int k = 0; order > 0 && k < 3; k++) {
        const float end = e.end[0][k];
        e.end[0][k] = e.end[1][k];
        e.end[1][k] = end;
    }
    return e;
}

static lr_vec3 corner(const lr_mesh *mesh, uint32_t vertex)
{
    const float *p = mesh->position[vertex];
    return lr_v3((double)p[0], (double)p[1], (double)p[2]);
}

// Times six. About the first corner, so that a place far away does not cost digits.
static double volume(const lr_mesh *mesh)
{
    const lr_vec3 first = corner(mesh, 0);
    double sum = 0.0;
    for (int i = 0; i < mesh->triangle_count; i++) {
        const uint32_t *t = mesh->triangle[i];
        sum += lr_dot(lr_sub(corner(mesh, t[0]), first), lr_cross(lr_sub(corner(mesh, t[1]), first), lr_sub(corner(mesh, t[2]), first)));
    }
    return sum;
}

// Whether each edge is gone along as often one way as the other.
static int ways_balance(const edge *e, size_t count)
{
    for (size_t first = 0, next; first < count; first = next) {
        int sum = 0;
        for (next = first; next < count && by_ends(&e[first], &e[next]) == 0; next++)
            sum += e[next].way;
        if (sum != 0)
            return 0;
    }
    return 1;
}

lr_status lr_mesh_is_solid(const lr_mesh *mesh, int *solid, lr_error *err)
{
    assert(mesh && solid);
    *solid = 0;
    if (!(volume(mesh) > 0.0))
        return LR_OK;
    const size_t count = 3*(size_t)mesh->triangle_count;
    edge *e = malloc(count*sizeof *e);
    if (!e)
        return lr_fail(err, LR_ERR_MEMORY, "mesh: out of memory");
    for (size_t i = 0; i < count; i++) {
        const uint32_t *t = mesh->triangle[i/3];
        e[i] = edge_of(mesh->position[t[i % 3]], mesh->position[t[(i + 1) % 3]]);
    }
    qsort(e, count, sizeof *e, by_ends);
    *solid = ways_balance(e, count);
    free(e);
    return LR_OK;
}
