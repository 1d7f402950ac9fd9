// SPDX-License-Identifier: Apache-2.0
// A pool that runs numbered jobs. Which thread runs a job must never change its result.
#ifndef LR_CORE_THREAD_H
#define LR_CORE_THREAD_H

#include <stdint.h>

#include "core/status.h"

// min(CPUs this process may use, cgroup v2 cpu.max rounded up, SLURM_CPUS_PER_TASK if given), at least 1.
int lr_thread_default(void);

// Job `job` on worker `worker` (0 .. threads-1), called in rising order of job as workers come free. A failure stops further jobs.
typedef lr_status (*lr_job)(void *context, int64_t job, int worker, lr_error *err);

// Runs jobs 0 .. count-1 on `threads` workers (the caller is one of them); returns the failure of the lowest failed job.
// Each worker runs with denormals flushed to zero.
lr_status lr_threads_run(int threads, int64_t count, lr_job job, void *context, lr_error *err);

#endif
