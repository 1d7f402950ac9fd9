// SPDX-License-Identifier: Apache-2.0
// Illuminance at a point against closed forms, and scenes whose lights are scaled to an illuminance.
#include "stage.h"

#include <stdio.h>

#include "optics/spectrum.h"
#include "trace/illuminance.h"

#define SCENE(objects, lights) "{\"format\": \"lanternroom-scene/1\", \"name\": \"t\", \"objects\": [" objects "], \"lights\": [" lights "]}"
#define FLOOR "{\"shape\": \"rectangle\", \"size_m\": [4000, 4000], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.3}}"

static lr_scene *scene_of(const char *text)
{
    lr_error err = {0};
    lr_scene *scene = NULL;
    lr_json *json = stage_json("scene.json", text);
    stage_need(lr_scene_from_json(json, ".", "materials", &scene, &err), &err);
    lr_json_free(json);
    return scene;
}

static double measure(const char *text, lr_vec3 point, lr_vec3 normal, double *error_lux)
{
    const double all[LR_LIGHT_KINDS] = {1.0, 1.0, 1.0};
    lr_error err = {0};
    lr_illuminance e;
    lr_scene *scene = scene_of(text);
    stage_need(lr_illuminance_at(scene, point, lr_unit(normal), 1, &e, &err), &err);
    lr_scene_destroy(scene);
    return lr_illuminance_lux(&e, all, error_lux);
}

// 683 lm/W times the integral of S V, every half nanometre: the definition.
static double lux_of(const lr_table *spectrum, double (*weight)(double nm))
{
    double sum = 0.0;
    for (double nm = 360.25; nm < 830.0; nm += 0.5)
        sum += 683.0*lr_table_at(spectrum, nm*1e-9)*lr_eye(nm*1e-9)*0.5e-9*(weight ? weight(nm) : 1.0);
    return sum;
}

// Open ground: sun at 30 degrees gives sin(30) of what a facing surface gets; an even sky gives a level surface its lux and an upright one
// half of it, and half of what the ground (reflectance 0.3) sends back. 2e-5: the disc of the sun, and rounding.
static void open_ground(void **state)
{
    (void)state;
    const char *sun = SCENE(FLOOR, "{\"kind\": \"sun\", \"elevation_deg\": 30, \"azimuth_deg\": 90}"), *sky = SCENE(FLOOR, "{\"kind\": \"sky\", \"type\": 5, \"lux\": 10000}");
    lr_scene *scene = scene_of(sun);
    const double facing_lux = lux_of(&scene->source[scene->sun.source].spectrum, NULL), up = facing_lux*0.5, east = facing_lux*cos(LR_PI/6.0);
    lr_scene_destroy(scene);
    double error, got = measure(sun, lr_v3(0, 0, 0.01), lr_v3(0, 0, 1), &error);
    assert_rel(got, up, 1e-4 + 5.0*error/up);
    assert_true(error < 1e-3*up);
    const double walled = measure(sun, lr_v3(0, 0, 1), lr_v3(1, 0, 0), &error);
    assert_rel(walled, east + 0.3*0.5*up, 1e-4 + 5.0*error/walled);
    got = measure(sky, lr_v3(0, 0, 0.01), lr_v3(0, 0, 1), &error);
    assert_rel(got, 10000.0, 1e-3 + 5.0*error/1e4);  // its table's steps of 1 nm
    const double upright = measure(sky, lr_v3(0, 0, 1), lr_v3(1, 0, 0), &error);
    assert_rel(upright, 0.5*10000.0*1.3, 1e-3 + 5.0*error/upright);
}

// A Lambertian disc of F lumens, radius a, over a black floor: straight below E = F/(pi (d^2 + a^2)) (any textbook of lighting; the
// integral over the disc by hand), aside about F/pi cos^4(t)/d^2.
static void lamp_over_a_plane(void **state)
{
    (void)state;
    const char *text = SCENE("{\"shape\": \"rectangle\", \"size_m\": [40, 40], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0}}",
                             "{\"kind\": \"lamp\", \"shape\": \"disc\", \"radius_m\": 0.1, \"center_m\": [0, 0, 2], \"rotate_deg\": [180, 0, 0], \"lumens\": 1000, \"spectrum\": \"led_4000k\"}");
    double error, got;
    const double below = 1000.0/(LR_PI*(4.0 + 0.01)), aside = 1000.0/LR_PI*pow(cos(LR_PI/4.0), 4)/4.0;
    got = measure(text, lr_v3(0, 0, 0), lr_v3(0, 0, 1), &error);
    assert_rel(got, below, 1e-4 + 5.0*error/below);
    got = measure(text, lr_v3(2, 0, 0), lr_v3(0, 0, 1), &error);
    assert_rel(got, aside, 0.01 + 5.0*error/aside);   // the disc's size: (a/d)^2
    got = measure(text, lr_v3(2, 0, 0), lr_v3(-1, 0, 1), &error);
    assert_rel(got, aside*sqrt(2.0), 0.01 + 5.0*error/aside);   // faced
    assert_true(measure(text, lr_v3(0, 0, 3), lr_v3(0, 0, 1), &error) == 0.0);   // above a lamp that shines down
}

// An integrating sphere of radius 1 with a black ball lamp of radius 0.1 in it, of flux F: E = F/(4 pi) / (1 - rho (1 - 0.01)), the sphere
// multiplier (0.01: what the lamp takes in, by areas). The walls are coloured and the light is flat, so each wavelength has its own.
static double rho(double nm) { return nm < 450.0 ? 0.2 : nm > 650.0 ? 0.8 : 0.2 + 0.6*(nm - 450.0)/200.0; }
static double multiplier(double nm) { return 1.0/(1.0 - rho(nm)*(1.0 - 0.01)); }

static void coloured_sphere(void **state)
{
    (void)state;
    const char *text = SCENE("{\"shape\": \"sphere\", \"radius_m\": 1, \"material\": {\"kind\": \"diffuse\", \"reflectance\": {\"nm\": [300, 450, 650, 1100], \"value\": [0.2, 0.2, 0.8, 0.8]}}}",
                             "{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 0.1, \"lumens\": 1000, \"spectrum\": \"flat\"}");
    lr_scene *scene = scene_of(text);
    const lr_table *spectrum = &scene->source[0].spectrum;
    const double want = 1000.0/(4.0*LR_PI)*lux_of(spectrum, multiplier)/lux_of(spectrum, NULL);
    lr_scene_destroy(scene);
    double error;
    const double got = measure(text, lr_v3(0, 0, -0.9999), lr_v3(0, 0, 1), &error);
    assert_true(error < 0.006*want);
    assert_rel(got, want, 0.005 + 5.0*error/want);   // eight bins for the colour; a wall that goes from 0.2 to 0.9 within 120 nm is 3 % off
    assert_true(want > 1.8*1000.0/(4.0*LR_PI));
}

static void same_for_any_threads(void **state)
{
    (void)state;
    lr_scene *scene = scene_of(SCENE("{\"shape\": \"room\", \"size_m\": [5, 4, 3]}", "{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 0.1, \"center_m\": [0, 0, 1], \"lumens\": 1000, \"spectrum\": \"halogen\"}"));
    lr_illuminance one, three;
    stage_need(lr_illuminance_at(scene, lr_v3(1, 1, 0), lr_v3(0, 0, 1), 1, &one, NULL), &(lr_error){"illuminance"});
    stage_need(lr_illuminance_at(scene, lr_v3(1, 1, 0), lr_v3(0, 0, 1), 3, &three, NULL), &(lr_error){"illuminance"});
    assert_memory_equal(&one, &three, sizeof one);
    lr_scene_destroy(scene);
}

// ---- scaling ---------------------------------------------------------------------------------------------------------------------

#define HEAD                                                                                                                        \
    "{\"format\": \"lanternroom-head/1\", \"modules\": [{\"cameras\": [{\"lens\": {\"focal_mm\": 0.5},"                             \
    " \"sensor\": {\"pixels\": 60, \"pitch_um\": 20, \"width_um\": 20}}]}]}"
#define ROOM(ambient)                                                                                                               \
    "{\"format\": \"lanternroom-scene/1\", \"name\": \"room\", " ambient " \"objects\": ["                                            \
    "{\"shape\": \"room\", \"size_m\": [5, 4, 3], \"center_m\": [0, 0, 1.5], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.5},"    \
    " \"openings\": [{\"face\": \"north\", \"center_m\": [0.3, 1.4], \"size_m\": [1.6, 1.2], \"pane\": \"window_glass\"}]},"               \
    "{\"shape\": \"box\", \"size_m\": [0.8, 0.6, 0.7], \"center_m\": [1.4, 0.9, 0.35]}],"                                            \
    " \"lights\": [{\"kind\": \"sun\", \"elevation_deg\": 35, \"azimuth_deg\": 20}, {\"kind\": \"sky\", \"type\": 12},"                   \
    " {\"kind\": \"lamp\", \"shape\": \"rectangle\", \"size_m\": [0.6, 0.6], \"center_m\": [0, 0, 2.9], \"rotate_deg\": [180, 0, 0], \"lumens\": 3000, \"spectrum\": \"halogen\"}]," \
    " \"head_pose\": {\"position_m\": [0, 0, 1.2]}}"

// Electrons of the scaled parts are those before times the factor, the others as before; the scaled room measures what was asked.
static void check_scaled(const char *scene, int sun_and_sky, int lamps, double lux)
{
    const double all[LR_LIGHT_KINDS] = {1.0, 1.0, 1.0};
    stage *before = stage_create(ROOM(""), HEAD, 16), *after = stage_create(scene, HEAD, 16);
    const double factor = after->ambient.factor;
    int lit[5] = {0};
    assert_int_equal(after->ambient.present, 1);
    assert_int_equal(before->ambient.present, 0);
    assert_rel(after->ambient.lux, lux, 1e-9);
    assert_true(after->ambient.error_lux > 0.0 && after->ambient.error_lux < 0.02*lux && fabs(factor - 1.0) > 0.1);
    for (int line = 0; line < 3600; line += 450) {
        stage_line(before, 0, line);
        stage_line(after, 0, line);
        for (int part = 2; part < 5; part++)
            for (int i = 0; i < before->pixels; i++) {
                const double scale = part == 4 ? (lamps ? factor : 1.0) : sun_and_sky ? factor : 1.0;
                assert_near((double)after->part[part][i], scale*(double)before->part[part][i], 2e-6*scale*(double)before->part[part][i]);  // float
                lit[part] += before->part[part][i] > 0.0f;
            }
    }
    assert_true(lit[2] > 100 && lit[3] > 100 && lit[4] > 100);
    lr_illuminance e;
    const lr_vec3 point = after->scene->ambient.point, normal = after->scene->ambient.normal;
    stage_need(lr_illuminance_at(after->scene, point, normal, 1, &e, NULL), &(lr_error){"illuminance"});
    double error;
    const double got = lr_illuminance_lux(&e, all, &error);
    assert_near(got, lux, 5.0*hypot(error, after->ambient.error_lux));   // the same paths, but it may have stopped after fewer
    stage_destroy(before);
    stage_destroy(after);
}

static void lights_are_scaled(void **state)
{
    (void)state;
    check_scaled(ROOM("\"ambient\": {\"lux\": 50000, \"at_m\": [1, -0.5, 0.8]},"), 1, 1, 50000.0);
    check_scaled(ROOM("\"ambient\": {\"lux\": 4000, \"at_m\": [1, -0.5, 0.8], \"lights\": \"sun_and_sky\"},"), 1, 0, 4000.0);
    check_scaled(ROOM("\"ambient\": {\"lux\": 5000, \"at_m\": [0, 0, 0.8], \"facing\": [0, 0, 2], \"lights\": \"lamps\"},"), 0, 1, 5000.0);
}

static void refused(const char *text, const char *want)
{
    lr_error err = {0};
    lr_ambient ambient;
    lr_scene *scene = scene_of(text);
    assert_int_equal(lr_ambient_settle(scene, 1, &ambient, &err), LR_ERR_RANGE);
    assert_memory_equal(err.text, want, strlen(want));
    lr_scene_destroy(scene);
}

static void what_cannot_be_scaled_is_refused(void **state)
{
    (void)state;
    refused(ROOM("\"ambient\": {\"lux\": 500, \"at_m\": [1.4, 0.9, 0.3]},"),   // inside the box
            "ambient.at_m: (1.4, 0.9, 0.3) is dark: none of the lights to scale (all) reaches the side that faces (0, 0, 1); is it inside something?");
    refused(ROOM("\"ambient\": {\"lux\": 1, \"at_m\": [0, 0, 0.8], \"lights\": \"lamps\"},"), "ambient.lux: 1 is not above the ");
    refused("{\"format\": \"lanternroom-scene/1\", \"objects\": [{\"shape\": \"room\", \"size_m\": [5, 4, 3]}], \"ambient\": {\"lux\": 9, \"at_m\": [0, 0, 0], \"lights\": \"lamps\"}}",
            "ambient.at_m: (0, 0, 0) is dark: none of the lights to scale (lamps)");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(open_ground),
        cmocka_unit_test(lamp_over_a_plane),
        cmocka_unit_test(coloured_sphere),
        cmocka_unit_test(same_for_any_threads),
        cmocka_unit_test(lights_are_scaled),
        cmocka_unit_test(what_cannot_be_scaled_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
