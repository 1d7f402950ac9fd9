// SPDX-License-Identifier: Apache-2.0
#include "trace/gather_window.h"

#include <stdlib.h>

lr_status lr_gather_window_create(const lr_spread *s, int rows, lr_gather_window *out, lr_error *err)
{
    const lr_gather *g = s->gather;
    int most = 0;
    for (int r = 0; r < g->rows; r++)
        most = g->first_cell[r + 1] - g->first_cell[r] > most ? g->first_cell[r + 1] - g->first_cell[r] : most;
    *out = (lr_gather_window){.rows = rows, .stride = (size_t)rows*(size_t)(most + 2*LR_WINDOW_MARGIN) + LR_WINDOW_LANES, .sources = s->tracer->scene->source_count, .values = g->values};
    const size_t planes = (size_t)(LR_PLANES_OF_POINT + out->sources*LR_PLANES_OF_SOURCE + 2*g->values);
    out->column0 = malloc((size_t)rows*sizeof *out->column0);
    out->plane = calloc(planes*out->stride, sizeof *out->plane);
    return out->column0 && out->plane ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
}

void lr_gather_window_free(lr_gather_window *w)
{
    free(w->column0);
    free(w->plane);
}

const lr_gather_view *lr_spread_view(const lr_spread *s, int i)
{
    const lr_vec3f to = lr_subf(s->gather->record[i].point, s->gather->center);
    return &s->view[lr_gather_view_of(s->tracer->rig, lr_unit(lr_v3((double)to.x, (double)to.y, (double)to.z)))];
}

const float *lr_spread_response(const lr_spread *s, const lr_gather_view *view, int source)
{
    const int bins = s->tracer->rig->bins.ambient_count;
    return view->camera ? view->camera->ambient_response + ((size_t)source*(size_t)view->camera->pixels + (size_t)view->pixel)*(size_t)bins : NULL;
}

// What a point's own paths brought of one source, in electrons where a camera looks, and the variance of one path.
static void set_own(const lr_gather_window *w, const lr_spread *s, int i, size_t at, int source, const lr_gather_view *view)
{
    const int bins = s->tracer->rig->bins.ambient_count;
    const float *response = lr_spread_response(s, view, source), *half = s->raw + 2*(size_t)i*(size_t)w->values + source*bins, *other = half + w->values;
    float *own = w->plane + (size_t)(LR_PLANES_OF_POINT + source*LR_PLANES_OF_SOURCE)*w->stride + at, e = 0.0f, off = 0.0f;
    for (int b = 0; b < bins; b++) {
        const float weight = response ? response[b] : 1.0f;
        e += weight*(half[b] + other[b]);
        off += weight*(half[b] - other[b]);
    }
    own[LR_PLANE_OWN_E*w->stride] = e;
    own[LR_PLANE_OWN_VARIANCE*w->stride] = off*off*(float)s->paths[i];
}

static void set_column(const lr_gather_window *w, const lr_spread *s, int i, size_t at)
{
    float *point = w->plane + at;
    if (i < 0) {
        for (int k = 0; k < LR_PLANES_OF_POINT; k++)
            point[k*w->stride] = k == LR_PLANE_COAT ? -1.0f : 0.0f;
        return;
    }
    const lr_gather_record *r = &s->gather->record[i];
    const float of_point[LR_PLANES_OF_POINT] = {r->point.x, r->point.y, r->point.z, r->normal.x, r->normal.y, r->normal.z, (float)r->coat, (float)s->paths[i]};
    for (int k = 0; k < LR_PLANES_OF_POINT; k++)
        point[k*w->stride] = of_point[k];
    const lr_gather_view *view = lr_spread_view(s, i);
    for (int k = 0; k < w->sources; k++) {
        float *source = w->plane + (size_t)(LR_PLANES_OF_POINT + k*LR_PLANES_OF_SOURCE)*w->stride + at;
        source[LR_PLANE_LIGHT*w->stride] = s->near[(size_t)i*(size_t)w->sources + (size_t)k].light;
        source[LR_PLANE_OVER_M*w->stride] = s->near[(size_t)i*(size_t)w->sources + (size_t)k].over_m;
        set_own(w, s, i, at, k, view);
    }
    const float *half = s->raw + 2*(size_t)i*(size_t)w->values;
    for (int v = 0; v < w->values; v++) {
        float *value = w->plane + (size_t)(LR_PLANES_OF_POINT + w->sources*LR_PLANES_OF_SOURCE + 2*v)*w->stride + at;
        value[0] = half[v] + half[w->values + v];
        value[w->stride] = half[v] - half[w->values + v];
    }
}

void lr_gather_window_fill(lr_gather_window *w, const lr_spread *s, int first_row, int end_row)
{
    const lr_gather *g = s->gather;
    size_t at = 0;
    w->first_row = first_row;
    w->end_row = end_row;
    for (int r = first_row; r < end_row; r++) {
        const int first = g->first_cell[r], n = g->first_cell[r + 1] - first;
        w->column0[r - first_row] = (int)at + LR_WINDOW_MARGIN;
        for (int k = -LR_WINDOW_MARGIN; k < n + LR_WINDOW_MARGIN; k++)
            set_column(w, s, g->cell[first + ((k % n) + n) % n], at++);
    }
    for (int k = 0; k < LR_WINDOW_LANES; k++)   // read, not used
        w->plane[LR_PLANE_COAT*w->stride + at + (size_t)k] = -1.0f;
}
