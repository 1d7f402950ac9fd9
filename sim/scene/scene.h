// SPDX-License-Identifier: Apache-2.0
// A room, flattened: every leaf of every group in world coordinates. Plain data, read-only after loading,
// shared by all threads. Metres, z up, x east, y north.
#ifndef LR_SCENE_SCENE_H
#define LR_SCENE_SCENE_H

#include "core/json.h"
#include "core/vec.h"
#include "scene/light.h"
#include "scene/material.h"
#include "scene/shape.h"
#include "scene/texture.h"

// One thing that moves: straight lines between keys, held before the first and after the last.
//   G(t) = frame  translate(offset) rotate(rotate_rad)  frame^-1      takes points at rest to points at t (world)
// A thing inside a moving group has the group's motion as `outer`.
typedef struct lr_motion_key { double time_s; lr_vec3 offset; lr_vec3 rotate_rad; } lr_motion_key;  // along and about the axes of frame
typedef struct lr_motion {
    const struct lr_motion *outer;  // or NULL
    lr_pose frame;                  // where it turns: its centre at rest, axes of what it lies in
    int key_count;                  // at least 1
    lr_motion_key *key;             // times rise
} lr_motion;

typedef struct lr_object {
    char name[64];
    int label;              // 1.. ; what truth's .object array holds: objects of one file entry share it
    const lr_mesh *mesh;    // or NULL: curved
    lr_curved curved;
    lr_pose pose;           // local to world, at rest
    double scale;           // mesh lengths times this; 1 for curved shapes, whose sizes are already scaled
    int *material;          // per slot: index into materials (mesh->slot_count or 1)
    int lamp;               // index into lamps, or -1
    int is_room;            // the inside of a box, looked at from within
    const lr_motion *motion;  // innermost; NULL: at rest
} lr_object;

typedef struct lr_scene {
    char name[64];
    int object_count, mesh_count, material_count, surface_count, texture_count, source_count, lamp_count, portal_count, label_count, motion_count;
    lr_object *object;
    lr_motion **motion;            // owned; objects point into it
    lr_mesh **mesh;                // owned
    lr_material_def *material;
    lr_surface *surface;           // (material_count) after lr_scene_bake
    lr_texture **texture;
    int *material_texture;         // (material_count) index into texture or -1
    lr_source *source;
    lr_lamp *lamp;
    lr_portal *portal;
    char (*label)[64];             // label k is label[k-1]
    lr_sun_light sun;
    lr_sky_light sky;
    lr_scene_ambient ambient;
    lr_pose head_pose;             // where a head stands in this room
    lr_box3 bounds;                // of everything, wherever it moves
    char folder[1024];             // where relative paths start
} lr_scene;

// `material_folder`: where materials/NAME.json are ("" = beside the scene's folder: ../materials, materials, ../../materials).
// Errors: MISSING, PARSE, RANGE (file, key path, value, rule), MEMORY.
lr_status lr_scene_load(const char *path, const char *material_folder, lr_scene **out, lr_error *err);
lr_status lr_scene_from_json(const lr_json *json, const char *folder, const char *material_folder, lr_scene **out, lr_error *err);
void lr_scene_destroy(lr_scene *scene);

// SHA-256 over everything the scene holds that may come from other files: meshes, textures, materials, placed objects.
lr_status lr_scene_digest(const lr_scene *scene, char hex[65], lr_error *err);  // MEMORY

// Bakes every material to the bins. May be called again with other bins.
lr_status lr_scene_bake(lr_scene *scene, const lr_bins *bins, lr_error *err);

// Pose of an object at a time; for one at rest its pose.
lr_pose lr_object_pose_at(const lr_object *object, double time_s);
// First and last time at which anything about its pose changes; both 0 at rest.
void lr_object_motion_span(const lr_object *object, double *first_s, double *last_s);
// World box of an object in `pose`. Tight for shapes at right angles to the axes, else never too small.
lr_box3 lr_object_bounds(const lr_object *object, lr_pose pose);

// Surface under a hit of the ray tracer: baked material and texture value. `primitive` is the mesh's triangle; u, v as the ray tracer gives them
// (triangles: barycentric of the second and third corner; curved: lr_curved_hit's).
const lr_surface *lr_scene_surface(const lr_scene *scene, int object, int primitive, float u, float v, float *scale, int *material);
// The same but for the texture's value, whose texels are sent for: row[0] NULL where there is none, so that the value is 1.
const lr_surface *lr_scene_find_surface(const lr_scene *scene, int object, int primitive, float u, float v, lr_texels *texels, int *material);

// A flat piece with a texture, in the world: repeats of the picture at its corner, and how they grow along u and v [1/m], which lie in its plane. Beyond
// the piece the picture goes on, as it does on one face of our own shapes.
typedef struct lr_texture_plane { const lr_texture *texture; lr_vec3f corner, normal, grow[2]; float at[2]; } lr_texture_plane;
// 0: no texture there, or the object moves, is curved, or brings a picture's places of its own.
int lr_scene_texture_plane(const lr_scene *scene, int object, int primitive, lr_texture_plane *out);
static inline float lr_texture_plane_at(const lr_texture_plane *p, lr_vec3f point)
{
    const lr_vec3f to = lr_subf(point, p->corner);
    return lr_texture_at(p->texture, p->at[0] + lr_dotf(p->grow[0], to), p->at[1] + lr_dotf(p->grow[1], to));
}

// A point uniform over a lamp's shining surface at rest (density 1/area_m2, both sides of a two-sided lamp alike), and
// its normal towards where it shines. [m]
void lr_lamp_sample(const lr_scene *scene, const lr_lamp *lamp, float u, float v, float w, lr_vec3 *point, lr_vec3 *normal);

// JSON Schema of scene and material files.
void lr_scene_schema(lr_text *out);
void lr_material_schema(lr_text *out);
// Reads and checks one material file.
lr_status lr_material_load(const char *path, lr_material_def *out, lr_error *err);

#endif
