// SPDX-License-Identifier: Apache-2.0
// Averages what neighbouring points of the gathering got, and tells how many more paths each wants. Private to trace/gather.c.
#ifndef LR_TRACE_GATHER_SPREAD_H
#define LR_TRACE_GATHER_SPREAD_H

#include "trace/gather.h"
#include "trace/gather_view.h"

typedef struct lr_spread {
    lr_gather *gather;
    const lr_tracer *tracer;
    const float *raw;              // what each record got from each half of its paths (record_count x 2 x values)
    const lr_gather_near *near;    // (record_count x sources)
    const int *paths;              // (record_count) of which `raw` is the mean
    const lr_gather_view *view;    // (LR_GATHER_VIEWS)
    float *want;                   // (record_count) paths for the tracer's noise ratio, of those it has; NULL: not asked
} lr_spread;

// Into gather->irradiance and gather->error, and laid out for looking up. Errors: those of lr_threads_run.
lr_status lr_spread_average(const lr_spread *spread, int threads, lr_error *err);

#endif
