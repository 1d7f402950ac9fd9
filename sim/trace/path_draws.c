// SPDX-License-Identifier: Apache-2.0
// Random numbers of many paths at once: nothing but whole numbers, so that all lanes of a vector are used.
#include "core/wide.h"
#include "trace/path.h"

LR_WIDE_WHOLE static void draw_alone(int count, const uint32_t *restrict seed, uint32_t dim, float *restrict u, float *restrict v)
{
    for (int i = 0; i < count; i++) {
        const uint32_t key = lr_hash(seed[i], dim);
        u[i] = lr_uniform(key);
        v[i] = lr_uniform(lr_hash(key, 1));
    }
}

LR_WIDE_WHOLE static void draw_even(int count, const uint32_t *restrict seed, const uint32_t *restrict sample, uint32_t dim, float *restrict u, float *restrict v)
{
    for (int i = 0; i < count; i++)
        lr_sobol2(sample[i], lr_hash(seed[i], dim), &u[i], &v[i]);
}

void lr_draw_many(const lr_line_job *job, int count, const uint32_t *seed, const uint32_t *sample, uint32_t dim, float *u, float *v)
{
    if (lr_path_alone(job))
        draw_alone(count, seed, dim, u, v);
    else
        draw_even(count, seed, sample, dim, u, v);
}
