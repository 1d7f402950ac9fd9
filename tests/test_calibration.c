// SPDX-License-Identifier: Apache-2.0
// calibration.json: every number comes back bit for bit, derived keys follow, bad files are refused in one line.
#include <math.h>
#include <string.h>

#include "close.h"
#include "scan_fixture.h"

static char *written(const lr_calibration *c, size_t *length)
{
    lr_text text = {0};
    lr_error err = {""};
    if (lr_calibration_write(c, &text, &err) != LR_OK)
        fail_msg("%s", err.text);
    *length = text.length;
    return text.data;
}

static lr_status read_back(const char *text, size_t length, lr_calibration *out, lr_error *err)
{
    lr_json *json = NULL;
    *out = (lr_calibration){0};
    lr_status status = lr_json_parse("calibration.json", text, length, &json, err);
    if (status == LR_OK)
        status = lr_calibration_from_json(json, out, err);
    lr_json_free(json);
    return status;
}

static void same_bits(double a, double b)
{
    assert_memory_equal(&a, &b, sizeof a);
}

static void same_transform(const lr_transform *a, const lr_transform *b)
{
    same_bits(a->origin_m.x, b->origin_m.x), same_bits(a->origin_m.y, b->origin_m.y), same_bits(a->origin_m.z, b->origin_m.z);
    same_bits(a->rotation.x, b->rotation.x), same_bits(a->rotation.y, b->rotation.y);
    same_bits(a->rotation.z, b->rotation.z), same_bits(a->rotation.w, b->rotation.w);
}

static void same_table(const lr_table *a, const lr_table *b)
{
    assert_int_equal(a->count, b->count);
    for (int i = 0; i < a->count; i++) {
        if (a->count > 1)
            same_bits(a->x[i], b->x[i]);
        same_bits(a->y[i], b->y[i]);
    }
}

static void same_camera(const lr_cal_camera *a, const lr_cal_camera *b)
{
    assert_string_equal(a->name, b->name);
    same_transform(&a->pose, &b->pose);
    assert_int_equal(a->lens.projection, b->lens.projection);
    same_bits(a->lens.focal_m, b->lens.focal_m), same_bits(a->lens.f_number, b->lens.f_number);
    same_bits(a->lens.transmission, b->lens.transmission), same_bits(a->lens.focus_m, b->lens.focus_m);
    same_bits(a->lens.theta_max_rad, b->lens.theta_max_rad);
    for (int i = 0; i < 4; i++)
        same_bits(a->lens.k[i], b->lens.k[i]);
    same_table(&a->lens.table, &b->lens.table);
    same_table(&a->lens.vignetting, &b->lens.vignetting);
    assert_int_equal(a->pixels, b->pixels);
    assert_int_equal(a->bits, b->bits);
    same_bits(a->pitch_m, b->pitch_m), same_bits(a->width_m, b->width_m), same_bits(a->exposure_s, b->exposure_s);
    same_bits(a->gain_dn_per_e, b->gain_dn_per_e), same_bits(a->offset_dn, b->offset_dn);
    same_bits(a->read_noise_e, b->read_noise_e), same_bits(a->full_well_e, b->full_well_e);
}

static void same_laser(const lr_cal_laser *a, const lr_cal_laser *b)
{
    assert_string_equal(a->name, b->name);
    same_transform(&a->pose, &b->pose);
    assert_int_equal(a->mode, b->mode);
    same_bits(a->wavelength_m, b->wavelength_m), same_bits(a->power_w, b->power_w), same_bits(a->fan_rad, b->fan_rad);
    same_bits(a->flood_rad, b->flood_rad), same_bits(a->thickness_m, b->thickness_m), same_bits(a->divergence_rad, b->divergence_rad);
    assert_int_equal(a->dots.count, b->dots.count);
    for (int i = 0; i < a->dots.count; i++)
        same_bits(a->dots.alpha_rad[i], b->dots.alpha_rad[i]), same_bits(a->dots.weight[i], b->dots.weight[i]);
    same_bits(a->dots.size_rad, b->dots.size_rad), same_bits(a->dots.zero_order, b->dots.zero_order);
    same_bits(a->dots.background, b->dots.background);
    same_table(&a->dots.profile, &b->dots.profile);
}

// Awkward doubles in every free number of the calibration.
static double awkward(uint64_t *x)
{
    *x = *x*6364136223846793005u + 1442695040888963407u;
    const double unit = ((double)(*x >> 11) + 0.5)*0x1p-53;
    return unit*pow(10.0, (double)((int)(*x >> 5) % 7 - 3));
}

static void every_number_comes_back(void **state)
{
    (void)state;
    uint64_t x = 20;
    for (int round = 0; round < 200; round++) {
        lr_calibration c = fixture_calibration(2048), back;
        const double angle[] = {0.0, 0.4/3.0, 1.1}, value[] = {1.0, 0.9 - 1e-17, awkward(&x)/1e4}, one = 0.7;
        c.spin.rev_per_s = awkward(&x);
        for (int m = 0; m < 2; m++) {
            c.module[m].pose = lr_transform_from_pose((lr_pose){lr_rotation_xyz(lr_v3(awkward(&x), awkward(&x), awkward(&x))),
                                                                {awkward(&x), -awkward(&x), m ? -0.0 : awkward(&x)}});
            for (int i = 0; i < 2; i++) {
                lr_cal_camera *camera = &c.module[m].camera[i];
                camera->lens.f_number = awkward(&x);
                camera->lens.focus_m = camera->lens.focal_m + awkward(&x);  // nearer than the focal length there is no image
                camera->exposure_s = awkward(&x);
                camera->gain_dn_per_e = awkward(&x);
                camera->offset_dn = -awkward(&x);
                camera->read_noise_e = awkward(&x);
                camera->full_well_e = awkward(&x);
                assert_int_equal(i ? lr_table_create(3, angle, value, &camera->lens.vignetting, NULL)
                                   : lr_table_constant(one, &camera->lens.vignetting, NULL), LR_OK);
            }
            c.module[m].laser->power_w = awkward(&x);
            c.module[m].laser->wavelength_m = awkward(&x);
        }
        assert_int_equal(lr_table_create(3, angle, value, &c.module[1].laser->dots.profile, NULL), LR_OK);
        lr_cal_camera *tabled = &c.module[1].camera[0];
        const double r_m[] = {0.0, 1e-3/3.0, 4e-3};
        tabled->lens.projection = LR_PROJECTION_TABLE;
        assert_int_equal(lr_table_create(3, angle, r_m, &tabled->lens.table, NULL), LR_OK);

        size_t length, again_length;
        lr_error err = {""};
        char *text = written(&c, &length);
        if (read_back(text, length, &back, &err) != LR_OK)
            fail_msg("%s", err.text);
        assert_string_equal(back.head, c.head);
        same_bits(back.spin.rev_per_s, c.spin.rev_per_s);
        assert_int_equal(back.spin.lines_per_rev, c.spin.lines_per_rev);
        assert_int_equal(back.spin.clockwise, c.spin.clockwise);
        assert_int_equal(back.spin.encoder_counts_per_rev, c.spin.encoder_counts_per_rev);
        assert_int_equal(back.module_count, 2);
        for (int m = 0; m < 2; m++) {
            assert_string_equal(back.module[m].name, c.module[m].name);
            same_transform(&back.module[m].pose, &c.module[m].pose);
            assert_int_equal(back.module[m].camera_count, 2);
            assert_int_equal(back.module[m].laser_count, 1);
            for (int i = 0; i < 2; i++)
                same_camera(&back.module[m].camera[i], &c.module[m].camera[i]);
            same_laser(back.module[m].laser, c.module[m].laser);
        }
        char *again = written(&back, &again_length);  // and the text is a fixed point
        assert_string_equal(text, again);
        free(text);
        free(again);
        lr_calibration_free(&c);
        lr_calibration_free(&back);
    }
}

// A quaternion and the matrix it came from turn vectors alike, through every branch of the extraction.
static void quaternions_turn_as_matrices(void **state)
{
    (void)state;
    uint64_t x = 5;
    for (int i = 0; i < 2000; i++) {
        lr_vec3 rad = lr_v3(20*awkward(&x), 20*awkward(&x), 20*awkward(&x));
        if (i < 64)  // half turns, where the scalar part vanishes
            rad = lr_v3((i & 3)*LR_PI/2, (i >> 2 & 3)*LR_PI/2, (i >> 4 & 3)*LR_PI/2);
        const lr_mat3 m = lr_rotation_xyz(rad);
        const lr_quat q = lr_quat_from_mat3(m);
        const lr_mat3 back = lr_mat3_from_quat(q);
        assert_near(q.x*q.x + q.y*q.y + q.z*q.z + q.w*q.w, 1.0, 1e-15*4);
        assert_true(q.w >= 0.0);
        const double got[9] = {back.x.x, back.x.y, back.x.z, back.y.x, back.y.y, back.y.z, back.z.x, back.z.y, back.z.z};
        const double want[9] = {m.x.x, m.x.y, m.x.z, m.y.x, m.y.y, m.y.z, m.z.x, m.z.y, m.z.z};
        for (int k = 0; k < 9; k++)
            assert_near(got[k], want[k], 5e-15);  // the matrix itself is orthonormal to a few 1e-16 of products
    }
    // 90 degrees about z: (0, 0, sin 45, cos 45); x goes to y.
    const lr_quat z90 = lr_quat_from_mat3(lr_rotation_z(LR_PI/2));
    assert_near(z90.z, sqrt(0.5), 1e-15);
    assert_near(z90.w, sqrt(0.5), 1e-15);
    assert_near(lr_rotate(lr_mat3_from_quat(z90), lr_v3(1, 0, 0)).y, 1.0, 1e-15);
}

static const lr_node *at(const lr_node *node, const char *key) { return lr_node_get(node, key); }

static double data_at(const lr_node *matrix, int i)
{
    const lr_node *entry = lr_node_first(at(matrix, "data"));
    while (i--)
        entry = lr_node_next(entry);
    return lr_node_number(entry);
}

// The matrices, used as their published models say, land on the pixel our lens gives; and the transform to the optical
// frame turns our camera's axes into z forward, x right, y down.
static void vision_libraries_see_the_same_camera(void **state)
{
    (void)state;
    lr_calibration c = fixture_calibration(1024);
    size_t length;
    char *text = written(&c, &length);
    lr_json *json = NULL;
    assert_int_equal(lr_json_parse("calibration.json", text, length, &json, NULL), LR_OK);
    const lr_node *module = lr_node_first(at(lr_json_root(json), "modules"));
    int known = 0;
    for (int m = 0; m < 2; m++, module = lr_node_next(module)) {
        const lr_node *node = lr_node_first(at(module, "cameras"));
        for (int i = 0; i < 2; i++, node = lr_node_next(node)) {
            const lr_cal_camera *camera = &c.module[m].camera[i];
            const char *model = lr_node_text(at(node, "model"));
            const lr_node *k = at(node, "K"), *d = at(node, "D");
            assert_near(lr_node_number(at(node, "image_width")), 1, 0);
            assert_near(lr_node_number(at(node, "image_height")), 1024, 0);
            if (!k) {
                assert_string_equal(model, "stereographic");
                assert_null(d);
                continue;
            }
            known++;
            for (double pixel = -0.5; pixel <= 1023.5; pixel += 64.0) {
                const lr_vec3 ray = lr_cal_camera_direction(camera, pixel);
                const double down = -ray.z, forward = ray.x;   // optical y and z
                double distorted;
                if (strcmp(model, "plumb_bob") == 0) {
                    distorted = down/forward;                  // all coefficients are zero
                    for (int n = 0; n < 5; n++)
                        assert_near(data_at(d, n), 0.0, 0.0);
                } else {                                       // theta_d = theta (1 + k1 theta^2 + ...)
                    assert_string_equal(model, "kannala_brandt4");
                    const double t = atan2(down, forward), t2 = t*t;
                    distorted = t*(1 + t2*(data_at(d, 0) + t2*(data_at(d, 1) + t2*(data_at(d, 2) + t2*data_at(d, 3)))));
                }
                assert_near(data_at(k, 4)*distorted + data_at(k, 5), pixel, 1e-9);  // 1e3 pixels, inverse good to 1e-14
                assert_near(lr_cal_camera_pixel(camera, lr_cal_camera_angle(camera, pixel)), pixel, 1e-9);
            }
            assert_near(data_at(k, 2), 0.0, 0.0);
            assert_rel(data_at(k, 0), camera->lens.focal_m/camera->width_m, 1e-15);
        }
    }
    assert_int_equal(known, 3);

    const lr_node *transform = lr_node_next(lr_node_first(at(lr_json_root(json), "transforms")));  // the first camera's
    assert_string_equal(lr_node_text(at(transform, "parent")), "front");
    assert_string_equal(lr_node_text(at(transform, "child")), "front/upper/optical");
    double q[4];
    const lr_node *entry = lr_node_first(at(transform, "q_xyzw"));
    for (int i = 0; i < 4; i++, entry = lr_node_next(entry))
        q[i] = lr_node_number(entry);
    const lr_mat3 r = lr_mat3_from_quat((lr_quat){q[0], q[1], q[2], q[3]});
    const lr_pose pose = lr_transform_pose(&c.module[0].camera[0].pose);
    const lr_vec3 forward = lr_sub(r.z, pose.rotation.x), left = lr_add(r.x, pose.rotation.y), up = lr_add(r.y, pose.rotation.z);
    assert_near(lr_length(forward), 0.0, 1e-15);
    assert_near(lr_length(left), 0.0, 1e-15);
    assert_near(lr_length(up), 0.0, 1e-15);
    lr_json_free(json);
    free(text);
    lr_calibration_free(&c);
}

// The body-to-optical rotation of REP-103: q_xyzw = (-0.5, 0.5, -0.5, 0.5).
static void optical_rotation_is_the_known_one(void **state)
{
    (void)state;
    lr_calibration c = fixture_calibration(64);
    c.module[0].camera[0].pose = lr_transform_identity();
    size_t length;
    char *text = written(&c, &length);
    assert_non_null(strstr(text, "\"child\": \"front/upper/optical\", \"t_m\": [0, 0, 0], \"q_xyzw\": [-0.5, 0.5, -0.5, 0.5]}"));
    free(text);
    lr_calibration_free(&c);
}

static void pixel_zero_looks_up(void **state)
{
    (void)state;
    lr_calibration c = fixture_calibration(1024);
    const lr_cal_camera *camera = &c.module[0].camera[0];  // equidistant: angle = r/f exactly
    assert_true(lr_cal_camera_direction(camera, 0).z > 0.3);
    assert_rel(lr_cal_camera_angle(camera, 1023), 511.5*3.5e-6/3.4e-3, 1e-14);
    assert_near(lr_cal_camera_angle(camera, 511.5), 0.0, 0.0);
    lr_calibration_free(&c);
}

// ---- Bad files ----

typedef struct edit { const char *from, *to, *message; } edit;

// The text with the first `from` replaced.
static char *edited(const char *text, const char *from, const char *to)
{
    const char *found = strstr(text, from);
    if (!found)
        fail_msg("the file has no %s", from);
    char *out = malloc(strlen(text) + strlen(to) + 1);
    const size_t before = (size_t)(found - text);
    memcpy(out, text, before);
    strcpy(out + before, to);
    strcat(out, found + strlen(from));
    return out;
}

static void bad_files_are_refused_in_one_line(void **state)
{
    (void)state;
    static const edit edits[] = {
        {"lanternroom-calibration/1", "lanternroom-head/1", "calibration.json: format: \"lanternroom-head/1\" where \"lanternroom-calibration/1\" is wanted"},
        {"\"lines_per_rev\": 3600, ", "", "calibration.json: spin: missing key \"lines_per_rev\""},
        {"\"lines_per_rev\": 3600", "\"lines_per_rev\": 0", "calibration.json: spin.lines_per_rev: 0 is not in 1 .. 1000000"},
        {"\"lines_per_rev\": 3600", "\"lines_per_rev\": 1.5", "calibration.json: spin.lines_per_rev: 1.5 is not a whole number"},
        {"\"direction\": \"cw\"", "\"direction\": \"up\"", "calibration.json: spin.direction: \"up\" is not one of: ccw, cw"},
        {"\"name\": \"front\"", "\"name\": \"../x\"", "calibration.json: modules[0]: \"../x\" cannot name a file: use 1 to 63 letters, digits, _ and -"},
        {"\"name\": \"front\"", "\"name\": \"truth\"", "calibration.json: modules[0].name: \"truth\" is taken"},
        {"\"name\": \"back\"", "\"name\": \"front\"", "calibration.json: modules[1].name: \"front\" is taken"},
        {"\"name\": \"upper\"", "\"name\": \"lines\"", "calibration.json: modules[0].cameras[0].name: \"lines\" is taken by lines.npy"},
        {"\"name\": \"lower\"", "\"name\": \"upper\"", "calibration.json: modules[0].cameras[1].name: \"upper\" is taken"},
        {"\"name\": \"fan\"", "\"name\": \"upper\"", "calibration.json: modules[0].lasers[0].name: \"upper\" is taken"},
        {"\"pixels\": 64", "\"pixels\": 65", "calibration.json: modules[0].cameras[0].image_height: \"image_height\" contradicts the other keys, from which 65 follows"},
        {"\"pixels\": 64", "\"pixels\": 70000", "calibration.json: modules[0].cameras[0].pixels: 70000 is not in 1 .. 65536"},
        {"\"image_width\": 1", "\"image_width\": 2", "calibration.json: modules[0].cameras[0].image_width: \"image_width\" contradicts the other keys, from which 1 follows"},
        {"\"model\": \"kannala_brandt4\"", "\"model\": \"plumb_bob\"", "calibration.json: modules[0].cameras[0].model: \"model\" is not \"kannala_brandt4\""},
        {"\"dt\": \"d\"", "\"dt\": \"f\"", "calibration.json: modules[0].cameras[0].K.dt: \"dt\" is not \"d\""},
        {"\"pitch_m\": 3.5e-06", "\"pitch_m\": -1", "calibration.json: modules[0].cameras[0].pitch_m: -1 is not above 0"},
        {"\"bits\": 12", "\"bits\": 40", "calibration.json: modules[0].cameras[0].bits: 40 is not in 8 .. 16"},
        {"\"child\": \"front\"", "\"child\": \"back\"", "calibration.json: modules[0].pose.child: \"child\" is not \"front\""},
        {"\"parent\": \"head\", ", "", "calibration.json: modules[0].pose: \"parent\" is not \"head\""},
        {"\"transforms\": [", "\"transforms\": [0, ", "calibration.json: transforms: not a list of the 6 transforms of modules and cameras"},
        {"\"q_xyzw\": [0, 0, 0, 1]", "\"q_xyzw\": [0, 0, 0, 1.1]", "calibration.json: modules[0].lasers[0].pose.q_xyzw: 1.1 is not of unit length"},
        {"\"weight\": [0.1, ", "\"weight\": [", "calibration.json: modules[0].lasers[0].dots.weight: list of 2 numbers where alpha_rad has 3"},
        {"\"weight\": [0.1, ", "\"weight\": [-1, ", "calibration.json: modules[0].lasers[0].dots.weight: -1 is not 0 or more"},
        {"\"alpha_rad\": [-0.333", "\"alpha_rad\": [0.333", "calibration.json: modules[0].lasers[0].dots.alpha_rad: 0 is below the one before it"},
        {"\"alpha_rad\": [-0.333", "\"alpha_rad\": [\"a\", -0.333", "calibration.json: modules[0].lasers[0].dots.alpha_rad[0]: not a number"},
        {"\"size_rad\": 0.0012", "\"size_rad\": 0", "calibration.json: modules[0].lasers[0].dots.size_rad: 0 is not above 0"},
        {"\"mode\": \"sheet\"", "\"mode\": 3", "calibration.json: modules[0].lasers[0].mode: 3 is not one of: sheet, flood, off"},
        {"\"projection\": \"equidistant\"", "\"projection\": \"stereographic\"", "calibration.json: modules[0].cameras[0].model: \"model\" is not \"stereographic\""},
        {"\"modules\": [", "\"modules\": [7, ", "calibration.json: modules[0]: 7 is not an object"},
    };
    lr_calibration c = fixture_calibration(64), out;
    size_t length;
    char *text = written(&c, &length);
    for (size_t i = 0; i < sizeof edits/sizeof *edits; i++) {
        char *bad = edited(text, edits[i].from, edits[i].to);
        lr_error err = {""};
        const lr_status status = read_back(bad, strlen(bad), &out, &err);
        assert_true(status == LR_ERR_RANGE || status == LR_ERR_PARSE);
        assert_string_equal(err.text, edits[i].message);
        assert_int_equal(out.module_count, 0);
        assert_null(out.module);
        free(bad);
    }
    free(text);
    lr_calibration_free(&c);
}

// Cut anywhere, or with any byte changed, the file is refused or is a calibration that stands its own check.
static void no_damage_gets_through(void **state)
{
    (void)state;
    lr_calibration c = fixture_calibration(64), out;
    size_t length;
    char *text = written(&c, &length);
    int refused = 0, tried = 0;
    for (size_t cut = 0; cut + 2 < length; cut += 7) {
        assert_int_not_equal(read_back(text, cut, &out, NULL), LR_OK);
        assert_null(out.module);
    }
    for (size_t i = 0; i < length; i += 3) {
        static const char put[] = "0-\"x]{}, e";
        const char kept = text[i];
        text[i] = put[i % (sizeof put - 1)];
        lr_error err = {""};
        const lr_status status = read_back(text, length, &out, &err);
        text[i] = kept;
        tried++;
        if (status == LR_OK) {
            assert_int_equal(lr_calibration_check(&out, NULL), LR_OK);
            lr_calibration_free(&out);
        } else {
            refused++;
            assert_true(err.text[0] != '\0' && !strchr(err.text, '\n'));
        }
    }
    assert_true(refused > tried/2);
    free(text);
    lr_calibration_free(&c);
}

static void memory_is_checked_before_writing(void **state)
{
    (void)state;
    lr_calibration c = fixture_calibration(64);
    lr_text text = {0};
    lr_error err = {""};
    c.module[1].camera[0].exposure_s = (double)NAN;
    assert_int_equal(lr_calibration_write(&c, &text, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "modules[1].cameras[0].exposure_s: nan is not above 0");
    assert_null(text.data);
    c.module[1].camera[0].exposure_s = 1e-4;
    c.module[0].camera[0].lens.f_number = 0;
    assert_int_equal(lr_calibration_write(&c, &text, &err), LR_ERR_RANGE);
    assert_true(strncmp(err.text, "modules[0].cameras[0]: ", 23) == 0);
    lr_calibration_free(&c);

    lr_calibration zero = {0};
    assert_int_equal(lr_calibration_check(&zero, &err), LR_ERR_RANGE);
    lr_calibration_free(&zero);
    lr_calibration_free(NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_number_comes_back),
        cmocka_unit_test(quaternions_turn_as_matrices),
        cmocka_unit_test(vision_libraries_see_the_same_camera),
        cmocka_unit_test(optical_rotation_is_the_known_one),
        cmocka_unit_test(pixel_zero_looks_up),
        cmocka_unit_test(bad_files_are_refused_in_one_line),
        cmocka_unit_test(no_damage_gets_through),
        cmocka_unit_test(memory_is_checked_before_writing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
