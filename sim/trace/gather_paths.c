// SPDX-License-Identifier: Apache-2.0
// Light paths from points of the room: their first step, which asks sky and sunlit places, and asks nothing of sun and lamps straight.
#include <math.h>
#include <string.h>

#include "core/anglef.h"
#include "trace/gather.h"
#include "trace/path.h"
#include "trace/sunlit.h"
#include "trace/surface_eval.h"

// For a point of the room: a place in sunlight. Points of a tile share one even walk over the places' chances.
static const lr_sunlit_place *pick_sunlit_of_tile(const lr_line_job *job, const lr_gather_record *r, int number, float *chance, float *often)
{
    const int set = number % 2;
    const float turn = lr_uniform(lr_hash(lr_hash(job->seed, r->tile), 0x73756e00u + (uint32_t)set));
    float u = lr_uniform(lr_reverse_bits(r->place*(uint32_t)(job->links/2) + (uint32_t)(number/2))) + turn;
    u -= u >= 1.0f ? 1.0f : 0.0f;
    const lr_sunlit_place *place = lr_sunlit_choose(job->choice, set, u, chance, often);
    lr_sunlit_send_for(place);
    return place;
}

static void ask_sunlit_of_tile(const lr_line_job *job, const lr_vertex *v, const lr_sunlit_place *place, float chance, float often)
{
    lr_sunlit_link link;
    if (!lr_sunlit_connect(place, often, v->point, v->normal, job->tracer->rig->bins.ambient_count, &link))
        return;
    lr_vertex from = *v;
    from.per_m = 1.0f/link.distance;
    // The throughput holds 1/paths, but there are links of these.
    lr_queue_shadow(job, &job->work->sun, &from, link.wi, link.light, (float)job->paths/((float)job->links*chance), link.distance*(1.0f - 1e-5f) - 0.5f*LR_OFFSET_M,
          job->tracer->scene->sun.source, LR_DIM_FAINT_SUN);
}

void lr_pick_sunlit(const lr_line_job *job, const lr_vertex *v, lr_sunlit_picks *picks)
{
    const int layer = (int)(lr_hash(job->work->path.seed[v->i], job->work->path.sample[v->i]) % LR_SUNLIT_LAYERS), set = 2*layer + job->work->path.pixel[v->i] % 2;
    float u;
    lr_draw2(job, v, LR_DIM_SUNLIT, &u, &picks->pick);
    for (int k = 0; k < LR_SUNLIT_PICKS; k++) {
        picks->place[k] = lr_sunlit_evenly(job->sunlit, set, (u + (float)k)/(float)LR_SUNLIT_PICKS);
        lr_sunlit_send_for(picks->place[k]);
    }
}

void lr_ask_sunlit(const lr_line_job *job, const lr_vertex *v, const lr_sunlit_picks *picks)
{
    const int bins = job->tracer->rig->bins.ambient_count;
    float pick = picks->pick, total = 0.0f, asked = 0.0f, light[LR_MAX_BINS];
    lr_sunlit_link best = {0};
    for (int k = 0; k < LR_SUNLIT_PICKS; k++) {
        lr_sunlit_link link;
        float f[LR_MAX_BINS], worth = 0.0f;
        const lr_sunlit_place *place = picks->place[k];
        if (!lr_sunlit_reach(place, v->point, v->normal, &link))
            continue;
        const float pdf = lr_surface_eval_world(v->surface, v->scale, v->normal, v->wo, link.wi, f), share = lr_sunlit_share(place, 1.0f, &link, pdf);
        for (int b = 0; b < bins; b++) {
            f[b] *= link.light[b]*share;
            worth += f[b];
        }
        if (!(worth > 0.0f))
            continue;
        total += worth;
        const float chance = worth/total;
        if (pick >= chance) {
            pick = (pick - chance)/(1.0f - chance);
            continue;
        }
        pick /= chance;
        best = link;
        asked = worth;
        memcpy(light, f, sizeof light);
    }
    lr_vertex from = *v;
    from.per_m = v->step == 0 ? 1.0f/best.distance : 0.0f;
    if (asked > 0.0f)
        lr_queue_shadow(job, &job->work->sun, &from, best.wi, light, total/((float)LR_SUNLIT_PICKS*asked), best.distance*(1.0f - 1e-5f) - 0.5f*LR_OFFSET_M,
                        job->tracer->scene->sun.source, LR_DIM_FAINT_SUNLIT);
}

// Under a lobe only what it lets in counts: of the rays of a queue from `first` on.
static void let_in(const lr_line_job *job, lr_shadow_queue *q, int first, const lr_gather_record *r)
{
    float share[LR_MAX_BINS];
    for (int k = first; r->coat > 0 && k < q->rays.count; k++) {
        lr_surface_let_in(&job->tracer->scene->surface[r->coat - 1], lr_dotf(r->normal, lr_rays_direction(&q->rays, k)), share);
        for (int b = 0; b < job->tracer->rig->bins.ambient_count; b++)
            q->weight[b*LR_CHUNK_RAYS + k] *= share[b];
    }
}

// The first step from a point: irradiance weighs light by the cosine, so the sky is asked with f cos = cos and the ray drawn by cos/pi carries pi.
static void leave_point(const lr_line_job *job, int slot, const lr_gather_record *r, int number)
{
    const lr_frame3f frame = lr_frame_aroundf(r->normal);
    const lr_vertex v = {.i = slot, .step = 0, .surface = &job->tracer->white, .scale = 1.0f, .point = r->point, .normal = r->normal, .wo = r->normal};
    const int skies = job->work->sky.rays.count, suns = job->work->sun.rays.count;
    float a, b, chance = 0.0f, often = 0.0f, factor[LR_MAX_BINS];
    const lr_sunlit_place *place = number < job->links ? pick_sunlit_of_tile(job, r, number, &chance, &often) : NULL;
    if (job->tracer->scene->sky.present && job->tracer->lights.portal_count > 0)
        lr_ask_sky(job, &v);
    if (job->all_light) {
        lr_vertex straight = v;
        if (job->tracer->scene->sun.present)
            lr_ask_sun(job, &v);
        lr_ask_lamp(job, &straight, NULL);
    }
    if (place)
        ask_sunlit_of_tile(job, &v, place, chance, often);
    let_in(job, &job->work->sky, skies, r);
    let_in(job, &job->work->sun, suns, r);
    lr_draw2(job, &v, LR_DIM_BOUNCE, &a, &b);
    float c, s;
    lr_turnf(b, &c, &s);
    const float radius = sqrtf(a), up = sqrtf(lr_maxf(0.0f, 1.0f - a));
    if (!(up > 0.0f))
        return;
    const lr_vec3f wi = lr_frame_tof(frame, lr_v3f(radius*c, radius*s, up));
    float weight = 0.0f;  // of lamps, for weighing what later steps meet; lamps met first are left out
    lr_surface_let_in(r->coat > 0 ? &job->tracer->scene->surface[r->coat - 1] : &job->tracer->white, up, factor);
    for (int k = 0; k < job->tracer->rig->bins.ambient_count; k++)
        factor[k] *= (float)LR_PI;
    lr_keep_path(job, slot, factor, lr_offset_start(&v, wi), wi, up*LR_INV_PI_F, r->point, weight, -1);
    job->work->path_next.straight[job->work->next.count - 1] = LR_STRAIGHT;
}

// The first step of what a lobe sends to an eye: drawn by the lobe, which is asked for sky and sunlit places too.
static void leave_lobe(const lr_line_job *job, int slot, const lr_gather_record *r)
{
    const lr_vertex v = {.i = slot, .step = 0, .surface = &job->tracer->lobe[r->coat - 1], .scale = 1.0f, .point = r->point, .normal = r->normal, .wo = r->to_eye};
    const int before = job->work->next.count;
    lr_sunlit_picks picks;
    if (job->sunlit)
        lr_pick_sunlit(job, &v, &picks);
    if (job->tracer->scene->sky.present && job->tracer->lights.portal_count > 0)
        lr_ask_sky(job, &v);
    if (job->sunlit)
        lr_ask_sunlit(job, &v, &picks);
    lr_go_on(job, &v);
    if (job->work->next.count > before)
        job->work->path_next.straight[before] = LR_STRAIGHT;
}

void lr_gather_paths(lr_line_job *job, lr_gather_record *record, int count, int paths, float *out, lr_gather_near *near)
{
    lr_work *work = job->work;
    lr_path_state *path = &work->path;
    const int bins = job->tracer->rig->bins.ambient_count, values = job->tracer->scene->source_count*bins;
    float nearness[2*LR_CHUNK_PIXELS] = {0.0f};
    job->gathered = out;
    job->nearness = nearness;
    job->near = near;
    if (near)
        memset(near, 0, (size_t)(count*job->tracer->scene->source_count)*sizeof *near);
    memset(out, 0, (size_t)(2*count*values)*sizeof *out);
    job->paths = paths;
    job->links = job->choice ? lr_sunlit_links(paths) : 0;
    work->next.count = work->sun.rays.count = work->sky.rays.count = work->lamp.rays.count = 0;
    for (int slot = 0; slot < count*paths; slot++) {
        const int half = slot % paths % 2;   // each an even set of its own: only then is their difference a measure of the error
        path->pixel[slot] = 2*(slot/paths) + half;
        path->seed[slot] = lr_hash(lr_hash(job->seed, record[slot/paths].tile), (uint32_t)half);
        path->sample[slot] = record[slot/paths].place*(uint32_t)(paths/2) + (uint32_t)(slot % paths/2);
        path->straight[slot] = 0;
        path->blurred[slot] = 0;
        path->by_mirror[slot] = 0;
        path->per_m[slot] = 0.0f;
        work->rays.time_s[slot] = 0.0f;
        for (int b = 0; b < bins; b++)
            path->throughput[b*LR_CHUNK_RAYS + slot] = 1.0f/(float)paths;
        path->medium[slot] = -1;
        if (record[slot/paths].eye_per_m > 0.0f)
            leave_lobe(job, slot, &record[slot/paths]);
        else
            leave_point(job, slot, &record[slot/paths], slot % paths);
    }
    lr_collect_shadows(job);
    lr_swap_paths(work);
    lr_run_paths(job, 1);
    for (int i = 0; i < count; i++)
        record[i].reach = nearness[2*i] + nearness[2*i + 1] > 0.0f ? (float)paths/(nearness[2*i] + nearness[2*i + 1]) : 1e6f;
}
