// SPDX-License-Identifier: Apache-2.0
// Which pixels follow a path for indirect laser light. In most of them it is far below the sensor's noise, and along the line it changes
// slowly wherever one surface is seen. So some pixels are probes: every STRIDE-th, and as many more as it takes that between two probes all pixels
// see one surface. Probes are followed always and tell how much to expect. Between them paths start by chance and count for more
// when they do: the mean stays, and the error stays near def.indirect_ratio of the noise at most.
#include <math.h>
#include <string.h>

#include "trace/indirect.h"

#define STRIDE 16
#define MIRROR_PATHS 8          // times as many where the first surface mirrors or bends light: a path follows one of its ways, and few meet the sheet
#define START_LEAST 0.1f        // chance to start where hardly any light is expected: more may come than a first look tells
#define TURN2 0.03f             // half the square of how far normals of one surface may turn, as a share of its lobe's width

static int mirrors(const lr_surface *s) { return s && (s->specular || lr_surface_is_smooth(s)); }

static void start_at(const lr_line_job *job, int i, float chance)
{
    lr_indirect *in = job->work->indirect;
    in->start[in->start_count] = i;
    in->start_paths[in->start_count] = job->tracer->def.indirect_samples*(mirrors(job->work->central[i].surface) ? MIRROR_PATHS : 1);
    in->start_chance[in->start_count++] = chance;
}

// Whether pixels from .. to see one surface that has no mirror, turned by little beside the width of its lobe.
static int is_even(const lr_line_job *job, int from, int to)
{
    const lr_central *c = job->work->central, *first = &c[from];
    if (!first->surface || mirrors(first->surface))
        return 0;
    const float least = 1.0f - TURN2*lr_look_of(first->surface, 1.0f, job->module->laser[0].bin).alpha2;
    for (int i = from + 1; i <= to; i++)
        if (c[i].object != first->object || c[i].surface != first->surface || !(lr_dotf(c[i].normal, first->normal) >= least))
            return 0;
    return 1;
}

// Makes probes in the middle until what is between two is even.
static void split(const lr_line_job *job, int from, int to)
{
    const int middle = (from + to)/2;
    if (to - from < 2 || is_even(job, from, to))
        return;
    job->work->indirect->probe[middle] = 1;
    split(job, from, middle);
    split(job, middle, to);
}

void lr_indirect_probes(const lr_line_job *job)
{
    lr_indirect *in = job->work->indirect;
    const int last = job->count - 1, all = !(job->tracer->def.indirect_ratio > 0.0);
    memset(in->expected, 0, sizeof in->expected);
    for (int i = 0; i <= last; i++)
        in->probe[i] = (uint8_t)(all || i % STRIDE == 0 || i == last);
    for (int from = 0; !all && from < last; from += STRIDE)
        split(job, from, from + STRIDE < last ? from + STRIDE : last);
    in->start_count = 0;
    for (int i = 0; i <= last; i++)
        if (in->probe[i])
            start_at(job, i, 1.0f);
}

void lr_indirect_others(const lr_line_job *job)
{
    lr_indirect *in = job->work->indirect;
    const float ratio = (float)job->tracer->def.indirect_ratio*(float)job->tracer->def.indirect_samples;
    int from = 0;
    in->start_count = 0;
    for (int to = 1; to < job->count; to++) {
        if (!in->probe[to])
            continue;
        const float expected = fmaxf(in->expected[from], in->expected[to]);
        for (int i = from + 1; i < to; i++)
            start_at(job, i, fminf(fmaxf(expected/(ratio*lr_job_noise_e(job, i)), START_LEAST), 1.0f));
        from = to;
    }
}
