// SPDX-License-Identifier: Apache-2.0
// What the two maps say of each other, and neighbouring lines.
#include <math.h>
#include <string.h>

#include "core/wide.h"
#include "depth/match_body.h"

#define BESIDE LR_MATCH_BESIDE
#define AROUND (2*LR_MATCH_SMOOTH + 1)  // lines averaged

// Distance in pixels from the straight line through the neighbours at two pixels on either side.
static float roughness(const float *inverse, int pixels, int i, float per_q)
{
    if (i < 2 || i > pixels - 3 || !isfinite(inverse[i - 2]) || !isfinite(inverse[i + 2]))
        return 4.0f;
    return fabsf(per_q*(inverse[i] - 0.5f*(inverse[i - 2] + inverse[i + 2])));
}

// Partners of a whole line by its refined matches.
LR_WIDE_WHOLE static void find_partners(const match_side *side, const float *inverse, float *place, float *per_q)
{
    for (int first = 0; first < side->pixels; first += BESIDE) {
        const size_t count = first + BESIDE < side->pixels ? BESIDE : (size_t)(side->pixels - first);
        float q[BESIDE] = {0}, there[BESIDE], change[BESIDE];
        double wide[BESIDE];
        memcpy(q, inverse + first, count*sizeof *q);
        for (int p = 0; p < BESIDE; p++)
            wide[p] = (double)q[p];
        lr_match_partners(side, first, wide, there, change);
        memcpy(place + first, there, count*sizeof *there);
        memcpy(per_q + first, change, count*sizeof *change);
    }
}

void lr_match_partners_of_line(const lr_matcher *m, lr_match_work *w, int line)
{
    for (int s = 0; s < 2; s++) {
        const size_t row = (size_t)line*(size_t)m->side[s].pixels;
        find_partners(&m->side[s], w->inverse[s] + row, w->partner[s], w->per_q[s] + row);
    }
}

// How far the two maps are apart: at the nearest pixel to the partner `place` of pixel i, or at a neighbour of it where that has no match.
static float apart(const float *back, int other, int i, float place)
{
    const int j = (int)(place + 0.5f);
    float least = 100.0f;
    for (int at = j > 0 ? j - 1 : 0; at <= j + 1 && at < other; at++) {
        const float d = fabsf(back[at] - (float)i - ((float)at - place));
        if (d < least)
            least = d;
    }
    return least;
}

// Fills the clues that need both maps.
void lr_match_compare(const lr_matcher *m, lr_match_work *w, int from, int line)
{
    const int pixels = m->side[from].pixels, other = m->side[1 - from].pixels;
    const size_t row = (size_t)line*(size_t)pixels, upper_row = (size_t)line*(size_t)m->side[0].pixels;
    const float *inverse = w->inverse[from] + row;
    uint8_t *cost = w->cost + upper_row*(size_t)m->stride;
    for (int i = 0; i < pixels; i++) {
        const size_t at = row + (size_t)i;
        lr_match_clue *clue = &w->clue[from][at];
        const float place = w->partner[from][i];
        w->agreed[from][at] = (float)NAN;
        if (!isfinite(inverse[i]))
            continue;
        const int j = place >= 0.0f ? (int)(place + 0.5f) : -1, upper = from == 0 ? i : j < 0 ? 0 : j >= other ? other - 1 : j;
        const int k = w->choice[upper_row + (size_t)upper];
        clue->rough_px = roughness(inverse, pixels, i, w->per_q[from][at]);
        clue->apart_px = j >= 0 ? apart(w->partner[1 - from], other, i, place) : 100.0f;
        clue->margin = (float)w->margin[0][upper_row + (size_t)upper];
        clue->cost = (float)lr_match_row(cost, m, upper)[k < 0 ? 0 : k];
        w->agreed[from][at] = clue->apart_px <= LR_MATCH_APART_PX ? inverse[i] : (float)NAN;
    }
}

// Sums over the matches of a line within LR_MATCH_AROUND pixels of each of its pixels. In double, so that what has left leaves nothing.
void lr_match_add_around(const lr_matcher *m, lr_match_work *w, int from, int line)
{
    enum { REACH = LR_MATCH_AROUND };
    const int pixels = m->side[from].pixels;
    const size_t row = (size_t)line*(size_t)pixels;
    const float *inverse = w->inverse[from] + row;
    const lr_match_clue *clue = w->clue[from] + row;
    double like = 0.0, sure = 0.0;
    int matches = 0;
    for (int i = -REACH; i < pixels; i++) {
        const int enters = i + REACH, leaves = i - REACH - 1;
        if (enters < pixels && !isnan(inverse[enters]))
            like += (double)clue[enters].likeness, sure += (double)clue[enters].margin, matches++;
        if (leaves >= 0 && !isnan(inverse[leaves]))
            like -= (double)clue[leaves].likeness, sure -= (double)clue[leaves].margin, matches--;
        if (i < 0)
            continue;
        w->like[from][row + (size_t)i] = (float)like;
        w->sure[from][row + (size_t)i] = (float)sure;
        w->matches[from][row + (size_t)i] = (float)matches;
    }
}

typedef struct arounds { float like[BESIDE], sure[BESIDE]; } arounds;

// Means over those and the same of the neighbouring lines.
LR_WIDE_WHOLE static void mean_around(const lr_matcher *m, const lr_match_work *w, int from, size_t pixels, int i, int line, int first, int end, arounds *restrict out)
{
    float like[BESIDE] = {0}, sure[BESIDE] = {0}, matches[BESIDE] = {0};
    for (int l = line - m->around < first ? first : line - m->around; l < end && l <= line + m->around; l++) {
        const size_t at = (size_t)l*pixels + (size_t)i;
        const float *restrict a = w->like[from] + at, *restrict b = w->sure[from] + at, *restrict n = w->matches[from] + at;
        for (int p = 0; p < BESIDE; p++)
            like[p] += a[p], sure[p] += b[p], matches[p] += n[p];
    }
    for (int p = 0; p < BESIDE; p++) {
        const float count = matches[p] > 1.0f ? matches[p] : 1.0f;
        out->like[p] = like[p]/count;
        out->sure[p] = sure[p]/count;
    }
}

typedef struct means {           // of BESIDE pixels over the lines around
    float sum[BESIDE], weight[BESIDE], repeated[BESIDE], share[AROUND][BESIDE];  // those that agree within their errors
    float others[BESIDE], other_sum[BESIDE];                                     // the other lines'
} means;

static inline void add_line(const float *restrict q, const float *restrict own_sigma, const float *restrict per_q, const float *restrict there,
                            const float *restrict sigma, const float *restrict common, float nearness, float other, float *restrict share, means *restrict out)
{
    for (int p = 0; p < BESIDE; p++) {
        const float s = sigma[p], c = common[p], r = there[p], gap = fabsf((r - q[p])*per_q[p]), t = nearness/(s*s + 1e-4f);
        const int near = gap < 4.0f, within = near & (gap <= 3.0f*sqrtf(s*s + own_sigma[p]*own_sigma[p]) + 0.05f);
        out->others[p] += near ? other*t : 0.0f;
        out->other_sum[p] += near ? other*t*r : 0.0f;
        out->sum[p] += within ? t*r : 0.0f;
        out->weight[p] += within ? t : 0.0f;
        out->repeated[p] += within ? t*c*c : 0.0f;
        share[p] = within ? t*s : 0.0f;
    }
}

// Squared error of a sum over lines whose noise went through the same mean, and so is alike between lines.
static inline void averaged_variance(float share[AROUND][BESIDE], const float alike[LR_MATCH_MEAN], float *restrict out)
{
    for (int p = 0; p < BESIDE; p++)
        out[p] = 0.0f;
    for (int a = 0; a < AROUND; a++)
        for (int b = a < 4 ? 0 : a - 4; b < AROUND && b <= a + 4; b++)
            for (int p = 0; p < BESIDE; p++)
                out[p] += share[a][p]*share[b][p]*alike[a > b ? a - b : b - a];
}

typedef struct smoothed { float inverse[BESIDE], sigma[BESIDE], across[BESIDE]; } smoothed;

LR_WIDE_WHOLE static void smooth_beside(const lr_matcher *m, const lr_match_work *w, int from, size_t pixels, int i, int line, int first, int end, smoothed *restrict out)
{
    const size_t at = (size_t)line*pixels + (size_t)i;
    means a = {0};
    float q[BESIDE], sigma[BESIDE], per_q[BESIDE], variance[BESIDE];
    memcpy(q, w->agreed[from] + at, sizeof q);
    memcpy(sigma, w->sigma[from] + at, sizeof sigma);
    memcpy(per_q, w->per_q[from] + at, sizeof per_q);
    for (int d = -LR_MATCH_SMOOTH; d <= LR_MATCH_SMOOTH; d++)
        if (line + d >= first && line + d < end) {
            const size_t there = (size_t)(line + d)*pixels + (size_t)i;
            add_line(q, sigma, per_q, w->agreed[from] + there, w->sigma[from] + there, w->common[from] + there, (float)(LR_MATCH_SMOOTH + 1 - (d < 0 ? -d : d)),
                     d ? 1.0f : 0.0f, a.share[d + LR_MATCH_SMOOTH], &a);
        }
    averaged_variance(a.share, m->alike, variance);
    for (int p = 0; p < BESIDE; p++) {
        const float error = sqrtf(variance[p]), other = a.others[p] > 0.0f ? fabsf((a.other_sum[p]/a.others[p] - q[p])*per_q[p]) : 4.0f;
        out->across[p] = other < 4.0f ? other : 4.0f;
        out->inverse[p] = a.weight[p] > 0.0f ? a.sum[p]/a.weight[p] : q[p];
        out->sigma[p] = sqrtf(error*error/(a.weight[p]*a.weight[p]) + a.repeated[p]/a.weight[p]);
    }
}

// Averages each match with those of the neighbouring lines that agree with it within their errors, nearer lines counting more. On a
// surface the range hardly bends from line to line, while the noise does not repeat. out: (pixels) of inverse range; sigma: (pixels)
// its error in pixels of disparity.
void lr_match_smooth(const lr_matcher *m, lr_match_work *w, int from, int line, int first, int end, float *out, float *sigma)
{
    const int pixels = m->side[from].pixels;
    for (int i = 0; i < pixels; i += BESIDE) {
        smoothed s;
        arounds a;
        mean_around(m, w, from, (size_t)pixels, i, line, first, end, &a);
        smooth_beside(m, w, from, (size_t)pixels, i, line, first, end, &s);
        for (int p = 0; p < BESIDE && i + p < pixels; p++) {
            out[i + p] = s.inverse[p];
            lr_match_clue *clue = &w->clue[from][(size_t)line*(size_t)pixels + (size_t)(i + p)];
            clue->across_px = s.across[p];
            clue->around_likeness = a.like[p];
            clue->around_margin = a.sure[p];
            if (!isnan(s.inverse[p]))
                sigma[i + p] = s.sigma[p];
        }
    }
}
