// SPDX-License-Identifier: Apache-2.0
// Rays of a laser on their way to the surfaces that scatter: mirrors, panes, glass and smooth coats send them on and part their power.
// Nothing is lost but by chance: whatever there is no room for, or too weak, lives on with a chance p and counts 1/p then.
#include <math.h>
#include <stdlib.h>

#include "optics/fresnel.h"
#include "trace/indirect.h"

#define WEIGHT_LEAST 1e-3f      // rays below live on by chance; more of them when there are many, and
#define LEGS_TWICE 8.0f         // twice as strong ones every so many legs, so that all end:
#define MAX_LEGS 256            // only a guard, reached with a chance of 2^-22 at most

typedef struct lr_meeting {     // a ray of the fan meets a surface
    const lr_fan_ray *ray;
    lr_vec3f point, normal, direction;  // normal as the shape gives it
    const lr_surface *surface;
    float scale, weight, length, time_s;
    int32_t object;
    int bin;
} lr_meeting;

enum { WAY_MIRROR = 1, WAY_THROUGH };

// The same chance for all rays of one chain, so that neighbours stay together; anew in each draw, since panes leave the chain as it is.
static int lives(const lr_fan *fan, lr_fan_ray *ray, float least)
{
    if (ray->weight >= least)
        return 1;
    if (!(lr_uniform(lr_hash(lr_hash(fan->seed, ray->chain), fan->job->work->indirect->draws))*least < ray->weight))
        return 0;
    ray->weight = least;
    return 1;
}

void lr_fan_thin(const lr_fan *fan)
{
    lr_indirect *in = fan->job->work->indirect;
    const int before = in->lit_count;
    while (in->lit_count > 0 && in->lit_count == before) {
        in->lit_least *= 2.0f;
        in->draws++;
        in->lit_count = 0;
        for (int i = 0; i < before; i++) {
            lr_lit_point p = in->lit[i];
            if (lives(fan, &p.ray, in->lit_least))
                in->lit[in->lit_count++] = p;
        }
    }
}

// Likewise of the rays that go on.
static void thin_next(const lr_fan *fan)
{
    lr_indirect *in = fan->job->work->indirect;
    const int before = in->next.count;
    while (in->next.count > 0 && in->next.count == before) {
        in->next_least *= 2.0f;
        in->draws++;
        in->next.count = 0;
        for (int i = 0; i < before; i++) {
            lr_fan_ray ray = in->fan_next[i];
            if (!lives(fan, &ray, in->next_least))
                continue;
            in->fan_next[in->next.count] = ray;
            lr_rays_copy(&in->next, in->next.count++, &in->next, i);
        }
    }
}

static void send_on(const lr_fan *fan, const lr_meeting *m, lr_vec3f d, float share, int way, int32_t medium)
{
    lr_indirect *in = fan->job->work->indirect;
    lr_fan_ray next = *m->ray;
    next.weight = m->weight*share;
    next.length = m->length;
    next.medium = medium;
    if (!(way == WAY_THROUGH && m->surface->clear)) {
        next.chain = lr_hash(m->ray->chain + (uint32_t)way, (uint32_t)m->object);
        next.chained = 1;
    }
    if (way == WAY_MIRROR)
        next.side = lr_madf(next.side, -2.0f*lr_dotf(next.side, m->normal), m->normal);
    if (!(next.weight > 0.0f) || !lives(fan, &next, in->leg_least))
        return;
    if (in->next.count >= LR_FAN_RAYS)
        thin_next(fan);
    const int slot = in->next.count++;
    const float side = lr_dotf(m->normal, d) >= 0.0f ? LR_OFFSET_M : -LR_OFFSET_M;
    in->fan_next[slot] = next;
    lr_rays_set(&in->next, slot, lr_madf(m->point, side, m->normal), d, 0.0f, INFINITY, m->time_s);
}

static lr_vec3f mirrored(const lr_meeting *m) { return lr_madf(m->direction, -2.0f*lr_dotf(m->direction, m->normal), m->normal); }

// The pane's own share mirrored: lr_surface_draw hands it out divided by its chance, and all shares add up to the sum of its weights.
static void meet_pane(const lr_fan *fan, const lr_meeting *m)
{
    float through[LR_MAX_BINS], passed = 0.0f, all = 0.0f;
    const float c = fabsf(lr_dotf(m->normal, m->direction));
    lr_surface_sample sample;
    lr_surface_pane_transmittance(m->surface, c, through);
    send_on(fan, m, m->direction, through[m->bin], WAY_THROUGH, m->ray->medium);
    if (!lr_surface_draw(m->surface, 1.0f, lr_v3f(sqrtf(fmaxf(0.0f, 1.0f - c*c)), 0.0f, c), 0.5f, 0.5f, 0.0f, &sample) || sample.wi.z < 0.0f)
        return;
    for (int b = 0; b < m->surface->bin_count; b++) {
        passed += through[b];
        all += sample.weight[b];
    }
    send_on(fan, m, mirrored(m), sample.weight[m->bin]*(1.0f - passed/all), WAY_MIRROR, m->ray->medium);
}

static void meet_glass(const lr_fan *fan, const lr_meeting *m)
{
    const int inside = lr_dotf(m->normal, m->direction) > 0.0f;
    const float c = fminf(1.0f, fabsf(lr_dotf(m->normal, m->direction)));
    const float eta = inside ? 1.0f/m->surface->index_mean : m->surface->index_mean, n = m->surface->index_n[m->bin];
    const float sin2 = (1.0f - c*c)/(eta*eta), f = sin2 < 1.0f ? lr_fresnel_dielectric_f(c, inside ? 1.0f/n : n) : 1.0f;
    send_on(fan, m, mirrored(m), f, WAY_MIRROR, m->ray->medium);
    if (!(f < 1.0f))
        return;
    const lr_vec3f up = inside ? lr_mulf(m->normal, -1.0f) : m->normal;  // against the ray
    const lr_vec3f along = lr_madf(m->direction, c, up);
    const lr_vec3f d = lr_unitf(lr_madf(lr_mulf(along, 1.0f/eta), -sqrtf(1.0f - sin2), up));
    send_on(fan, m, d, 1.0f - f, WAY_THROUGH, inside ? -1 : m->object);
}

static void meet_mirror(const lr_fan *fan, const lr_meeting *m)
{
    const float c = fabsf(lr_dotf(m->normal, m->direction));
    lr_surface_sample sample;
    if (lr_surface_draw(m->surface, m->scale, lr_v3f(sqrtf(fmaxf(0.0f, 1.0f - c*c)), 0.0f, c), 0.5f, 0.5f, 0.0f, &sample))
        send_on(fan, m, mirrored(m), sample.weight[m->bin], WAY_MIRROR, m->ray->medium);
}

static void land(const lr_fan *fan, const lr_meeting *m)
{
    lr_indirect *in = fan->job->work->indirect;
    if (in->lit_count >= LR_LIT_POINTS)
        lr_fan_thin(fan);
    lr_lit_point *p = &in->lit[in->lit_count++];
    *p = (lr_lit_point){.ray = *m->ray, .point = m->point, .direction = m->direction, .length = m->length,
                        .object = m->object, .surface = m->surface, .scale = m->scale};
    p->ray.weight = m->weight;
    p->normal = lr_dotf(m->normal, m->direction) < 0.0f ? m->normal : lr_mulf(m->normal, -1.0f);
}

static void meet(const lr_fan *fan, int i)
{
    lr_indirect *in = fan->job->work->indirect;
    const lr_rays *rays = &in->rays;
    const lr_scene *scene = fan->job->tracer->scene;
    if (rays->object[i] < 0)
        return;
    int material;
    lr_meeting m = {.ray = &in->fan_ray[i], .point = lr_rays_point(rays, i), .normal = lr_rays_normal(rays, i),
                    .direction = lr_rays_direction(rays, i), .object = rays->object[i], .bin = fan->laser->bin, .time_s = rays->time_s[i]};
    m.surface = lr_scene_surface(scene, m.object, rays->primitive[i], rays->u[i], rays->v[i], &m.scale, &material);
    m.length = m.ray->length + rays->t[i];
    m.weight = m.ray->weight;
    if (m.ray->medium >= 0)
        m.weight *= expf(-scene->surface[scene->object[m.ray->medium].material[0]].absorption_per_m[m.bin]*rays->t[i]);
    if (m.surface->clear) {
        meet_pane(fan, &m);
    } else if (m.surface->kind == LR_MATERIAL_GLASS) {
        meet_glass(fan, &m);
    } else if (m.surface->specular) {
        meet_mirror(fan, &m);
    } else {
        if (m.surface->kind == LR_MATERIAL_COATED && !(m.surface->alpha_x > 0.0f))
            send_on(fan, &m, mirrored(&m), lr_fresnel_dielectric_f(fabsf(lr_dotf(m.normal, m.direction)), m.surface->index_n[m.bin]), WAY_MIRROR, m.ray->medium);
        land(fan, &m);
    }
}

// Of rays that go on without chance.
static float least_of(int leg, int crowd)
{
    const float least = crowd > LR_FAN_RAYS/4 ? 0.02f : WEIGHT_LEAST;
    return fmaxf(least, WEIGHT_LEAST*exp2f((float)leg/LEGS_TWICE));
}

static int by_chain_and_step(const void *x, const void *y)
{
    const lr_lit_point *a = x, *b = y;
    if (a->ray.chain != b->ray.chain)
        return a->ray.chain < b->ray.chain ? -1 : 1;
    return a->ray.step - b->ray.step;
}

void lr_fan_follow(const lr_fan *fan)
{
    lr_indirect *in = fan->job->work->indirect;
    in->lit_least = WEIGHT_LEAST;
    in->lit_count = 0;
    for (int leg = 0; leg < MAX_LEGS && in->rays.count > 0; leg++) {
        lr_work_intersect(fan->job, &in->rays, leg == 0 ? LR_RAYS_COHERENT : LR_RAYS_INCOHERENT, LR_RAY_LASER);
        in->next.count = 0;
        in->draws++;
        in->next_least = in->leg_least = least_of(leg, in->rays.count);
        for (int i = 0; i < in->rays.count; i++)
            meet(fan, i);
        const lr_rays rays = in->rays;
        in->rays = in->next;
        in->next = rays;
        lr_fan_ray *swap = in->fan_ray;
        in->fan_ray = in->fan_next;
        in->fan_next = swap;
    }
    qsort(in->lit, (size_t)in->lit_count, sizeof *in->lit, by_chain_and_step);
}

const lr_lit_point *lr_fan_find(const lr_indirect *in, uint32_t chain, int step)
{
    int lo = 0, hi = in->lit_count;
    while (lo < hi) {
        const int mid = (lo + hi)/2;
        const lr_lit_point *p = &in->lit[mid];
        if (p->ray.chain < chain || (p->ray.chain == chain && p->ray.step < step))
            lo = mid + 1;
        else
            hi = mid;
    }
    return lo < in->lit_count && in->lit[lo].ray.chain == chain && in->lit[lo].ray.step == step ? &in->lit[lo] : NULL;
}
