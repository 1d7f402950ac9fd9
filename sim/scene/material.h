// SPDX-License-Identifier: Apache-2.0
// How surfaces send light on. Definition: spectra, from a file. Surface: the same baked to the bins of a scan.
// All reciprocal (panes and solid glass up to the n^2 of radiance) and create no energy (a white lobe is 1 to 1e-3, its
// tables' error). How each is built, with sources: surface.c.
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
    LR_MATERIAL_METAL,          // GGX microfacets on n + ik: roughness = alpha (0: perfectly smooth), anisotropy
    LR_MATERIAL_COATED,         // clear coat of index n, roughness alpha (0: smooth), over diffuse; see reflectance below
    LR_MATERIAL_PANE,           // thin clear sheet of index n, straight through or mirrored
    LR_MATERIAL_GLASS,          // solid, smooth, index n, absorption per metre
    LR_MATERIAL_MIRROR,         // reflectance, perfectly smooth
    LR_MATERIAL_RETROREFLECTOR, // lobe back to where light came from over a diffuse base
    LR_MATERIAL_KINDS
} lr_material_kind;
extern const char *const lr_material_kind_names[];  // as in files, in the order of the enum, then NULL

typedef struct lr_material_def {  // start from lr_material_def_default()
    char name[64];
    lr_material_kind kind;
    lr_table reflectance;    // over wavelength [m], 0..1; not given: 0.5. The share of light sent back, gloss included:
                             //   at every angle, but coated: at normal incidence (grazing shows more gloss)
    lr_table index_n, index_k;  // index_n not given: 1.5. Both needed for metal
    lr_table absorption_per_m;  // glass, pane; not given: 0
    double thickness_m;      // pane
    double roughness;        // metal, coated: alpha, 0 or 0.001 .. 1. Rough diffuse: 0 .. 1 rad
    double anisotropy;       // metal: alpha_x = alpha (1 + a), alpha_y = alpha (1 - a); -0.95 .. 0.95
    double retro_share;      // retroreflector: share of reflectance in the lobe, at normal incidence, 0..1
    double retro_width_rad;  // its half width at half maximum, 0.1 .. 45 deg
    char texture_file[256];  // empty: none; scales reflectance (coated: of the base only). Not on pane or glass
    double texture_size_m[2];   // one repeat, where a surface's uv is in metres
    char source[256];
} lr_material_def;

lr_material_def lr_material_def_default(void);
// First fault: LR_ERR_RANGE, `key: value rule`.
lr_status lr_material_def_check(const lr_material_def *def, lr_error *err);
void lr_material_def_free(lr_material_def *def);

// Share of light a lobe sends back, over sqrt(cosine) in even steps from 0 to 1.
#define LR_ALBEDO_NODES 64

typedef struct lr_surface {   // plain data, shared by all threads
    lr_material_kind kind;
    int bin_count;                       // ambient bins, then laser lines
    float reflectance[LR_MAX_BINS];
    float index_n[LR_MAX_BINS], index_k[LR_MAX_BINS];
    float transmittance_normal[LR_MAX_BINS];  // pane: internal transmittance straight through
    float absorption_per_m[LR_MAX_BINS];      // glass: the path tracer applies exp(-absorption length) inside
    float index_mean;                    // glass: the one index that bends (dispersion of direction is left out)
    float alpha_x, alpha_y;              // GGX
    float sigma;                         // rough diffuse
    float rough_r, rough_a, rough_left;  // rough diffuse: see surface.c
    float retro_share, retro_alpha;
    int albedo_rows;                     // coated: bins; metal: 1, or azimuths if anisotropic; retroreflector: 1
    float albedo[LR_MAX_BINS][LR_ALBEDO_NODES];  // of the lobe (metal: as if it mirrored all)
    float base_scale[LR_MAX_BINS];       // (albedo_rows, 1 for metal) 1/(pi (1 - mean albedo))
    float base[LR_MAX_BINS];             // reflectance of what the lobe lets through
    float base_mean, fresnel_mean;       // means over bins, for choosing lobes
    int specular;                        // 1: only mirror-like directions (pane, glass, mirror, smooth metal): eval is 0.
                                         //   A smooth coat is 0 here though some of its samples are mirror-like
    int lobe_only;                       // 1: without what the lobe lets through (coated, retroreflector); 0 as baked
    int clear;                           // 1: pane: shadow rays pass with lr_surface_pane_transmittance
    int texture;                         // index into the scene's textures or -1
    float texture_scale[2];              // repeats per unit of uv
    double diffuse_albedo;               // 0..1, a scalar for choosing lobes: mean share sent on without a lobe
} lr_surface;

// Tables of lobes cost 1 .. 100 ms a material. Leaves `texture` -1: the scene sets it.
void lr_surface_bake(const lr_material_def *def, const lr_bins *bins, lr_surface *out);

// Opaque kinds look alike from both sides. For glass wo.z < 0 means from inside.

// f [1/sr] times |cos wi| for every bin; and the density of lr_surface_draw for wi [1/sr]. `scale` is the texture's value.
// Mirror-like directions are not in it.
void lr_surface_eval(const lr_surface *surface, float scale, lr_vec3f wo, lr_vec3f wi, float f_cos[LR_MAX_BINS], float *pdf);

typedef struct lr_surface_sample {
    lr_vec3f wi;
    float weight[LR_MAX_BINS];  // f |cos| / pdf, or the mirror's own factor; for radiance coming from wi
    float pdf;                  // 0 for a mirror-like direction
    float radiance_scale;       // what `weight` holds of the n^2 of radiance (1 but for light that enters or leaves glass):
                                //   divide by it where power is carried, from a lamp on
    int specular;               // 1: mirror-like
} lr_surface_sample;
// Draws wi; u, v, w in [0, 1). Returns 0 when the path ends here (absorbed).
int lr_surface_draw(const lr_surface *surface, float scale, lr_vec3f wo, float u, float v, float w, lr_surface_sample *sample);

// The part of a surface that scatters evenly, apart: radiance out = lr_surface_base x integral of lr_surface_let_in x radiance x cos. The rest is
// what the surface does with lobe_only set. Coated and retroreflector exactly; matte kinds let all in, rough ones taken as even.
int lr_surface_has_base(const lr_surface *surface);  // 1: coated, retroreflector
void lr_surface_let_in(const lr_surface *surface, float cos_in, float share[LR_MAX_BINS]);
void lr_surface_base(const lr_surface *surface, float scale, float cos_out, float base[LR_MAX_BINS]);  // [1/sr]

// Straight through a thin pane at |cos| of incidence, per bin (both faces and inner bounces).
void lr_surface_pane_transmittance(const lr_surface *surface, float cosine, float transmittance[LR_MAX_BINS]);

#endif
