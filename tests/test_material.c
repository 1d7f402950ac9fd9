// SPDX-License-Identifier: Apache-2.0
// Surfaces with an extended lobe: reciprocity, energy in a white furnace, both sides, texture.
#include "material_cases.h"
#include "trace/surface_eval.h"

#define COUNT(a) ((int)(sizeof (a)/sizeof (a)[0]))

// White: stated to send all light back. `bound`: the test's grid leaves some (1/300)^2; the lobe's tables of 64 nodes
// (brushed: times 12 azimuths) and their own grids a few 1e-4.
static const struct { test_params p; double bound; } white[] = {
    {{"diffuse", LR_MATERIAL_DIFFUSE, 1.0, 0, 0, 0, 0, 0, 0}, 5e-5},
    {{"rough diffuse 0.1", LR_MATERIAL_ROUGH_DIFFUSE, 1.0, 0, 0, 0.1, 0, 0, 0}, 5e-5},
    {{"rough diffuse 0.5", LR_MATERIAL_ROUGH_DIFFUSE, 1.0, 0, 0, 0.5, 0, 0, 0}, 5e-5},
    {{"rough diffuse 1", LR_MATERIAL_ROUGH_DIFFUSE, 1.0, 0, 0, 1.0, 0, 0, 0}, 5e-5},
    {{"metal 0.02", LR_MATERIAL_METAL, 1.0, 1e-6, 5.0, 0.02, 0, 0, 0}, 1e-3},
    {{"metal 0.1", LR_MATERIAL_METAL, 1.0, 1e-6, 5.0, 0.1, 0, 0, 0}, 1e-3},
    {{"metal 0.4", LR_MATERIAL_METAL, 1.0, 1e-6, 5.0, 0.4, 0, 0, 0}, 1e-3},
    {{"metal 1", LR_MATERIAL_METAL, 1.0, 1e-6, 5.0, 1.0, 0, 0, 0}, 1e-3},
    {{"brushed metal", LR_MATERIAL_METAL, 1.0, 1e-6, 5.0, 0.3, 0.6, 0, 0}, 2e-3},
    {{"brushed metal, fine", LR_MATERIAL_METAL, 1.0, 1e-6, 5.0, 0.15, -0.8, 0, 0}, 2e-3},
    {{"coat 0.05", LR_MATERIAL_COATED, 1.0, 1.5, 0, 0.05, 0, 0, 0}, 1e-3},
    {{"coat 0.3", LR_MATERIAL_COATED, 1.0, 1.5, 0, 0.3, 0, 0, 0}, 1e-3},
    {{"coat 1, index 2", LR_MATERIAL_COATED, 1.0, 2.0, 0, 1.0, 0, 0, 0}, 1e-3},
    {{"retroreflector 0.3 deg", LR_MATERIAL_RETROREFLECTOR, 1.0, 0, 0, 0, 0, 0.7, 0.3}, 1e-3},
    {{"retroreflector 20 deg", LR_MATERIAL_RETROREFLECTOR, 1.0, 0, 0, 0, 0, 1.0, 20.0}, 1e-3},
};

static const double thetas_deg[] = {0.0, 20.0, 45.0, 70.0, 85.0};
static const double phis_deg[] = {0.0, 37.0, 90.0};

// Share of light from everywhere that goes to wo, by a grid of all directions crowded around the lobe.
static void albedo(const lr_surface *s, lr_vec3f wo, int steps, double out[TEST_BINS])
{
    const lr_vec3f axis = test_lobe_axis(s, wo);
    float f_cos[LR_MAX_BINS], pdf;
    for (int b = 0; b < TEST_BINS; b++)
        out[b] = 0.0;
    for (int i = 0; i < steps; i++)
        for (int j = 0; j < steps; j++) {
            lr_vec3f wi;
            const double area = test_direction_around(axis, (i + 0.5)/steps, (j + 0.5)/steps, &wi)/((double)steps*steps);
            lr_surface_eval(s, 1.0f, wo, wi, f_cos, &pdf);
            for (int b = 0; b < TEST_BINS; b++)
                out[b] += (double)f_cos[b]*area;
        }
}

static void white_furnace_gives_all_back(void **state)
{
    (void)state;
    for (int c = 0; c < COUNT(white); c++) {
        const lr_surface s = test_surface(&white[c].p);
        const int azimuths = s.alpha_x != s.alpha_y ? COUNT(phis_deg) : 1;
        for (int i = 0; i < COUNT(thetas_deg); i++)
            for (int j = 0; j < azimuths; j++) {
                double got[TEST_BINS];
                albedo(&s, test_direction(thetas_deg[i], phis_deg[j]), 300, got);
                if (close_scale() == 0.0)
                    printf("%s at %g, %g deg: ", white[c].p.label, thetas_deg[i], phis_deg[j]);
                assert_near(got[0], 1.0, white[c].bound);
            }
    }
}

// Diffuse, rough diffuse and retroreflectors send back the stated share at every angle; coats at normal incidence.
static void stated_reflectance_comes_back(void **state)
{
    (void)state;
    for (int c = 0; c < COUNT(white); c++) {
        test_params p = white[c].p;
        if (p.kind == LR_MATERIAL_METAL)
            continue;
        p.reflectance = 0.3;
        const lr_surface s = test_surface(&p);
        for (int i = 0; i < COUNT(thetas_deg); i++) {
            double got[TEST_BINS];
            albedo(&s, test_direction(thetas_deg[i], 37.0), 300, got);
            if (p.kind != LR_MATERIAL_COATED || thetas_deg[i] == 0.0)
                assert_near(got[1], 0.3, white[c].bound);
            else
                assert_true(got[1] < 1.0 && got[1] > 0.3 - white[c].bound);
        }
    }
}

// Real metal keeps less than its best facet would, and roughness takes more than it gives.
static void metal_never_gains(void **state)
{
    (void)state;
    static const double alpha[] = {0.05, 0.3, 1.0};
    for (int a = 0; a < COUNT(alpha); a++) {
        const test_params p = {"aluminium", LR_MATERIAL_METAL, 1.0, 2.5884, 8.1687, alpha[a], 0, 0, 0};
        const lr_surface s = test_surface(&p);
        for (int i = 0; i < COUNT(thetas_deg); i++) {
            double got[TEST_BINS];
            albedo(&s, test_direction(thetas_deg[i], 0.0), 200, got);
            assert_true(got[1] < 1.0 && got[1] > 0.6);
        }
    }
}

static const test_params colours[] = {
    {"diffuse", LR_MATERIAL_DIFFUSE, 0.5, 0, 0, 0, 0, 0, 0},
    {"rough diffuse", LR_MATERIAL_ROUGH_DIFFUSE, 0.4, 0, 0, 0.6, 0, 0, 0},
    {"metal", LR_MATERIAL_METAL, 1.0, 2.9, 3.4, 0.05, 0, 0, 0},
    {"rough metal", LR_MATERIAL_METAL, 1.0, 0.2, 5.0, 0.7, 0, 0, 0},
    {"brushed metal", LR_MATERIAL_METAL, 1.0, 2.6, 8.0, 0.3, 0.5, 0, 0},
    {"coat", LR_MATERIAL_COATED, 0.4, 1.5, 0, 0.15, 0, 0, 0},
    {"smooth coat", LR_MATERIAL_COATED, 0.4, 1.5, 0, 0.0, 0, 0, 0},
    {"retroreflector", LR_MATERIAL_RETROREFLECTOR, 0.6, 0, 0, 0, 0, 0.5, 5.0},
};

// f(wo, wi) = f(wi, wo). Floats: facets of alpha 0.05 and directions good to 1e-7 leave some 1e-6.
static void light_may_run_backwards(void **state)
{
    (void)state;
    for (int c = 0; c < COUNT(colours); c++) {
        const lr_surface s = test_surface(&colours[c]);
        for (uint32_t k = 0; k < 500; k++) {
            float u[4], there[LR_MAX_BINS], back[LR_MAX_BINS], pdf;
            lr_vec3f wi;
            test_uniforms(k, u);
            const lr_vec3f wo = test_direction(89.0*(double)u[0], 360.0*(double)u[1]);
            test_direction_around(test_lobe_axis(&s, wo), 0.9*(double)u[2], (double)u[3], &wi);
            lr_surface_eval(&s, 0.8f, wo, wi, there, &pdf);
            lr_surface_eval(&s, 0.8f, wi, wo, back, &pdf);
            if (!(wi.z > 0.01f))
                continue;
            for (int b = 0; b < TEST_BINS; b++)
                assert_rel((double)(there[b]*wo.z), (double)(back[b]*wi.z), 2e-5);
        }
    }
}

static void both_sides_are_alike_and_nothing_shines_through(void **state)
{
    (void)state;
    const lr_vec3f wo = test_direction(40.0, 10.0), wi = test_direction(50.0, 190.0);
    const lr_vec3f wo_down = lr_v3f(wo.x, wo.y, -wo.z), wi_down = lr_v3f(wi.x, wi.y, -wi.z);
    for (int c = 0; c < COUNT(colours); c++) {
        const lr_surface s = test_surface(&colours[c]);
        float front[LR_MAX_BINS], rear[LR_MAX_BINS], pdf_front, pdf_rear;
        lr_surface_eval(&s, 1.0f, wo, wi, front, &pdf_front);
        lr_surface_eval(&s, 1.0f, wo_down, wi_down, rear, &pdf_rear);
        assert_true(pdf_front > 0.0f);
        assert_near((double)pdf_rear, (double)pdf_front, 0.0);
        for (int b = 0; b < TEST_BINS; b++)
            assert_near((double)rear[b], (double)front[b], 0.0);
        lr_surface_eval(&s, 1.0f, wo, wi_down, rear, &pdf_rear);
        assert_near((double)(pdf_rear + rear[0] + rear[1] + rear[2]), 0.0, 0.0);
    }
}

// A texture scales all of a plain surface and the ground under a coat, whose gloss stays.
static void texture_scales(void **state)
{
    (void)state;
    const lr_vec3f wo = test_direction(30.0, 0.0), wi = test_direction(60.0, 70.0);
    for (int c = 0; c < COUNT(colours); c++) {
        const lr_surface s = test_surface(&colours[c]);
        float full[LR_MAX_BINS], half[LR_MAX_BINS], none[LR_MAX_BINS], pdf;
        lr_surface_eval(&s, 1.0f, wo, wi, full, &pdf);
        lr_surface_eval(&s, 0.5f, wo, wi, half, &pdf);
        lr_surface_eval(&s, 0.0f, wo, wi, none, &pdf);
        for (int b = 0; b < TEST_BINS; b++) {
            assert_rel((double)half[b], 0.5*((double)full[b] + (double)none[b]), 1e-6);
            assert_true(s.kind == LR_MATERIAL_COATED || none[b] == 0.0f);
        }
    }
}

// Oren & Nayar's model looks: along the light a rough wall seen at 75 degrees is brighter than a Lambert one, across it darker.
static void rough_wall_looks_back(void **state)
{
    (void)state;
    const test_params p = {"rough", LR_MATERIAL_ROUGH_DIFFUSE, 0.5, 0, 0, 0.5, 0, 0, 0};
    const lr_surface s = test_surface(&p);
    const lr_vec3f wo = test_direction(75.0, 0.0);
    float towards[LR_MAX_BINS], away[LR_MAX_BINS], pdf;
    lr_surface_eval(&s, 1.0f, wo, wo, towards, &pdf);
    lr_surface_eval(&s, 1.0f, wo, test_direction(75.0, 180.0), away, &pdf);
    const double lambert = 0.5*cos(75.0*LR_DEG)/LR_PI;
    // ratio of Oren & Nayar's A + B max(0, cos dphi) sin tan, sigma 0.5 (SIGGRAPH 1994, eq. 30), A and B as there:
    // A = 1 - 0.5 0.25/0.58, B = 0.45 0.25/0.34; towards gains B sin(75) tan(75)
    const double a = 1.0 - 0.125/0.58, b = 0.1125/0.34;
    const double gain = a + b*sin(75.0*LR_DEG)*tan(75.0*LR_DEG);
    assert_true((double)away[0] < lambert);
    assert_rel((double)towards[0]/lambert, gain, 0.15);  // theirs loses the light between facets, ours keeps it
}

// What is gathered evenly and what the lobe sends, added up, is the whole surface: an identity, to rounding.
static void base_and_lobe_make_the_whole(void **state)
{
    (void)state;
    int cases = 0;
    for (int c = 0; c < COUNT(white); c++) {
        const lr_surface s = test_surface(&white[c].p);
        lr_surface lobe = s;
        lobe.lobe_only = 1;
        if (!lr_surface_has_base(&s))
            continue;
        for (int i = 0; i < COUNT(thetas_deg); i++)
            for (int j = 0; j < COUNT(thetas_deg); j++) {
                const lr_vec3f wo = test_direction(thetas_deg[i], 10.0), wi = test_direction(thetas_deg[j], 130.0);
                float whole[LR_MAX_BINS], part[LR_MAX_BINS], base[LR_MAX_BINS], in[LR_MAX_BINS], pdf, lobe_pdf;
                lr_surface_eval(&s, 0.7f, wo, wi, whole, &pdf);
                lr_surface_eval(&lobe, 0.7f, wo, wi, part, &lobe_pdf);
                lr_surface_base(&s, 0.7f, wo.z, base);
                lr_surface_let_in(&s, wi.z, in);
                for (int b = 0; b < TEST_BINS; b++)
                    assert_near((double)(part[b] + base[b]*in[b]*wi.z), (double)whole[b], 1e-6 + 1e-5*(double)whole[b]);
                cases++;
            }
        // The lobe alone is drawn by its own density, and what it sends back is its albedo.
        const lr_vec3f wo = test_direction(45.0, 0.0);
        float in[LR_MAX_BINS];
        double got[TEST_BINS];
        albedo(&lobe, wo, 300, got);
        lr_surface_let_in(&s, wo.z, in);
        if (s.kind == LR_MATERIAL_COATED)
            assert_near(got[0], 1.0 - (double)in[0], 1e-3);
    }
    assert_true(cases > 100);
}

// Light paths evaluate matte surfaces in the world: the same numbers as in the surface's frame, to the rounding of a few dozen float operations.
static void matte_in_the_world_is_matte_in_the_frame(void **state)
{
    (void)state;
    for (int k = 0; k < 4; k++) {   // the matte ones come first
        const lr_surface s = test_surface(&white[k].p);
        for (uint32_t i = 0; i < 4000; i++) {
            float u[6], f[LR_MAX_BINS], world[LR_MAX_BINS], pdf;
            for (uint32_t j = 0; j < 6; j++)
                u[j] = 2.0f*lr_uniform(lr_hash(i, j)) - 1.0f;
            const lr_vec3f n = lr_unitf(lr_v3f(u[0], u[1], u[2] + 0.01f)), wo = lr_unitf(lr_v3f(u[3], u[4], u[5])), wi = lr_unitf(lr_v3f(u[5], u[0] + u[3], u[1]));
            const lr_frame3f frame = lr_frame_aroundf(n);
            lr_surface_eval(&s, 0.7f, lr_frame_fromf(frame, wo), lr_frame_fromf(frame, wi), f, &pdf);
            if (fabsf(lr_dotf(n, wo)) < 1e-5f || fabsf(lr_dotf(n, wi)) < 1e-5f)
                continue;   // which side it is may round either way
            assert_near((double)lr_surface_eval_world(&s, 0.7f, n, wo, wi, world), (double)pdf, 1e-6);
            for (int b = 0; b < TEST_BINS; b++)
                assert_near((double)world[b], (double)f[b], 2e-6);
        }
    }
}

static void bad_values_are_named(void **state)
{
    (void)state;
    lr_error err;
    lr_material_def def = lr_material_def_default();
    assert_int_equal(lr_material_def_check(&def, &err), LR_OK);
    def.kind = LR_MATERIAL_METAL;
    assert_int_equal(lr_material_def_check(&def, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "index: missing: a metal needs index and index_k");
    def.kind = LR_MATERIAL_COATED;
    def.roughness = (double)NAN;
    assert_int_equal(lr_material_def_check(&def, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "roughness: nan is neither 0 nor in 0.001 .. 1");
    def.roughness = 0.1;
    assert_int_equal(lr_table_constant(0.03, &def.reflectance, NULL), LR_OK);
    assert_int_equal(lr_material_def_check(&def, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "reflectance: 0.03 is below the 0.04 that a coat of index 1.5 mirrors alone");
    lr_table_free(&def.reflectance);
    assert_int_equal(lr_table_constant(1.2, &def.reflectance, NULL), LR_OK);
    assert_int_equal(lr_material_def_check(&def, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "reflectance: 1.2 is outside 0 .. 1");
    lr_material_def_free(&def);
    def.kind = LR_MATERIAL_RETROREFLECTOR;
    def.retro_width_rad = 60.0*LR_DEG;
    assert_int_equal(lr_material_def_check(&def, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "retro_width_deg: 60 is outside 0.1 .. 45");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(white_furnace_gives_all_back),
        cmocka_unit_test(stated_reflectance_comes_back),
        cmocka_unit_test(metal_never_gains),
        cmocka_unit_test(light_may_run_backwards),
        cmocka_unit_test(both_sides_are_alike_and_nothing_shines_through),
        cmocka_unit_test(texture_scales),
        cmocka_unit_test(rough_wall_looks_back),
        cmocka_unit_test(base_and_lobe_make_the_whole),
        cmocka_unit_test(matte_in_the_world_is_matte_in_the_frame),
        cmocka_unit_test(bad_values_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
