// SPDX-License-Identifier: Apache-2.0
// A fingerprint of what was loaded, not of the files: the same room read from other folders has the same one.
#include <stddef.h>

#include "core/file.h"
#include "scene/scene.h"

static void add(lr_text *text, const void *data, size_t length)
{
    char hex[65];
    lr_sha256(data, length, hex);
    lr_text_add(text, "%s\n", hex);
}

static void add_table(lr_text *text, const lr_table *table)
{
    add(text, table->x, (size_t)table->count*sizeof *table->x);
    add(text, table->y, (size_t)table->count*sizeof *table->y);
}

static void add_mesh(lr_text *text, const lr_mesh *m)
{
    add(text, m->position, (size_t)m->vertex_count*sizeof *m->position);
    add(text, m->triangle, (size_t)m->triangle_count*sizeof *m->triangle);
    if (m->uv)
        add(text, m->uv, (size_t)m->vertex_count*sizeof *m->uv);
    if (m->slot)
        add(text, m->slot, (size_t)m->triangle_count*sizeof *m->slot);
}

static void add_number(lr_text *text, double x)
{
    lr_text_number(text, x);
    lr_text_add(text, " ");
}

static void add_material(lr_text *text, const lr_material_def *m)
{
    lr_text_add(text, "%s %d ", m->name, (int)m->kind);
    add_table(text, &m->reflectance);
    add_table(text, &m->index_n);
    add_table(text, &m->index_k);
    add_table(text, &m->absorption_per_m);
    const double numbers[] = {m->thickness_m, m->roughness, m->anisotropy, m->retro_share, m->retro_width_rad, m->texture_size_m[0], m->texture_size_m[1]};
    for (size_t i = 0; i < sizeof numbers/sizeof *numbers; i++)
        add_number(text, numbers[i]);
}

static void add_object(lr_text *text, const lr_scene *scene, const lr_object *o)
{
    const lr_pose *p = &o->pose;
    const double numbers[] = {p->rotation.x.x, p->rotation.x.y, p->rotation.x.z, p->rotation.y.x, p->rotation.y.y, p->rotation.y.z, p->rotation.z.x,
                              p->rotation.z.y, p->rotation.z.z, p->origin.x, p->origin.y, p->origin.z, o->scale, o->curved.radius, o->curved.radius2, o->curved.height};
    lr_text_add(text, "%s %d %d %d ", o->name, o->label, o->mesh ? -1 : (int)o->curved.kind, o->curved.open);
    for (size_t i = 0; i < sizeof numbers/sizeof *numbers; i++)
        add_number(text, numbers[i]);
    for (int k = 0; k < scene->mesh_count; k++)
        if (scene->mesh[k] == o->mesh)
            lr_text_add(text, "mesh %d ", k);
    for (int k = 0; k < (o->mesh ? o->mesh->slot_count : 1); k++)
        lr_text_add(text, "%d ", o->material[k]);
    for (const lr_motion *m = o->motion; m; m = m->outer)
        add(text, m->key, (size_t)m->key_count*sizeof *m->key);
}

lr_status lr_scene_digest(const lr_scene *scene, char hex[65], lr_error *err)
{
    lr_text text = {0};
    for (int i = 0; i < scene->mesh_count; i++)
        add_mesh(&text, scene->mesh[i]);
    for (int i = 0; i < scene->texture_count; i++)
        add(&text, scene->texture[i]->value, (size_t)scene->texture[i]->width*(size_t)scene->texture[i]->height*sizeof(float));
    for (int i = 0; i < scene->material_count; i++)
        add_material(&text, &scene->material[i]);
    for (int i = 0; i < scene->object_count; i++)
        add_object(&text, scene, &scene->object[i]);
    const int failed = text.failed;
    if (!failed)
        lr_sha256(text.data ? text.data : "", text.length, hex);
    lr_text_free(&text);
    return failed ? lr_fail(err, LR_ERR_MEMORY, "scene: out of memory") : LR_OK;
}
