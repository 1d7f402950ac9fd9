// SPDX-License-Identifier: Apache-2.0
#include "core/thread.h"

#include <float.h>
#include <stdatomic.h>
#include <string.h>
#include <time.h>

#include "close.h"

enum { JOBS = 2000 };

typedef struct work {
    atomic_int runs[JOBS];
    int fails[JOBS];       // the status to return
    int slow;              // this job waits until `slow_until` has run
    int slow_until;
    atomic_int denormal;    // one was seen
    int threads;
} work;

static lr_status job(void *context, int64_t index, int worker, lr_error *err)
{
    work *w = context;
    if (worker < 0 || worker >= w->threads)
        return lr_fail(err, LR_ERR_IO, "worker %d", worker);
    if (index == w->slow)
        for (int i = 0; i < 5000 && !atomic_load(&w->runs[w->slow_until]); i++)
            nanosleep(&(struct timespec){.tv_nsec = 1000000}, NULL);
    volatile double tiny = DBL_MIN;
    if (tiny*0.25 != 0.0)
        atomic_store(&w->denormal, 1);
    atomic_fetch_add(&w->runs[index], 1);
    return w->fails[index] ? lr_fail(err, (lr_status)w->fails[index], "job %d", (int)index) : LR_OK;
}

static work *fresh(int threads)
{
    work *w = calloc(1, sizeof *w);
    assert_non_null(w);
    w->threads = threads;
    w->slow = -1;
    return w;
}

static void every_job_runs_once(void **state)
{
    (void)state;
    for (int threads = 1; threads <= 7; threads += 3) {
        work *w = fresh(threads);
        assert_int_equal(lr_threads_run(threads, JOBS, job, w, NULL), LR_OK);
        for (int i = 0; i < JOBS; i++)
            assert_int_equal(w->runs[i], 1);
        assert_int_equal(w->denormal, 0);
        free(w);
    }
}

static void more_threads_than_jobs_and_none_at_all(void **state)
{
    (void)state;
    work *w = fresh(2);
    assert_int_equal(lr_threads_run(64, 2, job, w, NULL), LR_OK);
    assert_int_equal(w->runs[0] + w->runs[1], 2);
    assert_int_equal(lr_threads_run(4, 0, job, w, NULL), LR_OK);
    w->threads = 1;
    assert_int_equal(lr_threads_run(0, 1, job, w, NULL), LR_OK);
    assert_int_equal(w->runs[0], 2);
    free(w);
}

// Job 6 fails at once; job 3 fails later in time but is the lower one, whatever the number of threads.
static void the_lowest_failure_is_told(void **state)
{
    (void)state;
    for (int threads = 1; threads <= 4; threads++) {
        work *w = fresh(threads);
        w->fails[3] = LR_ERR_RANGE;
        w->fails[6] = LR_ERR_IO;
        w->slow = threads > 1 ? 3 : -1;
        w->slow_until = 6;
        lr_error err = {0};
        assert_int_equal(lr_threads_run(threads, JOBS, job, w, &err), LR_ERR_RANGE);
        assert_string_equal(err.text, "job 3");
        for (int i = 0; i <= 3; i++)
            assert_int_equal(w->runs[i], 1);  // those below are finished
        if (threads > 1)
            assert_int_equal(w->runs[6], 1);  // so it did fail first
        int run = 0;
        for (int i = 0; i < JOBS; i++)
            run += w->runs[i];
        assert_true(run < JOBS);  // the rest was not begun
        free(w);
    }
}

static void the_callers_denormals_come_back(void **state)
{
    (void)state;
    work *w = fresh(1);
    assert_int_equal(lr_threads_run(1, 1, job, w, NULL), LR_OK);
    volatile double tiny = DBL_MIN;
    assert_true(tiny*0.25 != 0.0);
    free(w);
}

static void default_count_obeys_the_scheduler(void **state)
{
    (void)state;
    unsetenv("SLURM_CPUS_PER_TASK");
    const int free_count = lr_thread_default();
    assert_true(free_count >= 1);
    setenv("SLURM_CPUS_PER_TASK", "1", 1);
    assert_int_equal(lr_thread_default(), 1);
    static const char *const no_limit[] = {"1000000", "", "0", "-3", "two", "99999999999999999999"};
    for (int i = 0; i < 6; i++) {
        setenv("SLURM_CPUS_PER_TASK", no_limit[i], 1);
        assert_int_equal(lr_thread_default(), free_count);
    }
    unsetenv("SLURM_CPUS_PER_TASK");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_job_runs_once),
        cmocka_unit_test(more_threads_than_jobs_and_none_at_all),
        cmocka_unit_test(the_lowest_failure_is_told),
        cmocka_unit_test(the_callers_denormals_come_back),
        cmocka_unit_test(default_count_obeys_the_scheduler),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
