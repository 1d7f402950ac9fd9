// SPDX-License-Identifier: Apache-2.0
// Rooms built in memory for tests and benchmarks: no files, no loader. A room is a scene; everything it holds is its own.
//   room *r = room_create();
//   const int grey = room_material(r, LR_MATERIAL_DIFFUSE, 0.5);
//   room_add_mesh(r, room_mesh_box(r, (double[3]){5, 4, 3}, 1, 1), lr_pose_identity(), 1.0, grey);
//   room_add_curved(r, room_sphere(0.3), room_at(1, 0, -1), grey);
//   lr_bvh_create(&r->scene, 1, &bvh, &err); ... room_destroy(r);
#ifndef LR_TESTS_ROOMS_H
#define LR_TESTS_ROOMS_H

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/rng.h"
#include "scene/scene.h"

typedef struct room { lr_scene scene; } room;

// Makes the array one longer, all zero in the new place. Pointers into it go stale; indices do not.
static inline void *room_grow(void *array, int *count, size_t size)
{
    char *grown = realloc(array, ((size_t)*count + 1)*size);
    if (!grown)
        abort();
    memset(grown + (size_t)*count*size, 0, size);
    ++*count;
    return grown;
}

static inline room *room_create(void)
{
    room *r = calloc(1, sizeof *r);
    if (!r)
        abort();
    r->scene.head_pose = lr_pose_identity();
    return r;
}

static inline void room_destroy(room *r)
{
    lr_scene *s = &r->scene;
    for (int k = 0; k < s->object_count; k++)
        free(s->object[k].material);
    for (int k = 0; k < s->mesh_count; k++) {
        free(s->mesh[k]->position);
        free(s->mesh[k]->triangle);
        free(s->mesh[k]->slot);
        free(s->mesh[k]);
    }
    for (int k = 0; k < s->motion_count; k++) {
        free(s->motion[k]->key);
        free(s->motion[k]);
    }
    for (int k = 0; k < s->material_count; k++)
        lr_material_def_free(&s->material[k]);
    free(s->object), free(s->mesh), free(s->motion), free(s->material), free(s->material_texture), free(s->surface), free(s->label);
    free(r);
}

// ---- materials ----------------------------------------------------------------------------------------------------------

// A kind with its defaults and one reflectance for all wavelengths. Change r->scene.material[index] before baking for more.
static inline int room_material(room *r, lr_material_kind kind, double reflectance)
{
    lr_scene *s = &r->scene;
    int textures = s->material_count;
    s->material_texture = room_grow(s->material_texture, &textures, sizeof *s->material_texture);
    s->material_texture[s->material_count] = -1;
    s->material = room_grow(s->material, &s->material_count, sizeof *s->material);
    lr_material_def *def = &s->material[s->material_count - 1];
    *def = lr_material_def_default();
    def->kind = kind;
    lr_table_free(&def->reflectance);
    if (lr_table_constant(reflectance, &def->reflectance, NULL) != LR_OK)
        abort();
    return s->material_count - 1;
}

// Bakes every material to the bins, for those who need surfaces and no textures.
static inline void room_bake(room *r, const lr_bins *bins)
{
    lr_scene *s = &r->scene;
    free(s->surface);
    s->surface = calloc((size_t)s->material_count, sizeof *s->surface);
    if (!s->surface)
        abort();
    s->surface_count = s->material_count;
    for (int k = 0; k < s->material_count; k++) {
        lr_surface_bake(&s->material[k], bins, &s->surface[k]);
        s->surface[k].texture = -1;
    }
}

// ---- meshes -------------------------------------------------------------------------------------------------------------

static inline lr_mesh *room_mesh(room *r, int vertices, int triangles)
{
    lr_scene *s = &r->scene;
    s->mesh = room_grow(s->mesh, &s->mesh_count, sizeof *s->mesh);
    lr_mesh *m = s->mesh[s->mesh_count - 1] = calloc(1, sizeof *m);
    if (!m)
        abort();
    m->position = calloc((size_t)vertices, sizeof *m->position);
    m->triangle = calloc((size_t)triangles, sizeof *m->triangle);
    if (!m->position || !m->triangle)
        abort();
    m->vertex_count = vertices;
    m->triangle_count = triangles;
    m->slot_count = 1;
    return m;
}

// Two triangles a cell, counter-clockwise seen from where u x v points; `flip` turns them round.
static inline void room_mesh_grid(lr_mesh *m, int *vertex, int *triangle, lr_vec3 corner, lr_vec3 u, lr_vec3 v, int cuts, int flip)
{
    const uint32_t first = (uint32_t)*vertex, row = (uint32_t)cuts + 1;
    for (int j = 0; j <= cuts; j++)
        for (int i = 0; i <= cuts; i++) {
            const lr_vec3 p = lr_mad(lr_mad(corner, (double)i/cuts, u), (double)j/cuts, v);
            float *out = m->position[(*vertex)++];
            out[0] = (float)p.x, out[1] = (float)p.y, out[2] = (float)p.z;
        }
    for (uint32_t j = 0; j < (uint32_t)cuts; j++)
        for (uint32_t i = 0; i < (uint32_t)cuts; i++) {
            const uint32_t a = first + j*row + i, b = a + 1, c = a + row + 1, d = a + row;
            const uint32_t two[2][3] = {{a, flip ? c : b, flip ? b : c}, {a, flip ? d : c, flip ? c : d}};
            memcpy(m->triangle[*triangle], two, sizeof two);
            *triangle += 2;
        }
}

// Box about the origin, each face cut into cuts x cuts cells. Normals outwards, or inwards: the inside of a room. Faces are
// laid from corners that are exact in float when half of each size is, so that edges meet without a gap.
static inline lr_mesh *room_mesh_box(room *r, const double size_m[3], int inward, int cuts)
{
    lr_mesh *m = room_mesh(r, 6*(cuts + 1)*(cuts + 1), 12*cuts*cuts);
    const double h[3] = {0.5*size_m[0], 0.5*size_m[1], 0.5*size_m[2]};
    int vertex = 0, triangle = 0;
    for (int axis = 0; axis < 3; axis++)
        for (int side = -1; side <= 1; side += 2) {
            double c[3], u[3] = {0, 0, 0}, v[3] = {0, 0, 0};
            const int a = (axis + 1)%3, b = (axis + 2)%3;
            c[axis] = side*h[axis], c[a] = -h[a], c[b] = -h[b];
            u[a] = size_m[a], v[b] = size_m[b];
            room_mesh_grid(m, &vertex, &triangle, lr_v3(c[0], c[1], c[2]), lr_v3(u[0], u[1], u[2]), lr_v3(v[0], v[1], v[2]), cuts,
                           (side < 0) != (inward != 0));
        }
    return m;
}

// In the x-y plane about the origin, normal +z.
static inline lr_mesh *room_mesh_rectangle(room *r, double size_x_m, double size_y_m, int cuts)
{
    lr_mesh *m = room_mesh(r, (cuts + 1)*(cuts + 1), 2*cuts*cuts);
    int vertex = 0, triangle = 0;
    room_mesh_grid(m, &vertex, &triangle, lr_v3(-0.5*size_x_m, -0.5*size_y_m, 0), lr_v3(size_x_m, 0, 0), lr_v3(0, size_y_m, 0), cuts, 0);
    return m;
}

// Faceted ball of rings x 2 rings cells, normals outwards; corners lie on the sphere. Closed.
static inline lr_mesh *room_mesh_ball(room *r, double radius_m, int rings)
{
    const int round = 2*rings;
    lr_mesh *m = room_mesh(r, (rings + 1)*round, 2*rings*round);
    for (int j = 0; j <= rings; j++)
        for (int i = 0; i < round; i++) {
            const double theta = LR_PI*j/rings, phi = 2*LR_PI*i/round, s = j == rings ? 0.0 : sin(theta);
            float *p = m->position[j*round + i];
            p[0] = (float)(radius_m*s*cos(phi)), p[1] = (float)(radius_m*s*sin(phi)), p[2] = (float)(radius_m*cos(theta));
        }
    int triangle = 0;
    for (int j = 0; j < rings; j++)
        for (int i = 0; i < round; i++) {
            const uint32_t a = (uint32_t)(j*round + i), b = (uint32_t)(j*round + (i + 1)%round), c = b + (uint32_t)round, d = a + (uint32_t)round;
            const uint32_t two[2][3] = {{a, d, c}, {a, c, b}};
            memcpy(m->triangle[triangle], two, sizeof two);
            triangle += 2;
        }
    return m;
}

// ---- objects ------------------------------------------------------------------------------------------------------------

static inline lr_pose room_at(double x, double y, double z) { return (lr_pose){lr_mat3_identity(), {x, y, z}}; }

static inline lr_pose room_turned(double x, double y, double z, double rx_rad, double ry_rad, double rz_rad)
{
    return (lr_pose){lr_rotation_xyz(lr_v3(rx_rad, ry_rad, rz_rad)), {x, y, z}};
}

// Index of the new object; it has a label of its own, and one material in every slot.
static inline int room_add(room *r, const lr_mesh *mesh, lr_curved curved, lr_pose pose, double scale, int material)
{
    lr_scene *s = &r->scene;
    s->label = room_grow(s->label, &s->label_count, sizeof *s->label);
    s->object = room_grow(s->object, &s->object_count, sizeof *s->object);
    lr_object *o = &s->object[s->object_count - 1];
    const int slots = mesh ? mesh->slot_count : 1;
    *o = (lr_object){.label = s->label_count, .mesh = mesh, .curved = curved, .pose = pose, .scale = scale, .lamp = -1};
    snprintf(o->name, sizeof o->name, "object%d", s->object_count - 1);
    snprintf(s->label[s->label_count - 1], sizeof s->label[0], "object%d", s->object_count - 1);
    o->material = calloc((size_t)slots, sizeof *o->material);
    if (!o->material)
        abort();
    for (int k = 0; k < slots; k++)
        o->material[k] = material;
    return s->object_count - 1;
}

static inline int room_add_mesh(room *r, const lr_mesh *mesh, lr_pose pose, double scale, int material)
{
    return room_add(r, mesh, (lr_curved){.kind = LR_CURVED_SPHERE}, pose, scale, material);
}

static inline int room_add_curved(room *r, lr_curved curved, lr_pose pose, int material)
{
    return room_add(r, NULL, curved, pose, 1.0, material);
}

static inline lr_curved room_sphere(double radius_m) { return (lr_curved){.kind = LR_CURVED_SPHERE, .radius = radius_m}; }

// Lets an object move about the origin of `frame`, inside `outer` (or NULL). Returns the motion, for things that share it.
static inline const lr_motion *room_move(room *r, int object, const lr_motion *outer, lr_pose frame, const lr_motion_key *key, int count)
{
    lr_scene *s = &r->scene;
    s->motion = room_grow(s->motion, &s->motion_count, sizeof *s->motion);
    lr_motion *m = s->motion[s->motion_count - 1] = calloc(1, sizeof *m);
    if (!m)
        abort();
    *m = (lr_motion){.outer = outer, .frame = frame, .key_count = count, .key = calloc((size_t)count, sizeof *m->key)};
    if (!m->key)
        abort();
    memcpy(m->key, key, (size_t)count*sizeof *key);
    s->object[object].motion = m;
    return m;
}

// ---- a furnished room ---------------------------------------------------------------------------------------------------

static inline double room_uniform(uint32_t *state) { return (double)lr_uniform(lr_hash((*state)++, 0x5eedu)); }
static inline double room_between(uint32_t *state, double lo, double hi) { return lo + (hi - lo)*room_uniform(state); }

// Three of them, evenly in a box. In this order: what the arguments of one call draw comes in an order of the compiler's choice.
static inline lr_vec3 room_point(uint32_t *state, lr_vec3 lo, lr_vec3 hi)
{
    const double x = room_between(state, lo.x, hi.x), y = room_between(state, lo.y, hi.y), z = room_between(state, lo.z, hi.z);
    return lr_v3(x, y, z);
}

// One of the curved kinds, 4 to 25 cm across.
static inline lr_curved room_any_curved(uint32_t *state)
{
    const double radius = room_between(state, 0.02, 0.125), height = room_between(state, 0.05, 0.3);
    switch ((int)(6*room_uniform(state))) {
    case 0: return room_sphere(radius);
    case 1: return (lr_curved){.kind = LR_CURVED_CYLINDER, .radius = radius, .height = height};
    case 2: return (lr_curved){.kind = LR_CURVED_CONE, .radius = radius, .radius2 = 0.4*radius, .height = height};
    case 3: return (lr_curved){.kind = LR_CURVED_CAPSULE, .radius = 0.5*radius, .height = height};
    case 4: return (lr_curved){.kind = LR_CURVED_DISC, .radius = radius, .radius2 = 0.3*radius};
    default: return (lr_curved){.kind = LR_CURVED_TORUS, .radius = radius, .radius2 = 0.25*radius};
    }
}

// 6 x 5 x 3 m, closed, its floor at z = 0: boxes and faceted balls of about `triangles` in all, and `curved` exact shapes,
// none within 0.7 m of (0, 0, 1.2) where a head would stand.
static inline room *room_furnished(uint32_t seed, int triangles, int curved)
{
    room *r = room_create();
    uint32_t state = seed;
    const int white = room_material(r, LR_MATERIAL_DIFFUSE, 0.7), grey = room_material(r, LR_MATERIAL_DIFFUSE, 0.4);
    room_add_mesh(r, room_mesh_box(r, (double[3]){6, 5, 3}, 1, 8), room_at(0, 0, 1.5), 1.0, white);
    enum { PIECES = 80 };
    const int cuts = (int)fmax(1, sqrt(triangles/(double)PIECES/12)), rings = (int)fmax(3, sqrt(triangles/(double)PIECES/4));
    for (int k = 0; k < PIECES + curved; k++) {
        const double angle = room_between(&state, 0, 2*LR_PI), far_m = room_between(&state, 1.1, 2.3);
        const lr_pose pose = room_turned(far_m*cos(angle), far_m*sin(angle), room_between(&state, 0.2, 2.7), 0, k%3 ? 0 : 0.4, angle);
        const double size[3] = {room_between(&state, 0.1, 0.5), room_between(&state, 0.1, 0.5), room_between(&state, 0.1, 0.5)};
        if (k >= PIECES)
            room_add_curved(r, room_any_curved(&state), pose, grey);
        else
            room_add_mesh(r, k%2 ? room_mesh_ball(r, 0.5*size[0], rings) : room_mesh_box(r, size, 0, cuts), pose, 1.0, grey);
    }
    return r;
}

#endif
