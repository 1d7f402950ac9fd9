// SPDX-License-Identifier: Apache-2.0
// Materials of a scene by name: of the scene file itself, built in, or of a file materials/NAME.json; and their textures.
#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "scene/material_json.h"
#include "scene/scene_build.h"

static const struct { const char *name; double reflectance; } built_in[] = {{"grey", 0.5}, {"black", 0.0}};
#define BUILT_IN ((int)(sizeof built_in/sizeof built_in[0]))

lr_status lr_room_for_one(void *array, int count, size_t size, lr_error *err)
{
    if (count != 0 && (count < 8 || (count & (count - 1)) != 0))
        return LR_OK;
    void *old;
    memcpy(&old, array, sizeof old);
    void *grown = realloc(old, (count ? 2*(size_t)count : 8)*size);
    if (!grown)
        return lr_fail(err, LR_ERR_MEMORY, "scene: out of memory");
    memcpy(array, &grown, sizeof grown);
    return LR_OK;
}

// ---- Textures

static lr_status texture_index(lr_builder *b, const char *path, int *index, lr_error *err)
{
    lr_scene *scene = b->scene;
    for (int i = 0; i < b->texture_path_count; ++i)
        if (strcmp(b->texture_path[i], path) == 0) {
            *index = i;
            return LR_OK;
        }
    LR_TRY(lr_room_for_one(&b->texture_path, scene->texture_count, sizeof *b->texture_path, err));
    LR_TRY(lr_room_for_one(&scene->texture, scene->texture_count, sizeof *scene->texture, err));
    LR_TRY(lr_texture_load(path, &scene->texture[scene->texture_count], err));
    snprintf(b->texture_path[scene->texture_count], LR_PATH_MAX, "%s", path);
    *index = scene->texture_count++;
    b->texture_path_count = scene->texture_count;
    return LR_OK;
}

static lr_status load_texture(lr_builder *b, const char *folder, const lr_material_def *def, int *index, lr_error *err)
{
    *index = -1;
    if (!def->texture_file[0])
        return LR_OK;
    char path[LR_PATH_MAX];
    if (def->texture_file[0] == '/')
        snprintf(path, sizeof path, "%s", def->texture_file);
    else
        LR_TRY(lr_path_join(path, folder, def->texture_file, err));
    return texture_index(b, path, index, err);
}

// Takes `def` over, also on failure. Textures are looked for in `folder`.
static lr_status add_material(lr_builder *b, lr_material_def *def, const char *folder, int *index)
{
    lr_scene *scene = b->scene;
    int texture = -1;
    lr_status status = load_texture(b, folder, def, &texture, b->err);
    if (status == LR_OK)
        status = lr_room_for_one(&scene->material, scene->material_count, sizeof *scene->material, b->err);
    if (status == LR_OK)
        status = lr_room_for_one(&scene->material_texture, scene->material_count, sizeof *scene->material_texture, b->err);
    if (status != LR_OK) {
        lr_material_def_free(def);
        return status;
    }
    scene->material[scene->material_count] = *def;
    scene->material_texture[scene->material_count] = texture;
    *index = scene->material_count++;
    return LR_OK;
}

// A texture's fault with the place in the scene file that asks for it in front.
static lr_status at_node(lr_builder *b, const lr_source_file *file, const lr_node *node, lr_status status)
{
    if (status == LR_OK || status == LR_ERR_MEMORY || !b->err)
        return status;
    const lr_error inner = *b->err;
    lr_json_fault(file->json, node, b->err, "%s", inner.text);
    return status;
}

// ---- Held in place

static lr_status inline_material(lr_builder *b, const lr_source_file *file, const lr_node *node, const char *owner, int *index)
{
    lr_material_def def;
    LR_TRY(lr_fields_read(file->json, node, lr_material_fields(), &def, NULL, b->err));
    if (!def.name[0])
        snprintf(def.name, sizeof def.name, "%s", owner);
    const int has_texture = def.texture_file[0] != '\0';
    const lr_status status = add_material(b, &def, file->folder, index);
    return has_texture ? at_node(b, file, lr_scene_member(node, "texture"), status) : status;
}

// ---- By name

static lr_status remember(lr_builder *b, const lr_source_file *file, const char *name, int index)
{
    LR_TRY(lr_room_for_one(&b->named, b->named_count, sizeof *b->named, b->err));
    lr_named_material *n = &b->named[b->named_count++];
    n->file = file;
    n->index = index;
    snprintf(n->name, sizeof n->name, "%s", name);
    return LR_OK;
}

static int recall(const lr_builder *b, const lr_source_file *file, const char *name, int *index)
{
    for (int i = 0; i < b->named_count; ++i)
        if (b->named[i].file == file && strcmp(b->named[i].name, name) == 0) {
            *index = b->named[i].index;
            return 1;
        }
    return 0;
}

static lr_status built_in_material(lr_builder *b, int which, int *index)
{
    lr_material_def def = lr_material_def_default();
    snprintf(def.name, sizeof def.name, "%s", built_in[which].name);
    def.kind = LR_MATERIAL_DIFFUSE;
    lr_table_free(&def.reflectance);
    LR_TRY(lr_table_constant(built_in[which].reflectance, &def.reflectance, b->err));
    return add_material(b, &def, ".", index);
}

// Names a material could have had, for a suggestion. The texts are malloc'd, all of them.
static char **known_names(const lr_builder *b, const lr_source_file *file)
{
    char **names = NULL;
    int count = 0;
    const lr_node *own = file->def.materials;
    for (const lr_node *m = own ? lr_node_first(own) : NULL; m && lr_room_for_one(&names, count, sizeof *names, NULL) == LR_OK; m = lr_node_next(m))
        names[count++] = strdup(lr_node_key(m));
    for (int i = 0; i < BUILT_IN && lr_room_for_one(&names, count, sizeof *names, NULL) == LR_OK; ++i)
        names[count++] = strdup(built_in[i].name);
    DIR *folder = opendir(b->material_folder);
    for (struct dirent *entry; folder && (entry = readdir(folder)) && lr_room_for_one(&names, count, sizeof *names, NULL) == LR_OK;) {
        const size_t length = strlen(entry->d_name);
        if (length > 5 && strcmp(entry->d_name + length - 5, ".json") == 0)
            names[count++] = strndup(entry->d_name, length - 5);
    }
    if (folder)
        closedir(folder);
    if (lr_room_for_one(&names, count, sizeof *names, NULL) == LR_OK) {
        names[count] = NULL;
        return names;
    }
    while (count > 0)
        free(names[--count]);
    free(names);
    return NULL;
}

static lr_status unknown_material(lr_builder *b, const lr_source_file *file, const lr_node *node, const char *name)
{
    char **names = known_names(b, file);
    const char *nearest = names ? lr_nearest_word(name, (const char *const *)names) : NULL;
    const lr_status status = nearest ? lr_json_fault(file->json, node, b->err, "unknown material \"%.63s\"; did you mean \"%s\"?", name, nearest)
                                     : lr_json_fault(file->json, node, b->err, "unknown material \"%.63s\": not in this file's materials, and no %.200s/%.63s.json", name, b->material_folder, name);
    for (int i = 0; names && names[i]; ++i)
        free(names[i]);
    free(names);
    return status;
}

static lr_status folder_material(lr_builder *b, const lr_source_file *file, const lr_node *node, const char *name, int *index)
{
    char file_name[80], path[LR_PATH_MAX];
    snprintf(file_name, sizeof file_name, "%s.json", name);
    LR_TRY(lr_path_join(path, b->material_folder, file_name, b->err));
    if (!lr_path_exists(path))
        return unknown_material(b, file, node, name);
    lr_material_def def;
    LR_TRY(lr_material_load(path, &def, b->err));
    return at_node(b, file, node, add_material(b, &def, b->material_folder, index));
}

static int is_plain(const char *name)
{
    return name[0] && name[0] != '.' && strlen(name) < 64 && !strpbrk(name, "/\\");
}

static lr_status mark_used(lr_builder *b, const lr_node *override)
{
    for (int i = 0; i < b->used_count; ++i)
        if (b->used[i] == override)
            return LR_OK;
    LR_TRY(lr_room_for_one(&b->used, b->used_count, sizeof *b->used, b->err));
    b->used[b->used_count++] = override;
    return LR_OK;
}

lr_status lr_check_overrides(lr_builder *b)
{
    for (const lr_source_file *f = b->file; f; f = f->next)
        for (const lr_node *m = f->overrides ? lr_node_first(f->overrides) : NULL; m; m = lr_node_next(m)) {
            int used = 0;
            for (int i = 0; i < b->used_count; ++i)
                used |= b->used[i] == m;
            if (!used)
                return lr_json_fault(f->outer->json, m, b->err, "nothing in %.200s has a material of this name", lr_json_name(f->json));
        }
    return LR_OK;
}

static lr_status check_unused(lr_builder *b, const lr_source_file *file, const lr_node *node)
{
    lr_material_def def;
    LR_TRY(lr_fields_read(file->json, node, lr_material_fields(), &def, NULL, b->err));
    char path[LR_PATH_MAX] = "";
    lr_status status = !def.texture_file[0] ? LR_OK : def.texture_file[0] == '/' ? (snprintf(path, sizeof path, "%s", def.texture_file), LR_OK)
                                            : lr_path_join(path, file->folder, def.texture_file, b->err);
    if (status == LR_OK && path[0]) {
        lr_texture *texture = NULL;
        status = at_node(b, file, lr_scene_member(node, "texture"), lr_texture_load(path, &texture, b->err));
        lr_texture_destroy(texture);
    }
    lr_material_def_free(&def);
    return status;
}

lr_status lr_check_unused_materials(lr_builder *b)
{
    int index;
    for (const lr_source_file *f = b->file; f; f = f->next)
        for (const lr_node *m = f->def.materials ? lr_node_first(f->def.materials) : NULL; m; m = lr_node_next(m))
            if (!recall(b, f, lr_node_key(m), &index))
                LR_TRY(check_unused(b, f, m));
    return LR_OK;
}

static lr_status named_member(lr_builder *b, const lr_source_file *file, const lr_node *own, const char *name, int *index)
{
    if (recall(b, file, name, index))
        return LR_OK;
    LR_TRY(inline_material(b, file, own, name, index));
    return remember(b, file, name, *index);
}

static lr_status find_material(lr_builder *b, const lr_source_file *file, const lr_node *node, const char *name, int *index)
{
    for (const lr_source_file *f = file; f; f = f->outer) {
        const lr_node *other = f->overrides ? lr_node_get(f->overrides, name) : NULL;
        if (!other)
            continue;
        LR_TRY(mark_used(b, other));
        return lr_build_material(b, f->outer, other, NULL, "grey", name, index);
    }
    for (const lr_source_file *f = file; f; f = f->outer) {
        const lr_node *own = f->def.materials ? lr_node_get(f->def.materials, name) : NULL;
        if (own)
            return named_member(b, f, own, name, index);
    }
    if (recall(b, NULL, name, index))
        return LR_OK;
    int which = 0;
    while (which < BUILT_IN && strcmp(name, built_in[which].name) != 0)
        ++which;
    if (which < BUILT_IN)
        LR_TRY(built_in_material(b, which, index));
    else
        LR_TRY(folder_material(b, file, node, name, index));
    return remember(b, NULL, name, *index);
}

lr_status lr_build_material(lr_builder *b, const lr_source_file *file, const lr_node *node, const char *name, const char *otherwise, const char *owner, int *index)
{
    if (node && lr_node_kind(node) == LR_JSON_OBJECT)
        return inline_material(b, file, node, owner, index);
    if (!name && node)
        name = lr_node_text(node);
    if (!name) {  // the default is the built-in one, whatever the file calls its own
        if (recall(b, NULL, otherwise, index))
            return LR_OK;
        for (int i = 0; i < BUILT_IN; ++i)
            if (strcmp(otherwise, built_in[i].name) == 0)
                LR_TRY(built_in_material(b, i, index));
        return remember(b, NULL, otherwise, *index);
    }
    if (!is_plain(name))
        return lr_json_fault(file->json, node, b->err, "\"%.63s\" is not a plain name", name);
    return find_material(b, file, node, name, index);
}
