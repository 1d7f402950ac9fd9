// SPDX-License-Identifier: Apache-2.0
#include "close.h"
#include "core/vec.h"
#include "optics/sheet.h"

// Shares of a Gaussian: erf(sqrt 2) within the 1/e^2 half width w = 2 sigma, erf(1/sqrt 2) within w/2 (tables of the normal law).
static void share_within_the_width(void **state)
{
    (void)state;
    const double w = 1e-3;
    assert_near(lr_sheet_share(0.5*w, -w, w), 0.9544997361, 1e-10);
    assert_near(lr_sheet_share(0.5*w, -0.5*w, 0.5*w), 0.6826894921, 1e-10);
    assert_near(lr_sheet_share(0.5*w, 0.5*w, -0.5*w), -0.6826894921, 1e-10);  // signed
    assert_near(lr_sheet_share(0.5*w, -40.0*w, 40.0*w), 1.0, 1e-14);
    assert_rel(lr_sheet_density(0.5*w, 0.5*1.1774100225*w), 0.5*lr_sheet_density(0.5*w, 0.0), 1e-9);  // full width at half maximum
    assert_rel(lr_sheet_density(0.5*w, w), exp(-2.0)*lr_sheet_density(0.5*w, 0.0), 1e-12);            // 1/e^2 at w
}

// 100 mW spread evenly over 90 degrees, at 3 m, w = 2 mm: 0.0212207 W/m of line, peak sqrt(2/pi)/w of that = 8.46582 W/m^2 (closed form).
static void peak_of_a_sheet(void **state)
{
    (void)state;
    const double per_rad = 1.0/(0.5*LR_PI), r_m = 3.0, sigma_m = 1e-3;
    assert_near(0.1*per_rad/r_m, 0.0212207, 5e-8);
    assert_near(lr_sheet_irradiance(0.1, per_rad, lr_sheet_density(sigma_m, 0.0), r_m, 1.0), 8.46582, 5e-6);
    assert_near(lr_sheet_irradiance(0.1, per_rad, lr_sheet_density(sigma_m, 0.0), r_m, 0.5), 0.5*8.46582, 5e-6);
}

// 4 sigma = sqrt(thickness^2 + (divergence r)^2): 1 mm and 1 mrad are sqrt(26) mm at 5 m.
static void sheet_grows(void **state)
{
    (void)state;
    const lr_sheet sheet = {.thickness_m = 1e-3, .divergence_rad = 1e-3};
    assert_rel(4.0*lr_sheet_sigma_m(sheet, 0.0), 1e-3, 1e-15);
    assert_rel(4.0*lr_sheet_sigma_m(sheet, 5.0), sqrt(26.0)*1e-3, 1e-14);
}

// Mean over [y1, y2] in 40-panel Gauss-Legendre steps (4 points), done here in long double.
static double mean_by_steps(double sigma, double y1, double y2)
{
    static const long double x[2] = {0.339981043584856264802665759103245L, 0.861136311594052575223946488892809L};
    static const long double w[2] = {0.652145154862546142626936050778001L, 0.347854845137453857373063949221999L};
    const int panels = 400;
    long double sum = 0.0L;
    const long double half = ((long double)y2 - (long double)y1)/(2*panels);
    for (int i = 0; i < panels; i++)
        for (int j = -2; j <= 2; j++) {
            if (j == 0)
                continue;
            const int k = (j < 0 ? -j : j) - 1;
            const long double y = (long double)y1 + half*(2*i + 1 + (j < 0 ? -x[k] : x[k])), u = y/(long double)sigma;
            sum += w[k]*expl(-0.5L*u*u)/(2*panels);
        }
    return (double)(sum/((long double)sigma*sqrtl(2.0L*acosl(-1.0L))));
}

static void mean_over_a_pixel(void **state)
{
    (void)state;
    const double sigma = 0.3e-3;
    // Near and far, thin and wide, in tails of 1e-200, on both sides of the switch between the two forms.
    for (double mid = -30.0; mid <= 30.0; mid += 1.5)
        for (double width = 1e-6; width < 8.0; width *= 3.0) {
            const double y1 = (mid - 0.5*width)*sigma, y2 = (mid + 0.5*width)*sigma, want = mean_by_steps(sigma, y1, y2);
            // Rounding y/sigma by 2e-16 moves exp(-u^2/2) by u^2 2e-16; erfc itself is good to a few 1e-16.
            const double allowed = 1e-13 + 2e-15*mid*mid;
            assert_rel(lr_sheet_mean(sigma, y1, y2), want, allowed);
            assert_rel(lr_sheet_mean(sigma, y2, y1), want, allowed);
        }
    assert_rel(lr_sheet_mean(sigma, 0.2e-3, 0.2e-3), lr_sheet_density(sigma, 0.2e-3), 1e-14);
    assert_true(lr_sheet_mean(sigma, 1.0, 1.1) == 0.0);  // 3000 sigma away: nothing, and no NaN
}

// Pixels side by side must catch the whole sheet, however thin it is against them.
static void pixels_catch_all(void **state)
{
    (void)state;
    for (double pixel = 0.01; pixel < 50.0; pixel *= 1.7) {
        double sum = 0.0;
        for (int i = -2000; i < 2000; i++)
            sum += pixel*1e-3*lr_sheet_mean(1e-3, (i + 0.3)*pixel*1e-3, (i + 1.3)*pixel*1e-3);
        assert_near(sum, 1.0, 1e-12);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(share_within_the_width),
        cmocka_unit_test(peak_of_a_sheet),
        cmocka_unit_test(sheet_grows),
        cmocka_unit_test(mean_over_a_pixel),
        cmocka_unit_test(pixels_catch_all),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
