// SPDX-License-Identifier: Apache-2.0
// A surface's f |cos| for world directions, with the matte kinds taken first: most of a room is matte.
#ifndef LR_TRACE_SURFACE_EVAL_H
#define LR_TRACE_SURFACE_EVAL_H

#include "core/anglef.h"
#include "scene/material.h"

#define LR_INV_PI_F 0.318309886f

// The two matte kinds in a form that loops can make vectors of: scene/surface.c has the model. Evenly matte: 1, 0, 0, 0.
typedef struct lr_matte { float a, r, left, grazing; } lr_matte;

static inline int lr_surface_is_matte(const lr_surface *s) { return s->kind == LR_MATERIAL_DIFFUSE || s->kind == LR_MATERIAL_ROUGH_DIFFUSE; }

static inline lr_matte lr_matte_of(const lr_surface *s)
{
    return s->kind == LR_MATERIAL_ROUGH_DIFFUSE ? (lr_matte){s->rough_a, s->rough_r, s->rough_left, 1e-6f} : (lr_matte){1.0f, 0.0f, 0.0f, 0.0f};
}

static inline float lr_matte_albedo(float a, float r, float c)
{
    const float sine = sqrtf(lr_maxf(0.0f, 1.0f - c*c)), angle = lr_acosf(c);
    const float g = sine*(angle - sine*c) + (2.0f/3.0f)*sine*(c*(1.0f + sine + sine*sine)/(1.0f + sine) - 1.0f);
    return lr_minf(1.0f, a*(1.0f + r*LR_INV_PI_F*g));
}

// f cos over the reflectance, for cosines `out` and `in` to the normal on the side seen, and the cosine between the two ways.
static inline float lr_matte_value(lr_matte m, float out, float in, float between)
{
    const float across = between - in*out, ratio = across > 0.0f ? across/lr_maxf(out, in) : across;
    const float more = (1.0f - lr_matte_albedo(m.a, m.r, out))*(1.0f - lr_matte_albedo(m.a, m.r, in))*m.left;
    const float value = (m.a*(1.0f + m.r*ratio) + more)*in*LR_INV_PI_F;
    return ((in > m.grazing) & (out > m.grazing)) ? value : 0.0f;
}

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
    if (surface->kind == LR_MATERIAL_ROUGH_DIFFUSE) {
        const float in = lr_dotf(n, wi), out = lr_dotf(n, wo);
        const float value = in*out > 0.0f ? lr_matte_value(lr_matte_of(surface), fabsf(out), fabsf(in), lr_dotf(wo, wi)) : 0.0f;
        for (int b = 0; b < surface->bin_count; b++)
            f_cos[b] = surface->reflectance[b]*scale*value;
        return value > 0.0f ? fabsf(in)*LR_INV_PI_F : 0.0f;
    }
    const lr_frame3f frame = lr_frame_aroundf(n);
    float pdf;
    lr_surface_eval(surface, scale, lr_frame_fromf(frame, wo), lr_frame_fromf(frame, wi), f_cos, &pdf);
    return pdf;
}

#endif
