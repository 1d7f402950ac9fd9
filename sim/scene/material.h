// SPDX-License-Identifier: Apache-2.0
// How surfaces send light on. Definition: spectra, from a file. Surface: the same baked to the bins of a scan.
// All reciprocal (panes and solid glass up to the n^2 of radiance) and never create energy.
// Local frame of the functions: z is the side's normal; wo and wi point away from the surface.
#ifndef LR_SCENE_MATERIAL_H
#define LR_SCENE_MATERIAL_H

#include "core/status.h"
#include "core/table.h"
#include "core/vecf.h"
#include "optics/bins.h"

typedef enum lr_material_kind {
    LR_MATERIAL_DIFFUSE,        // Lambert: reflectance
    LR_MATERIAL_ROUGH_DIFFUSE,  // rough diffuse: reflectance, roughness = sigma of slopes [rad]
    LR_MATERIAL_METAL,          // GGX microfacets on n + ik: roughness = alpha; anisotropy
    LR_MATERIAL_COATED,         // clear rough coat of index n over diffuse: reflectance, roughness
    LR_MATERIAL_PANE,           // thin clear sheet of index n, straight through or mirrored
    LR_MATERIAL_GLASS,          // solid, smooth, index n, absorption per metre
    LR_MATERIAL_MIRROR,         // reflectance, perfectly smooth
    LR_MATERIAL_RETROREFLECTOR, // lobe back to where light came from over a diffuse base
    LR_MATERIAL_KINDS
} lr_material_kind;

typedef struct lr_material_def {  // start from lr_material_def_default()
    char name[64];
    lr_material_kind kind;
    lr_table reflectance;    // over wavelength [m], 0..1
    lr_table index_n, index_k;
    lr_table absorption_per_m;  // glass, pane
    double thickness_m;      // pane
    double roughness, anisotropy;
    double retro_share;      // retroreflector: share of reflectance in the lobe
    double retro_width_rad;  // its half width
    char texture_file[256];  // empty: none; scales reflectance
    double texture_size_m[2];   // one repeat, where a surface's uv is in metres
    char source[256];
} lr_material_def;

lr_material_def lr_material_def_default(void);
lr_status lr_material_def_check(const lr_material_def *def, lr_error *err);
void lr_material_def_free(lr_material_def *def);

typedef struct lr_surface {   // plain data, shared by all threads
    lr_material_kind kind;
    int bin_count;                       // ambient bins, then laser lines
    float reflectance[LR_MAX_BINS];
    float index_n[LR_MAX_BINS], index_k[LR_MAX_BINS];
    float transmittance_normal[LR_MAX_BINS];  // pane: internal transmittance straight through
    float absorption_per_m[LR_MAX_BINS];
    float alpha_x, alpha_y;              // GGX
    float sigma;                         // rough diffuse
    float retro_share, retro_alpha;
    int specular;                        // 1: only mirror-like directions (pane, glass, mirror): eval is 0
    int clear;                           // 1: pane: shadow rays pass with lr_surface_pane_transmittance
    int texture;                         // index into the scene's textures or -1
    float texture_scale[2];              // repeats per unit of uv
    double diffuse_albedo;               // 0..1, a scalar for choosing lobes
} lr_surface;

void lr_surface_bake(const lr_material_def *def, const lr_bins *bins, lr_surface *out);

// f [1/sr] times |cos wi| for every bin; and the density of lr_surface_sample for wi [1/sr]. `scale` is the texture's value.
void lr_surface_eval(const lr_surface *surface, float scale, lr_vec3f wo, lr_vec3f wi, float f_cos[LR_MAX_BINS], float *pdf);

typedef struct lr_surface_sample {
    lr_vec3f wi;
    float weight[LR_MAX_BINS];  // f |cos| / pdf, or the mirror's own factor
    float pdf;                  // 0 for a mirror-like direction
    int specular;               // 1: mirror-like
} lr_surface_sample;
// Draws wi. Returns 0 when the path ends here (absorbed).
int lr_surface_draw(const lr_surface *surface, float scale, lr_vec3f wo, float u, float v, float w, lr_surface_sample *sample);

// Straight through a thin pane at |cos| of incidence, per bin (both faces and inner bounces).
void lr_surface_pane_transmittance(const lr_surface *surface, float cosine, float transmittance[LR_MAX_BINS]);

#endif
