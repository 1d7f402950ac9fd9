// SPDX-License-Identifier: Apache-2.0
// Cameras and lasers inside solid things: told for what closed forms say is inside, for nothing hollow; outside of rooms; and for none of our own rooms.
#include <glob.h>

#include "stage.h"

#include "core/rng.h"
#include "scene_folder.h"
#include "trace/enclosed.h"

#define SCENE "{\"format\": \"lanternroom-scene/1\", \"objects\": [%s], \"head_pose\": {\"position_m\": [%.9g, %.9g, %.9g]}}"
#define HEAD(RADIUS_MM, LASERS)                                                                                                          \
    "{\"format\": \"lanternroom-head/1\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 360}, \"modules\": [{\"name\": \"front\","      \
    " \"radius_mm\": " RADIUS_MM ", \"cameras\": [{\"name\": \"eye\", \"sensor\": {\"pixels\": 16}}], \"lasers\": [" LASERS "]}]}"
#define CENTRED HEAD("0", "")

static stage *head_among(const char *objects, lr_vec3 at, const char *head)
{
    char text[4096];
    snprintf(text, sizeof text, SCENE, objects, at.x, at.y, at.z);
    return stage_create(text, head, 1);
}

static lr_enclosed find(const stage *s, int64_t line_count)
{
    lr_enclosed found;
    lr_error err = {0};
    stage_need(lr_enclosed_find(s->bvh, s->rig, 0, line_count, &found, &err), &err);
    return found;
}

// What is to be told of a scan of all lines, "" if nothing.
static void told(const char *objects, lr_vec3 at, const char *head, const char *wanted)
{
    stage *s = head_among(objects, at, head);
    const lr_enclosed found = find(s, 360);
    lr_text words = {0};
    lr_text_add(&words, "%s", "");
    if (found.count > 0)
        lr_enclosed_words(s->rig, &found, &words);
    if (strcmp(words.data, wanted) != 0)
        fail_msg("%s: told \"%s\", wanted \"%s\"", objects, words.data, wanted);
    lr_text_free(&words);
    stage_destroy(s);
}

// ---- solid things -----------------------------------------------------------------------------------------------------------------

static int in_box(lr_vec3 p) { return fabs(p.x) < 0.4 && fabs(p.y) < 0.3 && fabs(p.z) < 0.5; }
static int in_sphere(lr_vec3 p) { return lr_length(p) < 0.6; }
static int in_cylinder(lr_vec3 p) { return hypot(p.x, p.y) < 0.5 && fabs(p.z) < 0.4; }
static int in_cone(lr_vec3 p) { return fabs(p.z) < 0.5 && hypot(p.x, p.y) < 0.6*(0.5 - p.z); }
static int in_capsule(lr_vec3 p) { return hypot(hypot(p.x, p.y), fmax(0.0, fabs(p.z) - 0.3)) < 0.4; }
static int in_torus(lr_vec3 p) { return hypot(hypot(p.x, p.y) - 0.5, p.z) < 0.25; }

static const struct { const char *object; int (*inside)(lr_vec3 p); } solids[] = {
    {"{\"shape\": \"box\", \"size_m\": [0.8, 0.6, 1]}", in_box},
    {"{\"shape\": \"sphere\", \"radius_m\": 0.6}", in_sphere},
    {"{\"shape\": \"cylinder\", \"radius_m\": 0.5, \"height_m\": 0.8}", in_cylinder},
    {"{\"shape\": \"cone\", \"radius_m\": 0.6, \"height_m\": 1}", in_cone},
    {"{\"shape\": \"capsule\", \"radius_m\": 0.4, \"height_m\": 0.6}", in_capsule},
    {"{\"shape\": \"torus\", \"radius_m\": 0.5, \"tube_m\": 0.25}", in_torus},
};

static void solid_things_hold_what_is_in_them(void **state)
{
    (void)state;
    for (size_t k = 0; k < sizeof solids/sizeof *solids; k++) {
        stage *s = head_among(solids[k].object, lr_v3(0, 0, 0), CENTRED);
        int inside = 0, outside = 0;
        for (uint32_t i = 0; i < 1000; i++) {
            double u[3];
            for (uint32_t axis = 0; axis < 3; axis++)
                u[axis] = 1.4*((double)lr_uniform(lr_hash(3*i + axis, (uint32_t)k)) - 0.5);
            const lr_vec3 at = s->rig->head_pose.origin = lr_v3(u[0], u[1], u[2]);
            const lr_enclosed found = find(s, 1);
            assert_int_equal(found.count, solids[k].inside(at));
            *(solids[k].inside(at) ? &inside : &outside) += 1;
        }
        assert_true(inside > 100 && outside > 100);
        stage_destroy(s);
    }
}

static void names_are_told(void **state)
{
    (void)state;
    const lr_vec3 here = lr_v3(0, 0, 0);
    const char *box = "{\"shape\": \"box\", \"name\": \"cup\\nboard\", \"size_m\": [1, 1, 1]}";
    told(box, here, CENTRED, "camera front.eye lies inside \"cup\\nboard\": it sees its inside");
    told(box, here, HEAD("0", "{\"name\": \"fan\"}"), "camera front.eye lies inside \"cup\\nboard\": it sees its inside; 1 more of the head's cameras and lasers lies inside something as well");
    told(box, here, HEAD("0", "{\"name\": \"fan\"}, {\"name\": \"fan2\"}"),
         "camera front.eye lies inside \"cup\\nboard\": it sees its inside; 2 more of the head's cameras and lasers lie inside something as well");
    told(box, here, HEAD("0", "{\"name\": \"fan\", \"mode\": \"off\"}"), "camera front.eye lies inside \"cup\\nboard\": it sees its inside");
    told("{\"shape\": \"sphere\", \"radius_m\": 0.05, \"center_m\": [0, 0, 0.1]}", here, HEAD("0", "{\"name\": \"fan\", \"height_mm\": 100}"),
         "laser front.fan lies inside \"sphere\": it lights its inside");
}

// The camera goes round at 0.1 m; a door comes and goes while the head turns.
static void some_lines_are_told_as_some(void **state)
{
    (void)state;
    const lr_vec3 here = lr_v3(0, 0, 0);
    told("{\"shape\": \"box\", \"name\": \"post\", \"size_m\": [0.1, 0.1, 1], \"center_m\": [0, 0.1, 0]}", here, HEAD("100", ""),
         "camera front.eye lies inside \"post\", in some lines: it sees its inside");
    told("{\"shape\": \"box\", \"name\": \"door\", \"size_m\": [1, 0.05, 2], \"motion\": [{\"time_s\": 0.2, \"center_m\": [0, -1, 0]}, {\"time_s\": 0.8, \"center_m\": [0, 1, 0]}]}",
         here, CENTRED, "camera front.eye lies inside \"door\", in some lines: it sees its inside");
    told("{\"shape\": \"box\", \"name\": \"door\", \"size_m\": [1, 0.05, 2], \"motion\": [{\"time_s\": 2, \"center_m\": [0, -1, 0]}, {\"time_s\": 3, \"center_m\": [0, 0, 0]}]}",
         here, CENTRED, "");   // when the scan is over
}

// A slab in the ground: another floor in it, a cup on it and a leg that goes in, sides of both in the planes of its own.
static void other_things_do_not_hide_it(void **state)
{
    (void)state;
    told("{\"shape\": \"box\", \"name\": \"slab\", \"size_m\": [4, 4, 0.1], \"center_m\": [0, 0, -0.05]}, {\"shape\": \"rectangle\", \"size_m\": [50, 50], \"center_m\": [0, 0, -0.06]},"
         " {\"shape\": \"cylinder\", \"radius_m\": 0.03, \"height_m\": 0.1, \"center_m\": [0, 0, 0.05]}, {\"shape\": \"box\", \"size_m\": [0.1, 0.1, 1], \"center_m\": [0.1, 0, 0.4]}",
         lr_v3(0, 0, -0.03), CENTRED, "camera front.eye lies inside \"slab\": it sees its inside");
}

// ---- hollow things ----------------------------------------------------------------------------------------------------------------

#define ROOM "{\"shape\": \"room\", \"size_m\": [3, 3, 2.5], \"openings\": [{\"face\": \"south\", \"center_m\": [0, 1.2], \"size_m\": [2, 1.5]}, {\"face\": \"ceiling\", \"center_m\": [0, 0], \"size_m\": [1, 1]}]}"
#define HOUSE "{\"shape\": \"box\", \"size_m\": [4, 4, 3]}"

static void hollow_things_hold_nothing(void **state)
{
    (void)state;
    static const char *const hollow[] = {
        "{\"shape\": \"room\", \"size_m\": [3, 3, 2.5]}",
        ROOM,
        HOUSE ", " ROOM,   // a room in a house, seen through window and skylight
        "{\"shape\": \"cylinder\", \"radius_m\": 0.5, \"height_m\": 20, \"open\": true}",
        "{\"shape\": \"cone\", \"radius_m\": 1, \"radius2_m\": 0.5, \"height_m\": 20, \"open\": true}",
        "{\"shape\": \"disc\", \"radius_m\": 5, \"center_m\": [0, 0, 0.1]}, {\"shape\": \"rectangle\", \"size_m\": [9, 9], \"center_m\": [0, 0, 0.2]}",
        "{\"shape\": \"sphere\", \"radius_m\": 0.2, \"material\": \"window_glass\"}",   // a dome: a pane is thin
        "{\"shape\": \"box\", \"size_m\": [1, 1, 1], \"faces\": {\"south\": \"window_glass\"}}",
        "{\"shape\": \"torus\", \"radius_m\": 0.5, \"tube_m\": 0.4}",   // in its hole
    };
    for (size_t k = 0; k < sizeof hollow/sizeof *hollow; k++)
        told(hollow[k], lr_v3(0, 0, 0), CENTRED, "");
}

// ---- rooms ------------------------------------------------------------------------------------------------------------------------

#define OUTSIDE "camera front.eye lies outside of \"room\": it sees its walls from behind, if at all"

static void beside_rooms_is_outside(void **state)
{
    (void)state;
    static const char *const ground = ", {\"shape\": \"rectangle\", \"size_m\": [600, 600], \"center_m\": [0, 0, -1.3]}";
    static const lr_vec3 beside[] = {{0, 0, -1.26}, {0, 0, -4}, {0, 0, 1.26}, {1.51, 0, 0}, {-1.51, 0, 0}, {0, 1.51, 0}, {0, -9, 0}, {300, 20, 4}};
    char with_ground[2048];
    snprintf(with_ground, sizeof with_ground, "%s%s", "{\"shape\": \"room\", \"size_m\": [3, 3, 2.5]}", ground);
    for (size_t k = 0; k < sizeof beside/sizeof *beside; k++) {
        told("{\"shape\": \"room\", \"size_m\": [3, 3, 2.5]}", beside[k], CENTRED, OUTSIDE);
        told(with_ground, beside[k], CENTRED, OUTSIDE);
    }
    told("{\"shape\": \"room\", \"size_m\": [3, 3, 2.5]}", lr_v3(9, 0, 0), HEAD("0", "{\"name\": \"fan\"}"),
         OUTSIDE "; 1 more of the head's cameras and lasers lies outside as well");
    told("{\"shape\": \"room\", \"size_m\": [3, 3, 2.5]}", lr_v3(1.45, 0, 0), HEAD("100", ""),   // too near to the wall: goes out and in
         "camera front.eye lies outside of \"room\", in some lines: it sees its walls from behind, if at all");
    // A room that is turned, and scaled as part of a group: its corner reaches to (0, 2.83), its sides to (1.41, 1.41).
    static const char *const turned = "{\"shape\": \"group\", \"objects\": [{\"shape\": \"room\", \"size_m\": [2, 2, 1], \"rotate_deg\": [0, 0, 45]}], \"scale\": 2}";
    told(turned, lr_v3(0, 2.7, 0), CENTRED, "");
    told(turned, lr_v3(1.6, 1.6, 0), CENTRED, OUTSIDE);
}

// Outdoors, in the second of two rooms, in a doorway or right before one, or before a large window: nothing is told.
static void elsewhere_is_not_outside(void **state)
{
    (void)state;
    const lr_vec3 here = lr_v3(0, 0, 0);
    told("{\"shape\": \"rectangle\", \"size_m\": [600, 600], \"center_m\": [0, 0, -1]}, {\"shape\": \"box\", \"size_m\": [5, 5, 5], \"center_m\": [9, 0, 1]}", here, CENTRED, "");
    told("{\"shape\": \"room\", \"size_m\": [3, 3, 2.5], \"center_m\": [3, 0, 0]}, {\"shape\": \"room\", \"size_m\": [3, 3, 2.5]}", here, CENTRED, "");
    told("{\"shape\": \"box\", \"name\": \"cup\", \"size_m\": [1, 1, 1], \"center_m\": [9, 0, 0]}, {\"shape\": \"room\", \"size_m\": [3, 3, 2.5]}", lr_v3(9, 0, 0), CENTRED,
         "camera front.eye lies inside \"cup\": it sees its inside");   // the nearer cause
    for (int k = 0; k < 2; k++) {
        char room[512];
        snprintf(room, sizeof room, "{\"shape\": \"room\", \"size_m\": [3, 3, 2.5], \"openings\": [{\"face\": \"south\", \"center_m\": [0, 1.1], \"size_m\": [2, 2.2]%s}]}",
                 k ? ", \"pane\": \"window_glass\"" : "");
        told(room, lr_v3(0, -1.55, 0), CENTRED, "");
        told(room, lr_v3(0, -1.8, 0), CENTRED, "");
        told(room, lr_v3(0, -6, 0), CENTRED, OUTSIDE);
    }
}

// Read from a file: a closed box, larger by its scale; the same without one triangle; turned inside out.
static void meshes_are_solid_if_closed(void **state)
{
    (void)state;
    static const char *const corners = "v -1 -1 -1\nv 1 -1 -1\nv -1 1 -1\nv 1 1 -1\nv -1 -1 1\nv 1 -1 1\nv -1 1 1\nv 1 1 1\n";
    static const char *const faces = "f 1 3 4 2\nf 5 6 8 7\nf 1 2 6 5\nf 3 7 8 4\nf 1 5 7 3\nf 2 4 8\n";
    static const char *const out = "f 2 8 6\n", *const in = "f 1 2 4 3\nf 5 7 8 6\nf 1 5 6 2\nf 3 4 8 7\nf 1 3 7 5\nf 2 6 8 4\n";
    char text[1024], object[LR_PATH_MAX + 200];
    for (int k = 0; k < 3; k++) {
        snprintf(text, sizeof text, "%s%s%s", corners, k < 2 ? faces : in, k == 0 ? out : "");
        snprintf(object, sizeof object, "{\"shape\": \"mesh\", \"name\": \"stone\", \"file\": \"%s\", \"up\": \"z\", \"scale\": 0.5, \"center_m\": [5, 0, 0], \"rotate_deg\": [20, 30, 40]}",
                 folder_write("stone.obj", text));
        told(object, lr_v3(5.3, 0.1, -0.2), CENTRED, k == 0 ? "camera front.eye lies inside \"stone\": it sees its inside" : "");
        told(object, lr_v3(5.9, 0.1, -0.2), CENTRED, "");
    }
}

// ---- our own rooms ----------------------------------------------------------------------------------------------------------------

static void none_of_our_rooms(void **state)
{
    (void)state;
    glob_t rooms, heads;
    assert_int_equal(glob("scenes/*.json", 0, NULL, &rooms), 0);
    assert_int_equal(glob("scenes/heads/*.json", 0, NULL, &heads), 0);
    assert_true(rooms.gl_pathc >= 7 && heads.gl_pathc >= 3);
    for (size_t k = 0; k < rooms.gl_pathc; k++) {
        lr_error err = {0};
        lr_scene *scene;
        lr_bvh *bvh;
        stage_need(lr_scene_load(rooms.gl_pathv[k], "", &scene, &err), &err);
        stage_need(lr_bvh_create(scene, 1, &bvh, &err), &err);
        const int sources = scene->source_count;
        scene->source_count = 0;   // no light: nothing to bake
        for (size_t h = 0; h < heads.gl_pathc; h++) {
            lr_head *head;
            lr_rig *rig;
            lr_enclosed found;
            stage_need(lr_head_load(heads.gl_pathv[h], &head, &err), &err);
            stage_need(lr_rig_create(head, scene, &rig, &err), &err);
            stage_need(lr_enclosed_find(bvh, rig, 0, lr_head_line_count(head), &found, &err), &err);
            if (found.count > 0)
                fail_msg("%s, %s: \"%s\"", rooms.gl_pathv[k], heads.gl_pathv[h], scene->object[found.object].name);
            lr_rig_destroy(rig);
            lr_head_destroy(head);
        }
        scene->source_count = sources;
        lr_bvh_destroy(bvh);
        lr_scene_destroy(scene);
    }
    globfree(&rooms);
    globfree(&heads);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(solid_things_hold_what_is_in_them),
        cmocka_unit_test(names_are_told),
        cmocka_unit_test(some_lines_are_told_as_some),
        cmocka_unit_test(other_things_do_not_hide_it),
        cmocka_unit_test(hollow_things_hold_nothing),
        cmocka_unit_test(beside_rooms_is_outside),
        cmocka_unit_test(elsewhere_is_not_outside),
        cmocka_unit_test_setup_teardown(meshes_are_solid_if_closed, folder_make, folder_remove),
        cmocka_unit_test(none_of_our_rooms),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
