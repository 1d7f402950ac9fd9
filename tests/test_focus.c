// SPDX-License-Identifier: Apache-2.0
// Blur of what is out of focus against the circle of confusion of a thin lens, c = f^2/(N (s - f)) |d - s|/d for an object at d when the lens is
// set to s (Born & Wolf, Principles of Optics, ch. 4.8, and any textbook of photography; from memory). The projection keeps its focal length
// whatever the focus, so the image here lies at f instead of f s/(s - f): c is less by the share f/s, 0.4 % in these tests.
// A uniform disc of diameter c, seen as a line spread, has the standard deviation c/4 (its density is a half circle).
#include "stage.h"

#include <stdio.h>

#define FOCAL_M 12e-3
#define PITCH_M 4e-6
#define PIXELS 301
#define FOCUS_M 3.0

static void make_head(char *text, size_t size, double f_number, double focus_m, double width_um, const char *lasers)
{
    snprintf(text, size,
        "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 0.001, \"lines_per_rev\": 3600},"
        " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [{\"name\": \"c\","
        "  \"lens\": {\"projection\": \"rectilinear\", \"focal_mm\": %g, \"f_number\": %g, \"transmission\": 0.8, \"focus_m\": %g},"
        "  \"filter\": {\"center_nm\": 850, \"width_nm\": 20, \"peak\": 0.9, \"index\": 2, \"angle_factor\": 0},"
        "  \"sensor\": {\"pixels\": %d, \"pitch_um\": %g, \"width_um\": %g, \"quantum_efficiency\": 0.4}, \"exposure_us\": 100}], \"lasers\": [%s]}]}",
        FOCAL_M*1e3, f_number, focus_m, PIXELS, PITCH_M*1e6, width_um, lasers);
}

static double circle_m(double f_number, double d_m)  // of confusion, with the image at f
{
    return FOCAL_M*FOCAL_M/(f_number*FOCUS_M)*fabs(d_m - FOCUS_M)/d_m;
}

static double spread_px(const double *weight, int count, double *sum)  // standard deviation of the place
{
    double m = 0.0, v = 0.0;
    *sum = 0.0;
    for (int i = 0; i < count; i++) {
        *sum += weight[i];
        m += i*weight[i];
    }
    m /= *sum;
    for (int i = 0; i < count; i++)
        v += (i - m)*(i - m)*weight[i]/ *sum;
    return sqrt(v);
}

// ---- a thin bright bar across the line ------------------------------------------------------------------------------------

#define PATHS 8192

static double bar_spread_m(double f_number, double focus_m, double d_m, double bar_m, double *hits)
{
    char head[2048], scene[1024];
    make_head(head, sizeof head, f_number, focus_m, 8, "");
    snprintf(scene, sizeof scene,
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"bar\", \"objects\": [], \"lights\": [{\"kind\": \"lamp\", \"shape\": \"rectangle\","
        " \"size_m\": [%.9g, 2], \"center_m\": [%.9g, 0, 0], \"rotate_deg\": [0, -90, 0], \"lumens\": 100, \"spectrum\": \"halogen\"}]}", bar_m, d_m);
    stage *s = stage_create(scene, head, PATHS);
    double weight[PIXELS], sum;
    stage_line(s, 0, 0);
    for (int i = 0; i < PIXELS; i++)
        weight[i] = (double)s->part[4][i];
    const double spread = spread_px(weight, PIXELS, &sum)*PITCH_M;
    // A pixel that the bar fills gets PATHS hits; the bar's image is bar f/d wide. All the light stays on the line.
    *hits = PATHS*bar_m*FOCAL_M/d_m/PITCH_M;
    stage_destroy(s);
    return spread;
}

static void bar_is_blurred_by_the_circle_of_confusion(void **state)
{
    (void)state;
    const double f_numbers[] = {1.4, 2.8}, distances_m[] = {1.2, 1.6, 12.0, 40.0};
    for (int n = 0; n < 2; n++)
        for (int k = 0; k < 4; k++) {
            const double d_m = distances_m[k], c_m = circle_m(f_numbers[n], d_m), bar_m = 0.5*PITCH_M*d_m/FOCAL_M;
            double hits;
            const double got = bar_spread_m(f_numbers[n], FOCUS_M, d_m, bar_m, &hits);
            // bar and the pixel that counts it are boxes, of variance w^2/12 (Sheppard's correction; c is 4 pixels at least)
            const double want = sqrt(c_m*c_m/16.0 + 0.25*PITCH_M*PITCH_M/12.0 + PITCH_M*PITCH_M/12.0);
            // five standard errors of a deviation of `hits` places with a kurtosis of 3 at most, and the thin lens's c against ours
            assert_rel(got, want, 5.0*sqrt(0.5/hits));
            assert_rel(circle_m(f_numbers[n], d_m), FOCAL_M*FOCAL_M/(f_numbers[n]*(FOCUS_M - FOCAL_M))*fabs(d_m - FOCUS_M)/d_m, 1.01*FOCAL_M/FOCUS_M);
        }
}

// The bar's image is half a pixel wide, in the middle of pixel 150: all its light stays there.
static void in_focus_is_a_pinhole(void **state)
{
    (void)state;
    double hits;
    const double bar_m = 0.5*PITCH_M/FOCAL_M;
    assert_true(bar_spread_m(1.4, FOCUS_M, FOCUS_M, bar_m*FOCUS_M, &hits) == 0.0);
    assert_true(bar_spread_m(1.4, 0.0, FOCUS_M, bar_m*FOCUS_M, &hits) == 0.0);
    assert_true(bar_spread_m(1.4, 0.0, 20.0, bar_m*20.0, &hits) == 0.0);  // no focus, no blur at any distance
    assert_true(bar_spread_m(1.4, FOCUS_M, 20.0, bar_m*20.0, &hits) > PITCH_M);
}

// ---- light kept ---------------------------------------------------------------------------------------------------------------

static void uniform_wall_keeps_its_light(void **state)
{
    (void)state;
    const char *scene = "{\"format\": \"lanternroom-scene/1\", \"name\": \"wall\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [40, 40], \"center_m\": [0.7, 0, 0],"
        " \"rotate_deg\": [0, -90, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.5}}],"
        " \"lights\": [{\"kind\": \"sky\", \"type\": 5, \"lux\": 1000}, {\"kind\": \"lamp\", \"shape\": \"disc\", \"radius_m\": 0.1, \"center_m\": [-3, 0, 0.4],"
        " \"rotate_deg\": [0, 90, 0], \"lumens\": 1000, \"spectrum\": \"halogen\"}]}";
    double mean[2][2] = {{0}}, var[2][2] = {{0}};
    for (int focused = 0; focused < 2; focused++) {
        char head[2048];
        make_head(head, sizeof head, 1.4, focused ? FOCUS_M : 0.0, 8, "");
        stage *s = stage_create(scene, head, 256);
        stage_line(s, 0, 0);
        for (int part = 0; part < 2; part++) {
            for (int i = 0; i < PIXELS; i++)
                mean[focused][part] += (double)s->part[3 + part][i]/PIXELS;
            for (int i = 0; i < PIXELS; i++)
                var[focused][part] += pow((double)s->part[3 + part][i] - mean[focused][part], 2)/(PIXELS - 1);
        }
        stage_destroy(s);
    }
    for (int part = 0; part < 2; part++) {
        assert_true(mean[0][part] > 0.0);
        assert_near(mean[1][part], mean[0][part], 5.0*sqrt((var[0][part] + var[1][part])/PIXELS));
    }
}

// ---- the laser, a closed form over the pixel's width at each place of the pupil -------------------------------------------------

#define FAN "{\"name\": \"l\", \"height_mm\": %g, \"mode\": \"sheet\", \"wavelength_nm\": 850, \"line_width_nm\": 0, \"power_mw\": 100, \"fan_deg\": %g," \
            " \"thickness_mm\": %g, \"divergence_mrad\": 0, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}}"

static stage *laser_stage(double f_number, double focus_m, double d_m, double width_um, double fan_deg, double thickness_mm, int parts)
{
    char head[2048], scene[512], laser[512];
    snprintf(laser, sizeof laser, FAN, 0.0, fan_deg, thickness_mm);
    make_head(head, sizeof head, f_number, focus_m, width_um, laser);
    snprintf(scene, sizeof scene,
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"wall\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [40, 40], \"center_m\": [%.9g, 0, 0],"
        " \"rotate_deg\": [0, -90, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.5}}], \"lights\": []}", d_m);
    stage *s = stage_create(scene, head, parts);
    stage_line(s, 0, 0);
    return s;
}

// Along the line: the end of the fan is a step, whose slope is the line spread.
static void end_of_the_fan_is_blurred(void **state)
{
    (void)state;
    const double d_m = 1.2, fan_rad = 40.0*PITCH_M/FOCAL_M;
    for (int n = 0; n < 2; n++) {
        const double f_number = n ? 4.0 : 2.0, c_m = circle_m(f_number, d_m);
        double slope[PIXELS], sum, mean_v = 0.0;
        stage *s = laser_stage(f_number, FOCUS_M, d_m, 400.0, fan_rad/LR_DEG, 0.2, 16);  // laser and camera at one place; the pixel takes in the whole sheet
        for (int i = PIXELS/2; i + 1 < PIXELS; i++)
            slope[i - PIXELS/2] = (double)s->part[0][i] - (double)s->part[0][i + 1];
        const double got = spread_px(slope, PIXELS/2, &sum)*PITCH_M;
        for (int i = 0; i < PIXELS; i++)
            mean_v += (double)s->part[0][i];
        assert_true(mean_v > 0.0);
        // 64 places of the pupil in each of about c/p pixels; their error only counts within c, and falls in with the slope's own sum
        const double want = sqrt(c_m*c_m/16.0 + PITCH_M*PITCH_M/12.0);
        assert_rel(got, want, 5.0*sqrt(0.5/(64.0*c_m/PITCH_M)));
        stage_destroy(s);
    }
}

// Across it: a thin sheet seen out of focus by a narrow pixel. Share of the sheet within the pixel = share of a disc's chords.
static void narrow_pixel_loses_a_blurred_sheet(void **state)
{
    (void)state;
    const double d_m = 1.2, width_m = 8e-6;
    for (int n = 0; n < 2; n++) {
        const double f_number = n ? 2.0 : 4.0, c_m = circle_m(f_number, d_m), q = width_m/c_m;
        const double share = 2.0/LR_PI*(q*sqrt(1.0 - q*q) + asin(q));  // of a disc of diameter 1 within +-q/2
        stage *blurred = laser_stage(f_number, FOCUS_M, d_m, width_m*1e6, 20.0, 0.002, 16), *sharp = laser_stage(f_number, 0.0, d_m, width_m*1e6, 20.0, 0.002, 16);
        double got = 0.0, want = 0.0, v = 0.0;
        for (int i = 50; i < PIXELS - 50; i++) {
            got += (double)blurred->part[0][i]/(PIXELS - 100);
            want += share*(double)sharp->part[0][i]/(PIXELS - 100);
            assert_true(blurred->flags[i] & LR_FLAG_LIT && sharp->flags[i] & LR_FLAG_LIT);
            assert_true(blurred->range[i] == sharp->range[i]);   // truth is that of the central ray
        }
        assert_true(q < 1.0 && want > 0.0);
        for (int i = 50; i < PIXELS - 50; i++)
            v += pow((double)blurred->part[0][i] - got, 2)/(PIXELS - 101);
        assert_near(got, want, 5.0*sqrt(v/(PIXELS - 100)));
        stage_destroy(blurred);
        stage_destroy(sharp);
    }
}

static void sheet_in_focus_is_that_of_a_pinhole(void **state)
{
    (void)state;
    stage *focused = laser_stage(2.0, FOCUS_M, FOCUS_M, 8.0, 20.0, 1.0, 4), *sharp = laser_stage(2.0, 0.0, FOCUS_M, 8.0, 20.0, 1.0, 4);
    for (int i = 0; i < PIXELS; i++)
        assert_rel((double)focused->part[0][i], (double)sharp->part[0][i], 1e-3);  // the pupil's place changes distance and slant by (D/d)^2 at most
    stage_destroy(focused);
    stage_destroy(sharp);
}

// Indirect light of a sheet in a corner keeps its sum: it is smooth over the blur, but for the line of the sheet itself.
static void indirect_light_is_kept(void **state)
{
    (void)state;
    const char *scene = "{\"format\": \"lanternroom-scene/1\", \"name\": \"corner\", \"objects\": [{\"shape\": \"room\", \"size_m\": [4, 4, 3],"
        " \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.7}}], \"lights\": []}";
    enum { TURNS = 24 };
    double difference = 0.0, square = 0.0, mean = 0.0;
    char laser[512], head[2][2048];
    snprintf(laser, sizeof laser, FAN, -60.0, 90.0, 1.0);
    make_head(head[0], sizeof head[0], 1.4, 0.0, 30.0, laser);
    make_head(head[1], sizeof head[1], 1.4, FOCUS_M, 30.0, laser);
    stage *sharp = stage_create(scene, head[0], 4), *focused = stage_create(scene, head[1], 4);
    for (int k = 0; k < TURNS; k++) {
        double sum[2] = {0.0, 0.0};
        stage_line(sharp, 0, 150*k + 7);
        stage_line(focused, 0, 150*k + 7);
        for (int i = 0; i < PIXELS; i++) {
            sum[0] += (double)sharp->part[1][i]/PIXELS;
            sum[1] += (double)focused->part[1][i]/PIXELS;
        }
        mean += sum[0]/TURNS;
        difference += (sum[1] - sum[0])/TURNS;
        square += (sum[1] - sum[0])*(sum[1] - sum[0])/TURNS;
    }
    const double error = sqrt((square - difference*difference)/(TURNS - 1));
    assert_true(mean > 0.0 && 5.0*error < 0.1*mean);
    assert_near(difference, 0.0, 5.0*error);
    stage_destroy(sharp);
    stage_destroy(focused);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bar_is_blurred_by_the_circle_of_confusion),
        cmocka_unit_test(in_focus_is_a_pinhole),
        cmocka_unit_test(uniform_wall_keeps_its_light),
        cmocka_unit_test(end_of_the_fan_is_blurred),
        cmocka_unit_test(narrow_pixel_loses_a_blurred_sheet),
        cmocka_unit_test(sheet_in_focus_is_that_of_a_pinhole),
        cmocka_unit_test(indirect_light_is_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
