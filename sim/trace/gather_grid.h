// SPDX-License-Identifier: Apache-2.0
// The grid of directions around the middle of the head where gathered light has its points. Private to trace/.
#ifndef LR_TRACE_GATHER_GRID_H
#define LR_TRACE_GATHER_GRID_H

#include "trace/gather.h"
#include "trace/work.h"

#define LR_GATHER_TILE 16      // cells along and across: records of a tile share even sets of paths

int lr_gather_grid_columns(int rows, int row);
lr_vec3 lr_gather_grid_direction(int rows, int row, int column);   // in the world, unit

// Room for what lies in the grid of g->rows; no records yet. On failure lr_gather_destroy frees what there is. Errors: MEMORY.
lr_status lr_gather_grid_create(lr_gather *g, lr_error *err);

// Calls `meet` for every cell of a row whose ray ends on something at rest, panes looked through: it is ray k of the job's.
typedef void lr_gather_meet(void *context, const lr_line_job *job, int row, int column, int k);
void lr_gather_grid_row(const lr_line_job *job, lr_vec3f center, int rows, int row, lr_gather_meet *meet, void *context);

// A new record of that cell, all else 0; then in the order of tiles, when all are placed.
lr_gather_record *lr_gather_grid_place(lr_gather *g, int row, int column);
void lr_gather_grid_sort(lr_gather *g);
// The first record of each piece of a tile that faces alike, and the end of the last (count + 1). The caller frees `tile`. Errors: MEMORY.
lr_status lr_gather_grid_tiles(const lr_gather *g, int **tile, int *count, lr_error *err);

static inline int lr_gather_batch(int paths) { return LR_CHUNK_RAYS/paths < LR_CHUNK_PIXELS ? LR_CHUNK_RAYS/paths : LR_CHUNK_PIXELS; }   // records worked on together

#endif
