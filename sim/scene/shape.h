// SPDX-License-Identifier: Apache-2.0
// Shapes. Flat ones become triangles; curved ones stay exact and are intersected in double.
// A new curved shape is one row of the table in shape.c and one row of keys in scene_json.c.
// Local frames: centred at the origin, axis along z.
#ifndef LR_SCENE_SHAPE_H
#define LR_SCENE_SHAPE_H

#include <stdint.h>

#include "core/status.h"
#include "core/vec.h"

typedef enum lr_curved_kind {
    LR_CURVED_SPHERE,    // radius
    LR_CURVED_CYLINDER,  // radius, height; flat caps
    LR_CURVED_CONE,      // radius at -height/2, radius2 at +height/2 (0: a point); flat caps
    LR_CURVED_CAPSULE,   // radius, height between the centres of its round ends
    LR_CURVED_DISC,      // radius; hole of radius2; normal +z
    LR_CURVED_TORUS,     // radius of the ring, radius2 of the tube
    LR_CURVED_KINDS
} lr_curved_kind;

typedef struct lr_curved {
    lr_curved_kind kind;
    double radius, radius2, height;  // metres, as the kind uses them
    int open;                        // cylinder, cone: 1 = no caps
} lr_curved;

typedef struct lr_curved_hit {
    double t;         // along the ray, in units of |direction|
    lr_vec3 normal;   // unit, outwards (disc: +z)
    double u, v;      // surface coordinates in 0..1, for textures: u around the axis
} lr_curved_hit;

lr_status lr_curved_check(const lr_curved *curved, lr_error *err);
// Nearest crossing with t_near < t < t_far, either side of the surface. 1 if hit. `direction` need not be of unit length.
// `hit` may be NULL when only that matters.
int lr_curved_intersect(const lr_curved *curved, lr_vec3 origin, lr_vec3 direction, double t_near, double t_far, lr_curved_hit *hit);
// Metres of surface in one unit of u and of v: u runs around, v along the axis or around the tube (disc and flat caps: x, y).
void lr_curved_uv_size(const lr_curved *curved, double size_m[2]);
lr_box3 lr_curved_bounds(const lr_curved *curved);   // local
double lr_curved_area(const lr_curved *curved);      // m^2, closed form
static inline int lr_curved_is_solid(const lr_curved *curved) { return curved->kind != LR_CURVED_DISC && !curved->open; }   // closed
// A point uniform over the area, and its outward normal.
void lr_curved_sample(const lr_curved *curved, double u, double v, double w, lr_vec3 *point, lr_vec3 *normal);

// Triangles in a local frame; shared between copies.
typedef struct lr_mesh {
    int vertex_count, triangle_count;
    float (*position)[3];     // (vertex_count x 3) metres
    float (*uv)[2];           // (vertex_count x 2) or NULL
    uint32_t (*triangle)[3];  // (triangle_count x 3)
    uint16_t *slot;           // material slot of each triangle (triangle_count) or NULL: all slot 0
    int slot_count;           // at least 1
    int uv_metres;            // 1: uv are metres on the surface (our own shapes), 0: as the file gave them
} lr_mesh;

void lr_mesh_destroy(lr_mesh *mesh);  // NULL is fine
double lr_mesh_area(const lr_mesh *mesh);
lr_box3 lr_mesh_bounds(const lr_mesh *mesh);  // local
// 1 in `solid` if it is closed and turned outwards: the skin of something. A room is not, nor a mesh with a hole. MEMORY
lr_status lr_mesh_is_solid(const lr_mesh *mesh, int *solid, lr_error *err);

typedef struct lr_opening { int face; double center_m[2], size_m[2]; int has_pane; char pane[64]; } lr_opening;  // place along the face: horizontal, then up (floor, ceiling: x, y)
enum { LR_FACE_EAST, LR_FACE_WEST, LR_FACE_NORTH, LR_FACE_SOUTH, LR_FACE_CEILING, LR_FACE_FLOOR, LR_FACES };

// Box with outward faces in the order of LR_FACE_*, one slot each; uv in metres.
lr_status lr_mesh_box(const double size_m[3], lr_mesh **out, lr_error *err);
extern const char *const lr_face_names[];  // in the order of LR_FACE_*, then NULL
#define LR_OPENINGS_MAX 64  // of one room: its cuts run around all faces, so the triangles grow as the square
// RANGE, worded from the key on ("center_m: ..."), with the number of the faulty one in `which`: an opening that leaves
// its face or overlaps one before it. `size_m` of the room.
lr_status lr_openings_check(const double size_m[3], const lr_opening *openings, int count, int *which, lr_error *err);
// Where an opening is in the room's frame: corner + a u + b v, the normal u x v pointing into the room.
void lr_opening_place(const double size_m[3], const lr_opening *opening, lr_vec3 *corner, lr_vec3 *u, lr_vec3 *v);

// The inside of a box, normals inwards, cut by openings; slots as faces. RANGE as lr_openings_check. Faces are cut on one
// grid, so that triangles meet only along whole edges with the same corners: no light leaks.
lr_status lr_mesh_room(const double size_m[3], const lr_opening *openings, int count, lr_mesh **out, lr_error *err);
// In the x-y plane, normal +z; uv in metres.
lr_status lr_mesh_rectangle(const double size_m[2], lr_mesh **out, lr_error *err);

// OBJ, PLY, STL, glTF by Assimp, scaled; slot names (for materials) come back as `slot_names` (slot_count texts of 64). PARSE, MISSING, RANGE
lr_status lr_mesh_load(const char *path, double scale, int z_up, lr_mesh **out, char (**slot_names)[64], lr_error *err);

#endif
