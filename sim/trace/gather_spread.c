// SPDX-License-Identifier: Apache-2.0
// How far around a point light hardly changes depends on how near that comes from which lights it, whatever else is near: the average of
// each source's light reaches over a part of the mean distance, weighed by light, to what sends it.
// Neighbours are held by rows of the grid: one lane a column, so that loops over lanes become vectors and sums keep their order.
#include "trace/gather_spread.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core/thread.h"
#include "core/wide.h"
#include "trace/gather_look.h"
#include "trace/gather_window.h"

#define SPREAD_ANGLE 0.118f      // averaged within this angle as seen from the head [rad]
#define SPREAD_CELLS LR_WINDOW_MARGIN   // and this many cells
#define SPREAD_ROWS (2*SPREAD_CELLS + 1)
#define LANES LR_WINDOW_LANES
#define RING_CELLS 3             // within so many cells that distance, and the noise of paths, are taken as one
#define LEAST_CELLS 2.0f         // but over at least so many cells
#define CONFIDENCE 2.0f          // errors are below twice their standard deviation in 95 % of cases
#define WIDTHS 3                 // of averages, each half the one before
#define AGREE 3.0f               // standard deviations
#define BAND_ROWS 16             // of one job
#define RULE 1e-3                // of balancing: added to the spread of neighbours along the surface, in squares of the reach

typedef struct around {          // a point
    int rows, own_row;           // its own is one of them
    int at[SPREAD_ROWS];         // where lane 0 of each row of neighbours stands in a plane
    int count[SPREAD_ROWS];      // lanes that count
    float d2[SPREAD_ROWS][LANES];   // to those on the same surface; INFINITY
    float u[SPREAD_ROWS][LANES], v[SPREAD_ROWS][LANES];   // how far along the surface, two ways
    int ring_count;
    int ring[(2*RING_CELLS + 1)*(2*RING_CELLS + 1)];   // near ones on whatever surface: where they stand in a plane
    int alike[(2*RING_CELLS + 1)*(2*RING_CELLS + 1)];  // of those: on the same one
} around;

typedef struct sums { float here, paths; float value[LR_MAX_GATHERED], difference[LR_MAX_GATHERED]; } sums;   // of one source's bins

// ---- who is near ----------------------------------------------------------------------------------------------------------

// Squared distance from the point that stands at `own` to those of each row, where lr_gather_same_surface says so.
LR_WIDE_WHOLE static void find_distances(const lr_gather_window *w, int own, float least_cosine, around *restrict a)
{
    const float *restrict x = lr_window_point(w, LR_PLANE_X), *restrict y = lr_window_point(w, LR_PLANE_Y), *restrict z = lr_window_point(w, LR_PLANE_Z);
    const float *restrict nx = lr_window_point(w, LR_PLANE_NX), *restrict ny = lr_window_point(w, LR_PLANE_NY), *restrict nz = lr_window_point(w, LR_PLANE_NZ);
    const float *restrict coat = lr_window_point(w, LR_PLANE_COAT), its_coat = coat[own];
    const lr_vec3f point = lr_v3f(x[own], y[own], z[own]), normal = lr_v3f(nx[own], ny[own], nz[own]);
    const lr_frame3f frame = lr_frame_aroundf(normal);
    for (int r = 0; r < a->rows; r++) {
        const int at = a->at[r];
        float *restrict d2 = a->d2[r], *restrict u = a->u[r], *restrict v = a->v[r];
        for (int k = 0; k < LANES; k++) {
            float distance2;
            const int same = lr_gather_same_surface(point, normal, lr_v3f(x[at + k], y[at + k], z[at + k]), lr_v3f(nx[at + k], ny[at + k], nz[at + k]), least_cosine, &distance2);
            const lr_vec3f to = lr_v3f(x[at + k] - point.x, y[at + k] - point.y, z[at + k] - point.z);
            u[k] = lr_dotf(frame.x, to);
            v[k] = lr_dotf(frame.y, to);
            d2[k] = (same & (coat[at + k] == its_coat) & (k < a->count[r])) ? distance2 : INFINITY;
        }
    }
}

static void look_around(const lr_gather_window *w, const lr_gather *g, int row, int column, around *a)
{
    const int cells = (int)floorf(fminf(SPREAD_CELLS, SPREAD_ANGLE*(float)g->rows/(float)LR_PI + 0.5f)), columns = g->first_cell[row + 1] - g->first_cell[row];
    const float *coat = lr_window_point(w, LR_PLANE_COAT);
    int middle[SPREAD_ROWS], first[SPREAD_ROWS];
    const int first_row = row - cells > 0 ? row - cells : 0;
    a->rows = a->ring_count = 0;
    a->own_row = row - first_row;
    for (int r = first_row; r <= row + cells && r < g->rows; r++, a->rows++) {
        const int n = g->first_cell[r + 1] - g->first_cell[r], whole = 2*cells + 1 >= n;   // near the poles all of the row, once
        middle[a->rows] = (int)((column + 0.5)*n/columns);
        first[a->rows] = whole ? 0 : middle[a->rows] - cells;
        a->count[a->rows] = whole ? n : 2*cells + 1;
        a->at[a->rows] = w->column0[r - w->first_row] + first[a->rows];
    }
    find_distances(w, w->column0[row - w->first_row] + column, g->record[g->cell[g->first_cell[row] + column]].average_cosine, a);
    for (int r = 0; r < a->rows; r++)
        for (int k = middle[r] - RING_CELLS - first[r]; abs(first_row + r - row) <= RING_CELLS && k <= middle[r] + RING_CELLS - first[r]; k++) {
            if (k < 0 || k >= a->count[r] || coat[a->at[r] + k] < 0.0f)
                continue;
            a->alike[a->ring_count] = a->d2[r][k] < INFINITY;
            a->ring[a->ring_count++] = a->at[r] + k;
        }
}

// Mean distance to what sends light of a source; `reach` if none came from a known distance.
static float reach_of(const lr_gather_window *w, const around *a, int source, float reach)
{
    const float *near_light = lr_window_source(w, source, LR_PLANE_LIGHT), *near_over_m = lr_window_source(w, source, LR_PLANE_OVER_M);
    float light = 0.0f, over_m = 0.0f;
    for (int k = 0; k < a->ring_count; k++) {
        light += a->alike[k] ? near_light[a->ring[k]] : 0.0f;
        over_m += a->alike[k] ? near_over_m[a->ring[k]] : 0.0f;
    }
    return over_m > 0.0f ? light/over_m : reach;
}

// ---- averaging ------------------------------------------------------------------------------------------------------------

static float sum_of(const float lane[LANES])
{
    float sum = 0.0f;
    for (int k = 0; k < LANES; k++)
        sum += lane[k];
    return sum;
}

// What to multiply weights by, 1 and how far along, so that they sum up to 1 and no way is leaned to: light that changes evenly is then averaged to what it
// is here, also where all neighbours lie to one side. Ruled by a little where they do not tell.
// Source: Fan & Gijbels, Local Polynomial Modelling and Its Applications (1996), ch. 3.
static void balance(const float moment[6], float spread2, float factor[3])
{
    const double s = (double)moment[0], u = (double)moment[1], v = (double)moment[2], rule = RULE*s*(double)spread2;
    const double uu = (double)moment[3] + rule, uv = (double)moment[4], vv = (double)moment[5] + rule;
    const double cu = uv*v - vv*u, cv = uv*u - uu*v, all = uu*vv - uv*uv, scale = 1.0/(s*all + u*cu + v*cv);
    factor[0] = (float)(all*scale);
    factor[1] = (float)(cu*scale);
    factor[2] = (float)(cv*scale);
}

// Weighs neighbours by paths, less towards the end of the reach, into `weight` (rows x lanes).
LR_WIDE_WHOLE static void weigh_around(const lr_gather_window *w, const around *restrict a, float spread2, int low, int high, float weight[SPREAD_ROWS][LANES])
{
    const float *restrict paths = lr_window_point(w, LR_PLANE_PATHS), inverse = 1.0f/spread2;
    float lane[6][LANES] = {{0.0f}}, moment[6], factor[3];
    for (int r = low; r < high; r++)
        for (int k = 0; k < LANES; k++) {
            const float one = lr_maxf(1.0f - a->d2[r][k]*inverse, 0.0f)*paths[a->at[r] + k], u = one > 0.0f ? a->u[r][k] : 0.0f, v = one > 0.0f ? a->v[r][k] : 0.0f;
            weight[r][k] = one;
            lane[0][k] += one;
            lane[1][k] += one*u;
            lane[2][k] += one*v;
            lane[3][k] += one*u*u;
            lane[4][k] += one*u*v;
            lane[5][k] += one*v*v;
        }
    for (int m = 0; m < 6; m++)
        moment[m] = sum_of(lane[m]);
    balance(moment, spread2, factor);
    for (int r = low; r < high; r++)
        for (int k = 0; k < LANES; k++)
            weight[r][k] *= factor[0] + factor[1]*a->u[r][k] + factor[2]*a->v[r][k];
}

// Sums of one source's light over neighbours nearer than `spread`, which are in so many rows.
LR_WIDE_WHOLE static void add_around(const lr_gather_window *w, const around *restrict a, float spread, int rows, int source, int bins, sums *restrict out)
{
    const int low = a->own_row - rows > 0 ? a->own_row - rows : 0, high = a->own_row + rows + 1 < a->rows ? a->own_row + rows + 1 : a->rows;
    const float *restrict paths = lr_window_point(w, LR_PLANE_PATHS), *restrict variance = lr_window_source(w, source, LR_PLANE_OWN_VARIANCE);
    float weight[SPREAD_ROWS][LANES], here[LANES] = {0.0f}, square[LANES] = {0.0f};
    weigh_around(w, a, spread*spread, low, high, weight);
    for (int r = low; r < high; r++)
        for (int k = 0; k < LANES; k++) {
            const float one = weight[r][k]*weight[r][k]/lr_maxf(paths[a->at[r] + k], 1.0f);
            square[k] += one;
            here[k] += one*variance[a->at[r] + k];
        }
    for (int b = 0; b < bins; b++) {
        const float *restrict sum = lr_window_sum(w, source*bins + b), *restrict difference = lr_window_difference(w, source*bins + b);
        float all[LANES] = {0.0f}, off[LANES] = {0.0f};
        for (int r = low; r < high; r++)
            for (int k = 0; k < LANES; k++) {
                all[k] += weight[r][k]*sum[a->at[r] + k];
                off[k] += weight[r][k]*difference[a->at[r] + k];
            }
        out->value[b] = sum_of(all);
        out->difference[b] = sum_of(off);
    }
    out->paths = sum_of(square);
    out->here = sum_of(here);
}

// Variance of one source's average [e^2], which holds e electrons. Where few neighbours help, the differences of their halves are too few to go by: so half of it is
// what paths scatter all around, on whatever surface.
static float variance_of(const lr_gather_window *w, const around *a, const sums *s, int source, float e)
{
    const float *own_variance = lr_window_source(w, source, LR_PLANE_OWN_VARIANCE), *own_e = lr_window_source(w, source, LR_PLANE_OWN_E);
    float variance = 0.0f, square = 0.0f;
    for (int k = 0; k < a->ring_count; k++) {
        variance += own_variance[a->ring[k]];
        square += own_e[a->ring[k]]*own_e[a->ring[k]];
    }
    return 0.5f*(s->here + (square > 0.0f ? e*e*s->paths*variance/square : 0.0f));
}

static float electrons_of(const sums *s, int bins, const float *response)
{
    float e = 0.0f;
    for (int b = 0; b < bins; b++)
        e += (response ? response[b] : 1.0f)*s->value[b];
    return e;
}

// The widest average up to `spread` that agrees with those over less: where shadows of what is near change the light within the reach, the narrower ones tell.
// What paths scatter is taken from the widest for all: judged by its own, a narrow one that missed rare bright paths would be trusted, and light be lost.
// Source: Lepski, On a Problem of Adaptive Estimation in Gaussian White Noise, Theory Probab. Appl. 35 (1991), from memory: for the rule.
static void average_widely(const lr_gather_window *w, const around *a, float spread, float least, float cell_m, int source, int bins, const float *response, sums *out)
{
    sums at[WIDTHS];
    float width[WIDTHS] = {spread}, low = -INFINITY, high = INFINITY;
    int count = 1, chosen;
    for (; count < WIDTHS && width[count - 1] > least; count++)
        width[count] = lr_maxf(0.5f*width[count - 1], least);
    for (int k = 0; k < count; k++)
        add_around(w, a, width[k], 1 + (int)ceilf(width[k]/cell_m), source, bins, &at[k]);
    const float scatter = at[0].paths > 0.0f ? at[0].here/at[0].paths : 0.0f;   // variance of one path
    for (chosen = count; chosen > 0; chosen--) {
        const float e = electrons_of(&at[chosen - 1], bins, response), off = AGREE*sqrtf(lr_maxf(scatter*at[chosen - 1].paths, 0.0f));
        if (!(e >= low && e <= high))
            break;
        low = lr_maxf(low, e - off);
        high = lr_minf(high, e + off);
    }
    *out = at[chosen];
}

// One source's average at record i; adds its electrons and their variance where a camera looks and they are wanted.
static void average_source(const lr_spread *s, const lr_gather_window *w, const around *a, int i, int source, const lr_gather_view *view, float *light, float *variance)
{
    const lr_gather *g = s->gather;
    const int bins = s->tracer->rig->bins.ambient_count;
    const lr_vec3f to = lr_subf(g->record[i].point, g->center);
    const float cell_m = sqrtf(lr_dotf(to, to))*(float)LR_PI/(float)g->rows;
    const float reach = reach_of(w, a, source, g->record[i].reach), moving = reach/(1.0f + reach*g->record[i].eye_per_m);
    const float least = LEAST_CELLS*cell_m + 1e-4f, spread = lr_maxf(g->record[i].part*moving, least);
    const float *response = lr_spread_response(s, view, source);
    float *mean = g->irradiance + (size_t)i*(size_t)g->values + source*bins, *error = g->error + (size_t)i*(size_t)g->values + source*bins;
    sums sum;
    average_widely(w, a, spread, least, cell_m, source, bins, response, &sum);
    for (int b = 0; b < bins; b++) {
        sum.value[b] = lr_maxf(sum.value[b], 0.0f);   // what falls off evenly may end below, where the light does not
        mean[b] = sum.value[b];
        error[b] = sum.difference[b];
    }
    if (!response || !s->want)
        return;
    const float e = electrons_of(&sum, bins, response);
    *light += e;
    *variance += variance_of(w, a, &sum, source, e);
}

static void spread_cell(const lr_spread *s, const lr_gather_window *w, int i, int row, int column)
{
    const lr_gather_view *view = lr_spread_view(s, i);
    float light = 0.0f, variance = 0.0f;
    around a;
    look_around(w, s->gather, row, column, &a);
    for (int k = 0; k < w->sources; k++)
        average_source(s, w, &a, i, k, view, &light, &variance);
    if (!s->want)
        return;
    const float share = s->gather->record[i].share, aim = (float)s->tracer->def.noise_ratio;
    s->want[i] = view->camera ? CONFIDENCE*CONFIDENCE*share*share*variance/(aim*aim*(view->camera->floor_e2 + share*light)) : 0.0f;
}

// ---- all of it ----------------------------------------------------------------------------------------------------------------

typedef struct bands { const lr_spread *spread; lr_gather_window *window; } bands;   // (threads)

static lr_status spread_band(void *context, int64_t band, int worker, lr_error *err)
{
    (void)err;
    const bands *c = context;
    const lr_gather *g = c->spread->gather;
    lr_gather_window *w = &c->window[worker];
    const int first = (int)band*BAND_ROWS, end = first + BAND_ROWS < g->rows ? first + BAND_ROWS : g->rows;
    lr_gather_window_fill(w, c->spread, first - SPREAD_CELLS > 0 ? first - SPREAD_CELLS : 0, end + SPREAD_CELLS < g->rows ? end + SPREAD_CELLS : g->rows);
    for (int row = first; row < end; row++)
        for (int cell = g->first_cell[row]; cell < g->first_cell[row + 1]; cell++)
            if (g->cell[cell] >= 0)
                spread_cell(c->spread, w, g->cell[cell], row, cell - g->first_cell[row]);
    return LR_OK;
}

lr_status lr_spread_average(const lr_spread *spread, int threads, lr_error *err)
{
    bands c = {spread, calloc((size_t)threads, sizeof *c.window)};
    lr_status status = c.window ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    for (int i = 0; status == LR_OK && i < threads; i++)
        status = lr_gather_window_create(spread, BAND_ROWS + 2*SPREAD_CELLS, &c.window[i], err);
    if (status == LR_OK)
        status = lr_threads_run(threads, (spread->gather->rows + BAND_ROWS - 1)/BAND_ROWS, spread_band, &c, err);
    for (int i = 0; c.window && i < threads; i++)
        lr_gather_window_free(&c.window[i]);
    free(c.window);
    LR_TRY(status);
    lr_gather_lay_out(spread->gather);
    return LR_OK;
}
