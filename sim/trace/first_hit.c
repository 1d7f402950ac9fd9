// SPDX-License-Identifier: Apache-2.0
// Truth of a line: what each pixel's central ray meets at mid-exposure.
#include <string.h>

#include "trace/work.h"

#define EDGE_SHARE 0.02f  // of the range: see LR_FLAG_EDGE

// The chunk's rays and one more at each side that has a neighbour: slot s belongs to pixel first - lead + s.
static int lead(const lr_line_job *job) { return job->first > 0; }

static void central_rays(const lr_line_job *job, lr_rays *rays)
{
    const lr_vec3 origin = lr_pose_point(job->moment.pose, job->camera->in_module.origin);
    const int begin = job->first - lead(job);
    const int end = job->first + job->count + (job->first + job->count < job->camera->pixels);
    rays->count = end - begin;
    for (int s = 0; s < rays->count; s++) {
        const lr_vec3 d = lr_rotate(job->moment.pose.rotation, job->camera->center[begin + s]);
        lr_rays_set(rays, s, lr_v3f_of(origin), lr_v3f_of(d), 0.0f, INFINITY, (float)job->moment.time_s);
    }
}

static void store_surface(const lr_line_job *job, const lr_rays *rays, const lr_line_truth *truth)
{
    const lr_scene *scene = job->tracer->scene;
    for (int i = 0; i < job->count; i++) {
        const int s = i + lead(job), hit = rays->object[s] >= 0;
        if (truth->range_m)
            truth->range_m[i] = rays->t[s];
        if (truth->normal) {
            const lr_vec3f n = lr_rays_normal(rays, s);
            const float turn = hit ? (lr_dotf(n, lr_rays_direction(rays, s)) > 0.0f ? -1.0f : 1.0f) : NAN;
            truth->normal[3*i] = turn*n.x;
            truth->normal[3*i + 1] = turn*n.y;
            truth->normal[3*i + 2] = turn*n.z;
        }
        if (truth->object)
            truth->object[i] = hit ? scene->object[rays->object[s]].label : 0;
        if (truth->material) {
            int material = -1;
            float scale;
            if (hit)
                lr_scene_surface(scene, rays->object[s], rays->primitive[s], rays->u[s], rays->v[s], &scale, &material);
            truth->material[i] = (uint16_t)(material + 1);
        }
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
        const int s = i + lead(job);
        if (job->partner && rays->object[s] >= 0) {
            const lr_vec3f p = lr_rays_point(rays, s);
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
        const int s = i + lead(job);
        int flags = truth->flags[i];
        if (2*work->lit[i] >= job->tracer->def.laser_samples && job->module->laser_count > 0 && work->lit[i] > 0)
            flags |= LR_FLAG_LIT;
        if ((s > 0 && is_edge(rays, s, s - 1)) || (s + 1 < rays->count && is_edge(rays, s, s + 1)))
            flags |= LR_FLAG_EDGE;
        if (rays->object[s] >= 0 && job->tracer->scene->object[rays->object[s]].motion)
            flags |= LR_FLAG_IN_MOTION;
        if (work->behind[s])
            flags |= LR_FLAG_BEHIND_PANE;
        truth->flags[i] = (uint8_t)flags;
    }
}

void lr_first_hits(const lr_line_job *job, const lr_line_truth *truth)
{
    lr_rays *rays = &job->work->rays;
    central_rays(job, rays);
    lr_work_intersect(job, rays, LR_RAYS_COHERENT, LR_RAY_CAMERA);
    lr_work_look_through(job, rays, LR_RAYS_COHERENT);
    store_surface(job, rays, truth);
    if (!truth->partner && !truth->flags)
        return;
    partner_pixels(job, rays, truth);
    if (truth->flags) {
        lr_work_occluded(job, &job->work->shadow, LR_RAYS_COHERENT, LR_RAY_PARTNER);
        store_flags(job, rays, truth);
    }
}
