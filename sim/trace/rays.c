// SPDX-License-Identifier: Apache-2.0
// Batches of rays: one block of memory, every array on its own cache line.
#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "trace/bvh.h"

enum { LINE = 64, LANES = 16, FLOATS = 15, WORDS = 2 };

lr_status lr_rays_create(int capacity, lr_rays *out, lr_error *err)
{
    assert(out);
    memset(out, 0, sizeof *out);
    if (!(capacity > 0 && capacity <= INT32_MAX - LANES))
        return lr_fail(err, LR_ERR_RANGE, "rays: capacity %d is not above 0", capacity);
    const size_t n = ((size_t)capacity + LANES - 1)/LANES*LANES;
    // One line more than an array needs: at a distance of a power of two all arrays would share few places of the nearest cache.
    const size_t apart = n + LINE/4;
    const size_t flags = (n + LINE - 1)/LINE*LINE, bytes = (FLOATS + WORDS)*4*apart + 2*flags;
    char *block = aligned_alloc(LINE, bytes);
    if (!block)
        return lr_fail(err, LR_ERR_MEMORY, "rays: out of memory (%zu bytes)", bytes);
    memset(block, 0, bytes);  // lanes past the last ray are read, and must then be finite

    float **const field[FLOATS] = {&out->ox, &out->oy, &out->oz, &out->dx, &out->dy, &out->dz, &out->t_near, &out->t_far,
                                   &out->time_s, &out->t, &out->nx, &out->ny, &out->nz, &out->u, &out->v};
    for (int k = 0; k < FLOATS; k++)
        *field[k] = (float *)(void *)(block + 4*apart*(size_t)k);
    out->object = (int32_t *)(void *)(block + 4*apart*FLOATS);
    out->primitive = out->object + apart;
    out->blocked = (uint8_t *)(out->primitive + apart);
    out->panes = out->blocked + flags;
    out->capacity = (int)n;
    return LR_OK;
}

void lr_rays_destroy(lr_rays *rays)
{
    if (!rays)
        return;
    free(rays->ox);
    memset(rays, 0, sizeof *rays);
}
