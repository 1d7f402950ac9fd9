// SPDX-License-Identifier: Apache-2.0
// A picture to draw on: pixels, boxes and small text. Top row first.
#ifndef LR_PAGE_PICTURE_H
#define LR_PAGE_PICTURE_H

#include "core/status.h"
#include "page/colour.h"

typedef struct lr_picture { int width, height; lr_rgb *pixel; } lr_picture;  // (height x width)

lr_status lr_picture_create(int width, int height, lr_rgb fill, lr_picture *out, lr_error *err);
void lr_picture_destroy(lr_picture *picture);
lr_status lr_picture_save(const lr_picture *picture, const char *path, lr_error *err);  // PNG; IO
static inline void lr_picture_set(lr_picture *p, int x, int y, lr_rgb c)
{
    if (x >= 0 && x < p->width && y >= 0 && y < p->height)
        p->pixel[(long)y*p->width + x] = c;
}
void lr_picture_box(lr_picture *picture, int x, int y, int width, int height, lr_rgb colour);
// ASCII text, capital letters about 7*size pixels high, top left at (x, y). Returns its width in pixels.
int lr_picture_text(lr_picture *picture, int x, int y, int size, lr_rgb colour, const char *text);
int lr_picture_text_width(int size, const char *text);
// Columns for a picture of `width` with `text` of that size under it, from column `x` on: a sector of few lines is narrower than its words.
int lr_picture_wide_enough(int width, int x, int size, const char *text);

#endif
