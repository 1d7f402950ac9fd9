// SPDX-License-Identifier: Apache-2.0
#include "trace/lit_cover.h"

#include <string.h>

#include "core/anglef.h"
#include "core/wide.h"
#include "trace/surface_eval.h"

#define STRETCH 4.0f           // at grazing angles the tangent plane is followed at most this many ranges out and in
#define TAIL_SIGMA 6.0f        // of the sheet: beyond lies nothing

#define N LR_COVER_PARTS

typedef struct rays { lr_cover_vec up, down, across, pupil, normal; float t[N], along[N], aside[N]; } rays;   // as the rig and the batch have them

static void put(lr_cover_vec *v, int i, lr_vec3f from)
{
    v->x[i] = from.x;
    v->y[i] = from.y;
    v->z[i] = from.z;
}

static void load(const lr_line_job *job, int first, int count, rays *r, lr_cover *out)
{
    const lr_part_batch *b = &job->work->part;
    const lr_rays *hits = &job->work->rays;
    for (int i = 0; i < count; i++) {
        const int k = first + i, pixel = job->first + b->pixel[k];
        put(&r->up, i, job->camera->edge[pixel]);
        put(&r->down, i, job->camera->edge[pixel + 1]);
        put(&r->across, i, job->camera->across[pixel]);
        put(&r->pupil, i, b->pupil[k]);
        put(&r->normal, i, lr_rays_normal(hits, k));
        const lr_surface *s = job->work->met[k].surface;
        const lr_matte matte = s ? lr_matte_of(s) : (lr_matte){1.0f, 0.0f, 0.0f, 0.0f};
        out->a[i] = matte.a;
        out->r[i] = matte.r;
        out->left[i] = matte.left;
        out->grazing[i] = matte.grazing;
    }
    memcpy(r->t, hits->t + first, (size_t)count*sizeof *r->t);
    memcpy(r->along, b->along + first, (size_t)count*sizeof *r->along);
    memcpy(r->aside, b->across + first, (size_t)count*sizeof *r->aside);
}

static inline __attribute__((always_inline)) lr_vec3f between(const rays *r, int i, float along, float aside, float bend)
{
    const float up = 1.0f - along;
    return lr_v3f(r->up.x[i]*up + along*r->down.x[i] + aside*r->across.x[i] + bend*r->pupil.x[i],
                  r->up.y[i]*up + along*r->down.y[i] + aside*r->across.y[i] + bend*r->pupil.y[i],
                  r->up.z[i]*up + along*r->down.z[i] + aside*r->across.z[i] + bend*r->pupil.z[i]);
}

typedef struct plane { lr_vec3f eye, normal; float t, center; } plane;

// Point where the ray along `d` meets the tangent plane.
static inline __attribute__((always_inline)) lr_vec3f on_plane(const plane *p, lr_vec3f d)
{
    const float here = lr_dotf(p->normal, d), ratio = p->center/here;
    const float other = here*p->center <= 0.0f ? STRETCH : 1.0f/STRETCH;
    const float least = ratio > 1.0f/STRETCH ? ratio : other;  // the plane is behind, or far nearer; NaN too
    return lr_madf(p->eye, p->t*(least > STRETCH ? STRETCH : least), d);
}

typedef struct frame { lr_frame3f module; lr_vec3f origin; float low, high, bend; } frame;

static inline __attribute__((always_inline)) void keep(lr_cover_vec *v, int i, lr_vec3f from)
{
    v->x[i] = from.x;
    v->y[i] = from.y;
    v->z[i] = from.z;
}

LR_WIDE_WHOLE static void cover(const frame *f, const rays *r, int count, lr_cover *out)
{
    const float middle = 0.5f*(f->low + f->high);
    for (int i = 0; i < count; i++) {
        const lr_vec3f d = between(r, i, r->along[i], r->aside[i], f->bend), m = between(r, i, middle, 0.0f, f->bend);
        plane p = {.eye = lr_v3f(f->origin.x + r->pupil.x[i], f->origin.y + r->pupil.y[i], f->origin.z + r->pupil.z[i])};
        p.normal = lr_frame_fromf(f->module, lr_v3f(r->normal.x[i], r->normal.y[i], r->normal.z[i]));
        p.t = r->t[i]/sqrtf(lr_dotf(d, d));  // directions are a hair shorter than one
        p.center = lr_dotf(p.normal, d);
        keep(&out->normal, i, p.normal);
        keep(&out->hit, i, lr_madf(p.eye, p.t, d));
        const lr_vec3f eye = lr_mulf(m, -1.0f/sqrtf(lr_dotf(m, m)));
        keep(&out->to_eye, i, eye);
        out->out[i] = lr_dotf(p.normal, eye);
        keep(&out->place[LR_COVER_MIDDLE], i, on_plane(&p, m));
        keep(&out->place[LR_COVER_ALONG0], i, on_plane(&p, between(r, i, f->low, 0.0f, f->bend)));
        keep(&out->place[LR_COVER_ALONG1], i, on_plane(&p, between(r, i, f->high, 0.0f, f->bend)));
        keep(&out->place[LR_COVER_ACROSS0], i, on_plane(&p, between(r, i, middle, -0.5f, f->bend)));
        keep(&out->place[LR_COVER_ACROSS1], i, on_plane(&p, between(r, i, middle, 0.5f, f->bend)));
    }
}

void lr_cover_fill(const lr_line_job *job, const lr_frame3f *module, int first, lr_cover *out)
{
    const lr_part_batch *b = &job->work->part;
    const frame f = {.module = *module, .origin = job->origin, .low = b->low, .high = b->high,
                     .bend = job->camera->pupil ? -1.0f/(float)job->camera->def->lens.focus_m : 0.0f};
    rays r;
    out->first = first;
    out->count = b->count - first < N ? b->count - first : N;
    load(job, first, out->count, &r, out);
    cover(&f, &r, out->count, out);
}

static inline __attribute__((always_inline)) lr_vec3f in_laser(const lr_beam *b, const lr_cover_vec *p, int i)
{
    const lr_vec3f d = lr_v3f(p->x[i] - b->origin.x, p->y[i] - b->origin.y, p->z[i] - b->origin.z);
    return lr_v3f(lr_dotf(b->x, d), lr_dotf(b->y, d), lr_dotf(b->z, d));
}

LR_WIDE_WHOLE void lr_beam_look(const lr_beam *beam, const lr_cover *restrict cover, lr_beam_view *restrict out)
{
    const lr_beam b = *beam;
    const int count = cover->count;
    for (int i = 0; i < count; i++) {
        const lr_vec3f at = in_laser(&b, &cover->place[LR_COVER_MIDDLE], i);
        const float r = sqrtf(lr_dotf(at, at)), grown = b.divergence_rad*r, sigma = 0.25f*sqrtf(b.thickness_m*b.thickness_m + grown*grown);
        const float y0 = in_laser(&b, &cover->place[LR_COVER_ACROSS0], i).y, y1 = in_laser(&b, &cover->place[LR_COVER_ACROSS1], i).y;
        const float near_y = fabsf(y0) < fabsf(y1) ? fabsf(y0) : fabsf(y1);
        keep(&out->at, i, at);
        out->r[i] = r;
        out->sigma[i] = sigma;
        out->y0[i] = y0;
        out->y1[i] = y1;
        out->within[i] = (at.x > 0.0f) & (fabsf(at.z) < b.slope*at.x) & ((near_y <= TAIL_SIGMA*sigma) | (y0*y1 <= 0.0f));
    }
    for (int i = 0; i < count; i++) {
        const lr_vec3f a0 = in_laser(&b, &cover->place[LR_COVER_ALONG0], i), a1 = in_laser(&b, &cover->place[LR_COVER_ALONG1], i);
        out->alpha0[i] = lr_atan2f(a0.z, a0.x);
        out->alpha1[i] = lr_atan2f(a1.z, a1.x);
    }
    for (int i = 0; i < count; i++) {
        const lr_cover_vec *p = &cover->place[LR_COVER_MIDDLE], *h = &cover->hit, *n = &cover->normal, *e = &cover->to_eye;
        const lr_vec3f wi = lr_unitf(lr_v3f(b.origin.x - p->x[i], b.origin.y - p->y[i], b.origin.z - p->z[i]));
        const lr_vec3f back = lr_v3f(b.origin.x - h->x[i], b.origin.y - h->y[i], b.origin.z - h->z[i]);
        const float side = cover->out[i] < 0.0f ? -1.0f : 1.0f, distance = sqrtf(lr_dotf(back, back));
        const lr_matte matte = {cover->a[i], cover->r[i], cover->left[i], cover->grazing[i]};
        keep(&out->wi, i, wi);
        keep(&out->back, i, lr_mulf(back, 1.0f/distance));
        out->distance[i] = distance;
        out->matte[i] = lr_matte_value(matte, side*cover->out[i], side*(wi.x*n->x[i] + wi.y*n->y[i] + wi.z*n->z[i]), wi.x*e->x[i] + wi.y*e->y[i] + wi.z*e->z[i]);
    }
}
