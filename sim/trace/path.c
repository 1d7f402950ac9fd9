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
// The sun in a mirror is so small and so bright that a path from a matte surface hardly ever finds it, and then brings more than all others: where light
// is gathered, mirrors beyond such a surface show it as a larger, weaker disc, and lobes are blunted (lr_tracer). Sums stay; what mirrors cast is blurred.
// Source: Kaplanyan & Dachsbacher, Path Space Regularization for Holistic and Robust Light Transport, Computer Graphics Forum 32 (2013), for the principle.
#define BLURRED_SUN 0.5f        // sine of its radius: with 0.1 the noise of a room with one window pane was twice that without

static float *part_of(const lr_line_job *job, int part) { return job->work->sums + part*LR_CHUNK_PIXELS; }

// To a point of the room; see lr_line_job.
static void add_gathered(const lr_line_job *job, int source, int pixel, const float *throughput, int stride, float geometry, float per_m)
{
    const int bins = job->tracer->rig->bins.ambient_count, sources = job->tracer->scene->source_count;
    float *irradiance = job->gathered + (pixel*sources + source)*bins, sum = 0.0f;
    for (int b = 0; b < bins; b++) {
        irradiance[b] += throughput[b*stride]*geometry;
        sum += throughput[b*stride]*geometry;
    }
    if (job->near && per_m > 0.0f) {
        lr_gather_near *near = &job->near[pixel/2*sources + source];
        near->light += sum;
        near->over_m += sum*per_m;
    }
}

// Adds throughput x geometry x the source's electrons, over bins, to one part of a pixel. `per_m`: see lr_path_state.
static void add_light(const lr_line_job *job, int part, int source, int pixel, const float *throughput, int stride, float geometry, float per_m)
{
    const int bins = job->tracer->rig->bins.ambient_count;
    if (job->gathered) {
        add_gathered(job, source, pixel, throughput, stride, geometry, per_m);
        return;
    }
    const float *response = job->camera->ambient_response + ((size_t)source*job->camera->pixels + job->first + pixel)*bins;
    float sum = 0.0f;
    for (int b = 0; b < bins; b++)
        sum += throughput[b*stride]*response[b];
    part_of(job, part)[pixel] += sum*geometry;
}

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
    if (scene->sun.present && path->pdf[i] == 0.0f) {  // matte and glossy surfaces reach the sun by shadow rays alone
        const lr_vec3f s = lr_v3f_of(scene->sun.direction);
        const lr_vec3f off = lr_crossf(d, s);
        const float sin_radius = path->blurred[i] ? BLURRED_SUN : job->tracer->lights.sun_sine;
        if (lr_dotf(d, s) > 0.0f && lr_dotf(off, off) < sin_radius*sin_radius)
            add_light(job, LR_PART_SUN, scene->sun.source, path->pixel[i], path->throughput + i, LR_CHUNK_RAYS,
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
    add_light(job, LR_PART_SKY, scene->sky.source, path->pixel[i], path->throughput + i, LR_CHUNK_RAYS, weight*(float)radiance, path->per_m[i]);
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
    add_light(job, LR_PART_LAMP, l->source, path->pixel[i], path->throughput + i, LR_CHUNK_RAYS, weight*l->strength, path->per_m[i]);
}

// ---- shadow rays ----------------------------------------------------------------------------------------------------------

static void note_use(const lr_line_job *job, const lr_shadow_queue *q, int k, const float *light)
{
    if (!job->notes || job->work->path.straight[q->path[k]] != LR_STRAIGHT)
        return;
    float sum = 0.0f;
    for (int b = 0; b < job->tracer->rig->bins.ambient_count; b++)
        sum += light[b];
    lr_sunlit_note(job->notes, lr_rays_origin(&q->rays, k), lr_rays_direction(&q->rays, k), sum);
}

// Traces a queue, adds what arrives, and empties it.
static void collect(const lr_line_job *job, lr_shadow_queue *q)
{
    const int sun = q == &job->work->sun, sky = q == &job->work->sky;
    const lr_ray_kind kind = sun ? LR_RAY_SUN : sky ? LR_RAY_SKY : LR_RAY_LAMP;
    const int part = sun ? LR_PART_SUN : sky ? LR_PART_SKY : LR_PART_LAMP;
    const lr_path_state *path = &job->work->path;
    const lr_scene *scene = job->tracer->scene;
    const int bins = job->tracer->rig->bins.ambient_count;
    lr_work_occluded_panes(job, &q->rays, sun ? LR_RAYS_COHERENT : LR_RAYS_INCOHERENT, kind);
    for (int k = 0; k < q->rays.count; k++) {
        if (q->rays.blocked[k])
            continue;
        const lr_vec3f d = lr_rays_direction(&q->rays, k);
        float pass[LR_MAX_BINS], geometry = 1.0f;
        for (int b = 0; b < LR_MAX_BINS && (q->rays.panes[k] || b < bins); b++)
            pass[b] = 1.0f;
        if (q->rays.panes[k])
            lr_bvh_pane_transmittance(job->tracer->bvh, lr_rays_origin(&q->rays, k), d, 0.0f, q->rays.t_far[k], q->rays.time_s[k], pass);
        for (int b = 0; b < bins; b++)
            pass[b] *= q->weight[b*LR_CHUNK_RAYS + k];
        if (sky)
            geometry = (float)lr_sky_radiance(&scene->sky, lr_v3((double)d.x, (double)d.y, (double)d.z));
        if (sun)
            note_use(job, q, k, pass);
        add_light(job, part, q->source[k], path->pixel[q->path[k]], pass, 1, geometry, q->per_m[k]);
    }
    q->rays.count = 0;
}

// Light too weak to matter is asked for only now and then, and counts for more when it is: the mean stays, and the variance grows by at
// most lr_faint_e times the light. Returns what the answer is to be multiplied by; 0: do not ask.
static float ask_faint(const lr_line_job *job, const lr_vertex *x, int dim, float expected_e)
{
    if (job->gathered)
        return 1.0f;
    const float faint_e = lr_faint_e(job, job->work->path.pixel[x->i]);
    float u, v;
    if (!(expected_e < faint_e))
        return 1.0f;
    lr_draw2(job, x, dim, &u, &v);
    return v*faint_e < expected_e ? faint_e/expected_e : 0.0f;
}

// Electrons of unit geometry in pixel of path i, for throughput times f.
static float electrons(const lr_line_job *job, int i, int source, const float *f)
{
    const lr_path_state *path = &job->work->path;
    const int bins = job->tracer->rig->bins.ambient_count;
    if (job->gathered)
        return 0.0f;
    const float *response = job->camera->ambient_response + ((size_t)source*job->camera->pixels + job->first + path->pixel[i])*bins;
    float sum = 0.0f;
    for (int b = 0; b < bins; b++)
        sum += path->throughput[b*LR_CHUNK_RAYS + i]*f[b]*response[b];
    return sum;
}

void lr_queue_shadow(const lr_line_job *job, lr_shadow_queue *q, const lr_vertex *v, lr_vec3f wi, const float *f, float factor, float t_far, int source, int dim)
{
    const lr_path_state *path = &job->work->path;
    const int bins = job->tracer->rig->bins.ambient_count;
    float most = 0.0f;
    for (int b = 0; b < bins; b++)
        most = lr_maxf(most, f[b]);
    if (!(most*factor > 0.0f))
        return;
    factor *= ask_faint(job, v, dim, electrons(job, v->i, source, f)*factor);
    if (factor == 0.0f)
        return;
    if (q->rays.count == LR_CHUNK_RAYS)
        collect(job, q);
    const int slot = q->rays.count++;
    for (int b = 0; b < bins; b++)
        q->weight[b*LR_CHUNK_RAYS + slot] = path->throughput[b*LR_CHUNK_RAYS + v->i]*f[b]*factor;
    q->path[slot] = v->i;
    q->source[slot] = source;
    q->per_m[slot] = v->per_m > 0.0f ? v->per_m : path->per_m[v->i];
    lr_rays_set(&q->rays, slot, lr_offset_start(v, wi), wi, 0.0f, t_far, job->work->rays.time_s[v->i]);
}

static int has_lobe(const lr_surface *s) { return !lr_surface_is_matte(s) && s->alpha_x > 0.0f; }

void lr_ask_sun(const lr_line_job *job, const lr_vertex *v)
{
    const lr_lights *lights = &job->tracer->lights;
    const lr_path_state *path = &job->work->path;
    const float side = lr_dotf(v->normal, v->wo) >= 0.0f ? 1.0f : -1.0f;
    if (!(side*lr_dotf(v->normal, lights->sun_frame.z) > -2.0f*lights->sun_sine))
        return;  // the whole disc is behind the surface
    if (lr_sun_shade_covers(&job->tracer->sun_shade, v->point))
        return;
    float a, b, c, s, f[LR_MAX_BINS];
    lr_draw2(job, v, LR_DIM_SUN, &a, &b);
    lr_turnf(b, &c, &s);
    const float radius = lights->sun_sine*sqrtf(a);
    const lr_vec3f wi = lr_unitf(lr_frame_tof(lights->sun_frame, lr_v3f(radius*c, radius*s, 1.0f)));
    if (lr_dotf(v->normal, wi)*side <= 0.0f)
        return;
    const lr_surface *surface = path->blurred[v->i] && has_lobe(v->surface) ? &job->tracer->blunt[v->surface - job->tracer->scene->surface] : v->surface;
    lr_surface_eval_world(surface, v->scale, v->normal, v->wo, wi, f);
    float share = 1.0f;  // of a place that was asked too, where the path's last direction was drawn
    if (job->sunlit && path->pdf[v->i] > 0.0f)
        share = lr_sunlit_found(job->sunlit, path->straight[v->i] == LR_STRAIGHT ? job->choice : NULL, path->pixel[v->i] % 2, lr_v3f(path->vx[v->i], path->vy[v->i], path->vz[v->i]), path->pdf[v->i], v->point, v->normal, wi);
    lr_queue_shadow(job, &job->work->sun, v, wi, f, share, INFINITY, job->tracer->scene->sun.source, LR_DIM_FAINT_SUN);
}

void lr_ask_sky(const lr_line_job *job, const lr_vertex *v)
{
    const lr_lights *lights = &job->tracer->lights;
    float a, b, pick, unused, f[LR_MAX_BINS];
    lr_portal_weights portals;
    lr_draw2(job, v, LR_DIM_SKY, &a, &b);
    lr_draw2(job, v, LR_DIM_CHOICE, &unused, &pick);
    lr_lights_weigh_portals(lights, v->point, &portals);
    const lr_lit_portal *p = &lights->portal[lr_lights_pick_portal(lights, &portals, pick)];
    const lr_vec3f to = lr_subf(lr_madf(lr_madf(p->corner, a, p->u), b, p->v), v->point);
    const float d2 = lr_dotf(to, to);
    if (!(d2 > 1e-8f))
        return;
    const float per_m = 1.0f/sqrtf(d2);
    const lr_vec3f wi = lr_mulf(to, per_m);
    if (wi.z <= 0.0f || lr_dotf(v->normal, wi)*lr_dotf(v->normal, v->wo) <= 0.0f)
        return;
    const float own = lr_surface_eval_world(v->surface, v->scale, v->normal, v->wo, wi, f);
    const float chosen = lr_lights_portal_pdf(lights, &portals, wi);
    lr_vertex from = *v;
    from.per_m = v->step == 0 ? per_m : 0.0f;
    if (chosen > 0.0f)  // balance heuristic: f / (sum of densities)
        lr_queue_shadow(job, &job->work->sky, &from, wi, f, 1.0f/(chosen + own), INFINITY, job->tracer->scene->sky.source, LR_DIM_FAINT_SKY);
}

// About the most that lamps of this kind can send to a surface without a lobe [e]: worth knowing before a place on one is drawn.
static float lamp_electrons(const lr_line_job *job, const lr_vertex *v, const lr_lit_lamp *l, float weight)
{
    return electrons(job, v->i, l->source, v->surface->reflectance)*v->scale*LR_INV_PI_F*l->strength*l->area*weight/l->power;
}

void lr_ask_lamp_at(const lr_line_job *job, const lr_vertex *v, const lr_lit_lamp *l, float weight, float third, float faint, const lr_surface *drawn)
{
    const lr_lights *lights = &job->tracer->lights;
    float a, b, f[LR_MAX_BINS];
    lr_draw2(job, v, LR_DIM_LAMP, &a, &b);
    lr_vec3f point, normal;
    lr_lights_lamp_point(lights, l, a, b, third, &point, &normal);
    // Aimed from where the ray will start: seen flat, a lamp would else stand in its own light by the offset.
    const lr_vec3f start = lr_offset_start(v, lr_subf(point, v->point)), to = lr_subf(point, start);
    const float d2 = lr_dotf(to, to), d = sqrtf(d2);
    if (!(d > 4.0f*LR_OFFSET_M))
        return;
    const lr_vec3f wi = lr_mulf(to, 1.0f/d);
    float facing = -lr_dotf(normal, wi);
    if (lights->scene->lamp[l->lamp].two_sided)
        facing = fabsf(facing);
    if (facing <= 0.0f || lr_dotf(v->normal, wi)*lr_dotf(v->normal, v->wo) <= 0.0f)
        return;
    float lobe[LR_MAX_BINS], own = lr_surface_eval_world(v->surface, v->scale, v->normal, v->wo, wi, f);
    const float chosen = weight/v->lamp_weight*d2/(l->area*facing);
    if (drawn && drawn != v->surface) {  // the balance heuristic for the lobe alone
        own = lr_surface_eval_world(drawn, v->scale, v->normal, v->wo, wi, lobe);
        for (int bin = 0; bin < job->tracer->rig->bins.ambient_count; bin++)
            f[bin] -= lobe[bin]*own/(chosen + own);
        own = 0.0f;
    }
    lr_queue_shadow(job, &job->work->lamp, v, wi, f, faint*l->strength/(chosen + (drawn ? own : 0.0f)), d*(1.0f - 1e-5f) - 0.5f*LR_OFFSET_M, l->source, LR_DIM_FAINT_LAMP);
}

void lr_ask_lamp(const lr_line_job *job, lr_vertex *v, const lr_surface *drawn)
{
    const lr_lights *lights = &job->tracer->lights;
    float pick, third, weight, faint = 1.0f;
    if (lights->lamp_count == 0)
        return;
    lr_draw2(job, v, LR_DIM_CHOICE, &pick, &third);
    const int k = lr_lights_pick_lamp(lights, v->point, pick, &weight, &v->lamp_weight);
    if (k < 0)
        return;
    const lr_lit_lamp *l = &lights->lamp[k];
    const float slant = lr_lights_lamp_slant(l, v->point, lr_dotf(v->normal, v->wo) >= 0.0f ? v->normal : lr_mulf(v->normal, -1.0f));
    if (!(slant > 0.0f))
        return;
    if (!has_lobe(v->surface)) {
        faint = ask_faint(job, v, LR_DIM_FAINT, lamp_electrons(job, v, l, v->lamp_weight)*slant);
        if (faint == 0.0f)
            return;
    }
    lr_ask_lamp_at(job, v, l, weight, third, faint, drawn);
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
        return;
    }
    if (path->straight[v->i] == LR_TO_LAMPS)
        return;  // by a pane's mirror image: that light is gathered
    lr_keep_path(job, v->i, sample.weight, start, wi, sample.specular ? 0.0f : sample.pdf, v->point,
         sample.specular ? 0.0f : v->lamp_weight, medium);
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
        add_light(job, kind == LR_SOURCE_SUN ? LR_PART_SUN : kind == LR_SOURCE_SKY ? LR_PART_SKY : LR_PART_LAMP, k, path->pixel[i], throughput, 1, 1.0f, path->per_m[i]);
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

void lr_collect_shadows(const lr_line_job *job)
{
    collect(job, &job->work->sun);
    collect(job, &job->work->sky);
    collect(job, &job->work->lamp);
}

void lr_run_paths(const lr_line_job *job, int first_step)
{
    lr_work *work = job->work;
    for (int step = first_step; step < MAX_STEPS && work->rays.count > 0; step++) {
        if (step > 0)
            lr_work_intersect(job, &work->rays, LR_RAYS_INCOHERENT, LR_RAY_BOUNCE);
        work->next.count = work->sun.rays.count = work->sky.rays.count = work->lamp.rays.count = 0;
        if (step == 0)
            lr_matte_light(job);
        visit_all(job, step);
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
