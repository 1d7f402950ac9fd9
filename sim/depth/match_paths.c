// SPDX-License-Identifier: Apache-2.0
#include <string.h>

#include "depth/match_body.h"

#define NEXT_TO 2     // candidates on either side of the best that are not a second best
#define MARGIN_NONE 255


// out = cost + least of staying, a small step and a large step; then lowered by its least. `before` is lowered already and
// may be `out`-adjacent but not `out`.
LR_MATCH_FAST static void step(const uint8_t *restrict before, const uint8_t *restrict cost, uint8_t *restrict out, int small, int large, int count)
{
    const uint8_t p1 = (uint8_t)small, p2 = (uint8_t)large;
    uint8_t least = 255;
    for (int k = 0; k < count; k++) {
        const uint8_t a = (uint8_t)(before[k - 1] + p1), b = (uint8_t)(before[k + 1] + p1), c = before[k];
        const uint8_t ab = a < b ? a : b, cp = c < p2 ? c : p2, best = ab < cp ? ab : cp;
        const uint8_t v = (uint8_t)(cost[k] + best);
        out[k] = v;
        least = v < least ? v : least;
    }
    for (int k = 0; k < count; k++)
        out[k] = (uint8_t)(out[k] - least);
}

LR_MATCH_FAST static void first_step(const uint8_t *restrict cost, uint8_t *restrict out, int count)
{
    uint8_t least = 255;
    for (int k = 0; k < count; k++)
        least = cost[k] < least ? cost[k] : least;
    for (int k = 0; k < count; k++)
        out[k] = (uint8_t)(cost[k] - least);
}

// Half of a + b.
LR_MATCH_FAST static void add_halves(const uint8_t *restrict a, const uint8_t *restrict b, uint8_t *restrict out, int count)
{
    for (int k = 0; k < count; k++)
        out[k] = (uint8_t)((a[k] + b[k]) >> 1);
}

// sum += half of a; what is far above the best need not be told apart.
LR_MATCH_FAST static void add_half(uint8_t *restrict sum, const uint8_t *restrict a, int count)
{
    for (int k = 0; k < count; k++) {
        const uint16_t v = (uint16_t)(sum[k] + (a[k] >> 1));
        sum[k] = v > 255 ? 255 : (uint8_t)v;
    }
}

LR_MATCH_FAST static uint16_t total_of(const uint8_t *restrict sum, const uint8_t *restrict a, uint16_t *restrict total, int count)
{
    uint16_t least = 65535;
    for (int k = 0; k < count; k++) {
        const uint16_t v = (uint16_t)(2*sum[k] + a[k]);
        total[k] = v;
        least = v < least ? v : least;
    }
    return least;
}

LR_MATCH_FAST static uint16_t least_of(const uint16_t *restrict total, int count)
{
    uint16_t least = 65535;
    for (int k = 0; k < count; k++)
        least = total[k] < least ? total[k] : least;
    return least;
}

static int unusable(const lr_matcher *m, int pixel) { return m->last[pixel] < m->first[pixel]; }

void lr_match_forward(const lr_matcher *m, lr_match_work *w, int line, int is_first)
{
    const int pixels = m->side[0].pixels, n = m->padded, p1 = m->def.small_step, p2 = m->def.large_step;
    const size_t volume = (size_t)line*(size_t)pixels*(size_t)m->stride;
    uint8_t *path[2] = {w->path + LR_MATCH_GUARD, w->path + LR_MATCH_GUARD + m->stride};
    uint8_t *swap = w->ring + LR_MATCH_GUARD;
    for (int i = 0; i < pixels; i++) {
        const uint8_t *cost = lr_match_row(w->cost + volume, m, i);
        uint8_t *sum = lr_match_row(w->sum + volume, m, i), *down = lr_match_row(w->down, m, i);
        uint8_t *now = path[i & 1], *before = path[1 - (i & 1)];
        if (i == 0)
            first_step(cost, now, n);
        else
            step(before, cost, now, p1, p2, n);
        if (is_first)
            first_step(cost, down, n);
        else {
            step(down, cost, swap, p1, p2, n);
            memcpy(down, swap, (size_t)n);
        }
        add_halves(now, down, sum, n);
    }
    for (int i = pixels - 1; i >= 0; i--) {
        const uint8_t *cost = lr_match_row(w->cost + volume, m, i);
        uint8_t *now = path[i & 1], *before = path[1 - (i & 1)];
        if (i == pixels - 1)
            first_step(cost, now, n);
        else
            step(before, cost, now, p1, p2, n);
        add_half(lr_match_row(w->sum + volume, m, i), now, n);
    }
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
    if (least_of(w->total + first, last - first + 1) != least)
        return 0;
    int k = first;
    while (w->total[k] != least)
        k++;
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
    const int pixels = m->side[0].pixels, lower = m->side[1].pixels, n = m->padded;
    const size_t volume = (size_t)line*(size_t)pixels*(size_t)m->stride;
    uint8_t *swap = w->ring + LR_MATCH_GUARD;
    memset(w->best, 0xff, (size_t)lower*sizeof *w->best);
    for (int j = 0; j < lower; j++)
        w->winner[1][(size_t)line*(size_t)lower + (size_t)j] = (float)NAN;
    for (int i = 0; i < pixels; i++) {
        const uint8_t *cost = lr_match_row(w->cost + volume, m, i);
        uint8_t *down = lr_match_row(w->down, m, i);
        if (is_first)
            first_step(cost, down, n);
        else {
            step(down, cost, swap, m->def.small_step, m->def.large_step, n);
            memcpy(down, swap, (size_t)n);
        }
        w->winner[0][(size_t)line*(size_t)pixels + (size_t)i] = (float)NAN;
        w->choice[(size_t)line*(size_t)pixels + (size_t)i] = -1;
        w->margin[0][(size_t)line*(size_t)pixels + (size_t)i] = 0;
        if (unusable(m, i))
            continue;
        if (choose_upper(m, w, line, i, total_of(lr_match_row(w->sum + volume, m, i), down, w->total, n)))
            offer_lower(m, w, line, i);
    }
    for (int j = 0; j < lower; j++)  // 1/(rho step) to inverse range of its own
        w->winner[1][(size_t)line*(size_t)lower + (size_t)j] /= m->side[1].secant[j];
}
