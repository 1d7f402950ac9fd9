// SPDX-License-Identifier: Apache-2.0
// Cuts a head down to what a user of the instrument is told (nominal), or to the same words for what was really built.
#ifndef LR_RUN_CUT_H
#define LR_RUN_CUT_H

#include "head/head.h"
#include "scan/calibration.h"

// Errors: MEMORY, and those of lr_laser_pattern. On failure `out` is empty.
lr_status lr_cut_calibration(const lr_head *head, int as_built, lr_calibration *out, lr_error *err);

#endif
