// SPDX-License-Identifier: Apache-2.0
// What the sun cannot reach, known without a ray: most of a room. Seen from the sun what lies around the head is cut into squares. A flat piece that
// covers a square, and as much around it as rays to all of the sun's disc may stray, shades every point below it there. Over a short way they stray
// less: pieces near above a point are kept apart from those farther up.
// Only single triangles at rest count, no panes: what is left, edges above all, is for rays to find out.
#ifndef LR_TRACE_SUN_SHADE_H
#define LR_TRACE_SUN_SHADE_H

#include "core/status.h"
#include "core/vecf.h"
#include "trace/facets.h"

typedef struct lr_sun_shade {   // read-only after create; all 0: nothing is known
    int squares;                // a side
    lr_frame3f frame;           // z towards the sun
    float x0, y0, per_m;        // corner of the first square; squares a metre
    float clear_m;              // a point this far below a piece lies under it, however numbers round
    float reach_m[2];           // and up to here it shades it, near pieces and far ones
    float (*top)[2];            // z of the highest piece that covers a square, -INFINITY: none (squares x squares); near, far
} lr_sun_shade;

// `frame` and `sine`: towards the sun, and of its disc's radius. `eye`: middle of the squares, world. MEMORY
lr_status lr_sun_shade_create(const lr_facets *facets, lr_frame3f frame, float sine, lr_vec3 eye, lr_sun_shade *out, lr_error *err);
void lr_sun_shade_destroy(lr_sun_shade *shade);

static inline ptrdiff_t lr_sun_shade_square(const lr_sun_shade *s, lr_vec3f p)   // -1: beside them
{
    const float u = (lr_dotf(s->frame.x, p) - s->x0)*s->per_m, v = (lr_dotf(s->frame.y, p) - s->y0)*s->per_m, side = (float)s->squares;
    return u >= 0.0f && v >= 0.0f && u < side && v < side ? (ptrdiff_t)v*s->squares + (ptrdiff_t)u : -1;
}

// For whoever asks about p a little later: what that takes comes from memory meanwhile.
static inline void lr_sun_shade_send_for(const lr_sun_shade *s, lr_vec3f p)
{
    const ptrdiff_t at = lr_sun_shade_square(s, p);
    if (at >= 0)
        __builtin_prefetch(s->top[at]);
}

// 1: nothing of the sun's disc can be seen from p. 0: that is not known.
static inline int lr_sun_shade_covers(const lr_sun_shade *s, lr_vec3f p)
{
    const ptrdiff_t at = lr_sun_shade_square(s, p);
    if (at < 0)
        return 0;
    const float z = lr_dotf(s->frame.z, p), near_m = s->top[at][0] - z, far_m = s->top[at][1] - z;
    return ((near_m > s->clear_m) & (near_m < s->reach_m[0])) | ((far_m > s->clear_m) & (far_m < s->reach_m[1]));
}

#endif
