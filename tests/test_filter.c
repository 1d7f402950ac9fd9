// SPDX-License-Identifier: Apache-2.0
#include "close.h"
#include "core/vec.h"
#include "optics/filter.h"

static lr_filter filter_850(double index)
{
    lr_filter filter = lr_filter_default();
    filter.present = 1;
    filter.index = index;
    return filter;
}

// lambda0 sqrt(1 - (sin/n)^2) for 850 nm (Smith, Modern Optical Engineering), evaluated to 0.001 nm.
static void band_moves_to_the_blue(void **state)
{
    (void)state;
    const double index[3] = {1.7, 2.0, 2.3}, deg[4] = {10, 15, 20, 30};
    const double want_nm[4][3] = {{845.554, 846.790, 847.574}, {840.091, 842.853, 844.601}, {832.620, 837.479, 840.549}, {812.404, 823.009, 829.672}};
    for (int row = 0; row < 4; row++)
        for (int i = 0; i < 3; i++) {
            lr_filter filter = filter_850(index[i]);
            assert_near(lr_filter_center(&filter, deg[row]*LR_DEG)*1e9, want_nm[row][i], 0.001);
            assert_near(lr_filter_shift(&filter, -deg[row]*LR_DEG)*1e9, want_nm[row][i] - 850.0, 0.001);
            filter.angle_factor = 0.5;  // a lens that halves the angle at the filter
            assert_near(lr_filter_center(&filter, 2.0*deg[row]*LR_DEG)*1e9, want_nm[row][i], 0.001);
        }
}

// By definition of the width: half of the peak at +- width/2, whatever the order; exp(-ln2 2^(2n)) at +- width.
static void width_is_at_half_maximum(void **state)
{
    (void)state;
    lr_filter filter = filter_850(2.0);
    for (double order = 1.0; order < 6.0; order += 1.0) {
        filter.order = order;
        assert_rel(lr_filter_transmission(&filter, 850e-9, 0.0), 0.9, 1e-12);
        assert_rel(lr_filter_transmission(&filter, 835e-9, 0.0), 0.45, 1e-10);
        assert_rel(lr_filter_transmission(&filter, 865e-9, 0.0), 0.45, 1e-10);
        assert_rel(lr_filter_transmission(&filter, 880e-9, 0.0), 0.9*exp(-log(2.0)*pow(2.0, 2.0*order)), 1e-8);
    }
    filter.order = 1.0;  // a Gaussian of that width: sigma = width / (2 sqrt(2 ln 2))
    const double sigma_nm = 30.0/(2.0*sqrt(2.0*log(2.0)));
    assert_rel(lr_filter_transmission(&filter, 860e-9, 0.0), 0.9*exp(-50.0/(sigma_nm*sigma_nm)), 1e-10);
}

static void band_and_equivalent_width(void **state)
{
    (void)state;
    lr_filter filter = filter_850(2.0);
    for (double order = 0.5; order < 5.0; order += 0.5) {
        filter.order = order;
        double lo, hi, sum = 0.0;
        lr_filter_band(&filter, 0.3, 0.01, &lo, &hi);
        assert_rel(lr_filter_transmission(&filter, lo, 0.3), 0.009, 1e-9);
        assert_rel(lr_filter_transmission(&filter, hi, 0.3), 0.009, 1e-9);
        const int steps = 200000;  // trapezoid over +-600 nm; order 0.5 has a kink: (0.006 nm)^2/width^2
        for (int i = 0; i <= steps; i++)
            sum += 1200e-9/steps*lr_filter_transmission(&filter, 250e-9 + 1200e-9*i/steps, 0.0);
        assert_rel(lr_filter_equivalent_width_m(&filter), sum, 1e-7);
    }
}

static void no_filter_lets_all_through(void **state)
{
    (void)state;
    const lr_filter none = {0};
    double lo, hi;
    assert_true(lr_filter_transmission(&none, 500e-9, 1.0) == 1.0);
    lr_filter_band(&none, 0.0, 0.5, &lo, &hi);
    assert_true(lo == 0.0 && isinf(hi));
    assert_int_equal(lr_filter_check(&none, NULL), LR_OK);
}

static void faults_are_named(void **state)
{
    (void)state;
    lr_error err = {0};
    lr_filter filter = filter_850(0.9);
    assert_int_equal(lr_filter_check(&filter, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "index: 0.9 is not 1 or more");
    filter = filter_850(2.0);
    filter.width_m = 0.0;
    assert_int_equal(lr_filter_check(&filter, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "width_m: 0 is not above 0");
    filter = filter_850(2.0);
    filter.peak = 1.01;
    assert_int_equal(lr_filter_check(&filter, &err), LR_ERR_RANGE);
    filter = filter_850(2.0);
    filter.order = (double)NAN;
    assert_int_equal(lr_filter_check(&filter, &err), LR_ERR_RANGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(band_moves_to_the_blue),
        cmocka_unit_test(width_is_at_half_maximum),
        cmocka_unit_test(band_and_equivalent_width),
        cmocka_unit_test(no_filter_lets_all_through),
        cmocka_unit_test(faults_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
