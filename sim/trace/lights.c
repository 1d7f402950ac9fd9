// SPDX-License-Identifier: Apache-2.0
#include "trace/lights.h"

#include <stdlib.h>


#define LAMPS_AT_HAND 64  // whose weights are kept while one is picked

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
    l->reach = 0.5f*sqrtf(lr_dotf(l->u, l->u) + lr_dotf(l->v, l->v));
}

// The tubes and bulbs of most rooms, in float: their points are drawn for every pixel.
static void fill_round(lr_lit_lamp *l, const lr_object *object, int two_sided)
{
    const lr_curved *c = &object->curved;
    if (object->mesh || two_sided || (c->kind == LR_CURVED_CYLINDER && c->open) ||
        (c->kind != LR_CURVED_SPHERE && c->kind != LR_CURVED_CAPSULE && c->kind != LR_CURVED_CYLINDER))
        return;
    const double height = c->kind == LR_CURVED_SPHERE ? 0.0 : c->height, side = 2.0*LR_PI*c->radius*height;
    l->round = 1;
    l->capped = c->kind == LR_CURVED_CYLINDER;
    l->radius = (float)(c->radius*object->scale);
    l->half_m = (float)(0.5*height*object->scale);
    l->reach = l->half_m + l->radius;
    l->side_share = (float)(side/(side + (l->capped ? 2.0 : 4.0)*LR_PI*c->radius*c->radius));
    l->frame = (lr_frame3f){lr_v3f_of(object->pose.rotation.x), lr_v3f_of(object->pose.rotation.y), lr_v3f_of(object->pose.rotation.z)};
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
                     .center = lr_v3f_of(object->pose.origin), .reach = INFINITY};
    fill_plane(&l, object);
    l.one_sided = l.planar && !lamp->two_sided;
    fill_round(&l, object, lamp->two_sided);
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
    out->sun_frame = lr_frame_aroundf(lr_v3f_of(scene->sun.present ? scene->sun.direction : lr_v3(0, 0, 1)));
    out->sun_sine = scene->sun.present ? (float)sqrt(1.0 - scene->sun.cos_radius*scene->sun.cos_radius) : 0.0f;
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
    const float a = lr_dotf(q, p->u), b = lr_dotf(q, p->v);
    return a >= 0.0f && a <= lr_dotf(p->u, p->u) && b >= 0.0f && b <= lr_dotf(p->v, p->v);
}

void lr_lights_weigh_portals(const lr_lights *lights, lr_vec3f x, lr_portal_weights *weights)
{
    weights->x = x;
    weights->total = 0.0f;
    for (int k = 0; k < lights->portal_count; k++) {
        const float weight = lr_lights_portal_weight(&lights->portal[k], x);
        weights->total += weight;
        if (k < LR_PORTALS_AT_HAND)
            weights->of[k] = weight;
    }
}

static inline float portal_weight(const lr_lights *lights, const lr_portal_weights *weights, int k)
{
    return k < LR_PORTALS_AT_HAND ? weights->of[k] : lr_lights_portal_weight(&lights->portal[k], weights->x);
}

int lr_lights_pick_portal(const lr_lights *lights, const lr_portal_weights *weights, float pick)
{
    int k = 0;
    for (float rest = pick*weights->total; k + 1 < lights->portal_count; k++) {
        const float weight = portal_weight(lights, weights, k);
        if (rest < weight)
            break;
        rest -= weight;
    }
    return k;
}

float lr_lights_portal_pdf(const lr_lights *lights, const lr_portal_weights *weights, lr_vec3f d)
{
    float pdf = 0.0f;
    for (int k = 0; k < lights->portal_count; k++) {
        const lr_lit_portal *p = &lights->portal[k];
        float distance, cosine;
        if (crosses(p, weights->x, d, &distance, &cosine))
            pdf += portal_weight(lights, weights, k)*distance*distance/(p->area*cosine);
    }
    return weights->total > 0.0f ? pdf/weights->total : 0.0f;
}

int lr_lights_lamp_ahead(const lr_lights *lights, lr_vec3f x, lr_vec3f d)
{
    for (int k = 0; k < lights->lamp_count; k++) {
        const lr_lit_lamp *l = &lights->lamp[k];
        const lr_vec3f to = lr_subf(l->center, x), off = lr_crossf(to, d);
        const float reach = 1.001f*l->reach;
        if (lr_dotf(off, off) <= reach*reach && lr_dotf(to, d) >= -reach)
            return 1;
    }
    return 0;
}

int lr_lights_pick_lamp(const lr_lights *lights, lr_vec3f x, float pick, float *weight, float *total)
{
    float at_hand[LAMPS_AT_HAND];
    const int kept = lights->lamp_count < LAMPS_AT_HAND ? lights->lamp_count : LAMPS_AT_HAND;
    *total = 0.0f;
    for (int k = 0; k < kept; k++)
        *total += at_hand[k] = lr_lights_lamp_weight(&lights->lamp[k], x);
    for (int k = kept; k < lights->lamp_count; k++)
        *total += lr_lights_lamp_weight(&lights->lamp[k], x);
    float rest = pick**total;
    int last = -1;
    for (int k = 0; k < lights->lamp_count; k++) {
        const float w = k < kept ? at_hand[k] : lr_lights_lamp_weight(&lights->lamp[k], x);
        if (!(w > 0.0f))
            continue;
        last = k;
        *weight = w;
        if (rest < w)
            break;
        rest -= w;
    }
    return last;
}

static void round_point(const lr_lit_lamp *l, float u, float v, float w, lr_vec3f *point, lr_vec3f *normal)
{
    lr_vec3f n, p;
    float c, s;
    lr_turnf(u, &c, &s);
    if (w < l->side_share) {
        n = lr_v3f(c, s, 0.0f);
        p = lr_v3f(l->radius*c, l->radius*s, l->half_m*(2.0f*v - 1.0f));
    } else if (l->capped) {  // what is left of w picks the end
        const float up = w - l->side_share < 0.5f*(1.0f - l->side_share) ? -1.0f : 1.0f, r = l->radius*sqrtf(v);
        n = lr_v3f(0.0f, 0.0f, up);
        p = lr_v3f(r*c, r*s, up*l->half_m);
    } else {
        const float z = 1.0f - 2.0f*v, r = sqrtf(lr_maxf(0.0f, 1.0f - z*z));
        n = lr_v3f(r*c, r*s, z);
        p = lr_mulf(n, l->radius);
        p.z += z >= 0.0f ? l->half_m : -l->half_m;
    }
    *point = lr_addf(l->center, lr_frame_tof(l->frame, p));
    *normal = lr_frame_tof(l->frame, n);
}

void lr_lights_lamp_point(const lr_lights *lights, const lr_lit_lamp *l, float u, float v, float w, lr_vec3f *point, lr_vec3f *normal)
{
    if (l->planar) {
        *point = lr_madf(lr_madf(l->corner, u, l->u), v, l->v);
        *normal = l->normal;
        return;
    }
    if (l->round) {
        round_point(l, u, v, w, point, normal);
        return;
    }
    lr_vec3 p, n;
    lr_lamp_sample(lights->scene, &lights->scene->lamp[l->lamp], u, v, w, &p, &n);
    *point = lr_v3f_of(p);
    *normal = lr_v3f_of(n);
}
