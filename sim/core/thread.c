// SPDX-License-Identifier: Apache-2.0
// Jobs are handed out in rising order from one counter. So when a job fails, every job below it has been handed out
// already and will be finished; the lowest failure is then the same for any number of threads.
#include "core/thread.h"

#include <assert.h>
#include <pthread.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#if defined(__SSE2__)
#include <xmmintrin.h>
#endif

// ---- How many ----

static int cpus_allowed(void)
{
    for (int most = CPU_SETSIZE; most <= (1 << 20); most *= 4) {  // a machine with more CPUs than the set holds: EINVAL
        cpu_set_t *set = CPU_ALLOC(most);
        if (!set)
            break;
        const size_t size = CPU_ALLOC_SIZE(most);
        const int count = sched_getaffinity(0, size, set) == 0 ? CPU_COUNT_S(size, set) : 0;
        CPU_FREE(set);
        if (count > 0)
            return count;
    }
    const long online = sysconf(_SC_NPROCESSORS_ONLN);
    return online > 0 ? (int)online : 1;
}

// "QUOTA PERIOD" in microseconds, or "max PERIOD". Returns 0 when there is no limit.
static int read_quota(const char *path)
{
    FILE *file = fopen(path, "re");
    long long quota = 0, period = 0;
    if (!file)
        return 0;
    const int got = fscanf(file, "%lld %lld", &quota, &period);
    fclose(file);
    if (got != 2 || quota <= 0 || period <= 0)
        return 0;
    const long long cpus = quota/period + (quota % period != 0);
    return cpus < 1 << 20 ? (int)cpus : 0;
}

// The smallest cpu.max from our own group up to the top. Source: Linux kernel, Control Group v2, section CPU.
static int cpus_of_cgroup(void)
{
    char line[1024], path[1200];
    int least = 0;
    FILE *file = fopen("/proc/self/cgroup", "re");
    if (!file)
        return 0;
    while (fgets(line, sizeof line, file)) {
        if (strncmp(line, "0::/", 4) != 0)
            continue;
        char *group = line + 3;
        group[strcspn(group, "\n")] = '\0';
        for (;;) {
            snprintf(path, sizeof path, "/sys/fs/cgroup%s/cpu.max", group);
            const int cpus = read_quota(path);
            if (cpus > 0 && (least == 0 || cpus < least))
                least = cpus;
            char *slash = strrchr(group, '/');
            if (!slash)
                break;
            *slash = '\0';
        }
    }
    fclose(file);
    return least;
}

// What the scheduler of a cluster gave this task; 0 if nothing or nonsense.
static int cpus_of_job(void)
{
    const char *text = getenv("SLURM_CPUS_PER_TASK");
    if (!text || !*text)
        return 0;
    char *end;
    const long cpus = strtol(text, &end, 10);
    return *end == '\0' && cpus > 0 && cpus < 1 << 20 ? (int)cpus : 0;
}

int lr_thread_default(void)
{
    int count = cpus_allowed();
    const int limits[] = {cpus_of_cgroup(), cpus_of_job()};
    for (int i = 0; i < 2; i++)
        if (limits[i] > 0 && limits[i] < count)
            count = limits[i];
    return count < 1 ? 1 : count;
}

// ---- Denormals ----

// Denormals are a hundred times slower and mean nothing here. Returns the old state.
static unsigned long flush_denormals(void)
{
#if defined(__SSE2__)
    const unsigned old = _mm_getcsr();
    _mm_setcsr(old | 0x8040u);  // flush to zero, denormals are zero
    return old;
#elif defined(__aarch64__)
    unsigned long old;
    __asm__ volatile("mrs %0, fpcr" : "=r"(old));
    __asm__ volatile("msr fpcr, %0" : : "r"(old | (1ul << 24)));
    return old;
#else
    return 0;
#endif
}

static void restore_denormals(unsigned long old)
{
#if defined(__SSE2__)
    _mm_setcsr((unsigned)old);
#elif defined(__aarch64__)
    __asm__ volatile("msr fpcr, %0" : : "r"(old));
#else
    (void)old;
#endif
}

// ---- The pool ----

typedef struct pool {
    lr_job job;
    void *context;
    int64_t count;
    atomic_llong next;
    atomic_llong lowest_failed;  // count while nothing has failed
    pthread_mutex_t lock;        // of the two below
    lr_status status;
    lr_error error;
} pool;

typedef struct worker { pool *pool; int index; pthread_t thread; } worker;

static void note_failure(pool *p, int64_t job, lr_status status, const lr_error *error)
{
    pthread_mutex_lock(&p->lock);
    if (job < atomic_load(&p->lowest_failed)) {
        p->status = status;
        p->error = *error;
        atomic_store(&p->lowest_failed, job);
    }
    pthread_mutex_unlock(&p->lock);
}

static void *work(void *argument)
{
    const worker *w = argument;
    pool *p = w->pool;
    const unsigned long old = flush_denormals();
    for (;;) {
        const int64_t job = atomic_fetch_add(&p->next, 1);
        if (job >= atomic_load(&p->lowest_failed))
            break;
        lr_error error = {""};
        const lr_status status = p->job(p->context, job, w->index, &error);
        if (status != LR_OK)
            note_failure(p, job, status, &error);
    }
    restore_denormals(old);
    return NULL;
}

lr_status lr_threads_run(int threads, int64_t count, lr_job job, void *context, lr_error *err)
{
    assert(job && count >= 0);
    if (threads > count)
        threads = (int)count;
    if (threads < 1)
        threads = 1;
    worker *workers = calloc((size_t)threads, sizeof *workers);
    if (!workers)
        return lr_fail(err, LR_ERR_MEMORY, "threads: out of memory");

    pool p = {.job = job, .context = context, .count = count, .status = LR_OK};
    atomic_init(&p.next, 0);
    atomic_init(&p.lowest_failed, count);
    pthread_mutex_init(&p.lock, NULL);
    int started = 1;  // the caller is worker 0
    for (int i = 0; i < threads; i++) {
        workers[i] = (worker){.pool = &p, .index = i};
        if (i > 0 && pthread_create(&workers[i].thread, NULL, work, &workers[i]) != 0)
            break;  // fewer workers do the same work
        started = i + 1;
    }
    work(&workers[0]);
    for (int i = 1; i < started; i++)
        pthread_join(workers[i].thread, NULL);
    pthread_mutex_destroy(&p.lock);
    free(workers);
    if (p.status != LR_OK && err)
        *err = p.error;
    return p.status;
}
