// SPDX-License-Identifier: Apache-2.0
#include "close.h"
#include "core/vec.h"
#include "optics/daylight.h"

// {type, sun zenith deg, L/Lz at (Z 30, az 0), (60, 0), (60, 90), (60, 180), (85, 180), E/Lz}; azimuth from the sun's.
// CIE S 011 / ISO 15469 evaluated independently (200-point Gauss by 720 azimuths), five decimals.
static const double rows[][8] = {
    {1, 30, 0.93173, 0.66516, 0.66516, 0.66516, 0.33529, 2.44954},
    {2, 30, 1.50334, 0.66516, 0.43853, 0.36252, 0.171, 2.08602},
    {3, 30, 0.9615, 0.81785, 0.81785, 0.81785, 0.6693, 2.76999},
    {4, 30, 1.55135, 0.81785, 0.53919, 0.44574, 0.34134, 2.31542}, {5, 30, 1, 1, 1, 1, 1, 3.14159},
    {6, 30, 1.61348, 1, 0.65928, 0.54501, 0.50999, 2.58416}, {7, 30, 2.50369, 1, 0.50851, 0.40372, 0.39894, 2.42123},
    {8, 30, 3.41509, 1, 0.40248, 0.30062, 0.30507, 2.32838},
    {9, 30, 1.79296, 1.57695, 1.03965, 0.85946, 1.20333, 3.45932},
    {10, 30, 2.7822, 1.57695, 0.80189, 0.63665, 0.94131, 3.17026},
    {11, 30, 3.79498, 1.57695, 0.63468, 0.47406, 0.71981, 2.98906},
    {12, 30, 3.85246, 1.72615, 0.69473, 0.51891, 1.08566, 3.19057},
    {13, 30, 4.39119, 1.72615, 0.57313, 0.39165, 0.76601, 3.02585},
    {14, 30, 4.44439, 1.86071, 0.61781, 0.42218, 1.26888, 3.21696},
    {15, 30, 4.46384, 1.86071, 0.51727, 0.29269, 0.75908, 3.01586},
    {1, 60, 0.93173, 0.66516, 0.66516, 0.66516, 0.33529, 2.44954},
    {2, 60, 1.35282, 1.55825, 0.57727, 0.49181, 0.25365, 2.55658},
    {3, 60, 0.9615, 0.81785, 0.81785, 0.81785, 0.6693, 2.76999},
    {4, 60, 1.39603, 1.91597, 0.7098, 0.60471, 0.50634, 2.89015}, {5, 60, 1, 1, 1, 1, 1, 3.14159},
    {6, 60, 1.45194, 2.34268, 0.86788, 0.73939, 0.75652, 3.27783},
    {7, 60, 1.84677, 4.62373, 0.82426, 0.74789, 0.82889, 3.67305},
    {8, 60, 2.28653, 7.80871, 0.77674, 0.71579, 0.83665, 4.12308},
    {9, 60, 1.61345, 3.69429, 1.3686, 1.16598, 1.78499, 4.55275},
    {10, 60, 2.0522, 7.29139, 1.29982, 1.17939, 1.95575, 5.14491},
    {11, 60, 2.54088, 12.31395, 1.22488, 1.12877, 1.97407, 5.81763},
    {12, 60, 2.57937, 13.479, 1.34077, 1.23557, 2.97742, 6.39411},
    {13, 60, 3.06392, 18.25011, 1.2571, 1.02243, 2.33707, 6.99522},
    {14, 60, 3.10104, 19.67277, 1.3551, 1.10213, 3.8713, 7.7081},
    {15, 60, 3.59126, 22.88244, 1.20889, 0.74614, 2.40791, 8.11602},
};

static double ratio_at(const lr_sky *sky, double sun_deg, double zenith_deg, double azimuth_deg)
{
    const double z = zenith_deg*LR_DEG, s = sun_deg*LR_DEG;
    return lr_sky_ratio(sky, cos(z), cos(s)*cos(z) + sin(s)*sin(z)*cos(azimuth_deg*LR_DEG));
}

static void fifteen_skies(void **state)
{
    (void)state;
    static const double place[5][2] = {{30, 0}, {60, 0}, {60, 90}, {60, 180}, {85, 180}};
    for (size_t i = 0; i < sizeof rows/sizeof rows[0]; i++) {
        lr_sky sky;
        assert_int_equal(lr_sky_create((int)rows[i][0], rows[i][1]*LR_DEG, &sky, NULL), LR_OK);
        for (int p = 0; p < 5; p++)
            // Printed to 5e-6; at the sun itself acos(1 - 1e-16) = 1.5e-8 shifts a peak of slope 30 by 1e-7 of its height.
            assert_near(ratio_at(&sky, rows[i][1], place[p][0], place[p][1]), rows[i][2 + p], 5.1e-6 + 1e-7*rows[i][2 + p]);
        assert_rel(lr_sky_horizontal(&sky, rows[i][1]*LR_DEG), rows[i][7], 2e-5);  // the peak at the sun is a cusp: quadratures differ by 1e-5
    }
}

// Closed forms: type 5 is even, E = pi Lz; type 1 has 1/(1 + 4 e^-0.7) at the horizon; the old clear sky's constant 0.91 in
// type 12: 1 - 10 exp(-3 pi/2) (CIE clear sky of 1973, from memory).
static void closed_forms(void **state)
{
    (void)state;
    lr_sky sky;
    assert_int_equal(lr_sky_create(5, 1.0, &sky, NULL), LR_OK);
    assert_rel(ratio_at(&sky, 50.0, 70.0, 33.0), 1.0, 1e-15);
    assert_rel(lr_sky_horizontal(&sky, 1.0), LR_PI, 1e-12);
    assert_int_equal(lr_sky_create(1, 1.0, &sky, NULL), LR_OK);
    assert_near(lr_sky_ratio(&sky, 0.0, 0.3), 0.334858, 6e-7);
    assert_near(lr_sky_ratio(&sky, 0.5, 0.3), 0.665158, 6e-7);
    assert_near(lr_sky_horizontal(&sky, 1.0), 2.44954, 5.1e-6);
    assert_int_equal(lr_sky_create(12, 60.0*LR_DEG, &sky, NULL), LR_OK);
    // 90 degrees from the sun exp(d chi) cancels its own constant: f = 1 exactly; 0.91 + 10 exp(-3 chi) + 0.45 cos^2 chi elsewhere.
    const double chi = 0.7, old = 0.91 + 10.0*exp(-3.0*chi) + 0.45*cos(chi)*cos(chi);
    const double scale = lr_sky_ratio(&sky, 1.0, 0.0);  // = phi(0) f(90)/(phi(0) f(Zs))
    assert_rel(lr_sky_ratio(&sky, 1.0, cos(chi))/scale, old, 2e-4);  // 0.91 is rounded from 0.91017
    assert_true(lr_sky_ratio(&sky, -0.1, 0.5) == 0.0);
    assert_rel(lr_sky_ratio(&sky, 1.0, 0.5), 1.0, 1e-14);  // the zenith itself
}

static void faults_are_named(void **state)
{
    (void)state;
    lr_sky sky;
    lr_error err = {0};
    assert_int_equal(lr_sky_create(16, 1.0, &sky, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "sky type 16 is not in 1 .. 15");
    assert_int_equal(lr_sky_create(0, 1.0, &sky, &err), LR_ERR_RANGE);
    assert_int_equal(lr_sky_create(3, (double)NAN, &sky, &err), LR_ERR_RANGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fifteen_skies),
        cmocka_unit_test(closed_forms),
        cmocka_unit_test(faults_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
