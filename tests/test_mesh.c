// SPDX-License-Identifier: Apache-2.0
// Boxes, rooms with openings, rectangles and mesh files: areas by closed form, faces outwards or inwards, no gaps.
#include "close.h"

#include "scene/shape.h"
#include "scene_folder.h"

#define REL_FLOAT 1e-6  // corners are floats

static lr_vec3 at(const lr_mesh *m, uint32_t vertex)
{
    return lr_v3((double)m->position[vertex][0], (double)m->position[vertex][1], (double)m->position[vertex][2]);
}

static lr_vec3 normal_of(const lr_mesh *m, int t)
{
    const lr_vec3 a = at(m, m->triangle[t][0]);
    return lr_unit(lr_cross(lr_sub(at(m, m->triangle[t][1]), a), lr_sub(at(m, m->triangle[t][2]), a)));
}

static const lr_vec3 outwards[LR_FACES] = {{1, 0, 0}, {-1, 0, 0}, {0, 1, 0}, {0, -1, 0}, {0, 0, 1}, {0, 0, -1}};

static void box_and_rectangle(void **state)
{
    (void)state;
    lr_mesh *m;
    const double size[3] = {1.0, 0.5, 0.25};
    assert_int_equal(lr_mesh_box(size, &m, NULL), LR_OK);
    assert_rel(lr_mesh_area(m), 2*(1.0*0.5 + 0.5*0.25 + 1.0*0.25), REL_FLOAT);
    assert_int_equal(m->triangle_count, 12);
    assert_int_equal(m->slot_count, LR_FACES);
    double volume = 0;  // divergence theorem: also shows that all faces point outwards
    for (int t = 0; t < m->triangle_count; ++t) {
        assert_near(lr_length(lr_sub(normal_of(m, t), outwards[m->slot[t]])), 0.0, 1e-6);
        volume += lr_dot(at(m, m->triangle[t][0]), lr_cross(at(m, m->triangle[t][1]), at(m, m->triangle[t][2])))/6;
    }
    assert_rel(volume, 0.125, REL_FLOAT);
    const lr_box3 b = lr_mesh_bounds(m);
    assert_true(b.lo.x == -0.5 && b.hi.y == 0.25 && b.hi.z == 0.125);
    lr_mesh_destroy(m);

    assert_int_equal(lr_mesh_rectangle((double[2]){2, 3}, &m, NULL), LR_OK);
    assert_rel(lr_mesh_area(m), 6.0, REL_FLOAT);
    assert_near(normal_of(m, 0).z, 1.0, 0.0);
    assert_near(normal_of(m, 1).z, 1.0, 0.0);
    const double span = (double)(m->uv[1][0] - m->uv[0][0]);
    assert_true(m->uv_metres);
    assert_near(span, 2.0, 0.0);
    lr_mesh_destroy(m);
    lr_mesh_destroy(NULL);

    lr_error err = {""};
    assert_int_equal(lr_mesh_box((double[3]){1, 0, 1}, &m, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "size_m[1]: 0 is not in [1e-06, 1e+06]");
    assert_int_equal(lr_mesh_rectangle((double[2]){(double)NAN, 1}, &m, &err), LR_ERR_RANGE);
    assert_null(m);
}

static int is_solid(const lr_mesh *m)
{
    int solid = -1;
    assert_int_equal(lr_mesh_is_solid(m, &solid, NULL), LR_OK);
    return solid;
}

static void closed_meshes_turned_outwards_are_solid(void **state)
{
    (void)state;
    lr_mesh *m;
    assert_int_equal(lr_mesh_box((double[3]){1.0, 0.5, 0.25}, &m, NULL), LR_OK);
    assert_true(is_solid(m));          // though no two faces share a corner
    for (int i = 0; i < m->vertex_count; ++i) {
        m->position[i][0] -= 0.5f;     // far side to zeros of either sign
        if (m->position[i][0] == 0.0f && i % 2)
            m->position[i][0] = -0.0f;
        m->position[i][2] += 3000.0f;  // far from the origin
    }
    assert_true(is_solid(m));
    m->triangle_count--;
    assert_false(is_solid(m));         // with a hole
    m->triangle_count++;
    uint32_t *t = m->triangle[3];
    const uint32_t first = t[0];
    t[0] = t[1];
    t[1] = first;
    assert_false(is_solid(m));         // one triangle turned
    t[1] = t[0];
    t[0] = first;
    m->position[0][1] += 1e-3f;
    assert_false(is_solid(m));         // a crack
    lr_mesh_destroy(m);
    assert_int_equal(lr_mesh_room((double[3]){1, 1, 1}, NULL, 0, &m, NULL), LR_OK);
    assert_false(is_solid(m));         // closed, turned inwards
    lr_mesh_destroy(m);
    assert_int_equal(lr_mesh_rectangle((double[2]){1, 1}, &m, NULL), LR_OK);
    assert_false(is_solid(m));
    lr_mesh_destroy(m);
}

// ---- Rooms: two openings a wall, some to the floor, corners at numbers that no float holds

static const double room_size[3] = {5.1, 4.3, 2.7};
static const lr_opening openings[] = {
    {LR_FACE_NORTH, {0.0, 1.4}, {1.6, 1.2}, 0, ""},    {LR_FACE_NORTH, {-1.7, 1.05}, {0.9, 2.1}, 0, ""},
    {LR_FACE_EAST, {0.33, 1.5}, {1.1, 0.7}, 0, ""},    {LR_FACE_SOUTH, {1.1, 1.05}, {0.9, 2.1}, 0, ""},
    {LR_FACE_CEILING, {0.7, -0.4}, {1.0, 0.8}, 0, ""}, {LR_FACE_WEST, {0.0, 1.35}, {4.3, 2.7}, 0, ""},
    {LR_FACE_FLOOR, {2.0, 1.65}, {1.1, 1.0}, 0, ""}};
#define OPENINGS ((int)(sizeof openings/sizeof openings[0]))

static int same(const lr_mesh *m, uint32_t a, uint32_t b) { return memcmp(m->position[a], m->position[b], sizeof m->position[a]) == 0; }

static int shared_by(const lr_mesh *m, uint32_t a, uint32_t b)
{
    int count = 0;
    for (int t = 0; t < m->triangle_count; ++t)
        for (int k = 0; k < 3; ++k) {
            const uint32_t p = m->triangle[t][k], q = m->triangle[t][(k + 1) % 3];
            count += (same(m, p, a) && same(m, q, b)) || (same(m, p, b) && same(m, q, a));
        }
    return count;
}

// Every edge belongs to two triangles, with the very same corners, except around the holes.
static void rooms_have_no_gaps(void **state)
{
    (void)state;
    for (int count = 0; count <= OPENINGS; ++count) {
        lr_mesh *m;
        assert_int_equal(lr_mesh_room(room_size, openings, count, &m, NULL), LR_OK);
        double area = 2*(5.1*4.3 + 4.3*2.7 + 5.1*2.7), rim = 0, free_edges = 0;
        for (int i = 0; i < count; ++i) {
            area -= openings[i].size_m[0]*openings[i].size_m[1];
            rim += 2*(openings[i].size_m[0] + openings[i].size_m[1]);
        }
        assert_rel(lr_mesh_area(m), area, REL_FLOAT);
        for (int t = 0; t < m->triangle_count; ++t) {
            assert_near(lr_length(lr_add(normal_of(m, t), outwards[m->slot[t]])), 0.0, 1e-6);  // inwards
            for (int k = 0; k < 3; ++k) {
                const uint32_t a = m->triangle[t][k], b = m->triangle[t][(k + 1) % 3];
                const int sharers = shared_by(m, a, b);
                assert_true(sharers == 1 || sharers == 2);
                if (sharers == 1)
                    free_edges += lr_length(lr_sub(at(m, a), at(m, b)));
            }
        }
        assert_near(free_edges, rim, 1e-5);
        lr_mesh_destroy(m);
    }
}

static void openings_are_placed_where_the_hole_is(void **state)
{
    (void)state;
    for (int i = 0; i < OPENINGS; ++i) {
        lr_vec3 corner, u, v;
        lr_opening_place(room_size, &openings[i], &corner, &u, &v);
        const lr_vec3 across = lr_cross(u, v), middle = lr_mad(lr_mad(corner, 0.5, u), 0.5, v);
        assert_rel(lr_length(across), openings[i].size_m[0]*openings[i].size_m[1], 1e-12);
        assert_near(lr_length(lr_add(lr_unit(across), outwards[openings[i].face])), 0.0, 1e-12);
        lr_mesh *m;
        assert_int_equal(lr_mesh_room(room_size, &openings[i], 1, &m, NULL), LR_OK);
        for (int t = 0; t < m->triangle_count; ++t) {  // no triangle lies over the middle of the hole
            lr_vec3 a = at(m, m->triangle[t][0]), b = at(m, m->triangle[t][1]), c = at(m, m->triangle[t][2]);
            const lr_vec3 n = lr_cross(lr_sub(b, a), lr_sub(c, a));
            const int over = fabs(lr_dot(lr_unit(n), lr_sub(middle, a))) < 1e-6 && lr_dot(n, lr_cross(lr_sub(b, a), lr_sub(middle, a))) >= 0 &&
                             lr_dot(n, lr_cross(lr_sub(c, b), lr_sub(middle, b))) >= 0 && lr_dot(n, lr_cross(lr_sub(a, c), lr_sub(middle, c))) >= 0;
            assert_false(over);
        }
        lr_mesh_destroy(m);
    }
}

static void bad_openings_are_named(void **state)
{
    (void)state;
    const struct { lr_opening opening[2]; int count, which; const char *text; } bad[] = {
        {{{LR_FACE_NORTH, {0, 2.5}, {1, 1}, 0, ""}}, 1, 0, "center_m[1]: 2.5 leaves the north face: it reaches from 2 to 3, the face from 0 to 2.7"},
        {{{LR_FACE_EAST, {2, 1}, {1, 1}, 0, ""}}, 1, 0, "center_m[0]: 2 leaves the east face: it reaches from 1.5 to 2.5, the face from -2.15 to 2.15"},
        {{{LR_FACE_EAST, {0, 1}, {0, 1}, 0, ""}}, 1, 0, "size_m[0]: 0 is below 0.001"},
        {{{LR_FACE_EAST, {(double)NAN, 1}, {1, 1}, 0, ""}}, 1, 0, "center_m[0]: nan leaves the east face: it reaches from nan to nan, the face from -2.15 to 2.15"},
        {{{LR_FACE_EAST, {0, 1}, {1, 1}, 0, ""}, {LR_FACE_EAST, {0.9, 1}, {1, 1}, 0, ""}}, 2, 1, "center_m: (0.9, 1) overlaps openings[0]"},
        {{{9, {0, 1}, {1, 1}, 0, ""}}, 1, 0, "face: 9 is not a face"},
    };
    for (size_t i = 0; i < sizeof bad/sizeof bad[0]; ++i) {
        lr_error err = {""};
        int which = -1;
        lr_mesh *m;
        assert_int_equal(lr_openings_check(room_size, bad[i].opening, bad[i].count, &which, &err), LR_ERR_RANGE);
        assert_string_equal(err.text, bad[i].text);
        assert_int_equal(which, bad[i].which);
        assert_int_equal(lr_mesh_room(room_size, bad[i].opening, bad[i].count, &m, &err), LR_ERR_RANGE);
    }
    const lr_opening all[LR_FACES] = {{LR_FACE_EAST, {0, 0.5}, {1, 1}, 0, ""}, {LR_FACE_WEST, {0, 0.5}, {1, 1}, 0, ""}, {LR_FACE_NORTH, {0, 0.5}, {1, 1}, 0, ""},
                                      {LR_FACE_SOUTH, {0, 0.5}, {1, 1}, 0, ""}, {LR_FACE_CEILING, {0, 0}, {1, 1}, 0, ""}, {LR_FACE_FLOOR, {0, 0}, {1, 1}, 0, ""}};
    lr_error err = {""};
    lr_mesh *m;
    assert_int_equal(lr_mesh_room((double[3]){1, 1, 1}, all, LR_FACES, &m, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "openings: they leave nothing of the room");
}

// ---- Files

// A unit square in x-y of two materials, and a 3-4-5 triangle standing in x-z: areas 1 and 6.
static const char square_obj[] =
    "mtllib none.mtl\nv 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nv 0 0 3\nv 4 0 0\nvt 0 0\nvt 2 0\nvt 2 2\nvt 0 2\n"
    "usemtl plate\nf 1/1 2/2 3/3 4/4\nusemtl fin\nf 1/1 6/2 5/3\n";

static lr_mesh *load(const char *path, double scale, int z_up, char (**names)[64])
{
    lr_mesh *m = NULL;
    lr_error err = {""};
    if (lr_mesh_load(path, scale, z_up, &m, names, &err) != LR_OK)
        fail_msg("%s", err.text);
    return m;
}

static void obj_files(void **state)
{
    (void)state;
    folder_write("none.mtl", "newmtl plate\nKd 1 0 0\nnewmtl fin\nKd 0 1 0\n");
    const char *path = folder_write("square.obj", square_obj);
    char (*names)[64];
    lr_mesh *m = load(path, 1.0, 1, &names);
    assert_rel(lr_mesh_area(m), 7.0, REL_FLOAT);
    assert_int_equal(m->slot_count, 2);
    double area[2] = {0, 0};
    for (int t = 0; t < m->triangle_count; ++t) {
        const lr_vec3 a = at(m, m->triangle[t][0]);
        area[m->slot[t]] += 0.5*lr_length(lr_cross(lr_sub(at(m, m->triangle[t][1]), a), lr_sub(at(m, m->triangle[t][2]), a)));
    }
    const int plate = strcmp(names[0], "plate") == 0 ? 0 : 1;
    assert_string_equal(names[plate], "plate");
    assert_string_equal(names[!plate], "fin");
    assert_rel(area[plate], 1.0, REL_FLOAT);
    assert_rel(area[!plate], 6.0, REL_FLOAT);
    assert_non_null(m->uv);
    assert_false(m->uv_metres);
    lr_mesh_destroy(m);
    free(names);

    m = load(path, 0.5, 0, &names);  // y up: the fin, standing along z, comes to lie along -y
    assert_rel(lr_mesh_area(m), 7.0*0.25, REL_FLOAT);
    const lr_box3 b = lr_mesh_bounds(m);
    assert_near(b.lo.y, -1.5, 1e-6);
    assert_near(b.hi.z, 0.5, 1e-6);
    assert_near(b.hi.x, 2.0, 1e-6);
    lr_mesh_destroy(m);
    free(names);
}

static void small_triangles_are_kept(void **state)
{
    (void)state;
    char (*names)[64];
    lr_mesh *m = load(folder_write("tiny.obj", "v 0 0 0\nv 0.0005 0 0\nv 0 0.0005 0\nf 1 2 3\nf 1 1 2\n"), 1.0, 1, &names);
    assert_int_equal(m->triangle_count, 1);  // the one of a quarter square millimetre, not the one without area
    assert_rel(lr_mesh_area(m), 0.125e-6, 1e-5);
    assert_null(m->uv);
    lr_mesh_destroy(m);
    free(names);
}

static void ply_stl_and_gltf_files(void **state)
{
    (void)state;
    char (*names)[64];
    lr_mesh *m = load(folder_write("a.ply", "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\nelement face 1\n"
                                            "property list uchar int vertex_indices\nend_header\n0 0 0\n3 0 0\n0 4 0\n3 0 1 2\n"), 1.0, 1, &names);
    assert_rel(lr_mesh_area(m), 6.0, REL_FLOAT);
    assert_near(normal_of(m, 0).z, 1.0, 1e-6);
    lr_mesh_destroy(m);
    free(names);
    m = load(folder_write("b.STL", "solid s\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 3 0 0\nvertex 0 4 0\nendloop\nendfacet\nendsolid s\n"), 1.0, 1, &names);
    assert_rel(lr_mesh_area(m), 6.0, REL_FLOAT);
    lr_mesh_destroy(m);
    free(names);
    const float corners[9] = {0, 0, 0, 3, 0, 0, 0, 4, 0};
    folder_write_bytes("c.bin", corners, sizeof corners);
    m = load(folder_write("c.gltf", "{\"asset\": {\"version\": \"2.0\"}, \"scene\": 0, \"scenes\": [{\"nodes\": [0]}], \"nodes\": [{\"mesh\": 0, \"translation\": [10, 0, 0], \"scale\": [2, 1, 1]}],"
                                    " \"meshes\": [{\"primitives\": [{\"attributes\": {\"POSITION\": 0}}]}], \"buffers\": [{\"uri\": \"c.bin\", \"byteLength\": 36}],"
                                    " \"bufferViews\": [{\"buffer\": 0, \"byteLength\": 36}],"
                                    " \"accessors\": [{\"bufferView\": 0, \"componentType\": 5126, \"count\": 3, \"type\": \"VEC3\", \"min\": [0, 0, 0], \"max\": [3, 4, 0]}]}"), 1.0, 1, &names);
    assert_rel(lr_mesh_area(m), 12.0, REL_FLOAT);  // the node's own placement counts
    assert_near(lr_mesh_bounds(m).hi.x, 16.0, 1e-5);
    lr_mesh_destroy(m);
    free(names);
}

// The same triangle in bytes; `corners` is what the face says it has.
static const char *binary_ply(const char *name, uint8_t corners)
{
    static const char header[] = "ply\nformat binary_little_endian 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
                                 "element face 1\nproperty list uint8 uint32 vertex_indices\nend_header\n";
    uint8_t bytes[400];
    const float place[9] = {0, 0, 0, 3, 0, 0, 0, 4, 0};
    const uint32_t index[3] = {0, 1, 2};
    size_t n = sizeof header - 1;
    memcpy(bytes, header, n);
    memcpy(bytes + n, place, sizeof place);
    bytes[n + sizeof place] = corners;
    memcpy(bytes + n + sizeof place + 1, index, sizeof index);
    return folder_write_bytes(name, bytes, n + sizeof place + 1 + sizeof index);
}

static void binary_ply_files(void **state)
{
    (void)state;
    char (*names)[64];
    lr_mesh *m = load(binary_ply("bytes.ply", 3), 1.0, 1, &names);
    assert_rel(lr_mesh_area(m), 6.0, REL_FLOAT);
    lr_mesh_destroy(m);
    free(names);
}

static void expect_refused(const char *path, lr_status status, const char *part)
{
    lr_mesh *m = (lr_mesh *)1;
    char (*names)[64];
    lr_error err = {""};
    assert_int_equal(lr_mesh_load(path, 1.0, 1, &m, &names, &err), status);
    assert_null(m);
    assert_null(names);
    if (!strstr(err.text, part))
        fail_msg("\"%s\" does not tell of \"%s\"", err.text, part);
    assert_non_null(strstr(err.text, path));  // names the file
    assert_null(strchr(err.text, '\n'));
}

static void broken_files_are_refused(void **state)
{
    (void)state;
    expect_refused(folder_path("absent.obj"), LR_ERR_MISSING, "no such mesh file");
    expect_refused(folder_write("mesh.fbx", "x"), LR_ERR_RANGE, "does not end in .obj, .ply, .stl, .gltf or .glb");
    expect_refused(folder_write("empty.obj", ""), LR_ERR_PARSE, "empty");
    expect_refused(folder_write("points.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\n"), LR_ERR_PARSE, "");
    expect_refused(folder_write("index.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n"), LR_ERR_PARSE, "");
    expect_refused(folder_write("nan.ply", "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\nelement face 1\n"
                                           "property list uchar int vertex_indices\nend_header\n0 nan 0\n3 0 0\n0 4 0\n3 0 1 2\n"), LR_ERR_PARSE, "");
    expect_refused(folder_write("index.ply", "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\nelement face 1\n"
                                             "property list uchar int vertex_indices\nend_header\n0 0 0\n3 0 0\n0 4 0\n3 0 1 7\n"), LR_ERR_PARSE, "");
    expect_refused(folder_write("cut.ply", "ply\nformat ascii 1.0\nelement vertex 3\nprop"), LR_ERR_PARSE, "its PLY header has no end");
    expect_refused(binary_ply("longer.ply", 4), LR_ERR_PARSE, "it ends in face 0");
    expect_refused(folder_write("list.ply", "ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nelement face 1\nproperty list int int vertex_indices\nend_header\n0\n2000000000 0\n"),
                   LR_ERR_PARSE, "face 0: a list of 2000000000, not 0 to 65536");
    expect_refused(folder_write("many.ply", "ply\nformat ascii 1.0\nelement vertex 99999999999\nproperty float x\nend_header\n0\n"), LR_ERR_PARSE, "99999999999 of \"vertex\" cannot be in");
    expect_refused(folder_write("flat.obj", "v 0 0 0\nv 1 0 0\nv 2 0 0\nf 1 2 3\n"), LR_ERR_PARSE, "no triangle in it has an area");
    expect_refused(folder_write("far.obj", "v 0 0 0\nv 1e9 0 0\nv 0 1 0\nf 1 2 3\n"), LR_ERR_PARSE, "not within 1e+06 m");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(box_and_rectangle),       cmocka_unit_test(closed_meshes_turned_outwards_are_solid),
        cmocka_unit_test(rooms_have_no_gaps),     cmocka_unit_test(openings_are_placed_where_the_hole_is),
        cmocka_unit_test(bad_openings_are_named),  cmocka_unit_test(obj_files),              cmocka_unit_test(small_triangles_are_kept),
        cmocka_unit_test(ply_stl_and_gltf_files), cmocka_unit_test(binary_ply_files),  cmocka_unit_test(broken_files_are_refused),
    };
    return cmocka_run_group_tests(tests, folder_make, folder_remove);
}
