// SPDX-License-Identifier: Apache-2.0
// Ambient light by path tracing, in batches: all paths of a chunk of pixels take their next step together.
// At each surface a shadow ray goes to the sun, to the sky through an opening, and to one lamp; the path then goes on in a direction
// drawn from the surface. What the drawn ray meets by itself (sky, a lamp) is weighed against the shadow rays by the balance heuristic.
// Paths end by chance (Russian roulette), never by a fixed depth, so the mean is right at any quality.
// Sources: Veach, Robust Monte Carlo Methods for Light Transport Simulation (1997), ch. 9 and 10;
//          Bitterli et al., Portal-Masked Environment Map Sampling (2015) for the use of openings.
#include <math.h>
#include <string.h>

#include "core/anglef.h"
#include "trace/gather.h"
#include "trace/gloss.h"
#include "trace/path.h"
#include "trace/sunlit.h"
#include "trace/surface_eval.h"

#define MAX_STEPS 256           // only a guard: at an albedo of 0.95 a path gets this far once in 500,000 times
#define ROULETTE_FROM 1         // first step at which a path may end by chance
#define MOST_SURVIVAL 0.95f     // a path lives on with at most this chance
// A path that gathers lives on so many times likelier than what goes on of its light: most have ended where they looked the light up, and the
// few that a lobe sends on bring much of the variance.
#define LOBE_CHANCE 3.0f
// The sun in a mirror is so small and so bright that a path from a matte surface hardly ever finds it, and then brings more than all others. In flat ones surfaces look
// for it by themselves (trace/sun_mirror.h); else, where light is gathered, mirrors beyond such a surface show it as a larger, weaker disc, and lobes are blunted
// (lr_tracer). Sums stay; what bent mirrors cast is blurred.
// Source: Kaplanyan & Dachsbacher, Path Space Regularization for Holistic and Robust Light Transport, Computer Graphics Forum 32 (2013), for the principle.
#define BLURRED_SUN 0.5f        // sine of its radius: with 0.1 the noise of a room with one window pane was twice that without

// ---- starting ---------------------------------------------------------------------------------------------------------

static void start_path(const lr_line_job *job, int slot, int pixel, int sample)
{
    lr_path_state *path = &job->work->path;
    path->pixel[slot] = pixel;
    path->seed[slot] = lr_hash(job->seed, (uint32_t)(job->first + pixel));
    path->sample[slot] = (uint32_t)sample;
    path->pdf[slot] = 0.0f;
    path->lamp_weight[slot] = 0.0f;
    path->straight[slot] = 0;
    path->blurred[slot] = 0;
    path->by_mirror[slot] = 0;
    path->per_m[slot] = 0.0f;
    path->medium[slot] = -1;
    for (int b = 0; b < job->tracer->rig->bins.ambient_count; b++)
        path->throughput[b*LR_CHUNK_RAYS + slot] = 1.0f;
}

// Paths begin where the rays of the batch ended: those have been through the panes already.
static void start_paths(const lr_line_job *job)
{
    lr_work *work = job->work;
    const int panes = lr_bvh_has_panes(job->tracer->bvh);
    work->rays.count = work->part.count;
    for (int k = 0; k < work->part.count; k++) {
        start_path(job, k, work->part.pixel[k], work->part.number);
        for (int b = 0; panes && b < job->tracer->rig->bins.ambient_count; b++)
            work->path.throughput[b*LR_CHUNK_RAYS + k] *= work->pass[b*LR_CHUNK_RAYS + k];
    }
}

// ---- what a ray meets by itself ------------------------------------------------------------------------------------------

static void meet_sky(const lr_line_job *job, int i)
{
    const lr_scene *scene = job->tracer->scene;
    const lr_path_state *path = &job->work->path;
    const lr_rays *rays = &job->work->rays;
    const lr_vec3f d = lr_rays_direction(rays, i);
    if (scene->sun.present && path->pdf[i] == 0.0f && !path->by_mirror[i]) {  // matte and glossy surfaces reach the sun by shadow rays alone
        const lr_vec3f s = lr_v3f_of(scene->sun.direction);
        const lr_vec3f off = lr_crossf(d, s);
        const float sin_radius = path->blurred[i] ? BLURRED_SUN : job->tracer->lights.sun_sine;
        if (lr_dotf(d, s) > 0.0f && lr_dotf(off, off) < sin_radius*sin_radius)
            lr_add_light(job, LR_PART_SUN, scene->sun.source, path->pixel[i], path->throughput + i, LR_CHUNK_RAYS,
                      1.0f/((float)LR_PI*sin_radius*sin_radius), path->per_m[i]);
    }
    if (!scene->sky.present)
        return;
    float weight = 1.0f;
    lr_portal_weights portals;
    if (path->pdf[i] > 0.0f && job->tracer->lights.portal_count > 0) {
        const lr_vec3f from = lr_v3f(path->vx[i], path->vy[i], path->vz[i]);
        lr_lights_weigh_portals(&job->tracer->lights, from, &portals);
        weight = path->pdf[i]/(path->pdf[i] + lr_lights_portal_pdf(&job->tracer->lights, &portals, d));
    }
    const double radiance = lr_sky_radiance(&scene->sky, lr_v3((double)d.x, (double)d.y, (double)d.z));
    lr_add_light(job, LR_PART_SKY, scene->sky.source, path->pixel[i], path->throughput + i, LR_CHUNK_RAYS, weight*(float)radiance, path->per_m[i]);
}

static void meet_lamp(const lr_line_job *job, int i)
{
    if (job->work->path.straight[i] == LR_STRAIGHT)
        return;  // lamps directly are left to each pixel
    const lr_lights *lights = &job->tracer->lights;
    const lr_path_state *path = &job->work->path;
    const lr_rays *rays = &job->work->rays;
    const int index = lights->lamp_of_object[rays->object[i]];
    if (index < 0)
        return;
    const lr_lit_lamp *l = &lights->lamp[index];
    const lr_vec3f d = lr_rays_direction(rays, i);
    const float facing = -lr_dotf(lr_rays_normal(rays, i), d);
    const int two_sided = lights->scene->lamp[l->lamp].two_sided;
    if (facing <= 0.0f && !two_sided)
        return;
    float weight = 1.0f;
    if (path->pdf[i] > 0.0f && path->lamp_weight[i] > 0.0f) {
        const lr_vec3f from = lr_v3f(path->vx[i], path->vy[i], path->vz[i]), to = lr_subf(lr_rays_point(rays, i), from);
        const float chosen = lr_lights_lamp_weight(l, from)/path->lamp_weight[i];
        weight = path->pdf[i]/(path->pdf[i] + chosen*lr_dotf(to, to)/(l->area*fabsf(facing)));
    }
    lr_add_light(job, LR_PART_LAMP, l->source, path->pixel[i], path->throughput + i, LR_CHUNK_RAYS, weight*l->strength, path->per_m[i]);
}

// ---- going on -------------------------------------------------------------------------------------------------------------

void lr_keep_path(const lr_line_job *job, int i, const float *factor, lr_vec3f origin, lr_vec3f direction, float pdf, lr_vec3f chosen_at, float lamp_weight, int medium)
{
    lr_work *work = job->work;
    const int bins = job->tracer->rig->bins.ambient_count, slot = work->next.count++;
    const lr_path_state *from = &work->path;
    lr_path_state *to = &work->path_next;
    to->pixel[slot] = from->pixel[i];
    to->seed[slot] = from->seed[i];
    to->sample[slot] = from->sample[i];
    to->pdf[slot] = pdf;
    to->lamp_weight[slot] = lamp_weight;
    to->vx[slot] = chosen_at.x;
    to->vy[slot] = chosen_at.y;
    to->vz[slot] = chosen_at.z;
    to->straight[slot] = 0;
    to->by_mirror[slot] = 0;
    to->blurred[slot] = from->blurred[i] || (pdf > 0.0f && (job->gathered || job->known));
    to->per_m[slot] = from->per_m[i];
    to->medium[slot] = medium;
    for (int b = 0; b < bins; b++)
        to->throughput[b*LR_CHUNK_RAYS + slot] = from->throughput[b*LR_CHUNK_RAYS + i]*factor[b];
    lr_rays_set(&work->next, slot, origin, direction, 0.0f, INFINITY, work->rays.time_s[i]);
}

// Chance to live on, and 1/chance into the factor. 0: the path ends.
static int survives(const lr_line_job *job, const lr_vertex *v, const lr_surface_sample *sample, float *factor)
{
    const int bins = job->tracer->rig->bins.ambient_count;
    float chance = 1.0f, u, unused;
    if (v->step == 0 && !sample->specular && !job->gathered)
        chance = (float)job->tracer->def.bounce_share;
    if (v->step >= ROULETTE_FROM) {
        float most = 0.0f;
        for (int b = 0; b < bins; b++)
            most = lr_maxf(most, factor[b]);
        chance = lr_minf((job->gathered && job->known ? LOBE_CHANCE : 1.0f)*most, MOST_SURVIVAL);
    }
    if (chance >= 1.0f)
        return 1;
    lr_draw2(job, v, LR_DIM_LOBE, &u, &unused);
    if (!(u < chance))
        return 0;
    for (int b = 0; b < bins; b++)
        factor[b] /= chance;
    return 1;
}

void lr_go_on(const lr_line_job *job, const lr_vertex *v)
{
    const lr_path_state *path = &job->work->path;
    const lr_frame3f frame = lr_frame_aroundf(v->normal);
    const lr_vec3f wo = lr_frame_fromf(frame, v->wo);
    lr_surface_sample sample;
    float a, b, lobe, unused;
    lr_draw2(job, v, LR_DIM_BOUNCE, &a, &b);
    lr_draw2(job, v, LR_DIM_LOBE, &unused, &lobe);
    if (!lr_surface_draw(v->surface, v->scale, wo, a, b, lobe, &sample) || !survives(job, v, &sample, sample.weight))
        return;
    const lr_vec3f wi = lr_unitf(lr_frame_tof(frame, sample.wi));
    const int through = wo.z*sample.wi.z < 0.0f;
    const lr_vec3f start = lr_offset_start(v, wi);
    int medium = path->medium[v->i];
    if (through && v->surface->kind == LR_MATERIAL_GLASS)
        medium = sample.wi.z < 0.0f ? job->work->rays.object[v->i] : -1;
    if (through && v->surface->clear) {  // straight through a pane: as if it were not there, only weaker
        const lr_vec3f at = lr_v3f(path->vx[v->i], path->vy[v->i], path->vz[v->i]);
        lr_keep_path(job, v->i, sample.weight, start, wi, path->pdf[v->i], at, path->lamp_weight[v->i], medium);
        job->work->path_next.straight[job->work->next.count - 1] = path->straight[v->i];
        job->work->path_next.by_mirror[job->work->next.count - 1] = path->by_mirror[v->i];
        return;
    }
    if (path->straight[v->i] == LR_TO_LAMPS)
        return;  // by a pane's mirror image: that light is gathered
    lr_keep_path(job, v->i, sample.weight, start, wi, sample.specular ? 0.0f : sample.pdf, v->point,
         sample.specular ? 0.0f : v->lamp_weight, medium);
    if (sample.specular && !through && path->pdf[v->i] > 0.0f)
        job->work->path_next.by_mirror[job->work->next.count - 1] =
            (uint8_t)lr_sun_mirrors_have(&job->tracer->sun_mirrors, job->work->rays.object[v->i], job->work->rays.primitive[v->i]);
}

static void absorb_in_glass(const lr_line_job *job, int i)
{
    const lr_path_state *path = &job->work->path;
    const lr_scene *scene = job->tracer->scene;
    if (path->medium[i] < 0)
        return;
    const lr_surface *glass = &scene->surface[scene->object[path->medium[i]].material[0]];
    for (int b = 0; b < job->tracer->rig->bins.ambient_count; b++)
        path->throughput[b*LR_CHUNK_RAYS + i] *= expf(-glass->absorption_per_m[b]*job->work->rays.t[i]);
}

// Adds gathered light of all sources (sources x bins), each bin times `share`.
static void add_known(const lr_line_job *job, int i, const float *light, const float *share)
{
    const lr_path_state *path = &job->work->path;
    const lr_scene *scene = job->tracer->scene;
    const int bins = job->tracer->rig->bins.ambient_count;
    for (int k = 0; k < scene->source_count; k++) {
        float throughput[LR_MAX_AMBIENT_BINS];
        for (int b = 0; b < bins; b++)
            throughput[b] = path->throughput[b*LR_CHUNK_RAYS + i]*share[b]*light[k*bins + b];
        const lr_source_kind kind = scene->source[k].kind;
        lr_add_light(job, kind == LR_SOURCE_SUN ? LR_PART_SUN : kind == LR_SOURCE_SKY ? LR_PART_SKY : LR_PART_LAMP, k, path->pixel[i], throughput, 1, 1.0f, path->per_m[i]);
    }
}

// Adds what the surface scatters evenly of the room's gathered light where there is some. Returns 1 if so. `aim`: where that is.
static int take_gathered(const lr_line_job *job, const lr_vertex *v, int coat, const lr_gather_aim *aim)
{
    const lr_scene *scene = job->tracer->scene;
    const lr_gather *gather = job->known;
    float irradiance[LR_MAX_GATHERED], base[LR_MAX_BINS];
    if (!gather || coat < 0 || scene->object[job->work->rays.object[v->i]].motion)
        return 0;
    const float out = lr_dotf(v->normal, v->wo);
    const lr_vec3f facing = out >= 0.0f ? v->normal : lr_mulf(v->normal, -1.0f);
    const lr_path_state *path = &job->work->path;
    const float errors = !job->gathered ? job->tracer->gather_error : path->pixel[v->i] % 2 == 0 ? 1.0f : -1.0f;  // each set of paths its own half
    if (!lr_gather_look_aimed(gather, aim, v->point, facing, coat, errors, irradiance))
        return 0;
    lr_surface_base(v->surface, v->scale, fabsf(out), base);
    add_known(job, v->i, irradiance, base);
    return 1;
}

// Adds what the lobe sends of the room's gathered light, but for sun and lamps straight. Returns 1 if that is known.
static int take_gloss(const lr_line_job *job, const lr_vertex *v)
{
    const lr_scene *scene = job->tracer->scene;
    if (job->gathered || v->step != 0 || !job->gloss || !lr_gloss_has(v->surface) || scene->object[job->work->rays.object[v->i]].motion)
        return 0;
    float radiance[LR_MAX_GATHERED], share[LR_MAX_BINS];
    const lr_vec3f facing = lr_dotf(v->normal, v->wo) >= 0.0f ? v->normal : lr_mulf(v->normal, -1.0f);
    const lr_gather *gloss = job->gloss[lr_dotf(job->ahead, lr_subf(v->point, job->pivot)) >= 0.0f ? LR_GLOSS_FRONT : LR_GLOSS_BACK];
    if (gloss->record_count == 0 || !lr_gather_look(gloss, v->point, facing, 1 + (int)(v->surface - scene->surface), job->tracer->gather_error, radiance))
        return 0;
    for (int b = 0; b < job->tracer->rig->bins.ambient_count; b++)
        share[b] = v->surface->kind == LR_MATERIAL_METAL ? v->scale : 1.0f;   // a texture is that of the ground under a coat
    add_known(job, v->i, radiance, share);
    return 1;
}

// What is left of a lobe whose light is gathered: lamps met by the direction that it draws, weighed against their shadow rays.
static void look_for_lamps(const lr_line_job *job, const lr_vertex *v, const lr_surface *drawn)
{
    const lr_frame3f frame = lr_frame_aroundf(v->normal);
    lr_surface_sample sample;
    float a, b, lobe, unused;
    lr_draw2(job, v, LR_DIM_BOUNCE, &a, &b);
    lr_draw2(job, v, LR_DIM_LOBE, &unused, &lobe);
    if (!lr_surface_draw(drawn, v->scale, lr_frame_fromf(frame, v->wo), a, b, lobe, &sample))
        return;
    const lr_vec3f wi = lr_unitf(lr_frame_tof(frame, sample.wi));
    if (!lr_lights_lamp_ahead(&job->tracer->lights, v->point, wi))
        return;
    lr_keep_path(job, v->i, sample.weight, lr_offset_start(v, wi), wi, sample.pdf, v->point, v->lamp_weight, -1);
    job->work->path_next.straight[job->work->next.count - 1] = LR_TO_LAMPS;
}

// Light from the sources, and the path's next ray. Where gathered light is known a matte surface needs no next ray, and a coated one only
// that of its lobe.
static void scatter(const lr_line_job *job, lr_vertex *v, const lr_gather_aim *aim)
{
    const lr_scene *scene = job->tracer->scene;
    const int coat = lr_gather_coat(scene, v->surface), known = take_gathered(job, v, coat, aim);
    const lr_surface *drawn = !known ? v->surface : coat > 0 ? &job->tracer->lobe[v->surface - scene->surface] : NULL;
    const int sunlit = job->sunlit && drawn && !drawn->specular;
    lr_sunlit_picks picks;
    if (sunlit)
        lr_pick_sunlit(job, v, &picks);
    if (!v->surface->specular) {
        if (scene->sun.present)
            lr_ask_sun(job, v);
        lr_ask_lamp(job, v, drawn);
    }
    if (!drawn)
        return;
    if ((known || coat < 0) && take_gloss(job, v)) {
        look_for_lamps(job, v, drawn);
        return;
    }
    v->surface = drawn;
    if (sunlit)
        lr_ask_sunlit(job, v, &picks);
    if (!drawn->specular && scene->sky.present && job->tracer->lights.portal_count > 0)
        lr_ask_sky(job, v);
    lr_go_on(job, v);
}

// A surface that a path is about to visit, and its texels, NULL where it has none. At step 0 it is known already.
typedef struct visited { const lr_surface *surface; lr_texels texels; } visited;

static void visit(const lr_line_job *job, int i, int step, const visited *at, const lr_draws *draws, int place, const lr_gather_aim *aim)
{
    lr_work *work = job->work;
    const lr_rays *rays = &work->rays;
    if (rays->object[i] < 0) {
        if (work->path.straight[i] != LR_TO_LAMPS)
            meet_sky(job, i);
        return;
    }
    if (job->gathered && step == 1) {
        work->path.per_m[i] = 1.0f/lr_maxf(rays->t[i], 1e-3f);
        job->nearness[work->path.pixel[i]] += work->path.per_m[i];
    }
    absorb_in_glass(job, i);
    meet_lamp(job, i);
    lr_vertex v = {.i = i, .step = step, .draws = draws, .place = place, .point = lr_rays_point(rays, i), .normal = lr_rays_normal(rays, i)};
    v.wo = lr_mulf(lr_rays_direction(rays, i), -1.0f);
    if (step == 0) {
        v.surface = work->met[i].surface;
        v.scale = work->met[i].scale;
    } else {
        v.surface = at->surface;
        v.scale = at->texels.row[0] ? lr_texture_mix(&at->texels) : 1.0f;
    }
    if (work->path.straight[i] == LR_TO_LAMPS && !v.surface->clear)
        return;
    scatter(job, &v, aim);
}

// Looks ahead to a block of rays: where they end in the gathered light, on which surfaces, and under what of the sun's shade.
static void look_ahead(const lr_line_job *job, const int *ray, int count, int step, visited *at, lr_gather_aim *aim)
{
    const lr_scene *scene = job->tracer->scene;
    const lr_rays *rays = &job->work->rays;
    lr_gather_points p;
    int material;
    for (int k = 0; k < count; k++) {
        const int i = ray[k], met = rays->object[i] >= 0;
        const lr_vec3f point = met ? lr_rays_point(rays, i) : lr_rays_origin(rays, i);
        p.x[k] = point.x;
        p.y[k] = point.y;
        p.z[k] = point.z;
        if (met && scene->sun.present)
            lr_sun_shade_send_for(&job->tracer->sun_shade, point);
        if (met && step > 0)
            at[k].surface = lr_scene_find_surface(scene, rays->object[i], rays->primitive[i], rays->u[i], rays->v[i], &at[k].texels, &material);
    }
    if (job->known)
        lr_gather_aim_at(job->known, count, &p, aim);
}

static void draw_ahead(const lr_line_job *job, const int *ray, int count, int step, lr_draws *draws)
{
    const lr_path_state *path = &job->work->path;
    uint32_t seed[LR_GATHER_LOOKS], sample[LR_GATHER_LOOKS];
    for (int k = 0; k < count; k++) {
        seed[k] = path->seed[ray[k]];
        sample[k] = path->sample[ray[k]];
    }
    for (int k = 0; k < LR_DIMS_AHEAD + (job->sunlit != NULL); k++)
        lr_draw_many(job, count, seed, sample, (uint32_t)(step*LR_DIMS + (k < LR_DIMS_AHEAD ? k : LR_DIM_SUNLIT)), draws->u[k], draws->v[k]);
}

static void visit_all(const lr_line_job *job, int step)
{
    lr_draws draws;
    const lr_work *work = job->work;
    lr_gather_aim aim[LR_GATHER_LOOKS];
    visited at[LR_GATHER_LOOKS];
    int ray[LR_GATHER_LOOKS];
    for (int i = 0, count = 0; i < work->rays.count; i++) {
        if (step > 0 || !work->done[i])
            ray[count++] = i;
        if (count < LR_GATHER_LOOKS && i + 1 < work->rays.count)
            continue;
        look_ahead(job, ray, count, step, at, aim);
        draw_ahead(job, ray, count, step, &draws);
        for (int k = 0; k < count; k++)
            visit(job, ray[k], step, at + k, &draws, k, aim + k);
        count = 0;
    }
}

void lr_swap_paths(lr_work *work)
{
    const lr_rays rays = work->rays;
    const lr_path_state path = work->path;
    work->rays = work->next;
    work->next = rays;
    work->path = work->path_next;
    work->path_next = path;
}

void lr_run_paths(const lr_line_job *job, int first_step)
{
    lr_work *work = job->work;
    for (int step = first_step; step < MAX_STEPS && work->rays.count > 0; step++) {
        if (step > 0)
            lr_work_intersect(job, &work->rays, LR_RAYS_INCOHERENT, LR_RAY_BOUNCE);
        work->next.count = work->sun.rays.count = work->sky.rays.count = work->lamp.rays.count = 0;
        const int64_t suns = work->count.rays[LR_RAY_SUN];
        if (step == 0)
            lr_matte_light(job);
        visit_all(job, step);
        if (step == 0 && !job->gathered && work->count.rays[LR_RAY_SUN] == suns)   // else the queue was full, and some answers are gone
            lr_calm_sun(job);
        lr_collect_shadows(job);
        lr_swap_paths(work);
    }
}

void lr_ambient_paths(const lr_line_job *job)
{
    const lr_scene *scene = job->tracer->scene;
    if (!scene->sun.present && !scene->sky.present && job->tracer->lights.lamp_count == 0)
        return;
    start_paths(job);
    lr_run_paths(job, 0);
}
