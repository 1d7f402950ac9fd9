// SPDX-License-Identifier: Apache-2.0
// Indirect laser light of one line as radiance, with its standard error from runs of different seeds.
#ifndef LR_TESTS_INDIRECT_STAGE_H
#define LR_TESTS_INDIRECT_STAGE_H

#include "stage.h"

#include <stdio.h>

// A head at the scene's head_pose with one camera and one laser in the plane of its line. `laser` holds more keys of the laser.
static inline stage *indirect_stage(const char *scene, const char *camera, const char *laser)
{
    char head[2048];
    snprintf(head, sizeof head,
        "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 360},"
        " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [{\"name\": \"c\", %s,"
        "  \"exposure_us\": 1}],"
        " \"lasers\": [{\"name\": \"l\", \"wavelength_nm\": 850, \"line_width_nm\": 0, \"power_mw\": 1000, %s}]}]}",
        camera, laser);
    return stage_create(scene, head, 1);
}

typedef struct mean_radiance { double mean, error; } mean_radiance;

// Mean over `runs` seeds from first_seed on of the indirect radiance of pixels first .. last [W/(m^2 sr)], and its standard error.
static inline void indirect_line(stage *s, int64_t line, int samples, int first_seed, int runs, mean_radiance *out)
{
    const float *response = s->rig->module[0].camera[0].laser_response;
    for (int i = 0; i < s->pixels; i++)
        out[i] = (mean_radiance){0.0, 0.0};
    s->tracer->def.indirect_samples = samples;
    for (int k = 0; k < runs; k++) {
        s->tracer->def.seed = (uint64_t)(first_seed + k);
        stage_line(s, 0, line);
        for (int i = 0; i < s->pixels; i++) {
            const double v = (double)s->part[1][i]/(double)response[i];
            out[i].mean += v/runs;
            out[i].error += v*v/runs;
        }
    }
    for (int i = 0; i < s->pixels; i++)
        out[i].error = sqrt(fmax(0.0, out[i].error - out[i].mean*out[i].mean)/(runs - 1.0));
}

static inline mean_radiance indirect_mean(const mean_radiance *r, int first, int last)
{
    mean_radiance sum = {0.0, 0.0};
    for (int i = first; i <= last; i++) {
        sum.mean += r[i].mean/(last - first + 1);
        sum.error += r[i].error*r[i].error;
    }
    sum.error = sqrt(sum.error)/(last - first + 1);
    return sum;
}

#define ASSERT_RADIANCE(got, want, rel) assert_near((got).mean, (want), (rel)*fabs(want) + 5.0*(got).error)

#endif
