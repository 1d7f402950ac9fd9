// SPDX-License-Identifier: Apache-2.0
// What the parts of the matcher share. For sim/depth/match*.c only.
#ifndef LR_DEPTH_MATCH_BODY_H
#define LR_DEPTH_MATCH_BODY_H

#include <stdint.h>

#include "depth/match.h"

#define LR_MATCH_LANES 32        // candidates handled at once; rows are padded to it
#define LR_MATCH_GUARD 32        // bytes kept before each row of candidates
#define LR_MATCH_COST_MAX 42     // path costs stay within COST_MAX + large_step + small_step <= 255
#define LR_MATCH_COST_OUTSIDE 4  // of a candidate outside the other view's line
#define LR_MATCH_BEHIND 2        // candidates beyond infinity, so that far matches are not pushed nearer
#define LR_MATCH_CELLS 65536     // of the table from tangent to pixel
#define LR_MATCH_SMOOTH 3        // lines on either side that a match is averaged with
#define LR_MATCH_APART_PX 2.0f   // two maps further apart do not mean one point; nearer, confidence tells
#define LR_MATCH_NOISE 0.2734f   // variance left of 1 by averaging lines 1:4:6:4:1

#if defined(__x86_64__) && defined(__GNUC__) && !defined(__SANITIZE_ADDRESS__)
#define LR_MATCH_FAST __attribute__((target_clones("avx2", "default")))
#define LR_MATCH_WHOLE __attribute__((target_clones("avx2", "default"), flatten))
#else
#define LR_MATCH_FAST
#define LR_MATCH_WHOLE
#endif

typedef struct match_side {      // one view as reference
    int pixels;
    double above;                // the other view's share of the baseline: +b from upper, -b from lower
    float *tangent, *secant;     // (pixels) of the angle from the normal; NaN where it is useless
    float *place;                // (CELLS + 1) pixel over tangent, evenly from tangent_lo
    double tangent_lo, cells_per_tangent;
} match_side;

struct lr_matcher {
    lr_match_def def;
    double inverse_step;         // candidate k stands for 1/range = (k - BEHIND) inverse_step, range from the upper view
    int candidates, padded, stride;  // padded: multiple of LANES; stride: padded + GUARD
    int upsample;                // positions per pixel of the lower view in `place`
    uint16_t *place;             // (upper pixels x padded) in the upsampled lower line
    int16_t *first, *last;       // (upper pixels) candidates inside the lower line; last < first: none
    match_side side[2];
};

struct lr_match_work {
    int lines;
    float *mean[2];              // (lines x pixels) neighbouring lines averaged
    float *spline[2], *slope[2]; // (lines x pixels) cubic B-spline coefficients of it; its derivative at whole pixels
    float *scratch;              // (3 x most pixels)
    uint8_t *upper8, *lower8;    // levelled, one line; the lower one upsampled
    uint16_t *bound;             // least and most around each place of lower8
    uint8_t *cost, *sum;         // (lines x upper pixels x stride) kept between the two passes across lines
    uint8_t *down;               // (upper pixels x stride) path from the neighbouring line
    uint8_t *ring;               // (2 window + 3) x stride: pointwise costs of the window, then what becomes the next
    uint16_t *window_sum, *total;  // (padded)
    uint8_t *path;               // 2 x stride
    float *winner[2];            // (lines x pixels) inverse range by inverse_step, from that view; NaN none
    int16_t *choice;             // (lines x upper pixels) candidate, -1 none
    uint16_t *margin[2];         // (lines x pixels)
    uint16_t *best;              // (lower pixels) of the surest match so far: the less, the surer
    float *inverse[2];           // (lines x pixels) refined inverse range
    lr_match_clue *clue[2];      // (lines x pixels)
};

static inline uint8_t *lr_match_row(uint8_t *base, const lr_matcher *m, int64_t row) { return base + LR_MATCH_GUARD + row*m->stride; }

// match_cost.c: one line.
void lr_match_levelled(const lr_matcher *m, lr_match_work *w, int line);    // fills upper8, lower8
void lr_match_costs(const lr_matcher *m, lr_match_work *w, uint8_t *cost);  // (upper pixels x stride)

// match_paths.c: one line. Forward: cost -> sum (three paths); backward: the fourth path, and winners.
void lr_match_forward(const lr_matcher *m, lr_match_work *w, int line, int is_first);
void lr_match_backward(const lr_matcher *m, lr_match_work *w, int line, int is_first);

// match_refine.c
void lr_match_spline(const float *in, int count, float *coefficient, float *slope);
void lr_match_refine(const lr_matcher *m, lr_match_work *w, int from, int line);
void lr_match_compare(const lr_matcher *m, lr_match_work *w, int from, int line);
void lr_match_smooth(const lr_matcher *m, lr_match_work *w, int from, int line, int first, int end, float *out, float *sigma);

// Pixel of the other view, and its derivative by inverse range; NaN outside the table.
static inline float lr_match_partner(const match_side *side, int pixel, double inverse_range, float *per_inverse)
{
    const double secant = (double)side->secant[pixel];
    const double at = ((double)side->tangent[pixel] + side->above*secant*inverse_range - side->tangent_lo)*side->cells_per_tangent;
    if (!(at >= 0.0 && at < LR_MATCH_CELLS))
        return (float)NAN;
    const int cell = (int)at;
    const float step = side->place[cell + 1] - side->place[cell];
    *per_inverse = step*(float)(side->above*secant*side->cells_per_tangent);
    return side->place[cell] + step*(float)(at - cell);
}

#endif
