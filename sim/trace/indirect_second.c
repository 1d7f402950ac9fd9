// SPDX-License-Identifier: Apache-2.0
// Points of a second landing: light that the curve sends a short way on, found from the laser. From places even in power rays go out as
// the surface scatters; those that land near live on by chance, the nearer the surer. The paths' own connections hold the rest: lr_ramp in indirect_gather.c.
// Source: Veach, Robust Monte Carlo Methods for Light Transport Simulation (1997), ch. 9: two ways to the same light, weighed to one.
#include <assert.h>
#include <math.h>

#include "trace/indirect.h"
#include "trace/surface_eval.h"

typedef struct lr_sending { const lr_lit_piece *piece; lr_vec3f d; float power_w, length; } lr_sending;

static float random_of(const lr_fan *fan, int k, int dim) { return lr_uniform(lr_hash(lr_hash(fan->seed, 0x7365636fu + (uint32_t)dim), (uint32_t)k)); }

static int send(const lr_fan *fan, const lr_lit_piece *p, int k, float power_w, lr_sending *out, lr_vec3f *from)
{
    const lr_indirect *in = fan->job->work->indirect;
    lr_vec3f point, light;
    lr_surface_sample sample;
    const float sigmas = sqrtf(-2.0f*logf(1.0f - random_of(fan, k, 0)))*cosf(2.0f*(float)LR_PI*random_of(fan, k, 1));
    lr_lit_piece_place(p, &in->fan[in->module][fan->index], random_of(fan, k, 2), sigmas, &point, &light);
    const lr_frame3f frame = lr_frame_aroundf(p->normal);
    if (!lr_surface_draw(p->surface, p->scale, lr_frame_fromf(frame, light), random_of(fan, k, 3), random_of(fan, k, 4), random_of(fan, k, 5), &sample) ||
        sample.specular || !(sample.wi.z > 0.0f))
        return 0;
    *out = (lr_sending){p, lr_unitf(lr_frame_tof(frame, sample.wi)), power_w*sample.weight[fan->laser->bin], 0.0f};
    *from = lr_madf(point, LR_OFFSET_M, p->normal);
    return out->power_w > 0.0f;
}

// Rays even in power over the pieces.
static void send_all(const lr_fan *fan, int first, lr_sending *sent)
{
    lr_indirect *in = fan->job->work->indirect;
    const lr_lit_curve *c = &in->curve;
    float total = 0.0f, below = 0.0f;
    for (int i = first; i < c->count; i++)
        total += c->piece[i].power_w;
    const float step = total/(float)fan->steps, shift = random_of(fan, 0, 6);
    in->rays.count = 0;
    int k = 0;
    for (int i = first; i < c->count && step > 0.0f; i++) {
        below += c->piece[i].power_w;
        for (; k < fan->steps && ((float)k + shift)*step < below; k++) {
            const int slot = in->rays.count;
            lr_vec3f from;
            if (!send(fan, &c->piece[i], k, step, &sent[slot], &from))
                continue;
            in->rays.count++;
            lr_rays_set(&in->rays, slot, from, sent[slot].d, 0.0f, INFINITY, (float)fan->job->moment.time_s);
        }
    }
}

// The nearer ray k landed the surer.
static int lives_on(const lr_fan *fan, int k, float length)
{
    const float c2 = LR_NEAR_M*LR_NEAR_M;
    return random_of(fan, k, 7) < c2/(length*length + c2);
}

static void land(const lr_fan *fan, const lr_sending *s, lr_vec3f point, lr_vec3f normal, int32_t object, const lr_surface *surface, float scale)
{
    lr_lit_piece *piece = lr_fan_piece(fan);
    assert(piece);   // there is room for all that were sent
    const lr_vec3f light = lr_mulf(s->d, -1.0f);
    const float c2 = LR_NEAR_M*LR_NEAR_M, close2 = LR_CLOSE_M*LR_CLOSE_M, held = lr_surface_is_matte(surface) ? c2*close2/(s->length*s->length + close2) : 0.0f;
    *piece = (lr_lit_piece){.a = point, .normal = lr_dotf(normal, light) >= 0.0f ? normal : lr_mulf(normal, -1.0f), .in0 = light, .in1 = light,
                             .r0 = 1.0f, .r1 = 1.0f, .power_w = s->power_w, .laser = fan->index, .patch = 1, .held = held,
                             .object = object, .surface = surface, .scale = scale};
}

// Where they land; panes are gone through, mirrors and glass are left to the paths.
static void meet(const lr_fan *fan, lr_sending *sent)
{
    lr_indirect *in = fan->job->work->indirect;
    const lr_rays *rays = &in->rays;
    int again = 0;
    for (int i = 0; i < rays->count; i++) {
        if (rays->object[i] < 0)
            continue;
        float scale;
        int material;
        lr_sending s = sent[i];
        s.length += rays->t[i];
        const int lives = lives_on(fan, i, s.length);
        if (!lives && !lr_bvh_may_be_pane(fan->job->tracer->bvh, rays->object[i]))
            continue;
        const lr_surface *surface = lr_scene_surface(fan->job->tracer->scene, rays->object[i], rays->primitive[i], rays->u[i], rays->v[i], &scale, &material);
        const lr_vec3f point = lr_rays_point(rays, i), normal = lr_rays_normal(rays, i);
        if (surface->clear) {
            float pass[LR_MAX_BINS];
            lr_surface_pane_transmittance(surface, fabsf(lr_dotf(normal, s.d)), pass);
            s.power_w *= pass[fan->laser->bin];
            sent[again] = s;
            lr_rays_set(&in->next, again++, lr_madf(point, LR_OFFSET_M, s.d), s.d, 0.0f, INFINITY, rays->time_s[i]);
        } else if (lives && !surface->specular) {
            land(fan, &s, point, normal, rays->object[i], surface, scale);
        }
    }
    in->next.count = again;
    const lr_rays swap = in->rays;
    in->rays = in->next;
    in->next = swap;
}

void lr_second_landings(const lr_fan *fan, int first)
{
    lr_indirect *in = fan->job->work->indirect;
    lr_sending sent[1024];
    send_all(fan, first, sent);
    for (int depth = 0; depth < LR_MAX_PANES && in->rays.count > 0; depth++) {
        lr_work_intersect(fan->job, &in->rays, LR_RAYS_INCOHERENT, LR_RAY_LASER);
        meet(fan, sent);
    }
}
