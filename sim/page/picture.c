// SPDX-License-Identifier: Apache-2.0
#include "page/picture.h"

#include <stdlib.h>
#include <string.h>

#include "core/png.h"

#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wunused-function"
#pragma GCC diagnostic ignored "-Wconversion"
#pragma GCC diagnostic ignored "-Wdouble-promotion"
#pragma GCC diagnostic ignored "-Wshadow"
#include <stb/stb_easy_font.h>
#pragma GCC diagnostic pop

lr_status lr_picture_create(int width, int height, lr_rgb fill, lr_picture *out, lr_error *err)
{
    *out = (lr_picture){width, height, malloc((size_t)width*(size_t)height*sizeof(lr_rgb))};
    if (!out->pixel)
        return lr_fail(err, LR_ERR_MEMORY, "picture: out of memory");
    lr_picture_box(out, 0, 0, width, height, fill);
    return LR_OK;
}

void lr_picture_destroy(lr_picture *picture)
{
    free(picture->pixel);
    *picture = (lr_picture){0};
}

lr_status lr_picture_save(const lr_picture *p, const char *path, lr_error *err)
{
    return lr_png_write8(path, p->width, p->height, 3, &p->pixel->r, err);
}

void lr_picture_box(lr_picture *p, int x, int y, int width, int height, lr_rgb colour)
{
    for (int j = y; j < y + height; j++)
        for (int i = x; i < x + width; i++)
            lr_picture_set(p, i, j, colour);
}

// stb_easy_font makes axis-parallel quads, four corners of (x, y, z, colour) each.
int lr_picture_text(lr_picture *p, int x, int y, int size, lr_rgb colour, const char *text)
{
    float corner[4096];
    char line[128];
    strncpy(line, text, sizeof line - 1);
    line[sizeof line - 1] = 0;
    const int quads = stb_easy_font_print(0.0f, 0.0f, line, NULL, corner, (int)sizeof corner);
    for (int q = 0; q < quads; q++) {
        const float *a = corner + 16*q, *c = a + 8;  // opposite corners
        lr_picture_box(p, x + (int)(a[0]*(float)size), y + (int)(a[1]*(float)size), (int)((c[0] - a[0])*(float)size), (int)((c[1] - a[1])*(float)size), colour);
    }
    return lr_picture_text_width(size, text);
}

int lr_picture_text_width(int size, const char *text)
{
    char line[128];
    strncpy(line, text, sizeof line - 1);
    line[sizeof line - 1] = 0;
    return size*stb_easy_font_width(line);
}

int lr_picture_wide_enough(int width, int x, int size, const char *text)
{
    const int wanted = x + lr_picture_text_width(size, text) + 4*size;
    return width > wanted ? width : wanted;
}
