// SPDX-License-Identifier: Apache-2.0
// Random deviates in bulk, each a pure function of its 32 random bits: the inverse of the distribution at
// u = (bits + 1/2)/2^32. More mean gives more counts for the same bits, so two exposures of one scan can be compared
// without the noise of the difference. No libm in the normal deviates: the same bytes on any IEEE machine.
// Sources: Philox4x32-10: Salmon et al., SC11, 2011. Poisson by the normal asymptotics of its inverse: Giles,
// Algorithm 955, ACM TOMS 42(1), 2016 (the expansion re-derived: Cornish-Fisher with the lattice correction).
#ifndef LR_SENSOR_NOISE_H
#define LR_SENSOR_NOISE_H

#include <stdint.h>

// What the numbers are for: part of the key, so that no two uses share bits.
typedef enum lr_noise_use { LR_NOISE_PIXEL = 1, LR_NOISE_LINE, LR_NOISE_PATTERN, LR_NOISE_DEFECT, LR_NOISE_SPECKLE } lr_noise_use;

typedef struct lr_noise_stream { uint32_t key[2], counter[3]; } lr_noise_stream;

// module and camera below 256; `part` below 256 tells e.g. lasers apart.
lr_noise_stream lr_noise_stream_of(uint64_t seed, int module, int camera, lr_noise_use use, int part, int64_t line);

// Pixels are dealt with in blocks of LR_NOISE_BLOCK: two words each, `a` and `b`. Block k holds pixels k*LR_NOISE_BLOCK and on.
#define LR_NOISE_BLOCK 128
void lr_noise_bits(const lr_noise_stream *stream, uint32_t block, uint32_t a[LR_NOISE_BLOCK], uint32_t b[LR_NOISE_BLOCK]);

// Standard normal, off by less than 1e-5 of a standard deviation; +-6.34 at most. z and bits may not overlap. (count)
void lr_noise_normal(const uint32_t *bits, int count, float *z);

// Poisson counts of the given means (0 .. 2e9; NaN or below 0 counts as 0), as whole numbers in float. Below a mean
// of 30 the exact inverse; above, an expansion whose distribution is off by less than 2e-5 in total variation.
// count at most LR_NOISE_BLOCK.
void lr_noise_poisson(const float *mean, const uint32_t *bits, int count, float *n);

#endif
