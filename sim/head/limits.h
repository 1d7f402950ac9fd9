// SPDX-License-Identifier: Apache-2.0
// Ranges of plain numbers, checked in one sweep. NaN and infinity are always faults.
#ifndef LR_HEAD_LIMITS_H
#define LR_HEAD_LIMITS_H

#include "core/status.h"

typedef struct lr_limit {
    const char *field;   // as the message names it
    double value;
    double lo, hi;       // the allowed interval
    int above;           // 1: lo itself is not allowed
} lr_limit;

// First fault: RANGE, `field: value is not in [lo, hi]`, `(lo, hi]`, or `not above lo` where hi is infinite.
lr_status lr_limits_check(const lr_limit *limit, int count, lr_error *err);

#endif
