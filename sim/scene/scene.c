// SPDX-License-Identifier: Apache-2.0
// A loaded scene in use: baking, where moving things are, what lies under a hit, points of lamps.
#include "scene/scene.h"

#include <assert.h>
#include <stdlib.h>

#include "scene/scene_build.h"

static void free_all(lr_scene *scene)
{
    for (int i = 0; i < scene->object_count; ++i)
        free(scene->object[i].material);
    for (int i = 0; i < scene->mesh_count; ++i)
        lr_mesh_destroy(scene->mesh[i]);
    for (int i = 0; i < scene->motion_count; ++i) {
        free(scene->motion[i]->key);
        free(scene->motion[i]);
    }
    for (int i = 0; i < scene->material_count; ++i)
        lr_material_def_free(&scene->material[i]);
    for (int i = 0; i < scene->texture_count; ++i)
        lr_texture_destroy(scene->texture[i]);
    for (int i = 0; i < scene->source_count; ++i)
        lr_table_free(&scene->source[i].spectrum);
}

void lr_scene_destroy(lr_scene *scene)
{
    if (!scene)
        return;
    free_all(scene);
    free(scene->object);
    free(scene->mesh);
    free(scene->motion);
    free(scene->material);
    free(scene->material_texture);
    free(scene->surface);
    free(scene->texture);
    free(scene->source);
    free(scene->lamp);
    free(scene->portal);
    free(scene->label);
    free(scene);
}

lr_status lr_scene_bake(lr_scene *scene, const lr_bins *bins, lr_error *err)
{
    assert(scene && bins);
    const size_t count = (size_t)scene->material_count;
    lr_surface *surface = realloc(scene->surface, (count + (count == 0))*sizeof *surface);
    if (!surface)
        return lr_fail(err, LR_ERR_MEMORY, "scene: out of memory");
    scene->surface = surface;
    scene->surface_count = scene->material_count;
    for (int i = 0; i < scene->material_count; ++i) {
        lr_surface_bake(&scene->material[i], bins, &surface[i]);
        surface[i].texture = scene->material_texture[i];
    }
    return LR_OK;
}

// ---- Motion --------------------------------------------------------------------------------------------------------

static lr_vec3 mix(lr_vec3 a, lr_vec3 b, double share) { return lr_add(lr_mul(a, 1.0 - share), lr_mul(b, share)); }

static void motion_at(const lr_motion *motion, double time_s, lr_vec3 *offset, lr_vec3 *turn_rad)
{
    const lr_motion_key *key = motion->key;
    int lo = 0, hi = motion->key_count - 1;  // key[lo].time <= time < key[hi].time once inside
    if (!(time_s > key[lo].time_s))
        hi = lo;
    else if (time_s >= key[hi].time_s)
        lo = hi;
    while (hi - lo > 1) {
        const int middle = lo + (hi - lo)/2;
        if (key[middle].time_s <= time_s) lo = middle; else hi = middle;
    }
    const double share = hi > lo ? (time_s - key[lo].time_s)/(key[hi].time_s - key[lo].time_s) : 0.0;
    *offset = mix(key[lo].offset, key[hi].offset, share);
    *turn_rad = mix(key[lo].rotate_rad, key[hi].rotate_rad, share);
}

lr_pose lr_object_pose_at(const lr_object *object, double time_s)
{
    lr_pose pose = object->pose;
    for (const lr_motion *m = object->motion; m; m = m->outer) {
        lr_vec3 offset, turn_rad;
        motion_at(m, time_s, &offset, &turn_rad);
        const lr_pose moved = lr_pose_mul(m->frame, (lr_pose){lr_rotation_xyz(turn_rad), offset});
        pose = lr_pose_mul(moved, lr_pose_mul(lr_pose_inverse(m->frame), pose));
    }
    return pose;
}

void lr_object_motion_span(const lr_object *object, double *first_s, double *last_s)
{
    *first_s = *last_s = 0.0;
    for (const lr_motion *m = object->motion; m; m = m->outer) {
        const double first = m->key[0].time_s, last = m->key[m->key_count - 1].time_s;
        *first_s = m == object->motion ? first : fmin(*first_s, first);
        *last_s = m == object->motion ? last : fmax(*last_s, last);
    }
}

lr_box3 lr_box_placed(lr_box3 local, double scale, lr_pose pose)
{
    lr_box3 box = lr_box3_empty();
    for (int k = 0; k < 8; ++k) {
        const lr_vec3 corner = lr_v3(k & 1 ? local.hi.x : local.lo.x, k & 2 ? local.hi.y : local.lo.y, k & 4 ? local.hi.z : local.lo.z);
        box = lr_box3_add(box, lr_pose_point(pose, lr_mul(corner, scale)));
    }
    return box;
}

lr_box3 lr_object_bounds(const lr_object *object, lr_pose pose)
{
    return lr_box_placed(object->mesh ? lr_mesh_bounds(object->mesh) : lr_curved_bounds(&object->curved), object->scale, pose);
}

// ---- Under a hit ---------------------------------------------------------------------------------------------------

// Where on the picture a hit lies, in repeats.
static void texture_place(const lr_object *object, const lr_surface *surface, int primitive, float u, float v, float place[2])
{
    const lr_mesh *mesh = object->mesh;
    if (!mesh) {
        double size_m[2];
        lr_curved_uv_size(&object->curved, size_m);
        place[0] = u*(float)size_m[0]*surface->texture_scale[0];
        place[1] = v*(float)size_m[1]*surface->texture_scale[1];
        return;
    }
    const uint32_t *t = mesh->triangle[primitive];
    for (int k = 0; k < 2; ++k) {
        const float at = mesh->uv ? (1.0f - u - v)*mesh->uv[t[0]][k] + u*mesh->uv[t[1]][k] + v*mesh->uv[t[2]][k] : 0.0f;
        place[k] = mesh->uv_metres ? at*(float)object->scale*surface->texture_scale[k] : at;  // a file's own uv count repeats
    }
}

static const lr_surface *surface_under(const lr_scene *scene, const lr_object *object, int primitive, int *material)
{
    const int slot = object->mesh && object->mesh->slot ? object->mesh->slot[primitive] : 0;
    *material = object->material[slot];
    return &scene->surface[*material];
}

const lr_surface *lr_scene_surface(const lr_scene *scene, int object_index, int primitive, float u, float v, float *scale, int *material)
{
    const lr_object *object = &scene->object[object_index];
    const lr_surface *surface = surface_under(scene, object, primitive, material);
    *scale = 1.0f;
    if (surface->texture >= 0) {
        float place[2];
        texture_place(object, surface, primitive, u, v, place);
        *scale = lr_texture_at(scene->texture[surface->texture], place[0], place[1]);
    }
    return surface;
}

const lr_surface *lr_scene_find_surface(const lr_scene *scene, int object_index, int primitive, float u, float v, lr_texels *texels, int *material)
{
    const lr_object *object = &scene->object[object_index];
    const lr_surface *surface = surface_under(scene, object, primitive, material);
    texels->row[0] = NULL;
    if (surface->texture >= 0) {
        float place[2];
        texture_place(object, surface, primitive, u, v, place);
        *texels = lr_texture_find(scene->texture[surface->texture], place[0], place[1]);
    }
    return surface;
}

int lr_scene_texture_plane(const lr_scene *scene, int object_index, int primitive, lr_texture_plane *out)
{
    const lr_object *object = &scene->object[object_index];
    const lr_mesh *mesh = object->mesh;
    int material;
    const lr_surface *surface = surface_under(scene, object, primitive, &material);
    if (surface->texture < 0 || !mesh || !mesh->uv || !mesh->uv_metres || object->motion)
        return 0;
    lr_vec3 corner[3];
    float at[3][2];
    for (int k = 0; k < 3; k++) {
        const float *p = mesh->position[mesh->triangle[primitive][k]];
        corner[k] = lr_pose_point(object->pose, lr_mul(lr_v3((double)p[0], (double)p[1], (double)p[2]), object->scale));
        texture_place(object, surface, primitive, k == 1 ? 1.0f : 0.0f, k == 2 ? 1.0f : 0.0f, at[k]);
    }
    const lr_vec3 a = lr_sub(corner[1], corner[0]), b = lr_sub(corner[2], corner[0]), n = lr_cross(a, b);
    const double n2 = lr_dot(n, n);
    if (!(n2 > 0.0))
        return 0;
    // Dotted with what leads there from the first corner: shares of the two edges.
    const lr_vec3 along_a = lr_mul(lr_cross(b, n), 1.0/n2), along_b = lr_mul(lr_cross(n, a), 1.0/n2);
    *out = (lr_texture_plane){.texture = scene->texture[surface->texture], .corner = lr_v3f_of(corner[0]), .normal = lr_v3f_of(lr_unit(n)), .at = {at[0][0], at[0][1]}};
    for (int k = 0; k < 2; k++)
        out->grow[k] = lr_v3f_of(lr_add(lr_mul(along_a, (double)(at[1][k] - at[0][k])), lr_mul(along_b, (double)(at[2][k] - at[0][k]))));
    return 1;
}

// ---- Lamps ---------------------------------------------------------------------------------------------------------

static lr_vec3 corner_of(const lr_mesh *mesh, int vertex)
{
    const float *p = mesh->position[vertex];
    return lr_v3((double)p[0], (double)p[1], (double)p[2]);
}

// Rectangle and box are quads of four corners in a row; `w` picks one by its area.
static void sample_quads(const lr_mesh *mesh, double u, double v, double w, lr_vec3 *point, lr_vec3 *normal)
{
    const int quads = mesh->triangle_count/2;
    double area[LR_FACES], at = 0.0;
    assert(quads >= 1 && quads <= LR_FACES && mesh->vertex_count == 4*quads);
    for (int i = 0; i < quads; ++i) {
        const lr_vec3 p = corner_of(mesh, 4*i);
        area[i] = lr_length(lr_cross(lr_sub(corner_of(mesh, 4*i + 1), p), lr_sub(corner_of(mesh, 4*i + 3), p)));
        at += area[i];
    }
    at *= w;
    int q = 0;
    while (q + 1 < quads && at >= area[q])
        at -= area[q++];
    const uint32_t *t = mesh->triangle[2*q];
    const lr_vec3 p = corner_of(mesh, 4*q), a = lr_sub(corner_of(mesh, 4*q + 1), p), b = lr_sub(corner_of(mesh, 4*q + 3), p);
    const lr_vec3 first = corner_of(mesh, (int)t[0]);
    *point = lr_mad(lr_mad(p, u, a), v, b);
    *normal = lr_unit(lr_cross(lr_sub(corner_of(mesh, (int)t[1]), first), lr_sub(corner_of(mesh, (int)t[2]), first)));
}

void lr_lamp_sample(const lr_scene *scene, const lr_lamp *lamp, float u, float v, float w, lr_vec3 *point, lr_vec3 *normal)
{
    const lr_object *object = &scene->object[lamp->object];
    double pick = (double)w, side = 1.0;
    if (lamp->two_sided) {  // half of w picks the side, the rest of it is as good as new
        side = pick < 0.5 ? 1.0 : -1.0;
        pick = pick < 0.5 ? 2.0*pick : 2.0*pick - 1.0;
    }
    if (object->mesh)
        sample_quads(object->mesh, (double)u, (double)v, pick, point, normal);
    else
        lr_curved_sample(&object->curved, (double)u, (double)v, pick, point, normal);
    *point = lr_pose_point(object->pose, lr_mul(*point, object->scale));
    *normal = lr_mul(lr_rotate(object->pose.rotation, *normal), side);
}
