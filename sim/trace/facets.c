// SPDX-License-Identifier: Apache-2.0
#include "trace/facets.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

// Below this an instance saves less memory than it costs time (5 to 15 % of ordered rays); a triangle takes about 150 bytes.
#define INSTANCE_TRIANGLES 20000

lr_layer lr_layer_of(const lr_scene *scene, const lr_object *object, int slot)
{
    return scene->material[object->material[slot]].kind == LR_MATERIAL_PANE ? LR_LAYER_PANES : LR_LAYER_OPAQUE;
}

static int slot_of(const lr_mesh *mesh, int triangle)
{
    return mesh->slot ? mesh->slot[triangle] : 0;
}

int lr_layer_count(const lr_scene *scene, const lr_object *object, lr_layer layer)
{
    if (!object->mesh)
        return lr_layer_of(scene, object, 0) == layer;
    int count = 0;
    for (int k = 0; k < object->mesh->triangle_count; k++)
        count += lr_layer_of(scene, object, slot_of(object->mesh, k)) == layer;
    return count;
}

static int users_at_rest(const lr_scene *scene, const lr_mesh *mesh)
{
    int count = 0;
    for (int k = 0; k < scene->object_count; k++)
        count += scene->object[k].mesh == mesh && !scene->object[k].motion;
    return count;
}

lr_holding lr_holding_of(const lr_scene *scene, int index, lr_layer layer)
{
    const lr_object *object = &scene->object[index];
    const int count = lr_layer_count(scene, object, layer);
    if (count == 0)
        return LR_HELD_NOT;
    if (!object->mesh || object->motion)
        return LR_HELD_AS_BODY;
    // A mesh that is part pane, part not is cut in two for each object: nothing to share.
    const int whole = count == object->mesh->triangle_count;
    return whole && count >= INSTANCE_TRIANGLES && users_at_rest(scene, object->mesh) > 1 ? LR_HELD_AS_INSTANCE : LR_HELD_AS_TRIANGLES;
}

lr_status lr_facets_reserve(lr_facets *f, int64_t corners, int64_t triangles, lr_error *err)
{
    const int64_t n = f->corner_count + corners, m = f->count + triangles;
    if (n >= UINT32_MAX || m >= INT32_MAX)
        return lr_fail(err, LR_ERR_MEMORY, "ray tracer: %lld triangles are too many", (long long)m);
    void *corner = realloc(f->corner, ((size_t)n + 2)*sizeof *f->corner);
    if (corner)
        f->corner = corner;
    void *triangle = realloc(f->triangle, ((size_t)m + 1)*sizeof *f->triangle);
    if (triangle)
        f->triangle = triangle;
    void *facet = realloc(f->facet, ((size_t)m + 1)*sizeof *f->facet);
    if (facet)
        f->facet = facet;
    if (!corner || !triangle || !facet)
        return lr_fail(err, LR_ERR_MEMORY, "ray tracer: out of memory for %lld triangles", (long long)m);
    f->corner_reserved = n;
    f->count_reserved = m;
    return LR_OK;
}

static lr_vec3 corner_at(const lr_object *object, uint32_t k, int to_world)
{
    const float *p = object->mesh->position[k];
    const lr_vec3 v = lr_v3((double)p[0], (double)p[1], (double)p[2]);
    return to_world ? lr_pose_point(object->pose, lr_mul(v, object->scale)) : v;
}

static lr_facet facet_of(const lr_object *object, const uint32_t corner[3], int to_world)
{
    const lr_vec3 a = corner_at(object, corner[0], to_world), b = corner_at(object, corner[1], to_world),
                  c = corner_at(object, corner[2], to_world);
    const lr_vec3 n = lr_cross(lr_sub(b, a), lr_sub(c, a));
    const double length = lr_length(n);
    // A triangle without area is not hit, but its normal must not be NaN.
    const lr_vec3 unit = length > 0 ? lr_mul(n, 1.0/length) : lr_v3(0, 0, 1);
    return (lr_facet){.nx = (float)unit.x, .ny = (float)unit.y, .nz = (float)unit.z};
}

void lr_facets_add(lr_facets *f, const lr_scene *scene, int object_index, lr_layer layer, int to_world)
{
    const lr_object *object = &scene->object[object_index];
    const lr_mesh *mesh = object->mesh;
    assert(f->corner_count + mesh->vertex_count <= f->corner_reserved);
    const uint32_t first = (uint32_t)f->corner_count;
    for (int k = 0; k < mesh->vertex_count; k++) {
        const lr_vec3 p = corner_at(object, (uint32_t)k, to_world);
        float *corner = f->corner[f->corner_count++];
        corner[0] = (float)p.x, corner[1] = (float)p.y, corner[2] = (float)p.z;
    }
    memset(f->corner[f->corner_count], 0, sizeof *f->corner);  // read by wide loads, never used
    for (int k = 0; k < mesh->triangle_count; k++) {
        if (lr_layer_of(scene, object, slot_of(mesh, k)) != layer)
            continue;
        assert(f->count < f->count_reserved);
        for (int i = 0; i < 3; i++)
            f->triangle[f->count][i] = first + mesh->triangle[k][i];
        f->facet[f->count] = facet_of(object, mesh->triangle[k], to_world);
        f->facet[f->count].object = object_index;
        f->facet[f->count++].primitive = k;
    }
}

void lr_facets_free(lr_facets *facets)
{
    free(facets->corner);
    free(facets->triangle);
    free(facets->facet);
    memset(facets, 0, sizeof *facets);
}
