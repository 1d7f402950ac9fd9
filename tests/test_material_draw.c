// SPDX-License-Identifier: Apache-2.0
// Drawing directions: by the stated density, with the stated weight, and to the same energy as the value's integral.
#include "material_cases.h"

#define COUNT(a) ((int)(sizeof (a)/sizeof (a)[0]))

static const test_params cases[] = {
    {"diffuse", LR_MATERIAL_DIFFUSE, 0.5, 0, 0, 0, 0, 0, 0},
    {"rough diffuse", LR_MATERIAL_ROUGH_DIFFUSE, 0.4, 0, 0, 0.6, 0, 0, 0},
    {"metal 0.03", LR_MATERIAL_METAL, 1.0, 2.9, 3.4, 0.03, 0, 0, 0},
    {"metal 0.3", LR_MATERIAL_METAL, 1.0, 0.2, 5.0, 0.3, 0, 0, 0},
    {"metal 1", LR_MATERIAL_METAL, 1.0, 0.2, 5.0, 1.0, 0, 0, 0},
    {"brushed metal", LR_MATERIAL_METAL, 1.0, 2.6, 8.0, 0.25, 0.7, 0, 0},
    {"coat 0.05", LR_MATERIAL_COATED, 0.4, 1.5, 0, 0.05, 0, 0, 0},
    {"coat 0.4", LR_MATERIAL_COATED, 0.1, 1.6, 0, 0.4, 0, 0, 0},
    {"retroreflector 0.5 deg", LR_MATERIAL_RETROREFLECTOR, 0.6, 0, 0, 0, 0, 0.8, 0.5},
    {"retroreflector 10 deg", LR_MATERIAL_RETROREFLECTOR, 0.6, 0, 0, 0, 0, 0.5, 10.0},
};
static const double thetas_deg[] = {0.0, 35.0, 80.0};

enum { CELLS = 24, FINE = 10, DRAWS = 100000 };

// Expected share of draws in every cell of the crowded grid, from the density.
static double expected_shares(const lr_surface *s, lr_vec3f wo, double share[CELLS*CELLS])
{
    const lr_vec3f axis = test_lobe_axis(s, wo);
    const int steps = CELLS*FINE;
    double total = 0.0;
    memset(share, 0, CELLS*CELLS*sizeof *share);
    for (int i = 0; i < steps; i++)
        for (int j = 0; j < steps; j++) {
            lr_vec3f wi;
            float f_cos[LR_MAX_BINS], pdf;
            const double area = test_direction_around(axis, (i + 0.5)/steps, (j + 0.5)/steps, &wi)/((double)steps*steps);
            lr_surface_eval(s, 1.0f, wo, wi, f_cos, &pdf);
            share[(i/FINE)*CELLS + j/FINE] += (double)pdf*area;
            total += (double)pdf*area;
        }
    return total;
}

// Counts of draws in the same cells. Returns how many ended.
static int drawn_counts(const lr_surface *s, lr_vec3f wo, int count[CELLS*CELLS])
{
    int ended = 0;
    memset(count, 0, CELLS*CELLS*sizeof *count);
    for (uint32_t k = 0; k < DRAWS; k++) {
        float u[4];
        lr_surface_sample sample;
        double a, b;
        test_uniforms(k, u);
        if (!lr_surface_draw(s, 1.0f, wo, u[0], u[1], u[2], &sample)) {
            ended++;
            continue;
        }
        test_place_around(test_lobe_axis(s, wo), sample.wi, &a, &b);
        const int i = (int)fmin(CELLS - 1, a*CELLS), j = (int)fmin(CELLS - 1, b*CELLS);
        count[i*CELLS + j]++;
    }
    return ended;
}

// Pearson's chi-square over cells, neighbours pooled until 10 are expected. Mean = cells - 1, variance twice that.
static void check_chi_square(const char *label, const double share[], const int count[], double ended_expected, int ended)
{
    double chi2 = 0.0, expected = ended_expected*DRAWS, seen = ended;
    int cells = 0;
    for (int c = 0; c < CELLS*CELLS; c++) {
        if (expected >= 10.0) {
            chi2 += (seen - expected)*(seen - expected)/expected;
            cells++;
            expected = seen = 0.0;
        }
        expected += share[c]*DRAWS;
        seen += count[c];
    }
    if (expected > 1.0) {
        chi2 += (seen - expected)*(seen - expected)/expected;
        cells++;
    }
    const int freedom = cells - 1;
    if (close_scale() == 0.0)
        printf("%s: ", label);
    assert_true(freedom > 50);
    assert_near((chi2 - freedom)/sqrt(2.0*freedom), 0.0, 5.0);
}

// The density and the draws that end make up the whole.
static void draws_follow_their_density(void **state)
{
    (void)state;
    double share[CELLS*CELLS];
    int count[CELLS*CELLS];
    for (int c = 0; c < COUNT(cases); c++) {
        const lr_surface s = test_surface(&cases[c]);
        for (int t = 0; t < COUNT(thetas_deg); t++) {
            const lr_vec3f wo = test_direction(thetas_deg[t], 25.0);
            const double total = expected_shares(&s, wo, share);
            const int ended = drawn_counts(&s, wo, count);
            const double p = (double)ended/DRAWS;
            // grid of 240: some (1/240)^2 times the steepness of a fine lobe
            assert_near(total + p, 1.0, 5.0*sqrt(p*(1.0 - p)/DRAWS) + 3e-4);
            if (ended == 0)
                assert_near(total, 1.0, 3e-4);
            check_chi_square(cases[c].label, share, count, fmax(0.0, 1.0 - total), ended);
        }
    }
}

static void weight_is_value_over_density(void **state)
{
    (void)state;
    for (int c = 0; c < COUNT(cases); c++) {
        const lr_surface s = test_surface(&cases[c]);
        int alive = 0;
        for (uint32_t k = 0; k < 2000; k++) {
            float u[4], f_cos[LR_MAX_BINS], pdf;
            lr_surface_sample sample;
            test_uniforms(k, u);
            lr_vec3f wo = test_direction(88.0*(double)u[3], 200.0);
            if (k % 2)
                wo.z = -wo.z;  // from behind
            if (!lr_surface_draw(&s, 0.7f, wo, u[0], u[1], u[2], &sample))
                continue;
            alive++;
            lr_surface_eval(&s, 0.7f, wo, sample.wi, f_cos, &pdf);
            assert_true(sample.wi.z*wo.z > 0.0f && !sample.specular && sample.pdf > 0.0f && sample.radiance_scale == 1.0f);
            assert_near((double)lr_dotf(sample.wi, sample.wi), 1.0, 2e-6);
            assert_rel((double)sample.pdf, (double)pdf, 1e-6);
            for (int b = 0; b < TEST_BINS; b++)
                assert_rel((double)(sample.weight[b]*sample.pdf), (double)f_cos[b], 1e-6);
        }
        assert_true(alive > 1000);
    }
}

// Two roads to one number: the mean weight is the integral of the value.
static void mean_weight_is_the_albedo(void **state)
{
    (void)state;
    enum { STEPS = 240, N = 50000 };
    for (int c = 0; c < COUNT(cases); c++) {
        const lr_surface s = test_surface(&cases[c]);
        for (int t = 0; t < COUNT(thetas_deg); t++) {
            const lr_vec3f wo = test_direction(thetas_deg[t], 25.0), axis = test_lobe_axis(&s, wo);
            double integral = 0.0, sum = 0.0, sum2 = 0.0;
            for (int i = 0; i < STEPS; i++)
                for (int j = 0; j < STEPS; j++) {
                    lr_vec3f wi;
                    float f_cos[LR_MAX_BINS], pdf;
                    const double area = test_direction_around(axis, (i + 0.5)/STEPS, (j + 0.5)/STEPS, &wi);
                    lr_surface_eval(&s, 1.0f, wo, wi, f_cos, &pdf);
                    integral += (double)f_cos[1]*area/((double)STEPS*STEPS);
                }
            for (uint32_t k = 0; k < N; k++) {
                float u[4];
                lr_surface_sample sample;
                test_uniforms(k, u);
                const double w = lr_surface_draw(&s, 1.0f, wo, u[0], u[1], u[2], &sample) ? (double)sample.weight[1] : 0.0;
                sum += w;
                sum2 += w*w;
            }
            const double mean = sum/N, error = sqrt(fmax(0.0, sum2/N - mean*mean)/N);
            assert_near(mean, integral, 5.0*error + 3e-4*integral);
        }
    }
}

// A smooth coat mirrors by Fresnel and lets the rest to the ground: both kinds of draws together give the stated reflectance.
static void smooth_coat_mirrors_or_scatters(void **state)
{
    (void)state;
    enum { N = 40000 };
    const test_params p = {"smooth coat", LR_MATERIAL_COATED, 0.5, 1.5, 0, 0.0, 0, 0, 0};
    const lr_surface s = test_surface(&p);
    assert_int_equal(s.specular, 0);
    double mirrored = 0.0, scattered = 0.0, square = 0.0;
    for (uint32_t k = 0; k < N; k++) {
        float u[4], f_cos[LR_MAX_BINS], pdf;
        lr_surface_sample sample;
        test_uniforms(k, u);
        const lr_vec3f wo = test_direction(0.0, 0.0);
        assert_true(lr_surface_draw(&s, 1.0f, wo, u[0], u[1], u[2], &sample));
        if (sample.specular) {
            assert_true(sample.pdf == 0.0f && sample.wi.x == -wo.x && sample.wi.y == -wo.y && sample.wi.z == wo.z);
            mirrored += (double)sample.weight[0]/N;
        } else {
            lr_surface_eval(&s, 1.0f, wo, sample.wi, f_cos, &pdf);
            assert_rel((double)(sample.weight[0]*sample.pdf), (double)f_cos[0], 1e-6);
            scattered += (double)sample.weight[0]/N;
        }
        square += (double)(sample.weight[0]*sample.weight[0])/N;
    }
    const double error = sqrt(square/N);
    assert_near(mirrored, 0.04, 5.0*error);  // ((1.5 - 1)/(1.5 + 1))^2
    assert_near(mirrored + scattered, 0.5, 5.0*error);
}

// The lobe falls to half at the stated half width, square on.
static void retroreflector_has_its_width(void **state)
{
    (void)state;
    const test_params p = {"retroreflector", LR_MATERIAL_RETROREFLECTOR, 1.0, 0, 0, 0, 0, 1.0, 0.5};
    const lr_surface s = test_surface(&p);
    const lr_vec3f wo = test_direction(0.0, 0.0);
    float peak[LR_MAX_BINS], half[LR_MAX_BINS], pdf;
    lr_surface_eval(&s, 1.0f, wo, wo, peak, &pdf);
    lr_surface_eval(&s, 1.0f, wo, test_direction(0.5, 60.0), half, &pdf);
    assert_rel((double)half[0]/(double)peak[0], 0.5, 5e-4);  // cosines of half a degree: 1e-4; base: 1e-4
    lr_vec3f slant = test_direction(40.0, 10.0);
    lr_surface_eval(&s, 1.0f, slant, slant, half, &pdf);
    // back towards the light the radiance factor f falls as cos^4 of the lobe over the 1/cos^2 of its footprint
    assert_rel((double)half[0]/(double)slant.z/(double)peak[0], pow(cos(40.0*LR_DEG), 2.0), 5e-4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(draws_follow_their_density),
        cmocka_unit_test(weight_is_value_over_density),
        cmocka_unit_test(mean_weight_is_the_albedo),
        cmocka_unit_test(smooth_coat_mirrors_or_scatters),
        cmocka_unit_test(retroreflector_has_its_width),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
