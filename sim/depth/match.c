// SPDX-License-Identifier: Apache-2.0
#include "depth/match.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "depth/match_body.h"

#define PIXELS_MOST 65535
#define CANDIDATES_MOST 8192
#define ANGLE_MOST (80.0*LR_DEG)  // from the baseline's normal: beyond, a baseline seen end on gives no depth
#define GUARD_VALUE 200           // stands for "far worse" at the ends of a row of candidates

// Steps: rooms are made of wide surfaces, half of them in poor light, so a jump is dear, as dear as five pixels of the worst cost; dearer
// ones still (six) help far walls in the sun and lose narrow things near by. winners_error: 0.3 to 0.43 in the demo rooms, in sun and in the
// dark. All were chosen on sectors from 20, 140 and 260 degrees of the demo rooms and held on those from 80, 200 and 320.
lr_match_def lr_match_def_default(void)
{
    return (lr_match_def){.near_m = 0.5, .window = 6, .small_step = 8, .large_step = 205, .refine_window = 7, .spread_lines = 1.0, .winners_error = 0.4};
}

static lr_status check(const lr_match_def *d, lr_error *err)
{
    if (!(d->near_m > 0.0))
        return lr_fail(err, LR_ERR_RANGE, "match: near_m: %g is not above 0", d->near_m);
    if (!(d->near_m < 1e6))
        return lr_fail(err, LR_ERR_RANGE, "match: near_m: %g is not below 1e6", d->near_m);
    if (!(d->window >= 0 && d->window <= 7))
        return lr_fail(err, LR_ERR_RANGE, "match: window: %d is not in 0 .. 7", d->window);
    if (!(d->small_step >= 1 && d->small_step <= 45 && d->large_step >= d->small_step && d->small_step + d->large_step <= 255 - LR_MATCH_COST_MAX))
        return lr_fail(err, LR_ERR_RANGE, "match: steps %d and %d are not rising, from 1, with a sum up to %d", d->small_step, d->large_step,
                       255 - LR_MATCH_COST_MAX);
    if (!(d->refine_window >= 3 && d->refine_window <= 15))
        return lr_fail(err, LR_ERR_RANGE, "match: refine_window: %d is not in 3 .. 15", d->refine_window);
    if (!(d->spread_lines >= 0.0 && d->spread_lines <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "match: spread_lines: %g is not in 0 .. 1", d->spread_lines);
    if (!(d->winners_error > 0.0))
        return lr_fail(err, LR_ERR_RANGE, "match: winners_error: %g is not above 0", d->winners_error);
    return LR_OK;
}

// ---- Tables ----

static lr_status make_side(const lr_pair *pair, int from, match_side *side, lr_error *err)
{
    const lr_view *view = &pair->view[from], *other = &pair->view[1 - from];
    const double reach = tan(ANGLE_MOST);
    side->pixels = view->camera->pixels;
    side->above = from == 0 ? pair->baseline_m : -pair->baseline_m;
    side->tangent_lo = -reach;
    side->cells_per_tangent = LR_MATCH_CELLS/(2.0*reach);
    side->tangent = malloc((size_t)side->pixels*sizeof *side->tangent);
    side->secant = malloc((size_t)side->pixels*sizeof *side->secant);
    side->place = malloc((LR_MATCH_CELLS + 1)*sizeof *side->place);
    const size_t around = (size_t)side->pixels + 2*LR_MATCH_REACH + LR_MATCH_BESIDE;
    side->on = calloc(around, sizeof *side->on);
    side->zero = calloc(around, sizeof *side->zero);
    side->turn = calloc(around, sizeof *side->turn);
    if (!side->tangent || !side->secant || !side->place || !side->on || !side->zero || !side->turn)
        return lr_fail(err, LR_ERR_MEMORY, "match: out of memory");
    for (int i = 0; i < side->pixels; i++) {
        const double angle = lr_view_angle(view, i);
        const int good = fabs(angle) <= ANGLE_MOST;
        side->tangent[i] = good ? (float)tan(angle) : (float)NAN;
        side->secant[i] = good ? (float)(1.0/cos(angle)) : (float)NAN;
        side->on[LR_MATCH_REACH + i] = 1.0f;
        side->zero[LR_MATCH_REACH + i] = (side->tangent[i] - (float)side->tangent_lo)*(float)side->cells_per_tangent;
        side->turn[LR_MATCH_REACH + i] = good ? (float)(side->above*side->cells_per_tangent)*side->secant[i] : 0.0f;  // a sample of no weight adds it
    }
    for (int c = 0; c <= LR_MATCH_CELLS; c++)
        side->place[c] = (float)lr_view_pixel(other, atan(side->tangent_lo + c/side->cells_per_tangent));
    return LR_OK;
}

// Largest change of any pixel coordinate by inverse range: one candidate is at most about one pixel in either view.
static double steepest(const lr_matcher *m)
{
    enum { RANGES = 16 };
    double most = 0.0;
    for (int s = 0; s < 2; s++)
        for (int i = 0; i < m->side[s].pixels; i++)
            for (int r = 0; r <= RANGES; r++) {
                float slope;
                const float place = lr_match_partner(&m->side[s], i, r/(RANGES*m->def.near_m), &slope);
                if (place >= 0.0f && place <= (float)(m->side[1 - s].pixels - 1) && fabs((double)slope) > most)
                    most = fabs((double)slope);
            }
    return most;
}

static void place_candidates(lr_matcher *m, int pixel)
{
    const int last_place = (m->side[1].pixels - 1)*m->upsample;
    m->first[pixel] = 0;
    m->last[pixel] = -1;
    uint16_t *row = m->place + (size_t)pixel*(size_t)m->padded;
    memset(row, 0, (size_t)m->padded*sizeof *row);
    if (!isfinite(m->side[0].tangent[pixel]))
        return;
    for (int k = 0; k < m->candidates; k++) {
        float unused;
        const float place = lr_match_partner(&m->side[0], pixel, (k - LR_MATCH_BEHIND)*m->inverse_step, &unused);
        const float at = floorf(place*(float)m->upsample + 0.5f);
        const int inside = at >= 0.0f && at <= (float)last_place;
        if (!inside && m->last[pixel] >= m->first[pixel])
            return;  // places run one way: once out, always out
        if (!inside)
            continue;
        row[k] = (uint16_t)at;
        if (m->last[pixel] < m->first[pixel])
            m->first[pixel] = (int16_t)k;
        m->last[pixel] = (int16_t)k;
    }
}

// (v, 1 - 2v, v) with itself, v a quarter of the variance asked for: 1:4:6:4:1 at 1 line, nothing but the line itself at 0.
static void make_mean(lr_matcher *m)
{
    const double v = 0.25*m->def.spread_lines*m->def.spread_lines, c = 1.0 - 2.0*v, half[3] = {v, c, v};
    double mean[LR_MATCH_MEAN] = {0}, alike[LR_MATCH_MEAN] = {0};
    for (int a = 0; a < 3; a++)
        for (int b = 0; b < 3; b++)
            mean[a + b] += half[a]*half[b];
    for (int apart = 0; apart < LR_MATCH_MEAN; apart++)
        for (int l = apart; l < LR_MATCH_MEAN; l++)
            alike[apart] += mean[l]*mean[l - apart];
    m->noise = (float)alike[0];
    m->around = (int)(LR_MATCH_SMOOTH*m->def.spread_lines);
    for (int l = 0; l < LR_MATCH_MEAN; l++) {
        m->mean[l] = (float)mean[l];
        m->alike[l] = (float)(alike[l]/alike[0]);
    }
}

static lr_status make_tables(const lr_pair *pair, lr_matcher *m, lr_error *err)
{
    for (int s = 0; s < 2; s++)
        if (pair->view[s].camera->pixels < 8 || pair->view[s].camera->pixels > PIXELS_MOST)
            return lr_fail(err, LR_ERR_RANGE, "match: a line of %d pixels is not in 8 .. %d", pair->view[s].camera->pixels, PIXELS_MOST);
    LR_TRY(make_side(pair, 0, &m->side[0], err));
    LR_TRY(make_side(pair, 1, &m->side[1], err));
    const double slope = steepest(m);
    if (!(slope > 0.0))
        return lr_fail(err, LR_ERR_RANGE, "match: %s and %s see no point in common", pair->view[0].camera->name, pair->view[1].camera->name);
    m->inverse_step = 1.0/slope;
    const double wanted = ceil(slope/m->def.near_m) + LR_MATCH_BEHIND + 2;
    if (!(wanted <= CANDIDATES_MOST))
        return lr_fail(err, LR_ERR_RANGE, "match: near_m %g asks for %.0f candidates, more than %d", m->def.near_m, wanted, CANDIDATES_MOST);
    m->candidates = (int)wanted;
    m->padded = (m->candidates + LR_MATCH_LANES - 1)/LR_MATCH_LANES*LR_MATCH_LANES;
    m->stride = m->padded + LR_MATCH_GUARD;
    m->upsample = m->side[1].pixels <= 16384 ? 4 : m->side[1].pixels <= 32768 ? 2 : 1;
    const size_t pixels = (size_t)m->side[0].pixels;
    m->place = malloc(pixels*(size_t)m->padded*sizeof *m->place);
    m->first = malloc(pixels*sizeof *m->first);
    m->last = malloc(pixels*sizeof *m->last);
    if (!m->place || !m->first || !m->last)
        return lr_fail(err, LR_ERR_MEMORY, "match: out of memory");
    for (int i = 0; i < m->side[0].pixels; i++)
        place_candidates(m, i);
    return LR_OK;
}

lr_status lr_matcher_create(const lr_pair *pair, const lr_match_def *def, lr_matcher **out, lr_error *err)
{
    assert(pair && def && out);
    *out = NULL;
    LR_TRY(check(def, err));
    lr_matcher *m = calloc(1, sizeof *m);
    if (!m)
        return lr_fail(err, LR_ERR_MEMORY, "match: out of memory");
    m->def = *def;
    make_mean(m);
    const lr_status s = make_tables(pair, m, err);
    if (s != LR_OK)
        lr_matcher_destroy(m);
    else
        *out = m;
    return s;
}

void lr_matcher_destroy(lr_matcher *m)
{
    if (!m)
        return;
    for (int s = 0; s < 2; s++) {
        free(m->side[s].tangent);
        free(m->side[s].secant);
        free(m->side[s].place);
        free(m->side[s].on);
        free(m->side[s].zero);
        free(m->side[s].turn);
    }
    free(m->place);
    free(m->first);
    free(m->last);
    free(m);
}

int lr_matcher_candidates(const lr_matcher *matcher) { return matcher->candidates; }
double lr_matcher_noise(const lr_matcher *matcher) { return (double)matcher->noise; }

double lr_matcher_slope(const lr_matcher *m, int from, int pixel, double inverse_range)
{
    float per_q = (float)NAN;
    const float place = lr_match_partner(&m->side[from], pixel, inverse_range, &per_q);
    return isfinite(place) ? fabs((double)per_q) : (double)NAN;
}

float lr_match_level(double electrons, double read_noise_e)
{
    return (float)(2.0*sqrt(fmax(electrons + 0.375 + read_noise_e*read_noise_e, 0.0)));
}

// ---- Memory of a thread ----

static int work_allocate(const lr_matcher *m, lr_match_work *w)
{
    const size_t lines = (size_t)w->lines, nu = (size_t)m->side[0].pixels, nl = (size_t)m->side[1].pixels, stride = (size_t)m->stride;
    const size_t most = nu > nl ? nu : nl, together = (size_t)m->padded*LR_MATCH_TOGETHER, volume = lines*nu*stride + LR_MATCH_GUARD;
    int good = 1;
    for (int s = 0; s < 2; s++) {
        const size_t n = lines*(s ? nl : nu);
        good &= (w->mean[s] = malloc(n*sizeof(float))) != NULL;
        good &= (w->spline[s] = malloc(n*sizeof(float))) != NULL;
        good &= (w->slope[s] = malloc(n*sizeof(float))) != NULL;
        good &= (w->inverse[s] = malloc(n*sizeof(float))) != NULL;
        good &= (w->winner[s] = malloc(n*sizeof(float))) != NULL;
        good &= (w->agreed[s] = calloc(n + LR_MATCH_BESIDE, sizeof(float))) != NULL;
        good &= (w->per_q[s] = calloc(n + LR_MATCH_BESIDE, sizeof(float))) != NULL;
        good &= (w->sigma[s] = calloc(n + LR_MATCH_BESIDE, sizeof(float))) != NULL;
        good &= (w->common[s] = calloc(n + LR_MATCH_BESIDE, sizeof(float))) != NULL;
        good &= (w->like[s] = calloc(n + LR_MATCH_BESIDE, sizeof(float))) != NULL;
        good &= (w->sure[s] = calloc(n + LR_MATCH_BESIDE, sizeof(float))) != NULL;
        good &= (w->matches[s] = calloc(n + LR_MATCH_BESIDE, sizeof(float))) != NULL;
        good &= (w->partner[s] = malloc((s ? nl : nu)*sizeof(float))) != NULL;
        good &= (w->clue[s] = calloc(n, sizeof(lr_match_clue))) != NULL;
    }
    for (int k = 0; k < 3; k++)
        good &= (w->around[k] = malloc((most + 2*LR_MATCH_REACH + LR_MATCH_BESIDE)*sizeof(float))) != NULL;
    good &= (w->choice = malloc(lines*nu*sizeof(int16_t))) != NULL;
    good &= (w->margin[0] = malloc(lines*nu*sizeof(uint16_t))) != NULL;
    good &= (w->scratch = malloc(3*most*sizeof(float))) != NULL;
    good &= (w->upper = malloc(nu*LR_MATCH_TOGETHER*sizeof(uint16_t))) != NULL;
    for (int k = 0; k < 3; k++)
        good &= (w->lower8[k] = malloc((nl + 1)*(size_t)m->upsample)) != NULL;
    good &= (w->bound = malloc(nl*(size_t)m->upsample*LR_MATCH_TOGETHER*sizeof(uint16_t))) != NULL;
    good &= (w->cost = malloc(volume)) != NULL;
    good &= (w->sum = malloc(volume)) != NULL;
    good &= (w->down = malloc(nu*stride + LR_MATCH_GUARD)) != NULL;
    good &= (w->ring = malloc((2*(size_t)m->def.window + 1)*together*sizeof(uint16_t))) != NULL;
    good &= (w->found = malloc(together*sizeof(uint16_t))) != NULL;
    good &= (w->window_sum = malloc(together*sizeof(uint16_t))) != NULL;
    good &= (w->fresh_cost = malloc(together)) != NULL;
    good &= (w->total = calloc((size_t)m->padded + LR_MATCH_LANES, sizeof(uint16_t))) != NULL;
    good &= (w->path = malloc(3*stride + LR_MATCH_GUARD)) != NULL;
    good &= (w->best = malloc(nl*sizeof(uint16_t))) != NULL;
    if (good) {
        memset(w->down, GUARD_VALUE, nu*stride + LR_MATCH_GUARD);
        memset(w->path, GUARD_VALUE, 3*stride + LR_MATCH_GUARD);
    }
    return good;
}

lr_status lr_match_work_create(const lr_matcher *matcher, int lines, lr_match_work **out, lr_error *err)
{
    assert(matcher && lines > 0 && out);
    *out = NULL;
    lr_match_work *w = calloc(1, sizeof *w);
    if (w)
        w->lines = lines;
    if (!w || !work_allocate(matcher, w)) {
        lr_match_work_destroy(w);
        return lr_fail(err, LR_ERR_MEMORY, "match: out of memory for %d lines", lines);
    }
    *out = w;
    return LR_OK;
}

void lr_match_work_destroy(lr_match_work *w)
{
    if (!w)
        return;
    for (int s = 0; s < 2; s++) {
        free(w->mean[s]), free(w->spline[s]), free(w->slope[s]), free(w->inverse[s]), free(w->winner[s]), free(w->clue[s]);
        free(w->agreed[s]), free(w->per_q[s]), free(w->sigma[s]), free(w->common[s]), free(w->partner[s]), free(w->margin[s]);
        free(w->like[s]), free(w->sure[s]), free(w->matches[s]);
    }
    for (int k = 0; k < 3; k++)
        free(w->around[k]), free(w->lower8[k]);
    free(w->scratch), free(w->upper), free(w->bound), free(w->cost), free(w->sum), free(w->down), free(w->ring);
    free(w->found), free(w->window_sum), free(w->fresh_cost), free(w->total), free(w->path), free(w->best), free(w->choice);
    free(w);
}

// ---- A block of lines ----

// Lines averaged; the first and last repeat.
static void average(const lr_matcher *m, const float *signal, int lines, int pixels, float *mean)
{
    for (int l = 0; l < lines; l++) {
        float *out = mean + (size_t)l*(size_t)pixels;
        memset(out, 0, (size_t)pixels*sizeof *out);
        for (int d = -2; d <= 2; d++) {
            const int from = l + d < 0 ? 0 : l + d >= lines ? lines - 1 : l + d;
            const float *in = signal + (size_t)from*(size_t)pixels;
            for (int i = 0; i < pixels; i++)
                out[i] += m->mean[d + 2]*in[i];
        }
    }
}

static void refine_line(const lr_matcher *m, lr_match_work *w, int l)
{
    for (int s = 0; s < 2; s++) {
        const size_t at = (size_t)l*(size_t)m->side[s].pixels;
        lr_match_spline(w->mean[s] + at, m->side[s].pixels, w->spline[s] + at, w->slope[s] + at);
    }
    for (int s = 0; s < 2; s++)
        lr_match_refine(m, w, s, l);
    lr_match_partners_of_line(m, w, l);
    for (int s = 0; s < 2; s++)
        lr_match_compare(m, w, s, l), lr_match_add_around(m, w, s, l);
}

void lr_match_block(const lr_matcher *m, lr_match_work *w, const float *const signal[2], int lines, int first, int count, const lr_match_map map[2])
{
    assert(lines <= w->lines && first >= 0 && count > 0 && first + count <= lines);
    for (int s = 0; s < 2; s++)
        average(m, signal[s], lines, m->side[s].pixels, w->mean[s]);
    for (int l = 0; l < lines; l++) {
        if (l % LR_MATCH_TOGETHER == 0)
            lr_match_costs(m, w, l, lines);
        lr_match_forward(m, w, l, l == 0);
    }
    const int from = first > LR_MATCH_SMOOTH ? first - LR_MATCH_SMOOTH : 0, end = first + count + LR_MATCH_SMOOTH < lines ? first + count + LR_MATCH_SMOOTH : lines;
    for (int l = lines - 1; l >= from; l--) {
        lr_match_backward(m, w, l, l == lines - 1);
        if (l < end)
            refine_line(m, w, l);
    }
    for (int l = first; l < first + count; l++)
        for (int s = 0; s < 2; s++) {
            const size_t pixels = (size_t)m->side[s].pixels, out = (size_t)(l - first)*pixels;
            lr_match_smooth(m, w, s, l, from, end, map[s].inverse_range + out, map[s].sigma_px + out);
            memcpy(map[s].clue + out, w->clue[s] + (size_t)l*pixels, pixels*sizeof *map[s].clue);
        }
}
