// SPDX-License-Identifier: Apache-2.0
// What the files of the ambient light paths share. Private to trace/path.c and trace/matte.c.
#ifndef LR_TRACE_PATH_H
#define LR_TRACE_PATH_H

#include "trace/work.h"

enum { LR_DIM_SUN, LR_DIM_SKY, LR_DIM_LAMP, LR_DIM_CHOICE, LR_DIM_BOUNCE, LR_DIM_LOBE, LR_DIM_FAINT, LR_DIM_FAINT_SUN, LR_DIM_FAINT_SKY, LR_DIM_FAINT_LAMP, LR_DIMS };  // random numbers of one step

typedef struct lr_vertex {   // a surface reached by path i
    int i, step;
    const lr_surface *surface;
    float scale;
    lr_vec3f point, normal, wo;
    float lamp_weight;       // sum over lamps
} lr_vertex;

// A shadow ray to lamp `l`, picked with `weight` of v->lamp_weight; `third` chooses the place on it, and the answer is multiplied by
// `faint`. `drawn`: the surface, or its lobe, by which a ray drawn from here looks for lamps too; NULL: none does.
void lr_ask_lamp_at(const lr_line_job *job, const lr_vertex *v, const lr_lit_lamp *l, float weight, float third, float faint, const lr_surface *drawn);

// Whether random numbers of a path are hashes, as one sample needs no even spread; else points of a sequence.
static inline int lr_path_alone(const lr_line_job *job)
{
    return !job->gathered && job->tracer->def.samples == 1 && !(job->tracer->def.noise_ratio > 0.0);
}

// Where the paths of the chunk start, those on matte surfaces at rest whose light is gathered end at once: what they get, and
// their shadow rays to sun and lamps, for many pixels together. Sets work->done of those; the others are to be visited.
void lr_matte_light(const lr_line_job *job);

#endif
