// SPDX-License-Identifier: Apache-2.0
// Truth of a line: what each pixel's central ray meets at mid-exposure.
#include <string.h>

#include "trace/work.h"

#include "core/wide.h"

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

// ---- partner ----------------------------------------------------------------------------------------------------------------

enum { N = 64 };   // points of a block

typedef struct sight { double x[N], y[N], z[N], side[N], theta_rad[N], distance[N]; } sight;   // from the partner, in its frame

// atan2 of side, 0 or more, and x, within 1e-14: the angle is halved twice, then comes the series to x^19.
static inline double angle_to_axis(double side, double x)
{
    const double ax = fabs(x), most = ax > side ? ax : side, least = ax > side ? side : ax, q0 = least/(most > 0.0 ? most : 1.0);
    const double q1 = q0/(1.0 + sqrt(1.0 + q0*q0)), q = q1/(1.0 + sqrt(1.0 + q1*q1)), s = q*q;
    const double quarter = q*(1.0 + s*(-1.0/3.0 + s*(1.0/5.0 + s*(-1.0/7.0 + s*(1.0/9.0 + s*(-1.0/11.0 + s*(1.0/13.0 + s*(-1.0/15.0 +
                           s*(1.0/17.0 + s*(-1.0/19.0))))))))));
    const double angle = side > ax ? 0.5*LR_PI - 4.0*quarter : 4.0*quarter;
    return x < 0.0 ? LR_PI - angle : angle;
}

LR_WIDE_WHOLE static void look_from(const lr_pose *eye, const lr_rays *restrict rays, int first, int count, sight *restrict out)
{
    const lr_vec3 o = eye->origin;
    const lr_mat3 m = eye->rotation;
    for (int i = 0; i < count; i++) {
        const int k = first + i;
        const float far_t = rays->t[k], t = far_t < INFINITY ? far_t : 1.0f;
        const double x = (double)(rays->ox[k] + t*rays->dx[k]) - o.x, y = (double)(rays->oy[k] + t*rays->dy[k]) - o.y, z = (double)(rays->oz[k] + t*rays->dz[k]) - o.z;
        const double ahead = m.x.x*x + m.x.y*y + m.x.z*z, across = m.y.x*x + m.y.y*y + m.y.z*z, up = m.z.x*x + m.z.y*y + m.z.z*z;
        const double side = sqrt(across*across + up*up);
        out->x[i] = ahead;
        out->y[i] = across;
        out->z[i] = up;
        out->side[i] = side;
        out->distance[i] = sqrt(side*side + ahead*ahead);
        out->theta_rad[i] = angle_to_axis(side, ahead);
    }
}

// A ray that asks whether pixel i's hit is seen from the partner.
static void ask_partner(const lr_line_job *job, const lr_pose *eye, int i, double distance)
{
    lr_rays *shadow = &job->work->shadow;
    const lr_vec3f p = lr_rays_point(&job->work->rays, i);
    const lr_vec3 to = lr_sub(lr_v3((double)p.x, (double)p.y, (double)p.z), eye->origin);
    const int slot = shadow->count++;
    job->work->shadow_index[slot] = i;
    lr_rays_set(shadow, slot, lr_v3f_of(eye->origin), lr_v3f_of(lr_mul(to, 1.0/distance)), 0.0f, (float)(distance*(1.0 - 1e-5) - (double)LR_OFFSET_M),
                (float)job->moment.time_s);
}

// Where the hits fall on the partner's line, and the rays that ask whether they are seen from there.
static void partner_pixels(const lr_line_job *job, const lr_rays *rays, const lr_line_truth *truth)
{
    const lr_pose eye = job->partner ? lr_pose_mul(job->moment.pose, job->partner->in_module) : lr_pose_identity();
    sight s;
    job->work->shadow.count = 0;
    for (int i = 0; i < job->count; i++) {
        const int at = i % N;
        double pixel = (double)NAN, across = 0.0;
        if (job->partner && at == 0)
            look_from(&eye, rays, i, job->count - i < N ? job->count - i : N, &s);
        if (job->partner && rays->object[i] >= 0) {
            const int imaged = lr_camera_project_polar(job->partner->def, lr_v3(s.x[at], s.y[at], s.z[at]), s.side[at], s.theta_rad[at], &pixel, &across);
            if (!imaged || !(pixel >= -0.5 && pixel <= job->partner->pixels - 0.5))
                pixel = (double)NAN;
            else
                ask_partner(job, &eye, i, s.distance[at]);
        }
        if (truth->partner)
            truth->partner[i] = (float)pixel;
    }
}

// ---- edges ------------------------------------------------------------------------------------------------------------------

// Compares the range of j with the plane of i's surface.
static inline int is_edge(const lr_rays *r, int i, int j)
{
    const int here = r->object[i] >= 0, there = r->object[j] >= 0;
    const float slope = r->nx[i]*r->dx[j] + r->ny[i]*r->dy[j] + r->nz[i]*r->dz[j], own = r->nx[i]*r->dx[i] + r->ny[i]*r->dy[i] + r->nz[i]*r->dz[i];
    const float off = fabsf(r->t[i]*own/slope - r->t[j]);
    return (here != there) | (here & !(off <= EDGE_SHARE*r->t[i]));
}

// Whether each pixel is an edge against the one after it and the one before.
LR_WIDE_WHOLE static void find_edges(const lr_rays *restrict rays, int count, int32_t *restrict after_it, int32_t *restrict before_it)
{
    for (int i = 0; i + 1 < count; i++)
        after_it[i] = is_edge(rays, i, i + 1);
    for (int i = 1; i < count; i++)
        before_it[i] = is_edge(rays, i, i - 1);
}

static void store_flags(const lr_line_job *job, const lr_rays *rays, const lr_line_truth *truth)
{
    const lr_work *work = job->work;
    memset(truth->flags, 0, (size_t)job->count);
    for (int k = 0; k < work->shadow.count; k++)
        if (!work->shadow.blocked[k])
            truth->flags[work->shadow_index[k]] |= LR_FLAG_SEEN_BY_PARTNER;
    int32_t after_it[LR_CHUNK_PIXELS], before_it[LR_CHUNK_PIXELS];
    const int up = slot_of(job, -1), down = slot_of(job, job->count), last = job->count - 1;
    find_edges(rays, job->count, after_it, before_it);
    before_it[0] = up >= 0 && is_edge(rays, 0, up);
    after_it[last] = down >= 0 && is_edge(rays, last, down);
    for (int i = 0; i < job->count; i++) {
        int flags = truth->flags[i];
        if (before_it[i] || after_it[i])
            flags |= LR_FLAG_EDGE;
        if (rays->object[i] >= 0 && job->tracer->scene->object[rays->object[i]].motion)
            flags |= LR_FLAG_IN_MOTION;
        if (work->behind[i])
            flags |= LR_FLAG_BEHIND_PANE;
        truth->flags[i] = (uint8_t)flags;
    }
}

void lr_meet_surfaces(const lr_line_job *job, int count)
{
    enum { AHEAD = 32 };   // points whose texels are on their way
    const lr_rays *rays = &job->work->rays;
    lr_texels texels[AHEAD];
    for (int first = 0; first < count; first += AHEAD) {
        const int end = first + AHEAD < count ? first + AHEAD : count;
        for (int i = first; i < end; i++) {
            lr_met *met = &job->work->met[i];
            *met = (lr_met){NULL, 1.0f, -1};
            texels[i - first].row[0] = NULL;
            if (rays->object[i] >= 0)
                met->surface = lr_scene_find_surface(job->tracer->scene, rays->object[i], rays->primitive[i], rays->u[i], rays->v[i], &texels[i - first], &met->material);
        }
        for (int i = first; i < end; i++)
            if (texels[i - first].row[0])
                job->work->met[i].scale = lr_texture_mix(&texels[i - first]);
    }
}

void lr_first_hits(const lr_line_job *job)
{
    lr_rays *rays = &job->work->rays;
    central_rays(job, rays);
    lr_work_intersect(job, rays, LR_RAYS_COHERENT, LR_RAY_CAMERA);
    lr_work_look_through(job, rays, LR_RAYS_COHERENT);
    lr_meet_surfaces(job, job->count);
    for (int i = 0; i < job->count; i++)
        job->work->central[i] = (lr_central){rays->object[i], job->work->met[i].surface, lr_rays_normal(rays, i)};
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
