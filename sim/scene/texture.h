// SPDX-License-Identifier: Apache-2.0
// A picture that scales reflectance, one value a texel (luma of the file, linearised). PNG and JPEG, through stb_image.
#ifndef LR_SCENE_TEXTURE_H
#define LR_SCENE_TEXTURE_H

#include "core/status.h"

typedef struct lr_texture { int width, height; float *value; } lr_texture;  // 0..1 (height x width), top row first

lr_status lr_texture_load(const char *path, lr_texture **out, lr_error *err);  // MISSING, PARSE (not an image), RANGE (over 16384 a side)
void lr_texture_destroy(lr_texture *texture);
float lr_texture_at(const lr_texture *texture, float u, float v);  // bilinear, repeats; v up

// The same in two steps, so that what one point needs from memory comes while others are worked on.
typedef struct lr_texels { const float *row[2]; int column[2]; float a, b; } lr_texels;   // the four around a point, and how far it is between them
lr_texels lr_texture_find(const lr_texture *texture, float u, float v);   // and sends for them
static inline float lr_texture_mix(const lr_texels *t)
{
    return (1.0f - t->b)*((1.0f - t->a)*t->row[0][t->column[0]] + t->a*t->row[0][t->column[1]]) +
           t->b*((1.0f - t->a)*t->row[1][t->column[0]] + t->a*t->row[1][t->column[1]]);
}

#endif
