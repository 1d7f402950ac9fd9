// SPDX-License-Identifier: Apache-2.0
// A texture's mean factor in a pixel. Where its parts have met nothing but one flat piece, further looks need no rays: where they would meet its plane is worked
// out. What parts have not met is not seen by them either.
#include <math.h>

#include "trace/kinds.h"

#define MOMENTS 16             // of the exposure, that looks are shared out to
#define MOST_LOOKS 256         // of half a pixel
#define LET_BE 0.02f           // of the variance aimed at: where the texture adds less, nothing is done
#define ENOUGH 0.05f           // likewise: looks become more until it adds less

enum { DIM_LOOK = 0x6c6f6f6b, DIM_LOOK_MOMENT = 0x6c6f6f6d };

typedef struct moments { lr_job_pose pose[MOMENTS]; } moments;

static void spread_moments(const lr_line_job *job, moments *m)
{
    const float shift = lr_uniform(lr_hash(job->seed, (uint32_t)DIM_LOOK_MOMENT + (uint32_t)job->first));
    for (int k = 0; k < MOMENTS; k++)
        m->pose[k] = lr_job_pose_at(job, (((float)k + shift)/MOMENTS - 0.5f)*(float)job->camera->def->exposure_s);
}

// Sum of the factors at `count` places, spread evenly over half a pixel and over the exposure.
static float look(const lr_line_job *job, const moments *m, const lr_texture_plane *plane, int i, int half, int count)
{
    const uint32_t key = lr_hash(lr_hash(job->seed, (uint32_t)(job->first + i)), (uint32_t)DIM_LOOK + (uint32_t)half);
    float sum = 0.0f;
    for (int n = 0; n < count; n++) {
        // Runs of 16 places of the sequence are spread evenly by themselves: each moment gets one of every run, another one each time.
        const lr_job_pose *pose = &m->pose[(n + 5*(n/MOMENTS)) % MOMENTS];
        float along, across;
        lr_sobol2((uint32_t)n, key, &along, &across);
        const lr_vec3f d = lr_job_direction(job, job->first + i, 0.5f*((float)half + along), across - 0.5f);
        const lr_vec3f w = lr_madf(lr_madf(lr_mulf(pose->column[0], d.x), d.y, pose->column[1]), d.z, pose->column[2]);
        const float t = lr_dotf(plane->normal, lr_subf(plane->corner, pose->origin))/lr_dotf(plane->normal, w);
        sum += lr_texture_plane_at(plane, lr_madf(pose->origin, t, w));
    }
    return sum;
}

// How many looks of each half. The error of even ones falls as kinds.c takes that of parts to do.
static int looks_wanted(float shares, int pairs, float most_e2)
{
    int count = MOMENTS;
    while (count < MOST_LOOKS && shares*powf((float)pairs/(float)count, 1.5f) > ENOUGH*most_e2)
        count *= 2;
    return count;
}

void lr_look_closer(const lr_line_job *job)
{
    const lr_settle *s = &job->work->settle;
    moments m;
    int ready = 0;
    for (int i = 0; i < job->count; i++) {
        lr_texture_plane plane;
        if (s->pairs[i] < 2 || !lr_kinds_flat(job, i, &plane))
            continue;
        const lr_kinds_error error = lr_kinds_tell(job, i);
        const float most_e2 = lr_parts_most_e2(job, error.light);
        if (!(error.shares > LET_BE*most_e2))
            continue;
        if (!ready++)
            spread_moments(job, &m);
        const int count = looks_wanted(error.shares, s->pairs[i], most_e2);
        for (int half = 0; half < 2; half++)
            lr_kinds_look(job, half, i, look(job, &m, &plane, i, half, count), count);
    }
}
