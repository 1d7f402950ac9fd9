// SPDX-License-Identifier: Apache-2.0
// Illuminance at a point of a room, direct and after any number of bounces, by light paths from the point over the visible range.
// In each of eight bins of wavelength, cut where V(lambda) carries an eighth, surfaces have one value and light its full spectrum:
//   E = sum over sources, bins of  geometry x 683 lm/W x integral over the bin of S(lambda) V(lambda)
// so that light that comes straight is exact in colour; after many bounces off strongly coloured walls it may be off by some per cent. Source: V(lambda) of CIE 018 by lr_eye.
#ifndef LR_TRACE_ILLUMINANCE_H
#define LR_TRACE_ILLUMINANCE_H

#include "scene/scene.h"

#define LR_ILLUMINANCE_BATCHES 128    // at most; each is an estimate of its own
#define LR_LIGHT_KINDS 3              // by lr_source_kind

typedef struct lr_illuminance {
    int batches;
    double batch_lux[LR_ILLUMINANCE_BATCHES][LR_LIGHT_KINDS];
} lr_illuminance;

// On a small surface at `point` that faces `normal` (unit), at time 0. Bakes the scene to bins of its own: bake it again before use.
// Goes on until the standard error of the whole is below 0.3 %, or the batches are used up. The same for any number of threads. MEMORY.
lr_status lr_illuminance_at(lr_scene *scene, lr_vec3 point, lr_vec3 normal, int threads, lr_illuminance *out, lr_error *err);
// Mean of the kinds weighed by `weight`, and its standard error (may be NULL).
double lr_illuminance_lux(const lr_illuminance *e, const double weight[LR_LIGHT_KINDS], double *error_lux);

#endif
