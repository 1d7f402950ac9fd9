// SPDX-License-Identifier: Apache-2.0
// Perfectly smooth surfaces: only mirror-like directions.
#ifndef LR_SCENE_SURFACE_SMOOTH_H
#define LR_SCENE_SURFACE_SMOOTH_H

#include "scene/material.h"

// lr_surface_draw for surfaces with `specular`. w chooses between mirrored and straight on.
int lr_surface_draw_smooth(const lr_surface *surface, float scale, lr_vec3f wo, float w, lr_surface_sample *sample);
// The share that is mirrored, from outside, at |cos| of incidence, for surfaces with `specular`.
void lr_surface_mirrored(const lr_surface *surface, float scale, float cosine, float share[LR_MAX_BINS]);

#endif
