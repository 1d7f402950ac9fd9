// SPDX-License-Identifier: Apache-2.0
// Surfaces of every kind and directions around their lobes, for the tests of materials.
#ifndef LR_TESTS_MATERIAL_CASES_H
#define LR_TESTS_MATERIAL_CASES_H

#include <string.h>

#include "close.h"
#include "core/rng.h"
#include "scene/material.h"

#define TEST_BINS 3

static inline lr_bins test_bins(void)
{
    lr_bins bins = {.ambient_count = 2, .line_count = 1};
    bins.edge_m[0] = 600e-9;
    bins.edge_m[1] = 700e-9;
    bins.edge_m[2] = 1000e-9;
    bins.center_m[0] = 650e-9;
    bins.center_m[1] = 850e-9;
    bins.center_m[2] = 940e-9;
    return bins;
}

static inline void test_spectrum(const double y[TEST_BINS], lr_table *out)
{
    static const double x[TEST_BINS] = {650e-9, 850e-9, 940e-9};
    assert_int_equal(lr_table_create(TEST_BINS, x, y, out, NULL), LR_OK);
}

typedef struct test_params {  // a surface in one line
    const char *label;
    lr_material_kind kind;
    double reflectance, n, k, roughness, anisotropy, share, width_deg;
} test_params;

static inline lr_surface test_surface(const test_params *p)
{
    lr_material_def def = lr_material_def_default();
    const lr_bins bins = test_bins();
    lr_error err = {{0}};
    lr_surface surface;
    def.kind = p->kind;
    def.roughness = p->roughness;
    def.anisotropy = p->anisotropy;
    def.retro_share = p->share;
    def.retro_width_rad = p->width_deg*LR_DEG;
    assert_int_equal(lr_table_constant(p->reflectance, &def.reflectance, NULL), LR_OK);
    if (p->n > 0.0)
        assert_int_equal(lr_table_constant(p->n, &def.index_n, NULL), LR_OK);
    if (p->kind == LR_MATERIAL_METAL)
        assert_int_equal(lr_table_constant(p->k, &def.index_k, NULL), LR_OK);
    if (p->kind != LR_MATERIAL_RETROREFLECTOR)
        def.retro_width_rad = LR_DEG;
    if (lr_material_def_check(&def, &err) != LR_OK)
        fail_msg("%s: %s", p->label, err.text);
    lr_surface_bake(&def, &bins, &surface);
    lr_material_def_free(&def);
    return surface;
}

static inline lr_vec3f test_direction(double theta_deg, double phi_deg)
{
    const double t = theta_deg*LR_DEG, p = phi_deg*LR_DEG;
    return lr_v3f((float)(sin(t)*cos(p)), (float)(sin(t)*sin(p)), (float)cos(t));
}

// Where the lobe points; diffuse kinds have none and any will do.
static inline lr_vec3f test_lobe_axis(const lr_surface *s, lr_vec3f wo)
{
    return s->kind == LR_MATERIAL_RETROREFLECTOR ? wo : lr_v3f(-wo.x, -wo.y, wo.z);
}

// All directions as (s, t) in the unit square, crowded around the axis: angle off it pi s^3, azimuth 2 pi t. Returns dw/(ds dt).
static inline double test_direction_around(lr_vec3f axis, double s, double t, lr_vec3f *w)
{
    const double angle = LR_PI*s*s*s, phi = 2.0*LR_PI*t;
    const lr_mat3 frame = lr_frame_around(lr_unit(lr_v3((double)axis.x, (double)axis.y, (double)axis.z)));
    *w = lr_v3f_of(lr_rotate(frame, lr_v3(sin(angle)*cos(phi), sin(angle)*sin(phi), cos(angle))));
    return 2.0*LR_PI*3.0*LR_PI*s*s*sin(angle);
}

// The inverse of the above.
static inline void test_place_around(lr_vec3f axis, lr_vec3f w, double *s, double *t)
{
    const lr_mat3 frame = lr_frame_around(lr_unit(lr_v3((double)axis.x, (double)axis.y, (double)axis.z)));
    const lr_vec3 v = lr_rotate_back(frame, lr_v3((double)w.x, (double)w.y, (double)w.z));
    const double angle = atan2(hypot(v.x, v.y), v.z), turn = atan2(v.y, v.x)/(2.0*LR_PI);
    *s = cbrt(angle/LR_PI);
    *t = turn < 0.0 ? turn + 1.0 : turn;
}

// Independent uniform numbers, four a call.
static inline void test_uniforms(uint32_t index, float u[4])
{
    const uint32_t key[2] = {20261125u, 7u}, counter[4] = {index, 0u, 0u, 0u};
    uint32_t word[4];
    lr_philox(key, counter, word);
    for (int i = 0; i < 4; i++)
        u[i] = lr_uniform(word[i]);
}

#endif
