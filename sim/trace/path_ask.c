// SPDX-License-Identifier: Apache-2.0
// Shadow rays of the ambient light paths, to the sun, to the sky through an opening, and to one lamp; and where light that arrives is added.
// Sources: as path.c.
#include <math.h>
#include <string.h>

#include "core/anglef.h"
#include "scene/surface_smooth.h"
#include "trace/path.h"
#include "trace/sunlit.h"
#include "trace/surface_eval.h"

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
void lr_add_light(const lr_line_job *job, int part, int source, int pixel, const float *throughput, int stride, float geometry, float per_m)
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

// What panes let through on all legs from ray k on. Returns 0 where one is blocked.
static int pass_legs(const lr_line_job *job, const lr_shadow_queue *q, int k, float pass[LR_MAX_BINS])
{
    const lr_rays *rays = &q->rays;
    int panes = 0;
    for (int leg = k; leg < k + q->legs[k]; leg++) {
        if (rays->blocked[leg])
            return 0;
        panes |= rays->panes[leg];
    }
    for (int b = 0; b < LR_MAX_BINS && (panes || b < job->tracer->rig->bins.ambient_count); b++)
        pass[b] = 1.0f;
    for (int leg = k; panes && leg < k + q->legs[k]; leg++)
        if (rays->panes[leg])
            lr_bvh_pane_transmittance(job->tracer->bvh, lr_rays_origin(rays, leg), lr_rays_direction(rays, leg), 0.0f, rays->t_far[leg], rays->time_s[leg], pass);
    return 1;
}

void lr_trace_shadows(const lr_line_job *job, lr_shadow_queue *q)
{
    const int sun = q == &job->work->sun, sky = q == &job->work->sky;
    lr_work_occluded_panes(job, &q->rays, sun ? LR_RAYS_COHERENT : LR_RAYS_INCOHERENT, sun ? LR_RAY_SUN : sky ? LR_RAY_SKY : LR_RAY_LAMP);
}

void lr_add_shadows(const lr_line_job *job, lr_shadow_queue *q)
{
    const int sun = q == &job->work->sun, sky = q == &job->work->sky;
    const int part = sun ? LR_PART_SUN : sky ? LR_PART_SKY : LR_PART_LAMP;
    const lr_path_state *path = &job->work->path;
    const lr_scene *scene = job->tracer->scene;
    const int bins = job->tracer->rig->bins.ambient_count;
    for (int k = 0, next; k < q->rays.count; k = next) {
        next = k + q->legs[k];
        float pass[LR_MAX_BINS], geometry = 1.0f;
        if (!pass_legs(job, q, k, pass))
            continue;
        for (int b = 0; b < bins; b++)
            pass[b] *= q->weight[b*LR_CHUNK_RAYS + k];
        if (sky) {
            const lr_vec3f d = lr_rays_direction(&q->rays, k);
            geometry = (float)lr_sky_radiance(&scene->sky, lr_v3((double)d.x, (double)d.y, (double)d.z));
        }
        if (sun && q->legs[k] == 1)
            note_use(job, q, k, pass);
        lr_add_light(job, part, q->source[k], path->pixel[q->path[k]], pass, 1, geometry, q->per_m[k]);
    }
    q->rays.count = 0;
}

static void collect(const lr_line_job *job, lr_shadow_queue *q)
{
    lr_trace_shadows(job, q);
    lr_add_shadows(job, q);
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

int lr_queue_place(const lr_line_job *job, lr_shadow_queue *q)
{
    if (q->rays.count == LR_CHUNK_RAYS)
        collect(job, q);
    q->legs[q->rays.count] = 1;
    return q->rays.count++;
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
    if (dim != LR_DIM_ALWAYS)
        factor *= ask_faint(job, v, dim, electrons(job, v->i, source, f)*factor);
    if (factor == 0.0f)
        return;
    const int slot = lr_queue_place(job, q);
    for (int b = 0; b < bins; b++)
        q->weight[b*LR_CHUNK_RAYS + slot] = path->throughput[b*LR_CHUNK_RAYS + v->i]*f[b]*factor;
    q->path[slot] = v->i;
    q->source[slot] = source;
    q->per_m[slot] = v->per_m > 0.0f ? v->per_m : path->per_m[v->i];
    lr_rays_set(&q->rays, slot, lr_offset_start(v, wi), wi, 0.0f, t_far, job->work->rays.time_s[v->i]);
}

static lr_vec3f place_on_sun(const lr_lights *lights, float a, float b)
{
    float c, s;
    lr_turnf(b, &c, &s);
    const float radius = lights->sun_sine*sqrtf(a);
    return lr_unitf(lr_frame_tof(lights->sun_frame, lr_v3f(radius*c, radius*s, 1.0f)));
}

// A place on the sun's disc; the same one for every way to it.
static lr_vec3f draw_sun(const lr_line_job *job, const lr_vertex *v)
{
    float a, b;
    lr_draw2(job, v, LR_DIM_SUN, &a, &b);
    return place_on_sun(&job->tracer->lights, a, b);
}

static const lr_surface *seen_by_sun(const lr_line_job *job, const lr_vertex *v)
{
    return job->work->path.blurred[v->i] && lr_has_lobe(v->surface) ? &job->tracer->blunt[v->surface - job->tracer->scene->surface] : v->surface;
}

static void ask_in_mirror(const lr_line_job *job, const lr_vertex *v, const lr_sun_mirror *mirror)
{
    lr_shadow_queue *q = &job->work->sun;
    const lr_vec3f to_sun = draw_sun(job, v);
    lr_sun_picture at;
    float f[LR_MAX_BINS], share[LR_MAX_BINS];
    if (!lr_sun_mirror_look(mirror, v->point, to_sun, &at) || lr_dotf(v->normal, at.wi)*lr_dotf(v->normal, v->wo) <= 0.0f)
        return;
    lr_surface_eval_world(seen_by_sun(job, v), v->scale, v->normal, v->wo, at.wi, f);
    lr_surface_mirrored(mirror->surface, 1.0f, at.cosine, share);
    for (int b = 0; b < job->tracer->rig->bins.ambient_count; b++)
        f[b] *= share[b];
    if (q->rays.count > LR_CHUNK_RAYS - 2)
        collect(job, q);
    const int slot = q->rays.count;
    lr_queue_shadow(job, q, v, at.wi, f, 1.0f, at.distance*(1.0f - 1e-5f) - 0.5f*LR_OFFSET_M, job->tracer->scene->sun.source, LR_DIM_FAINT_SUN);
    if (q->rays.count == slot)
        return;  // not asked
    q->legs[slot] = 2;
    lr_rays_set(&q->rays, lr_queue_place(job, q), lr_madf(at.place, LR_OFFSET_M, mirror->normal), to_sun, 0.0f, INFINITY, job->work->rays.time_s[v->i]);
}

void lr_ask_mirrored_sun(const lr_line_job *job, const lr_vertex *v)
{
    const lr_sun_mirrors *mirrors = &job->tracer->sun_mirrors;
    for (uint64_t near = lr_sun_mirrors_near(mirrors, v->point); near; near &= near - 1)
        ask_in_mirror(job, v, &mirrors->mirror[__builtin_ctzll(near)]);
}

// Towards a place on the sun, for `share` of its light.
static void ask_place(const lr_line_job *job, const lr_vertex *v, lr_vec3f wi, float share, int dim)
{
    const lr_path_state *path = &job->work->path;
    float f[LR_MAX_BINS];
    if (lr_dotf(v->normal, wi)*lr_dotf(v->normal, v->wo) <= 0.0f)
        return;
    lr_surface_eval_world(seen_by_sun(job, v), v->scale, v->normal, v->wo, wi, f);
    if (job->sunlit && path->pdf[v->i] > 0.0f)   // of a place that was asked too, where the path's last direction was drawn
        share *= lr_sunlit_found(job->sunlit, path->straight[v->i] == LR_STRAIGHT ? job->choice : NULL, path->pixel[v->i] % 2, lr_v3f(path->vx[v->i], path->vy[v->i], path->vz[v->i]), path->pdf[v->i], v->point, v->normal, wi);
    lr_queue_shadow(job, &job->work->sun, v, wi, f, share, INFINITY, job->tracer->scene->sun.source, dim);
}

static void ask_straight(const lr_line_job *job, const lr_vertex *v)
{
    const lr_lights *lights = &job->tracer->lights;
    const float side = lr_dotf(v->normal, v->wo) >= 0.0f ? 1.0f : -1.0f;
    if (!(side*lr_dotf(v->normal, lights->sun_frame.z) > -2.0f*lights->sun_sine))
        return;  // the whole disc is behind the surface
    if (lr_sun_shade_covers(&job->tracer->sun_shade, v->point))
        return;
    ask_place(job, v, draw_sun(job, v), 1.0f, LR_DIM_FAINT_SUN);
}

void lr_ask_sun_at(const lr_line_job *job, const lr_vertex *v, float a, float b, float share)
{
    ask_place(job, v, place_on_sun(&job->tracer->lights, a, b), share, LR_DIM_ALWAYS);
}

void lr_ask_sun(const lr_line_job *job, const lr_vertex *v)
{
    ask_straight(job, v);
    lr_ask_mirrored_sun(job, v);
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
    if (!lr_has_lobe(v->surface)) {
        faint = ask_faint(job, v, LR_DIM_FAINT, lamp_electrons(job, v, l, v->lamp_weight)*slant);
        if (faint == 0.0f)
            return;
    }
    lr_ask_lamp_at(job, v, l, weight, third, faint, drawn);
}

void lr_collect_shadows(const lr_line_job *job)
{
    collect(job, &job->work->sun);
    collect(job, &job->work->sky);
    collect(job, &job->work->lamp);
}
