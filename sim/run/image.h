// SPDX-License-Identifier: Apache-2.0
// What happens to a line's light between lens and pixels: blur of the lens, veiling glare, speckle.
// Blur and glare act on every part alike and belong to the expected electrons that truth keeps; speckle is chance and comes after.
#ifndef LR_RUN_IMAGE_H
#define LR_RUN_IMAGE_H

#include <stdint.h>

#include "head/head.h"

typedef struct lr_image lr_image;   // of one camera; read-only after create: share between threads

// module, camera: indices in the head. Errors: RANGE, MEMORY.
lr_status lr_image_create(const lr_head *head, int module, int camera, uint64_t seed, lr_image **out, lr_error *err);
void lr_image_destroy(lr_image *image);  // NULL is fine

// Blur: a Gaussian along the line, of weight 1 everywhere (what lies beyond the ends counts as the last pixels).
// Glare: part' = (1 - v) part + v mean over the line. In place; scratch (pixels).
void lr_image_blur(const lr_image *image, float *part, float *scratch);
// Speckle factors of a line's laser light, mean 1; all 1 when switched off. factor (pixels)
void lr_image_speckle(const lr_image *image, int64_t line, float *factor);
double lr_image_speckle_contrast(const lr_image *image);  // 0: off

#endif
