// SPDX-License-Identifier: Apache-2.0
// Direct laser: the lit curve, where sheet meets room, as each pixel sees it.
//   E = P D(alpha) g(y)/r cos(i) V      D: power per fan angle with its dots, g: Gaussian across the sheet
// A pixel and its exposure are cut into parts. In each part D is averaged exactly over the fan angles that the part spans on the
// surface's tangent plane (by its cumulative), g exactly over the pixel's width (by erf); only shadows and edges are sampled.
// With a focus the parts also start at different places of the pupil, PUPIL_PARTS times as many.
#include <math.h>

#include "core/anglef.h"
#include "trace/surface_eval.h"
#include "trace/work.h"

#define STRETCH 4.0f          // at grazing angles the tangent plane is followed at most this many ranges out and in
#define PUPIL_PARTS 4
#define MOST_PARTS 64
#define SHEET_EDGE_SIGMA 2.0f  // the 1/e^2 half width is 2 sigma

typedef struct lr_cut {       // how pixel and exposure are cut, and which part is in hand
    int part, parts;
    int pupil;                // the part starts on the pupil, not in its middle
    float dt_s;
} lr_cut;

typedef struct lr_part {      // one part of one pixel as it meets the room, module frame
    lr_vec3f eye;             // where it starts
    lr_vec3f direction, along0, along1, across0, across1;
    float t;
    lr_vec3f normal;
} lr_part;

// A permutation of the parts over time, so that place and time are not tied: bit reversal for powers of two, else a stride.
static float part_time(int part, int parts)
{
    const int stride = parts > 2 ? parts/2 + 1 + (parts % 2 == 0 && (parts/2) % 2 == 1) : 1;
    return ((float)((part*stride + parts/2) % parts) + 0.5f)/(float)parts - 0.5f;
}

// Point where the ray along `d` meets the tangent plane of the part's hit.
static lr_vec3f on_plane(const lr_part *part, lr_vec3f d)
{
    const float center = lr_dotf(part->normal, part->direction), here = lr_dotf(part->normal, d);
    float ratio = center/here;
    if (!(ratio > 1.0f/STRETCH))  // the plane is behind, or far nearer; NaN too
        ratio = here*center <= 0.0f ? STRETCH : 1.0f/STRETCH;
    if (ratio > STRETCH)
        ratio = STRETCH;
    return lr_madf(part->eye, part->t*ratio, d);
}

// A laser's frame in float; micrometres are far below the sheet's thickness.
typedef struct lr_beam {
    const lr_rig_laser *laser;
    lr_vec3f x, y, z, origin;    // axes in the module
    float slope;                 // tangent of half the fan and a margin: parts that straddle its end still count
    float edge_slope;            // tangent of half the fan
    float power_w;
} lr_beam;

static lr_beam beam_of(const lr_rig_laser *laser)
{
    const double half = lr_dots_half_fan_rad(laser->dots), margin = 0.02;
    return (lr_beam){
        .laser = laser, .x = lr_v3f_of(laser->in_module.rotation.x), .y = lr_v3f_of(laser->in_module.rotation.y),
        .z = lr_v3f_of(laser->in_module.rotation.z), .origin = lr_v3f_of(laser->in_module.origin),
        .edge_slope = half < 0.499*LR_PI ? (float)tan(half) : INFINITY, .slope = half + margin < 0.499*LR_PI ? (float)tan(half + margin) : INFINITY, .power_w = (float)laser->def->power_w,
    };
}

static lr_vec3f in_laser(const lr_beam *b, lr_vec3f p)
{
    const lr_vec3f d = lr_subf(p, b->origin);
    return lr_v3f(lr_dotf(b->x, d), lr_dotf(b->y, d), lr_dotf(b->z, d));
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

// Power per area across the beam at the part [W/m^2] averaged over what the pixel covers; 0 outside the beam.
static float beam_at(const lr_part *part, const lr_beam *b, lr_vec3f at, int *lit)
{
    *lit = 0;
    if (b->laser->def->mode == LR_LASER_FLOOD)
        return flood_beam(b, at, lit);
    const float r = sqrtf(lr_dotf(at, at)), sigma = (float)lr_sheet_sigma_m(b->laser->sheet, (double)r);
    const float y1 = lr_dotf(b->y, lr_subf(on_plane(part, part->across0), b->origin));
    const float y2 = lr_dotf(b->y, lr_subf(on_plane(part, part->across1), b->origin));
    if (lr_minf(fabsf(y1), fabsf(y2)) > 6.0f*sigma && y1*y2 > 0.0f)
        return 0.0f;
    const lr_vec3f a1 = in_laser(b, on_plane(part, part->along0)), a2 = in_laser(b, on_plane(part, part->along1));
    const double per_rad = lr_dots_mean(b->laser->dots, (double)lr_atan2f(a1.z, a1.x), (double)lr_atan2f(a2.z, a2.x));
    *lit = at.x > 0.0f && fabsf(at.z) <= b->edge_slope*at.x && fabsf(0.5f*(y1 + y2)) <= SHEET_EDGE_SIGMA*sigma + 0.5f*fabsf(y2 - y1);
    return b->power_w*(float)per_rad*gauss_mean(sigma, y1, y2)/r;
}

// Cheap test before the part is worked out.
static int within_fan(const lr_beam *b, lr_vec3f point)
{
    const lr_vec3f at = in_laser(b, point);
    return b->laser->def->mode == LR_LASER_FLOOD || (at.x > 0.0f && fabsf(at.z) < b->slope*at.x);
}

// Where on the pupil the part of a pixel starts: evenly spread over its parts, another order in each pixel.
static lr_vec3f part_pupil(const lr_line_job *job, lr_cut cut, int pixel)
{
    float u = 0.0f, v = 0.0f;
    if (!cut.pupil)
        return lr_v3f(0.0f, 0.0f, 0.0f);
    lr_sobol2((uint32_t)cut.part, lr_hash(lr_hash(job->seed, (uint32_t)pixel), LR_DIM_PUPIL + 1), &u, &v);
    return lr_job_pupil(job, pixel, u, v);
}

static float part_along(lr_cut cut) { return ((float)cut.part + 0.5f)/(float)cut.parts; }

static void part_rays(const lr_line_job *job, lr_cut cut)
{
    lr_rays *rays = &job->work->rays;
    rays->count = job->count;
    for (int i = 0; i < job->count; i++)
        lr_job_pupil_ray(job, rays, i, lr_job_direction(job, job->first + i, part_along(cut), 0.0f), part_pupil(job, cut, job->first + i), cut.dt_s);
}

static lr_part part_at(const lr_line_job *job, int i, lr_cut cut)
{
    const int pixel = job->first + i;
    const lr_vec3f pupil = part_pupil(job, cut, pixel);
    lr_part part = {.eye = job->origin, .direction = lr_job_direction(job, pixel, part_along(cut), 0.0f)};
    if (cut.pupil) {
        part.eye = lr_addf(job->origin, pupil);
        part.direction = lr_job_bent(job, part.direction, pupil);
    }
    part.t = job->work->rays.t[i]/sqrtf(lr_dotf(part.direction, part.direction));  // directions are a hair shorter than one
    return part;
}

// The rays at the part's sides.
static void part_sides(const lr_line_job *job, int i, lr_cut cut, lr_part *part)
{
    const int pixel = job->first + i;
    const float along = part_along(cut), half = 0.5f/(float)cut.parts;
    part->along0 = lr_job_direction(job, pixel, along - half, 0.0f);
    part->along1 = lr_job_direction(job, pixel, along + half, 0.0f);
    part->across0 = lr_job_direction(job, pixel, along, -0.5f);
    part->across1 = lr_job_direction(job, pixel, along, 0.5f);
    if (!cut.pupil)
        return;
    const lr_vec3f pupil = part_pupil(job, cut, pixel);
    part->along0 = lr_job_bent(job, part->along0, pupil);
    part->along1 = lr_job_bent(job, part->along1, pupil);
    part->across0 = lr_job_bent(job, part->across0, pupil);
    part->across1 = lr_job_bent(job, part->across1, pupil);
}

// The module's axes in the world at the part's own time.
static lr_frame3f module_axes(const lr_line_job *job, float dt_s)
{
    const lr_rig_moment *m = &job->moment;
    const lr_mat3 r = lr_mat3_mul(lr_rotation_about(m->axis, m->rate_rad_s*(double)dt_s), m->pose.rotation);
    return (lr_frame3f){lr_v3f_of(r.x), lr_v3f_of(r.y), lr_v3f_of(r.z)};
}

// For every pixel with light in reach: a shadow ray, and the radiance that comes if it is free.
static void queue_shadows(const lr_line_job *job, const lr_rig_laser *laser, lr_cut cut)
{
    lr_work *work = job->work;
    const lr_rays *rays = &work->rays;
    const lr_frame3f module = module_axes(job, cut.dt_s);
    const lr_beam b = beam_of(laser);
    const int panes = lr_bvh_has_panes(job->tracer->bvh);
    work->shadow.count = 0;
    for (int i = 0; i < job->count; i++) {
        if (rays->object[i] < 0)
            continue;
        lr_part part = part_at(job, i, cut);
        const lr_vec3f point = lr_madf(part.eye, part.t, part.direction);
        if (!within_fan(&b, point))
            continue;
        part_sides(job, i, cut, &part);
        part.normal = lr_frame_fromf(module, lr_rays_normal(rays, i));
        int lit;
        const float e = beam_at(&part, &b, in_laser(&b, point), &lit);
        if (!(e > 0.0f))
            continue;
        const lr_vec3f to = lr_subf(b.origin, point);
        const float distance = sqrtf(lr_dotf(to, to));
        const lr_vec3f wi = lr_mulf(to, 1.0f/distance), wo = lr_mulf(lr_unitf(part.direction), -1.0f);
        float scale = work->met[i].scale, f[LR_MAX_BINS];
        const lr_surface *surface = work->met[i].surface;
        int material;
        if (!lr_job_shares_hits(job))
            surface = lr_scene_surface(job->tracer->scene, rays->object[i], rays->primitive[i], rays->u[i], rays->v[i], &scale, &material);
        lr_surface_eval_world(surface, scale, part.normal, wo, wi, f);
        const float radiance = f[laser->bin]*e*(panes ? work->pass[laser->bin*LR_CHUNK_RAYS + i] : 1.0f);
        const int slot = work->shadow.count++;
        work->shadow_index[slot] = i | (lit ? 1 << 30 : 0);
        work->shadow_value[slot] = radiance;
        // From the hit back to the laser, both in the world at the part's time.
        const lr_vec3f p = lr_rays_point(rays, i), d = lr_unitf(lr_frame_tof(module, wi));
        const lr_vec3f n = lr_rays_normal(rays, i);
        const float side = lr_dotf(n, d) >= 0.0f ? LR_OFFSET_M : -LR_OFFSET_M;
        lr_rays_set(&work->shadow, slot, lr_madf(p, side, n), d, 0.0f, distance - LR_OFFSET_M, rays->time_s[i]);
    }
}

static void add_free(const lr_line_job *job, const lr_rig_laser *laser, int laser_index, lr_cut cut)
{
    lr_work *work = job->work;
    const int panes = lr_bvh_has_panes(job->tracer->bvh);
    const float *response = job->camera->laser_response + (size_t)laser_index*job->camera->pixels + job->first;
    float *direct = work->sums + LR_PART_DIRECT*LR_CHUNK_PIXELS;
    for (int k = 0; k < work->shadow.count; k++) {
        if (work->shadow.blocked[k])
            continue;
        const int i = work->shadow_index[k] & ~(1 << 30);
        float pass[LR_MAX_BINS];
        pass[laser->bin] = 1.0f;
        if (panes) {
            for (int b = 0; b < LR_MAX_BINS; b++)
                pass[b] = 1.0f;
            lr_bvh_pane_transmittance(job->tracer->bvh, lr_rays_origin(&work->shadow, k), lr_rays_direction(&work->shadow, k), 0.0f,
                                      work->shadow.t_far[k], work->shadow.time_s[k], pass);
        }
        if (cut.pupil || !job->camera->pupil)
            direct[i] += work->shadow_value[k]*pass[laser->bin]*response[i]/(float)cut.parts;
        if (!cut.pupil && work->shadow_index[k] & (1 << 30) && work->lit[i] < 255)
            work->lit[i]++;
    }
}

static void one_part(const lr_line_job *job, lr_cut cut)
{
    lr_work *work = job->work;
    if (!lr_job_shares_hits(job)) {
        part_rays(job, cut);
        lr_work_intersect(job, &work->rays, LR_RAYS_COHERENT, LR_RAY_CAMERA);
        lr_work_look_through(job, &work->rays, LR_RAYS_COHERENT);
    }
    for (int l = 0; l < job->module->laser_count; l++) {
        const lr_rig_laser *laser = &job->module->laser[l];
        if (laser->def->mode == LR_LASER_OFF || !(laser->def->power_w > 0.0))
            continue;
        queue_shadows(job, laser, cut);
        lr_work_occluded(job, &work->shadow, LR_RAYS_COHERENT, LR_RAY_LASER);
        add_free(job, laser, l, cut);
    }
}

static void all_parts(const lr_line_job *job, int parts, int pupil)
{
    for (int part = 0; part < parts; part++)
        one_part(job, (lr_cut){part, parts, pupil, part_time(part, parts)*(float)job->camera->def->exposure_s});
}

// With a focus the parts that start in the pupil's middle only say what is lit: truth is that of the central ray.
void lr_direct_laser(const lr_line_job *job)
{
    const int parts = job->tracer->def.laser_samples;
    int active = 0;
    for (int l = 0; l < job->module->laser_count; l++)
        active += job->module->laser[l].def->mode != LR_LASER_OFF && job->module->laser[l].def->power_w > 0.0;
    if (!active)
        return;
    all_parts(job, parts, 0);
    if (job->camera->pupil)
        all_parts(job, PUPIL_PARTS*parts < MOST_PARTS ? PUPIL_PARTS*parts : MOST_PARTS, 1);
}
