// SPDX-License-Identifier: Apache-2.0
// A surface's f |cos| for world directions, with the matte case taken first: most of a room is matte.
#ifndef LR_TRACE_SURFACE_EVAL_H
#define LR_TRACE_SURFACE_EVAL_H

#include "scene/material.h"

#define LR_INV_PI_F 0.318309886f

// Returns the density of lr_surface_draw for wi. `n` is the shape's own unit normal, wo and wi point away.
static inline float lr_surface_eval_world(const lr_surface *surface, float scale, lr_vec3f n, lr_vec3f wo, lr_vec3f wi, float f_cos[LR_MAX_BINS])
{
    if (surface->kind == LR_MATERIAL_DIFFUSE) {
        const float in = lr_dotf(n, wi);
        const float cosine = in*lr_dotf(n, wo) > 0.0f ? fabsf(in)*LR_INV_PI_F : 0.0f;
        for (int b = 0; b < surface->bin_count; b++)
            f_cos[b] = surface->reflectance[b]*scale*cosine;
        return cosine;
    }
    const lr_frame3f frame = lr_frame_aroundf(n);
    float pdf;
    lr_surface_eval(surface, scale, lr_frame_fromf(frame, wo), lr_frame_fromf(frame, wi), f_cos, &pdf);
    return pdf;
}

#endif
