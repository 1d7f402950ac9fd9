// SPDX-License-Identifier: Apache-2.0
#include "trace/gather_grid.h"

#include <math.h>
#include <stdlib.h>

#include "core/pages.h"
#include "trace/gather_look.h"

int lr_gather_grid_columns(int rows, int row)
{
    const int n = (int)lrint(2.0*rows*sin(LR_PI*(row + 0.5)/rows));
    return n < 4 ? 4 : n;
}

lr_vec3 lr_gather_grid_direction(int rows, int row, int column)
{
    const double zenith = LR_PI*(row + 0.5)/rows, azimuth = 2.0*LR_PI*(column + 0.5)/lr_gather_grid_columns(rows, row);
    return lr_v3(sin(zenith)*cos(azimuth), sin(zenith)*sin(azimuth), cos(zenith));
}

lr_status lr_gather_grid_create(lr_gather *g, lr_error *err)
{
    g->first_cell = malloc(((size_t)g->rows + 1)*sizeof *g->first_cell);
    if (!g->first_cell)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    g->first_cell[0] = 0;
    for (int r = 0; r < g->rows; r++)
        g->first_cell[r + 1] = g->first_cell[r] + lr_gather_grid_columns(g->rows, r);
    g->cell = malloc((size_t)g->first_cell[g->rows]*sizeof *g->cell);
    g->record = malloc((size_t)g->first_cell[g->rows]*sizeof *g->record);
    g->stride = lr_gather_stride(g->values);
    g->look = lr_pages_alloc((size_t)g->first_cell[g->rows]*(size_t)g->stride*sizeof(float));   // each record on lines of its own
    for (int k = 0; g->cell && k < g->first_cell[g->rows]; k++)
        g->cell[k] = -1;
    return g->cell && g->record && g->look ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
}

void lr_gather_grid_row(const lr_line_job *job, lr_vec3f center, int rows, int row, lr_gather_meet *meet, void *context)
{
    const int columns = lr_gather_grid_columns(rows, row);
    lr_rays *rays = &job->work->rays;
    for (int first = 0; first < columns; first += LR_CHUNK_PIXELS) {
        rays->count = columns - first < LR_CHUNK_PIXELS ? columns - first : LR_CHUNK_PIXELS;
        for (int i = 0; i < rays->count; i++)
            lr_rays_set(rays, i, center, lr_v3f_of(lr_gather_grid_direction(rows, row, first + i)), 0.0f, INFINITY, (float)job->moment.time_s);
        lr_work_intersect(job, rays, LR_RAYS_COHERENT, LR_RAY_CAMERA);
        lr_work_look_through(job, rays, LR_RAYS_COHERENT);
        for (int i = 0; i < rays->count; i++)
            if (rays->object[i] >= 0 && !job->tracer->scene->object[rays->object[i]].motion)
                meet(context, job, row, first + i, i);
    }
}

// Bits of row and column by turns: neighbours have numbers that differ in their last bits only.
static uint32_t interleave(int row, int column)
{
    uint32_t n = 0;
    for (int bit = 0; 1 << bit < LR_GATHER_TILE; bit++)
        n |= ((uint32_t)row >> bit & 1u) << (2*bit + 1) | ((uint32_t)column >> bit & 1u) << 2*bit;
    return n;
}

lr_gather_record *lr_gather_grid_place(lr_gather *g, int row, int column)
{
    lr_gather_record *r = &g->record[g->record_count];
    *r = (lr_gather_record){.cell = g->first_cell[row] + column, .tile = (uint32_t)(row/LR_GATHER_TILE) << 16 | (uint32_t)(column/LR_GATHER_TILE),
                            .place = interleave(row % LR_GATHER_TILE, column % LR_GATHER_TILE)};
    g->cell[r->cell] = g->record_count++;
    return r;
}

static int by_tile(const void *a, const void *b)
{
    const lr_gather_record *x = a, *y = b;
    return x->tile != y->tile ? (x->tile > y->tile) - (x->tile < y->tile) : x->facing != y->facing ? x->facing - y->facing : (x->place > y->place) - (x->place < y->place);
}

void lr_gather_grid_sort(lr_gather *g)
{
    qsort(g->record, (size_t)g->record_count, sizeof *g->record, by_tile);
    for (int i = 0; i < g->record_count; i++)
        g->cell[g->record[i].cell] = i;
}

lr_status lr_gather_grid_tiles(const lr_gather *g, int **tile, int *count, lr_error *err)
{
    *count = 0;
    *tile = malloc(((size_t)g->record_count + 1)*sizeof **tile);
    if (!*tile)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    for (int i = 0; i < g->record_count; i++)
        if (i == 0 || g->record[i].tile != g->record[i - 1].tile || g->record[i].facing != g->record[i - 1].facing)
            (*tile)[(*count)++] = i;
    (*tile)[*count] = g->record_count;
    return LR_OK;
}
