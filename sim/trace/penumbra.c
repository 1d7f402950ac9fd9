// SPDX-License-Identifier: Apache-2.0
// Direct sun in penumbras. One shadow ray to a place on the sun's disc tosses a coin there; where rays nearby tell of a penumbra, several that are spread
// evenly over the disc take its place. They start at one point and point nearly the same way, so they cost little beside a whole part.
// Whether they do is decided by what other rays have found, those of neighbours on the same surface and of earlier parts, never by the part's own: a
// decision that depends on the answer which it replaces pulls the mean, by up to a tenth of the sun's light.
#include <math.h>
#include <string.h>

#include "core/rng.h"
#include "trace/path.h"
#include "trace/surface_eval.h"

#define RAYS 4                 // of one part: with 8 the variance in penumbras of the workshop is a sixth lower, at twice the cost
#define REACH 4                // pixels on either side whose rays tell
#define COIN_SHARE 0.5f        // of the aim: an error by the coins of a pixel's least parts that is let be

enum { FREE = 1, BLOCKED = 2, BOTH = FREE | BLOCKED };

// Rays to places in sunlight and by mirrors wait in the same queue, and end there.
static int is_straight(const lr_shadow_queue *q, int k) { return q->legs[k] == 1 && q->rays.t_far[k] == INFINITY; }

// What the batch's rays found, by pixel of the chunk; 0: not asked.
static void note_answers(const lr_line_job *job, uint8_t *found)
{
    const lr_shadow_queue *q = &job->work->sun;
    memset(found, 0, LR_CHUNK_PIXELS);
    for (int k = 0; k < q->rays.count; k += q->legs[k])
        if (is_straight(q, k))
            found[job->work->path.pixel[q->path[k]]] = q->rays.blocked[k] ? BLOCKED : FREE;
}

static int others_found(const lr_line_job *job, const uint8_t *found, int i)
{
    const lr_settle *s = &job->work->settle;
    const lr_sight *sight = s->sight[job->work->part.number & 1];
    int all = s->sun[i];
    for (int j = i > REACH ? i - REACH : 0; j <= i + REACH && j < job->count; j++) {
        const int more = s->sun[j] | (j != i ? found[j] : 0);
        if ((all | more) != all && !lr_sights_differ(&sight[i], &sight[j]))
            all |= more;
    }
    return all;
}

static lr_vertex vertex_of(const lr_line_job *job, int k)
{
    const lr_rays *rays = &job->work->rays;
    return (lr_vertex){.i = k, .surface = job->work->met[k].surface, .scale = job->work->met[k].scale, .point = lr_rays_point(rays, k),
                       .normal = lr_rays_normal(rays, k), .wo = lr_mulf(lr_rays_direction(rays, k), -1.0f)};
}

// Electrons of part k if all the sun's light came from the middle of its disc; 0 where no ray is ever free.
static float most_electrons(const lr_line_job *job, int k)
{
    const lr_tracer *tracer = job->tracer;
    const int bins = tracer->rig->bins.ambient_count, pixel = job->work->path.pixel[k];
    const float *response = job->camera->ambient_response + ((size_t)tracer->scene->sun.source*job->camera->pixels + job->first + pixel)*bins;
    const lr_vec3f middle = tracer->lights.sun_frame.z;
    float f[LR_MAX_BINS], sum = 0.0f;
    if (job->work->rays.object[k] < 0)
        return 0.0f;
    const lr_vertex v = vertex_of(job, k);
    if (v.surface->specular || !(lr_dotf(v.normal, v.wo)*lr_dotf(v.normal, middle) > 0.0f) || lr_sun_shade_covers(&tracer->sun_shade, v.point))
        return 0.0f;
    lr_surface_eval_world(v.surface, v.scale, v.normal, v.wo, middle, f);
    for (int b = 0; b < bins; b++)
        sum += job->work->path.throughput[b*LR_CHUNK_RAYS + k]*f[b]*response[b];
    return sum;
}

static int coin_matters(const lr_line_job *job, int k)
{
    const lr_trace_def *def = &job->tracer->def;
    const float e = most_electrons(job, k), noise = lr_job_noise_e(job, job->work->path.pixel[k]), let_be = COIN_SHARE*0.5f*(float)def->noise_ratio;
    return 0.25f*e*e > (float)def->samples*let_be*let_be*(noise*noise + e);
}

// Finds the parts of the batch that are to send several rays, and drops their one. Returns how many.
static int find(const lr_line_job *job, int32_t *slot)
{
    lr_work *work = job->work;
    lr_shadow_queue *q = &work->sun;
    uint8_t found[LR_CHUNK_PIXELS], several[LR_CHUNK_PIXELS];
    int count = 0;
    note_answers(job, found);
    for (int k = 0; k < work->part.count; k++) {
        several[k] = others_found(job, found, work->path.pixel[k]) == BOTH && coin_matters(job, k);
        if (several[k])
            slot[count++] = k;
    }
    for (int k = 0; k < q->rays.count; k += q->legs[k])
        q->rays.blocked[k] |= several[q->path[k]] && is_straight(q, k);
    for (int i = 0; i < job->count; i++)
        work->settle.sun[i] |= found[i];
    return count;
}

static void ask_several(const lr_line_job *job, int k)
{
    const lr_path_state *path = &job->work->path;
    const lr_vertex v = vertex_of(job, k);
    const uint32_t key = lr_hash(path->seed[k], LR_DIM_SUN_SEVERAL);
    for (uint32_t j = 0; j < RAYS; j++) {
        float a, b;
        lr_sobol2(path->sample[k]*RAYS + j, key, &a, &b);
        lr_ask_sun_at(job, &v, a, b, 1.0f/RAYS);
    }
}

void lr_calm_sun(const lr_line_job *job)
{
    lr_work *work = job->work;
    int32_t slot[LR_CHUNK_PIXELS];
    if (!job->tracer->scene->sun.present || !(job->tracer->def.noise_ratio > 0.0))
        return;
    lr_trace_shadows(job, &work->sun);
    const int count = find(job, slot);
    lr_add_shadows(job, &work->sun);
    int matte = 0;
    for (int n = 0; n < count; n++) {
        if (work->done[slot[n]])
            slot[matte++] = slot[n];
        else
            ask_several(job, slot[n]);
    }
    lr_matte_ask_sun(job, slot, matte, RAYS);
}
