// SPDX-License-Identifier: Apache-2.0
// Ambient light of matte surfaces where the room's is gathered: most of what a camera sees. The same light, the same random numbers and the
// same shadow rays as in path.c, worked out for blocks of pixels in structure of arrays.
#include <math.h>
#include <string.h>

#include "core/anglef.h"
#include "core/wide.h"
#include "trace/gather.h"
#include "trace/path.h"
#include "trace/surface_eval.h"

enum { N = LR_GATHER_LOOKS };

typedef struct block {
    int count;
    int slot[N];                         // of the batch
    lr_gather_points point, normal;      // the normal on the side seen
    float out[N];                        // cosine towards the camera
    lr_gather_points to_eye;             // unit
    float a[N], r[N], left[N], grazing[N];   // lr_matte
    float carry[LR_MAX_AMBIENT_BINS][N]; // throughput times reflectance
    uint32_t seed[N], sample[N];
} block;

typedef struct sun_rays { lr_gather_points wi; float value[N]; } sun_rays;   // value: f cos over reflectance; 0: not asked

// ---- the block --------------------------------------------------------------------------------------------------------------

static int is_matte(const lr_line_job *job, int k)
{
    const lr_rays *rays = &job->work->rays;
    const lr_surface *surface = job->work->met[k].surface;
    return rays->object[k] >= 0 && lr_surface_is_matte(surface) && !job->tracer->scene->object[rays->object[k]].motion &&
           job->tracer->lights.lamp_of_object[rays->object[k]] < 0;
}

static void put(lr_gather_points *p, int i, lr_vec3f v)
{
    p->x[i] = v.x;
    p->y[i] = v.y;
    p->z[i] = v.z;
}

static lr_vec3f get(const lr_gather_points *p, int i) { return lr_v3f(p->x[i], p->y[i], p->z[i]); }

static void add(const lr_line_job *job, block *b, int k)
{
    const lr_work *work = job->work;
    const lr_surface *s = work->met[k].surface;
    const lr_matte matte = lr_matte_of(s);
    const int i = b->count++;
    const lr_vec3f n = lr_rays_normal(&work->rays, k), d = lr_rays_direction(&work->rays, k);
    const float away = lr_dotf(n, d), side = away <= 0.0f ? 1.0f : -1.0f;
    b->slot[i] = k;
    put(&b->point, i, lr_rays_point(&work->rays, k));
    put(&b->normal, i, lr_mulf(n, side));
    put(&b->to_eye, i, lr_mulf(d, -1.0f));
    b->out[i] = fabsf(away);
    b->a[i] = matte.a;
    b->r[i] = matte.r;
    b->left[i] = matte.left;
    b->grazing[i] = matte.grazing;
    for (int bin = 0; bin < job->tracer->rig->bins.ambient_count; bin++)
        b->carry[bin][i] = work->path.throughput[bin*LR_CHUNK_RAYS + k]*s->reflectance[bin]*work->met[k].scale;
    b->seed[i] = work->path.seed[k];
    b->sample[i] = work->path.sample[k];
}

static const float *response(const lr_line_job *job, int source, int slot)
{
    return job->camera->ambient_response + ((size_t)source*job->camera->pixels + job->first + job->work->path.pixel[slot])*job->tracer->rig->bins.ambient_count;
}

// Electrons of a source of unit geometry.
static float electrons(const lr_line_job *job, const block *b, int source, int i)
{
    const float *e = response(job, source, b->slot[i]);
    float sum = 0.0f;
    for (int bin = 0; bin < job->tracer->rig->bins.ambient_count; bin++)
        sum += b->carry[bin][i]*e[bin];
    return sum;
}

// ---- gathered light -----------------------------------------------------------------------------------------------------------

// Keeps in the block what the gathered light is known for.
static void take_gathered(const lr_line_job *job, block *b)
{
    const lr_scene *scene = job->tracer->scene;
    const int bins = job->tracer->rig->bins.ambient_count;
    float irradiance[N*LR_MAX_GATHERED];
    lr_gather_aim aim[N];
    uint8_t found[N];
    const int values = job->known->values;
    lr_gather_aim_at(job->known, b->count, &b->point, aim);
    for (int i = 0; i < b->count; i++)
        found[i] = (uint8_t)lr_gather_look_aimed(job->known, &aim[i], get(&b->point, i), get(&b->normal, i), 0, job->tracer->gather_error, irradiance + i*values);
    for (int k = 0; k < scene->source_count; k++) {
        const lr_source_kind kind = scene->source[k].kind;
        float *part = job->work->sums + (kind == LR_SOURCE_SUN ? LR_PART_SUN : kind == LR_SOURCE_SKY ? LR_PART_SKY : LR_PART_LAMP)*LR_CHUNK_PIXELS;
        for (int i = 0; i < b->count; i++) {
            const float *e = response(job, k, b->slot[i]);
            float sum = 0.0f;
            for (int bin = 0; bin < bins && found[i]; bin++)
                sum += b->carry[bin][i]*irradiance[i*values + k*bins + bin]*LR_INV_PI_F*e[bin];
            part[job->work->path.pixel[b->slot[i]]] += sum;
        }
    }
    for (int i = 0; i < b->count; i++)
        job->work->done[b->slot[i]] = found[i];
}

// ---- sun ----------------------------------------------------------------------------------------------------------------------

LR_WIDE_WHOLE static void aim_at_sun(const lr_lights *lights, const block *b, const float u[N], const float v[N], sun_rays *out)
{
    const lr_frame3f f = lights->sun_frame;
    const float sine = lights->sun_sine;
    for (int i = 0; i < b->count; i++) {
        float c, s;
        lr_turnf(v[i], &c, &s);
        const float radius = sine*sqrtf(u[i]), across = radius*c, along = radius*s;
        const lr_vec3f wi = lr_unitf(lr_v3f(across*f.x.x + along*f.y.x + f.z.x, across*f.x.y + along*f.y.y + f.z.y, across*f.x.z + along*f.y.z + f.z.z));
        const lr_vec3f n = lr_v3f(b->normal.x[i], b->normal.y[i], b->normal.z[i]);
        const float in = lr_dotf(n, wi), up = b->out[i];
        const float between = b->to_eye.x[i]*wi.x + b->to_eye.y[i]*wi.y + b->to_eye.z[i]*wi.z;
        const lr_matte matte = {b->a[i], b->r[i], b->left[i], b->grazing[i]};
        out->wi.x[i] = wi.x;
        out->wi.y[i] = wi.y;
        out->wi.z[i] = wi.z;
        out->value[i] = lr_matte_value(matte, up, in, between);
    }
}

// What the answer counts where light is too faint to be asked for always: see path_ask.c.
static float faint(float expected_e, float faint_e, float v)
{
    return !(expected_e < faint_e) ? 1.0f : v*faint_e < expected_e ? faint_e/expected_e : 0.0f;
}

static void queue_sun(const lr_line_job *job, const block *b, int i, const sun_rays *sun, float factor)
{
    lr_shadow_queue *q = &job->work->sun;
    const int k = b->slot[i], slot = lr_queue_place(job, q);
    for (int bin = 0; bin < job->tracer->rig->bins.ambient_count; bin++)
        q->weight[bin*LR_CHUNK_RAYS + slot] = b->carry[bin][i]*factor;
    q->path[slot] = k;
    q->source[slot] = job->tracer->scene->sun.source;
    lr_rays_set(&q->rays, slot, lr_madf(get(&b->point, i), LR_OFFSET_M, get(&b->normal, i)), get(&sun->wi, i), 0.0f, INFINITY, job->work->rays.time_s[k]);
}

static void ask_sun(const lr_line_job *job, const block *b)
{
    const int source = job->tracer->scene->sun.source;
    const lr_work *work = job->work;
    sun_rays sun;
    float u[N], v[N], unused[N];
    lr_draw_many(job, b->count, b->seed, b->sample, LR_DIM_SUN, u, v);
    aim_at_sun(&job->tracer->lights, b, u, v, &sun);
    lr_draw_many(job, b->count, b->seed, b->sample, LR_DIM_FAINT_SUN, unused, v);
    for (int i = 0; i < b->count; i++) {
        const int k = b->slot[i];
        if (!work->done[k] || !(sun.value[i] > 0.0f) || lr_sun_shade_covers(&job->tracer->sun_shade, get(&b->point, i)))
            continue;
        const float expected = electrons(job, b, source, i)*sun.value[i];
        if (!(expected > 0.0f))
            continue;
        const float factor = sun.value[i]*faint(expected, lr_faint_e(job, work->path.pixel[k]), v[i]);
        if (factor != 0.0f)
            queue_sun(job, b, i, &sun, factor);
    }
}

static void ask_several(const lr_line_job *job, block *b, float share)
{
    sun_rays sun;
    float u[N], v[N];
    lr_draw_many(job, b->count, b->seed, b->sample, LR_DIM_SUN_SEVERAL, u, v);
    aim_at_sun(&job->tracer->lights, b, u, v, &sun);
    for (int i = 0; i < b->count; i++)
        if (sun.value[i] > 0.0f)
            queue_sun(job, b, i, &sun, share*sun.value[i]);
    b->count = 0;
}

void lr_matte_ask_sun(const lr_line_job *job, const int32_t *slot, int count, int rays)
{
    block b;
    b.count = 0;
    for (int n = 0; n < count*rays; n++) {
        add(job, &b, slot[n/rays]);
        b.sample[b.count - 1] = b.sample[b.count - 1]*(uint32_t)rays + (uint32_t)(n % rays);
        if (b.count == N)
            ask_several(job, &b, 1.0f/(float)rays);
    }
    if (b.count > 0)
        ask_several(job, &b, 1.0f/(float)rays);
}

// ---- lamps ----------------------------------------------------------------------------------------------------------------------

// Picks a lamp for every point, as lr_lights_pick_lamp does.
LR_WIDE_WHOLE static void pick_lamps(const lr_lights *lights, const block *b, const float pick[N], int32_t lamp[N], float total[N])
{
    float rest[N];
    const int count = b->count;
    for (int i = 0; i < count; i++) {
        total[i] = 0.0f;
        lamp[i] = -1;
    }
    for (int k = 0; k < lights->lamp_count; k++) {
        const lr_lit_lamp l = lights->lamp[k];
        for (int i = 0; i < count; i++)
            total[i] += lr_lights_lamp_weight(&l, lr_v3f(b->point.x[i], b->point.y[i], b->point.z[i]));
    }
    for (int i = 0; i < count; i++)
        rest[i] = pick[i]*total[i];
    for (int k = 0; k < lights->lamp_count; k++) {
        const lr_lit_lamp l = lights->lamp[k];
        for (int i = 0; i < count; i++) {
            const float w = lr_lights_lamp_weight(&l, lr_v3f(b->point.x[i], b->point.y[i], b->point.z[i]));
            const int open = (w > 0.0f) & (rest[i] >= 0.0f);
            lamp[i] = open ? k : lamp[i];
            rest[i] = open ? (rest[i] < w ? -1.0f : rest[i] - w) : rest[i];
        }
    }
}

static void ask_lamps(const lr_line_job *job, const block *b)
{
    const lr_lights *lights = &job->tracer->lights;
    const lr_rays *rays = &job->work->rays;
    float pick[N], third[N], v[N], unused[N], total[N];
    int32_t lamp[N];
    if (lights->lamp_count == 0)
        return;
    lr_draw_many(job, b->count, b->seed, b->sample, LR_DIM_CHOICE, pick, third);
    pick_lamps(lights, b, pick, lamp, total);
    lr_draw_many(job, b->count, b->seed, b->sample, LR_DIM_FAINT, unused, v);
    for (int i = 0; i < b->count; i++) {
        const int k = b->slot[i];
        if (!job->work->done[k] || lamp[i] < 0)
            continue;
        const lr_lit_lamp *l = &lights->lamp[lamp[i]];
        const float slant = lr_lights_lamp_slant(l, get(&b->point, i), get(&b->normal, i));
        const float expected = electrons(job, b, l->source, i)*LR_INV_PI_F*l->strength*l->area*total[i]/l->power*slant;
        const float factor = faint(expected, lr_faint_e(job, job->work->path.pixel[k]), v[i]);
        if (factor == 0.0f)
            continue;  // most of them; the others are worked out one by one
        const lr_vertex vertex = {.i = k, .lamp_weight = total[i], .step = 0, .surface = job->work->met[k].surface, .scale = job->work->met[k].scale, .point = get(&b->point, i),
                            .normal = lr_rays_normal(rays, k), .wo = get(&b->to_eye, i)};
        lr_ask_lamp_at(job, &vertex, l, lr_lights_lamp_weight(l, vertex.point), third[i], factor, NULL);
    }
}

// In mirrors: few places see it there, and are worked out one by one.
static void ask_mirrored_sun(const lr_line_job *job, const block *b)
{
    for (int i = 0; i < b->count; i++) {
        const int k = b->slot[i];
        const lr_vec3f point = get(&b->point, i);
        if (!job->work->done[k] || !lr_sun_mirrors_near(&job->tracer->sun_mirrors, point))
            continue;
        const lr_vertex vertex = {.i = k, .step = 0, .surface = job->work->met[k].surface, .scale = job->work->met[k].scale, .point = point,
                                  .normal = lr_rays_normal(&job->work->rays, k), .wo = get(&b->to_eye, i)};
        lr_ask_mirrored_sun(job, &vertex);
    }
}

static void light_block(const lr_line_job *job, block *b)
{
    take_gathered(job, b);
    if (job->tracer->scene->sun.present) {
        ask_sun(job, b);
        ask_mirrored_sun(job, b);
    }
    ask_lamps(job, b);
    b->count = 0;
}

void lr_matte_light(const lr_line_job *job)
{
    lr_work *work = job->work;
    block b;
    b.count = 0;
    memset(work->done, 0, (size_t)work->rays.count);
    if (!job->known)
        return;
    for (int k = 0; k < work->rays.count; k++) {
        if (!is_matte(job, k))
            continue;
        add(job, &b, k);
        if (b.count == N)
            light_block(job, &b);
    }
    if (b.count > 0)
        light_block(job, &b);
}
