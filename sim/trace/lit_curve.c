// SPDX-License-Identifier: Apache-2.0
// Direct laser: the lit curve, where sheet meets room, as each pixel sees it.
//   E = P D(alpha) g(y)/r cos(i) V      D: power per fan angle with its dots, g: Gaussian across the sheet
// In each part of a pixel D is averaged exactly over the fan angles that the part spans on the surface's tangent plane (by its cumulative),
// g exactly over the pixel's width (by erf); only shadows, edges and the pupil are sampled.
#include <math.h>

#include "trace/lit_cover.h"
#include "trace/surface_eval.h"

#define SHEET_EDGE_SIGMA 2.0f  // the 1/e^2 half width is 2 sigma

// What goes with a shadow ray: slot of its part, the laser's index, and whether the middle of the part is within the sheet.
enum { SLOT_BITS = 16, LIT = 1 << 30 };
_Static_assert(LR_CHUNK_PIXELS <= 1 << SLOT_BITS && LR_CHUNK_RAYS >= LR_COVER_PARTS*LR_MAX_LASERS, "room for slots, and for the rays of a block");

static lr_beam beam_of(const lr_rig_laser *laser, int index)
{
    const double half = lr_dots_half_fan_rad(laser->dots), margin = 0.02;
    return (lr_beam){
        .laser = laser, .index = index, .x = lr_v3f_of(laser->in_module.rotation.x), .y = lr_v3f_of(laser->in_module.rotation.y),
        .z = lr_v3f_of(laser->in_module.rotation.z), .origin = lr_v3f_of(laser->in_module.origin),
        .edge_slope = half < 0.499*LR_PI ? (float)tan(half) : INFINITY, .slope = half + margin < 0.499*LR_PI ? (float)tan(half + margin) : INFINITY,
        .power_w = (float)laser->def->power_w, .thickness_m = (float)laser->sheet.thickness_m, .divergence_rad = (float)laser->sheet.divergence_rad,
    };
}

// The same fan swept evenly over azimuth: intensity P/(fan flood cos(elevation)) [W/sr], no dots.
static float flood_beam(const lr_beam *b, lr_vec3f at, int *lit)
{
    const lr_laser_def *def = b->laser->def;
    const float flat = sqrtf(at.x*at.x + at.y*at.y), r2 = lr_dotf(at, at), half = 0.5f*(float)def->fan_rad;
    if (!(fabsf(atan2f(at.z, flat)) <= half && fabsf(atan2f(at.y, at.x)) <= 0.5f*(float)def->flood_rad))
        return 0.0f;
    *lit = 1;
    return b->power_w/(2.0f*half*(float)def->flood_rad*flat*sqrtf(r2));  // cos(elevation) = flat/r
}

static float erf_of(float x) { return x > 4.0f ? 1.0f : x < -4.0f ? -1.0f : erff(x); }  // beyond 4: 1 - 1.5e-8, which float rounds to 1

// Mean of a Gaussian of integral 1 over [y1, y2]: by erf, or the density where the interval is too short for a difference in float.
static float gauss_mean(float sigma, float y1, float y2)
{
    const float a = y1/(1.41421356f*sigma), b = y2/(1.41421356f*sigma), middle = 0.5f*(a + b);
    if (fabsf(b - a) < 0.02f)
        return expf(-middle*middle)/(2.50662827f*sigma);
    return 0.5f*(erf_of(b) - erf_of(a))/(y2 - y1);
}

// Parts of the block that the beam may light, and the laser's power per fan angle there.
static int parts_lit(const lr_line_job *job, const lr_beam *b, const lr_cover *cover, const lr_beam_view *v, int part[LR_COVER_PARTS], float per_rad[LR_COVER_PARTS])
{
    const int32_t *object = job->work->rays.object + cover->first;
    const int flood = b->laser->def->mode == LR_LASER_FLOOD;
    float alpha0[LR_COVER_PARTS], alpha1[LR_COVER_PARTS];
    int count = 0;
    for (int i = 0; i < cover->count; i++) {
        alpha0[count] = v->alpha0[i];
        alpha1[count] = v->alpha1[i];
        part[count] = i;
        count += (object[i] >= 0) & (flood | v->within[i]);
    }
    if (!flood)
        lr_dots_means(b->laser->dots, count, alpha0, alpha1, per_rad);
    return count;
}

// Power per area across the beam at part i [W/m^2] averaged over what the pixel covers; 0 outside the beam.
static float beam_at(const lr_beam *b, const lr_beam_view *v, int i, float per_rad, int *lit)
{
    *lit = 0;
    if (b->laser->def->mode == LR_LASER_FLOOD)
        return flood_beam(b, lr_cover_at(&v->at, i), lit);
    const float y0 = v->y0[i], y1 = v->y1[i];
    *lit = fabsf(v->at.z[i]) <= b->edge_slope*v->at.x[i] && fabsf(0.5f*(y0 + y1)) <= SHEET_EDGE_SIGMA*v->sigma[i] + 0.5f*fabsf(y1 - y0);
    return b->power_w*per_rad*gauss_mean(v->sigma[i], y0, y1)/v->r[i];
}

// The module's axes in the world at the parts' own time.
static lr_frame3f module_axes(const lr_line_job *job, float dt_s)
{
    const lr_rig_moment *m = &job->moment;
    const lr_mat3 r = lr_mat3_mul(lr_rotation_about(m->axis, m->rate_rad_s*(double)dt_s), m->pose.rotation);
    return (lr_frame3f){lr_v3f_of(r.x), lr_v3f_of(r.y), lr_v3f_of(r.z)};
}

// From the hit back to the laser, both in the world at the part's time.
static void shadow_ray(const lr_line_job *job, const lr_frame3f *module, const lr_beam_view *view, int k, int i, int slot)
{
    const lr_rays *rays = &job->work->rays;
    const lr_vec3f p = lr_rays_point(rays, k), n = lr_rays_normal(rays, k), d = lr_frame_tof(*module, lr_cover_at(&view->back, i));
    const float side = lr_dotf(n, d) >= 0.0f ? LR_OFFSET_M : -LR_OFFSET_M;
    lr_rays_set(&job->work->shadow, slot, lr_madf(p, side, n), d, 0.0f, view->distance[i] - LR_OFFSET_M, rays->time_s[k]);
}

// f cos of the surface at the middle of part i.
static float response_of(const lr_met *met, const lr_cover *cover, const lr_beam_view *view, int i, int bin)
{
    float f[LR_MAX_BINS];
    if (lr_surface_is_matte(met->surface))
        return met->surface->reflectance[bin]*met->scale*view->matte[i];
    lr_surface_eval_world(met->surface, met->scale, lr_cover_at(&cover->normal, i), lr_cover_at(&cover->to_eye, i), lr_cover_at(&view->wi, i), f);
    return f[bin];
}

// For every part of the block with light in reach: a shadow ray, and the radiance that comes if it is free.
static void queue_shadows(const lr_line_job *job, const lr_frame3f *module, const lr_beam *b, const lr_cover *cover)
{
    lr_work *work = job->work;
    const int panes = lr_bvh_has_panes(job->tracer->bvh), bin = b->laser->bin;
    lr_beam_view view;
    int part[LR_COVER_PARTS], lit;
    float per_rad[LR_COVER_PARTS] = {0.0f};
    lr_beam_look(b, cover, &view);
    const int count = parts_lit(job, b, cover, &view, part, per_rad);
    for (int j = 0; j < count; j++) {
        const int i = part[j], k = cover->first + i;
        const float e = beam_at(b, &view, i, per_rad[j], &lit);
        if (!(e > 0.0f))
            continue;
        const int slot = work->shadow.count++;
        work->shadow_index[slot] = k | b->index << SLOT_BITS | (lit ? LIT : 0);
        work->shadow_value[slot] = response_of(&work->met[k], cover, &view, i, bin)*e*(panes ? work->pass[bin*LR_CHUNK_RAYS + k] : 1.0f);
        shadow_ray(job, module, &view, k, i, slot);
    }
}

static float through_panes(const lr_line_job *job, int slot, int bin)
{
    const lr_rays *shadow = &job->work->shadow;
    float pass[LR_MAX_BINS];
    if (!shadow->panes[slot])
        return 1.0f;
    for (int b = 0; b < LR_MAX_BINS; b++)
        pass[b] = 1.0f;
    lr_bvh_pane_transmittance(job->tracer->bvh, lr_rays_origin(shadow, slot), lr_rays_direction(shadow, slot), 0.0f, shadow->t_far[slot], shadow->time_s[slot], pass);
    return pass[bin];
}

// Traces the shadow rays in hand and adds what comes.
static void add_free(const lr_line_job *job)
{
    lr_work *work = job->work;
    const int half = work->part.number & 1;
    float *direct = work->sums + LR_PART_DIRECT*LR_CHUNK_PIXELS;
    lr_work_occluded_panes(job, &work->shadow, LR_RAYS_COHERENT, LR_RAY_LASER);
    for (int slot = 0; slot < work->shadow.count; slot++) {
        const int i = work->part.pixel[work->shadow_index[slot] & ((1 << SLOT_BITS) - 1)], index = (work->shadow_index[slot] & ~LIT) >> SLOT_BITS;
        if (work->shadow.blocked[slot]) {
            work->settle.sight[half][i].blocked |= 1u << index;
            continue;
        }
        const float response = job->camera->laser_response[(size_t)index*job->camera->pixels + job->first + i];
        direct[i] += work->shadow_value[slot]*through_panes(job, slot, job->module->laser[index].bin)*response;
        work->lit[i].parts = (uint16_t)(work->lit[i].parts + (work->part.tells_lit && work->shadow_index[slot] & LIT ? 1 : 0));
    }
    work->shadow.count = 0;
}

static int beams_on(const lr_line_job *job, lr_beam beam[LR_MAX_LASERS])
{
    int count = 0;
    for (int l = 0; l < job->module->laser_count; l++) {
        const lr_rig_laser *laser = &job->module->laser[l];
        if (laser->def->mode != LR_LASER_OFF && laser->def->power_w > 0.0)
            beam[count++] = beam_of(laser, l);
    }
    return count;
}

void lr_direct_laser(const lr_line_job *job)
{
    lr_work *work = job->work;
    const lr_frame3f module = module_axes(job, work->part.dt_s);
    lr_beam beam[LR_MAX_LASERS];
    const int beams = beams_on(job, beam);
    lr_cover cover;
    work->shadow.count = 0;
    for (int first = 0; beams > 0 && first < work->part.count; first += LR_COVER_PARTS) {
        lr_cover_fill(job, &module, first, &cover);
        for (int l = 0; l < beams; l++)
            queue_shadows(job, &module, &beam[l], &cover);
        if (work->shadow.count + beams*LR_COVER_PARTS > LR_CHUNK_RAYS)
            add_free(job);
    }
    add_free(job);
    for (int k = 0; k < work->part.count && work->part.tells_lit; k++)
        work->lit[work->part.pixel[k]].of++;
}
