// SPDX-License-Identifier: Apache-2.0
// Truth of a line: what each pixel's central ray meets at mid-exposure.
#include <string.h>

#include "trace/work.h"

#define EDGE_SHARE 0.02f  // of the range: see LR_FLAG_EDGE

// The chunk's central rays, then one for the pixel before and one for the pixel after, where there are such.
static int before(const lr_line_job *job) { return job->first > 0; }
static int after(const lr_line_job *job) { return job->first + job->count < job->camera->pixels; }

static int slot_of(const lr_line_job *job, int i)   // of pixel i of the chunk, -1 .. count; -1: there is none
{
    if (i < 0)
        return before(job) ? job->count : -1;
    if (i == job->count)
        return after(job) ? job->count + before(job) : -1;
    return i;
}

static void central_ray(const lr_line_job *job, lr_rays *rays, lr_vec3f origin, int i)
{
    const lr_vec3 d = lr_rotate(job->moment.pose.rotation, job->camera->center[job->first + i]);
    lr_rays_set(rays, slot_of(job, i), origin, lr_v3f_of(d), 0.0f, INFINITY, job->time);
}

static void central_rays(const lr_line_job *job, lr_rays *rays)
{
    const lr_vec3f origin = lr_v3f_of(lr_pose_point(job->moment.pose, job->camera->in_module.origin));
    rays->count = job->count + before(job) + after(job);
    for (int i = -before(job); i < job->count + after(job); i++)
        central_ray(job, rays, origin, i);
}

static void store_surface(const lr_line_job *job, const lr_rays *rays, const lr_line_truth *truth)
{
    const lr_scene *scene = job->tracer->scene;
    for (int i = 0; i < job->count; i++) {
        const int hit = rays->object[i] >= 0;
        if (truth->range_m)
            truth->range_m[i] = rays->t[i];
        if (truth->normal) {
            const lr_vec3f n = lr_rays_normal(rays, i);
            const float turn = hit ? (lr_dotf(n, lr_rays_direction(rays, i)) > 0.0f ? -1.0f : 1.0f) : NAN;
            truth->normal[3*i] = turn*n.x;
            truth->normal[3*i + 1] = turn*n.y;
            truth->normal[3*i + 2] = turn*n.z;
        }
        if (truth->object)
            truth->object[i] = hit ? scene->object[rays->object[i]].label : 0;
        if (truth->material)
            truth->material[i] = (uint16_t)(job->work->met[i].material + 1);
    }
}

// Where the hit falls on the partner's line, and the rays that ask whether it is seen from there.
static void partner_pixels(const lr_line_job *job, const lr_rays *rays, const lr_line_truth *truth)
{
    lr_rays *shadow = &job->work->shadow;
    shadow->count = 0;
    const lr_pose to_world = job->partner ? lr_pose_mul(job->moment.pose, job->partner->in_module) : lr_pose_identity();
    for (int i = 0; i < job->count; i++) {
        double pixel = NAN, across = 0.0;
        if (job->partner && rays->object[i] >= 0) {
            const lr_vec3f p = lr_rays_point(rays, i);
            const lr_vec3 to = lr_sub(lr_v3((double)p.x, (double)p.y, (double)p.z), to_world.origin);
            const int imaged = lr_camera_project(job->partner->def, lr_rotate_back(to_world.rotation, to), &pixel, &across);
            if (!imaged || !(pixel >= -0.5 && pixel <= job->partner->pixels - 0.5)) {
                pixel = NAN;
            } else {
                const double distance = lr_length(to);
                const int slot = shadow->count++;
                job->work->shadow_index[slot] = i;
                lr_rays_set(shadow, slot, lr_v3f_of(to_world.origin), lr_v3f_of(lr_mul(to, 1.0/distance)), 0.0f,
                            (float)(distance*(1.0 - 1e-5) - (double)LR_OFFSET_M), (float)job->moment.time_s);
            }
        }
        if (truth->partner)
            truth->partner[i] = (float)pixel;
    }
}

// Compares the range with the plane of each neighbour's surface, and the neighbour's with this one's.
static int is_edge(const lr_rays *rays, int i, int j)
{
    if ((rays->object[i] < 0) != (rays->object[j] < 0))
        return 1;
    if (rays->object[i] < 0)
        return 0;
    const lr_vec3f n = lr_rays_normal(rays, i);
    const float slope = lr_dotf(n, lr_rays_direction(rays, j)), here = lr_dotf(n, lr_rays_direction(rays, i));
    const float plane = rays->t[i]*here/slope;
    return !(fabsf(plane - rays->t[j]) <= EDGE_SHARE*rays->t[i]);
}

static void store_flags(const lr_line_job *job, const lr_rays *rays, const lr_line_truth *truth)
{
    const lr_work *work = job->work;
    memset(truth->flags, 0, (size_t)job->count);
    for (int k = 0; k < work->shadow.count; k++)
        if (!work->shadow.blocked[k])
            truth->flags[work->shadow_index[k]] |= LR_FLAG_SEEN_BY_PARTNER;
    for (int i = 0; i < job->count; i++) {
        int flags = truth->flags[i];
        const int up = slot_of(job, i - 1), down = slot_of(job, i + 1);
        if ((up >= 0 && is_edge(rays, i, up)) || (down >= 0 && is_edge(rays, i, down)))
            flags |= LR_FLAG_EDGE;
        if (rays->object[i] >= 0 && job->tracer->scene->object[rays->object[i]].motion)
            flags |= LR_FLAG_IN_MOTION;
        if (work->behind[i])
            flags |= LR_FLAG_BEHIND_PANE;
        truth->flags[i] = (uint8_t)flags;
    }
}

void lr_first_hits(const lr_line_job *job)
{
    lr_rays *rays = &job->work->rays;
    central_rays(job, rays);
    lr_work_intersect(job, rays, LR_RAYS_COHERENT, LR_RAY_CAMERA);
    lr_work_look_through(job, rays, LR_RAYS_COHERENT);
    for (int i = 0; i < job->count; i++) {
        lr_met *met = &job->work->met[i];
        *met = (lr_met){NULL, 1.0f, -1};
        if (rays->object[i] >= 0)
            met->surface = lr_scene_surface(job->tracer->scene, rays->object[i], rays->primitive[i], rays->u[i], rays->v[i], &met->scale, &met->material);
    }
}

void lr_store_truth(const lr_line_job *job, const lr_line_truth *truth)
{
    lr_rays *rays = &job->work->rays;
    store_surface(job, rays, truth);
    if (!truth->partner && !truth->flags)
        return;
    partner_pixels(job, rays, truth);
    if (truth->flags) {
        lr_work_occluded(job, &job->work->shadow, LR_RAYS_COHERENT, LR_RAY_PARTNER);
        store_flags(job, rays, truth);
    }
}

void lr_store_lit(const lr_line_job *job, const lr_line_truth *truth)
{
    if (!truth->flags)
        return;
    for (int i = 0; i < job->count; i++)
        if (job->work->lit[i].parts > 0 && 2*job->work->lit[i].parts >= job->work->lit[i].of)
            truth->flags[i] |= LR_FLAG_LIT;
}
