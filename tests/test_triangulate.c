// SPDX-License-Identifier: Apache-2.0
// Triangulation against closed forms. A baseline of 0.2 m, a point 4 m from it and 1 m above the lower view, is seen under
// 14.036243 and 11.309932 degrees, 4.123106 m from the lower view [C]: atan(1/4), atan(0.8/4), sqrt(17).
#include "close.h"
#include "depth/triangulate.h"

#include <string.h>

static lr_cal_camera camera_at(double z_m, double pitch_rad, lr_projection projection)
{
    lr_cal_camera c = {.pixels = 1024, .pitch_m = 3.5e-6, .width_m = 14e-6, .exposure_s = 1e-4, .bits = 12, .gain_dn_per_e = 1.0, .full_well_e = 1e4};
    snprintf(c.name, sizeof c.name, z_m > 0.0 ? "upper" : "lower");
    const lr_pose pose = {lr_rotation_y(-pitch_rad), {0.01, 0.0, z_m}};
    c.pose = lr_transform_from_pose(pose);
    c.lens = lr_lens_default();
    c.lens.projection = projection;
    c.lens.focal_m = 3.4e-3;
    return c;
}

static void a_point_comes_back_from_its_angles(void **state)
{
    (void)state;
    const double lower = atan(1.0/4.0), upper = atan(0.8/4.0);
    assert_near(lower/LR_DEG, 14.036243, 1e-6);
    assert_near(upper/LR_DEG, 11.309932, 1e-6);
    assert_rel(lr_triangulate_rho(0.2, upper, lower), 4.0, 1e-9);
    assert_near(lr_triangulate_rho(0.2, upper, lower)/cos(lower), 4.123106, 1e-6);
    assert_rel(lr_triangulate_rho(0.2, upper, lower)/cos(lower), sqrt(17.0), 1e-9);
    assert_rel(lr_triangulate_angle(upper, 0.2, 0.25), lower, 1e-12);
    assert_true(isinf(lr_triangulate_rho(0.2, lower, lower)) && isinf(lr_triangulate_rho(0.2, lower, upper)));
}

// Points of the plane into both cameras by vector geometry, and back by the pair.
static void every_projection_and_pitch_gives_the_point_back(void **state)
{
    (void)state;
    static const lr_projection kinds[] = {LR_PROJECTION_RECTILINEAR, LR_PROJECTION_EQUIDISTANT, LR_PROJECTION_EQUISOLID, LR_PROJECTION_STEREOGRAPHIC};
    for (size_t k = 0; k < sizeof kinds/sizeof *kinds; k++)
        for (double pitch = -0.6; pitch < 0.7; pitch += 0.3) {
            const lr_cal_camera camera[2] = {camera_at(0.1, pitch, kinds[k]), camera_at(-0.1, 0.5*pitch, kinds[(k + 1) % 4])};
            lr_pair pair;
            lr_error err = {""};
            assert_int_equal(lr_pair_create("front", &camera[0], &camera[1], &pair, &err), LR_OK);
            assert_rel(pair.baseline_m, 0.2, 1e-12);
            for (double height = -1.0; height < 1.1; height += 0.5) {
                const lr_vec3 p = lr_v3(2.01, 0.0, height);
                double pixel[2];
                for (int v = 0; v < 2; v++) {
                    const lr_vec3 q = lr_pose_point_back(lr_transform_pose(&camera[v].pose), p);
                    pixel[v] = lr_cal_camera_pixel(&camera[v], atan2(-q.z, q.x));
                    if (!(pixel[v] >= 0.0 && pixel[v] <= 1023.0))
                        continue;
                    assert_rel(lr_pair_range(&pair, v, pixel[v], 0.5), lr_length(q), 1e-9);
                    assert_rel(lr_pair_inverse_rho(&pair, v, pixel[v], lr_length(q)), 0.5, 1e-9);
                }
                if (pixel[0] >= 0.0 && pixel[0] <= 1023.0 && pixel[1] >= 0.0 && pixel[1] <= 1023.0) {
                    assert_near(lr_pair_partner(&pair, 0, pixel[0], 0.5), pixel[1], 1e-9*1024);
                    assert_near(lr_pair_partner(&pair, 1, pixel[1], 0.5), pixel[0], 1e-9*1024);
                    assert_rel(lr_triangulate_rho(0.2, lr_view_angle(&pair.view[0], pixel[0]), lr_view_angle(&pair.view[1], pixel[1])), 2.0, 1e-9);
                }
            }
        }
}

static void disparity_is_positive_for_parallel_cameras(void **state)
{
    (void)state;
    const lr_cal_camera camera[2] = {camera_at(0.1, 0.0, LR_PROJECTION_RECTILINEAR), camera_at(-0.1, 0.0, LR_PROJECTION_RECTILINEAR)};
    lr_pair pair;
    assert_int_equal(lr_pair_create("front", &camera[0], &camera[1], &pair, NULL), LR_OK);
    // f B / (pitch z): pixel in the upper minus pixel in the lower.
    for (double z = 0.5; z < 9.0; z *= 2.0)
        assert_rel(600.0 - lr_pair_partner(&pair, 0, 600.0, 1.0/z), 3.4e-3*0.2/(3.5e-6*z), 1e-9);
    assert_near(lr_pair_partner(&pair, 0, 600.0, 0.0), 600.0, 1e-9);
}

static void what_gives_no_depth_is_refused(void **state)
{
    (void)state;
    lr_cal_camera a = camera_at(0.1, 0.0, LR_PROJECTION_EQUIDISTANT), b = a;
    lr_pair pair;
    lr_error err = {""};
    assert_int_equal(lr_pair_create("front", &a, &b, &pair, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "front: upper and upper stand in one place: their baseline 0 m is not above 0.0001 m");
    b = camera_at(-0.1, 0.0, LR_PROJECTION_EQUIDISTANT);
    b.pose.origin_m.y = 0.002;
    assert_int_equal(lr_pair_create("front", &a, &b, &pair, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "front: upper and lower do not look along one plane (within 1 mm and 0.2 deg)");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_point_comes_back_from_its_angles),
        cmocka_unit_test(every_projection_and_pitch_gives_the_point_back),
        cmocka_unit_test(disparity_is_positive_for_parallel_cameras),
        cmocka_unit_test(what_gives_no_depth_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
