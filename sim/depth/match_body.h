// SPDX-License-Identifier: Apache-2.0
// What the parts of the matcher share. For sim/depth/match*.c only.
#ifndef LR_DEPTH_MATCH_BODY_H
#define LR_DEPTH_MATCH_BODY_H

#include <math.h>
#include <stdint.h>
#include <string.h>

#include "depth/match.h"

#define LR_MATCH_LANES 32        // candidates handled at once; rows are padded to it
#define LR_MATCH_GUARD 32        // bytes kept before each row of candidates
#define LR_MATCH_TOGETHER 4      // lines whose costs are made at once, as their candidates lie at the same places
#define LR_MATCH_COST_MAX 42     // path costs stay within COST_MAX + large_step + small_step <= 255
#define LR_MATCH_COST_OUTSIDE 4  // of a candidate outside the other view's line
#define LR_MATCH_BEHIND 2        // candidates beyond infinity, so that far matches are not pushed nearer
#define LR_MATCH_CELLS 65536     // of the table from tangent to pixel
#define LR_MATCH_BESIDE 32       // pixels refined and averaged side by side
#define LR_MATCH_REACH 15        // refine_window at most
#define LR_MATCH_SMOOTH 3        // lines on either side that a match is averaged with
#define LR_MATCH_AROUND 24       // pixels on either side whose matches speak for one another
#define LR_MATCH_APART_PX 2.0f   // two maps further apart do not mean one point; nearer, confidence tells
#define LR_MATCH_MEAN 5          // lines averaged

typedef struct match_side {      // one view as reference
    int pixels;
    double above;                // the other view's share of the baseline: +b from upper, -b from lower
    float *tangent, *secant;     // (pixels) of the angle from the normal; NaN where it is useless
    float *place;                // (CELLS + 1) pixel over tangent, evenly from tangent_lo
    double tangent_lo, cells_per_tangent;
    // (REACH + pixels + REACH + BESIDE) from REACH before the first pixel, for refinement:
    float *on;                   // 1 in the line, else 0
    float *zero, *turn;          // cell of `place` at no inverse range; its change by inverse range
} match_side;

struct lr_matcher {
    lr_match_def def;
    double inverse_step;         // candidate k stands for 1/range = (k - BEHIND) inverse_step, range from the upper view
    int candidates, padded, stride;  // padded: multiple of LANES; stride: padded + GUARD
    int upsample;                // positions per pixel of the lower view in `place`
    uint16_t *place;             // (upper pixels x padded) in the upsampled lower line
    int16_t *first, *last;       // (upper pixels) candidates inside the lower line; last < first: none
    float mean[LR_MATCH_MEAN];   // weights of the lines averaged
    float noise;                 // variance that they leave of 1
    float alike[LR_MATCH_MEAN];  // correlation of the noise left in lines so far apart
    int around;                  // lines on either side whose matches speak for one another: SMOOTH, fewer where the lines are far apart
    match_side side[2];
};

struct lr_match_work {
    int lines;
    float *mean[2];              // (lines x pixels) neighbouring lines averaged
    float *spline[2], *slope[2]; // (lines x pixels) cubic B-spline coefficients of it; its derivative at whole pixels
    float *scratch;              // (3 x most pixels)
    uint16_t *upper;             // (upper pixels x TOGETHER) levelled
    uint8_t *lower8[3];          // (places and half a pixel on either side) one line levelled and upsampled; least and most around each place
    uint16_t *bound;             // (places x TOGETHER) the two of each line
    uint8_t *cost, *sum;         // (lines x upper pixels x stride) kept between the two passes across lines
    uint8_t *down;               // (upper pixels x stride) path from the neighbouring line
    uint16_t *found;             // (padded x TOGETHER) bounds at the candidates' places
    uint16_t *ring, *window_sum; // (2 window + 1 x padded x TOGETHER) pointwise costs of the window; (padded x TOGETHER) their sum
    uint8_t *fresh_cost;         // (padded x TOGETHER)
    uint16_t *total;             // (padded + LANES)
    uint8_t *path;               // 3 x stride: this step and the one before along the line; what becomes the next across lines
    float *winner[2];            // (lines x pixels) inverse range by inverse_step, from that view; NaN none
    int16_t *choice;             // (lines x upper pixels) candidate, -1 none
    uint16_t *margin[2];         // (lines x pixels)
    uint16_t *best;              // (lower pixels) of the surest match so far: the less, the surer
    float *around[3];            // (REACH + most pixels + REACH + BESIDE) one line's winners, mean and slope
    float *inverse[2];           // (lines x pixels) refined inverse range
    float *agreed[2];            // (lines x pixels) that, where the maps agree; NaN elsewhere
    float *partner[2];           // (pixels) one line's partners by it
    float *per_q[2];             // (lines x pixels) change of the partner by inverse range
    float *sigma[2], *common[2]; // (lines x pixels) as in the clues
    float *like[2], *sure[2];    // (lines x pixels) sums of likeness and margin over the matches LR_MATCH_AROUND along the line
    float *matches[2];           // (lines x pixels) how many these are
    lr_match_clue *clue[2];      // (lines x pixels)
};

static inline uint8_t *lr_match_row(uint8_t *base, const lr_matcher *m, int64_t row) { return base + LR_MATCH_GUARD + row*m->stride; }

// match_cost.c: TOGETHER lines from `line`, those before `lines`.
void lr_match_costs(const lr_matcher *m, lr_match_work *w, int line, int lines);

// match_paths.c: one line. Forward: cost -> sum (three paths); backward: the fourth path, and winners.
void lr_match_forward(const lr_matcher *m, lr_match_work *w, int line, int is_first);
void lr_match_backward(const lr_matcher *m, lr_match_work *w, int line, int is_first);

// match_refine.c
void lr_match_spline(const float *in, int count, float *coefficient, float *slope);
void lr_match_refine(const lr_matcher *m, lr_match_work *w, int from, int line);

// match_agree.c
void lr_match_partners_of_line(const lr_matcher *m, lr_match_work *w, int line);
void lr_match_compare(const lr_matcher *m, lr_match_work *w, int from, int line);
void lr_match_add_around(const lr_matcher *m, lr_match_work *w, int from, int line);
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

// The same for BESIDE pixels from `first`, in vectors. Those beyond the line, or outside the table, have no partner and no change.
static inline void lr_match_partners(const match_side *side, int first, const double *inverse_range, float *place, float *per_inverse)
{
    enum { N = LR_MATCH_BESIDE };
    double at[N], turn[N];
    float tangent[N] = {0}, secant[N] = {0}, pair[N][2];
    int cell[N], in[N];
    const size_t count = first + N < side->pixels ? N : (size_t)(side->pixels - first);
    memcpy(tangent, side->tangent + first, count*sizeof *tangent);
    memcpy(secant, side->secant + first, count*sizeof *secant);
    for (int p = 0; p < N; p++) {
        const double wanted = ((double)tangent[p] + side->above*(double)secant[p]*inverse_range[p] - side->tangent_lo)*side->cells_per_tangent;
        in[p] = (wanted >= 0.0) & (wanted < LR_MATCH_CELLS);
        at[p] = in[p] ? wanted : 0.0;
        turn[p] = side->above*(double)secant[p]*side->cells_per_tangent;
    }
    for (int p = 0; p < N; p++)
        cell[p] = (int)at[p];
    for (int p = 0; p < N; p++)
        memcpy(pair[p], side->place + cell[p], sizeof pair[p]);
    for (int p = 0; p < N; p++) {
        const float step = pair[p][1] - pair[p][0];
        place[p] = in[p] ? pair[p][0] + step*(float)(at[p] - cell[p]) : (float)NAN;
        per_inverse[p] = in[p] ? step*(float)turn[p] : 0.0f;
    }
}

#endif
