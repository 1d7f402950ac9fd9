// SPDX-License-Identifier: Apache-2.0
#include "head/camera.h"

#include <string.h>

#include "close.h"
#include "optics/spectrum.h"

#define REL_FORMULA 1e-12   // doubles, a dozen operations
#define PIXEL 1e-9          // promised by lr_camera_project

static lr_camera_def camera_of(lr_projection projection)
{
    lr_camera_def c = lr_camera_def_default();
    c.lens.projection = projection;
    c.lens.focal_m = 4e-3;
    c.sensor.pixels = 2048;
    c.sensor.pitch_m = 3.5e-6;
    c.sensor.width_m = 14e-6;
    return c;
}

// The textbook projections at 30 degrees: r/f is tan, t, 2 sin(t/2), 2 tan(t/2), sin. A pixel that lies r below the
// middle must look 30 degrees down.
static void pixels_look_where_the_projection_says(void **state)
{
    (void)state;
    const double t = 30*LR_DEG, r_over_f[] = {tan(t), t, 2*sin(t/2), 2*tan(t/2), sin(t)};
    for (int p = 0; p < 5; p++) {
        const lr_camera_def c = camera_of((lr_projection)p);
        const double pixel = 1023.5 + r_over_f[p]*4e-3/3.5e-6;
        const lr_vec3 d = lr_camera_direction(&c, pixel, 0);
        assert_near(d.x, cos(t), REL_FORMULA);
        assert_near(d.y, 0, 0);
        assert_near(d.z, -sin(t), REL_FORMULA);
        assert_near(lr_camera_angle(&c, pixel), t, REL_FORMULA);
        assert_near(lr_camera_angle(&c, 2047 - pixel), -t, REL_FORMULA);
    }
}

static void pixel_zero_is_the_highest_and_the_middle_looks_ahead(void **state)
{
    (void)state;
    lr_camera_def c = camera_of(LR_PROJECTION_EQUIDISTANT);
    assert_true(lr_camera_direction(&c, 0, 0).z > 0.5);
    assert_true(lr_camera_direction(&c, 2047, 0).z < -0.5);
    assert_true(lr_camera_direction(&c, 1023.5, 1).y > 0.0);  // `across` grows towards +y
    const lr_vec3 ahead = lr_camera_direction(&c, 1023.5, 0);
    assert_near(ahead.x, 1, 0);
    assert_near(ahead.y, 0, 0);
    assert_near(ahead.z, 0, 0);
    c.sensor.pixels = 1;
    assert_near(lr_camera_direction(&c, 0, 0).x, 1, 0);
}

// A rectilinear lens is a pinhole also beside the line: y/x and z/x are the image coordinates over f.
static void rectilinear_lens_is_a_pinhole_beside_the_line_too(void **state)
{
    (void)state;
    const lr_camera_def c = camera_of(LR_PROJECTION_RECTILINEAR);
    for (double pixel = 0; pixel < 2048; pixel += 311.7)
        for (double across = -40; across <= 40; across += 13.3) {
            const lr_vec3 d = lr_camera_direction(&c, pixel, across);
            assert_near(d.y/d.x, across*14e-6/4e-3, REL_FORMULA);
            assert_near(d.z/d.x, (1023.5 - pixel)*3.5e-6/4e-3, REL_FORMULA);
            assert_near(lr_length(d), 1, REL_FORMULA);
        }
}

static lr_camera_def fitted_camera(lr_projection projection)
{
    lr_camera_def c = camera_of(projection);
    const double k[4] = {-0.05, 0.01, -0.002, 0.0001};
    static double theta[] = {0, 0.2, 0.5, 0.9, 1.3}, r[] = {0, 0.8e-3, 1.95e-3, 3.4e-3, 4.7e-3};
    memcpy(c.lens.k, k, sizeof k);
    c.lens.table = (lr_table){5, theta, r, 0};
    return c;
}

static void projecting_undoes_looking(void **state)
{
    (void)state;
    for (int p = 0; p <= LR_PROJECTION_TABLE; p++) {
        const lr_camera_def c = fitted_camera((lr_projection)p);
        for (double pixel = -0.5; pixel <= 2047.5; pixel += 23.9)
            for (double across = -3; across <= 3; across += 0.75) {
                double got_pixel = (double)NAN, got_across = (double)NAN;
                const lr_vec3 d = lr_mul(lr_camera_direction(&c, pixel, across), 7.3);  // any length
                assert_int_equal(lr_camera_project(&c, d, &got_pixel, &got_across), 1);
                assert_near(got_pixel, pixel, PIXEL);
                assert_near(got_across, across, PIXEL);
            }
    }
}

static void what_the_lens_does_not_image_is_refused(void **state)
{
    (void)state;
    double pixel, across;
    lr_camera_def c = camera_of(LR_PROJECTION_RECTILINEAR);
    assert_int_equal(lr_camera_project(&c, lr_v3(-1, 0, 0.1), &pixel, &across), 0);
    assert_int_equal(lr_camera_project(&c, lr_v3(-1, 0, 0), &pixel, &across), 0);
    assert_int_equal(lr_camera_project(&c, lr_v3(0, 0, 1), &pixel, &across), 0);
    assert_int_equal(lr_camera_project(&c, lr_v3(0, 0, 0), &pixel, &across), 0);
    assert_int_equal(lr_camera_project(&c, lr_v3((double)NAN, 0, 1), &pixel, &across), 0);
    assert_int_equal(lr_camera_project(&c, lr_v3(1, 0, 0), &pixel, &across), 1);
    assert_near(pixel, 1023.5, 0);
    c = camera_of(LR_PROJECTION_EQUIDISTANT);  // sees behind itself
    assert_int_equal(lr_camera_project(&c, lr_v3(-0.1, 0, 1), &pixel, &across), 1);
    c.lens.theta_max_rad = 40*LR_DEG;          // an image circle smaller than the sensor
    assert_int_equal(lr_camera_project(&c, lr_v3(cos(0.7), 0, sin(0.7)), &pixel, &across), 0);
    assert_true(isnan(lr_camera_direction(&c, 0, 0).x));
    assert_true(isnan(lr_camera_angle(&c, 0)));
    assert_near(lr_camera_response(&c, 0, 850e-9), 0, 0);
    assert_true(lr_camera_response(&c, 1000, 850e-9) > 0.0);
}

// Photons per joule at 850 nm: 850e-9 x 5.034e24 /(J m), the constant of EMVA 1288 (1/(h c), here to its full length:
// 5.03411656754e24, from the exact SI values of h and c).
// Response on the axis, by hand: pi/4 (f/N)^2 x p w/f^2 x tau x T x QE x t x lambda/(h c).
static void response_counts_electrons(void **state)
{
    (void)state;
    lr_camera_def c = camera_of(LR_PROJECTION_EQUIDISTANT);
    c.sensor.pixels = 2047;  // a pixel on the axis
    c.lens.f_number = 2.0;
    c.lens.transmission = 0.8;
    double x = 0, qe = 0.35;
    c.sensor.quantum_efficiency = (lr_table){1, &x, &qe, 0};
    c.filter = (lr_filter){.present = 1, .center_m = 850e-9, .width_m = 30e-9, .peak = 0.9, .order = 3, .index = 2, .angle_factor = 0.3};
    c.exposure_s = 120e-6;
    const double a_omega = 0.25*LR_PI*3.5e-6*14e-6/4.0, photons_per_j = 850e-9*5.03411656754e24;
    assert_rel(photons_per_j, 850e-9*5.034e24, 3e-5);  // the standard's four digits
    assert_rel(lr_camera_response(&c, 1023, 850e-9), a_omega*0.8*0.9*0.35*120e-6*photons_per_j, 1e-11);
    // Half of the peak at half the width away.
    assert_rel(lr_camera_response(&c, 1023, 865e-9)/865e-9, 0.5*lr_camera_response(&c, 1023, 850e-9)/850e-9, REL_FORMULA);
}

// Off the axis: equidistant A Omega = pi/4 p w/N^2 cos(t) sin(t)/t; rectilinear pi/4 p w/N^2 cos^4(t) (Horn, Robot
// Vision, MIT Press, 1986, ch. 10).
static void response_falls_off_the_axis_as_the_etendue(void **state)
{
    (void)state;
    const double pw = 3.5e-6*14e-6, per_e = 0.25*LR_PI*pw/4.0;
    for (double pixel = 0; pixel < 1000; pixel += 97) {
        lr_camera_def c = camera_of(LR_PROJECTION_EQUIDISTANT);
        const double rest = c.lens.transmission*lr_sensor_qe(&c.sensor, 905e-9)*c.exposure_s/lr_photon_energy_j(905e-9);
        double t = -lr_camera_angle(&c, pixel);
        assert_rel(lr_camera_response(&c, pixel, 905e-9), per_e*cos(t)*sin(t)/t*rest, 1e-11);
        c = camera_of(LR_PROJECTION_RECTILINEAR);
        t = -lr_camera_angle(&c, pixel);
        assert_rel(lr_camera_response(&c, pixel, 905e-9), per_e*pow(cos(t), 4)*rest, 1e-11);
    }
}

static void quantum_efficiency_defaults_to_the_built_in_curve(void **state)
{
    (void)state;
    const lr_camera_def c = lr_camera_def_default();
    const lr_curve *curve = lr_qe_find(LR_SENSOR_QE_DEFAULT);
    assert_non_null(curve);
    assert_near(lr_sensor_qe(&c.sensor, 850e-9), lr_curve_at(curve, 850e-9), 0);
    assert_true(lr_sensor_qe(&c.sensor, 850e-9) > 0.05);
}

static void default_camera_passes_its_check(void **state)
{
    (void)state;
    const lr_camera_def c = lr_camera_def_default();
    lr_error err = {""};
    assert_int_equal(lr_camera_def_check(&c, &err), LR_OK);
    // 2048 pixels of 3.5 um on f = 3.4 mm: 1023.5 x 3.5e-6/3.4e-3 = 1.0536029 rad = 60.36700 degrees to each side
    assert_near(lr_camera_angle(&c, 2047)/LR_DEG, 60.36700, 1e-5);
}

static void check_says(lr_camera_def c, const char *message)
{
    lr_error err = {""};
    assert_int_equal(lr_camera_def_check(&c, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, message);
}

static void checks_name_field_value_and_rule(void **state)
{
    (void)state;
    const lr_camera_def fine = lr_camera_def_default();
    lr_camera_def c = fine;
    c.sensor.pixels = 0;
    check_says(c, "sensor.pixels: 0 is not in [1, 65536]");
    c = fine; c.exposure_s = -1;
    check_says(c, "exposure_s: -1 is not in (0, 1]");
    c = fine; c.exposure_s = (double)NAN;
    check_says(c, "exposure_s: nan is not in (0, 1]");
    c = fine; c.sensor.gain_dn_per_e = 0;
    check_says(c, "sensor.gain_dn_per_e: 0 is not in (0, 10000]");
    c = fine; c.sensor.offset_dn = 4095;
    check_says(c, "sensor.offset_dn: 4095 is not below the highest value of 12 bits, 4095");
    c = fine; c.placement.height_m = 45;  // metres for millimetres
    check_says(c, "height_m: 45 is not in [-10, 10]");
    c = fine; c.placement.error_rotate_rad[1] = (double)INFINITY;
    check_says(c, "error_rotate_rad[1]: inf is not in [-0.523598775598299, 0.523598775598299]");
    c = (lr_camera_def){0};
    lr_error err = {""};
    assert_int_equal(lr_camera_def_check(&c, &err), LR_ERR_RANGE);  // all zero is refused
}

// Placement by hand: pitch 90 degrees turns x up and z backwards.
static void placements_pitch_up_and_carry_their_error_inside(void **state)
{
    (void)state;
    lr_placement p = {.forward_m = 0.1, .side_m = 0.2, .height_m = 0.3, .pitch_rad = 90*LR_DEG,
                      .error_offset_m = {0.01, 0.02, 0.03}, .error_rotate_rad = {0, 0, 90*LR_DEG}};
    const lr_pose nominal = lr_placement_pose(&p, 0);
    lr_vec3 v = lr_pose_point(nominal, lr_v3(1, 0, 0));
    assert_near(v.x, 0.1, 1e-15); assert_near(v.y, 0.2, 1e-15); assert_near(v.z, 1.3, 1e-15);
    v = lr_pose_point(nominal, lr_v3(0, 0, 1));
    assert_near(v.x, -0.9, 1e-15); assert_near(v.y, 0.2, 1e-15); assert_near(v.z, 0.3, 1e-15);
    // As built: the offset along the turned axes (x is up now, z is back), then the part yaws about its own z.
    const lr_pose built = lr_placement_pose(&p, 1);
    assert_near(built.origin.x, 0.1 - 0.03, 1e-15);
    assert_near(built.origin.y, 0.2 + 0.02, 1e-15);
    assert_near(built.origin.z, 0.3 + 0.01, 1e-15);
    v = lr_rotate(built.rotation, lr_v3(1, 0, 0));  // x of the part yaws from up to +y
    assert_near(v.x, 0, 1e-15); assert_near(v.y, 1, 1e-15); assert_near(v.z, 0, 1e-15);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pixels_look_where_the_projection_says),
        cmocka_unit_test(pixel_zero_is_the_highest_and_the_middle_looks_ahead),
        cmocka_unit_test(rectilinear_lens_is_a_pinhole_beside_the_line_too),
        cmocka_unit_test(projecting_undoes_looking),
        cmocka_unit_test(what_the_lens_does_not_image_is_refused),
        cmocka_unit_test(response_counts_electrons),
        cmocka_unit_test(response_falls_off_the_axis_as_the_etendue),
        cmocka_unit_test(quantum_efficiency_defaults_to_the_built_in_curve),
        cmocka_unit_test(default_camera_passes_its_check),
        cmocka_unit_test(checks_name_field_value_and_rule),
        cmocka_unit_test(placements_pitch_up_and_carry_their_error_inside),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
