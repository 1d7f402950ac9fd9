// SPDX-License-Identifier: Apache-2.0
#include "depth/confidence.h"

#include <math.h>

static const double weight[LR_CONFIDENCE_TERMS] = {0.0, 0.8, -0.02, -0.5, -0.3, -2.0, -0.5, -1.0};

void lr_match_terms(const lr_match_clue *c, double term[LR_CONFIDENCE_TERMS])
{
    term[0] = 1.0;
    term[1] = log1p((double)c->margin);
    term[2] = (double)c->cost;
    term[3] = log(fmax((double)c->sigma_px, 1e-3));
    term[4] = log(fmax((double)c->fit, 0.1));
    term[5] = fmin((double)c->apart_px, 2.0);
    term[6] = fmin((double)c->moved_px, 4.0);
    term[7] = fmin((double)c->rough_px, 4.0);
}

float lr_match_confidence(const lr_match_clue *clue)
{
    double term[LR_CONFIDENCE_TERMS], sum = 0.0;
    lr_match_terms(clue, term);
    for (int i = 0; i < LR_CONFIDENCE_TERMS; i++)
        sum += weight[i]*term[i];
    return (float)(1.0/(1.0 + exp(-sum)));
}
