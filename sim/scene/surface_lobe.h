// SPDX-License-Identifier: Apache-2.0
// The tables of how much a lobe sends back, read by surface.c and filled by surface_bake.c.
#ifndef LR_SCENE_SURFACE_LOBE_H
#define LR_SCENE_SURFACE_LOBE_H

#include "core/anglef.h"
#include "scene/material.h"
#include "scene/microfacet.h"

#define LR_GRAZING 1e-6f  // flatter directions than this carry nothing a float could hold

typedef struct lr_albedo_place { int node; float part; } lr_albedo_place;  // between node and node + 1

static inline lr_albedo_place lr_albedo_place_at(float cosine)
{
    const float x = sqrtf(lr_minf(cosine, 1.0f))*(LR_ALBEDO_NODES - 1);
    int node = (int)x;
    if (node > LR_ALBEDO_NODES - 2)
        node = LR_ALBEDO_NODES - 2;
    return (lr_albedo_place){node, x - (float)node};
}

static inline float lr_albedo_row(const lr_surface *s, int row, lr_albedo_place p)
{
    const float *a = s->albedo[row] + p.node;
    return a[0] + p.part*(a[1] - a[0]);
}

// Anisotropic: rows run evenly over the roughness met in the direction's azimuth, which its albedo follows closely.
static inline float lr_albedo_azimuth_row(const lr_surface *s, lr_vec3f w)
{
    const float ax2 = s->alpha_x*s->alpha_x, ay2 = s->alpha_y*s->alpha_y, r2 = w.x*w.x + w.y*w.y;
    const float c = r2 > 1e-20f ? w.x*w.x/r2 : 0.5f;
    const float met = sqrtf(ax2*c + ay2*(1.0f - c));
    return (met - s->alpha_x)/(s->alpha_y - s->alpha_x)*(float)(s->albedo_rows - 1);
}

// For metal (one table for all bins) and retroreflectors.
static inline float lr_albedo_at(const lr_surface *s, lr_vec3f w)
{
    const lr_albedo_place p = lr_albedo_place_at(w.z);
    if (s->kind != LR_MATERIAL_METAL || s->albedo_rows == 1)
        return lr_albedo_row(s, 0, p);
    const float x = lr_maxf(lr_albedo_azimuth_row(s, w), 0.0f);
    int row = (int)x;
    if (row > s->albedo_rows - 2)
        row = s->albedo_rows - 2;
    const float a = lr_albedo_row(s, row, p);
    return a + (x - (float)row)*(lr_albedo_row(s, row + 1, p) - a);
}

// A retroreflector's cells work best square on: how much of the lobe is left towards or from a direction.
// The square of the cosine; lobe both ways falls as cos^4: 0.56 at 30 deg, 0.34 at 40 deg of entrance. Minimum
// coefficients asked of warning clothing fall to about 0.55 and 0.2 there (ISO 20471, from memory).
static inline float lr_retro_left(float cosine) { return cosine*cosine; }

#endif
