// SPDX-License-Identifier: Apache-2.0
// What the lobes of glossy things that are flat, or bend little, send to each camera, gathered once for the room. Light by a lobe depends on where it is
// seen from, but a camera that turns about an axis sees each point at rest from one place only: there its line's plane passes over the point. So for each
// camera points of the gathering's grid on such things hold the radiance that their lobe sends to that place: a few paths each, drawn by the lobe, which end
// where the gathered light (trace/gather.h) is known, averaged over neighbours as that is, but not further than the lobe blurs what it mirrors; then more
// paths where the noise asks for them.
//   held here: by sky, and by everything after a bounce
//   left to each pixel: sun and lamps directly
// A field that goes over the zenith has its points twice: seen from before the axis, and from behind it.
// Left to paths as before: what bends so much from one direction of the grid to the next that its lobes part, and lobes too narrow for averaging.
#ifndef LR_TRACE_GLOSS_H
#define LR_TRACE_GLOSS_H

#include "trace/gather.h"

enum { LR_GLOSS_FRONT, LR_GLOSS_BACK, LR_GLOSS_SIDES };   // of the axis, as the camera sees it

typedef struct lr_gloss {
    int first[LR_MAX_MODULES];   // view of each module's first camera
    int view_count;
    lr_gather **view;            // (view_count) of camera after camera, LR_GLOSS_SIDES each: `irradiance` is the lobe's radiance, metals without texture
} lr_gloss;

// Of a tracer that has gathered light; adds to its count of rays. NULL in `out` where it is too coarse to be worth it. As lr_gather_create otherwise.
lr_status lr_gloss_create(const lr_tracer *tracer, int threads, int (*progress)(void *context, int64_t done, int64_t total), void *context,
                          lr_gloss **out, lr_error *err);
void lr_gloss_destroy(lr_gloss *gloss);   // NULL is fine

int lr_gloss_has(const lr_surface *surface);   // whether such a surface may have points at all

#endif
