// SPDX-License-Identifier: Apache-2.0
#include <math.h>
#include <string.h>

#include "core/wide.h"
#include "depth/match_body.h"

#define LINES LR_MATCH_TOGETHER
#define LEVEL_RADIUS 14      // pixels on either side that a pixel is levelled by
#define LEVEL_FLOOR 14.62857f  // added to the local variance, by the noise left: noise alone stays small
#define LEVEL_SCALE 40.0f    // steps per local standard deviation
#define LEVEL_PER_MEAN 1.2533f  // standard deviation by mean deviation of a Gaussian, sqrt(pi/2)
#define DIFFERENCE_MAX 160   // larger differences count no more: an outlier in the window costs at most this

// out(i) = mean of in over i-LEVEL_RADIUS .. i+LEVEL_RADIUS, fewer at the ends.
static void box_mean(const float *in, int count, float *out)
{
    double sum = 0.0;
    int lo = 0, hi = -1;
    for (int i = 0; i < count; i++) {
        for (; hi < count - 1 && hi < i + LEVEL_RADIUS; hi++)
            sum += (double)in[hi + 1];
        for (; lo < i - LEVEL_RADIUS; lo++)
            sum -= (double)in[lo];
        out[i] = (float)(sum/(hi - lo + 1));
    }
}

// in less its local mean, by its local mean deviation and the noise. The mean deviation, unlike the variance, is hardly moved by a
// single bright pixel: a glint or a defect does not flatten its neighbours. `spare` is as long as `in`.
static void level(const float *in, int count, float noise, float *out, float *spare)
{
    box_mean(in, count, out);
    for (int i = 0; i < count; i++) {
        out[i] = in[i] - out[i];
        spare[i] = fabsf(out[i]);
    }
    box_mean(spare, count, spare + count);
    for (int i = 0; i < count; i++) {
        const float deviation = LEVEL_PER_MEAN*spare[count + i];
        out[i] *= LEVEL_SCALE/sqrtf(deviation*deviation + LEVEL_FLOOR*noise);
    }
}

static uint8_t to_byte(float x)
{
    const float v = x + 128.5f;
    return v < 1.0f ? 1 : v > 255.0f ? 255 : (uint8_t)v;
}

// Cubic through four neighbours (Catmull & Rom); ends repeat.
static void upsample(const float *in, int count, int factor, uint8_t *out)
{
    for (int i = 0; i < count - 1; i++) {
        const float a = in[i > 0 ? i - 1 : 0], b = in[i], c = in[i + 1], d = in[i + 2 < count ? i + 2 : count - 1];
        for (int j = 0; j < factor; j++) {
            const float t = (float)j/(float)factor;
            out[i*factor + j] = to_byte(b + 0.5f*t*(c - a + t*(2.0f*a - 5.0f*b + 4.0f*c - d + t*(3.0f*(b - c) + d - a))));
        }
    }
    out[(count - 1)*factor] = to_byte(in[count - 1]);
}

// For every place of the upsampled line the least and most within half a pixel: a dot between two candidates costs nothing.
// Source: Birchfield & Tomasi, A Pixel Dissimilarity Measure That Is Insensitive to Image Sampling, IEEE PAMI 20(4), 1998.
// `in` has `slack` bytes before and behind, like its ends; lo and hi are spare.
LR_WIDE static void bounds(const uint8_t *restrict in, int count, int slack, uint8_t *restrict lo, uint8_t *restrict hi, uint16_t *restrict out)
{
    memcpy(lo, in, (size_t)count);
    memcpy(hi, in, (size_t)count);
    for (int d = -slack; d <= slack; d++)
        for (int i = 0; i < count; i++) {
            const uint8_t x = in[i + d];
            lo[i] = x < lo[i] ? x : lo[i];
            hi[i] = x > hi[i] ? x : hi[i];
        }
    for (int i = 0; i < count; i++)
        out[LINES*i] = (uint16_t)(hi[i] << 8 | lo[i]);
}

// Line `line` as the `slot`-th of those whose costs are made together.
static void level_lines(const lr_matcher *m, lr_match_work *w, int line, int slot)
{
    const int nu = m->side[0].pixels, nl = m->side[1].pixels;
    level(w->mean[0] + (size_t)line*(size_t)nu, nu, m->noise, w->scratch, w->scratch + nu);
    for (int i = 0; i < nu; i++)
        w->upper[LINES*i + slot] = to_byte(w->scratch[i]);
    level(w->mean[1] + (size_t)line*(size_t)nl, nl, m->noise, w->scratch, w->scratch + nl);
    const int places = (nl - 1)*m->upsample + 1, slack = m->upsample/2;
    uint8_t *fine = w->lower8[0] + slack;
    upsample(w->scratch, nl, m->upsample, fine);
    memset(fine - slack, fine[0], (size_t)slack);
    memset(fine + places, fine[places - 1], (size_t)slack);
    bounds(fine, places, slack, w->lower8[1], w->lower8[2], w->bound + slot);
}

// What the bounds of LINES lines say at the candidates' places: places are the same in every line.
static void look_up(const uint16_t *restrict bound, const uint16_t *restrict place, uint16_t *restrict out, int count)
{
    for (int k = 0; k < count; k++)
        memcpy(out + LINES*k, bound + LINES*place[k], LINES*sizeof *out);
}

// A pixel enters the window and the one in `row` leaves it: how far it is outside the bounds in `found`. The cost is the mean over the
// window, scaled so that DIFFERENCE_MAX everywhere gives COST_MAX. All are (candidates x LINES).
LR_WIDE static void slide(const uint16_t *restrict found, const uint16_t *restrict pixel, uint16_t factor, uint16_t *restrict row, uint16_t *restrict sum,
                                uint8_t *restrict cost, int groups)
{
    enum { MOST = LR_MATCH_LANES*LINES };
    int16_t level[MOST];
    for (int e = 0; e < MOST; e++)
        level[e] = (int16_t)pixel[e % LINES];
    for (int g = 0; g < groups; g++, found += MOST, row += MOST, sum += MOST, cost += MOST)
        for (int e = 0; e < MOST; e++) {
            const int16_t under = (int16_t)((found[e] & 255) - level[e]), over = (int16_t)(level[e] - (found[e] >> 8)), most = under > over ? under : over;
            const int16_t positive = most > 0 ? most : 0;
            const uint16_t d = (uint16_t)(positive < DIFFERENCE_MAX ? positive : DIFFERENCE_MAX), s = (uint16_t)(sum[e] + d - row[e]);
            row[e] = d;
            sum[e] = s;
            cost[e] = (uint8_t)(((uint32_t)s*factor) >> 16);
        }
}

// (candidates x LINES) to a row of candidates for each line.
LR_WIDE static void part(const uint8_t *restrict cost, uint8_t *restrict a, uint8_t *restrict b, uint8_t *restrict c, uint8_t *restrict d, int groups)
{
    const int count = groups*LR_MATCH_LANES;
    for (int k = 0; k < count; k++) {
        a[k] = cost[LINES*k];
        b[k] = cost[LINES*k + 1];
        c[k] = cost[LINES*k + 2];
        d[k] = cost[LINES*k + 3];
    }
}

// What lies outside the other line costs a little: more than a true match, less than the best of wrong ones, so that a surface may go
// on beyond the line's end. What only pads the row is never chosen.
static void mark_outside(const lr_matcher *m, int pixel, uint8_t *cost)
{
    const int first = m->first[pixel], last = m->last[pixel], count = m->candidates;
    memset(cost + count, LR_MATCH_COST_MAX, (size_t)(m->padded - count));
    if (last < first) {
        memset(cost, LR_MATCH_COST_OUTSIDE, (size_t)count);
        return;
    }
    memset(cost, LR_MATCH_COST_OUTSIDE, (size_t)first);
    memset(cost + last + 1, LR_MATCH_COST_OUTSIDE, (size_t)(count - last - 1));
}

// Costs of LINES lines from `line`, fewer where the block ends: the last one repeats.
void lr_match_costs(const lr_matcher *m, lr_match_work *w, int line, int lines)
{
    const int pixels = m->side[0].pixels, r = m->def.window, n = 2*r + 1, padded = m->padded, groups = padded/LR_MATCH_LANES;
    const uint16_t factor = (uint16_t)(65536.0*LR_MATCH_COST_MAX/(DIFFERENCE_MAX*n));
    const size_t volume = (size_t)pixels*(size_t)m->stride, row_size = (size_t)padded*LINES;
    for (int j = 0; j < LINES; j++)
        level_lines(m, w, line + j < lines ? line + j : lines - 1, j);
    memset(w->ring, 0, (size_t)n*row_size*sizeof *w->ring);
    memset(w->window_sum, 0, row_size*sizeof *w->window_sum);
    for (int i = -r; i < pixels + r; i++) {  // i enters the window; ends repeat
        const int pixel = i < 0 ? 0 : i >= pixels ? pixels - 1 : i, slot = (i + r) % n, centre = i - r;
        look_up(w->bound, m->place + (size_t)pixel*(size_t)padded, w->found, padded);
        slide(w->found, w->upper + LINES*pixel, factor, w->ring + (size_t)slot*row_size, w->window_sum, w->fresh_cost, groups);
        if (centre < 0)
            continue;
        uint8_t *out[LINES];
        for (int j = 0; j < LINES; j++)
            out[j] = lr_match_row(w->cost + (size_t)(line + j < lines ? line + j : lines - 1)*volume, m, centre);
        part(w->fresh_cost, out[0], out[1], out[2], out[3], groups);
        for (int j = 0; j < LINES; j++)
            mark_outside(m, centre, out[j]);
    }
}
