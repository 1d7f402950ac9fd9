// SPDX-License-Identifier: Apache-2.0
#include "trace/kinds.h"

#include <string.h>

#include "trace/surface_eval.h"

#define LEAST_RENDERED 2       // of each kind that comes early, so that it is known how they differ
#define EDGE_FALL 0.5f         // variance of n even parts that meet an edge: about this times that of one, over n^1.5
#define FLAT 0.99999f          // cosine between normals of one plane
#define LIT_PARTS 4096         // one whole, in work->lit

static lr_kind *first_of(lr_settle *s, int half, int i) { return &s->kind[half*LR_CHUNK_PIXELS + i]; }
static lr_kind *after(lr_settle *s, const lr_kind *k) { return k->next ? &s->kind[k->next] : NULL; }

void lr_kinds_clear(const lr_line_job *job)
{
    lr_settle *s = &job->work->settle;
    memset(s->kind_count, 0, sizeof s->kind_count);
    s->kinds = 2*LR_CHUNK_PIXELS;
}

// ---- telling parts apart ----------------------------------------------------------------------------------------------------

static int is_even(const lr_line_job *job, int k)
{
    const lr_rays *rays = &job->work->rays;
    return rays->object[k] >= 0 && lr_surface_is_matte(job->work->met[k].surface) && job->tracer->lights.lamp_of_object[rays->object[k]] < 0;
}

// Material and whether a pane is before it, in one.
static int32_t seen_as(const lr_line_job *job, int k) { return 2*job->work->met[k].material + (job->work->behind[k] != 0); }

static int alike(const lr_line_job *job, const lr_kind *kind, int k)
{
    const lr_rays *rays = &job->work->rays;
    return kind->rest || (kind->object == rays->object[k] && kind->material == seen_as(job, k) &&
                          (kind->object < 0 || lr_dotf(kind->normal, lr_rays_normal(rays, k)) >= LR_SAME_SIDE));
}

static lr_kind *make_kind(const lr_line_job *job, lr_kind *kind, int k, int rest)
{
    const lr_rays *rays = &job->work->rays;
    *kind = (lr_kind){.object = rays->object[k], .primitive = rays->primitive[k], .material = seen_as(job, k), .normal = lr_rays_normal(rays, k),
                      .even = (uint8_t)(!rest && is_even(job, k)), .rest = (uint8_t)rest};
    return kind;
}

// The kind of part k of the batch, in the half of pixel i.
static lr_kind *kind_of(const lr_line_job *job, int half, int i, int k)
{
    lr_settle *s = &job->work->settle;
    lr_kind *kind = first_of(s, half, i), *last = kind;
    if (s->kind_count[half][i] == 0) {
        s->kind_count[half][i] = 1;
        return make_kind(job, kind, k, 0);
    }
    for (; kind; last = kind, kind = after(s, kind))
        if (alike(job, kind, k))
            return kind;
    last->next = s->kinds++;
    return make_kind(job, &s->kind[last->next], k, ++s->kind_count[half][i] == LR_KINDS);
}

void lr_kinds_count(const lr_line_job *job)
{
    lr_work *work = job->work;
    const int half = work->part.number & 1;
    for (int k = 0; k < work->part.count; k++) {
        lr_kind *kind = kind_of(job, half, work->part.pixel[k], k);
        const float scale = kind->even ? work->met[k].scale : 1.0f;
        work->settle.owner[k] = (int32_t)(kind - work->settle.kind);
        kind->seen++;
        kind->scale += scale;
        kind->scale_square += scale*scale;
    }
}

// ---- rendering some ---------------------------------------------------------------------------------------------------------

static void move_part(const lr_line_job *job, int to, int from)
{
    lr_work *work = job->work;
    lr_part_batch *b = &work->part;
    b->pixel[to] = b->pixel[from];
    b->along[to] = b->along[from];
    b->across[to] = b->across[from];
    b->pupil[to] = b->pupil[from];
    work->met[to] = work->met[from];
    work->behind[to] = work->behind[from];
    work->settle.owner[to] = work->settle.owner[from];
    lr_rays_copy(&work->rays, to, &work->rays, from);
    lr_rays_copy_answer(&work->rays, to, &work->rays, from);
    for (int bin = 0; lr_bvh_has_panes(job->tracer->bvh) && bin < LR_MAX_BINS; bin++)
        work->pass[bin*LR_CHUNK_RAYS + to] = work->pass[bin*LR_CHUNK_RAYS + from];
}

// Late parts only tell how large the shares are, and what no earlier part has seen.
static int is_wanted(const lr_line_job *job, const lr_kind *kind)
{
    const lr_trace_def *def = &job->tracer->def;
    const int number = job->work->part.number;
    if (number < def->most_samples)
        return number < def->samples || kind->rendered < LEAST_RENDERED || kind->more || kind->rest;
    return kind->rendered < 1 || kind->rest;
}

void lr_kinds_pick(const lr_line_job *job)
{
    lr_work *work = job->work;
    int count = 0;
    for (int k = 0; k < work->part.count; k++) {
        if (!is_wanted(job, &work->settle.kind[work->settle.owner[k]]))
            continue;
        if (count != k)
            move_part(job, count, k);
        count++;
    }
    work->part.count = work->rays.count = count;
}

void lr_kinds_add(const lr_line_job *job)
{
    lr_work *work = job->work;
    lr_settle *s = &work->settle;
    const int half = work->part.number & 1;
    for (int k = 0; k < work->part.count; k++) {
        const int i = work->part.pixel[k];
        lr_kind *kind = &s->kind[s->owner[k]];
        float light = 0.0f;
        for (int part = 0; part < LR_PARTS; part++) {
            const float e = work->sums[part*LR_CHUNK_PIXELS + i];
            kind->total[part] += e;
            light += e;
        }
        const float scale = kind->even ? work->met[k].scale : 1.0f;
        s->rendered[half][i] = work->part.number/2 + 1;
        s->electrons[half][i] = light;
        s->ambient[half][i] = light - work->sums[LR_PART_DIRECT*LR_CHUNK_PIXELS + i];
        kind->rendered++;
        kind->lit += work->lit[i].parts;
        kind->part_scale += scale;
        kind->part_square += scale*scale;
        kind->cross += scale*light;
        kind->square += light*light;
    }
}

// ---- error ------------------------------------------------------------------------------------------------------------------

static float light_of(const lr_kind *kind)
{
    float sum = 0.0f;
    for (int part = 0; part < LR_PARTS; part++)
        sum += kind->total[part];
    return sum;
}

// Electrons a factor of one.
static float ratio_of(const lr_kind *kind) { return kind->part_scale > 0.0f ? light_of(kind)/kind->part_scale : 0.0f; }

// Sum over parts rendered of the squares by which they are off the kind's ratio.
static float off_square(const lr_kind *kind)
{
    const float ratio = ratio_of(kind);
    return lr_maxf(0.0f, kind->square - 2.0f*ratio*kind->cross + ratio*ratio*kind->part_square);
}

// The same of all kinds of the pixel and its neighbours: one square a degree of freedom.
static float common_square(const lr_line_job *job, int i)
{
    lr_settle *s = &job->work->settle;
    float sum = 0.0f, degrees = 0.0f;
    for (int j = i > 0 ? i - 1 : 0; j <= i + 1 && j < job->count; j++)
        for (int half = 0; half < 2; half++)
            for (const lr_kind *k = first_of(s, half, j); k; k = after(s, k)) {
                sum += off_square(k);
                degrees += (float)(k->rendered - 1);
            }
    return degrees > 0.0f ? sum/degrees : 0.0f;
}

// What a kind adds to the variance of the pixel's mean. Two or three parts tell little by themselves: the others' count like one more.
static float variance_of(const lr_kind *k, float common, float seen)
{
    const float share = 0.5f*(float)k->seen/seen;
    return share*share*(off_square(k) + common)/((float)k->rendered*(float)k->rendered);
}

lr_kinds_error lr_kinds_tell(const lr_line_job *job, int i)
{
    lr_settle *s = &job->work->settle;
    const float n = (float)s->pairs[i];
    lr_kinds_error error = {.common = common_square(job, i)};
    for (int half = 0; half < 2; half++) {
        float mean = 0.0f, square = 0.0f;
        for (const lr_kind *k = first_of(s, half, i); k; k = after(s, k)) {
            const float ratio = ratio_of(k);
            mean += ratio*k->scale;
            square += ratio*ratio*k->scale_square;
            error.within += variance_of(k, error.common, n);
        }
        mean /= n;
        error.light += 0.5f*mean;
        error.shares += 0.25f*EDGE_FALL*lr_maxf(0.0f, square/n - mean*mean)/(n*sqrtf(n));
    }
    return error;
}

int lr_kinds_plain(const lr_line_job *job, int i)
{
    lr_settle *s = &job->work->settle;
    const lr_kind *a = first_of(s, 0, i), *b = first_of(s, 1, i);
    return s->kind_count[0][i] == 1 && s->kind_count[1][i] == 1 && !(job->known && (a->even || b->even));
}

int lr_kinds_flat(const lr_line_job *job, int i, lr_texture_plane *plane)
{
    lr_settle *s = &job->work->settle;
    const lr_kind *a = first_of(s, 0, i), *b = first_of(s, 1, i);
    return s->kind_count[0][i] == 1 && s->kind_count[1][i] == 1 && a->even && b->even && a->object == b->object && a->material == b->material &&
           lr_dotf(a->normal, b->normal) >= FLAT && !job->camera->pupil && lr_scene_texture_plane(job->tracer->scene, a->object, a->primitive, plane);
}

void lr_kinds_look(const lr_line_job *job, int half, int i, float scale, int looks)
{
    lr_kind *k = first_of(&job->work->settle, half, i);
    k->scale = (k->scale + scale)*(float)k->seen/(float)(k->seen + looks);
}

int lr_kinds_mark(const lr_line_job *job, int i, float common, float most_e2)
{
    lr_settle *s = &job->work->settle;
    const float n = (float)s->pairs[i];
    int any = 0;
    for (int half = 0; half < 2; half++)
        for (lr_kind *k = first_of(s, half, i); k; k = after(s, k)) {
            const int much = variance_of(k, common, n) > most_e2;
            k->more = (uint8_t)(much || !(k->even && job->known));
            any |= much;
        }
    return any;
}

// ---- means ------------------------------------------------------------------------------------------------------------------

void lr_kinds_take_means(const lr_line_job *job)
{
    lr_work *work = job->work;
    lr_settle *s = &work->settle;
    memset(work->sums, 0, LR_PARTS*LR_CHUNK_PIXELS*sizeof *work->sums);
    for (int i = 0; i < job->count; i++) {
        float lit = 0.0f;
        for (int half = 0; half < 2; half++)
            for (const lr_kind *k = first_of(s, half, i); k; k = after(s, k)) {
                const float share = 0.5f/(float)s->pairs[i], weight = k->part_scale > 0.0f ? share*k->scale/k->part_scale : 0.0f;
                for (int part = 0; part < LR_PARTS; part++)
                    work->sums[part*LR_CHUNK_PIXELS + i] += weight*k->total[part];
                lit += share*(float)k->seen*(float)k->lit/(float)k->rendered;
            }
        if (!job->camera->pupil)
            work->lit[i] = (lr_lit){(uint16_t)(LIT_PARTS*lit + 0.5f), LIT_PARTS};
    }
}
