// SPDX-License-Identifier: Apache-2.0
// Mirror-like surfaces: pane, solid glass, mirror, smooth metal; and metal's limit of no roughness.
#include "material_cases.h"
#include "optics/fresnel.h"

#define COUNT(a) ((int)(sizeof (a)/sizeof (a)[0]))

static lr_surface clear_surface(lr_material_kind kind, double n, double absorption_per_m, double thickness_m)
{
    lr_material_def def = lr_material_def_default();
    const lr_bins bins = test_bins();
    lr_surface s;
    def.kind = kind;
    def.thickness_m = thickness_m;
    assert_int_equal(lr_table_constant(n, &def.index_n, NULL), LR_OK);
    assert_int_equal(lr_table_constant(absorption_per_m, &def.absorption_per_m, NULL), LR_OK);
    assert_int_equal(lr_material_def_check(&def, NULL), LR_OK);
    lr_surface_bake(&def, &bins, &s);
    lr_material_def_free(&def);
    return s;
}

// Mean of the weights over w: shares mirrored and straight on (or bent).
static void shares(const lr_surface *s, lr_vec3f wo, double *mirrored, double *through, lr_vec3f *beyond, double *radiance)
{
    enum { N = 20000 };
    *mirrored = *through = 0.0;
    for (int k = 0; k < N; k++) {
        lr_surface_sample sample;
        assert_true(lr_surface_draw(s, 1.0f, wo, 0.3f, 0.6f, ((float)k + 0.5f)/N, &sample));
        assert_true(sample.specular && sample.pdf == 0.0f);
        if (sample.wi.z*wo.z > 0.0f) {
            assert_true(sample.wi.x == -wo.x && sample.wi.y == -wo.y && sample.wi.z == wo.z);
            *mirrored += (double)sample.weight[1]/N;
        } else {
            *beyond = sample.wi;
            *radiance = (double)sample.radiance_scale;
            *through += (double)sample.weight[1]/N;
        }
    }
}

// One face at n = 1.5, Fresnel's equations computed in double elsewhere: angle [deg], R_s, R_p.
static const double face[][3] = {
    {0, 0.040000, 0.040000}, {30, 0.057796, 0.025249}, {45, 0.092013, 0.008466}, {56.3099, 0.147929, 0.000000},
    {60, 0.176571, 0.001802}, {75, 0.399356, 0.106765}, {85, 0.732345, 0.493254}, {89, 0.939472, 0.868898},
};

// Two clear faces by the geometric series: 2R/(1 + R) mirrored, (1 - R)/(1 + R) through, for each polarisation.
static void pane_is_the_sum_of_its_reflections(void **state)
{
    (void)state;
    const lr_surface s = clear_surface(LR_MATERIAL_PANE, 1.5, 0.0, 4e-3);
    assert_true(s.specular && s.clear);
    for (int i = 0; i < COUNT(face); i++) {
        const lr_vec3f wo = test_direction(face[i][0], 33.0);
        const double rs = face[i][1], rp = face[i][2], want = rs/(1.0 + rs) + rp/(1.0 + rp);
        double mirrored, through, radiance = 0.0;
        lr_vec3f beyond = {0, 0, 0};
        float straight[LR_MAX_BINS];
        shares(&s, wo, &mirrored, &through, &beyond, &radiance);
        assert_near(mirrored, want, 1e-4);       // 20000 steps in w, and the weight of one
        assert_near(through, 1.0 - want, 1e-4);
        assert_true(beyond.x == -wo.x && beyond.y == -wo.y && beyond.z == -wo.z && radiance == 1.0);
        lr_surface_pane_transmittance(&s, wo.z, straight);
        assert_near((double)straight[1], 1.0 - want, 3e-6);  // six digits of the table; at 89 deg a float's cosine
        lr_surface_pane_transmittance(&s, -wo.z, straight);
        assert_near((double)straight[1], 1.0 - want, 3e-6);
    }
}

static void tinted_pane_agrees_with_the_formula_in_double(void **state)
{
    (void)state;
    const lr_surface s = clear_surface(LR_MATERIAL_PANE, 1.52, 30.0, 6e-3);
    for (double t = 0.0; t < 89.0; t += 11.0) {
        const lr_vec3f wo = test_direction(t, 0.0);
        const lr_pane want = lr_pane_at(cos(t*LR_DEG), 1.52, 30.0, 6e-3);
        float straight[LR_MAX_BINS];
        double mirrored, through, radiance;
        lr_vec3f beyond;
        lr_surface_pane_transmittance(&s, wo.z, straight);
        assert_near((double)straight[0], want.transmittance, 1e-6);
        shares(&s, wo, &mirrored, &through, &beyond, &radiance);
        assert_near(mirrored, want.reflectance, 1e-4);
    }
    float grazing[LR_MAX_BINS];
    lr_surface_pane_transmittance(&s, 0.0f, grazing);
    assert_near((double)grazing[0], 0.0, 1e-4);
    const double one = 0.04258, a = exp(-30.0*6e-3);  // ((1.52 - 1)/(1.52 + 1))^2 = 0.042580
    lr_surface_pane_transmittance(&s, 1.0f, grazing);
    assert_near((double)grazing[0], (1 - one)*(1 - one)*a/(1 - one*one*a*a), 1e-5);
}

// Snell's law, Fresnel's share, n^2 of radiance in and out, and total reflection from inside.
static void glass_bends(void **state)
{
    (void)state;
    const lr_surface s = clear_surface(LR_MATERIAL_GLASS, 1.5, 7.0, 0.0);
    assert_rel((double)s.absorption_per_m[0], 7.0, 1e-6);
    for (int i = 0; i < COUNT(face); i++) {
        const lr_vec3f wo = test_direction(face[i][0], 33.0);
        const double want = 0.5*(face[i][1] + face[i][2]);
        double mirrored, through, radiance = 0.0;
        lr_vec3f in = {0, 0, 0}, out = {0, 0, 0};
        shares(&s, wo, &mirrored, &through, &in, &radiance);
        assert_near(mirrored, want, 1e-4);
        assert_near(radiance, 1.0/2.25, 1e-6);
        assert_near(through/radiance, 1.0 - want, 1e-4);
        assert_near(hypot((double)in.x, (double)in.y), sin(face[i][0]*LR_DEG)/1.5, 1e-6);
        assert_near((double)lr_dotf(in, in), 1.0, 1e-6);
        assert_true(in.z < 0.0f && in.x*wo.x <= 0.0f && in.y*wo.y <= 0.0f);
        if (face[i][0] > 88.0)
            continue;  // within a float of the critical angle on the way back
        shares(&s, in, &mirrored, &through, &out, &radiance);  // the way back: same share, out where it came from
        assert_near(mirrored, want, 2e-4);
        assert_near(radiance, 2.25, 1e-6);
        assert_near((double)lr_length(lr_sub(lr_v3((double)out.x, (double)out.y, (double)out.z), lr_v3((double)wo.x, (double)wo.y, (double)wo.z))), 0.0, 1e-5);
    }
    lr_vec3f inside = test_direction(42.0, 0.0), beyond;  // critical angle asin(1/1.5) = 41.81 deg
    double mirrored, through, radiance;
    inside.z = -inside.z;
    shares(&s, inside, &mirrored, &through, &beyond, &radiance);
    assert_near(mirrored, 1.0, 1e-6);
    assert_near(through, 0.0, 0.0);
}

static void mirror_is_exact(void **state)
{
    (void)state;
    const test_params p = {"mirror", LR_MATERIAL_MIRROR, 0.93, 0, 0, 0, 0, 0, 0};
    const lr_surface s = test_surface(&p);
    for (double t = -80.0; t < 170.0; t += 23.0) {
        const lr_vec3f wo = test_direction(t, 70.0);
        lr_surface_sample sample;
        float f_cos[LR_MAX_BINS], pdf;
        assert_true(lr_surface_draw(&s, 0.5f, wo, 0.1f, 0.2f, 0.9f, &sample));
        assert_true(sample.wi.x == -wo.x && sample.wi.y == -wo.y && sample.wi.z == wo.z && sample.pdf == 0.0f && sample.specular);
        for (int b = 0; b < TEST_BINS; b++)
            assert_rel((double)sample.weight[b], 0.465, 1e-6);
        lr_surface_eval(&s, 1.0f, wo, sample.wi, f_cos, &pdf);
        assert_true(pdf == 0.0f && f_cos[0] == 0.0f && f_cos[1] == 0.0f && f_cos[2] == 0.0f);
    }
}

// n, k and R = ((n-1)^2 + k^2)/((n+1)^2 + k^2) at 650, 850, 940 nm. Aluminium: Rakic 1995. Copper: Johnson & Christy 1972.
static const struct { const char *name; double n[3], k[3], r[3]; } metal[] = {
    {"aluminium", {1.5580, 2.5884, 1.6737}, {7.7124, 8.1687, 8.6085}, {0.9056, 0.8699, 0.9176}},
    {"copper", {0.2378, 0.2763, 0.3104}, {3.6264, 5.4197, 6.1087}, {0.9352, 0.9643, 0.9682}},
};

static lr_surface metal_surface(int m, double alpha)
{
    lr_material_def def = lr_material_def_default();
    const lr_bins bins = test_bins();
    lr_surface s;
    def.kind = LR_MATERIAL_METAL;
    def.roughness = alpha;
    test_spectrum(metal[m].n, &def.index_n);
    test_spectrum(metal[m].k, &def.index_k);
    assert_int_equal(lr_material_def_check(&def, NULL), LR_OK);
    lr_surface_bake(&def, &bins, &s);
    lr_material_def_free(&def);
    return s;
}

static void smooth_metal_has_its_reflectance(void **state)
{
    (void)state;
    for (int m = 0; m < COUNT(metal); m++) {
        const lr_surface s = metal_surface(m, 0.0);
        lr_surface_sample sample;
        assert_true(s.specular && !s.clear);
        assert_true(lr_surface_draw(&s, 1.0f, lr_v3f(0, 0, 1), 0.5f, 0.5f, 0.5f, &sample));
        for (int b = 0; b < 3; b++)
            assert_near((double)sample.weight[b], metal[m].r[b], 6e-5);  // four digits of the table
        const lr_vec3f wo = test_direction(70.0, 0.0);
        assert_true(lr_surface_draw(&s, 1.0f, wo, 0.5f, 0.5f, 0.5f, &sample));
        for (int b = 0; b < 3; b++)  // Born & Wolf 14.2 in double
            assert_near((double)sample.weight[b], lr_fresnel_mean(lr_fresnel_conductor((double)wo.z, metal[m].n[b], metal[m].k[b])), 2e-5);
    }
}

// The finer the facets, the nearer all that comes back square on is to the smooth metal's.
static void fine_metal_tends_to_smooth_metal(void **state)
{
    (void)state;
    static const double alpha[] = {0.2, 0.05, 0.0125};
    enum { SIDE = 200 };
    for (int m = 0; m < COUNT(metal); m++)
        for (int b = 0; b < 3; b++) {
            double last = 1.0;
            for (int a = 0; a < COUNT(alpha); a++) {
                const lr_surface s = metal_surface(m, alpha[a]);
                const lr_vec3f wo = lr_v3f(0, 0, 1);
                double mean = 0.0;
                for (int i = 0; i < SIDE; i++)
                    for (int j = 0; j < SIDE; j++) {
                        lr_vec3f wi;
                        float f_cos[LR_MAX_BINS], pdf;
                        const double area = test_direction_around(wo, (i + 0.5)/SIDE, (j + 0.5)/SIDE, &wi);
                        lr_surface_eval(&s, 1.0f, wo, wi, f_cos, &pdf);
                        mean += (double)f_cos[b]*area/(SIDE*SIDE);
                    }
                const double off = fabs(mean - metal[m].r[b]);  // about alpha^2 of light meets two facets
                assert_near(off, 0.0, alpha[a]*alpha[a] + 1e-4);
                assert_true(off < last + 1e-4);
                last = off;
            }
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pane_is_the_sum_of_its_reflections),
        cmocka_unit_test(tinted_pane_agrees_with_the_formula_in_double),
        cmocka_unit_test(glass_bends),
        cmocka_unit_test(mirror_is_exact),
        cmocka_unit_test(smooth_metal_has_its_reflectance),
        cmocka_unit_test(fine_metal_tends_to_smooth_metal),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
