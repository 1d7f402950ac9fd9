// SPDX-License-Identifier: Apache-2.0
// Flattening: every leaf of every group, and every copy, becomes one object in world coordinates. Copies share meshes.
// Inside a group at `place` with lengths times `scale`, a thing at c with turn R stands at
//   rotation R_place R,   origin o_place + R_place (scale c).
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "scene/scene_build.h"

// Where we are on the way down.
typedef struct level {
    lr_source_file *file;
    const struct level *up;   // the level that holds this one
    lr_pose place;
    double scale;
    const lr_motion *motion;
    int label;                // of the top entry we are in; 0 at the top
    int depth;
    int enters_file;          // 1: this level begins `file`
} level;

static lr_vec3 v3(const double v[3]) { return lr_v3(v[0], v[1], v[2]); }

static lr_pose placed(const level *at, const double center_m[3], const double rotate_rad[3])
{
    const lr_pose local = {lr_rotation_xyz(v3(rotate_rad)), lr_mul(v3(center_m), at->scale)};
    return lr_pose_mul(at->place, local);
}

// ---- Growing the scene ---------------------------------------------------------------------------------------------

static lr_status count_instance(lr_builder *b)
{
    if (++b->instances > LR_LEAVES_MOST)
        return lr_fail(b->err, LR_ERR_RANGE, "%.200s: objects: more than %d with all copies", lr_json_name(b->file->json), LR_LEAVES_MOST);
    return LR_OK;
}

lr_status lr_build_label(lr_builder *b, const char *name, int *label)
{
    lr_scene *scene = b->scene;
    LR_TRY(lr_room_for_one(&scene->label, scene->label_count, sizeof *scene->label, b->err));
    snprintf(scene->label[scene->label_count], sizeof *scene->label, "%s", name);
    *label = ++scene->label_count;
    return LR_OK;
}

lr_status lr_build_mesh(lr_builder *b, lr_mesh *mesh, int *index)
{
    lr_scene *scene = b->scene;
    lr_status status = lr_room_for_one(&scene->mesh, scene->mesh_count, sizeof *scene->mesh, b->err);
    if (status == LR_OK)
        status = lr_room_for_one(&b->mesh_box, scene->mesh_count, sizeof *b->mesh_box, b->err);
    if (status != LR_OK) {
        lr_mesh_destroy(mesh);
        return status;
    }
    b->mesh_box[scene->mesh_count] = lr_mesh_bounds(mesh);
    scene->mesh[scene->mesh_count] = mesh;
    *index = scene->mesh_count++;
    return LR_OK;
}

static void widen(lr_scene *scene, lr_box3 box) { scene->bounds = lr_box3_add(lr_box3_add(scene->bounds, box.lo), box.hi); }

// Widens the scene's box by an object wherever it goes.
static void bound_leaf(lr_scene *scene, const lr_object *object, lr_box3 local)
{
    enum { STEPS = 8 };  // between keys, for what turns
    widen(scene, lr_box_placed(local, object->scale, lr_object_pose_at(object, 0.0)));
    for (const lr_motion *m = object->motion; m; m = m->outer)
        for (int k = 0; k < m->key_count; ++k) {
            const int last = k + 1 == m->key_count;
            const double from_s = m->key[k].time_s, to_s = m->key[last ? k : k + 1].time_s;
            for (int j = 0; j < (last ? 1 : STEPS); ++j)
                widen(scene, lr_box_placed(local, object->scale, lr_object_pose_at(object, from_s + (to_s - from_s)*j/STEPS)));
        }
}

lr_status lr_build_leaf(lr_builder *b, const lr_leaf *leaf)
{
    lr_scene *scene = b->scene;
    LR_TRY(count_instance(b));
    LR_TRY(lr_room_for_one(&scene->object, scene->object_count, sizeof *scene->object, b->err));
    int *material = malloc((size_t)leaf->slot_count*sizeof *material);
    if (!material)
        return lr_fail(b->err, LR_ERR_MEMORY, "scene: out of memory");
    memcpy(material, leaf->material, (size_t)leaf->slot_count*sizeof *material);
    lr_object *object = &scene->object[scene->object_count++];
    *object = (lr_object){.label = leaf->label, .mesh = leaf->mesh < 0 ? NULL : scene->mesh[leaf->mesh], .curved = leaf->curved, .pose = leaf->pose,
                          .scale = leaf->scale, .material = material, .lamp = -1, .is_room = leaf->is_room, .motion = leaf->motion};
    if (!object->mesh) {
        object->curved.radius *= leaf->scale;
        object->curved.radius2 *= leaf->scale;
        object->curved.height *= leaf->scale;
        object->scale = 1.0;
    }
    snprintf(object->name, sizeof object->name, "%s", leaf->name);
    bound_leaf(scene, object, object->mesh ? b->mesh_box[leaf->mesh] : lr_curved_bounds(&object->curved));
    return LR_OK;
}

static lr_status build_motion(lr_builder *b, const level *at, const lr_object_def *def, const lr_motion **out)
{
    lr_scene *scene = b->scene;
    *out = at->motion;
    if (def->key_count == 0)
        return LR_OK;
    LR_TRY(lr_room_for_one(&scene->motion, scene->motion_count, sizeof *scene->motion, b->err));
    lr_motion *motion = calloc(1, sizeof *motion);
    lr_motion_key *key = malloc((size_t)def->key_count*sizeof *key);
    if (!motion || !key) {
        free(motion);
        free(key);
        return lr_fail(b->err, LR_ERR_MEMORY, "scene: out of memory");
    }
    for (int i = 0; i < def->key_count; ++i) {
        key[i] = def->key[i];
        key[i].offset = lr_mul(key[i].offset, at->scale);
    }
    *motion = (lr_motion){at->motion, {at->place.rotation, lr_pose_point(at->place, lr_mul(v3(def->center_m), at->scale))}, def->key_count, key};
    scene->motion[scene->motion_count++] = motion;
    *out = motion;
    return LR_OK;
}

// ---- What copies share: meshes and materials of one entry, made when it is first met -----------------------------------

static lr_status find_mesh_file(lr_builder *b, const lr_source_file *file, const lr_object_def *def, int *index)
{
    char path[LR_PATH_MAX];
    if (def->file[0] == '/')
        snprintf(path, sizeof path, "%s", def->file);
    else
        LR_TRY(lr_path_join(path, file->folder, def->file, b->err));
    for (int i = 0; i < b->mesh_file_count; ++i)
        if (b->mesh_file[i].y_up == def->y_up && strcmp(b->mesh_file[i].path, path) == 0) {
            *index = i;
            return LR_OK;
        }
    LR_TRY(lr_room_for_one(&b->mesh_file, b->mesh_file_count, sizeof *b->mesh_file, b->err));
    lr_mesh_file *f = &b->mesh_file[b->mesh_file_count];
    *f = (lr_mesh_file){.y_up = def->y_up};
    snprintf(f->path, sizeof f->path, "%s", path);
    lr_mesh *mesh;
    lr_error inner = {""};
    const lr_status status = lr_mesh_load(path, 1.0, !def->y_up, &mesh, &f->slot_names, &inner);
    if (status != LR_OK) {
        lr_json_fault(file->json, lr_scene_member(def->node, "file"), b->err, "%s", inner.text);
        return status;
    }
    *index = b->mesh_file_count++;
    return lr_build_mesh(b, mesh, &f->mesh);
}

static lr_status mesh_materials(lr_builder *b, const lr_source_file *file, lr_object_def *def, const lr_mesh_file *mesh_file)
{
    for (const lr_node *m = def->slots ? lr_node_first(def->slots) : NULL; m; m = lr_node_next(m)) {
        int known = 0;
        for (int i = 0; i < def->slot_count; ++i)
            known |= strcmp(mesh_file->slot_names[i], lr_node_key(m)) == 0;
        if (!known) {
            lr_text list = {0};
            for (int i = 0; i < def->slot_count && list.length < 200; ++i)
                lr_text_add(&list, i ? ", %s" : "%s", mesh_file->slot_names[i]);
            const lr_status status = lr_json_fault(file->json, m, b->err, "the mesh has no material \"%.63s\"; it has %.200s", lr_node_key(m), list.data ? list.data : "none");
            lr_text_free(&list);
            return status;
        }
    }
    for (int i = 0; i < def->slot_count; ++i) {
        const lr_node *own = def->slots ? lr_node_get(def->slots, mesh_file->slot_names[i]) : NULL;
        LR_TRY(lr_build_material(b, file, own ? own : def->material, NULL, "grey", def->name, &def->slot_material[i]));
    }
    return LR_OK;
}

static lr_status check_textures(lr_builder *b, const lr_source_file *file, const lr_object_def *def)
{
    const lr_mesh *mesh = b->scene->mesh[def->mesh];
    for (int i = 0; i < def->slot_count && !mesh->uv; ++i)
        if (b->scene->material_texture[def->slot_material[i]] >= 0)
            return lr_json_fault(file->json, def->node, b->err, "material \"%.63s\" has a texture, but %.100s has no texture coordinates",
                                 b->scene->material[def->slot_material[i]].name, def->file);
    return LR_OK;
}

static lr_status reserve_slots(lr_builder *b, lr_object_def *def, int count)
{
    free(def->slot_material);
    def->slot_count = count;
    def->slot_material = malloc((size_t)count*sizeof *def->slot_material);
    return def->slot_material ? LR_OK : lr_fail(b->err, LR_ERR_MEMORY, "scene: out of memory");
}

static lr_status make_mesh_file(lr_builder *b, const lr_source_file *file, lr_object_def *def)
{
    int index = 0;
    LR_TRY(find_mesh_file(b, file, def, &index));
    def->mesh = b->mesh_file[index].mesh;
    LR_TRY(reserve_slots(b, def, b->scene->mesh[def->mesh]->slot_count));
    LR_TRY(mesh_materials(b, file, def, &b->mesh_file[index]));
    return check_textures(b, file, def);
}

// A shape of our own: its mesh, if flat, and the material of each face.
static lr_status make_shape(lr_builder *b, const lr_source_file *file, lr_object_def *def)
{
    lr_mesh *mesh = NULL;
    lr_error inner = {""};
    lr_status status = LR_OK;
    switch (def->shape) {
    case LR_SHAPE_ROOM: status = lr_mesh_room(def->size_m, def->opening, def->opening_count, &mesh, &inner); break;
    case LR_SHAPE_BOX: status = lr_mesh_box(def->size_m, &mesh, &inner); break;
    case LR_SHAPE_RECTANGLE: status = lr_mesh_rectangle(def->size_m, &mesh, &inner); break;
    default: break;
    }
    if (status != LR_OK)
        return status == LR_ERR_MEMORY ? lr_fail(b->err, status, "%s", inner.text) : lr_scene_fault(file->json, def->node, inner.text, b->err);
    const int faces = mesh ? mesh->slot_count : 1;
    if (mesh)
        LR_TRY(lr_build_mesh(b, mesh, &def->mesh));
    LR_TRY(reserve_slots(b, def, faces));
    int whole = -1;  // made once, if any face needs it
    for (int i = 0; i < faces; ++i) {
        if (faces == LR_FACES && def->face[i]) {
            LR_TRY(lr_build_material(b, file, def->face[i], NULL, "grey", def->name, &def->slot_material[i]));
            continue;
        }
        if (whole < 0)
            LR_TRY(lr_build_material(b, file, def->material, NULL, "grey", def->name, &whole));
        def->slot_material[i] = whole;
    }
    return LR_OK;
}

// Panes: one rectangle for each opening with a pane, in the order of the openings, right behind the room's mesh.
static lr_status make_panes(lr_builder *b, const lr_source_file *file, lr_object_def *def)
{
    if (def->opening_count == 0)
        return LR_OK;
    def->pane_material = malloc((size_t)def->opening_count*sizeof *def->pane_material);
    if (!def->pane_material)
        return lr_fail(b->err, LR_ERR_MEMORY, "scene: out of memory");
    for (int i = 0; i < def->opening_count; ++i) {
        const lr_opening *o = &def->opening[i];
        if (!o->has_pane)
            continue;
        const lr_node *node = lr_scene_member(lr_scene_entry(def->node, "openings", i), "pane");
        LR_TRY(lr_build_material(b, file, node, o->pane, "grey", def->name, &def->pane_material[i]));
        lr_vec3 corner, u, v;
        lr_opening_place(def->size_m, o, &corner, &u, &v);
        lr_mesh *mesh;
        int index;
        LR_TRY(lr_mesh_rectangle((double[2]){lr_length(u), lr_length(v)}, &mesh, b->err));
        LR_TRY(lr_build_mesh(b, mesh, &index));
    }
    return LR_OK;
}

static lr_status make_shared(lr_builder *b, const lr_source_file *file, lr_object_def *def)
{
    if (def->built)
        return LR_OK;
    LR_TRY(def->shape == LR_SHAPE_MESH ? make_mesh_file(b, file, def) : make_shape(b, file, def));
    if (def->shape == LR_SHAPE_ROOM)
        LR_TRY(make_panes(b, file, def));
    def->built = 1;
    return LR_OK;
}

// ---- Leaves --------------------------------------------------------------------------------------------------------

static lr_status add_opening(lr_builder *b, const lr_object_def *def, int which, const lr_leaf *room, int *pane_mesh)
{
    lr_scene *scene = b->scene;
    const lr_opening *opening = &def->opening[which];
    lr_vec3 corner, u, v;
    lr_opening_place(def->size_m, opening, &corner, &u, &v);
    LR_TRY(lr_room_for_one(&scene->portal, scene->portal_count, sizeof *scene->portal, b->err));
    lr_portal *portal = &scene->portal[scene->portal_count++];
    const double s = room->scale;
    portal->corner = lr_pose_point(room->pose, lr_mul(corner, s));
    portal->u = lr_rotate(room->pose.rotation, lr_mul(u, s));
    portal->v = lr_rotate(room->pose.rotation, lr_mul(v, s));
    const lr_vec3 across = lr_cross(portal->u, portal->v);
    portal->area_m2 = lr_length(across);
    portal->normal = lr_unit(across);
    if (!opening->has_pane)
        return LR_OK;
    const lr_vec3 x = lr_unit(u), y = lr_unit(v), middle = lr_mad(lr_mad(corner, 0.5, u), 0.5, v);
    const lr_pose in_room = {{x, y, lr_cross(x, y)}, lr_mul(middle, s)};
    char name[64];
    snprintf(name, sizeof name, "%.48s pane %u", def->name, (unsigned)which & 0xffffu);
    const lr_leaf leaf = {name, room->label, (*pane_mesh)++, {0}, lr_pose_mul(room->pose, in_room), s, 1, &def->pane_material[which], room->motion, 0};
    return lr_build_leaf(b, &leaf);
}

static lr_status add_shape(lr_builder *b, const level *at, lr_object_def *def, int label)
{
    LR_TRY(make_shared(b, at->file, def));
    lr_leaf leaf = {.name = def->name, .label = label, .mesh = def->mesh, .scale = at->scale, .slot_count = def->slot_count, .material = def->slot_material,
                    .is_room = def->shape == LR_SHAPE_ROOM};
    LR_TRY(build_motion(b, at, def, &leaf.motion));
    leaf.pose = placed(at, def->center_m, def->rotate_rad);
    if (def->shape == LR_SHAPE_MESH)
        leaf.scale *= def->scale;
    if (def->mesh < 0)
        leaf.curved = lr_object_def_curved(def);
    LR_TRY(lr_build_leaf(b, &leaf));
    int pane_mesh = def->mesh + 1;
    for (int i = 0; i < def->opening_count; ++i)
        LR_TRY(add_opening(b, def, i, &leaf, &pane_mesh));
    return LR_OK;
}

// ---- Groups --------------------------------------------------------------------------------------------------------

static lr_status add_objects(lr_builder *b, const level *at, lr_object_def *objects, int count);

static const char *short_name(const lr_source_file *file)
{
    const char *name = lr_json_name(file->json), *slash = strrchr(name, '/');
    return slash ? slash + 1 : name;
}

// "a.json > b.json > a.json": the files we are in, outermost first, then the one that closes the circle.
static lr_status circle(lr_builder *b, const level *at, const lr_object_def *def, const char *path)
{
    const level *chain[LR_DEPTH_MOST + 2];
    int count = 0;
    for (const level *l = at; l && count < LR_DEPTH_MOST + 2; l = l->up)
        if (l->enters_file)
            chain[count++] = l;
    lr_text text = {0};
    while (count > 0)
        lr_text_add(&text, "%.60s > ", short_name(chain[--count]->file));
    const char *slash = strrchr(path, '/');
    lr_text_add(&text, "%.60s", slash ? slash + 1 : path);
    const lr_status status = lr_json_fault(at->file->json, lr_scene_member(def->node, "file"), b->err, "a file holds itself: %.300s", text.data ? text.data : path);
    lr_text_free(&text);
    return status;
}

static lr_status open_group_file(lr_builder *b, const level *at, const lr_object_def *def, lr_source_file **out)
{
    char path[LR_PATH_MAX], identity[4096];
    if (def->file[0] == '/')
        snprintf(path, sizeof path, "%s", def->file);
    else
        LR_TRY(lr_path_join(path, at->file->folder, def->file, b->err));
    const lr_node *node = lr_scene_member(def->node, "file");
    char *real = realpath(path, NULL);
    const int fits = real && strlen(real) < sizeof identity;
    snprintf(identity, sizeof identity, "%s", fits ? real : "");
    free(real);
    if (!fits) {
        lr_json_fault(at->file->json, node, b->err, "no such file: %.300s", path);
        return LR_ERR_MISSING;
    }
    for (const level *l = at; l; l = l->up)
        if (strcmp(l->file->identity, identity) == 0)
            return circle(b, at, def, path);
    lr_source_file *last = b->file;
    for (lr_source_file *f = b->file; f; last = f, f = f->next)
        if (f->outer == at->file && f->overrides == def->slots && strcmp(f->identity, identity) == 0) {
            *out = f;
            return LR_OK;
        }
    if (++b->file_count > LR_FILES_MOST)
        return lr_json_fault(at->file->json, node, b->err, "more than %d files of groups", LR_FILES_MOST);
    lr_source_file *fresh = calloc(1, sizeof *fresh);
    if (!fresh)
        return lr_fail(b->err, LR_ERR_MEMORY, "scene: out of memory");
    lr_status status = lr_json_load(path, &fresh->owned, b->err);
    if (status == LR_OK)
        status = lr_fields_read(fresh->owned, lr_json_root(fresh->owned), &lr_scene_fields, &fresh->def, NULL, b->err);
    if (status != LR_OK) {
        lr_json_free(fresh->owned);
        free(fresh);
        return status;
    }
    fresh->json = fresh->owned;
    fresh->outer = at->file;
    fresh->overrides = def->slots;
    snprintf(fresh->identity, sizeof fresh->identity, "%s", identity);
    lr_path_folder(fresh->folder, path);
    last->next = fresh;
    *out = fresh;
    return LR_OK;
}

static lr_status add_copy(lr_builder *b, const level *group, const lr_object_def *def, const lr_copy_def *copy, lr_object_def *objects, int count)
{
    LR_TRY(count_instance(b));
    level inside = *group;
    inside.place = placed(group, copy->center_m, copy->rotate_rad);
    inside.scale = group->scale*copy->scale;
    if (!(inside.scale >= 1e-6 && inside.scale <= 1e6))
        return lr_json_fault(group->up->file->json, def->node, b->err, "with the groups around it, its scale is %g, not in [1e-06, 1e+06]", inside.scale);
    return add_objects(b, &inside, objects, count);
}

static lr_status add_group(lr_builder *b, const level *at, lr_object_def *def, int label)
{
    if (at->depth >= LR_DEPTH_MOST)
        return lr_json_fault(at->file->json, def->node, b->err, "groups inside groups more than %d deep", LR_DEPTH_MOST);
    level group = {.file = at->file, .up = at, .place = placed(at, def->center_m, def->rotate_rad), .scale = at->scale*def->scale, .label = label, .depth = at->depth + 1};
    LR_TRY(build_motion(b, at, def, &group.motion));
    lr_object_def *objects = def->object;
    int count = def->object_count;
    if (def->file[0]) {
        LR_TRY(open_group_file(b, at, def, &group.file));
        group.enters_file = 1;
        objects = group.file->def.object;
        count = group.file->def.object_count;
    }
    const lr_copy_def one = {{0, 0, 0}, {0, 0, 0}, 1.0};
    if (def->copy_count == 0)
        return add_copy(b, &group, def, &one, objects, count);
    for (int i = 0; i < def->copy_count; ++i)
        LR_TRY(add_copy(b, &group, def, &def->copy[i], objects, count));
    return LR_OK;
}

static lr_status add_objects(lr_builder *b, const level *at, lr_object_def *objects, int count)
{
    for (int i = 0; i < count; ++i) {
        int label = at->label;
        if (label == 0)
            LR_TRY(lr_build_label(b, objects[i].name, &label));
        LR_TRY(objects[i].shape == LR_SHAPE_GROUP ? add_group(b, at, &objects[i], label) : add_shape(b, at, &objects[i], label));
    }
    return LR_OK;
}

lr_status lr_build_objects(lr_builder *b)
{
    const level top = {.file = b->file, .place = lr_pose_identity(), .scale = 1.0, .enters_file = 1};
    return add_objects(b, &top, b->file->def.object, b->file->def.object_count);
}
