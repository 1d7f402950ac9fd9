// SPDX-License-Identifier: Apache-2.0
// Colours: an even scale for values, apart colours for things, and the curve from light to grey.
#ifndef LR_PAGE_COLOUR_H
#define LR_PAGE_COLOUR_H

#include <stdint.h>

typedef struct lr_rgb { uint8_t r, g, b; } lr_rgb;

#define LR_SCALE_STEPS 256
// 256 colours from pale warm yellow (0) through red and violet to deep blue (255): lightness falls steadily, and neighbours differ by
// the same CIE 1976 colour difference, so that equal steps of a value look equal, in grey print too.
void lr_colour_scale(lr_rgb out[LR_SCALE_STEPS]);

// Colour of thing `index`: eight that colour-blind eyes tell apart, lighter on each round.
// Source: Okabe & Ito, Color Universal Design (2008).
lr_rgb lr_colour_thing(int index);

// Linear light 0..1 to a grey level by the sRGB curve (IEC 61966-2-1). Clipped.
uint8_t lr_grey(double linear);

// The same by a table, for pictures: one power a pixel would be most of their time.
#define LR_GREY_STEPS 1024
typedef struct lr_greys { double from[257]; uint8_t start[LR_GREY_STEPS]; } lr_greys;   // least value of each grey; grey at the start of each step
void lr_greys_make(lr_greys *out);
static inline uint8_t lr_greys_at(const lr_greys *g, double linear)
{
    if (!(linear > 0.0))
        return 0;
    if (linear >= 1.0)
        return 255;
    int grey = g->start[(int)(linear*LR_GREY_STEPS)];
    while (linear >= g->from[grey + 1])
        grey++;
    return (uint8_t)grey;
}

// CIE L*a*b* (D65, 2 degree) of an sRGB colour, and back; returns 0 if outside the sRGB gamut (then clipped).
void lr_lab_of(lr_rgb colour, double lab[3]);
int lr_rgb_of_lab(const double lab[3], lr_rgb *out);

#endif
