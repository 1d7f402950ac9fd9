// SPDX-License-Identifier: Apache-2.0
#include "head/head.h"

#include <string.h>

#include "close.h"
#include "optics/spectrum.h"

#define REL_FORMULA 1e-12   // doubles, a dozen operations

static lr_status read_head(const char *text, lr_head **out, lr_error *err)
{
    lr_json *json = NULL;
    *out = NULL;
    lr_status s = lr_json_parse("head.json", text, strlen(text), &json, err);
    if (s == LR_OK)
        s = lr_head_from_json(json, "some/folder", out, err);
    lr_json_free(json);
    return s;
}

static lr_head *head_of(const char *text)
{
    lr_head *head = NULL;
    lr_error err = {""};
    if (read_head(text, &head, &err) != LR_OK)
        print_error("%s\n", err.text);
    assert_non_null(head);
    return head;
}

#define HEAD(rest) "{\"format\": \"lanternroom-head/1\", " rest "}"
#define MODULE(rest) HEAD("\"modules\": [{" rest "}]")
#define CAMERA(rest) MODULE("\"cameras\": [{" rest "}]")
#define LASER(rest) MODULE("\"cameras\": [{}], \"lasers\": [{" rest "}]")

static void a_short_file_makes_a_sensible_head(void **state)
{
    (void)state;
    lr_head *h = head_of(MODULE("\"cameras\": [{\"height_mm\": 45}, {\"height_mm\": -45}], \"lasers\": [{}]"));
    assert_int_equal(h->module_count, 1);
    assert_string_equal(h->module->name, "module0");
    assert_int_equal(h->module->camera_count, 2);
    assert_string_equal(h->module->camera[1].name, "camera1");
    assert_string_equal(h->module->laser[0].name, "laser0");
    assert_near(h->module->camera[1].placement.height_m, -0.045, 1e-16);
    assert_int_equal(h->module->camera[0].filter.present, 0);
    assert_int_equal(h->spin.lines_per_rev, 3600);
    assert_int_equal(lr_head_line_count(h), 3600);
    assert_true(isnan(h->require.range_m[0]) && isnan(h->require.range_noise_m) && isnan(h->require.lux));
    assert_near(h->link_byte_per_s, 0, 0);
    assert_string_equal(h->folder, "some/folder");
    assert_int_equal(lr_head_check(h, NULL), LR_OK);
    lr_head_destroy(h);
}

static void keys_become_si(void **state)
{
    (void)state;
    lr_head *h = head_of(HEAD(
        "\"name\": \"n\", \"spin\": {\"rev_per_s\": 4, \"lines_per_rev\": 1000, \"revolutions\": 2.5, \"direction\": \"cw\", "
        "\"encoder_counts_per_rev\": 14400, \"encoder_jitter_deg\": 0.002, \"axis_error_deg\": [0.1, -0.2]}, "
        "\"link\": {\"mbyte_per_s\": 80}, \"require\": {\"range_m\": [0.5, 8], \"range_noise_mm_at_m\": [3, 5], \"lux\": 500, \"rev_per_s\": 2}, "
        "\"modules\": [{\"name\": \"front\", \"azimuth_deg\": 10, \"radius_mm\": 30, \"height_mm\": 5, \"pitch_deg\": -7, "
        "\"error\": {\"offset_mm\": [1, 2, 3], \"rotate_deg\": [0.1, 0.2, 0.3]}, "
        "\"cameras\": [{\"name\": \"upper\", \"height_mm\": 45, \"forward_mm\": 1, \"side_mm\": 2, \"pitch_deg\": 3, "
        "\"error\": {\"offset_mm\": [0.1, 0, 0]}, "
        "\"lens\": {\"projection\": \"polynomial\", \"focal_mm\": 3.4, \"f_number\": 2.8, \"transmission\": 0.8, \"coefficients\": [0.01, 0, 0, 0], "
        "\"vignetting\": {\"theta_deg\": [0, 60], \"value\": [1, 0.4]}, \"focus_m\": 3, \"blur_px\": 0.6, \"veiling_share\": 0.01}, "
        "\"filter\": {\"center_nm\": 852, \"width_nm\": 30}, "
        "\"sensor\": {\"pixels\": 512, \"pitch_um\": 7, \"width_um\": 20, \"quantum_efficiency\": {\"nm\": [400, 900], \"value\": [0.6, 0.2]}, "
        "\"bits\": 10, \"offset_dn\": 16, \"line_offset_e\": 2, \"defect_share\": 0.001}, \"exposure_us\": 200}], "
        "\"lasers\": [{\"mode\": \"flood\", \"wavelength_nm\": 905, \"line_width_nm\": 3, \"power_mw\": 150, \"fan_deg\": 70, \"flood_deg\": 50, "
        "\"thickness_mm\": 1.5, \"divergence_mrad\": 0.8, \"efficiency\": 0.25, \"dots\": {\"count\": 100, \"seed\": \"18446744073709551615\", "
        "\"size_mrad\": 2, \"zero_order\": 0.03, \"background\": 0.2}}]}]"));
    assert_near(h->spin.rev_per_s, 4, 0);
    assert_int_equal(h->spin.clockwise, 1);
    assert_int_equal(lr_head_line_count(h), 2500);
    assert_rel(h->spin.encoder_jitter_rad, 0.002*LR_DEG, REL_FORMULA);
    assert_rel(h->spin.axis_error_rad[1], -0.2*LR_DEG, REL_FORMULA);
    assert_rel(h->link_byte_per_s, 80e6, REL_FORMULA);
    assert_rel(h->require.range_noise_m, 3e-3, REL_FORMULA);
    assert_near(h->require.range_noise_at_m, 5, 0);
    const lr_module_def *m = h->module;
    assert_rel(m->error_offset_m[2], 3e-3, REL_FORMULA);
    assert_rel(m->error_rotate_rad[0], 0.1*LR_DEG, REL_FORMULA);
    const lr_camera_def *c = m->camera;
    assert_rel(c->placement.side_m, 2e-3, REL_FORMULA);
    assert_rel(c->placement.error_offset_m[0], 1e-4, REL_FORMULA);
    assert_near(c->lens.k[0], 0.01, 0);
    assert_rel(c->lens.vignetting.x[1], 60*LR_DEG, REL_FORMULA);
    assert_near(c->blur_px, 0.6, 0);
    assert_near(c->veiling_share, 0.01, 0);
    assert_int_equal(c->filter.present, 1);
    assert_rel(c->filter.center_m, 852e-9, REL_FORMULA);
    assert_rel(lr_sensor_qe(&c->sensor, 650e-9), 0.4, REL_FORMULA);
    assert_near(lr_sensor_qe(&c->sensor, 1000e-9), 0, 0);
    assert_rel(c->exposure_s, 200e-6, REL_FORMULA);
    const lr_laser_def *l = m->laser;
    assert_int_equal(l->mode, LR_LASER_FLOOD);
    assert_rel(l->wavelength_m, 905e-9, REL_FORMULA);
    assert_rel(l->power_w, 0.15, REL_FORMULA);
    assert_true(l->dots.seed == UINT64_MAX);
    assert_rel(l->dots.size_rad, 2e-3, REL_FORMULA);
    lr_head_destroy(h);
}

static void quantum_efficiency_takes_three_forms(void **state)
{
    (void)state;
    lr_head *h = head_of(MODULE("\"cameras\": [{\"sensor\": {\"quantum_efficiency\": 0.35}}, {\"sensor\": {\"quantum_efficiency\": \"bsi_cmos_9um\"}}]"));
    assert_near(lr_sensor_qe(&h->module->camera[0].sensor, 850e-9), 0.35, 0);
    const double named = lr_sensor_qe(&h->module->camera[1].sensor, 850e-9);
    assert_true(named > 0.1 && named < 0.9);
    lr_head_destroy(h);
}

// ---- Poses ------------------------------------------------------------------------------------------------------

static void assert_vec(lr_vec3 got, double x, double y, double z)
{
    assert_near(got.x, x, 1e-14);
    assert_near(got.y, y, 1e-14);
    assert_near(got.z, z, 1e-14);
}

// A module 30 mm out at azimuth 90 degrees and height 5 mm looks along +y; after a quarter turn of the rotor, along -x.
static void modules_sit_at_their_azimuth_and_turn_with_the_rotor(void **state)
{
    (void)state;
    lr_head *h = head_of(HEAD("\"modules\": [{\"azimuth_deg\": 90, \"radius_mm\": 30, \"height_mm\": 5, \"cameras\": [{}]}]"));
    lr_pose p = lr_head_module_pose(h, 0, 0, 0);
    assert_vec(p.origin, 0, 0.03, 0.005);
    assert_vec(p.rotation.x, 0, 1, 0);
    assert_vec(p.rotation.y, -1, 0, 0);
    assert_vec(p.rotation.z, 0, 0, 1);
    p = lr_head_module_pose(h, 0, 90*LR_DEG, 0);
    assert_vec(p.origin, -0.03, 0, 0.005);
    assert_vec(p.rotation.x, -1, 0, 0);
    lr_head_destroy(h);
}

static void pitch_looks_up_at_every_azimuth(void **state)
{
    (void)state;
    lr_head *h = head_of(HEAD("\"modules\": [{\"azimuth_deg\": 180, \"pitch_deg\": 30, \"cameras\": [{}]}]"));
    const lr_pose p = lr_head_module_pose(h, 0, 0, 0);
    assert_vec(p.rotation.x, -cos(30*LR_DEG), 0, 0.5);
    assert_vec(p.rotation.y, 0, -1, 0);
    assert_vec(p.rotation.z, 0.5, 0, cos(30*LR_DEG));
    lr_head_destroy(h);
}

// Line k is at azimuth 360 k/n; clockwise the same with the other sign; time k T.
static void lines_turn_either_way(void **state)
{
    (void)state;
    lr_spin s = {.rev_per_s = 2, .lines_per_rev = 3600, .revolutions = 1};
    assert_rel(lr_spin_line_time(&s, 900), 900.0/7200, REL_FORMULA);
    assert_rel(lr_spin_angle(&s, lr_spin_line_time(&s, 900)), 90*LR_DEG, REL_FORMULA);
    s.clockwise = 1;
    assert_rel(lr_spin_angle(&s, lr_spin_line_time(&s, 900)), -90*LR_DEG, REL_FORMULA);
}

// The tilt stays with the head while the rotor turns: a spin axis tilted by a about x points to (0, -sin a, cos a).
static void as_built_the_spin_axis_tilts(void **state)
{
    (void)state;
    lr_head *h = head_of(HEAD("\"spin\": {\"axis_error_deg\": [2, 0]}, \"modules\": [{\"radius_mm\": 30, \"cameras\": [{}]}]"));
    for (double turn = 0; turn < 6; turn += 1.1) {
        const lr_pose built = lr_head_module_pose(h, 0, turn, 1), nominal = lr_head_module_pose(h, 0, turn, 0);
        assert_vec(built.rotation.z, 0, -sin(2*LR_DEG), cos(2*LR_DEG));
        assert_vec(nominal.rotation.z, 0, 0, 1);
    }
    // At rotor angle 90 degrees the module sits on +y, which the tilt lifts.
    assert_vec(lr_head_module_pose(h, 0, 90*LR_DEG, 1).origin, 0, 0.03*cos(2*LR_DEG), 0.03*sin(2*LR_DEG));
    lr_head_destroy(h);
}

static void as_built_the_module_carries_its_error(void **state)
{
    (void)state;
    lr_head *h = head_of(HEAD("\"modules\": [{\"azimuth_deg\": 90, \"radius_mm\": 30, \"error\": {\"offset_mm\": [1, 2, 3], \"rotate_deg\": [0, 0, 10]}, \"cameras\": [{}]}]"));
    const lr_pose p = lr_head_module_pose(h, 0, 0, 1);  // module x is head +y, module y is head -x
    assert_vec(p.origin, -0.002, 0.031, 0.003);
    assert_vec(p.rotation.x, -sin(10*LR_DEG), cos(10*LR_DEG), 0);
    assert_vec(lr_head_module_pose(h, 0, 0, 0).origin, 0, 0.03, 0);
    lr_head_destroy(h);
}

// ---- Bins -------------------------------------------------------------------------------------------------------

#define NARROW "{\"filter\": {\"center_nm\": 850, \"width_nm\": 30, \"order\": 1, \"index\": 2, \"angle_factor\": 0.3}}"

// A Gaussian band falls to 1e-3 of its peak at 15 nm sqrt(ln 1000/ln 2) = 47.353 nm from its middle (order 1), and at the
// line's end (60.4 degrees, 18.1 at the filter) the middle has moved to 850 sqrt(1 - (sin 18.11/2)^2) = 839.66 nm.
static void narrow_filters_make_one_bin(void **state)
{
    (void)state;
    lr_head *h = head_of(MODULE("\"cameras\": [" NARROW "], \"lasers\": [{\"wavelength_nm\": 850}, {\"wavelength_nm\": 850}, {\"wavelength_nm\": 845}]"));
    lr_bins bins;
    assert_int_equal(lr_head_bins(h, &bins, NULL), LR_OK);
    assert_int_equal(bins.ambient_count, 1);
    assert_int_equal(bins.line_count, 2);
    const double half = 15e-9*sqrt(log(1000)/log(2)), edge_rad = 1024*3.5e-6/3.4e-3;
    assert_rel(bins.edge_m[1], 850e-9 + half, REL_FORMULA);
    assert_rel(bins.edge_m[0], 850e-9*sqrt(1 - pow(sin(0.3*edge_rad)/2, 2)) - half, REL_FORMULA);
    assert_rel(bins.center_m[0], 0.5*(bins.edge_m[0] + bins.edge_m[1]), REL_FORMULA);
    assert_rel(bins.center_m[2], 845e-9, REL_FORMULA);
    assert_int_equal(lr_bins_of_line(&bins, 850e-9), 1);
    assert_int_equal(lr_bins_of_line(&bins, 845e-9), 2);
    assert_int_equal(lr_bins_of_line(&bins, 905e-9), -1);
    lr_head_destroy(h);
}

static void wide_bands_make_eight_bins(void **state)
{
    (void)state;
    static const char *const heads[] = {
        MODULE("\"cameras\": [{}]"),
        MODULE("\"cameras\": [" NARROW ", {}]"),
        MODULE("\"cameras\": [" NARROW ", {\"filter\": {\"center_nm\": 905, \"width_nm\": 30}}]"),  // together over 120 nm
    };
    for (int i = 0; i < 3; i++) {
        lr_head *h = head_of(heads[i]);
        lr_bins bins;
        assert_int_equal(lr_head_bins(h, &bins, NULL), LR_OK);
        assert_int_equal(bins.ambient_count, 8);
        assert_int_equal(bins.line_count, 0);
        assert_rel(bins.edge_m[0], 350e-9, REL_FORMULA);
        assert_rel(bins.edge_m[8], 1100e-9, REL_FORMULA);
        assert_rel(bins.center_m[0], (350 + 46.875)*1e-9, REL_FORMULA);
        lr_head_destroy(h);
    }
}

// ---- Bad input --------------------------------------------------------------------------------------------------

static void says(const char *text, const char *message)
{
    lr_head *h = NULL;
    lr_error err = {""};
    assert_int_equal(read_head(text, &h, &err), LR_ERR_RANGE);
    assert_null(h);
    assert_string_equal(err.text, message);
}

static void bad_input_is_told_with_place_value_and_rule(void **state)
{
    (void)state;
    says("{\"modules\": [{\"cameras\": [{}]}]}", "head.json: missing key \"format\": \"lanternroom-head/1\" is wanted");
    says("{\"format\": \"lanternroom-head/1\"}", "head.json: missing key \"modules\"");
    says(HEAD("\"modules\": []"), "head.json: modules: list of 0 where at least 1 is wanted");
    says(MODULE("\"name\": \"front\""), "head.json: modules[0]: missing key \"cameras\"");
    says(CAMERA("\"sensor\": {\"pixels\": 0}"), "head.json: modules[0].cameras[0].sensor.pixels: 0 is not in [1, 65536]");
    says(CAMERA("\"sensor\": {\"pixels\": 100.5}"), "head.json: modules[0].cameras[0].sensor.pixels: 100.5 is not a whole number");
    says(CAMERA("\"sensor\": {\"offset_dn\": 5000}"),
         "head.json: modules[0].cameras[0].sensor.offset_dn: 5000 is not below the highest value of 12 bits, 4095");
    says(CAMERA("\"sensor\": {\"quantum_efficiency\": 35}"), "head.json: modules[0].cameras[0].sensor.quantum_efficiency: 35 is not in (0, 1]");
    says(CAMERA("\"sensor\": {\"quantum_efficiency\": \"fsi_cmoss\"}"),
         "head.json: modules[0].cameras[0].sensor.quantum_efficiency: \"fsi_cmoss\" is not a built-in curve; did you mean \"fsi_cmos\"");
    says(CAMERA("\"sensor\": {\"quantum_efficiency\": {\"nm\": [400, 300], \"value\": [0.1, 0.2]}}"),
         "head.json: modules[0].cameras[0].sensor.quantum_efficiency.nm: 300 after 400: wavelengths must rise");
    says(CAMERA("\"sensor\": {\"quantum_efficiency\": {\"nm\": [400, 500, 600], \"value\": [0.1, 0.2]}}"),
         "head.json: modules[0].cameras[0].sensor.quantum_efficiency: nm has 3 entries, value has 2");
    says(CAMERA("\"lens\": {\"f_number\": -2}"), "head.json: modules[0].cameras[0].lens.f_number: -2 is not in (0, 100]");
    says(CAMERA("\"lens\": {\"projection\": \"fisheye\"}"),
         "head.json: modules[0].cameras[0].lens.projection: \"fisheye\" is not one of: rectilinear, equidistant, equisolid, stereographic, "
         "orthographic, polynomial, table");
    says(CAMERA("\"lens\": {\"projection\": \"rectilinear\", \"theta_max_deg\": 100}"),
         "head.json: modules[0].cameras[0].lens.projection: the image ends at 90 deg, but 100 deg are needed");
    says(CAMERA("\"exposure_us\": 200"),
         "head.json: modules[0].cameras[0].exposure_us: 200 us is longer than the line period of 138.889 us, 1/(rev_per_s lines_per_rev)");
    says(HEAD("\"spin\": {\"rev_per_s\": 20}, \"modules\": [{\"cameras\": [{}]}]"),
         "head.json: modules[0].cameras[0]: exposure_us: 100 us is longer than the line period of 13.8889 us, 1/(rev_per_s lines_per_rev)");
    says(HEAD("\"spin\": {\"lines_per_rev\": 1000000000}, \"modules\": [{\"cameras\": [{}]}]"),
         "head.json: spin.lines_per_rev: 1000000000 is not in [1, 1000000]");
    says(HEAD("\"spin\": {\"rev_per_s\": 0}, \"modules\": [{\"cameras\": [{}]}]"), "head.json: spin.rev_per_s: 0 is not in (0, 1000]");
    says(HEAD("\"spin\": {\"revolutions\": 1e-5}, \"modules\": [{\"cameras\": [{}]}]"),
         "head.json: spin.revolutions: 1e-05 turns of 3600 lines are less than one line");
    says(HEAD("\"spin\": {\"direction\": \"left\"}, \"modules\": [{\"cameras\": [{}]}]"), "head.json: spin.direction: \"left\" is not one of: ccw, cw");
    says(MODULE("\"cameras\": [{\"name\": \"lines\"}]"),
         "head.json: modules[0].cameras[0].name: \"lines\" is a name that scans use for something else");
    says(MODULE("\"name\": \"../up\", \"cameras\": [{}]"),
         "head.json: modules[0].name: \"../up\" is not made of letters, digits, _ and -: it becomes a file name");
    says(MODULE("\"cameras\": [{\"name\": \"a\"}, {\"name\": \"a\"}]"), "head.json: modules[0].cameras[1]: the name \"a\" is taken by cameras[0]");
    says(MODULE("\"cameras\": [{\"name\": \"camera1\"}, {}]"), "head.json: modules[0].cameras[1]: the name \"camera1\" is taken by cameras[0]");
    says(LASER("\"power_mw\": -1"), "head.json: modules[0].lasers[0].power_mw: -1 is not in [0, 1000000]");
    says(LASER("\"wavelength_nm\": 1550"), "head.json: modules[0].lasers[0].wavelength_nm: 1550 is not in [300, 1100]");
    says(LASER("\"mode\": \"line\""), "head.json: modules[0].lasers[0].mode: \"line\" is not one of: sheet, flood, off");
    says(LASER("\"dots\": {\"count\": -3}"), "head.json: modules[0].lasers[0].dots.count: -3 is not in [0, 100000]");
    says(LASER("\"height_mm\": \"high\""), "head.json: modules[0].lasers[0].height_mm: \"high\" is not a number");
    says(MODULE("\"cameras\": [{}], \"lasers\": [{\"wavelength_nm\": 800}, {\"wavelength_nm\": 810}, {\"wavelength_nm\": 820}, {\"wavelength_nm\": 830}, {\"wavelength_nm\": 840}]"),
         "head.json: modules[0].lasers[4].wavelength_nm: 840 is one more than the 4 different wavelengths a head may have");
    says(HEAD("\"require\": {\"range_m\": [8, 1]}, \"modules\": [{\"cameras\": [{}]}]"), "head.json: require.range_m: 8 to 1 does not rise");
}

static void unknown_keys_are_told_with_the_nearest_name(void **state)
{
    (void)state;
    lr_head *h = NULL;
    lr_error err = {""};
    assert_int_equal(read_head(CAMERA("\"lens\": {\"focal_m\": 3.4}"), &h, &err), LR_ERR_RANGE);
    assert_non_null(strstr(err.text, "head.json: modules[0].cameras[0].lens"));
    assert_non_null(strstr(err.text, "focal_mm"));
}

static void two_shares_of_power_may_not_exceed_it(void **state)
{
    (void)state;
    lr_head *h = NULL;
    lr_error err = {""};
    assert_int_equal(read_head(LASER("\"dots\": {\"zero_order\": 0.6, \"background\": 0.6}"), &h, &err), LR_ERR_RANGE);
    assert_non_null(strstr(err.text, "head.json: modules[0].lasers[0].dots"));
}

static void numbers_must_be_finite(void **state)
{
    (void)state;
    lr_head *h = NULL;
    lr_error err = {""};
    assert_true(lr_status_is_input(read_head(CAMERA("\"exposure_us\": 1e999"), &h, &err)));
    assert_true(lr_status_is_input(read_head(CAMERA("\"exposure_us\": NaN"), &h, &err)));
    assert_null(h);
}

// A head made in code is held to the same rules.
static void a_head_in_code_is_checked(void **state)
{
    (void)state;
    lr_camera_def camera = lr_camera_def_default();
    lr_module_def module = {.name = "m", .camera_count = 1, .camera = &camera};
    lr_head h = {.spin = lr_spin_default(), .module_count = 1, .module = &module};
    lr_error err = {""};
    assert_int_equal(lr_head_check(&h, &err), LR_OK);
    camera.sensor.bits = 20;
    assert_int_equal(lr_head_check(&h, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "modules[0]: sensor.bits: 20 is not in [8, 16]");
    camera.sensor.bits = 12;
    h.spin.rev_per_s = (double)NAN;
    assert_int_equal(lr_head_check(&h, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "spin.rev_per_s: nan is not in (0, 1000]");
}

static void the_schema_names_every_built_in_curve(void **state)
{
    (void)state;
    lr_text schema = {0};
    lr_head_schema(&schema);
    assert_int_equal(schema.failed, 0);
    lr_json *json = NULL;
    assert_int_equal(lr_json_parse("schema", schema.data, schema.length, &json, NULL), LR_OK);
    for (int i = 0; lr_qe_names[i]; i++) {
        char quoted[64];
        snprintf(quoted, sizeof quoted, "\"%s\"", lr_qe_names[i]);
        assert_non_null(strstr(schema.data, quoted));
    }
    assert_non_null(strstr(schema.data, "\"exposure_us\""));
    lr_json_free(json);
    lr_text_free(&schema);
}

static void a_missing_file_is_the_users_fault(void **state)
{
    (void)state;
    lr_head *h = NULL;
    lr_error err = {""};
    assert_int_equal(lr_head_load("scenes/heads/there_is_none.json", &h, &err), LR_ERR_MISSING);
    assert_null(h);
    lr_head_destroy(NULL);
}

static void the_heads_that_come_with_it_load(void **state)
{
    (void)state;
    static const char *const names[] = {"wide120", "trio", "pocket"};
    for (int i = 0; i < 3; i++) {
        char path[128];
        snprintf(path, sizeof path, "scenes/heads/%s.json", names[i]);
        lr_head *h = NULL;
        lr_error err = {""};
        if (lr_head_load(path, &h, &err) != LR_OK)
            print_error("%s\n", err.text);
        assert_non_null(h);
        assert_string_equal(h->name, names[i]);
        assert_string_equal(h->folder, "scenes/heads");
        for (int m = 0; m < h->module_count; m++)
            for (int l = 0; l < h->module[m].laser_count; l++) {
                lr_dots *dots = NULL;
                assert_int_equal(lr_laser_pattern(&h->module[m].laser[l], h->folder, &dots, &err), LR_OK);
                lr_dots_destroy(dots);
            }
        lr_head_destroy(h);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_short_file_makes_a_sensible_head),
        cmocka_unit_test(keys_become_si),
        cmocka_unit_test(quantum_efficiency_takes_three_forms),
        cmocka_unit_test(modules_sit_at_their_azimuth_and_turn_with_the_rotor),
        cmocka_unit_test(pitch_looks_up_at_every_azimuth),
        cmocka_unit_test(lines_turn_either_way),
        cmocka_unit_test(as_built_the_spin_axis_tilts),
        cmocka_unit_test(as_built_the_module_carries_its_error),
        cmocka_unit_test(narrow_filters_make_one_bin),
        cmocka_unit_test(wide_bands_make_eight_bins),
        cmocka_unit_test(bad_input_is_told_with_place_value_and_rule),
        cmocka_unit_test(unknown_keys_are_told_with_the_nearest_name),
        cmocka_unit_test(two_shares_of_power_may_not_exceed_it),
        cmocka_unit_test(numbers_must_be_finite),
        cmocka_unit_test(a_head_in_code_is_checked),
        cmocka_unit_test(the_schema_names_every_built_in_curve),
        cmocka_unit_test(a_missing_file_is_the_users_fault),
        cmocka_unit_test(the_heads_that_come_with_it_load),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
