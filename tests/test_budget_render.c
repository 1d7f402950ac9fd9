// SPDX-License-Identifier: Apache-2.0
// Budget and renderer hold each other: electrons of laser and sun on a wall, coverage and the step of disparity on a sphere.
// Neither uses the other's code beyond lens, filter and sensor formulas; the test fails when either drifts.
#include "budget_head.h"
#include "stage.h"

#define PROMISED_E 0.01      // expected electrons agree to 1 %
#define CUT_DEG 1.0          // this near to the ends of a fan pixels are half lit

#define SPIN "\"rev_per_s\": 2, \"lines_per_rev\": 3600"
#define LENS "\"projection\": \"equidistant\", \"focal_mm\": 1.71, \"f_number\": 2, \"transmission\": 0.8, \"blur_px\": 0"
#define FILTER "\"center_nm\": 855, \"width_nm\": 30, \"peak\": 0.9, \"order\": 3, \"index\": 2, \"angle_factor\": 0.3"
#define SENSOR "\"pixels\": 512, \"pitch_um\": 7, \"width_um\": 28, \"quantum_efficiency\": \"bsi_cmos_9um\""
#define CAM(name, height) \
    "{\"name\": \"" name "\", \"height_mm\": " height ", \"lens\": {" LENS "}, \"filter\": {" FILTER "}, \"sensor\": {" SENSOR "}, \"exposure_us\": 100}"
#define LASER(name, height, pitch) \
    "{\"name\": \"" name "\", \"height_mm\": " height ", \"pitch_deg\": " pitch ", \"mode\": \"sheet\", \"wavelength_nm\": 850, \"line_width_nm\": 2, \"power_mw\": 80, " \
    "\"fan_deg\": 60, \"thickness_mm\": 1, \"divergence_mrad\": 1, \"dots\": {\"count\": 0}}"
#define HEAD_TEXT(lasers) \
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {" SPIN "}, \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [" \
    CAM("upper", "90") ", " CAM("lower", "-90") "], \"lasers\": [" lasers "]}]}"
#define WALL \
    "{\"format\": \"lanternroom-scene/1\", \"name\": \"wall\", \"objects\": [{\"name\": \"wall\", \"shape\": \"rectangle\", \"size_m\": [400, 400]," \
    " \"center_m\": [%g, 0, 0], \"rotate_deg\": [0, -90, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.6}}], \"lights\": [%s]}"
#define SPHERE \
    "{\"format\": \"lanternroom-scene/1\", \"name\": \"ball\", \"objects\": [{\"shape\": \"sphere\", \"radius_m\": %g," \
    " \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.5}}], \"lights\": []}"

static int far_from_ends(const lr_head *head, int laser, const stage *s, int camera, int pixel)
{
    const lr_camera_def *c = &head->module[0].camera[camera];
    const lr_laser_def *l = &head->module[0].laser[laser];
    const double up = -lr_camera_angle(c, pixel), r = (double)s->range[pixel];
    const double alpha = atan2(c->placement.height_m + r*sin(up) - l->placement.height_m, r*cos(up)) - l->placement.pitch_rad;
    return fabs(fabs(alpha) - 0.5*l->fan_rad) > CUT_DEG*LR_DEG;
}

// Laser on walls near and far, both cameras, two fans.
static void laser_electrons_on_a_wall(void **state)
{
    (void)state;
    const double distances_m[] = {0.6, 1.5, 4.0, 9.0};
    for (int k = 0; k < 4; k++) {
        char scene[1024];
        snprintf(scene, sizeof scene, WALL, distances_m[k], "");
        stage *s = stage_create(scene, HEAD_TEXT(LASER("up", "-15", "30") ", " LASER("down", "15", "-30")), 4);
        int compared = 0;
        for (int camera = 0; camera < 2; camera++) {
            stage_line(s, camera, 0);
            for (int i = 0; i < 512; i++) {
                if (!isfinite(s->range[i]) || !far_from_ends(s->head, 0, s, camera, i) || !far_from_ends(s->head, 1, s, camera, i))
                    continue;
                double want = 0.0;
                for (int l = 0; l < 2; l++)
                    want += lr_budget_laser_e(s->head, 0, camera, l, i, (double)s->range[i], LR_PI, 0.6);
                if (!(want > 0.0))
                    continue;
                compared++;
                assert_rel((double)s->part[0][i], want, PROMISED_E);
            }
        }
        assert_true(compared > 800);
        stage_destroy(s);
    }
}

// Sun on the wall: the renderer's electrons against the budget's integral over filter and sensor, cosine of incidence included.
static void sun_electrons_on_a_wall(void **state)
{
    (void)state;
    char scene[1024];
    snprintf(scene, sizeof scene, WALL, 3.0, "{\"kind\": \"sun\", \"elevation_deg\": 35, \"azimuth_deg\": 250}");
    stage *s = stage_create(scene, HEAD_TEXT(LASER("up", "0", "0")), 256);
    const double facing = -s->scene->sun.direction.x;    // the wall looks towards -x
    assert_true(facing > 0.5);
    stage_line(s, 0, 0);
    const lr_camera_def *c = &s->head->module[0].camera[0];
    double sum = 0.0, want_sum = 0.0;
    for (int i = 0; i < 512; i++) {
        const double want = facing*lr_budget_ambient_e(c, i, &s->scene->source[s->scene->sun.source].spectrum, 0.6);
        sum += (double)s->part[2][i];
        want_sum += want;
        assert_rel((double)s->part[2][i], want, PROMISED_E);
    }
    assert_rel(sum, want_sum, PROMISED_E);
    stage_destroy(s);
}

// What is lit and seen by both on a sphere of radius R about the head is what the budget counts at range R.
static void coverage_on_a_sphere(void **state)
{
    (void)state;
    const double radius_m[] = {1.0, 3.0, 8.0};
    for (int k = 0; k < 3; k++) {
        char scene[512];
        snprintf(scene, sizeof scene, SPHERE, radius_m[k]);
        stage *s = stage_create(scene, HEAD_TEXT(LASER("up", "-15", "30") ", " LASER("down", "15", "-20")), 16);
        stage_line(s, 0, 0);
        int both = 0, in_sight = 0;
        double low = (double)INFINITY, high = -(double)INFINITY;
        for (int i = 0; i < 512; i++) {
            const double up = -lr_camera_angle(&s->head->module[0].camera[0], i);
            in_sight += (s->flags[i] & LR_FLAG_SEEN_BY_PARTNER) != 0;
            if (!(s->flags[i] & LR_FLAG_SEEN_BY_PARTNER) || !(s->flags[i] & LR_FLAG_LIT))
                continue;
            both++;
            low = fmin(low, up);
            high = fmax(high, up);
        }
        lr_budget_def def = lr_budget_def_default();
        def.range_m = radius_m[k];
        lr_budget *b = budget_of(s->head, &def);
        const lr_budget_module *m = &b->module[0];
        const double pixel_rad = m->ray[LR_BUDGET_RAYS/2].along_rad;
        // The camera sits off the sphere's centre, so ranges differ by up to its 90 mm: that moves edges by b dr/r^2; two pixels beside.
        const double slack_rad = 0.18*0.09/(radius_m[k]*radius_m[k]) + 2.0*pixel_rad;
        assert_true(both > 300);
        assert_near(m->points_per_line, both, 2.0*slack_rad/pixel_rad);
        assert_near(fmax(m->stereo_rad[0], m->lit_rad[0]), low, slack_rad);
        assert_near(fmin(m->stereo_rad[1], m->lit_rad[1]), high, slack_rad);
        assert_near((m->stereo_rad[1] - m->stereo_rad[0])/pixel_rad, in_sight, 0.05*in_sight);   // pixels of an equidistant lens are alike
        lr_budget_destroy(b);
        stage_destroy(s);
    }
}

// Two walls a little apart: change of the partner's pixel over change of range, at the same pixel.
static void step_of_disparity(void **state)
{
    (void)state;
    float near_range[512], near_partner[512];
    for (int k = 0; k < 2; k++) {
        char scene[1024];
        snprintf(scene, sizeof scene, WALL, k ? 3.03 : 3.0, "");
        stage *s = stage_create(scene, HEAD_TEXT(LASER("up", "0", "0")), 1);
        stage_line(s, 0, 0);
        int compared = 0;
        for (int i = 0; i < 512; i++) {
            if (!k) {
                near_range[i] = s->range[i];
                near_partner[i] = s->partner[i];
            } else if (isfinite(s->partner[i]) && isfinite(near_partner[i])) {
                const double dr = (double)s->range[i] - (double)near_range[i], dp = (double)s->partner[i] - (double)near_partner[i];
                const double middle_m = 0.5*((double)s->range[i] + (double)near_range[i]);
                // Pixels are kept in float: 3e-5 of a pixel at 512, of a change that is at least 0.05.
                assert_rel(dr/fabs(dp), lr_budget_range_step_m(s->head, 0, 0, 1, i, middle_m), 4e-5/fabs(dp) + 2e-4);
                compared++;
            }
        }
        assert_true(!k || compared > 400);
        stage_destroy(s);
    }
}

// How well dots can be matched: the information per pixel in what is rendered, from lines a tenth of a pixel apart, against the
// budget's dots in general. On a sphere about the head, so that it is met head on.
//   information = sum (de/dx)^2/(e + floor + (C e)^2)
#define DOTS_HEAD(pitch) \
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {" SPIN "}, \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [" \
    DOTS_CAM("upper", "90", pitch) ", " DOTS_CAM("lower", "-90", pitch) "], \"lasers\": [{\"name\": \"fan\", \"wavelength_nm\": 850, \"line_width_nm\": 2, " \
    "\"power_mw\": 60, \"fan_deg\": 60, \"thickness_mm\": 1, \"divergence_mrad\": 1, \"dots\": {\"count\": 150, \"seed\": 5, \"size_mrad\": 4, \"zero_order\": 0, \"background\": 0.1}}]}]}"
#define DOTS_CAM(name, height, pitch) \
    "{\"name\": \"" name "\", \"height_mm\": " height ", \"pitch_deg\": " pitch ", \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 5, \"f_number\": 2, \"blur_px\": 0}, " \
    "\"sensor\": {\"pixels\": 700, \"pitch_um\": 7, \"width_um\": 28, \"quantum_efficiency\": 0.4, \"read_noise_e\": 6, \"gain_dn_per_e\": 0.2}, \"exposure_us\": 100}"

static double rendered_information(const char *scene, int camera, double floor_e2, double contrast)
{
    const double pixel_deg = 7e-6/5e-3/LR_DEG;
    float *line[2];
    stage *s[2];
    for (int k = 0; k < 2; k++) {
        char head[3072], pitch[32];
        snprintf(pitch, sizeof pitch, "%.12g", (k ? 0.05 : -0.05)*pixel_deg);
        snprintf(head, sizeof head, DOTS_HEAD("%s"), pitch, pitch);
        s[k] = stage_create(scene, head, 16);
        stage_line(s[k], camera, 0);
        line[k] = s[k]->part[0];
    }
    double sum = 0.0;
    for (int i = 100; i < 600; i++) {
        const double e = 0.5*((double)line[0][i] + (double)line[1][i]), slope = ((double)line[1][i] - (double)line[0][i])/0.1;
        sum += slope*slope/(e + floor_e2 + contrast*contrast*e*e)/500.0;
    }
    stage_destroy(s[0]);
    stage_destroy(s[1]);
    return sum;
}

static void matching_of_rendered_dots(void **state)
{
    (void)state;
    const double radius_m[] = {1.0, 3.0, 6.0};
    for (int k = 0; k < 3; k++) {
        char scene[512], text[3072];
        snprintf(scene, sizeof scene, SPHERE, radius_m[k]);
        snprintf(text, sizeof text, DOTS_HEAD("%s"), "0", "0");
        lr_head *head = head_of(text);
        lr_budget_def def = lr_budget_def_default();
        def.range_m = radius_m[k];
        def.light = LR_LIGHT_DARK;
        lr_budget *b = budget_of(head, &def);
        const lr_budget_module *m = &b->module[0];
        double i[2];
        for (int c = 0; c < 2; c++)
            i[c] = def.window_px*rendered_information(scene, c, m->floor_e*m->floor_e, m->speckle_contrast);
        // One pattern of 150 dots, with dots 30 % brighter and darker, for the general even ones: 5 % is what they differ by.
        assert_rel(m->ray[m->middle].match_px, sqrt(1.0/i[0] + 1.0/i[1]), 0.08);
        lr_budget_destroy(b);
        lr_head_destroy(head);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(laser_electrons_on_a_wall), cmocka_unit_test(sun_electrons_on_a_wall), cmocka_unit_test(coverage_on_a_sphere),
        cmocka_unit_test(step_of_disparity), cmocka_unit_test(matching_of_rendered_dots),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
