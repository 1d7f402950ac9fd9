// SPDX-License-Identifier: Apache-2.0
// Direct laser: the lit curve, where sheet meets room, as each pixel sees it.
//   E = P D(alpha) g(y)/r cos(i) V      D: power per fan angle with its dots, g: Gaussian across the sheet
// In each part of a pixel D is averaged exactly over the fan angles that the part spans on the surface's tangent plane (by its cumulative),
// g exactly over the pixel's width (by erf); only shadows, edges and the pupil are sampled.
#include <math.h>

#include "core/anglef.h"
#include "trace/surface_eval.h"
#include "trace/work.h"

#define STRETCH 4.0f          // at grazing angles the tangent plane is followed at most this many ranges out and in
#define LIT (1 << 30)         // of a shadow ray: within the sheet
#define SHEET_EDGE_SIGMA 2.0f  // the 1/e^2 half width is 2 sigma

typedef struct lr_part {      // one part of one pixel as it meets the room, module frame
    lr_vec3f eye;             // where it starts
    lr_vec3f direction;       // of the ray that met it
    lr_vec3f middle, along0, along1, across0, across1;   // rays to the middle of what it covers and to its sides
    float t;
    lr_vec3f normal;
} lr_part;

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

static lr_part part_at(const lr_line_job *job, int k, lr_frame3f module)
{
    const lr_part_batch *b = &job->work->part;
    const int pixel = job->first + b->pixel[k];
    const float middle = 0.5f*(b->low + b->high);
    lr_part part = {.eye = lr_addf(job->origin, b->pupil[k]), .direction = lr_job_direction(job, pixel, b->along[k], b->across[k]),
                    .middle = lr_job_direction(job, pixel, middle, 0.0f)};
    part.direction = lr_job_bent(job, part.direction, b->pupil[k]);
    part.middle = lr_job_bent(job, part.middle, b->pupil[k]);
    part.t = job->work->rays.t[k]/sqrtf(lr_dotf(part.direction, part.direction));  // directions are a hair shorter than one
    part.normal = lr_frame_fromf(module, lr_rays_normal(&job->work->rays, k));
    return part;
}

static void part_sides(const lr_line_job *job, int k, lr_part *part)
{
    const lr_part_batch *b = &job->work->part;
    const int pixel = job->first + b->pixel[k];
    const float middle = 0.5f*(b->low + b->high);
    part->along0 = lr_job_bent(job, lr_job_direction(job, pixel, b->low, 0.0f), b->pupil[k]);
    part->along1 = lr_job_bent(job, lr_job_direction(job, pixel, b->high, 0.0f), b->pupil[k]);
    part->across0 = lr_job_bent(job, lr_job_direction(job, pixel, middle, -0.5f), b->pupil[k]);
    part->across1 = lr_job_bent(job, lr_job_direction(job, pixel, middle, 0.5f), b->pupil[k]);
}

// The module's axes in the world at the part's own time.
static lr_frame3f module_axes(const lr_line_job *job, float dt_s)
{
    const lr_rig_moment *m = &job->moment;
    const lr_mat3 r = lr_mat3_mul(lr_rotation_about(m->axis, m->rate_rad_s*(double)dt_s), m->pose.rotation);
    return (lr_frame3f){lr_v3f_of(r.x), lr_v3f_of(r.y), lr_v3f_of(r.z)};
}

// For every pixel of the batch with light in reach: a shadow ray, and the radiance that comes if it is free.
static void queue_shadows(const lr_line_job *job, const lr_rig_laser *laser)
{
    lr_work *work = job->work;
    const lr_rays *rays = &work->rays;
    const lr_frame3f module = module_axes(job, work->part.dt_s);
    const lr_beam b = beam_of(laser);
    const int panes = lr_bvh_has_panes(job->tracer->bvh);
    work->shadow.count = 0;
    for (int k = 0; k < work->part.count; k++) {
        if (rays->object[k] < 0)
            continue;
        lr_part part = part_at(job, k, module);
        const lr_vec3f point = on_plane(&part, part.middle);
        if (!within_fan(&b, point))
            continue;
        part_sides(job, k, &part);
        int lit;
        const float e = beam_at(&part, &b, in_laser(&b, point), &lit);
        if (!(e > 0.0f))
            continue;
        const lr_vec3f to = lr_subf(b.origin, point);
        const lr_vec3f wi = lr_unitf(to), wo = lr_mulf(lr_unitf(part.middle), -1.0f);
        float f[LR_MAX_BINS];
        lr_surface_eval_world(work->met[k].surface, work->met[k].scale, part.normal, wo, wi, f);
        const float radiance = f[laser->bin]*e*(panes ? work->pass[laser->bin*LR_CHUNK_RAYS + k] : 1.0f);
        const int slot = work->shadow.count++;
        work->shadow_index[slot] = k | (lit ? LIT : 0);
        work->shadow_value[slot] = radiance;
        // From the hit back to the laser, both in the world at the part's time.
        const lr_vec3f hit = lr_madf(part.eye, part.t, part.direction), back = lr_subf(b.origin, hit);
        const float distance = sqrtf(lr_dotf(back, back));
        const lr_vec3f p = lr_rays_point(rays, k), d = lr_unitf(lr_frame_tof(module, back)), n = lr_rays_normal(rays, k);
        const float side = lr_dotf(n, d) >= 0.0f ? LR_OFFSET_M : -LR_OFFSET_M;
        lr_rays_set(&work->shadow, slot, lr_madf(p, side, n), d, 0.0f, distance - LR_OFFSET_M, rays->time_s[k]);
    }
}

static void add_free(const lr_line_job *job, const lr_rig_laser *laser, int index)
{
    lr_work *work = job->work;
    const int panes = lr_bvh_has_panes(job->tracer->bvh), half = work->part.number & 1;
    const float *response = job->camera->laser_response + (size_t)index*job->camera->pixels + job->first;
    float *direct = work->sums + LR_PART_DIRECT*LR_CHUNK_PIXELS;
    for (int k = 0; k < work->shadow.count; k++) {
        const int i = work->part.pixel[work->shadow_index[k] & ~LIT];
        if (work->shadow.blocked[k]) {
            work->settle.sight[half][i].blocked |= 1u << index;
            continue;
        }
        float pass[LR_MAX_BINS];
        pass[laser->bin] = 1.0f;
        if (panes) {
            for (int b = 0; b < LR_MAX_BINS; b++)
                pass[b] = 1.0f;
            lr_bvh_pane_transmittance(job->tracer->bvh, lr_rays_origin(&work->shadow, k), lr_rays_direction(&work->shadow, k), 0.0f,
                                      work->shadow.t_far[k], work->shadow.time_s[k], pass);
        }
        direct[i] += work->shadow_value[k]*pass[laser->bin]*response[i];
        work->lit[i].parts = (uint16_t)(work->lit[i].parts + (work->part.tells_lit && work->shadow_index[k] & LIT ? 1 : 0));
    }
}

void lr_direct_laser(const lr_line_job *job)
{
    lr_work *work = job->work;
    for (int l = 0; l < job->module->laser_count; l++) {
        const lr_rig_laser *laser = &job->module->laser[l];
        if (laser->def->mode == LR_LASER_OFF || !(laser->def->power_w > 0.0))
            continue;
        queue_shadows(job, laser);
        lr_work_occluded(job, &work->shadow, LR_RAYS_COHERENT, LR_RAY_LASER);
        add_free(job, laser, l);
    }
    for (int k = 0; k < work->part.count && work->part.tells_lit; k++)
        work->lit[work->part.pixel[k]].of++;
}
