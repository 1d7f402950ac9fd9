// SPDX-License-Identifier: Apache-2.0
// A pixel and its exposure are cut into parts: each has its own place in the pixel, on the pupil and in time, and one camera ray that serves
// direct laser and ambient light alike. Parts come in pairs, one for each half of the pixel along the line, in either half of the exposure.
// How far the two halves of a pair differ, pooled with the neighbours', tells the error of their mean; where it is above the noise ratio's share
// of the sensor's own noise, or where parts see different things and that matters, more pairs follow, twice as many each time: only so many are spread
// evenly. Of these only some are rendered, see kinds.h. (Stopping by what was drawn pulls the mean a little: 0.08 % down in the room of tests/test_parts.c.)
// The central ray stands for all where one part is asked.
#include <math.h>
#include <string.h>

#include "core/anglef.h"
#include "core/wide.h"
#include "trace/kinds.h"

#define EDGE_PAIRS 4           // pairs, at least, where parts of a pixel or of its neighbours meet different things that matter
#define EDGE_SHARE 0.25f       // of their difference: about the error of one pair
#define FLAT_PAIRS 4           // so many that all see one flat piece: no more of them for its texture's sake
#define COVER_PAIRS 2          // times the most samples: pairs that are looked at, at most
#define POOL_REACH 3           // pixels on either side whose pairs tell of the error too
#define CONFIDENCE 0.5f        // errors are below twice their standard deviation in 95 % of cases

enum { DIM_PLACE = 0x706c6163, DIM_MOMENT = 0x6d6f6d65, DIM_PUPIL_HALF = 0x70757068 };

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

// Where the parts are in their pixels: two numbers 2 k and 2 k + 1 lie in different halves both ways, but which is in which is left to chance.
LR_WIDE_WHOLE static void place_parts(const lr_part_batch *b, uint32_t line_seed, uint32_t first, uint32_t pair)
{
    const float low = b->low;
    for (int k = 0; k < b->count; k++) {
        const uint32_t key = lr_hash(lr_hash(line_seed, first + (uint32_t)b->pixel[k]), DIM_PLACE);
        float along, across, other_along, other_across;
        lr_sobol2(2*pair, key, &along, &across);
        lr_sobol2(2*pair + 1, key, &other_along, &other_across);
        const int here = (along >= 0.5f) == (low > 0.0f);
        b->along[k] = here ? along : other_along;
        b->across[k] = (here ? across : other_across) - 0.5f;
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
    place_parts(b, job->seed, (uint32_t)job->first, pair);
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

static void note_sight(const lr_line_job *job, int half)
{
    const lr_part_batch *b = &job->work->part;
    const lr_rays *rays = &job->work->rays;
    for (int k = 0; k < b->count; k++) {
        lr_sight *s = &job->work->settle.sight[half][b->pixel[k]];
        *s = (lr_sight){.object = rays->object[k], .normal = lr_rays_normal(rays, k)};
    }
}

// Half a pair of the pixels that want one.
static void render_half(const lr_line_job *job, int number)
{
    lr_work *work = job->work;
    cut_part(job, number);
    trace_part(job);
    lr_kinds_count(job);
    lr_kinds_pick(job);
    if (work->part.count == 0)
        return;
    memset(work->sums, 0, LR_PARTS*LR_CHUNK_PIXELS*sizeof *work->sums);
    if (!job->camera->pupil)
        memset(work->lit, 0, LR_CHUNK_PIXELS*sizeof *work->lit);
    note_sight(job, number & 1);
    lr_direct_laser(job);
    lr_ambient_paths(job);
    lr_kinds_add(job);
}

// Electrons between two neighbouring halves of pixels, if they see different things.
static float jump_between(const lr_settle *s, int half, int i, int other_half, int other)
{
    return lr_sights_differ(&s->sight[half][i], &s->sight[other_half][other]) ? fabsf(s->electrons[half][i] - s->electrons[other_half][other]) : 0.0f;
}

// An edge that runs along the line is met by few parts: those of the pixels before and after tell of it too.
static void note_jumps(const lr_line_job *job)
{
    lr_settle *s = &job->work->settle;
    memset(s->jump, 0, sizeof s->jump);
    for (int i = 0; i < job->count; i++) {
        const float inside = jump_between(s, 0, i, 1, i), end = i + 1 < job->count ? jump_between(s, 1, i, 0, i + 1) : 0.0f;
        s->jump[i] = lr_maxf(s->jump[i], lr_maxf(inside, end));
        if (i > 0)
            s->jump[i - 1] = lr_maxf(s->jump[i - 1], inside);
        if (i + 1 < job->count)
            s->jump[i + 1] = lr_maxf(inside, end);
    }
}

static void count_pair(const lr_line_job *job, int count, int pairs)
{
    lr_settle *s = &job->work->settle;
    for (int k = 0; k < count; k++) {
        const int i = s->list[k];
        const float off = 0.5f*(s->ambient[0][i] - s->ambient[1][i]);
        s->pairs[i] = pairs;
        if (s->rendered[0][i] != pairs || s->rendered[1][i] != pairs)
            continue;
        s->square[i] += off*off;
        s->squares[i]++;
    }
}

// ---- enough? --------------------------------------------------------------------------------------------------------------

// Variance of the mean of a pixel's pairs rendered, pooled with that of others near by that see the same. The fewer there are, the more a pixel's own pairs
// decide, and those that happen to be dark differ little and stop: with one on either side the mean was 0.26 % low.
static float pooled(const lr_settle *s, int i, int count)
{
    float sum = 0.0f, weight = 0.0f;
    for (int j = i > POOL_REACH ? i - POOL_REACH : 0; j <= i + POOL_REACH && j < count; j++) {
        if (lr_sights_differ(&s->sight[0][i], &s->sight[0][j]))
            continue;
        sum += s->square[j]/((float)s->squares[j]*(float)s->squares[j]);
        weight += 1.0f;
    }
    return sum/weight;
}

float lr_parts_most_e2(const lr_line_job *job, float light)
{
    const float aim = CONFIDENCE*(float)job->tracer->def.noise_ratio;
    return aim*aim*(job->camera->floor_e2 + light);
}

static int unsettled(const lr_line_job *job, int i)
{
    const lr_settle *s = &job->work->settle;
    const lr_trace_def *def = &job->tracer->def;
    lr_kinds_error error = lr_kinds_tell(job, i);
    const float most_e2 = lr_parts_most_e2(job, error.light), jump = EDGE_SHARE*s->jump[i];
    lr_texture_plane plane;
    const int any = lr_kinds_mark(job, i, error.common, 0.25f*most_e2);
    if (s->pairs[i] < EDGE_PAIRS && jump*jump > most_e2)
        return 1;
    if (lr_kinds_plain(job, i) || s->pairs[i] == 1)
        return s->pairs[i] < def->most_samples/2 && pooled(s, i, job->count) > most_e2;
    if (!(error.shares + error.within > most_e2))
        return 0;
    if (s->pairs[i] >= FLAT_PAIRS && lr_kinds_flat(job, i, &plane)) {
        error.shares = 0.0f;   // looks at its plane will tell the mean factor
        if (!(error.within > most_e2))
            return 0;
    }
    return s->pairs[i] < def->most_samples/2 ? any || error.shares > 0.5f*most_e2 : s->pairs[i] < COVER_PAIRS*def->most_samples && error.shares > 0.5f*most_e2;
}

// Of the first `count` pixels of the list those that want more; returns how many.
static int choose_pixels(const lr_line_job *job, int count)
{
    lr_settle *s = &job->work->settle;
    int left = 0;
    for (int k = 0; k < count; k++)
        if (unsettled(job, s->list[k]))
            s->list[left++] = s->list[k];
    return left;
}

static void list_into_batch(const lr_line_job *job, int count)
{
    lr_work *work = job->work;
    work->part.count = count;
    memcpy(work->part.pixel, work->settle.list, (size_t)count*sizeof *work->part.pixel);
}

static void render_pairs(const lr_line_job *job)
{
    lr_settle *s = &job->work->settle;
    const int least = job->tracer->def.samples > 1 ? job->tracer->def.samples/2 : 1;
    int count = job->count;
    lr_kinds_clear(job);
    memset(s->sun, 0, sizeof s->sun);
    memset(s->square, 0, sizeof s->square);
    memset(s->squares, 0, sizeof s->squares);
    for (int i = 0; i < count; i++)
        s->list[i] = i;
    for (int pairs = 1; count > 0; pairs++) {
        for (int half = 0; half < 2; half++) {
            list_into_batch(job, count);
            render_half(job, 2*pairs - 2 + half);
        }
        count_pair(job, count, pairs);
        if (pairs < least || (pairs > least && (pairs & (pairs - 1)) != 0))
            continue;
        if (pairs == least)
            note_jumps(job);
        count = job->tracer->def.noise_ratio > 0.0 ? choose_pixels(job, count) : 0;
    }
    if (job->tracer->def.noise_ratio > 0.0)
        lr_look_closer(job);
    lr_kinds_take_means(job);
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
    if (alone)
        lr_ambient_paths(job);
    else
        render_pairs(job);
}
