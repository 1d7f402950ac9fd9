// SPDX-License-Identifier: Apache-2.0
#include <string.h>

#include "close.h"
#include "core/vec.h"
#include "optics/lens.h"

#define REL_FORMULA 1e-12  // doubles, a dozen operations
#define ROUNDED_6 5.5e-7   // a table printed to 6 decimals

static const double fisheye_k[4] = {-0.02, 0.005, -0.001, 0.0001};  // made up

static lr_lens lens_of(lr_projection projection)
{
    lr_lens lens = lr_lens_default();
    lens.projection = projection;
    memcpy(lens.k, fisheye_k, sizeof fisheye_k);
    return lens;
}

// A table lens: r = f sin(1.2 t)/1.2, given every 5 degrees up to 70.
static lr_lens lens_of_table(void)
{
    lr_lens lens = lens_of(LR_PROJECTION_TABLE);
    double theta[15], r[15];
    for (int i = 0; i < 15; i++) {
        theta[i] = 5.0*i*LR_DEG;
        r[i] = lens.focal_m*sin(1.2*theta[i])/1.2;
    }
    assert_int_equal(lr_table_create(15, theta, r, &lens.table, NULL), LR_OK);
    return lens;
}

// r/f of the five textbook projections, and illumination cos sin / (r r'/f^2) of a flat pupil against the axis.
// Computed from r/f = tan t, t, 2 sin(t/2), 2 tan(t/2), sin t to six decimals.
static const double projection_rows[9][11] = {
    {0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1},
    {5, 0.087489, 0.087266, 0.087239, 0.087322, 0.087156, 0.984865, 0.994931, 0.996195, 0.992407, 1},
    {15, 0.267949, 0.261799, 0.261052, 0.263305, 0.258819, 0.870513, 0.954930, 0.965926, 0.933293, 1},
    {30, 0.577350, 0.523599, 0.517638, 0.535898, 0.500000, 0.562500, 0.826993, 0.866025, 0.753886, 1},
    {45, 1.000000, 0.785398, 0.765367, 0.828427, 0.707107, 0.250000, 0.636620, 0.707107, 0.515165, 1},
    {60, 1.732051, 1.047198, 1.000000, 1.154701, 0.866025, 0.062500, 0.413497, 0.500000, 0.281250, 1},
    {75, 3.732051, 1.308997, 1.217523, 1.534654, 0.965926, 0.004487, 0.190986, 0.258819, 0.102533, 1},
    {85, 11.430052, 1.483530, 1.351180, 1.832662, 0.996195, 0.000058, 0.058525, 0.087156, 0.025753, 1},
    {89, 57.289962, 1.553343, 1.401819, 1.965395, 0.999848, 0.000000, 0.011234, 0.017452, 0.004517, 1},
};

static void textbook_projections(void **state)
{
    (void)state;
    for (int row = 0; row < 9; row++)
        for (int p = LR_PROJECTION_RECTILINEAR; p <= LR_PROJECTION_ORTHOGRAPHIC; p++) {
            const lr_lens lens = lens_of((lr_projection)p);
            const double t = projection_rows[row][0]*LR_DEG;
            assert_near(lr_lens_radius(&lens, t)/lens.focal_m, projection_rows[row][1 + p], ROUNDED_6);
            assert_near(lr_lens_etendue(&lens, t, 3e-6, 5e-6)/lr_lens_etendue(&lens, 0.0, 3e-6, 5e-6), projection_rows[row][6 + p], ROUNDED_6);
        }
}

// Closed forms of the illumination: cos^4 t; sin t cos t/t; cos t; cos t cos^4(t/2); 1. The first: Horn, Robot Vision, 1986, ch. 10.
static void illumination_closed_forms(void **state)
{
    (void)state;
    for (double t = 0.05; t < 1.5; t += 0.05) {
        const double c = cos(t), h = cos(0.5*t);
        const double want[5] = {c*c*c*c, sin(t)*c/t, c, c*h*h*h*h, 1.0};
        for (int p = 0; p < 5; p++) {
            const lr_lens lens = lens_of((lr_projection)p);
            assert_rel(lr_lens_etendue(&lens, t, 3e-6, 5e-6)/lr_lens_etendue(&lens, 0.0, 3e-6, 5e-6), want[p], REL_FORMULA);
        }
    }
}

// theta_d = theta (1 + k1 theta^2 + ...) at 10, 30, 60, 85 degrees; computed independently for these made-up k.
static void fisheye_polynomial(void **state)
{
    (void)state;
    const lr_lens lens = lens_of(LR_PROJECTION_POLYNOMIAL);
    const double deg[4] = {10, 30, 60, 85}, want[4] = {0.1744273985, 0.5209141025, 1.0292970650, 1.4418240561};
    for (int i = 0; i < 4; i++) {
        assert_near(lr_lens_radius(&lens, deg[i]*LR_DEG)/lens.focal_m, want[i], 6e-11);
        assert_near(lr_lens_theta(&lens, want[i]*lens.focal_m), deg[i]*LR_DEG, 2e-10);
    }
}

static void check_inverse(const lr_lens *lens, double upto)
{
    for (int i = -200; i <= 200; i++) {
        const double t = upto*i/200.0;
        // Rounding of r alone moves theta by 2e-16 r/slope; orthographic and equisolid are flat near their edge.
        const double slack = 4e-16*fabs(lr_lens_radius(lens, t)/lr_lens_slope(lens, t)) + 1e-14;
        assert_near(lr_lens_theta(lens, lr_lens_radius(lens, t)), t, slack);
    }
}

static void inverse_returns_the_angle(void **state)
{
    (void)state;
    const double upto[6] = {1.55, 3.1, 3.1, 3.1, 1.56, 1.6};
    for (int p = 0; p < 6; p++) {
        lr_lens lens = lens_of((lr_projection)p);
        check_inverse(&lens, upto[p]);
        lens.theta_max_rad = upto[p];
        check_inverse(&lens, upto[p]);
    }
    lr_lens table = lens_of_table();
    check_inverse(&table, 70.0*LR_DEG);
    lr_table_free(&table.table);
}

static void slope_is_the_derivative(void **state)
{
    (void)state;
    lr_lens lens[7];
    for (int p = 0; p < 6; p++)
        lens[p] = lens_of((lr_projection)p);
    lens[6] = lens_of_table();
    for (int p = 0; p < 7; p++)
        for (double t = 0.0131; t < 1.2; t += 0.1) {
            const double h = 1e-5;  // central difference: error h^2 r'''/6, below 1e-8 of r' here; at t = 1.2 tan gives 3e-9
            const double want = (lr_lens_radius(&lens[p], t + h) - lr_lens_radius(&lens[p], t - h))/(2.0*h);
            assert_rel(lr_lens_slope(&lens[p], t), want, 1e-8);
        }
    lr_table_free(&lens[6].table);
}

// The pixels of the whole image must see the whole cone: integral of Omega/(p w) over the image area is 2 pi (1 - cos T),
// and with V = cos the etendue adds up to the pupil times pi sin^2 T. Definition of solid angle; midpoint rule in r.
static void image_sees_the_cone(void **state)
{
    (void)state;
    for (int p = 0; p < 7; p++) {
        lr_lens lens = p < 6 ? lens_of((lr_projection)p) : lens_of_table();
        const double top = 1.1, edge_m = lr_lens_radius(&lens, top);
        const int steps = 20000;
        double solid = 0.0, etendue = 0.0;
        for (int i = 0; i < steps; i++) {
            const double r = edge_m*(i + 0.5)/steps, area = 2.0*LR_PI*r*edge_m/steps, t = lr_lens_theta(&lens, r);
            solid += lr_lens_solid_angle(&lens, t, 1.0, 1.0)*area;
            etendue += lr_lens_etendue(&lens, t, 1.0, 1.0)*area;
        }
        const double diameter = lens.focal_m/lens.f_number;
        assert_rel(solid, 2.0*LR_PI*(1.0 - cos(top)), 1e-7);  // midpoint: (1/20000)^2 times curvature
        assert_rel(etendue, 0.25*LR_PI*diameter*diameter*LR_PI*sin(top)*sin(top), 1e-7);
        lr_table_free(&lens.table);
    }
}

// E = (pi/4) L T/N^2 cos^4: L = 1, T = 1, N = 2 gives 0.1963495 on the axis, 0.5625 of that at 30 degrees (closed form).
static void image_irradiance(void **state)
{
    (void)state;
    const lr_lens lens = lens_of(LR_PROJECTION_RECTILINEAR);
    assert_near(lr_lens_etendue(&lens, 0.0, 1e-6, 1e-6)/1e-12, 0.1963495, 5e-8);
    assert_near(lr_lens_etendue(&lens, 30.0*LR_DEG, 1e-6, 1e-6)/1e-12, 0.1963495*0.5625, 5e-8);
    assert_rel(lr_lens_across(&lens, 0.4, 2e-6), 2e-6*cos(0.4)/lens.focal_m, REL_FORMULA);  // w sin t/(f tan t)
    assert_rel(lr_lens_along(&lens, 0.4, 3e-6), 3e-6*cos(0.4)*cos(0.4)/lens.focal_m, REL_FORMULA);
}

static void vignetting_table_replaces_the_cosine(void **state)
{
    (void)state;
    lr_lens lens = lens_of(LR_PROJECTION_EQUIDISTANT);
    const double t[2] = {0.0, 2.0}, v[2] = {1.0, 0.5};
    assert_int_equal(lr_table_create(2, t, v, &lens.vignetting, NULL), LR_OK);
    const double area = 0.25*LR_PI*16e-6;  // 8 mm at f/2: 4 mm across
    assert_rel(lr_lens_pupil_m2(&lens, 1.0), 0.75*area, REL_FORMULA);
    assert_rel(lr_lens_pupil_m2(&lens, -1.8), 0.55*area, REL_FORMULA);  // beyond 90 degrees the pupil is still seen
    lr_table_free(&lens.vignetting);
    assert_true(lr_lens_pupil_m2(&lens, 1.8) == 0.0);
}

static void nothing_outside_the_image(void **state)
{
    (void)state;
    lr_lens lens = lens_of(LR_PROJECTION_EQUISOLID);
    assert_true(isnan(lr_lens_theta(&lens, 2.0001*lens.focal_m)));
    assert_true(isnan(lr_lens_radius(&lens, 3.15)));
    lens.theta_max_rad = 1.0;
    assert_true(isnan(lr_lens_theta(&lens, lens.focal_m)));  // 60 degrees, image ends at 57
    assert_near(lr_lens_theta(&lens, -2.0*lens.focal_m*sin(0.5)), -1.0, 1e-14);
    lens = lens_of_table();
    assert_true(isnan(lr_lens_theta(&lens, 1.0)));
    assert_true(isnan(lr_lens_radius(&lens, 71.0*LR_DEG)));
    lr_table_free(&lens.table);
}

// 1 + 3 k1 t^2 = 0 at t = sqrt(5/3) for k1 = -0.2; and a pair of zeros of the slope only 2e-3 apart must not be missed:
// with x = t^2 the slope is 1 - (2 + 1e-6) x + x^2.
static void polynomial_ends_where_it_turns(void **state)
{
    (void)state;
    lr_lens lens = lens_of(LR_PROJECTION_POLYNOMIAL);
    const double bent[4] = {-0.2, 0, 0, 0}, narrow[4] = {-(2.0 + 1e-6)/3.0, 0.2, 0, 0};
    memcpy(lens.k, bent, sizeof bent);
    assert_near(lr_lens_theta_max(&lens), sqrt(5.0/3.0), 1e-12);
    assert_true(isnan(lr_lens_radius(&lens, 1.3)));
    memcpy(lens.k, narrow, sizeof narrow);
    const double b = 1.0 + 0.5e-6, root = b - sqrt(b*b - 1.0);
    assert_near(lr_lens_theta_max(&lens), sqrt(root), 1e-9);
    const double straight[4] = {0, 0, 0, 0};
    memcpy(lens.k, straight, sizeof straight);
    assert_near(lr_lens_theta_max(&lens), LR_PI, 1e-15);
}

static void expect_fault(const lr_lens *lens, double used, const char *text)
{
    lr_error err = {0};
    assert_int_equal(lr_lens_check(lens, used, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, text);
}

static void faults_are_named(void **state)
{
    (void)state;
    lr_lens lens = lr_lens_default();
    assert_int_equal(lr_lens_check(&lens, 1.0, NULL), LR_OK);
    lens.focus_m = 1e-3;
    expect_fault(&lens, 0.0, "focus_m: 0.001 is not 0 or above focal_m, 0.008");
    lens = lr_lens_default();
    lens.f_number = -2.0;
    expect_fault(&lens, 0.0, "f_number: -2 is not above 0");
    lens = lr_lens_default();
    lens.focal_m = (double)NAN;
    assert_int_equal(lr_lens_check(&lens, 0.0, NULL), LR_ERR_RANGE);
    lens = lr_lens_default();
    expect_fault(&lens, 100.0*LR_DEG, "projection: the image ends at 90 deg, but 100 deg are needed");
    lens = lens_of(LR_PROJECTION_POLYNOMIAL);
    lens.k[0] = -0.2;
    lens.k[1] = lens.k[2] = lens.k[3] = 0.0;
    expect_fault(&lens, 75.0*LR_DEG, "projection: the image ends at 73.9685 deg, but 75 deg are needed");
    lens = lens_of(LR_PROJECTION_TABLE);
    expect_fault(&lens, 0.0, "table: 0 places are fewer than 2");
    assert_true(isnan(lr_lens_radius(&lens, 0.0)) && isnan(lr_lens_theta(&lens, 0.0)));  // used all the same: no crash
    const lr_lens zero = {0};
    expect_fault(&zero, 0.0, "focal_m: 0 is not above 0");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(textbook_projections),
        cmocka_unit_test(illumination_closed_forms),
        cmocka_unit_test(fisheye_polynomial),
        cmocka_unit_test(inverse_returns_the_angle),
        cmocka_unit_test(slope_is_the_derivative),
        cmocka_unit_test(image_sees_the_cone),
        cmocka_unit_test(image_irradiance),
        cmocka_unit_test(vignetting_table_replaces_the_cosine),
        cmocka_unit_test(nothing_outside_the_image),
        cmocka_unit_test(polynomial_ends_where_it_turns),
        cmocka_unit_test(faults_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
