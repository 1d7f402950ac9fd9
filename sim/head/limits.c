// SPDX-License-Identifier: Apache-2.0
#include "head/limits.h"

#include <math.h>

lr_status lr_limits_check(const lr_limit *limit, int count, lr_error *err)
{
    for (int i = 0; i < count; i++) {
        const lr_limit l = limit[i];
        const int low_enough = l.value <= l.hi;
        const int high_enough = l.above ? l.value > l.lo : l.value >= l.lo;
        if (low_enough && high_enough)
            continue;
        if (isinf(l.hi))
            return lr_fail(err, LR_ERR_RANGE, "%s: %.15g is not %s %.15g", l.field, l.value, l.above ? "above" : "at least", l.lo);
        return lr_fail(err, LR_ERR_RANGE, "%s: %.15g is not in %c%.15g, %.15g]", l.field, l.value, l.above ? '(' : '[', l.lo, l.hi);
    }
    return LR_OK;
}
