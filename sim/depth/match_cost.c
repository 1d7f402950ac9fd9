// SPDX-License-Identifier: Apache-2.0
#include <math.h>
#include <string.h>

#include "depth/match_body.h"

#define LEVEL_RADIUS 14      // pixels on either side that a pixel is levelled by
#define LEVEL_FLOOR 4.0f     // added to the local variance: 15 times the noise left, so that noise alone stays small
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
static void level(const float *in, int count, float *out, float *spare)
{
    box_mean(in, count, out);
    for (int i = 0; i < count; i++) {
        out[i] = in[i] - out[i];
        spare[i] = fabsf(out[i]);
    }
    box_mean(spare, count, spare + count);
    for (int i = 0; i < count; i++) {
        const float deviation = LEVEL_PER_MEAN*spare[count + i];
        out[i] *= LEVEL_SCALE/sqrtf(deviation*deviation + LEVEL_FLOOR);
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
static void bounds(const uint8_t *in, int count, int slack, uint16_t *out)
{
    for (int i = 0; i < count; i++) {
        unsigned lo = 255, hi = 0;
        for (int j = i < slack ? 0 : i - slack; j <= i + slack && j < count; j++) {
            lo = in[j] < lo ? in[j] : lo;
            hi = in[j] > hi ? in[j] : hi;
        }
        out[i] = (uint16_t)(hi << 8 | lo);
    }
}

void lr_match_levelled(const lr_matcher *m, lr_match_work *w, int line)
{
    const int nu = m->side[0].pixels, nl = m->side[1].pixels;
    level(w->mean[0] + (size_t)line*(size_t)nu, nu, w->scratch, w->scratch + nu);
    for (int i = 0; i < nu; i++)
        w->upper8[i] = to_byte(w->scratch[i]);
    level(w->mean[1] + (size_t)line*(size_t)nl, nl, w->scratch, w->scratch + nl);
    upsample(w->scratch, nl, m->upsample, w->lower8);
    bounds(w->lower8, (nl - 1)*m->upsample + 1, m->upsample/2, w->bound);
}

// How far `upper` is outside the bounds.
LR_MATCH_FAST static void differences(const uint16_t *restrict bound, const uint16_t *restrict place, uint8_t upper, uint8_t *restrict out,
                                      uint8_t *restrict most, int count)
{
    for (int k = 0; k < count; k++) {
        const uint16_t b = bound[place[k]];
        out[k] = (uint8_t)(b & 255);
        most[k] = (uint8_t)(b >> 8);
    }
    for (int k = 0; k < count; k++) {
        const uint8_t lo = out[k], hi = most[k], below = lo > upper ? (uint8_t)(lo - upper) : 0, above = upper > hi ? (uint8_t)(upper - hi) : 0;
        const uint8_t d = below > above ? below : above;
        out[k] = d > DIFFERENCE_MAX ? DIFFERENCE_MAX : d;
    }
}

LR_MATCH_FAST static void slide(uint16_t *restrict sum, const uint8_t *restrict in, const uint8_t *restrict out, int count)
{
    for (int k = 0; k < count; k++)
        sum[k] = (uint16_t)(sum[k] + in[k] - out[k]);
}

// Mean over the window, scaled so that DIFFERENCE_MAX everywhere gives COST_MAX.
LR_MATCH_FAST static void store(const uint16_t *restrict sum, uint16_t factor, uint8_t *restrict cost, int count)
{
    for (int k = 0; k < count; k++)
        cost[k] = (uint8_t)(((uint32_t)sum[k]*factor) >> 16);
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

void lr_match_costs(const lr_matcher *m, lr_match_work *w, uint8_t *cost)
{
    const int pixels = m->side[0].pixels, r = m->def.window, n = 2*r + 1, padded = m->padded;
    const uint16_t factor = (uint16_t)(65536.0*LR_MATCH_COST_MAX/(DIFFERENCE_MAX*n));
    memset(w->ring, 0, (size_t)n*(size_t)m->stride);
    memset(w->window_sum, 0, (size_t)padded*sizeof *w->window_sum);
    for (int i = -r; i < pixels + r; i++) {  // i enters the window; ends repeat
        const int pixel = i < 0 ? 0 : i >= pixels ? pixels - 1 : i, slot = (i + r) % n;
        uint8_t *row = w->ring + (size_t)slot*(size_t)m->stride, *fresh = w->ring + (size_t)n*(size_t)m->stride, *most = fresh + m->stride;
        differences(w->bound, m->place + (size_t)pixel*(size_t)padded, w->upper8[pixel], fresh, most, padded);
        slide(w->window_sum, fresh, row, padded);
        memcpy(row, fresh, (size_t)padded);
        const int centre = i - r;
        if (centre < 0)
            continue;
        uint8_t *out = lr_match_row(cost, m, centre);
        store(w->window_sum, factor, out, padded);
        mark_outside(m, centre, out);
    }
}
