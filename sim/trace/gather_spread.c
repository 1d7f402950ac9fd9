// SPDX-License-Identifier: Apache-2.0
// How far around a point light hardly changes depends on how near that comes from which lights it, whatever else is near: the average of
// each source's light reaches over a part of the mean distance, weighed by light, to what sends it.
#include "trace/gather_spread.h"

#include <math.h>
#include <string.h>

#include "core/thread.h"
#include "trace/gather_look.h"

#define SPREAD_REACH 0.25f       // averaged within this share of the mean distance to where the light comes from
#define SPREAD_ANGLE 0.118f      // and within this angle as seen from the head [rad]
#define SPREAD_CELLS 12          // and this many cells
#define SPREAD_MOST ((2*SPREAD_CELLS + 1)*(2*SPREAD_CELLS + 1))
#define RING_CELLS 3             // within so many cells that distance, and the noise of paths, are taken as one
#define LEAST_CELLS 2.0f         // but over at least so many cells
#define CONFIDENCE 2.0f          // errors are below twice their standard deviation in 95 % of cases

typedef struct neighbour { int record; float d2; } neighbour;

typedef struct around {          // a record
    int count;
    neighbour near[SPREAD_MOST]; // on the same surface, itself with d2 = 0
    int ring_count;
    int ring[(2*RING_CELLS + 1)*(2*RING_CELLS + 1)];   // on whatever surface
    int alike[(2*RING_CELLS + 1)*(2*RING_CELLS + 1)];  // of those: on the same one
} around;

static int same_surface(const lr_gather *g, int a, int b, float *d2)
{
    return g->record[a].coat == g->record[b].coat &&
           lr_gather_same_surface(g->record[a].point, g->record[a].normal, g->record[b].point, g->record[b].normal, d2);
}

static void look_around_row(const lr_gather *g, int i, int row, int cells, int middle, int near_row, around *a)
{
    const int first = g->first_cell[row], n = g->first_cell[row + 1] - first, whole = 2*cells + 1 >= n;  // near the poles all of the row, once
    for (int k = whole ? 0 : middle - cells; k <= (whole ? n - 1 : middle + cells); k++) {
        const int j = g->cell[first + (k + n) % n];
        neighbour other = {j, 0.0f};
        if (j < 0)
            continue;
        const int same = j == i || same_surface(g, i, j, &other.d2);
        if (near_row && k >= middle - RING_CELLS && k <= middle + RING_CELLS) {
            a->alike[a->ring_count] = same;
            a->ring[a->ring_count++] = j;
        }
        if (same)
            a->near[a->count++] = other;
    }
}

static void look_around(const lr_gather *g, int i, int row, int column, around *a)
{
    const int cells = (int)floorf(fminf(SPREAD_CELLS, SPREAD_ANGLE*(float)g->rows/(float)LR_PI + 0.5f)), columns = g->first_cell[row + 1] - g->first_cell[row];
    a->count = a->ring_count = 0;
    for (int r = row - cells > 0 ? row - cells : 0; r <= row + cells && r < g->rows; r++) {
        const int n = g->first_cell[r + 1] - g->first_cell[r];
        look_around_row(g, i, r, cells, (int)((column + 0.5)*n/columns), r >= row - RING_CELLS && r <= row + RING_CELLS, a);
    }
}

// Mean distance to what sends light of a source; to what is there at all if none came from a known distance.
static float reach_of(const lr_spread *s, int i, const around *a, int source, int sources)
{
    float light = 0.0f, over_m = 0.0f;
    for (int k = 0; k < a->ring_count; k++) {
        const lr_gather_near *near = &s->near[(size_t)a->ring[k]*(size_t)sources + (size_t)source];
        light += a->alike[k] ? near->light : 0.0f;
        over_m += a->alike[k] ? near->over_m : 0.0f;
    }
    return over_m > 0.0f ? light/over_m : s->gather->record[i].reach;
}

static void weigh(const lr_spread *s, int i, const around *a, float reach, float weight[SPREAD_MOST])
{
    const lr_vec3f to = lr_subf(s->gather->record[i].point, s->gather->center);
    const float cell_m = sqrtf(lr_dotf(to, to))*(float)LR_PI/(float)s->gather->rows, spread = fmaxf(SPREAD_REACH*reach, LEAST_CELLS*cell_m + 1e-4f), inverse = 1.0f/(spread*spread);
    float total = 0.0f;
    for (int k = 0; k < a->count; k++) {
        weight[k] = fmaxf(1.0f - a->near[k].d2*inverse, 0.0f)*(float)s->paths[a->near[k].record];
        total += weight[k];
    }
    for (int k = 0; k < a->count; k++)
        weight[k] /= total;
}

static void average_source(const lr_spread *s, int i, const around *a, const float *weight, int source, int bins)
{
    const lr_gather *g = s->gather;
    const int first = source*bins;
    float *sum = g->irradiance + (size_t)i*(size_t)g->values + first, *error = g->error + (size_t)i*(size_t)g->values + first;
    memset(sum, 0, (size_t)bins*sizeof *sum);
    memset(error, 0, (size_t)bins*sizeof *error);
    for (int k = 0; k < a->count; k++) {
        const float *half = s->raw + 2*(size_t)a->near[k].record*(size_t)g->values + first, *other = half + g->values;
        for (int b = 0; b < bins; b++) {
            sum[b] += weight[k]*(half[b] + other[b]);
            error[b] += weight[k]*(half[b] - other[b]);
        }
    }
}

// ---- how many paths a point wants --------------------------------------------------------------------------------------------

static const lr_gather_view *view_of(const lr_spread *s, int i)
{
    const lr_vec3f to = lr_subf(s->gather->record[i].point, s->gather->center);
    return &s->view[lr_gather_view_of(s->tracer->rig, lr_unit(lr_v3((double)to.x, (double)to.y, (double)to.z)))];
}

static const float *response_of(const lr_gather_view *view, int source, int bins)
{
    return view->camera->ambient_response + ((size_t)source*(size_t)view->camera->pixels + (size_t)view->pixel)*(size_t)bins;
}

// Of one record.
static void note_own(const lr_spread *s, int i, int sources, int bins)
{
    const lr_gather_view *view = view_of(s, i);
    for (int k = 0; k < sources; k++) {
        const float *half = s->raw + 2*(size_t)i*(size_t)s->gather->values + k*bins, *other = half + s->gather->values;
        lr_gather_own *own = &s->own[(size_t)i*(size_t)sources + (size_t)k];
        float e = 0.0f, off = 0.0f;
        for (int b = 0; view->camera && b < bins; b++) {
            e += response_of(view, k, bins)[b]*(half[b] + other[b]);
            off += response_of(view, k, bins)[b]*(half[b] - other[b]);
        }
        *own = (lr_gather_own){e, off*off*(float)s->paths[i]};
    }
}

// Variance of one source's average [e^2], which holds e electrons. Where few neighbours help, the differences of their halves are too few to go by: so half of it is
// what paths scatter all around, on whatever surface.
static float variance_of(const lr_spread *s, const around *a, const float *weight, int source, int sources, float e)
{
    float here = 0.0f, paths = 0.0f, variance = 0.0f, square = 0.0f;
    for (int k = 0; k < a->count; k++) {
        const int j = a->near[k].record;
        const float w2 = weight[k]*weight[k]/(float)s->paths[j];
        here += w2*s->own[(size_t)j*(size_t)sources + (size_t)source].path_variance;
        paths += w2;
    }
    for (int k = 0; k < a->ring_count; k++) {
        const lr_gather_own *own = &s->own[(size_t)a->ring[k]*(size_t)sources + (size_t)source];
        variance += own->path_variance;
        square += own->e*own->e;
    }
    return 0.5f*(here + (square > 0.0f ? e*e*paths*variance/square : 0.0f));
}

// ---- all of it ----------------------------------------------------------------------------------------------------------------

static void spread_cell(const lr_spread *s, int i, int row, int column)
{
    const lr_gather *g = s->gather;
    const int sources = s->tracer->scene->source_count, bins = s->tracer->rig->bins.ambient_count;
    const lr_gather_view *view = s->want ? view_of(s, i) : NULL;
    float weight[SPREAD_MOST], light = 0.0f, variance = 0.0f;
    around a;
    look_around(g, i, row, column, &a);
    for (int k = 0; k < sources; k++) {
        float e = 0.0f;
        weigh(s, i, &a, reach_of(s, i, &a, k, sources), weight);
        average_source(s, i, &a, weight, k, bins);
        if (!view || !view->camera)
            continue;
        for (int b = 0; b < bins; b++)
            e += response_of(view, k, bins)[b]*g->irradiance[(size_t)i*(size_t)g->values + k*bins + b];
        light += e;
        variance += variance_of(s, &a, weight, k, sources, e);
    }
    if (!view)
        return;
    const float share = g->record[i].share, aim = (float)s->tracer->def.noise_ratio;
    s->want[i] = view->camera ? CONFIDENCE*CONFIDENCE*share*share*variance/(aim*aim*(view->camera->floor_e2 + share*light)) : 0.0f;
}

static lr_status spread_row(void *context, int64_t row, int worker, lr_error *err)
{
    (void)worker;
    (void)err;
    const lr_spread *s = context;
    const lr_gather *g = s->gather;
    const int first = g->first_cell[row], end = g->first_cell[row + 1];
    for (int cell = first; cell < end; cell++)
        if (g->cell[cell] >= 0)
            spread_cell(s, g->cell[cell], (int)row, cell - first);
    return LR_OK;
}

lr_status lr_spread_average(const lr_spread *spread, int threads, lr_error *err)
{
    lr_spread s = *spread;
    for (int i = 0; s.want && i < s.gather->record_count; i++)
        note_own(&s, i, s.tracer->scene->source_count, s.tracer->rig->bins.ambient_count);
    LR_TRY(lr_threads_run(threads, s.gather->rows, spread_row, &s, err));
    lr_gather_lay_out(s.gather);
    return LR_OK;
}
