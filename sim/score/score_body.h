// SPDX-License-Identifier: Apache-2.0
// What one camera's scoring needs at hand. For sim/score/score*.c only.
#ifndef LR_SCORE_SCORE_BODY_H
#define LR_SCORE_SCORE_BODY_H

#include "score/score.h"

enum {  // groups before those by material
    SCORE_ALL, SCORE_SEEN, SCORE_HIDDEN, SCORE_LIT, SCORE_UNLIT, SCORE_EDGE, SCORE_SMOOTH, SCORE_MOVING, SCORE_PANE,
    SCORE_RANGE, SCORE_RANGES = 7, SCORE_ELEVATION = SCORE_RANGE + SCORE_RANGES, SCORE_ELEVATIONS = 6,
    SCORE_MATERIAL = SCORE_ELEVATION + SCORE_ELEVATIONS,
};
extern const double score_range_m[SCORE_RANGES + 1];  // limits of the groups by range

typedef struct score_pixel {
    float truth, range, sigma, confidence;  // [m], [m], [m], 0..1; NaN what is not there
    double partner_error;                   // [px]; NaN: partner unknown or no range
    int placed;                             // a partner is known
    int flags, material;
    double elevation_rad;
} score_pixel;

// Into every group the pixel belongs to. `groups` counts those with materials.
void score_add(lr_score_group *group, int groups, const score_pixel *p);
void score_join(lr_score_group *into, const lr_score_group *from);  // adds up
void score_name_groups(lr_score_group *group, int groups, char (*const material)[64]);

#endif
