// SPDX-License-Identifier: Apache-2.0
// From the defs of scene files to one flat scene: what the building files share. Private to sim/scene.
#ifndef LR_SCENE_SCENE_BUILD_H
#define LR_SCENE_SCENE_BUILD_H

#include <stdint.h>

#include "core/file.h"
#include "scene/scene.h"
#include "scene/scene_def.h"

// One scene file in use: the scene itself, or the file of a group as used from one place with one choice of materials.
// A name of a material is looked for in `overrides` of this use, then of the uses around it (and then means what it means
// outside); then in the file's own materials, then in those of the files around it; then built in; then in the folder.
typedef struct lr_source_file {
    const lr_json *json;
    lr_json *owned;              // the same if we parsed it
    char folder[LR_PATH_MAX];
    char identity[4096];         // real path; empty if it is not a file on disk
    lr_scene_def def;
    struct lr_source_file *outer;   // the use whose text holds the group; NULL: the scene's own file
    const lr_node *overrides;       // in the text of `outer`, or NULL
    struct lr_source_file *next;
} lr_source_file;

typedef struct lr_named_material { const lr_source_file *file; char name[64]; int index; } lr_named_material;  // file NULL: of the folder or built in
typedef struct lr_mesh_file { char path[LR_PATH_MAX]; int y_up, mesh; char (*slot_names)[64]; } lr_mesh_file;

typedef struct lr_builder {
    lr_scene *scene;
    lr_source_file *file;        // the scene's own first
    char material_folder[LR_PATH_MAX];
    int named_count, mesh_file_count, texture_path_count, used_count, file_count;
    const lr_node **used;        // overrides that took effect
    lr_named_material *named;
    lr_mesh_file *mesh_file;
    lr_box3 *mesh_box;           // of each of the scene's meshes, local
    char (*texture_path)[LR_PATH_MAX];
    int64_t instances;           // leaves and groups so far
    lr_error *err;
} lr_builder;

// `*array` with room for one more behind `count` entries of `size` bytes; its capacity is 8, 16, 32... MEMORY
lr_status lr_room_for_one(void *array, int count, size_t size, lr_error *err);

// Index of the material `node` names or holds; NULL: the built-in one called `otherwise`. `owner` names one held in place.
lr_status lr_build_material(lr_builder *b, const lr_source_file *file, const lr_node *node, const char *name, const char *otherwise, const char *owner, int *index);

typedef struct lr_leaf {
    const char *name;
    int label, mesh;             // mesh -1: curved
    lr_curved curved;
    lr_pose pose;
    double scale;
    int slot_count;
    const int *material;
    const lr_motion *motion;
    int is_room;
} lr_leaf;
lr_status lr_build_leaf(lr_builder *b, const lr_leaf *leaf);  // the new object is the scene's last
lr_status lr_build_label(lr_builder *b, const char *name, int *label);
lr_status lr_build_mesh(lr_builder *b, lr_mesh *mesh, int *index);  // takes it over, also on failure

lr_box3 lr_box_placed(lr_box3 local, double scale, lr_pose pose);  // box around the eight corners

lr_status lr_check_overrides(lr_builder *b);  // fault if one never took effect
lr_status lr_check_unused_materials(lr_builder *b);  // fault of a material that the files define and nothing is made of
lr_status lr_build_objects(lr_builder *b);
lr_status lr_build_lights(lr_builder *b);

#endif
