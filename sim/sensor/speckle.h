// SPDX-License-Identifier: Apache-2.0
// Laser speckle seen by a pixel. The pixel averages M independent speckles, so the light it collects is gamma
// distributed of shape M about its mean: contrast 1/sqrt(M), M = 1 for a small pixel in polarised light.
//   M = M_area M_polarisation,   M_polarisation = 2/(1 + P^2)
//   1/M_area = 1/A^2 integral over the pixel's autocorrelation x |mu|^2,   |mu| = |2 J1(s)/s|, s = pi d/(lambda N)
// mu is the coherence in the image of a round pupil of F-number N. Motion during the exposure drags the image across the
// line: the pixel becomes wider by the path, weighted as two boxes folded together.
// Source: Goodman, Speckle Phenomena in Optics (Roberts & Company, 2007), sections on integrated and on polarised
// speckle (from memory). The pattern is taken as frozen in the image while it moves; boiling would only add to M.
#ifndef LR_SENSOR_SPECKLE_H
#define LR_SENSOR_SPECKLE_H

#include <stdint.h>

#include "core/status.h"

typedef struct lr_speckle_def {
    double f_number;        // on the image side; that of the lens when the scene is far away
    double wavelength_m;
    double pitch_m, width_m; // pixel along and across the line
    double drag_m;          // path of the image across the line during an exposure: focal length x angle turned
    double polarisation;    // degree of polarisation P of the light scattered back: 0 paint and paper, 1 metal
} lr_speckle_def;

lr_speckle_def lr_speckle_def_default(void);  // f/2, 850 nm, 3.5 x 14 um, at rest, depolarised
lr_status lr_speckle_def_check(const lr_speckle_def *def, lr_error *err);  // RANGE
double lr_speckle_count(const lr_speckle_def *def);                        // M, 1 or more, good to 1e-3
static inline double lr_speckle_contrast(double count) { return 1.0/__builtin_sqrt(count); }

typedef struct lr_speckle lr_speckle;  // read-only after create: share between threads
// Factors of shape `count` for one laser seen by one camera (indices in the head and module). count in [1, 1e6]. RANGE, MEMORY.
lr_status lr_speckle_create(double count, uint64_t seed, int module, int camera, int laser, lr_speckle **out, lr_error *err);
void lr_speckle_destroy(lr_speckle *speckle);  // NULL is fine
// What multiplies the laser part of pixels 0 .. pixels-1 of a line: gamma deviates of mean 1, all independent. (pixels)
void lr_speckle_line(const lr_speckle *speckle, int64_t line, int pixels, float *factor);

#endif
