// SPDX-License-Identifier: Apache-2.0
// Scene files into scenes: every shape, groups, files, motion, textures, and each bad input with its exact message.
// Lights are in test_scene_light.c.
#include "close.h"

#include "core/png.h"
#include "scene/scene.h"
#include "scene_folder.h"
#include "scene_text.h"

#define REL_FLOAT 1e-6   // corners of meshes are floats
#define NEAR_M 1e-12     // poses are doubles, metres of size 1 to 10

static const char *const one_sphere = "{\"shape\": \"sphere\", \"radius_m\": 1}";

static void assert_at(lr_vec3 got, double x, double y, double z)
{
    assert_near(got.x, x, NEAR_M);
    assert_near(got.y, y, NEAR_M);
    assert_near(got.z, z, NEAR_M);
}

static double area_of(const lr_object *o) { return o->mesh ? lr_mesh_area(o->mesh)*o->scale*o->scale : lr_curved_area(&o->curved); }

// ---- Shapes

static void every_shape_loads(void **state)
{
    (void)state;
    folder_write("fin.obj", "v 0 0 0\nv 3 0 0\nv 0 4 0\nf 1 2 3\n");
    const struct { const char *text; double area; } shapes[] = {
        {"{\"shape\": \"room\", \"size_m\": [5, 4, 3]}", 2*(20.0 + 12 + 15)},
        {"{\"shape\": \"room\", \"size_m\": [5, 4, 3], \"openings\": [{\"face\": \"north\", \"center_m\": [0, 1], \"size_m\": [1, 2]}]}", 2*(20.0 + 12 + 15) - 2},
        {"{\"shape\": \"box\", \"size_m\": [1, 2, 3]}", 22}, {"{\"shape\": \"rectangle\", \"size_m\": [2, 3]}", 6},
        {"{\"shape\": \"sphere\", \"radius_m\": 0.5}", LR_PI}, {"{\"shape\": \"disc\", \"radius_m\": 2, \"hole_m\": 1}", 3*LR_PI},
        {"{\"shape\": \"cylinder\", \"radius_m\": 1, \"height_m\": 2}", 6*LR_PI}, {"{\"shape\": \"cylinder\", \"radius_m\": 1, \"height_m\": 2, \"open\": true}", 4*LR_PI},
        {"{\"shape\": \"cone\", \"radius_m\": 3, \"height_m\": 4}", 24*LR_PI}, {"{\"shape\": \"cone\", \"radius_m\": 5, \"radius2_m\": 2, \"height_m\": 4, \"open\": true}", 35*LR_PI},
        {"{\"shape\": \"capsule\", \"radius_m\": 1, \"height_m\": 2}", 8*LR_PI}, {"{\"shape\": \"torus\", \"radius_m\": 2, \"tube_m\": 0.5}", 4*LR_PI*LR_PI},
        {"{\"shape\": \"mesh\", \"file\": \"fin.obj\"}", 6}, {"{\"shape\": \"mesh\", \"file\": \"fin.obj\", \"scale\": 10}", 600},
        {"{\"shape\": \"group\", \"objects\": [{\"shape\": \"sphere\", \"radius_m\": 0.5}], \"scale\": 3}", 9*LR_PI},
        {"{\"shape\": \"group\", \"objects\": [{\"shape\": \"box\", \"size_m\": [1, 2, 3]}], \"scale\": 0.5}", 5.5},
    };
    for (size_t i = 0; i < sizeof shapes/sizeof shapes[0]; ++i) {
        lr_scene *s = scene_of(shapes[i].text, "");
        assert_int_equal(s->object_count, 1);
        assert_rel(area_of(&s->object[0]), shapes[i].area, REL_FLOAT);
        assert_int_equal(s->label_count, 1);
        assert_int_equal(s->object[0].label, 1);
        assert_string_equal(s->material[s->object[0].material[0]].name, "grey");
        assert_near(lr_table_at(&s->material[0].reflectance, 550e-9), 0.5, 0.0);
        lr_scene_destroy(s);
    }
}

static void rods_run_from_end_to_end(void **state)
{
    (void)state;
    const double ends[][6] = {{0, 0, 0, 0, 0, 2}, {1, 2, 3, 1, 2, -1}, {-1, 0.5, 2, 3, -2, 0.25}, {0, 0, 0, 0, -1, 0}};
    for (size_t i = 0; i < sizeof ends/sizeof ends[0]; ++i) {
        char text[256];
        const double *e = ends[i];
        snprintf(text, sizeof text, "{\"shape\": \"%s\", \"radius_m\": 0.1, \"from_m\": [%g, %g, %g], \"to_m\": [%g, %g, %g]}", i & 1 ? "capsule" : "cylinder", e[0], e[1], e[2], e[3], e[4], e[5]);
        lr_scene *s = scene_of(text, "");
        const lr_object *o = &s->object[0];
        assert_at(lr_pose_point(o->pose, lr_v3(0, 0, -0.5*o->curved.height)), e[0], e[1], e[2]);
        assert_at(lr_pose_point(o->pose, lr_v3(0, 0, 0.5*o->curved.height)), e[3], e[4], e[5]);
        lr_scene_destroy(s);
    }
}

static void turns_are_about_fixed_axes_x_then_y_then_z(void **state)
{
    (void)state;
    lr_scene *s = scene_of("{\"shape\": \"box\", \"size_m\": [1, 1, 1], \"rotate_deg\": [90, 0, 90], \"center_m\": [1, 2, 3]}", "");
    assert_at(lr_pose_point(s->object[0].pose, lr_v3(0, 1, 0)), 1, 2, 4);   // y: about x to z; about z stays
    assert_at(lr_pose_point(s->object[0].pose, lr_v3(1, 0, 0)), 1, 3, 3);   // x: stays; about z to y
    lr_scene_destroy(s);
}

// ---- Groups

static void groups_nest_turn_scale_and_copy(void **state)
{
    (void)state;
    lr_scene *s = scene_of(
        "{\"name\": \"outer\", \"shape\": \"group\", \"center_m\": [10, 0, 0], \"rotate_deg\": [0, 0, 90], \"scale\": 2, \"objects\": ["
        " {\"shape\": \"group\", \"copies\": [{\"center_m\": [1, 0, 0]}, {\"center_m\": [0, 1, 0], \"rotate_deg\": [0, 0, 180], \"scale\": 3}], \"objects\": ["
        "  {\"name\": \"ball\", \"shape\": \"sphere\", \"radius_m\": 0.1, \"center_m\": [0.5, 0, 0]}, {\"shape\": \"box\", \"size_m\": [1, 1, 1]}]}]},"
        "{\"name\": \"other\", \"shape\": \"sphere\", \"radius_m\": 1}", "");
    assert_int_equal(s->object_count, 5);
    assert_int_equal(s->label_count, 2);
    // Copy 0: in outer (1.5, 0), times 2 = (3, 0), turned by 90: (0, 3). Copy 1: (0, 1) + 3 (-0.5, 0) = (-1.5, 1), times 2, turned: (-2, -3).
    assert_at(s->object[0].pose.origin, 10, 3, 0);
    assert_rel(s->object[0].curved.radius, 0.2, 1e-14);
    assert_at(s->object[2].pose.origin, 8, -3, 0);
    assert_rel(s->object[2].curved.radius, 0.6, 1e-14);
    assert_rel(s->object[3].scale, 6.0, 1e-14);
    assert_ptr_equal(s->object[1].mesh, s->object[3].mesh);  // copies share
    for (int i = 0; i < 4; ++i)
        assert_int_equal(s->object[i].label, 1);
    assert_int_equal(s->object[4].label, 2);
    assert_string_equal(s->label[0], "outer");
    assert_string_equal(s->label[1], "other");
    assert_string_equal(s->object[2].name, "ball");
    lr_scene_destroy(s);
}

static void group_files_are_found_beside_the_file_that_names_them(void **state)
{
    (void)state;
    char sub[LR_PATH_MAX];
    snprintf(sub, sizeof sub, "%s", folder_path("parts"));
    assert_int_equal(lr_make_folders(sub, NULL), LR_OK);
    folder_write("parts/leg.json", "{\"format\": \"lanternroom-scene/1\", \"materials\": {\"own\": {\"reflectance\": 0.3}}, \"objects\": ["
                                   "{\"shape\": \"sphere\", \"radius_m\": 0.1, \"material\": \"paint\"}, {\"shape\": \"sphere\", \"radius_m\": 0.1, \"material\": \"own\"}]}");
    folder_write("parts/table.json", "{\"format\": \"lanternroom-scene/1\", \"objects\": [{\"shape\": \"group\", \"file\": \"leg.json\", \"copies\": [{\"center_m\": [1, 0, 0]}, {}]}]}");
    lr_scene *s = scene_of("{\"shape\": \"group\", \"file\": \"parts/table.json\", \"materials\": {\"paint\": \"red\"}},"
                           "{\"shape\": \"group\", \"file\": \"parts/table.json\", \"materials\": {\"paint\": {\"reflectance\": 0.9}, \"own\": \"black\"}}",
                           "\"materials\": {\"red\": {\"reflectance\": 0.7}}");
    assert_int_equal(s->object_count, 8);
    const double want[8] = {0.7, 0.3, 0.7, 0.3, 0.9, 0.0, 0.9, 0.0};
    for (int i = 0; i < 8; ++i)
        assert_near(lr_table_at(&s->material[s->object[i].material[0]].reflectance, 550e-9), want[i], 0.0);
    lr_scene_destroy(s);

    expect_fault("{\"shape\": \"group\", \"file\": \"parts/table.json\", \"materials\": {\"paint\": \"black\", \"pant\": \"black\"}}", "",
                 "room.json: objects[0].materials.pant: nothing in %s/parts/table.json has a material of this name");
    expect_fault("{\"shape\": \"group\", \"file\": \"parts/none.json\"}", "", "room.json: objects[0].file: no such file: %s/parts/none.json");
    folder_write("parts/a.json", "{\"format\": \"lanternroom-scene/1\", \"objects\": [{\"shape\": \"group\", \"file\": \"b.json\"}]}");
    folder_write("parts/b.json", "{\"format\": \"lanternroom-scene/1\", \"objects\": [{\"shape\": \"group\", \"file\": \"../parts/a.json\"}]}");
    folder_write("parts/self.json", "{\"format\": \"lanternroom-scene/1\", \"objects\": [{\"shape\": \"group\", \"file\": \"self.json\"}]}");
    expect_fault("{\"shape\": \"group\", \"file\": \"parts/a.json\"}", "", "%s/parts/b.json: objects[0].file: a file holds itself: room.json > a.json > b.json > a.json");
    expect_fault("{\"shape\": \"group\", \"file\": \"parts/self.json\"}", "", "%s/parts/self.json: objects[0].file: a file holds itself: room.json > self.json > self.json");
}

static void endless_copies_are_stopped(void **state)
{
    (void)state;
    lr_text text = {0};
    for (int i = 0; i < 25; ++i)  // 2^25 spheres
        lr_text_add(&text, "{\"shape\": \"group\", \"copies\": [{}, {}], \"objects\": [");
    lr_text_add(&text, "%s", one_sphere);
    for (int i = 0; i < 25; ++i)
        lr_text_add(&text, "]}");
    expect_fault(text.data, "", "room.json: objects: more than 4000000 with all copies");
    for (int i = 0; i < 65; ++i) {
        char name[32], inside[128];
        snprintf(name, sizeof name, "deep%d.json", i);
        snprintf(inside, sizeof inside, "{\"format\": \"lanternroom-scene/1\", \"objects\": [{\"shape\": \"group\", \"file\": \"deep%d.json\"}]}", i + 1);
        folder_write(name, inside);
    }
    folder_write("deep65.json", "{\"format\": \"lanternroom-scene/1\", \"objects\": []}");
    expect_fault("{\"shape\": \"group\", \"file\": \"deep0.json\"}", "", "%s/deep63.json: objects[0]: groups inside groups more than 64 deep");
    lr_text_free(&text);
}

// ---- Motion

static void motion_is_straight_between_keys_and_held_outside(void **state)
{
    (void)state;
    lr_scene *s = scene_of("{\"shape\": \"sphere\", \"radius_m\": 0.1, \"center_m\": [1, 0, 0], \"motion\": [{\"time_s\": 1, \"center_m\": [0, 0, 0]},"
                           " {\"time_s\": 3, \"center_m\": [0, 4, 0], \"rotate_deg\": [0, 0, 90]}, {\"time_s\": 4, \"center_m\": [0, 4, 1], \"rotate_deg\": [0, 0, 90]}]}", "");
    const lr_object *o = &s->object[0];
    assert_at(lr_object_pose_at(o, -5).origin, 1, 0, 0);
    assert_at(lr_object_pose_at(o, 1).origin, 1, 0, 0);
    assert_at(lr_object_pose_at(o, 1.5).origin, 1, 1, 0);
    assert_at(lr_rotate(lr_object_pose_at(o, 2).rotation, lr_v3(1, 0, 0)), sqrt(0.5), sqrt(0.5), 0);
    assert_at(lr_object_pose_at(o, 3.5).origin, 1, 4, 0.5);
    assert_at(lr_object_pose_at(o, 99).origin, 1, 4, 1);
    double first_s, last_s;
    lr_object_motion_span(o, &first_s, &last_s);
    assert_true(first_s == 1 && last_s == 4);
    assert_near(s->bounds.hi.z, 1.1, 1e-12);
    assert_near(s->bounds.hi.y, 4.1, 0.05);  // the box turns with it
    lr_scene_destroy(s);
}

// A ball 1 m out on an arm that turns about z and is carried along; the ball moves on the arm too.
static void things_in_a_moving_group_follow_it(void **state)
{
    (void)state;
    lr_scene *s = scene_of("{\"shape\": \"group\", \"center_m\": [5, 0, 0], \"rotate_deg\": [0, 0, 90], \"scale\": 2, \"motion\": [{\"time_s\": 0}, {\"time_s\": 2, \"center_m\": [0, 0, 3], \"rotate_deg\": [0, 0, 180]}],"
                           " \"objects\": [{\"shape\": \"sphere\", \"radius_m\": 0.1, \"center_m\": [1, 0, 0], \"motion\": [{\"time_s\": 0}, {\"time_s\": 1, \"center_m\": [0, 0.5, 0]}]}]}", "");
    const lr_object *o = &s->object[0];
    assert_at(lr_object_pose_at(o, 0).origin, 5, 2, 0);         // arm of 2 m along y
    // t = 1: on the arm at (2, 1); the arm at 90 + 90 = 180 deg: (-2, -1); carried by 1.5 up.
    assert_at(lr_object_pose_at(o, 1).origin, 5 - 2, -1, 1.5);
    assert_at(lr_object_pose_at(o, 2).origin, 5 + 1, -2, 3);    // arm at 270 deg: (1, -2)
    assert_int_equal(s->motion_count, 2);
    lr_scene_destroy(s);
}

// ---- Rooms: portals and panes

static void openings_become_portals_and_panes(void **state)
{
    (void)state;
    lr_scene *s = scene_of("{\"name\": \"hall\", \"shape\": \"room\", \"size_m\": [6, 4, 3], \"center_m\": [0, 0, 1.5], \"rotate_deg\": [0, 0, 90], \"openings\": ["
                           "{\"face\": \"east\", \"center_m\": [1, 1.2], \"size_m\": [1, 0.8], \"pane\": \"clear\"}, {\"face\": \"floor\", \"center_m\": [0, 0], \"size_m\": [1, 1]}]}",
                           "\"materials\": {\"clear\": {\"kind\": \"pane\"}}");
    assert_int_equal(s->portal_count, 2);
    assert_int_equal(s->object_count, 2);
    const lr_portal *p = &s->portal[0];
    assert_near(p->area_m2, 0.8, 1e-12);
    assert_at(lr_mad(lr_mad(p->corner, 0.5, p->u), 0.5, p->v), -1, 3, 1.2);  // the east face, turned to the north
    assert_at(p->normal, 0, -1, 0);
    assert_at(s->portal[1].normal, 0, 0, 1);
    const lr_object *pane = &s->object[1];
    assert_string_equal(pane->name, "hall pane 0");
    assert_int_equal(pane->label, 1);
    assert_int_equal(s->material[pane->material[0]].kind, LR_MATERIAL_PANE);
    assert_rel(area_of(pane), 0.8, REL_FLOAT);
    assert_at(pane->pose.origin, -1, 3, 1.2);
    assert_at(lr_rotate(pane->pose.rotation, lr_v3(0, 0, 1)), 0, -1, 0);
    const lr_box3 b = lr_object_bounds(pane, pane->pose);
    assert_near(b.hi.z - b.lo.z, 0.8, 1e-6);
    assert_near(b.hi.x - b.lo.x, 1.0, 1e-6);
    lr_scene_destroy(s);
}

// ---- Materials and textures

static const lr_bins bins = {.ambient_count = 1, .edge_m = {800e-9, 900e-9}, .center_m = {850e-9}};

static void textures_repeat_by_the_metre(void **state)
{
    (void)state;
    const uint8_t pixels[4] = {0, 255, 255, 0};  // 2 x 2 board
    assert_int_equal(lr_png_write8(folder_path("board.png"), 2, 2, 1, pixels, NULL), LR_OK);
    folder_write("uv.obj", "v 0 0 0\nv 8 0 0\nv 0 8 0\nvt 0 0\nvt 1 0\nvt 0 1\nf 1/1 2/2 3/3\n");
    folder_write("bare.obj", "v 0 0 0\nv 8 0 0\nv 0 8 0\nf 1 2 3\n");
    const char *board = "\"materials\": {\"board\": {\"texture\": {\"file\": \"board.png\", \"size_m\": [0.5, 0.5]}}}";
    lr_scene *s = scene_of("{\"shape\": \"rectangle\", \"size_m\": [4, 4], \"material\": \"board\"}, {\"shape\": \"mesh\", \"file\": \"uv.obj\", \"material\": \"board\"},"
                           "{\"shape\": \"cylinder\", \"radius_m\": 1, \"height_m\": 2, \"material\": \"board\"}", board);
    assert_int_equal(s->material_count, 1);
    assert_int_equal(s->texture_count, 1);
    assert_int_equal(lr_scene_bake(s, &bins, NULL), LR_OK);
    float scale;
    int material;
    // Rectangle: triangle 0 has corners (-2,-2), (2,-2), (2,2). A quarter of a repeat (0.125 m) right and 3/8 up of a whole one: texel middles.
    const float at[2][3] = {{-2 + 0.125f, -2 + 0.125f, 1}, {-2 + 0.375f, -2 + 0.125f, 0}};
    for (int i = 0; i < 2; ++i) {
        const float v = (at[i][1] + 2)/4, u = (at[i][0] + 2)/4 - v;
        assert_non_null(lr_scene_surface(s, 0, 0, u, v, &scale, &material));
        assert_near((double)scale, (double)at[i][2], 1e-5);
    }
    lr_scene_surface(s, 1, 0, 0.25f, 0.25f, &scale, &material);  // the file's own uv: a quarter of one repeat each way, bottom left texel
    assert_near((double)scale, 1.0, 1e-5);
    lr_scene_surface(s, 1, 0, 0.70f, 0.25f, &scale, &material);
    assert_true(scale < 0.5f);
    lr_scene_surface(s, 2, 0, (float)(0.125/(2*LR_PI)), (float)(0.125/2), &scale, &material);  // 0.125 m around and up
    assert_near((double)scale, 1.0, 1e-5);
    lr_scene_surface(s, 2, 0, (float)(0.375/(2*LR_PI)), (float)(0.125/2), &scale, &material);
    assert_near((double)scale, 0.0, 1e-5);
    lr_scene_destroy(s);
    expect_fault("{\"shape\": \"mesh\", \"file\": \"bare.obj\", \"material\": \"board\"}", board, "room.json: objects[0]: material \"board\" has a texture, but bare.obj has no texture coordinates");
    expect_fault(one_sphere, "\"materials\": {\"a\": {}}, \"lights\": [{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 1, \"watts\": 1, \"spectrum\": \"flat\", \"material\": {\"texture\": {\"file\": \"no.png\"}}}]",
                 "room.json: lights[0].material.texture: %s/no.png: cannot be opened: No such file or directory");
}

static void faces_and_slots_take_their_own_material(void **state)
{
    (void)state;
    folder_write("two.mtl", "newmtl body\nnewmtl knob\n");
    folder_write("two.obj", "mtllib two.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\nusemtl body\nf 1 2 3\nusemtl knob\nf 1 2 4\n");
    lr_scene *s = scene_of("{\"shape\": \"room\", \"size_m\": [1, 1, 1], \"material\": \"a\", \"faces\": {\"floor\": \"b\", \"north\": {\"reflectance\": 0.3}}},"
                           "{\"shape\": \"mesh\", \"file\": \"two.obj\", \"material\": \"a\", \"materials\": {\"knob\": \"b\"}}",
                           "\"materials\": {\"a\": {\"reflectance\": 0.1}, \"b\": {\"reflectance\": 0.2}}");
    const double want[LR_FACES] = {0.1, 0.1, 0.3, 0.1, 0.1, 0.2};
    for (int i = 0; i < LR_FACES; ++i)
        assert_near(lr_table_at(&s->material[s->object[0].material[i]].reflectance, 5e-7), want[i], 0.0);
    assert_int_equal(lr_scene_bake(s, &bins, NULL), LR_OK);
    for (int t = 0; t < 2; ++t) {
        float scale;
        int material;
        const lr_mesh *m = s->object[1].mesh;
        lr_scene_surface(s, 1, t, 0.2f, 0.2f, &scale, &material);
        const int knob = m->position[m->triangle[t][0]][2] + m->position[m->triangle[t][1]][2] + m->position[m->triangle[t][2]][2] > 0.5f;
        assert_near(lr_table_at(&s->material[material].reflectance, 5e-7), knob ? 0.2 : 0.1, 0.0);
    }
    lr_scene_destroy(s);
    expect_fault("{\"shape\": \"mesh\", \"file\": \"two.obj\", \"materials\": {\"lid\": \"a\"}}", "", "room.json: objects[0].materials.lid: the mesh has no material \"lid\"; it has body, knob");
}

// A kind that is not the default one keeps what is not given.
static void materials_in_place_have_their_defaults(void **state)
{
    (void)state;
    const char *const kinds[] = {"diffuse", "coated", "mirror", "rough_diffuse", "retroreflector", "pane", "glass"};
    for (int i = 0; i < 7; ++i) {
        char text[160];
        snprintf(text, sizeof text, "{\"shape\": \"sphere\", \"radius_m\": 1, \"material\": {\"kind\": \"%s\"}}", kinds[i]);
        lr_scene *s = scene_of(text, "");
        assert_int_equal(lr_scene_bake(s, &bins, NULL), LR_OK);
        float scale;
        int material;
        const lr_surface *surface = lr_scene_surface(s, 0, 0, 0, 0, &scale, &material);
        assert_int_equal(surface->kind, s->material[0].kind);
        assert_near(i < 5 ? (double)surface->reflectance[0] : (double)surface->index_n[0], i < 5 ? 0.5 : 1.5, 1e-6);
        lr_scene_destroy(s);
    }
}

static void head_pose_and_name(void **state)
{
    (void)state;
    lr_scene *s = scene_of(one_sphere, "\"name\": \"den\", \"head_pose\": {\"position_m\": [1, 2, 3], \"rotate_deg\": [0, 0, 90]}");
    assert_string_equal(s->name, "den");
    assert_at(s->head_pose.origin, 1, 2, 3);
    assert_at(lr_rotate(s->head_pose.rotation, lr_v3(1, 0, 0)), 0, 1, 0);
    lr_scene_destroy(s);
}

// ---- Bad input

static void bad_input_has_one_clear_line(void **state)
{
    (void)state;
    folder_write("oak.json", "{\"format\": \"lanternroom-material/1\", \"kind\": \"diffuse\", \"reflectance\": 0.3, \"source\": \"common value, no source\"}");
    const struct { const char *object, *text; } bad[] = {
        {"{\"shape\": \"sphere\", \"radius_m\": -1}", "objects[0].radius_m: -1 is not in [1e-06, 10000]"},
        {"{\"shape\": \"sphere\", \"radius_m\": 0}", "objects[0].radius_m: 0 is not in [1e-06, 10000]"},
        {"{\"shape\": \"sphere\", \"radius_m\": \"wide\"}", "objects[0].radius_m: \"wide\" is not a number"},
        {"{\"shape\": \"sphere\"}", "objects[0]: missing key \"radius_m\""},
        {"{\"radius_m\": 1}", "objects[0]: missing key \"shape\""},
        {"{\"shape\": \"sphere\", \"radius\": 1}", "objects[0].radius: unknown key \"radius\"; did you mean \"radius_m\"?"},
        {"{\"shape\": \"sphere\", \"radius_m\": 1, \"tube_m\": 1}", "objects[0].tube_m: \"tube_m\" does not go with shape \"sphere\""},
        {"{\"shape\": \"box\", \"size_m\": [1, 2]}", "objects[0].size_m: list of 2 numbers where 3 are wanted"},
        {"{\"shape\": \"box\", \"size_m\": [1, 0, 2]}", "objects[0].size_m[1]: 0 is not in [1e-06, 10000]"},
        {"{\"shape\": \"torus\", \"radius_m\": 1, \"tube_m\": 2}", "objects[0].tube_m: 2 is not below radius_m = 1"},
        {"{\"shape\": \"disc\", \"radius_m\": 1, \"hole_m\": 1}", "objects[0].hole_m: 1 is not in [0, radius_m = 1)"},
        {"{\"shape\": \"cylinder\", \"radius_m\": 1}", "objects[0]: missing key \"height_m\" (or \"from_m\" and \"to_m\")"},
        {"{\"shape\": \"cylinder\", \"radius_m\": 1, \"from_m\": [0, 0, 0]}", "objects[0]: missing key \"to_m\""},
        {"{\"shape\": \"capsule\", \"radius_m\": 1, \"from_m\": [0, 0, 0], \"to_m\": [0, 0, 0]}", "objects[0].to_m: its distance from from_m is 0 m, not in [1e-06, 10000]"},
        {"{\"shape\": \"capsule\", \"radius_m\": 1, \"from_m\": [0, 0, 0], \"to_m\": [0, 0, 1], \"center_m\": [0, 0, 0]}", "objects[0].center_m: \"center_m\" does not go with \"from_m\" and \"to_m\""},
        {"{\"shape\": \"room\", \"size_m\": [5, 4, 3], \"openings\": [{\"face\": \"north\", \"center_m\": [0, 1], \"size_m\": [1, 1]}, {\"face\": \"east\", \"center_m\": [0, 2.8], \"size_m\": [1, 1]}]}",
         "objects[0].openings[1].center_m[1]: 2.8 leaves the east face: it reaches from 2.3 to 3.3, the face from 0 to 3"},
        {"{\"shape\": \"room\", \"size_m\": [5, 4, 3], \"openings\": [{\"face\": \"up\", \"center_m\": [0, 1], \"size_m\": [1, 1]}]}",
         "objects[0].openings[0].face: \"up\" is not one of: east, west, north, south, ceiling, floor"},
        {"{\"shape\": \"sphere\", \"radius_m\": 1, \"material\": \"oka\"}", "objects[0].material: unknown material \"oka\"; did you mean \"oak\"?"},
        {"{\"shape\": \"sphere\", \"radius_m\": 1, \"material\": \"../oak\"}", "objects[0].material: \"../oak\" is not a plain name"},
        {"{\"shape\": \"sphere\", \"radius_m\": 1, \"material\": 3}", "objects[0].material: this is not the name of a material or a material"},
        {"{\"shape\": \"sphere\", \"radius_m\": 1, \"material\": {\"reflectance\": 2}}", "objects[0].material.reflectance: 2 is not in [0, 1]"},
        {"{\"shape\": \"sphere\", \"radius_m\": 1, \"motion\": [{\"time_s\": 1}, {\"time_s\": 1}]}", "objects[0].motion[1].time_s: 1 does not rise above the key before"},
        {"{\"shape\": \"group\"}", "objects[0]: missing key \"objects\" (or \"file\")"},
        {"{\"shape\": \"group\", \"objects\": [], \"file\": \"a.json\"}", "objects[0].file: \"file\" does not go with \"objects\""},
        {"{\"shape\": \"group\", \"objects\": []}", "objects: nothing in the scene"},
        {"{\"shape\": \"group\", \"objects\": [{\"shape\": \"sphere\", \"radius_m\": 1}, {\"shape\": \"sphere\", \"radius_m\": -2}]}", "objects[0].objects[1].radius_m: -2 is not in [1e-06, 10000]"},
        {"{\"shape\": \"mesh\", \"file\": \"none.obj\"}", "objects[0].file: %s/none.obj: no such mesh file"},
    };
    for (size_t i = 0; i < sizeof bad/sizeof bad[0]; ++i) {
        char text[512];
        snprintf(text, sizeof text, "room.json: %s", bad[i].text);
        expect_fault(bad[i].object, "", text);
    }
}

// ---- Schema

static void schema_is_json_and_knows_every_shape(void **state)
{
    (void)state;
    lr_text text = {0};
    lr_json *json = NULL;
    lr_scene_schema(&text);
    assert_false(text.failed);
    assert_int_equal(lr_json_parse("schema", text.data, text.length, &json, NULL), LR_OK);
    const lr_node *defs = lr_node_get(lr_json_root(json), "$defs");
    const char *const want[] = {"object", "light", "material", "opening", "copy", "motion_key", "faces", "head_pose", NULL};
    for (int i = 0; want[i]; ++i)
        assert_non_null(lr_node_get(defs, want[i]));
    const char *const shapes[] = {"room", "box", "sphere", "cylinder", "cone", "capsule", "disc", "rectangle", "torus", "mesh", "group", NULL};
    for (int i = 0; shapes[i]; ++i) {
        char word[32];
        snprintf(word, sizeof word, "\"const\": \"%s\"", shapes[i]);
        assert_non_null(strstr(text.data, word));
    }
    lr_json_free(json);
    lr_text_free(&text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_shape_loads), cmocka_unit_test(rods_run_from_end_to_end), cmocka_unit_test(turns_are_about_fixed_axes_x_then_y_then_z),
        cmocka_unit_test(groups_nest_turn_scale_and_copy), cmocka_unit_test(group_files_are_found_beside_the_file_that_names_them),
        cmocka_unit_test(endless_copies_are_stopped), cmocka_unit_test(motion_is_straight_between_keys_and_held_outside),
        cmocka_unit_test(things_in_a_moving_group_follow_it), cmocka_unit_test(openings_become_portals_and_panes),
        cmocka_unit_test(textures_repeat_by_the_metre), cmocka_unit_test(faces_and_slots_take_their_own_material), cmocka_unit_test(materials_in_place_have_their_defaults), cmocka_unit_test(head_pose_and_name),
        cmocka_unit_test(bad_input_has_one_clear_line), cmocka_unit_test(schema_is_json_and_knows_every_shape),
    };
    return cmocka_run_group_tests(tests, folder_make, folder_remove);
}
