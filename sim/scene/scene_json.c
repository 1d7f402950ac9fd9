// SPDX-License-Identifier: Apache-2.0
// A scene file into a scene: reading by the tables of keys, then building. And the schema from the same tables.
#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "scene/material_json.h"
#include "scene/scene_build.h"

static void free_builder(lr_builder *b)
{
    for (lr_source_file *f = b->file, *next; f; f = next) {
        next = f->next;
        lr_fields_free(&lr_scene_fields, &f->def);
        lr_json_free(f->owned);
        free(f);
    }
    for (int i = 0; i < b->mesh_file_count; ++i)
        free(b->mesh_file[i].slot_names);
    free(b->mesh_file);
    free(b->mesh_box);
    free(b->named);
    free(b->used);
    free(b->texture_path);
}

static lr_status find_material_folder(lr_builder *b, const char *folder, const char *material_folder, lr_error *err)
{
    if (material_folder && material_folder[0]) {
        if (strlen(material_folder) >= sizeof b->material_folder)
            return lr_fail(err, LR_ERR_RANGE, "%.100s...: the path is too long", material_folder);
        snprintf(b->material_folder, sizeof b->material_folder, "%s", material_folder);
        return LR_OK;
    }
    static const char *const places[] = {"../materials", "materials", "../../materials"};  // of rooms, of a folder of its own, of parts
    for (int i = 0; i < 3; i++) {
        LR_TRY(lr_path_join(b->material_folder, folder, places[i], err));
        if (lr_path_exists(b->material_folder))
            return LR_OK;
    }
    return lr_path_join(b->material_folder, folder, places[0], err);
}

static lr_status open_builder(lr_builder *b, const lr_json *json, const char *folder, const char *material_folder, lr_error *err)
{
    lr_scene *scene = b->scene;
    if (strlen(folder) >= sizeof scene->folder)
        return lr_fail(err, LR_ERR_RANGE, "%.100s...: the path is too long", folder);
    snprintf(scene->folder, sizeof scene->folder, "%s", folder[0] ? folder : ".");
    LR_TRY(find_material_folder(b, scene->folder, material_folder, err));
    lr_source_file *file = calloc(1, sizeof *file);
    if (!file)
        return lr_fail(err, LR_ERR_MEMORY, "scene: out of memory");
    b->file = file;
    file->json = json;
    snprintf(file->folder, sizeof file->folder, "%s", scene->folder);
    char *real = realpath(lr_json_name(json), NULL);
    if (real && strlen(real) < sizeof file->identity)
        snprintf(file->identity, sizeof file->identity, "%s", real);
    free(real);
    return lr_fields_read(json, lr_json_root(json), &lr_scene_fields, &file->def, NULL, err);
}

static lr_status build(lr_builder *b)
{
    lr_scene *scene = b->scene;
    const lr_scene_def *def = &b->file->def;
    snprintf(scene->name, sizeof scene->name, "%s", def->name);
    scene->head_pose = (lr_pose){lr_rotation_xyz(lr_v3(def->rotate_rad[0], def->rotate_rad[1], def->rotate_rad[2])),
                                 lr_v3(def->position_m[0], def->position_m[1], def->position_m[2])};
    scene->ambient = (lr_scene_ambient){.present = def->has_ambient, .lux = def->ambient.lux, .lights = (lr_ambient_lights)def->ambient.lights,
                                        .point = lr_v3(def->ambient.at_m[0], def->ambient.at_m[1], def->ambient.at_m[2])};
    if (def->has_ambient)
        scene->ambient.normal = lr_unit(lr_v3(def->ambient.facing[0], def->ambient.facing[1], def->ambient.facing[2]));
    scene->bounds = lr_box3_empty();
    LR_TRY(lr_build_objects(b));
    LR_TRY(lr_check_overrides(b));
    LR_TRY(lr_build_lights(b));
    LR_TRY(lr_check_unused_materials(b));
    if (scene->object_count == 0)
        return lr_json_fault(b->file->json, lr_scene_member(lr_json_root(b->file->json), "objects"), b->err, "nothing in the scene");
    return LR_OK;
}

lr_status lr_scene_from_json(const lr_json *json, const char *folder, const char *material_folder, lr_scene **out, lr_error *err)
{
    assert(json && folder && out);
    *out = NULL;
    lr_builder b = {.scene = calloc(1, sizeof(lr_scene)), .err = err};
    if (!b.scene)
        return lr_fail(err, LR_ERR_MEMORY, "scene: out of memory");
    lr_status status = open_builder(&b, json, folder, material_folder, err);
    if (status == LR_OK)
        status = build(&b);
    free_builder(&b);
    if (status != LR_OK) {
        lr_scene_destroy(b.scene);
        return status;
    }
    *out = b.scene;
    return LR_OK;
}

lr_status lr_scene_load(const char *path, const char *material_folder, lr_scene **out, lr_error *err)
{
    assert(path && out);
    *out = NULL;
    lr_json *json;
    char folder[LR_PATH_MAX];
    LR_TRY(lr_json_load(path, &json, err));
    lr_path_folder(folder, path);
    const lr_status status = lr_scene_from_json(json, folder, material_folder, out, err);
    lr_json_free(json);
    return status;
}

void lr_scene_schema(lr_text *out)
{
    // The keys that hold materials are read by hand, so the set of a material is tied in here for its $defs entry.
    enum { MOST = 16 };
    lr_field fields[MOST];
    int count = 0;
    for (const lr_field *f = lr_scene_fields.fields; f->kind != LR_FIELD_END && count < MOST - 1; ++f) {
        fields[count] = *f;
        if (strcmp(f->key, "materials") == 0)
            fields[count].set = lr_material_fields();
        ++count;
    }
    fields[count] = (lr_field){.kind = LR_FIELD_END};
    lr_field_set set = lr_scene_fields;
    set.fields = fields;
    lr_fields_schema(&set, "lanternroom scene", NULL, out);
}
