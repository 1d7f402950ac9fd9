// SPDX-License-Identifier: Apache-2.0
// How gathered light is laid out for looking up, and which neighbours count. Private to trace/gather.c and trace/gather_look.c.
#ifndef LR_TRACE_GATHER_LOOK_H
#define LR_TRACE_GATHER_LOOK_H

#include <math.h>

#include "core/anglef.h"
#include "trace/gather.h"

#define LR_SAME_PLANE 0.6f     // a neighbour may lie off the plane by this share of its distance from us
#define LR_LOOK_LINE 16        // floats of a cache line

int lr_gather_stride(int values);         // floats of a record of `look`
void lr_gather_lay_out(lr_gather *gather);   // after every averaging that looking up follows

// A neighbour counts as the same piece of surface.
static inline int lr_gather_same_surface(lr_vec3f point, lr_vec3f normal, lr_vec3f its_point, lr_vec3f its_normal, float least_cosine,
                                         float *distance2)
{
    const lr_vec3f to = lr_subf(its_point, point);
    *distance2 = lr_dotf(to, to);
    const float off = lr_maxf(fabsf(lr_dotf(to, normal)), fabsf(lr_dotf(to, its_normal)));
    return (lr_dotf(normal, its_normal) >= least_cosine) & (off*off <= LR_SAME_PLANE*LR_SAME_PLANE*0.25f*(*distance2) + 1e-8f);
}

#endif
