// SPDX-License-Identifier: Apache-2.0
// A scene file as it was written, key by key, before anything is flattened. Private to sim/scene.
// Nodes point into the parsed file, which must outlive the def. SI units.
#ifndef LR_SCENE_SCENE_DEF_H
#define LR_SCENE_SCENE_DEF_H

#include "core/fields.h"
#include "optics/spectrum.h"
#include "scene/scene.h"

typedef enum lr_shape {  // in the order of the table of shapes in scene_fields.c
    LR_SHAPE_ROOM, LR_SHAPE_BOX, LR_SHAPE_SPHERE, LR_SHAPE_CYLINDER, LR_SHAPE_CONE, LR_SHAPE_CAPSULE, LR_SHAPE_DISC,
    LR_SHAPE_RECTANGLE, LR_SHAPE_TORUS, LR_SHAPE_MESH, LR_SHAPE_GROUP
} lr_shape;

typedef struct lr_copy_def { double center_m[3], rotate_rad[3], scale; } lr_copy_def;

typedef struct lr_object_def {
    const lr_node *node;
    char name[64];
    int shape;
    double center_m[3], rotate_rad[3];
    double size_m[3], radius_m, radius2_m, height_m, from_m[3], to_m[3];
    int has_center, has_rotate, has_height, has_from, has_to;
    int open;
    const lr_node *material;         // name or object; NULL: not given
    const lr_node *face[LR_FACES];   // room, box
    const lr_node *slots;            // mesh: object of materials by slot name; group with file: by names in that file
    lr_opening *opening;
    char file[256];
    double scale;
    int y_up;
    struct lr_object_def *object;    // group
    lr_copy_def *copy;
    lr_motion_key *key;
    int opening_count, object_count, copy_count, key_count;
    // Filled while building, so that copies share: index of the mesh (panes follow it) and materials of the slots.
    int built, mesh, slot_count, *slot_material, *pane_material;
} lr_object_def;

typedef enum lr_light_kind { LR_LIGHT_SUN, LR_LIGHT_SKY, LR_LIGHT_LAMP } lr_light_kind;
typedef enum lr_lamp_shape { LR_LAMP_RECTANGLE, LR_LAMP_DISC, LR_LAMP_SPHERE, LR_LAMP_CYLINDER, LR_LAMP_CAPSULE, LR_LAMP_BOX } lr_lamp_shape;

typedef struct lr_light_def {
    const lr_node *node;
    int kind;
    double scale;                    // sun, sky
    double latitude_rad, longitude_rad, elevation_rad, azimuth_rad;
    int has_latitude, has_longitude, has_time, has_elevation, has_azimuth;
    char time_utc[48];
    lr_air air;
    int type, has_lux;               // sky
    double lux;
    char name[64];                   // lamp
    int shape, size_count, has_radius, has_hole, has_height;
    double size_m[3], radius_m, hole_m, height_m, center_m[3], rotate_rad[3];
    double lumens, watts, flat_w_per_m;
    int has_lumens, has_watts, has_flat;
    int has_spectrum, spectrum;      // built-in, unless `table` holds something
    lr_table table;
    int two_sided;
    const lr_node *material;
    int source;                      // filled while building: of the scene's sources, -1: none yet
} lr_light_def;

typedef struct lr_scene_def {
    char name[64];
    double position_m[3], rotate_rad[3];
    const lr_node *materials;
    struct { double lux, at_m[3], facing[3]; int lights; } ambient;
    int has_ambient;
    lr_object_def *object;
    lr_light_def *light;
    int object_count, light_count;
} lr_scene_def;

#define LR_OBJECTS_MOST 100000   // of one list; more by copies
#define LR_LEAVES_MOST 4000000   // of a scene, groups counted too
#define LR_DEPTH_MOST 64         // groups inside groups
#define LR_FILES_MOST 10000      // files of groups, one used with other materials counted again

extern const lr_field_set lr_scene_fields;

// A message worded from a key on ("radius_m: 0 is not above 0"), said of that key of `node`.
lr_status lr_scene_fault(const lr_json *json, const lr_node *node, const char *inner, lr_error *err);
// Member `key` of an object, or the object itself if it is not there: where to point in a message.
const lr_node *lr_scene_member(const lr_node *object, const char *key);
const lr_node *lr_scene_entry(const lr_node *object, const char *key, int index);

lr_curved lr_object_def_curved(const lr_object_def *def);  // unscaled
lr_curved lr_light_def_curved(const lr_light_def *def);
int lr_lamp_is_curved(int lamp_shape);
extern const char *const lr_lamp_shape_names[];
extern const lr_variant lr_shape_variants[], lr_light_variants[];

#endif
