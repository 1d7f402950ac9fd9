// SPDX-License-Identifier: Apache-2.0
// Ambient light by path tracing against closed forms: uniform sky, integrating sphere, view factors, lamps, panes.
#include "stage.h"

#include <stdio.h>

#include "core/rng.h"
#include "optics/spectrum.h"

// A head whose line sweeps the sphere round its position; the filter keeps one narrow bin.
#define HEAD(az, pitch_deg, focal, pixels, pitch_um)                                                                                 \
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 360},"                    \
    " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"azimuth_deg\": " #az ", \"pitch_deg\": " #pitch_deg ", \"cameras\": [{\"name\": \"c\","     \
    "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": " #focal ", \"f_number\": 2, \"transmission\": 0.8},"                     \
    "  \"filter\": {\"center_nm\": 850, \"width_nm\": 20, \"peak\": 0.9, \"index\": 2, \"angle_factor\": 0},"                          \
    "  \"sensor\": {\"pixels\": " #pixels ", \"pitch_um\": " #pitch_um ", \"width_um\": 10, \"quantum_efficiency\": 0.4}, \"exposure_us\": 200}]}]}"

// Radiance over the spectrum of a source that would give `electrons` in pixel i.
static double radiance_of(const stage *s, int source, int pixel, double electrons)
{
    return electrons/(double)s->rig->module[0].camera[0].ambient_response[(size_t)source*(size_t)s->pixels + (size_t)pixel];
}

static double spectral_at_850(const stage *s, int source) { return lr_table_at(&s->scene->source[source].spectrum, 850e-9); }

// A level floor under a uniform sky (CIE type 5): irradiance is the sky's level irradiance, L = rho E/pi.
// Electrons by the photon constant of EMVA 1288 (release 3.1, eq. 4): 50.34 A[um^2] t[ms] lambda[um] E[uW/cm^2] photons, with E on the
// sensor = pi/4 L tau/N^2 V(theta) Omega N^2/(...) written out through the pixel's etendue at the axis, where it is p w/f^2 pi/4 f^2/N^2.
static void floor_under_a_uniform_sky(void **state)
{
    (void)state;
    stage *s = stage_create(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"floor\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [4000, 4000], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.5}}],"
        " \"lights\": [{\"kind\": \"sky\", \"type\": 5, \"lux\": 10000}], \"head_pose\": {\"position_m\": [0, 0, 1]}}",
        HEAD(0, -90, 20, 101, 5), 16);
    assert_int_equal(s->scene->sky.present, 1);
    const int source = s->scene->sky.source;
    // Electrons from the filter's equivalent width: the sky's spectrum is smooth over 20 nm.
    const lr_filter *filter = &s->head->module[0].camera[0].filter;
    const double band_m = lr_filter_equivalent_width_m(filter), e_w_m2 = lr_table_integral(&s->scene->source[source].spectrum, 840e-9, 860e-9)/20e-9*band_m;   // floor, in band
    const double on_sensor_uw_cm2 = LR_PI/4.0*(0.5*e_w_m2/LR_PI)*0.8/(2.0*2.0)*100.0;                          // 1 W/m^2 = 100 uW/cm^2
    const double photons = 50.34117*(5.0*10.0)*0.2*0.850*on_sensor_uw_cm2;
    stage_line(s, 0, 0);
    assert_rel((double)s->part[3][50], 0.4*photons, 0.01);  // the mean over 20 nm stands for the band's own weighing: the sun's lines leave 0.5 %
    for (int i = 0; i < s->pixels; i++)
        assert_rel(radiance_of(s, source, i, (double)s->part[3][i]), 0.5/LR_PI, 0.005);
    stage_destroy(s);
}

// Illuminance: the spectrum of a sky of 10 klx carries 10 klx.
static void sky_has_its_lux(void **state)
{
    (void)state;
    stage *s = stage_create(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"sky\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [40, 40]}], \"lights\": [{\"kind\": \"sky\", \"type\": 1, \"lux\": 10000}]}",
        HEAD(0, 0, 20, 11, 5), 1);
    double lux = 0.0;
    for (double nm = 360.0; nm < 830.0; nm += 1.0)
        lux += 683.0*lr_table_at(&s->scene->source[s->scene->sky.source].spectrum, nm*1e-9)*lr_eye(nm*1e-9)*1e-9;
    assert_rel(lux, 10000.0, 0.002);
    stage_destroy(s);
}

// Mean radiance over a line set, with its standard error from the lines' scatter.
typedef struct estimate { double mean, error; } estimate;

static estimate mean_over(const double *value, int count)
{
    double sum = 0.0, square = 0.0;
    for (int i = 0; i < count; i++)
        sum += value[i];
    const double mean = sum/count;
    for (int i = 0; i < count; i++)
        square += (value[i] - mean)*(value[i] - mean);
    return (estimate){mean, sqrt(square/(count - 1.0)/count)};
}

// A sphere of reflectance rho round a small spherical lamp of exitance M at its centre: every point of the wall gets
// E = M f/(1 - rho (1 - f)), f = (r/R)^2 being both the share of the wall's light that the black lamp takes and F(wall, lamp).
// Source: integrating-sphere multiplier rho/(1 - rho) with one absorbing port, L = rho E/pi.
static void sphere_multiplies(double rho)
{
    char scene[1024];
    snprintf(scene, sizeof scene,
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"sphere\", \"objects\": [{\"shape\": \"sphere\", \"radius_m\": 1, \"material\": {\"kind\": \"diffuse\", \"reflectance\": %g}}],"
        " \"lights\": [{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 0.1, \"flat_w_per_nm\": 0.001, \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0}}],"
        " \"head_pose\": {\"position_m\": [0.5, 0, 0.1]}}", rho);
    stage *s = stage_create(scene, HEAD(0, 0, 0.5, 200, 5), 128);
    const double f = 0.01, exitance = 0.001*1e9/(4.0*LR_PI*0.01);   // W/m^2 per m, on the lamp
    const double e = exitance*f/(1.0 - rho*(1.0 - f)), want = rho*e/LR_PI;
    const lr_lamp *lamp = &s->scene->lamp[0];
    assert_rel(lamp->strength*spectral_at_850(s, lamp->source), exitance/LR_PI, 1e-6);
    double line[24];
    for (int k = 0; k < 24; k++) {
        double sum = 0.0;
        int seen = 0;
        stage_line(s, 0, 5*(k - 12));   // looking away from the lamp
        for (int i = 0; i < s->pixels; i++)
            if (s->object[i] == 1) {
                sum += radiance_of(s, lamp->source, i, (double)s->part[4][i])*spectral_at_850(s, lamp->source);
                seen++;
            }
        line[k] = sum/seen;
    }
    const estimate got = mean_over(line, 24);
    assert_true(got.error < 0.003*want);      // tight enough for the next line to mean something
    assert_near(got.mean, want, fmin(0.01*want, 5.0*got.error));
    stage_destroy(s);
}

static void integrating_sphere(void **state)
{
    (void)state;
    sphere_multiplies(0.5);
    sphere_multiplies(0.8);
    sphere_multiplies(0.95);
}

// Irradiance at a point from a uniform lamp of radiance L, over L [sr]. Values of the reference table "Irradiance from a uniform Lambertian
// radiance" (closed forms, computed). The wall is a small black-backed patch of reflectance 1 seen from the side.
static void point_under_a_lamp(const char *lamp, double want_sr)
{
    char scene[2048];
    snprintf(scene, sizeof scene,
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"patch\", \"objects\": [{\"name\": \"patch\", \"shape\": \"rectangle\", \"size_m\": [0.01, 0.01], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.999}}],"
        " \"lights\": [{\"kind\": \"lamp\", %s, \"flat_w_per_nm\": 0.01, \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0}}], \"head_pose\": {\"position_m\": [0, -0.3, 0.3]}}", lamp);
    stage *s = stage_create(scene, HEAD(90, -45, 40, 11, 5), 4096);
    stage_line(s, 0, 0);
    double value[11];
    const int source = s->scene->lamp[0].source;
    for (int i = 0; i < 11; i++) {
        assert_int_equal(s->object[i], 1);
        value[i] = radiance_of(s, source, i, (double)s->part[4][i])/s->scene->lamp[0].strength*LR_PI/0.999;
    }
    const estimate got = mean_over(value, 11);
    assert_true(got.error < 0.005*want_sr);
    assert_near(got.mean, want_sr, 5.0*got.error + 1e-4*want_sr);  // the patch is not quite a point
    stage_destroy(s);
}

static void lamps_of_known_irradiance(void **state)
{
    (void)state;
    point_under_a_lamp("\"shape\": \"disc\", \"radius_m\": 0.5, \"center_m\": [0, 0, 1], \"rotate_deg\": [180, 0, 0]", 0.2*LR_PI);
    point_under_a_lamp("\"shape\": \"disc\", \"radius_m\": 0.5, \"center_m\": [0.7, 0, 1], \"rotate_deg\": [180, 0, 0]", 0.1107935*LR_PI);
    point_under_a_lamp("\"shape\": \"rectangle\", \"size_m\": [1, 1], \"center_m\": [0.5, 0.5, 1], \"rotate_deg\": [180, 0, 0]", 0.4352099);
    point_under_a_lamp("\"shape\": \"rectangle\", \"size_m\": [1, 1], \"center_m\": [0, 0, 1], \"rotate_deg\": [180, 0, 0]", 0.7522747);
    // Perpendicular to the patch, from its foot corner: width a = 1 (y), height b = 1 (z) at distance 1.
    point_under_a_lamp("\"shape\": \"rectangle\", \"size_m\": [1, 1], \"center_m\": [1, 0.5, 0.5], \"rotate_deg\": [0, -90, 0]", 0.1750941);
    point_under_a_lamp("\"shape\": \"sphere\", \"radius_m\": 0.3, \"center_m\": [0, 0, 1]", LR_PI*0.09);
}

// View factors: one face of a black room shines with radiance L; the mean of E/(pi L) over the floor is F(face, floor) times the areas' ratio,
// F(floor, face) by reciprocity. The mean is taken at random places of a 20 x 15 grid, looked at from 5 cm above.
static void floor_sees(const char *lamp, double want)
{
    enum { NX = 20, NY = 15 };
    char scene[2048];
    snprintf(scene, sizeof scene,
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"room\", \"objects\": [{\"name\": \"room\", \"shape\": \"room\", \"size_m\": [4, 3, 2.5], \"center_m\": [0, 0, 1.25],"
        " \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0}, \"faces\": {\"floor\": {\"kind\": \"diffuse\", \"reflectance\": 0.5}}}],"
        " \"lights\": [{\"kind\": \"lamp\", %s, \"flat_w_per_nm\": 0.01, \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0}}]}", lamp);
    stage *s = stage_create(scene, HEAD(0, -90, 40, 5, 5), 256);
    double value[NX*NY];
    for (int k = 0; k < NX*NY; k++) {
        double sum = 0.0;
        s->rig->head_pose.origin = lr_v3(-2.0 + 4.0*(k % NX + (double)lr_uniform(lr_hash(7, 2*k)))/NX, -1.5 + 3.0*(k/NX + (double)lr_uniform(lr_hash(7, 2*k + 1)))/NY, 0.05);
        stage_line(s, 0, k);
        for (int i = 0; i < s->pixels; i++)
            sum += radiance_of(s, s->scene->lamp[0].source, i, (double)s->part[4][i])/s->scene->lamp[0].strength;
        value[k] = sum/s->pixels*LR_PI/0.5/LR_PI;
    }
    const estimate got = mean_over(value, NX*NY);  // the grid makes the true error smaller than this
    assert_near(got.mean, want, 0.01*want);
    assert_near(got.mean, want, 5.0*got.error);
    stage_destroy(s);
}

static void room_view_factors(void **state)
{
    (void)state;
    // Room 4 x 3 x 2.5 m, from the floor: ceiling 0.2920740, a 4 m wall 0.2035247, a 3 m wall 0.1504383 (Howell's catalogue C-11 and C-14).
    floor_sees("\"shape\": \"rectangle\", \"size_m\": [3.9999, 2.9999], \"center_m\": [0, 0, 2.4999], \"rotate_deg\": [180, 0, 0]", 0.2920740);
    floor_sees("\"shape\": \"rectangle\", \"size_m\": [3.9999, 2.4999], \"center_m\": [0, 1.4999, 1.25], \"rotate_deg\": [90, 0, 0]", 0.2035247);
    floor_sees("\"shape\": \"rectangle\", \"size_m\": [2.4999, 2.9999], \"center_m\": [1.9999, 0, 1.25], \"rotate_deg\": [0, -90, 0]", 0.1504383);
}

// The same sky with and without an opening for shadow rays must light a room alike: both are right, one is quieter.
// And a pane takes what the Fresnel slab takes.
static double floor_light(const char *opening, double *error)
{
    char scene[2048];
    snprintf(scene, sizeof scene,
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"room\", \"objects\": [%s], \"lights\": [{\"kind\": \"sky\", \"type\": 5, \"lux\": 10000}], \"head_pose\": {\"position_m\": [0, 0, 1]}}", opening);
    stage *s = stage_create(scene, HEAD(0, -90, 4, 41, 20), 400);
    double value[8];
    for (int k = 0; k < 8; k++) {
        double sum = 0.0;
        stage_line(s, 0, 45*k);
        for (int i = 0; i < s->pixels; i++)
            sum += radiance_of(s, s->scene->sky.source, i, (double)s->part[3][i]);
        value[k] = sum/s->pixels;
    }
    const estimate got = mean_over(value, 8);
    *error = got.error;
    stage_destroy(s);
    return got.mean;
}

#define WALLS "\"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.4}"
static void openings_change_nothing_but_noise(void **state)
{
    (void)state;
    double e1, e2;
    // A room with a roof opening, as a room (with a portal), and as five boxes and four strips (without).
    const double with = floor_light("{\"shape\": \"room\", \"size_m\": [4, 4, 3], \"center_m\": [0, 0, 1.5], " WALLS ", \"openings\": [{\"face\": \"ceiling\", \"center_m\": [0, 0], \"size_m\": [2, 2]}]}", &e1);
    const double without = floor_light(
        "{\"shape\": \"rectangle\", \"size_m\": [4, 4], " WALLS "},"
        "{\"shape\": \"rectangle\", \"size_m\": [4, 3], \"center_m\": [0, 2, 1.5], \"rotate_deg\": [90, 0, 0], " WALLS "},"
        "{\"shape\": \"rectangle\", \"size_m\": [4, 3], \"center_m\": [0, -2, 1.5], \"rotate_deg\": [90, 0, 0], " WALLS "},"
        "{\"shape\": \"rectangle\", \"size_m\": [3, 4], \"center_m\": [2, 0, 1.5], \"rotate_deg\": [0, 90, 0], " WALLS "},"
        "{\"shape\": \"rectangle\", \"size_m\": [3, 4], \"center_m\": [-2, 0, 1.5], \"rotate_deg\": [0, 90, 0], " WALLS "},"
        "{\"shape\": \"rectangle\", \"size_m\": [4, 1], \"center_m\": [0, 1.5, 3], " WALLS "},"
        "{\"shape\": \"rectangle\", \"size_m\": [4, 1], \"center_m\": [0, -1.5, 3], " WALLS "},"
        "{\"shape\": \"rectangle\", \"size_m\": [1, 2], \"center_m\": [1.5, 0, 3], " WALLS "},"
        "{\"shape\": \"rectangle\", \"size_m\": [1, 2], \"center_m\": [-1.5, 0, 3], " WALLS "}", &e2);
    assert_true(e1 < 0.01*with && e2 < 0.02*without);
    assert_near(with, without, 5.0*sqrt(e1*e1 + e2*e2));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(floor_under_a_uniform_sky),
        cmocka_unit_test(sky_has_its_lux),
        cmocka_unit_test(integrating_sphere),
        cmocka_unit_test(lamps_of_known_irradiance),
        cmocka_unit_test(room_view_factors),
        cmocka_unit_test(openings_change_nothing_but_noise),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
