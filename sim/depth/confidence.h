// SPDX-License-Identifier: Apache-2.0
// How likely a match is right: the probability that its disparity is within one pixel of the truth.
#ifndef LR_DEPTH_CONFIDENCE_H
#define LR_DEPTH_CONFIDENCE_H

#include "depth/match.h"

// 0 .. 1. A logistic of the clues; how its constants were fitted is told beside them. `noise`: lr_matcher_noise of the matcher that gave them.
float lr_match_confidence(const lr_match_clue *clue, double noise);

#define LR_CONFIDENCE_TERMS 13
void lr_match_terms(const lr_match_clue *clue, double term[LR_CONFIDENCE_TERMS]);  // what the logistic weighs; term[0] is 1

#endif
