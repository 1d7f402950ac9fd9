// SPDX-License-Identifier: Apache-2.0
// What is to be matched with what in one module, and how several answers for one camera become one.
#ifndef LR_DEPTH_MATCHING_H
#define LR_DEPTH_MATCHING_H

#include "depth/depth.h"

#define LR_MATCHING_MOST 64

typedef struct lr_matching {     // two cameras, or a camera and a laser
    int camera[2];               // of the upper and the lower view; -1: the laser's
    lr_pair pair;                // points into this module's calibration and, for a laser, to `projector`
    lr_cal_camera projector;     // the laser taken as a camera that sees its dots
    float *pattern;              // (projector.pixels) levelled as a signal; NULL without a laser
    lr_matcher *matcher;
} lr_matching;

typedef struct lr_matchings { int count; lr_matching *one; } lr_matchings;

// RANGE if the module offers nothing to match in this mode; MEMORY.
lr_status lr_matchings_create(const lr_cal_module *module, const lr_depth_def *def, lr_matchings *out, lr_error *err);
void lr_matchings_free(lr_matchings *matchings);  // leaves it empty

typedef struct lr_answer { float inverse_range, sigma, confidence; } lr_answer;  // inverse range, its error [1/m]; confidence 0: none
// Agreeing answers are averaged by their errors; of contradicting ones the likelier stays, and is doubted.
lr_answer lr_answer_join(lr_answer a, lr_answer b);
// Whether it is a measurement of range: nearer than infinity by more than its error explains. Of an open sky, or of a surface too far for the
// baseline, all that is known is that it is far, and one over such a disparity may be anything.
int lr_answer_is_range(const lr_answer *answer);

#endif
