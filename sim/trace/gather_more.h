// SPDX-License-Identifier: Apache-2.0
// More paths for those points of a gathering that want them, as the averaging (trace/gather_spread.h) says. Private to trace/.
#ifndef LR_TRACE_GATHER_MORE_H
#define LR_TRACE_GATHER_MORE_H

#include "trace/gather.h"
#include "trace/work.h"

typedef struct lr_gather_more {
    const lr_gather *gather;
    const int *tile;          // first record of each tile, and the end
    int paths;                // that each record had
    int told_by;              // paths of the round that `want` is of
    int levels;               // a record may get a half, 1, 2 .. times as many on top: so many choices
    const float *want;        // (record_count) of `told_by`: see lr_spread
    int *had;                 // (record_count)
    float *raw;               // (record_count x 2 x values) mean of what each half of the paths brought
} lr_gather_more;

int lr_gather_more_wanted(const lr_gather_more *more, int tile);   // whether any record of the tile wants some
void lr_gather_more_of_tile(const lr_gather_more *more, int tile, const lr_line_job *job);

#endif
