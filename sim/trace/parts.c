// SPDX-License-Identifier: Apache-2.0
// A pixel and its exposure are cut into parts: each has its own place in the pixel, on the pupil and in time, and one camera ray that serves
// direct laser and ambient light alike. Parts come in pairs, one for each half of the pixel along the line, in either half of the exposure.
// How far the two halves of a pair differ, pooled with the neighbours', tells the error of their mean; where it is above the noise ratio's share
// of the sensor's own noise, or where the halves see different things, more pairs follow. (Stopping by
// what was drawn pulls the mean a little: 0.2 % down in tests/test_parts.c.) The central ray stands for all where one part is asked.
#include <math.h>
#include <string.h>

#include "trace/work.h"

#include "core/wide.h"

#define EDGE_PAIRS 4           // pairs where the halves of a pixel meet different things, or the laser is half shadowed
#define SAME_SIDE 0.95f        // cosine between normals above which two hits on one object are alike
#define CONFIDENCE 0.5f        // errors are below twice their standard deviation in 95 % of cases

enum { DIM_HALF = 0x68616c66, DIM_MOMENT = 0x6d6f6d65, DIM_PUPIL_HALF = 0x70757068 };

// ---- one batch ------------------------------------------------------------------------------------------------------------

// All pixels whole, by their central rays, which lr_first_hits left in work->rays.
static void central_part(const lr_line_job *job)
{
    lr_part_batch *b = &job->work->part;
    *b = (lr_part_batch){.count = job->count, .tells_lit = 1, .high = 1.0f, .pixel = b->pixel, .along = b->along, .across = b->across, .pupil = b->pupil};
    for (int i = 0; i < job->count; i++) {
        b->pixel[i] = i;
        b->along[i] = 0.5f;
        b->across[i] = 0.0f;
        b->pupil[i] = lr_v3f(0.0f, 0.0f, 0.0f);
    }
}

// Where the parts are along their half and across the pixel.
LR_WIDE_WHOLE static void place_parts(const lr_part_batch *b, uint32_t line_seed, uint32_t first, uint32_t pair, uint32_t dim)
{
    const float low = b->low;
    for (int k = 0; k < b->count; k++) {
        float along, across;
        lr_sobol2(pair, lr_hash(lr_hash(line_seed, first + (uint32_t)b->pixel[k]), dim), &along, &across);
        b->along[k] = low + 0.5f*along;
        b->across[k] = across - 0.5f;
    }
}

static void place_on_pupil(const lr_line_job *job, const lr_part_batch *b, uint32_t number)
{
    for (int k = 0; k < b->count; k++) {
        const int pixel = job->first + b->pixel[k];
        float u = 0.0f, v = 0.0f;
        if (job->camera->pupil)
            lr_sobol2(number, lr_hash(lr_hash(job->seed, (uint32_t)pixel), DIM_PUPIL_HALF), &u, &v);
        b->pupil[k] = lr_job_pupil(job, pixel, u, v);
    }
}

// Part `number` of the pixels in b->pixel.
static void cut_part(const lr_line_job *job, int number)
{
    lr_part_batch *b = &job->work->part;
    const uint32_t half = (uint32_t)number & 1, pair = (uint32_t)number/2;
    float when, unused;
    lr_sobol2((uint32_t)number, lr_hash(job->seed, (uint32_t)DIM_MOMENT + (uint32_t)job->first), &when, &unused);
    b->number = number;
    b->tells_lit = !job->camera->pupil;
    b->low = 0.5f*(float)half;
    b->high = b->low + 0.5f;
    b->dt_s = (when - 0.5f)*(float)job->camera->def->exposure_s;
    place_parts(b, job->seed, (uint32_t)job->first, pair, (uint32_t)DIM_HALF + half);
    place_on_pupil(job, b, (uint32_t)number);
}

static void trace_part(const lr_line_job *job)
{
    const lr_part_batch *b = &job->work->part;
    lr_rays *rays = &job->work->rays;
    const lr_job_pose pose = lr_job_pose_at(job, b->dt_s);
    rays->count = b->count;
    for (int k = 0; k < b->count; k++)
        lr_job_pupil_ray(job, rays, k, lr_job_direction(job, job->first + b->pixel[k], b->along[k], b->across[k]), b->pupil[k], &pose);
    lr_work_intersect(job, rays, LR_RAYS_COHERENT, LR_RAY_CAMERA);
    lr_work_look_through(job, rays, LR_RAYS_COHERENT);
    lr_meet_surfaces(job, b->count);
}

// ---- pairs ----------------------------------------------------------------------------------------------------------------

static float *sums_of(const lr_line_job *job, int part) { return job->work->sums + part*LR_CHUNK_PIXELS; }

static void note_sight(const lr_line_job *job, int half)
{
    const lr_part_batch *b = &job->work->part;
    const lr_rays *rays = &job->work->rays;
    for (int k = 0; k < b->count; k++) {
        lr_sight *s = &job->work->settle.sight[half][b->pixel[k]];
        *s = (lr_sight){.object = rays->object[k], .normal = lr_rays_normal(rays, k)};
    }
}

// Renders half a pair into the work's sums, and adds half of them to the totals.
static void render_half(const lr_line_job *job, int number)
{
    lr_work *work = job->work;
    lr_settle *s = &work->settle;
    const int half = number & 1;
    memset(work->sums, 0, LR_PARTS*LR_CHUNK_PIXELS*sizeof *work->sums);
    cut_part(job, number);
    trace_part(job);
    note_sight(job, half);
    lr_direct_laser(job);
    lr_ambient_paths(job);
    for (int k = 0; k < work->part.count; k++) {
        const int i = work->part.pixel[k];
        s->ambient[half][i] = 0.0f;
        for (int part = 0; part < LR_PARTS; part++) {
            const float e = sums_of(job, part)[i];
            s->total[part][i] += 0.5f*e;
            s->ambient[half][i] += part == LR_PART_DIRECT ? 0.0f : e;
        }
    }
}

static void count_pair(const lr_line_job *job)
{
    lr_settle *s = &job->work->settle;
    for (int k = 0; k < job->work->part.count; k++) {
        const int i = job->work->part.pixel[k];
        const float off = 0.5f*(s->ambient[0][i] - s->ambient[1][i]);
        const lr_sight *a = &s->sight[0][i], *b = &s->sight[1][i];
        s->square[i] += off*off;
        s->pairs[i]++;
        s->edge[i] |= a->object != b->object || a->blocked != b->blocked || (a->object >= 0 && lr_dotf(a->normal, b->normal) < SAME_SIDE);
    }
}

// Variance of the mean of a pixel's pairs, pooled with its neighbours'.
static float pooled(const lr_settle *s, int i, int count)
{
    float sum = 0.0f, weight = 0.0f;
    for (int j = i > 0 ? i - 1 : 0; j <= i + 1 && j < count; j++) {
        sum += s->square[j]/((float)s->pairs[j]*(float)s->pairs[j]);
        weight += 1.0f;
    }
    return sum/weight;
}

static int unsettled(const lr_line_job *job, int i)
{
    const lr_settle *s = &job->work->settle;
    const float aim = CONFIDENCE*(float)job->tracer->def.noise_ratio;
    float light = 0.0f;
    if (s->edge[i] && s->pairs[i] < EDGE_PAIRS)
        return 1;
    for (int part = 0; part < LR_PARTS; part++)
        light += s->total[part][i];
    return pooled(s, i, job->count) > aim*aim*(job->camera->floor_e2 + light/(float)s->pairs[i]);
}

// Leaves in the batch the pixels that want another pair.
static void choose_pixels(const lr_line_job *job, int pairs)
{
    lr_part_batch *b = &job->work->part;
    const lr_trace_def *def = &job->tracer->def;
    const int least = def->samples/2, most = def->noise_ratio > 0.0 ? def->most_samples/2 : least;
    int count = 0;
    if (pairs < least)
        return;
    for (int k = 0; k < b->count && pairs < most; k++)
        if (unsettled(job, b->pixel[k]))
            b->pixel[count++] = b->pixel[k];
    b->count = count;
}

static void take_means(const lr_line_job *job)
{
    const lr_settle *s = &job->work->settle;
    memset(job->work->sums, 0, LR_PARTS*LR_CHUNK_PIXELS*sizeof *job->work->sums);
    for (int part = 0; part < LR_PARTS; part++)
        for (int i = 0; i < job->count; i++)
            sums_of(job, part)[i] = s->total[part][i]/(float)s->pairs[i];
}

void lr_render_parts(const lr_line_job *job)
{
    lr_work *work = job->work;
    const int alone = job->tracer->def.samples == 1 && !(job->tracer->def.noise_ratio > 0.0) && !job->camera->pupil;
    memset(work->sums, 0, LR_PARTS*LR_CHUNK_PIXELS*sizeof *work->sums);
    memset(work->lit, 0, LR_CHUNK_PIXELS*sizeof *work->lit);
    central_part(job);
    if (alone || job->camera->pupil)
        lr_direct_laser(job);   // with a focus only to know what is lit: truth is that of the central ray
    if (alone) {
        lr_ambient_paths(job);
        return;
    }
    memset(&work->settle, 0, sizeof work->settle);
    for (int pairs = 0; work->part.count > 0; choose_pixels(job, ++pairs)) {
        render_half(job, 2*pairs);
        render_half(job, 2*pairs + 1);
        count_pair(job);
    }
    take_means(job);
}
