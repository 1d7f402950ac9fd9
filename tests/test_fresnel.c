// SPDX-License-Identifier: Apache-2.0
#include <complex.h>

#include "close.h"
#include "core/vec.h"
#include "optics/fresnel.h"

// {angle deg, Rs, Rp, mean} for n = 1.5: Fresnel's formulas (Born & Wolf, section 1.5) to six decimals.
static const double glass_rows[][4] = {
    {0, 0.04, 0.04, 0.04}, {10, 0.041659, 0.038371, 0.040015}, {20, 0.047081, 0.033452, 0.040266},
    {30, 0.057796, 0.025249, 0.041523}, {40, 0.077158, 0.01431, 0.045734}, {45, 0.092013, 0.008466, 0.05024},
    {50, 0.112048, 0.003278, 0.057663}, {56.3099, 0.147929, 0, 0.073964}, {60, 0.176571, 0.001802, 0.089187},
    {65, 0.228063, 0.012963, 0.120513}, {70, 0.299595, 0.04249, 0.171043}, {75, 0.399356, 0.106765, 0.253061},
    {80, 0.538595, 0.236814, 0.387704}, {85, 0.732345, 0.493254, 0.6128}, {89, 0.939472, 0.868898, 0.904185},
};

// {nm, n, R of one surface}: Schott N-BK7, catalogue of 2017, Sellmeier's formula.
static const double bk7_rows[][3] = {
    {486.133, 1.522376, 0.042889}, {546.074, 1.518722, 0.042414}, {587.562, 1.5168, 0.042165},
    {632.8, 1.515089, 0.041943}, {650, 1.51452, 0.041869}, {656.273, 1.514322, 0.041844}, {780, 1.511183, 0.041438},
    {808, 1.510619, 0.041365}, {830, 1.510202, 0.041311}, {850, 1.50984, 0.041264}, {852.11, 1.509803, 0.04126},
    {905, 1.508917, 0.041145}, {940, 1.508373, 0.041075}, {1060, 1.506688, 0.040858},
};

// {nm, n, k, R at normal incidence}; R = ((n-1)^2+k^2)/((n+1)^2+k^2). n and k: refractiveindex.info database (CC0),
// after Rakic 1995 and 1998, McPeak 2015, Johnson & Christy 1972 and 1974, Olmon 2012, Querry 1985.
static const double metal_rows[][4] = {
    // Al, Rakic 1995
    {650, 1.558, 7.7124, 0.9056}, {780, 2.6544, 8.4646, 0.8751}, {808, 2.7671, 8.3049, 0.8669},
    {830, 2.7199, 8.2122, 0.8661}, {850, 2.5884, 8.1687, 0.8699}, {905, 2.0522, 8.2566, 0.8941},
    {940, 1.6737, 8.6085, 0.9176},
    // Al, McPeak 2015
    {650, 1.2464, 6.8523, 0.9041}, {780, 2.2315, 7.6039, 0.8692}, {808, 2.4054, 7.4643, 0.8571},
    {830, 2.3753, 7.2884, 0.8527}, {850, 2.2049, 7.1881, 0.8576}, {905, 1.6024, 7.4395, 0.8968},
    {940, 1.3556, 7.8125, 0.9186},
    // Ag, Johnson-Christy 1972
    {650, 0.0522, 4.4094, 0.9898}, {780, 0.0337, 5.4208, 0.9956}, {808, 0.038, 5.6294, 0.9954},
    {830, 0.04, 5.8004, 0.9954}, {850, 0.04, 5.9655, 0.9956}, {905, 0.04, 6.4081, 0.9962},
    {940, 0.04, 6.6668, 0.9965},
    // Ag, McPeak 2015
    {650, 0.0509, 4.4602, 0.9903}, {780, 0.0635, 5.513, 0.9919}, {808, 0.0668, 5.7383, 0.9922},
    {830, 0.0682, 5.9113, 0.9924}, {850, 0.0701, 6.0765, 0.9926}, {905, 0.0762, 6.5084, 0.993},
    {940, 0.08, 6.7841, 0.9932},
    // Au, Johnson-Christy 1972
    {650, 0.1556, 3.6024, 0.9565}, {780, 0.1474, 4.7414, 0.9752}, {808, 0.156, 4.9741, 0.9761},
    {830, 0.1613, 5.1558, 0.9769}, {850, 0.1641, 5.3194, 0.9779}, {905, 0.1771, 5.7601, 0.9795},
    {940, 0.1961, 6.0214, 0.9792},
    // Au, McPeak 2015
    {650, 0.1255, 3.7923, 0.9679}, {780, 0.1013, 5.0516, 0.9848}, {808, 0.1056, 5.2952, 0.9856},
    {830, 0.1045, 5.4924, 0.9867}, {850, 0.111, 5.6593, 0.9866}, {905, 0.1169, 6.1229, 0.9879},
    {940, 0.1226, 6.4104, 0.9884},
    // Au, Olmon 2012 evaporated
    {650, 0.1546, 3.647, 0.9577}, {780, 0.1239, 4.834, 0.9799}, {808, 0.1248, 5.0712, 0.9815},
    {830, 0.1265, 5.255, 0.9825}, {850, 0.1286, 5.42, 0.9832}, {905, 0.1367, 5.865, 0.9847},
    {940, 0.1431, 6.143, 0.9853},
    // Cu, Johnson-Christy 1972
    {650, 0.2378, 3.6264, 0.9352}, {780, 0.2474, 4.8549, 0.9606}, {808, 0.256, 5.0764, 0.9626},
    {830, 0.265, 5.2538, 0.9637}, {850, 0.2763, 5.4197, 0.9643}, {905, 0.3028, 5.8603, 0.9664},
    {940, 0.3104, 6.1087, 0.9682},
    // Cu, McPeak 2015
    {650, 0.1042, 3.7757, 0.9731}, {780, 0.1042, 4.9858, 0.984}, {808, 0.1055, 5.2088, 0.9851},
    {830, 0.1081, 5.399, 0.9858}, {850, 0.1068, 5.5584, 0.9867}, {905, 0.111, 6, 0.9881},
    {940, 0.1162, 6.2722, 0.9885},
    // Fe, Johnson-Christy 1974
    {650, 2.9114, 3.0893, 0.5312}, {780, 2.8958, 3.3206, 0.558}, {808, 2.926, 3.368, 0.5626},
    {830, 2.9425, 3.4115, 0.567}, {850, 2.9482, 3.4594, 0.572}, {905, 2.9543, 3.5925, 0.586},
    {940, 2.9391, 3.68, 0.5954},
    // Fe, Querry 1985
    {650, 2.427, 3.361, 0.5787}, {780, 2.623, 3.642, 0.6024}, {808, 2.6554, 3.7098, 0.6084},
    {830, 2.678, 3.769, 0.6137}, {850, 2.7, 3.822, 0.6183}, {905, 2.7715, 3.962, 0.6295}, {940, 2.812, 4.047, 0.6361},
    // Cr, Johnson-Christy 1974
    {650, 3.1071, 3.3314, 0.5556}, {780, 3.1243, 3.4422, 0.5669}, {808, 3.176, 3.468, 0.5689},
    {830, 3.2127, 3.4851, 0.5701}, {850, 3.2408, 3.4963, 0.5709}, {905, 3.3155, 3.5271, 0.5731},
    {940, 3.3574, 3.5461, 0.5745},
    // Cr, Rakic 1998 BB model
    {650, 3.4256, 4.273, 0.6379}, {780, 3.9587, 4.1937, 0.6246}, {808, 4.0339, 4.1706, 0.6224},
    {830, 4.0848, 4.1532, 0.6209}, {850, 4.1254, 4.1383, 0.6197}, {905, 4.2116, 4.1038, 0.6171},
    {940, 4.2503, 4.0878, 0.616},
    // Ni, Johnson-Christy 1974
    {650, 1.99, 4.2086, 0.7013}, {780, 2.178, 4.8186, 0.7385}, {808, 2.234, 4.922, 0.7424},
    {830, 2.2777, 5.003, 0.7453}, {850, 2.3172, 5.0762, 0.7479}, {905, 2.4113, 5.2752, 0.7556},
    {940, 2.4417, 5.397, 0.7616},
};

#define COUNT(A) (int)(sizeof A/sizeof A[0])

static void glass_by_angle(void **state)
{
    (void)state;
    for (int i = 0; i < COUNT(glass_rows); i++) {
        const double c = cos(glass_rows[i][0]*LR_DEG);
        const lr_fresnel f = lr_fresnel_dielectric(c, 1.5);
        // Brewster's angle is printed to 0.0001 deg: that is 1e-6 in Rs.
        assert_near(f.s, glass_rows[i][1], 1.1e-6);
        assert_near(f.p, glass_rows[i][2], 1.1e-6);
        assert_near(lr_fresnel_mean(f), glass_rows[i][3], 1.1e-6);
        assert_near((double)lr_fresnel_dielectric_f((float)c, 1.5f), lr_fresnel_mean(f), 2e-6);  // float: 24 bits, cos rounded
    }
}

// Closed forms: ((n-1)/(n+1))^2 on the axis; Rp = 0 at atan n; Rp = Rs^2 at 45 degrees; total reflection beyond asin(1/n).
static void glass_closed_forms(void **state)
{
    (void)state;
    for (double n = 1.1; n < 4.0; n += 0.1) {
        const double r0 = (n - 1.0)/(n + 1.0);
        assert_rel(lr_fresnel_dielectric(1.0, n).s, r0*r0, 1e-12);
        assert_rel(lr_fresnel_dielectric(1.0, n).p, r0*r0, 1e-12);
        assert_near(lr_fresnel_dielectric(cos(atan(n)), n).p, 0.0, 1e-28);
        const lr_fresnel f = lr_fresnel_dielectric(sqrt(0.5), n);
        assert_rel(f.p, f.s*f.s, 1e-11);
        const double critical = asin(1.0/n);
        assert_true(lr_fresnel_dielectric(cos(critical + 1e-9), 1.0/n).s == 1.0);
        assert_true(lr_fresnel_dielectric_f((float)cos(critical + 1e-3), (float)(1.0/n)) == 1.0f);
        assert_true(lr_fresnel_dielectric(cos(critical - 1e-3), 1.0/n).s < 0.95);
        assert_near(lr_fresnel_dielectric(0.0, n).s, 1.0, 0.0);
        for (double in = 0.1; in < critical; in += 0.1) {  // the same surface from both sides (Stokes)
            const double out_angle = asin(n*sin(in));
            assert_rel(lr_fresnel_dielectric(cos(in), 1.0/n).s, lr_fresnel_dielectric(cos(out_angle), n).s, 1e-9);
        }
    }
}

static void metals_at_normal_incidence(void **state)
{
    (void)state;
    for (int i = 0; i < COUNT(metal_rows); i++) {
        const double n = metal_rows[i][1], k = metal_rows[i][2];
        assert_near(lr_fresnel_mean(lr_fresnel_conductor(1.0, n, k)), metal_rows[i][3], 6e-5);  // printed to 1e-4
        assert_near((double)lr_fresnel_conductor_f(1.0f, (float)n, (float)k), metal_rows[i][3], 6e-5);
    }
}

// Second road: the amplitudes themselves in complex numbers, cos_t = sqrt(1 - sin^2/N^2).
static void metals_by_complex_amplitudes(void **state)
{
    (void)state;
    for (int i = 0; i < COUNT(metal_rows); i += 3)
        for (double t = 0.0; t < 1.57; t += 0.04) {
            const double n = metal_rows[i][1], k = metal_rows[i][2], c = cos(t), s = sin(t);
            const double complex index = n + k*(double complex)I, ct = csqrt(1.0 - s*s/(index*index));
            const double rs = cabs((c - index*ct)/(c + index*ct)), rp = cabs((index*c - ct)/(index*c + ct));
            const lr_fresnel f = lr_fresnel_conductor(c, n, k);
            assert_near(f.s, rs*rs, 1e-13);
            assert_near(f.p, rp*rp, 1e-13);
            assert_near((double)lr_fresnel_conductor_f((float)c, (float)n, (float)k), 0.5*(rs*rs + rp*rp), 4e-6);
        }
}

static void metal_without_absorption_is_glass(void **state)
{
    (void)state;
    for (double n = 0.6; n < 3.0; n += 0.3)
        for (double c = 0.01; c <= 1.0; c += 0.03) {
            assert_near(lr_fresnel_conductor(c, n, 0.0).s, lr_fresnel_dielectric(c, n).s, 1e-12);
            assert_near(lr_fresnel_conductor(c, n, 0.0).p, lr_fresnel_dielectric(c, n).p, 1e-12);
        }
    assert_near(lr_fresnel_conductor(0.0, 2.5, 8.0).p, 1.0, 0.0);
}

static void bk7_index(void **state)
{
    (void)state;
    for (int i = 0; i < COUNT(bk7_rows); i++) {
        const double n = lr_index_bk7(bk7_rows[i][0]*1e-9);
        assert_near(n, bk7_rows[i][1], 1e-6);
        assert_near(lr_fresnel_dielectric(1.0, n).s, bk7_rows[i][2], 1e-6);
    }
    const double nd = lr_index_bk7(587.5618e-9), nf = lr_index_bk7(486.1327e-9), nc = lr_index_bk7(656.2725e-9);
    assert_near((nd - 1.0)/(nf - nc), 64.17, 0.005);  // Abbe number of the catalogue
}

// Closed form for diffuse light from outside: Walsh (1926), from memory; and 0.0917780 / 0.5963458 for n = 1.5 by an
// independent quadrature.
static void hemispherical_reflectance(void **state)
{
    (void)state;
    assert_near(lr_fresnel_hemispherical(1.5), 0.0917780, 6e-8);
    assert_near(lr_fresnel_hemispherical(1.0/1.5), 0.5963458, 6e-8);
    assert_near(lr_fresnel_hemispherical(1.0), 0.0, 1e-12);
    for (double n = 1.2; n < 3.0; n += 0.1) {
        const double n2 = n*n, n4 = n2*n2, a = n2 - 1.0, b = n2 + 1.0;
        const double walsh = 0.5 + (n - 1.0)*(3.0*n + 1.0)/(6.0*(n + 1.0)*(n + 1.0)) + n2*a*a/(b*b*b)*log((n - 1.0)/(n + 1.0))
            - 2.0*n*n2*(n2 + 2.0*n - 1.0)/(b*(n4 - 1.0)) + 8.0*n4*(n4 + 1.0)/(b*(n4 - 1.0)*(n4 - 1.0))*log(n);
        assert_near(lr_fresnel_hemispherical(n), walsh, 1e-8);
    }
}

// The pane against its own definition: follow the light from surface to surface.
static void pane_is_the_sum_of_its_bounces(void **state)
{
    (void)state;
    for (double t = 0.0; t < 1.56; t += 0.06)
        for (double absorption = 0.0; absorption < 100.0; absorption += 30.0) {
            const double n = 1.52, c = cos(t), thick_m = 6e-3, ct = sqrt(1.0 - (1.0 - c*c)/(n*n)), a = exp(-absorption*thick_m/ct);
            const lr_fresnel f = lr_fresnel_dielectric(c, n);
            double back = 0.0, through = 0.0;
            for (int p = 0; p < 2; p++) {
                const double r = p ? f.p : f.s;
                back += 0.5*r;
                double inside = 0.5*(1.0 - r);
                for (int bounce = 0; bounce < 4000; bounce++) {
                    inside *= a;
                    *(bounce % 2 ? &back : &through) += inside*(1.0 - r);
                    inside *= r;
                }
            }
            const lr_pane pane = lr_pane_at(c, n, absorption, thick_m);
            assert_near(pane.reflectance, back, 1e-12);
            assert_near(pane.transmittance, through, 1e-12);
            if (absorption == 0.0)
                assert_near(pane.reflectance + pane.transmittance, 1.0, 1e-14);
        }
    assert_rel(lr_pane_at(1.0, 1.5, 0.0, 1.0).reflectance, 0.08/1.04, 1e-12);  // 2R/(1+R), R = 0.04
    assert_near(lr_pane_at(0.0, 1.5, 10.0, 1e-3).reflectance, 1.0, 0.0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(glass_by_angle),
        cmocka_unit_test(glass_closed_forms),
        cmocka_unit_test(metals_at_normal_incidence),
        cmocka_unit_test(metals_by_complex_amplitudes),
        cmocka_unit_test(metal_without_absorption_is_glass),
        cmocka_unit_test(bk7_index),
        cmocka_unit_test(hemispherical_reflectance),
        cmocka_unit_test(pane_is_the_sum_of_its_bounces),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
