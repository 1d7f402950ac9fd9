// SPDX-License-Identifier: Apache-2.0
// The colour scale of ranges: even steps by the CIE 1976 colour difference, lightness falling all the way (ISO/CIE 11664-4 and -6).
#include "close.h"

#include "page/colour.h"

static double difference(const double a[3], const double b[3])
{
    return sqrt((a[0] - b[0])*(a[0] - b[0]) + (a[1] - b[1])*(a[1] - b[1]) + (a[2] - b[2])*(a[2] - b[2]));
}

static void scale_is_even(void **state)
{
    (void)state;
    lr_rgb scale[LR_SCALE_STEPS];
    double lab[LR_SCALE_STEPS][3], mean = 0.0;
    const int stride = 8;   // over 8 steps rounding to 8 bits is a few per cent
    lr_colour_scale(scale);
    for (int i = 0; i < LR_SCALE_STEPS; i++)
        lr_lab_of(scale[i], lab[i]);
    int count = 0;
    for (int i = 0; i + stride < LR_SCALE_STEPS; i += stride, count++)
        mean += difference(lab[i], lab[i + stride]);
    mean /= count;
    for (int i = 0; i + stride < LR_SCALE_STEPS; i += stride) {
        assert_rel(difference(lab[i], lab[i + stride]), mean, 0.12);
        assert_true(lab[i + stride][0] < lab[i][0]);
    }
    assert_true(lab[0][0] > 90.0 && lab[LR_SCALE_STEPS - 1][0] < 25.0);
}

// White and the primaries: L*a*b* of sRGB under D65, common practice values to two decimals (from memory).
static void lab_of_known_colours(void **state)
{
    (void)state;
    const struct { lr_rgb rgb; double lab[3]; } known[] = {
        {{255, 255, 255}, {100.0, 0.0, 0.0}}, {{0, 0, 0}, {0.0, 0.0, 0.0}}, {{255, 0, 0}, {53.24, 80.09, 67.20}},
        {{0, 255, 0}, {87.73, -86.18, 83.18}}, {{0, 0, 255}, {32.30, 79.19, -107.86}},
    };
    for (size_t i = 0; i < sizeof known/sizeof *known; i++) {
        double lab[3];
        lr_rgb back;
        lr_lab_of(known[i].rgb, lab);
        for (int k = 0; k < 3; k++)
            assert_near(lab[k], known[i].lab[k], 0.05);
        lr_rgb_of_lab(lab, &back);
        assert_int_equal(back.r, known[i].rgb.r);
        assert_int_equal(back.g, known[i].rgb.g);
        assert_int_equal(back.b, known[i].rgb.b);
    }
}

static void grey_follows_srgb(void **state)
{
    (void)state;
    assert_int_equal(lr_grey(0.0), 0);
    assert_int_equal(lr_grey(1.0), 255);
    assert_int_equal(lr_grey(7.0), 255);
    assert_int_equal(lr_grey(-1.0), 0);
    assert_int_equal(lr_grey(0.21586), 128);    // IEC 61966-2-1: ((128/255 + 0.055)/1.055)^2.4 = 0.21586
    assert_int_equal(lr_grey(0.001), 3);        // straight part: 12.92 x 255 x 0.001 = 3.29
    lr_greys greys;
    lr_greys_make(&greys);
    for (int i = -10; i < 300010; i++)  // two roads to one grey
        assert_int_equal(lr_greys_at(&greys, i/300000.0), lr_grey(i/300000.0));
    assert_int_equal(lr_greys_at(&greys, (double)NAN), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(scale_is_even),
        cmocka_unit_test(lab_of_known_colours),
        cmocka_unit_test(grey_follows_srgb),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
