// SPDX-License-Identifier: Apache-2.0
#include <string.h>

#include "core/wide.h"
#include "depth/match_body.h"

#define NEXT_TO 2     // candidates on either side of the best that are not a second best
#define MARGIN_NONE 255

typedef struct steps { uint8_t small, large; } steps;  // penalties

// Cost and the least of staying, a small step and a large step, from `before`, which is lowered by its least. All zero starts a path.
static inline uint8_t step(const uint8_t *before, uint8_t cost, steps by)
{
    const uint8_t a = before[-1], b = before[1], c = before[0], near = (uint8_t)((a < b ? a : b) + by.small), far = c < by.large ? c : by.large;
    return (uint8_t)(cost + (near < far ? near : far));
}

// The paths along the line and across lines go one step on, both lowered by their least; sum is half of theirs. `fresh` is spare.
LR_WIDE static void step_both(const uint8_t *restrict before, uint8_t *restrict now, uint8_t *restrict across, const uint8_t *restrict cost,
                              uint8_t *restrict sum, uint8_t *restrict fresh, steps by, int groups)
{
    const int count = groups*LR_MATCH_LANES;
    uint8_t least = 255, least_across = 255;
    for (int k = 0; k < count; k++) {
        const uint8_t a = step(before + k, cost[k], by), b = step(across + k, cost[k], by);
        now[k] = a;
        fresh[k] = b;
        least = a < least ? a : least;
        least_across = b < least_across ? b : least_across;
    }
    for (int k = 0; k < count; k++) {
        const uint8_t a = (uint8_t)(now[k] - least), b = (uint8_t)(fresh[k] - least_across);
        now[k] = a;
        across[k] = b;
        sum[k] = (uint8_t)((a & b) + ((a ^ b) >> 1));
    }
}

// The path along the line back; half of it is added to sum. What is far above the best need not be told apart.
LR_WIDE static void step_back(const uint8_t *restrict before, uint8_t *restrict now, const uint8_t *restrict cost, uint8_t *restrict sum, steps by, int groups)
{
    const int count = groups*LR_MATCH_LANES;
    uint8_t least = 255;
    for (int k = 0; k < count; k++) {
        const uint8_t a = step(before + k, cost[k], by);
        now[k] = a;
        least = a < least ? a : least;
    }
    for (int k = 0; k < count; k++) {
        const uint8_t a = (uint8_t)(now[k] - least), half = a >> 1, most = (uint8_t)(255 - half), s = sum[k];
        now[k] = a;
        sum[k] = (uint8_t)((s < most ? s : most) + half);
    }
}

// The path across lines the other way, and the total of all four; returns its least.
LR_WIDE static uint16_t step_total(uint8_t *restrict across, const uint8_t *restrict cost, const uint8_t *restrict sum, uint8_t *restrict fresh,
                                   uint16_t *restrict total, steps by, int groups)
{
    const int count = groups*LR_MATCH_LANES;
    uint8_t least_across = 255;
    uint16_t least = 65535;
    for (int k = 0; k < count; k++) {
        const uint8_t a = step(across + k, cost[k], by);
        fresh[k] = a;
        least_across = a < least_across ? a : least_across;
    }
    for (int k = 0; k < count; k++) {
        const uint8_t a = (uint8_t)(fresh[k] - least_across);
        const uint16_t v = (uint16_t)(2*sum[k] + a);
        across[k] = a;
        total[k] = v;
        least = v < least ? v : least;
    }
    return least;
}

LR_WIDE static uint16_t least_of(const uint16_t *restrict total, int count)
{
    uint16_t least = 65535;
    for (int k = 0; k < count; k++)
        least = total[k] < least ? total[k] : least;
    return least;
}

// The first of the candidates first .. last whose total is `least`, or -1. May look at LANES behind them.
LR_WIDE static int find(const uint16_t *total, int first, int last, uint16_t least)
{
    for (int k = first; k <= last; k += LR_MATCH_LANES) {
        uint16_t found = 0;
        for (int j = 0; j < LR_MATCH_LANES; j++)
            found |= total[k + j] == least;
        for (int j = 0; found && j < LR_MATCH_LANES; j++)
            if (total[k + j] == least)
                return k + j <= last ? k + j : -1;
    }
    return -1;
}

static int unusable(const lr_matcher *m, int pixel) { return m->last[pixel] < m->first[pixel]; }

static steps steps_of(const lr_matcher *m) { return (steps){(uint8_t)m->def.small_step, (uint8_t)m->def.large_step}; }
static size_t volume_at(const lr_matcher *m, int line) { return (size_t)line*(size_t)m->side[0].pixels*(size_t)m->stride; }

static void start_across(const lr_matcher *m, lr_match_work *w)
{
    for (int i = 0; i < m->side[0].pixels; i++)
        memset(lr_match_row(w->down, m, i), 0, (size_t)m->padded);
}

void lr_match_forward(const lr_matcher *m, lr_match_work *w, int line, int is_first)
{
    const int pixels = m->side[0].pixels, groups = m->padded/LR_MATCH_LANES;
    const steps by = steps_of(m);
    uint8_t *cost = w->cost + volume_at(m, line), *sum = w->sum + volume_at(m, line);
    uint8_t *path[2] = {lr_match_row(w->path, m, 0), lr_match_row(w->path, m, 1)}, *fresh = lr_match_row(w->path, m, 2);
    if (is_first)
        start_across(m, w);
    memset(path[1], 0, (size_t)m->padded);
    for (int i = 0; i < pixels; i++)
        step_both(path[1 - (i & 1)], path[i & 1], lr_match_row(w->down, m, i), lr_match_row(cost, m, i), lr_match_row(sum, m, i), fresh, by, groups);
    memset(path[pixels & 1], 0, (size_t)m->padded);
    for (int i = pixels - 1; i >= 0; i--)
        step_back(path[1 - (i & 1)], path[i & 1], lr_match_row(cost, m, i), lr_match_row(sum, m, i), by, groups);
}

// Least total but for the candidates next to `k`, less the least.
static uint16_t margin_of(const uint16_t *total, int first, int last, int k)
{
    const int below = k - NEXT_TO - first, above = last - (k + NEXT_TO);
    const uint16_t a = below > 0 ? least_of(total + first, below) : 65535, b = above > 0 ? least_of(total + k + NEXT_TO + 1, above) : 65535;
    const uint16_t second = a < b ? a : b;
    return second == 65535 ? MARGIN_NONE : (uint16_t)(second - total[k]);
}

// `least` of all candidates. Returns 0 if that is of one outside the other view: the surface goes on there, and the pixel has no partner.
static int choose_upper(const lr_matcher *m, lr_match_work *w, int line, int i, uint16_t least)
{
    const int first = m->first[i], last = m->last[i];
    const size_t at = (size_t)line*(size_t)m->side[0].pixels + (size_t)i;
    const int k = find(w->total, first, last, least);
    if (k < 0)
        return 0;
    w->choice[at] = (int16_t)k;
    w->winner[0][at] = (float)(k - LR_MATCH_BEHIND);
    w->margin[0][at] = margin_of(w->total, first, last, k);
    return 1;
}

// A pixel of the lower view takes the match of the upper pixel that is surest to see the same point. What an upper pixel likes less than
// its own winner need not be offered: the two maps could not agree on it.
static void offer_lower(const lr_matcher *m, lr_match_work *w, int line, int i)
{
    const size_t at = (size_t)line*(size_t)m->side[0].pixels + (size_t)i;
    const int k = w->choice[at], place = m->place[(size_t)i*(size_t)m->padded + (size_t)k], shift = m->upsample == 4 ? 2 : m->upsample == 2 ? 1 : 0;
    const int j = place >> shift, next = (place & (m->upsample - 1)) && j + 1 < m->side[1].pixels ? j + 1 : j;
    float *winner = w->winner[1] + (size_t)line*(size_t)m->side[1].pixels;
    const uint16_t offer = (uint16_t)(65534 - w->margin[0][at]);
    for (int p = j; p <= next; p++)  // both pixels beside the place: where the upper view is the coarser one, none is left out
        if (offer < w->best[p]) {
            w->best[p] = offer;
            winner[p] = (float)(k - LR_MATCH_BEHIND)*m->side[0].secant[i];
        }
}

void lr_match_backward(const lr_matcher *m, lr_match_work *w, int line, int is_first)
{
    const int pixels = m->side[0].pixels, lower = m->side[1].pixels, groups = m->padded/LR_MATCH_LANES;
    const steps by = steps_of(m);
    uint8_t *cost = w->cost + volume_at(m, line), *sum = w->sum + volume_at(m, line);
    uint8_t *fresh = lr_match_row(w->path, m, 2);
    if (is_first)
        start_across(m, w);
    memset(w->best, 0xff, (size_t)lower*sizeof *w->best);
    for (int j = 0; j < lower; j++)
        w->winner[1][(size_t)line*(size_t)lower + (size_t)j] = (float)NAN;
    for (int i = 0; i < pixels; i++) {
        const uint16_t least = step_total(lr_match_row(w->down, m, i), lr_match_row(cost, m, i), lr_match_row(sum, m, i), fresh, w->total, by, groups);
        w->winner[0][(size_t)line*(size_t)pixels + (size_t)i] = (float)NAN;
        w->choice[(size_t)line*(size_t)pixels + (size_t)i] = -1;
        w->margin[0][(size_t)line*(size_t)pixels + (size_t)i] = 0;
        if (unusable(m, i))
            continue;
        if (choose_upper(m, w, line, i, least))
            offer_lower(m, w, line, i);
    }
    for (int j = 0; j < lower; j++)  // 1/(rho step) to inverse range of its own
        w->winner[1][(size_t)line*(size_t)lower + (size_t)j] /= m->side[1].secant[j];
}
