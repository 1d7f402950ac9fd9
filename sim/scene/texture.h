// SPDX-License-Identifier: Apache-2.0
// A picture that scales reflectance, one value a texel (luma of the file, linearised). PNG and JPEG, through stb_image.
#ifndef LR_SCENE_TEXTURE_H
#define LR_SCENE_TEXTURE_H

#include "core/status.h"

typedef struct lr_texture { int width, height; float *value; } lr_texture;  // 0..1 (height x width), top row first

lr_status lr_texture_load(const char *path, lr_texture **out, lr_error *err);  // MISSING, PARSE (not an image), RANGE (over 16384 a side)
void lr_texture_destroy(lr_texture *texture);
float lr_texture_at(const lr_texture *texture, float u, float v);  // bilinear, repeats; v up

#endif
