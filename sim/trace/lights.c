// SPDX-License-Identifier: Apache-2.0
#include "trace/lights.h"

#include <stdlib.h>

static void fill_plane(lr_lit_lamp *l, const lr_object *object)
{
    // A rectangle is the one flat lamp made of two triangles: its corners are the first three of its mesh.
    const lr_mesh *mesh = object->mesh;
    l->planar = mesh && mesh->triangle_count == 2 && mesh->vertex_count == 4;
    if (!l->planar)
        return;
    lr_vec3 p[4];
    for (int i = 0; i < 4; i++) {
        const float *q = mesh->position[i];
        p[i] = lr_pose_point(object->pose, lr_mul(lr_v3((double)q[0], (double)q[1], (double)q[2]), object->scale));
    }
    // Whatever the order of the corners: take the two that are next to the first.
    int far = 1;
    for (int i = 2; i < 4; i++)
        if (lr_length(lr_sub(p[i], p[0])) > lr_length(lr_sub(p[far], p[0])))
            far = i;
    const int a = far == 1 ? 2 : 1, b = far == 3 ? 2 : 3;
    l->corner = lr_v3f_of(p[0]);
    l->u = lr_v3f_of(lr_sub(p[a], p[0]));
    l->v = lr_v3f_of(lr_sub(p[b], p[0]));
    l->normal = lr_v3f_of(object->pose.rotation.z);
}

static void add_lamp(lr_lights *lights, int index, const lr_bins *bins)
{
    const lr_scene *scene = lights->scene;
    const lr_lamp *lamp = &scene->lamp[index];
    const lr_table *spectrum = &scene->source[lamp->source].spectrum;
    const double in_band = lr_table_integral(spectrum, bins->edge_m[0], bins->edge_m[bins->ambient_count]);
    if (!(in_band*lamp->strength > 0.0))
        return;  // a lamp without light in the pass band needs no rays
    const lr_object *object = &scene->object[lamp->object];
    lr_lit_lamp l = {.lamp = index, .object = lamp->object, .source = lamp->source, .strength = (float)lamp->strength,
                     .area = (float)lamp->area_m2, .power = (float)(in_band*lamp->strength*lamp->area_m2),
                     .center = lr_v3f_of(object->pose.origin)};
    fill_plane(&l, object);
    l.one_sided = l.planar && !lamp->two_sided;
    lights->lamp_of_object[lamp->object] = lights->lamp_count;
    lights->lamp[lights->lamp_count++] = l;
}

lr_status lr_lights_create(const lr_scene *scene, const lr_bins *bins, lr_lights *out, lr_error *err)
{
    *out = (lr_lights){.scene = scene, .portal_count = scene->portal_count};
    out->lamp = malloc(((size_t)scene->lamp_count + 1)*sizeof *out->lamp);
    out->portal = malloc(((size_t)scene->portal_count + 1)*sizeof *out->portal);
    out->lamp_of_object = malloc(((size_t)scene->object_count + 1)*sizeof *out->lamp_of_object);
    if (!out->lamp || !out->portal || !out->lamp_of_object) {
        lr_lights_destroy(out);
        return lr_fail(err, LR_ERR_MEMORY, "lights: out of memory");
    }
    for (int i = 0; i < scene->object_count; i++)
        out->lamp_of_object[i] = -1;
    for (int i = 0; i < scene->lamp_count; i++)
        add_lamp(out, i, bins);
    for (int i = 0; i < scene->portal_count; i++) {
        const lr_portal *p = &scene->portal[i];
        out->portal[i] = (lr_lit_portal){
            .corner = lr_v3f_of(p->corner), .u = lr_v3f_of(p->u), .v = lr_v3f_of(p->v), .normal = lr_v3f_of(p->normal),
            .area = (float)p->area_m2, .center = lr_v3f_of(lr_mad(lr_mad(p->corner, 0.5, p->u), 0.5, p->v))};
    }
    return LR_OK;
}

void lr_lights_destroy(lr_lights *lights)
{
    free(lights->lamp);
    free(lights->portal);
    free(lights->lamp_of_object);
    *lights = (lr_lights){0};
}

static int crosses(const lr_lit_portal *p, lr_vec3f x, lr_vec3f d, float *distance, float *cosine)
{
    *cosine = fabsf(lr_dotf(p->normal, d));
    if (*cosine < 1e-6f)
        return 0;
    *distance = lr_dotf(p->normal, lr_subf(p->corner, x))/lr_dotf(p->normal, d);
    if (!(*distance > 0.0f))
        return 0;
    const lr_vec3f q = lr_subf(lr_madf(x, *distance, d), p->corner);
    const float a = lr_dotf(q, p->u)/lr_dotf(p->u, p->u), b = lr_dotf(q, p->v)/lr_dotf(p->v, p->v);
    return a >= 0.0f && a <= 1.0f && b >= 0.0f && b <= 1.0f;
}

float lr_lights_portal_pdf(const lr_lights *lights, lr_vec3f x, lr_vec3f d)
{
    float total = 0.0f, pdf = 0.0f;
    for (int k = 0; k < lights->portal_count; k++) {
        const lr_lit_portal *p = &lights->portal[k];
        const float weight = lr_lights_portal_weight(p, x);
        float distance, cosine;
        total += weight;
        if (crosses(p, x, d, &distance, &cosine))
            pdf += weight*distance*distance/(p->area*cosine);
    }
    return total > 0.0f ? pdf/total : 0.0f;
}

void lr_lights_lamp_point(const lr_lights *lights, const lr_lit_lamp *l, float u, float v, float w, lr_vec3f *point, lr_vec3f *normal)
{
    if (l->planar) {
        *point = lr_madf(lr_madf(l->corner, u, l->u), v, l->v);
        *normal = l->normal;
        return;
    }
    lr_vec3 p, n;
    lr_lamp_sample(lights->scene, &lights->scene->lamp[l->lamp], u, v, w, &p, &n);
    *point = lr_v3f_of(p);
    *normal = lr_v3f_of(n);
}
