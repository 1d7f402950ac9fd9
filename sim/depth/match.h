// SPDX-License-Identifier: Apache-2.0
// Matches two views that share a plane, line by line, over candidates of equal steps in inverse range from the upper view.
// A surface square to the rays keeps its candidate along the line whatever the lens and the pitch, and walls, floors and
// ceilings are equally steep, so windows and smoothing need no flat image.
//   cost        difference of intensities, each line levelled by its own surroundings and by the noise, over a short window
//   smoothing   semi-global along the line both ways and across lines both ways
//               (Hirschmueller, Stereo Processing by Semiglobal Matching and Mutual Information, IEEE PAMI 30(2), 2008)
//   refinement  least squares of the intensities around the winner; the gradient is the reference's own, so that what
//               interpolation does to the other view's noise cannot pull towards whole or half pixels; weighed, by information,
//               with the straight line through the winners around, which knows better where there is little light
// Both views get a map. Work and memory do not depend on the length of a scan: lines come in blocks.
#ifndef LR_DEPTH_MATCH_H
#define LR_DEPTH_MATCH_H

#include "core/status.h"
#include "depth/triangulate.h"

typedef struct lr_match_def {    // start from lr_match_def_default()
    double near_m;               // least range looked for, above 0
    int window;                  // pixels of the cost on either side, 0 .. 7
    int small_step, large_step;  // penalties of the smoothing, for one candidate and for more; 1 .. 45, small_step .. 212; their sum up to 213
    int refine_window;           // pixels of the refinement on either side, 3 .. 15
    double spread_lines;         // rms width, in lines, of the average that a line is matched as: 0 alone .. 1 with 1:4:6:4:1; less where lines are far apart; so do the matches that speak for one another
    double winners_error;        // candidates, rms, that smoothing's answers in a window are taken to be off by, all together, above 0; large: refinement alone
} lr_match_def;
lr_match_def lr_match_def_default(void);

typedef struct lr_matcher lr_matcher;        // tables of one pair; read-only after create: share between threads
typedef struct lr_match_work lr_match_work;  // memory of one thread

// Copies what it needs of `pair`. RANGE, MEMORY.
lr_status lr_matcher_create(const lr_pair *pair, const lr_match_def *def, lr_matcher **out, lr_error *err);
void lr_matcher_destroy(lr_matcher *matcher);  // NULL is fine
int lr_matcher_candidates(const lr_matcher *matcher);
double lr_matcher_noise(const lr_matcher *matcher);  // variance left of 1 by averaging lines
// Pixels of disparity for a small change of the inverse range of view `from` at `pixel`; NaN where it has no partner.
double lr_matcher_slope(const lr_matcher *matcher, int from, int pixel, double inverse_range);

lr_status lr_match_work_create(const lr_matcher *matcher, int lines, lr_match_work **out, lr_error *err);  // for blocks of up to `lines`. MEMORY
void lr_match_work_destroy(lr_match_work *work);  // NULL is fine

// Electrons to a scale on which the noise is 1 everywhere: 2 sqrt(e + 3/8 + r^2).
// Source: Anscombe, Biometrika 35, 1948; with read noise r: Murtagh, Starck & Bijaoui, A&A Suppl. 112, 1995.
float lr_match_level(double electrons, double read_noise_e);

typedef struct lr_match_clue {   // what speaks for one match
    float margin;                // cost of the second best, not next to the best, less that of the best
    float cost;                  // of the best, before smoothing
    float sigma_px;              // expected error of this line's refinement
    float common_px;             // the part of it that neighbouring lines have in common
    float fit;                   // rms of what the refinement leaves over the expected noise
    float likeness;              // correlation of the two windows, -1 .. 1
    float apart_px;              // between this map and the other one
    float moved_px;              // by the refinement
    float rough_px;              // from the neighbours' straight line
    float across_px;             // from the mean of the neighbouring lines
    float around_likeness;       // means over the matches around, along the line and in neighbouring lines: where there is nothing to
    float around_margin;         // see, as in an open sky, one match may look good by chance, but not all of them
} lr_match_clue;

typedef struct lr_match_map {    // of one view; (count x pixels) each
    float *inverse_range;        // [1/m] from that view; NaN: no match; 0 or less: at infinity
    float *sigma_px;             // expected error of its disparity
    lr_match_clue *clue;
} lr_match_map;

// signal[v]: (lines x pixels of view v), levelled. Maps are given for lines first .. first+count-1; the others only help.
void lr_match_block(const lr_matcher *matcher, lr_match_work *work, const float *const signal[2], int lines, int first, int count,
                    const lr_match_map map[2]);

#endif
