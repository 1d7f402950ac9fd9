// SPDX-License-Identifier: Apache-2.0
// Sunlight by way of flat mirrors against closed forms: where its patch ends, and how bright it is.
#include "stage.h"

#include <stdio.h>

#include "core/anglef.h"
#include "core/rng.h"
#include "trace/illuminance.h"
#include "trace/sun_mirror.h"

#define BLACK "\"material\": {\"kind\": \"diffuse\", \"reflectance\": 0}"
#define MIRROR "\"material\": {\"kind\": \"mirror\", \"reflectance\": 0.9}"
// The sun stands in the west, 45 degrees high: what lies flat sends its light east and up.
#define SCENE(objects) "{\"format\": \"lanternroom-scene/1\", \"name\": \"t\", \"objects\": [" objects "], \"lights\": [{\"kind\": \"sun\", \"elevation_deg\": 45, \"azimuth_deg\": 270}]}"

static double sunlight(const char *text, lr_vec3 point, lr_vec3 normal)
{
    lr_error err = {0};
    lr_illuminance e;
    lr_scene *scene = NULL;
    lr_json *json = stage_json("scene.json", text);
    const double of_sun[LR_LIGHT_KINDS] = {[LR_SOURCE_SUN] = 1.0};
    stage_need(lr_scene_from_json(json, ".", "materials", &scene, &err), &err);
    lr_json_free(json);
    stage_need(lr_illuminance_at(scene, point, normal, 1, &e, &err), &err);
    lr_scene_destroy(scene);
    return lr_illuminance_lux(&e, of_sun, NULL);
}

static double full_sun(void)   // on what faces it
{
    return sunlight(SCENE("{\"shape\": \"rectangle\", \"size_m\": [1, 1], " BLACK "}"), lr_v3(0, 0, 10), lr_v3(-sqrt(0.5), 0, sqrt(0.5)));
}

// What comes by way of what lies in the plane z = 0, over the sun's light across its way. Points at x = 3 look west and steeply down, so that the sun itself is behind them.
static double by_way(const char *text, double y, double z)
{
    const lr_vec3 normal = lr_v3(-0.5, 0, -sqrt(0.75));
    return sunlight(text, lr_v3(3, y, z), normal)/(full_sun()*lr_dot(normal, lr_v3(-sqrt(0.5), 0, -sqrt(0.5))));
}

#define RECTANGLE "{\"shape\": \"rectangle\", \"size_m\": [3, 2], " MIRROR "}"
static void patch_of_a_rectangle(void **state)
{
    (void)state;
    // From x = -1.5 .. 1.5 light gets to x = 3 at z = 1.5 .. 4.5. The disc's radius, 0.2666 deg, seen 6.4 m off and aslant, blurs its edge by 42 mm.
    const double edge_m = 0.06, inside[4][2] = {{0, 3}, {0.9, 1.5 + edge_m}, {-1 + edge_m, 4.5 - edge_m}, {1 - edge_m, 3.1}};
    const double outside[4][2] = {{0, 1.5 - edge_m}, {0, 4.5 + edge_m}, {1 + edge_m, 3}, {-1 - edge_m, 3}};
    for (int k = 0; k < 4; k++) {
        assert_near(by_way(SCENE(RECTANGLE), inside[k][0], inside[k][1]), 0.9, 1e-4);
        assert_near(by_way(SCENE(RECTANGLE), outside[k][0], outside[k][1]), 0.0, 1e-6);
    }
    // On the edge half of the disc is seen, but for the slant's own turn: a straight edge through its middle.
    assert_near(by_way(SCENE(RECTANGLE), 1.0, 3.0), 0.45, 0.003);
    // Farther in, a segment of it. Closed form: share of a circle beyond h = 0.5 of its radius, 1 - (acos h - h sqrt(1 - h^2))/pi = 0.8045.
    const double off_m = 0.5*tan(0.26656*LR_PI/180.0)*sqrt(2.0)*3.0;
    assert_near(by_way(SCENE(RECTANGLE), 1.0 - off_m, 3.0), 0.9*(1.0 - (acos(0.5) - 0.5*sqrt(0.75))/LR_PI), 0.003);
}

static void disc_with_a_hole(void **state)
{
    (void)state;
    const char *disc = SCENE("{\"shape\": \"disc\", \"radius_m\": 1, \"hole_m\": 0.4, " MIRROR "}");
    assert_near(by_way(disc, 0, 3), 0.0, 1e-6);          // the hole
    assert_near(by_way(disc, 0.7, 3), 0.9, 1e-4);
    assert_near(by_way(disc, 0, 3 + 0.7), 0.9, 1e-4);
    assert_near(by_way(disc, 0.8, 3.8), 0.0, 1e-6);
}

// Slab of index n at angle a, no loss: each polarisation 2 r/(1 + r). Source: Fresnel's equations, Born & Wolf, Principles of Optics, 1.5.2 and 7.6 (sum without interference), from memory.
static double face(double n, double a, int along)
{
    const double c = cos(a), t = sqrt(1.0 - sin(a)*sin(a)/(n*n)), r = along ? (n*c - t)/(n*c + t) : (c - n*t)/(c + n*t);
    return r*r;
}

static void panes_and_glass(void **state)
{
    (void)state;
    const double s = face(1.5, LR_PI/4.0, 0), p = face(1.5, LR_PI/4.0, 1), slab = s/(1.0 + s) + p/(1.0 + p);
    assert_near(by_way(SCENE("{\"shape\": \"rectangle\", \"size_m\": [3, 2], \"material\": {\"kind\": \"pane\", \"index\": 1.5}}"), 0, 3), slab, 1e-4);
    // A block of dark glass: what its upper face mirrors.
    const char *block = SCENE("{\"shape\": \"box\", \"size_m\": [3, 2, 0.6], \"center_m\": [0, 0, -0.3], \"material\": {\"kind\": \"glass\", \"index\": 1.5, \"absorption_per_m\": 100}}");
    assert_near(by_way(block, 0, 3), 0.5*(s + p), 1e-4);
    // A mirror seen through a pane 15 degrees aslant, which takes its share.
    const double through = by_way(SCENE(RECTANGLE ", {\"shape\": \"rectangle\", \"size_m\": [6, 6], \"center_m\": [2, 0, 2], \"rotate_deg\": [0, 30, 0], \"material\": {\"kind\": \"pane\", \"index\": 1.5}}"), 0, 3);
    const double across = face(1.5, LR_PI/12.0, 0), in_plane = face(1.5, LR_PI/12.0, 1);
    assert_near(through, 0.9*(1.0 - across/(1.0 + across) - in_plane/(1.0 + in_plane)), 1e-4);
}

static void blocked_on_either_leg(void **state)
{
    (void)state;
    #define BALL(x, z) ", {\"shape\": \"sphere\", \"radius_m\": 0.2, \"center_m\": [" x ", 0, " z "], " BLACK "}"
    assert_near(by_way(SCENE(RECTANGLE BALL("1.5", "1.5")), 0, 3), 0.0, 1e-6);    // between the mirror and the point
    assert_near(by_way(SCENE(RECTANGLE BALL("-1.5", "1.5")), 0, 3), 0.0, 1e-6);   // between the sun and the mirror
    assert_near(by_way(SCENE(RECTANGLE BALL("-1.5", "3.5")), 0, 3), 0.9, 1e-4);
}

// A matte wall seen by a camera: as bright in the patch as by the sun across its way, times what the mirror sends, and the light that is gathered has none of it.
#define HEAD                                                                                                                        \
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 360},"                    \
    " \"modules\": [{\"name\": \"m\", \"radius_mm\": 20, \"cameras\": [{\"name\": \"c\", \"height_mm\": 40,"                         \
    "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 0.5, \"f_number\": 2},"                                             \
    "  \"filter\": {\"center_nm\": 850, \"width_nm\": 20, \"angle_factor\": 0},"                                                     \
    "  \"sensor\": {\"pixels\": 200, \"pitch_um\": 5, \"width_um\": 10, \"quantum_efficiency\": 0.4}, \"exposure_us\": 200}]}]}"
static double radiance_of(const stage *s, int pixel)
{
    return (double)s->part[2][pixel]/(double)s->rig->module[0].camera[0].ambient_response[(size_t)s->scene->sun.source*(size_t)s->pixels + (size_t)pixel];
}

static void patch_in_a_picture(void **state)
{
    (void)state;
    const char *wall = "{\"format\": \"lanternroom-scene/1\", \"name\": \"t\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [3, 2], " MIRROR "},"
        "{\"shape\": \"box\", \"size_m\": [0.1, 8, 8], \"center_m\": [3.05, 0, 4], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.3}}],"
        " \"lights\": [{\"kind\": \"sun\", \"elevation_deg\": 45, \"azimuth_deg\": 270}], \"head_pose\": {\"position_m\": [-3, 0, 3]}}";
    stage *plain = stage_create(wall, HEAD, 64), *gathered = stage_create_gathered(wall, HEAD, 64, 96, 256);
    const lr_rig_camera *c = &plain->rig->module[0].camera[0];
    const stage *both[2] = {plain, gathered};
    double dark = 0.0;
    int counted[2] = {0};
    stage_line(plain, 0, 0);
    stage_line(gathered, 0, 0);
    // Both suns stand 45 degrees off the wall's normal: the patch, up from 1.5 m, is 1.9 times as bright as what is below. Pixels within 0.1 m of its edge are left out.
    for (int i = plain->pixels - 1; i >= 0; i--) {
        const double z = 3.04 + 6.0*(double)(c->edge[i].z + c->edge[i + 1].z)/(double)(c->edge[i].x + c->edge[i + 1].x);
        if (plain->object[i] != 2 || fabs(z - 1.5) < 0.1 || z > 4.4)
            continue;
        counted[z > 1.5]++;
        for (int k = 0; k < 2; k++) {
            const double light = radiance_of(both[k], i);
            dark = dark > 0.0 ? dark : light;
            assert_rel(light, z > 1.5 ? 1.9*dark : dark, 2e-4);
        }
    }
    assert_true(dark > 0.0 && counted[0] > 15 && counted[1] > 40);
    stage_destroy(plain);
    stage_destroy(gathered);
}

// The grid leaves none out: wherever a place of the disc is seen in a mirror, its bit is set; and it does rule most of them out.
static void grid_leaves_none_out(void **state)
{
    (void)state;
    enum { POINTS = 400000 };
    char scene[8192] = "{\"format\": \"lanternroom-scene/1\", \"name\": \"t\", \"objects\": [";
    for (int k = 0; k < 12; k++) {
        const double u = (double)lr_uniform(lr_hash(5, (uint32_t)k)), v = (double)lr_uniform(lr_hash(6, (uint32_t)k));
        snprintf(scene + strlen(scene), sizeof scene - strlen(scene), "%s{\"shape\": \"%s\", %s, \"center_m\": [%g, %g, %g], \"rotate_deg\": [%g, %g, 0], " MIRROR "}", k ? ", " : "",
                 k % 3 ? "rectangle" : "disc", k % 3 ? "\"size_m\": [0.7, 0.3]" : "\"radius_m\": 0.3, \"hole_m\": 0.1", 4.0*u - 2.0, 4.0*v - 2.0, 0.5 + 0.25*k, 40.0*v, 40.0*u - 20.0);
    }
    strcat(scene, "], \"lights\": [{\"kind\": \"sun\", \"elevation_deg\": 45, \"azimuth_deg\": 270}]}");
    stage *s = stage_create(scene, HEAD, 1);
    const lr_sun_mirrors *m = &s->tracer->sun_mirrors;
    const lr_lights *lights = &s->tracer->lights;
    int seen = 0, set = 0;
    assert_true(m->count >= 15 && m->count <= 20);   // 8 rectangles of two triangles, 4 discs; some may stand in the shade of others
    for (uint32_t i = 0; i < POINTS; i++) {
        float c, t;
        const lr_vec3f p = lr_v3f(9.0f*(2.0f*lr_uniform(lr_hash(1, i)) - 1.0f), 9.0f*(2.0f*lr_uniform(lr_hash(2, i)) - 1.0f), 9.0f*(2.0f*lr_uniform(lr_hash(3, i)) - 1.0f));
        lr_turnf(lr_uniform(lr_hash(4, i)), &c, &t);
        const lr_vec3f to_sun = lr_unitf(lr_frame_tof(lights->sun_frame, lr_v3f(lights->sun_sine*c, lights->sun_sine*t, 1.0f)));
        const uint64_t near = lr_sun_mirrors_near(m, p);
        lr_sun_picture at;
        for (int k = 0; k < m->count; k++) {
            const int here = lr_sun_mirror_look(&m->mirror[k], p, to_sun, &at), bit = (int)(near >> k & 1);
            assert_true(bit || !here);
            seen += here;
            set += bit;
        }
    }
    printf("%d mirrors: %d of %d pairs seen, %d asked\n", m->count, seen, POINTS*m->count, set);
    assert_true(seen > 1000 && set < POINTS*m->count/4);
    stage_destroy(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(patch_of_a_rectangle),
        cmocka_unit_test(disc_with_a_hole),
        cmocka_unit_test(panes_and_glass),
        cmocka_unit_test(blocked_on_either_leg),
        cmocka_unit_test(patch_in_a_picture),
        cmocka_unit_test(grid_leaves_none_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
