// SPDX-License-Identifier: Apache-2.0
// What a material may be: defaults and checks.
#include "scene/material.h"

#include <assert.h>
#include <string.h>

const char *const lr_material_kind_names[] = {"diffuse", "rough_diffuse", "metal", "coated", "pane",
                                              "glass", "mirror", "retroreflector", NULL};

#define ROUGHNESS_LEAST 1e-3  // below this a float no longer resolves the lobe; 0 stands for perfectly smooth

lr_material_def lr_material_def_default(void)
{
    lr_material_def def;
    memset(&def, 0, sizeof def);
    def.kind = LR_MATERIAL_DIFFUSE;
    def.thickness_m = 4e-3;
    def.roughness = 0.2;
    def.retro_share = 0.5;
    def.retro_width_rad = 0.5*LR_DEG;
    def.texture_size_m[0] = def.texture_size_m[1] = 1.0;
    return def;
}

void lr_material_def_free(lr_material_def *def)
{
    if (!def)
        return;
    lr_table_free(&def->reflectance);
    lr_table_free(&def->index_n);
    lr_table_free(&def->index_k);
    lr_table_free(&def->absorption_per_m);
}

static lr_status check_number(const char *key, double value, double scale, double lo, double hi, lr_error *err)
{
    if (!(value >= lo && value <= hi))
        return lr_fail(err, LR_ERR_RANGE, "%s: %g is outside %g .. %g", key, value/scale, lo/scale, hi/scale);
    return LR_OK;
}

static lr_status check_table(const char *key, const lr_table *table, double lo, double hi, lr_error *err)
{
    for (int i = 0; i < table->count; i++) {
        if (!(table->y[i] >= lo && table->y[i] <= hi))
            return lr_fail(err, LR_ERR_RANGE, "%s: %g is outside %g .. %g", key, table->y[i], lo, hi);
        if (table->count > 1 && !(table->x[i] > 0.0 && table->x[i] < 1e-3))
            return lr_fail(err, LR_ERR_RANGE, "%s: %g nm is not a wavelength", key, table->x[i]*1e9);
    }
    return LR_OK;
}

static lr_status check_roughness(double alpha, lr_error *err)
{
    if (alpha == 0.0)
        return LR_OK;
    if (!(alpha >= ROUGHNESS_LEAST && alpha <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "roughness: %g is neither 0 nor in %g .. 1", alpha, ROUGHNESS_LEAST);
    return LR_OK;
}

static lr_status check_metal(const lr_material_def *def, lr_error *err)
{
    if (def->index_n.count == 0 || def->index_k.count == 0)
        return lr_fail(err, LR_ERR_RANGE, "%s: missing: a metal needs index and index_k", def->index_n.count ? "index_k" : "index");
    LR_TRY(check_table("index", &def->index_n, 1e-6, 100.0, err));
    LR_TRY(check_table("index_k", &def->index_k, 0.0, 100.0, err));
    LR_TRY(check_roughness(def->roughness, err));
    LR_TRY(check_number("anisotropy", def->anisotropy, 1.0, -0.95, 0.95, err));
    if (def->roughness > 0.0 && !(def->roughness*(1.0 - fabs(def->anisotropy)) >= ROUGHNESS_LEAST))
        return lr_fail(err, LR_ERR_RANGE, "anisotropy: %g makes the smaller roughness fall below %g", def->anisotropy, ROUGHNESS_LEAST);
    if (!(def->roughness*(1.0 + fabs(def->anisotropy)) <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "anisotropy: %g makes the larger roughness exceed 1", def->anisotropy);
    return LR_OK;
}

// The coat alone mirrors ((n-1)/(n+1))^2 at normal incidence; the whole cannot do less.
static lr_status check_coat(const lr_material_def *def, double lambda_m, lr_error *err)
{
    const double n = def->index_n.count ? lr_table_at(&def->index_n, lambda_m) : 1.5;
    const double r = def->reflectance.count ? lr_table_at(&def->reflectance, lambda_m) : 0.5;
    const double gloss = (n - 1.0)*(n - 1.0)/((n + 1.0)*(n + 1.0));
    if (!(r >= gloss*(1.0 - 1e-9)))
        return lr_fail(err, LR_ERR_RANGE, "reflectance: %g is below the %.4g that a coat of index %g mirrors alone", r, gloss, n);
    return LR_OK;
}

static lr_status check_coated(const lr_material_def *def, lr_error *err)
{
    LR_TRY(check_table("index", &def->index_n, 1.0, 3.0, err));
    LR_TRY(check_roughness(def->roughness, err));
    LR_TRY(check_coat(def, 850e-9, err));
    for (int i = 0; def->reflectance.count > 1 && i < def->reflectance.count; i++)
        LR_TRY(check_coat(def, def->reflectance.x[i], err));
    for (int i = 0; def->index_n.count > 1 && i < def->index_n.count; i++)
        LR_TRY(check_coat(def, def->index_n.x[i], err));
    return LR_OK;
}

static lr_status check_clear(const lr_material_def *def, lr_error *err)
{
    LR_TRY(check_table("index", &def->index_n, 1.0, 5.0, err));
    LR_TRY(check_table("absorption_per_m", &def->absorption_per_m, 0.0, 1e6, err));
    LR_TRY(check_number("thickness_mm", def->thickness_m, 1e-3, 0.0, 1.0, err));
    if (def->texture_file[0])
        return lr_fail(err, LR_ERR_RANGE, "texture: not possible on %s", lr_material_kind_names[def->kind]);
    return LR_OK;
}

lr_status lr_material_def_check(const lr_material_def *def, lr_error *err)
{
    assert(def);
    if ((unsigned)def->kind >= LR_MATERIAL_KINDS)
        return lr_fail(err, LR_ERR_RANGE, "kind: %d is not a kind of material", (int)def->kind);
    LR_TRY(check_table("reflectance", &def->reflectance, 0.0, 1.0, err));
    for (int i = 0; i < 2 && def->texture_file[0]; i++)
        if (!(def->texture_size_m[i] > 0.0 && def->texture_size_m[i] < 1e6))
            return lr_fail(err, LR_ERR_RANGE, "texture.size_m: %g is not above 0", def->texture_size_m[i]);
    switch (def->kind) {
    case LR_MATERIAL_ROUGH_DIFFUSE:
        return check_number("roughness", def->roughness, 1.0, 0.0, 1.0, err);
    case LR_MATERIAL_METAL:
        return check_metal(def, err);
    case LR_MATERIAL_COATED:
        return check_coated(def, err);
    case LR_MATERIAL_PANE:
    case LR_MATERIAL_GLASS:
        return check_clear(def, err);
    case LR_MATERIAL_RETROREFLECTOR:
        LR_TRY(check_number("retro_share", def->retro_share, 1.0, 0.0, 1.0, err));
        return check_number("retro_width_deg", def->retro_width_rad, LR_DEG, 0.1*LR_DEG*(1.0 - 1e-9), 45.0*LR_DEG*(1.0 + 1e-9), err);
    case LR_MATERIAL_DIFFUSE:
    case LR_MATERIAL_MIRROR:
    case LR_MATERIAL_KINDS:
        break;
    }
    return LR_OK;
}
