// SPDX-License-Identifier: Apache-2.0
#ifndef LR_TRACE_GATHER_FINE_H
#define LR_TRACE_GATHER_FINE_H

#include "trace/gather.h"

lr_status lr_gather_fine_create(const lr_tracer *tracer, int threads, int (*progress)(void *context, int64_t done, int64_t total), void *context,
                          lr_gather **out, lr_error *err);

#endif
