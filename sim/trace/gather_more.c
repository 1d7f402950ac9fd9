// SPDX-License-Identifier: Apache-2.0
#include "trace/gather_more.h"

#include <math.h>

#include "core/anglef.h"
#include "trace/gather_grid.h"

#define AT_ONCE 64          // records of one batch, at most

static void add_paths(const lr_gather_more *m, const lr_line_job *tile, const int *wanting, int count, int paths)
{
    const lr_gather *g = m->gather;
    lr_gather_record copy[AT_ONCE];
    float more[AT_ONCE*2*LR_MAX_GATHERED];
    lr_line_job job = *tile;
    for (int k = 0; k < count; k++)
        copy[k] = g->record[wanting[k]];
    lr_gather_paths(&job, copy, count, paths, more, NULL);
    for (int k = 0; k < count; k++) {
        const int i = wanting[k];
        float *e = m->raw + 2*(size_t)i*g->values;
        for (int v = 0; v < 2*g->values; v++)
            e[v] = ((float)m->had[i]*e[v] + (float)paths*more[2*k*g->values + v])/(float)(m->had[i] + paths);
        m->had[i] += paths;
    }
}

static int paths_of_level(const lr_gather_more *m, int level)
{
    const int paths = m->paths/2 << level;
    return paths < LR_CHUNK_RAYS ? paths/2*2 : LR_CHUNK_RAYS;
}

// -1: none.
static int level_of(const lr_gather_more *m, int record)
{
    const float want = m->want[record]*(float)m->told_by/(float)m->paths;
    const int level = want > 1.25f ? (int)lrintf(log2f(2.0f*(want - 1.0f))) : -1;
    return level < m->levels ? level : m->levels - 1;
}

int lr_gather_more_wanted(const lr_gather_more *m, int tile)
{
    for (int i = m->tile[tile]; i < m->tile[tile + 1]; i++)
        if (level_of(m, i) >= 0)
            return 1;
    return 0;
}

void lr_gather_more_of_tile(const lr_gather_more *m, int tile, const lr_line_job *job)
{
    for (int level = 0; level < m->levels; level++) {
        const int paths = paths_of_level(m, level), most = lr_gather_batch(paths) < AT_ONCE ? lr_gather_batch(paths) : AT_ONCE;
        int wanting[AT_ONCE], count = 0;
        for (int i = m->tile[tile]; i < m->tile[tile + 1]; i++) {
            if (level_of(m, i) == level)
                wanting[count++] = i;
            if (count == 0 || (count < most && i + 1 < m->tile[tile + 1]))
                continue;
            lr_line_job of_level = *job;
            of_level.seed = lr_hash(job->seed, (uint32_t)level);
            add_paths(m, &of_level, wanting, count, paths);
            count = 0;
        }
    }
}
