// SPDX-License-Identifier: Apache-2.0
// Some rows of the gathering's grid with what its points got, each quantity a plane of its own, columns side by side, so that the neighbours of a point are
// read as vectors. Private to trace/gather_spread.c.
#ifndef LR_TRACE_GATHER_WINDOW_H
#define LR_TRACE_GATHER_WINDOW_H

#include "trace/gather_spread.h"

#define LR_WINDOW_MARGIN 12    // columns of a row's other end, before and after it
#define LR_WINDOW_LANES 32     // columns that may be read from any of a row's

enum { LR_PLANE_X, LR_PLANE_Y, LR_PLANE_Z, LR_PLANE_NX, LR_PLANE_NY, LR_PLANE_NZ, LR_PLANE_COAT, LR_PLANE_PATHS, LR_PLANES_OF_POINT };   // coat -1: no point there
enum { LR_PLANE_LIGHT, LR_PLANE_OVER_M, LR_PLANE_OWN_E, LR_PLANE_OWN_VARIANCE, LR_PLANES_OF_SOURCE };   // lr_gather_near; electrons (where no camera looks: the sum of bins), variance of one path
// Then two of each value: the sum of both halves of the paths, and their difference.

typedef struct lr_gather_window {
    int rows;                  // most it holds
    int first_row, end_row;    // it holds
    int *column0;              // (rows) where the first column of each stands in a plane
    size_t stride;             // floats of a plane
    int sources, values;
    float *plane;              // (planes x stride)
} lr_gather_window;

// Errors: MEMORY.
lr_status lr_gather_window_create(const lr_spread *spread, int rows, lr_gather_window *out, lr_error *err);
void lr_gather_window_free(lr_gather_window *window);
void lr_gather_window_fill(lr_gather_window *window, const lr_spread *spread, int first_row, int end_row);

static inline const float *lr_window_point(const lr_gather_window *w, int plane) { return w->plane + (size_t)plane*w->stride; }

static inline const float *lr_window_source(const lr_gather_window *w, int source, int plane)
{
    return w->plane + (size_t)(LR_PLANES_OF_POINT + source*LR_PLANES_OF_SOURCE + plane)*w->stride;
}

static inline const float *lr_window_sum(const lr_gather_window *w, int value)
{
    return w->plane + (size_t)(LR_PLANES_OF_POINT + w->sources*LR_PLANES_OF_SOURCE + 2*value)*w->stride;
}

static inline const float *lr_window_difference(const lr_gather_window *w, int value) { return lr_window_sum(w, value) + w->stride; }

// Electrons that irradiance of each bin brings a pixel which sees it as a surface of 1/sr; NULL where none looks.
const float *lr_spread_response(const lr_spread *spread, const lr_gather_view *view, int source);
const lr_gather_view *lr_spread_view(const lr_spread *spread, int record);

#endif
