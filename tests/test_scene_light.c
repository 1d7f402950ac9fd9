// SPDX-License-Identifier: Apache-2.0
// Lights of a scene in absolute units: lamps against their lumens and watts and against closed forms of illuminance,
// sun and sky against the models they come from, portals aside.
#include "close.h"

#include "core/rng.h"
#include "optics/daylight.h"
#include "optics/spectrum.h"
#include "scene/scene.h"
#include "scene_folder.h"
#include "scene_text.h"

static const char *const ball = "{\"shape\": \"sphere\", \"radius_m\": 1}";

static double draw(uint32_t *at)
{
    uint32_t out[4];
    lr_philox((uint32_t[2]){21, 0x11947u}, (uint32_t[4]){(*at)++, 0, 0, 0}, out);
    return (double)lr_uniform(out[0]);
}

// 683 integral S V, 1 nm trapezoid over V's range.
static double lumens_of(const lr_table *spectrum)
{
    double sum = 0;
    for (int nm = 360; nm <= 830; ++nm)
        sum += lr_table_at(spectrum, nm*1e-9)*lr_eye(nm*1e-9)*1e-9;
    return 683.0*sum;
}

static lr_scene *lamp_scene(const char *lamp)
{
    char text[700];
    snprintf(text, sizeof text, "\"lights\": [{\"kind\": \"lamp\", %s}]", lamp);
    return scene_of(ball, text);
}

// ---- Lamps

static const struct { const char *size; double area; } lamp_shapes[] = {
    {"\"shape\": \"rectangle\", \"size_m\": [1.2, 0.3]", 0.36}, {"\"shape\": \"disc\", \"radius_m\": 0.5, \"hole_m\": 0.3", LR_PI*0.16},
    {"\"shape\": \"sphere\", \"radius_m\": 0.1", LR_PI*0.04}, {"\"shape\": \"cylinder\", \"radius_m\": 0.1, \"height_m\": 1", LR_PI*0.22},
    {"\"shape\": \"capsule\", \"radius_m\": 0.1, \"height_m\": 1", LR_PI*0.24}, {"\"shape\": \"box\", \"size_m\": [1, 2, 3]", 22},
    {"\"shape\": \"rectangle\", \"size_m\": [1.2, 0.3], \"two_sided\": true", 0.72},
};
#define LAMP_SHAPES ((int)(sizeof lamp_shapes/sizeof lamp_shapes[0]))

// Flux of a Lambertian surface: pi area radiance. V at 780 nm, where spectra of phosphors stop between two places of our
// table, is 1.5e-5, so the sum over 1 nm steps is good to a few 1e-4.
static void lamps_give_their_lumens(void **state)
{
    (void)state;
    for (int i = 0; i < LAMP_SHAPES; ++i)
        for (int k = 0; k < LR_SPECTRUM_COUNT; ++k) {
            char text[400];
            snprintf(text, sizeof text, "%s, \"lumens\": 800, \"spectrum\": \"%s\"", lamp_shapes[i].size, lr_spectrum_names[k]);
            lr_scene *s = lamp_scene(text);
            assert_int_equal(s->lamp_count, 1);
            const lr_lamp *l = &s->lamp[0];
            assert_rel(l->area_m2, lamp_shapes[i].area, 1e-6);
            assert_rel(LR_PI*l->area_m2*l->strength*lumens_of(&s->source[l->source].spectrum), 800.0, 1e-3);
            assert_rel(l->lumens, 800.0, 1e-12);
            assert_int_equal(s->object[l->object].lamp, 0);
            lr_scene_destroy(s);
        }
}

static void lamps_give_their_watts(void **state)
{
    (void)state;
    const char *sphere = "\"shape\": \"sphere\", \"radius_m\": 0.1";
    const struct { const char *strength; double watts, rel; } lamps[] = {
        {"\"watts\": 5, \"spectrum\": \"flat\"", 5, 1e-5},
        {"\"flat_w_per_nm\": 0.01", 8, 1e-5},  // over 300 .. 1100 nm; the end falls over 0.001 nm
        {"\"watts\": 5, \"spectrum\": {\"nm\": [840, 850, 860], \"value\": [0, 3, 0]}", 5, 1e-12},
        {"\"watts\": 5, \"spectrum\": \"led_4000k\"", 5, 2e-3},
    };
    for (int i = 0; i < 4; ++i) {
        char text[300];
        snprintf(text, sizeof text, "%s, %s", sphere, lamps[i].strength);
        lr_scene *s = lamp_scene(text);
        const lr_lamp *l = &s->lamp[0];
        assert_rel(LR_PI*l->area_m2*l->strength*lr_table_integral(&s->source[l->source].spectrum, 200e-9, 3e-6), lamps[i].watts, lamps[i].rel);
        lr_scene_destroy(s);
    }
    // Planck at 3000 K, all wavelengths together: at 1 um the lamp's radiance is that of a black body times P/(sigma T^4 A).
    char text[300];
    snprintf(text, sizeof text, "%s, \"watts\": 50, \"spectrum\": \"halogen\"", sphere);
    lr_scene *s = lamp_scene(text);
    const lr_lamp *l = &s->lamp[0];
    const double stefan = 5.670374419e-8;  // W/(m^2 K^4), CODATA 2018, from memory
    assert_rel(l->strength*lr_table_at(&s->source[l->source].spectrum, 1e-6), 50.0/(l->area_m2*stefan*pow(3000, 4))*lr_planck(1e-6, 3000), 1e-4);
    lr_scene_destroy(s);
}

// Illuminance by sampling the lamp: mean of L cos cos' area / d^2 over its points, against closed forms.
static void check_illuminance(const char *lamp, lr_vec3 at, lr_vec3 facing, double want_per_radiance)
{
    enum { SAMPLES = 200000 };
    lr_scene *s = lamp_scene(lamp);
    const lr_lamp *l = &s->lamp[0];
    uint32_t random = 0;
    double sum = 0, sum2 = 0;
    for (int i = 0; i < SAMPLES; ++i) {
        lr_vec3 p, n;
        const double u = draw(&random), v = draw(&random), w = draw(&random);
        lr_lamp_sample(s, l, (float)u, (float)v, (float)w, &p, &n);
        assert_near(lr_length(n), 1.0, 1e-9);
        const lr_vec3 to = lr_sub(p, at);
        const double d2 = lr_dot(to, to), here = lr_dot(facing, to)/sqrt(d2), there = -lr_dot(n, to)/sqrt(d2);
        const double e = here > 0 && there > 0 ? here*there/d2*l->area_m2 : 0;
        sum += e;
        sum2 += e*e;
    }
    const double mean = sum/SAMPLES, error = sqrt((sum2/SAMPLES - mean*mean)/SAMPLES);
    assert_true(error < 0.02*want_per_radiance);
    assert_near(mean, want_per_radiance, 5*error);
    lr_scene_destroy(s);
}

static void lamps_light_as_closed_forms_say(void **state)
{
    (void)state;
    const lr_vec3 down = {0, 0, -1}, up = {0, 0, 1};
    // Disc of radius R seen square on from h: pi L R^2/(R^2 + h^2); with a hole, the difference. Convex, so nothing hides.
    check_illuminance("\"shape\": \"disc\", \"radius_m\": 0.5, \"watts\": 1, \"spectrum\": \"flat\", \"center_m\": [0, 0, 0]", lr_v3(0, 0, 1), down, LR_PI*0.25/1.25);
    check_illuminance("\"shape\": \"disc\", \"radius_m\": 0.5, \"hole_m\": 0.3, \"watts\": 1, \"spectrum\": \"flat\"", lr_v3(0, 0, 1), down, LR_PI*(0.25/1.25 - 0.09/1.09));
    // Turned over it shines down.
    check_illuminance("\"shape\": \"disc\", \"radius_m\": 0.5, \"watts\": 1, \"spectrum\": \"flat\", \"center_m\": [0, 0, 3], \"rotate_deg\": [180, 0, 0]", lr_v3(0, 0, 2), up, LR_PI*0.25/1.25);
    // Two-sided: the same to both sides.
    check_illuminance("\"shape\": \"disc\", \"radius_m\": 0.5, \"watts\": 1, \"spectrum\": \"flat\", \"two_sided\": true", lr_v3(0, 0, -1), up, LR_PI*0.25/1.25);
    check_illuminance("\"shape\": \"disc\", \"radius_m\": 0.5, \"watts\": 1, \"spectrum\": \"flat\", \"two_sided\": true", lr_v3(0, 0, 1), down, LR_PI*0.25/1.25);
    // Sphere: pi L (R/d)^2 at distance d of the centre.
    check_illuminance("\"shape\": \"sphere\", \"radius_m\": 0.3, \"watts\": 1, \"spectrum\": \"flat\", \"center_m\": [1, 2, 3]", lr_v3(1, 2, 5), down, LR_PI*0.09/4);
    // Rectangle a x b, from a point square off one corner at h (view factor of a plane element, handbook of radiation):
    //   F = 1/(2 pi) (X/sqrt(1+X^2) atan(Y/sqrt(1+X^2)) + Y/sqrt(1+Y^2) atan(X/sqrt(1+Y^2))), X = a/h, Y = b/h;  E = pi L F
    const double x = 1.0, y = 2.0;
    const double f = (x/sqrt(1 + x*x)*atan(y/sqrt(1 + x*x)) + y/sqrt(1 + y*y)*atan(x/sqrt(1 + y*y)))/(2*LR_PI);
    check_illuminance("\"shape\": \"rectangle\", \"size_m\": [1, 2], \"watts\": 1, \"spectrum\": \"flat\"", lr_v3(0.5, 1, 1), down, LR_PI*f);
    // A box seen from above its middle shows its top only: four times the corner formula.
    const double a = 0.5/0.5, b = 1.0/0.5;
    const double g = (a/sqrt(1 + a*a)*atan(b/sqrt(1 + a*a)) + b/sqrt(1 + b*b)*atan(a/sqrt(1 + b*b)))/(2*LR_PI);
    check_illuminance("\"shape\": \"box\", \"size_m\": [1, 2, 3], \"watts\": 1, \"spectrum\": \"flat\"", lr_v3(0, 0, 2), down, 4*LR_PI*g);
}

static void lamps_of_one_spectrum_share_a_source(void **state)
{
    (void)state;
    const char *own = "{\"nm\": [400, 500, 600], \"value\": [1, 2, 1]}";
    char text[1400];
    snprintf(text, sizeof text, "\"lights\": [%s\"led_2700k\"}, %s%s}, %s\"led_2700k\"}, %s\"halogen\"}, %s%s}]", "{\"kind\": \"lamp\", \"name\": \"a\", \"shape\": \"sphere\", \"radius_m\": 0.1, \"lumens\": 1, \"spectrum\": ",
             "{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 0.1, \"lumens\": 1, \"spectrum\": ", own, "{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 0.1, \"watts\": 1, \"spectrum\": ",
             "{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 0.1, \"lumens\": 0, \"spectrum\": ", "{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 0.1, \"lumens\": 3, \"spectrum\": ", own);
    lr_scene *s = scene_of(ball, text);
    assert_int_equal(s->source_count, 2);  // the halogen lamp is off
    assert_int_equal(s->lamp_count, 4);
    assert_int_equal(s->object_count, 6);  // its body stays
    assert_int_equal(s->lamp[0].source, s->lamp[2].source);
    assert_int_equal(s->lamp[1].source, s->lamp[3].source);
    assert_string_equal(s->label[s->object[s->lamp[0].object].label - 1], "a");
    assert_near(lr_table_at(&s->material[s->object[1].material[0]].reflectance, 5e-7), 0.0, 0.0);  // black
    assert_rel(s->lamp[3].strength, 3*s->lamp[1].strength, 1e-12);
    lr_scene_destroy(s);
}

// ---- Sun and sky

// Midpoint rule over the dome, of radiance times cos(zenith angle).
static double dome_integral(const lr_sky_light *sky)
{
    enum { UP = 1000, AROUND = 1000 };
    double sum = 0;
    for (int i = 0; i < UP; ++i)
        for (int j = 0; j < AROUND; ++j) {
            const double z = 0.5*LR_PI*(i + 0.5)/UP, a = 2*LR_PI*(j + 0.5)/AROUND;
            sum += lr_sky_radiance(sky, lr_v3(sin(z)*cos(a), sin(z)*sin(a), cos(z)))*cos(z)*sin(z);
        }
    return sum*(0.5*LR_PI/UP)*(2*LR_PI/AROUND);
}

static void every_sky_gives_the_level_ground_its_share(void **state)
{
    (void)state;
    for (int type = 1; type <= LR_SKY_TYPES; ++type)
        for (int elevation = 10; elevation <= 80; elevation += 35) {
            char text[200];
            snprintf(text, sizeof text, "\"lights\": [{\"kind\": \"sun\", \"elevation_deg\": %d, \"azimuth_deg\": 120}, {\"kind\": \"sky\", \"type\": %d, \"lux\": 10000}]", elevation, type);
            lr_scene *s = scene_of(ball, text);
            assert_true(s->sky.present);
            assert_rel(dome_integral(&s->sky), 1.0, 2e-4);  // midpoint rule on the bright patch
            assert_rel(lumens_of(&s->source[s->sky.source].spectrum), 10000.0, 1e-3);
            assert_near(lr_sky_radiance(&s->sky, lr_v3(1, 0, -1e-9)), 0.0, 0.0);
            lr_scene_destroy(s);
        }
}

static void sun_and_sky_are_those_of_the_clear_day(void **state)
{
    (void)state;
    lr_scene *s = scene_of(ball, "\"lights\": [{\"kind\": \"sun\", \"elevation_deg\": 40, \"azimuth_deg\": 90, \"water_cm\": 2, \"pressure_hpa\": 900, \"scale\": 2}, {\"kind\": \"sky\", \"scale\": 0.5}]");
    lr_air air = lr_air_default();
    air.water_cm = 2;
    air.pressure_pa = 90000;
    assert_true(s->sun.present && s->sky.present);
    assert_near(lr_length(lr_sub(s->sun.direction, lr_v3(cos(40*LR_DEG), 0, sin(40*LR_DEG)))), 0.0, 1e-12);  // azimuth 90: east, +x
    assert_near(acos(s->sun.cos_radius)/LR_DEG, 0.26656, 1e-5);
    for (int nm = 305; nm < 1700; nm += 37) {
        const lr_clear_sky c = lr_clear_sky_at(&air, 50*LR_DEG, nm*1e-9);
        assert_rel(lr_table_at(&s->source[s->sun.source].spectrum, nm*1e-9), 2*c.direct, 1e-9);
        assert_rel(lr_table_at(&s->source[s->sky.source].spectrum, nm*1e-9), 0.5*c.diffuse, 1e-9);
    }
    lr_scene_destroy(s);

    // Place and time: near noon of the June solstice at 47 N the sun stands 90 - 47 + 23.44 deg high, in the south.
    s = scene_of(ball, "\"lights\": [{\"kind\": \"sun\", \"latitude_deg\": 47, \"longitude_deg\": 0, \"time_utc\": \"2026-06-21T12:01:50Z\"}]");
    assert_near(s->sun.elevation_deg, 66.44, 0.02);
    assert_near(s->sun.azimuth_deg, 180.0, 1.0);
    assert_true(s->sun.direction.y < -0.39);
    lr_scene_destroy(s);

    s = scene_of(ball, "\"lights\": [{\"kind\": \"sun\", \"elevation_deg\": -5, \"azimuth_deg\": 0}, {\"kind\": \"sky\", \"type\": 12}]");
    assert_false(s->sun.present || s->sky.present);  // night
    assert_int_equal(s->source_count, 0);
    lr_scene_destroy(s);
    s = scene_of(ball, "\"lights\": [{\"kind\": \"sky\", \"type\": 1, \"lux\": 5000}, {\"kind\": \"sun\", \"elevation_deg\": 30, \"azimuth_deg\": 0, \"scale\": 0}]");
    assert_true(!s->sun.present && s->sky.present);
    lr_scene_destroy(s);
}

// ---- Bad input

static void bad_lights_have_one_clear_line(void **state)
{
    (void)state;
    const struct { const char *light, *text; } bad[] = {
        {"{\"kind\": \"moon\"}", "lights[0].kind: \"moon\" is not one of: sun, sky, lamp"},
        {"{\"kind\": \"sun\", \"elevation_deg\": 95, \"azimuth_deg\": 0}", "lights[0].elevation_deg: 95 is not in [-90, 90]"},
        {"{\"kind\": \"sun\", \"elevation_deg\": 5}", "lights[0]: missing keys: \"elevation_deg\" and \"azimuth_deg\", or \"latitude_deg\", \"longitude_deg\" and \"time_utc\""},
        {"{\"kind\": \"sun\", \"elevation_deg\": 5, \"azimuth_deg\": 0, \"latitude_deg\": 1}", "lights[0]: both place and time and angles are given, not one of them"},
        {"{\"kind\": \"sky\", \"type\": 16}", "lights[0].type: 16 is not in [1, 15]"},
        {"{\"kind\": \"sky\", \"type\": 1}", "lights[0]: missing key \"lux\", or a light of kind \"sun\" whose clear sky to take"},
        {"{\"kind\": \"sky\", \"type\": 12, \"lux\": 100}", "lights[0].type: sky type 12 is brighter around the sun: a light of kind \"sun\" is needed (its scale may be 0)"},
        {"{\"kind\": \"sky\", \"type\": 1, \"lux\": -1}", "lights[0].lux: -1 is not in [0, 1000000]"},
        {"{\"kind\": \"sky\", \"type\": 1, \"lux\": 1}, {\"kind\": \"sky\", \"type\": 1, \"lux\": 1}", "lights[1]: a second light of kind \"sky\""},
        {"{\"kind\": \"lamp\", \"radius_m\": 1, \"lumens\": 1, \"spectrum\": \"flat\"}", "lights[0]: missing key \"shape\""},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"spectrum\": \"flat\"}", "lights[0]: 0 of \"lumens\", \"watts\", \"flat_w_per_nm\" are given, not one"},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"lumens\": 1, \"watts\": 1, \"spectrum\": \"flat\"}", "lights[0]: 2 of \"lumens\", \"watts\", \"flat_w_per_nm\" are given, not one"},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"lumens\": 1}", "lights[0]: missing key \"spectrum\""},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"lumens\": 1, \"spectrum\": \"halogn\"}", "lights[0].spectrum: unknown spectrum \"halogn\"; did you mean \"halogen\"?"},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"lumens\": 1, \"spectrum\": {\"nm\": [900, 950], \"value\": [1, 1]}}", "lights[0].lumens: nothing of this spectrum can be seen; give \"watts\""},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"lumens\": 1, \"spectrum\": {\"nm\": [500, 400], \"value\": [1, 1]}}", "lights[0].spectrum.nm[1]: 400 does not rise above the entry before"},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"lumens\": 1, \"spectrum\": {\"nm\": [400, 500], \"value\": [1]}}", "lights[0].spectrum.value: \"value\" is not a list of 2 to 100000 numbers"},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"lumens\": 1, \"spectrum\": \"flat\"}", "lights[0]: missing key \"radius_m\""},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"height_m\": 1, \"lumens\": 1, \"spectrum\": \"flat\"}", "lights[0].height_m: \"height_m\" does not go with shape \"sphere\""},
        {"{\"kind\": \"lamp\", \"shape\": \"box\", \"size_m\": [1, 1], \"lumens\": 1, \"spectrum\": \"flat\"}", "lights[0].size_m: list of 2 numbers where 3 are wanted"},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"two_sided\": true, \"lumens\": 1, \"spectrum\": \"flat\"}", "lights[0].two_sided: \"two_sided\" does not go with shape \"sphere\""},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"flat_w_per_nm\": 1, \"spectrum\": \"halogen\"}", "lights[0].spectrum: this does not go with \"flat_w_per_nm\""},
        {"{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"lumens\": -1, \"spectrum\": \"flat\"}", "lights[0].lumens: -1 is not in [0, 1000000000]"},
    };
    for (size_t i = 0; i < sizeof bad/sizeof bad[0]; ++i) {
        char more[400], text[400];
        snprintf(more, sizeof more, "\"lights\": [%s]", bad[i].light);
        snprintf(text, sizeof text, "room.json: %s", bad[i].text);
        expect_fault(ball, more, text);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lamps_give_their_lumens), cmocka_unit_test(lamps_give_their_watts), cmocka_unit_test(lamps_light_as_closed_forms_say),
        cmocka_unit_test(lamps_of_one_spectrum_share_a_source), cmocka_unit_test(every_sky_gives_the_level_ground_its_share),
        cmocka_unit_test(sun_and_sky_are_those_of_the_clear_day), cmocka_unit_test(bad_lights_have_one_clear_line),
    };
    return cmocka_run_group_tests(tests, folder_make, folder_remove);
}
