// SPDX-License-Identifier: Apache-2.0
#include "core/fields.h"

#include <string.h>

#include "close.h"

// A record with one field of every kind.
typedef struct lens { double f_number, focal_m; } lens;
typedef struct camera { char name[8]; lens lens; int pixels; } camera;
typedef struct thing {
    int shape;
    double size_m[3], radius_m, number, open_share;
    int has_number, whole, flag, color, camera_count, custom;
    uint64_t seed;
    camera *cameras;
    lr_table table, kept;
    lens spare;
    int *extra;
} thing;

static void lens_defaults(void *record)
{
    *(lens *)record = (lens){.f_number = 2.0, .focal_m = 0.0034};
}
static const lr_field lens_fields[] = {
    {.key = "f_number", .kind = LR_FIELD_NUMBER, .offset = offsetof(lens, f_number), .flags = LR_FIELD_ABOVE, .about = "focal length / pupil"},
    {.key = "focal_mm", .kind = LR_FIELD_NUMBER, .offset = offsetof(lens, focal_m), .scale = 1e-3, .lo = 0.1, .hi = 1000},
    {.kind = LR_FIELD_END},
};
static const lr_field_set lens_set = {.name = "lens", .size = sizeof(lens), .defaults = lens_defaults, .fields = lens_fields};

static const lr_field camera_fields[] = {
    {.key = "name", .kind = LR_FIELD_TEXT, .offset = offsetof(camera, name), .count = 8},
    {.key = "lens", .kind = LR_FIELD_OBJECT, .offset = offsetof(camera, lens), .set = &lens_set},
    {.key = "pixels", .kind = LR_FIELD_INTEGER, .offset = offsetof(camera, pixels), .lo = 1, .hi = 65536, .flags = LR_FIELD_REQUIRED},
    {.kind = LR_FIELD_END},
};
static void camera_defaults(void *record) { ((camera *)record)->lens.f_number = 4.0; }
static const lr_field_set camera_set = {.name = "camera", .size = sizeof(camera), .defaults = camera_defaults, .fields = camera_fields};

static const char *const colors[] = {"a", "b", "c", NULL};

static lr_status read_custom(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    if (lr_node_kind(node) != LR_JSON_NUMBER)
        return lr_json_fault(json, node, err, "custom wants a number");
    ((thing *)record)->custom = (int)lr_node_number(node) + *(int *)context;
    return LR_OK;
}

static const lr_field box_fields[] = {
    {.key = "size_m", .kind = LR_FIELD_VECTOR, .offset = offsetof(thing, size_m), .count = 3, .lo = 0, .hi = (double)INFINITY, .flags = LR_FIELD_ABOVE | LR_FIELD_REQUIRED},
    {.kind = LR_FIELD_END},
};
static const lr_field sphere_fields[] = {
    {.key = "radius_cm", .kind = LR_FIELD_NUMBER, .offset = offsetof(thing, radius_m), .scale = 0.01, .flags = LR_FIELD_ABOVE | LR_FIELD_REQUIRED},
    {.key = "spare", .kind = LR_FIELD_OBJECT, .offset = offsetof(thing, spare), .set = &lens_set},
    {.kind = LR_FIELD_END},
};
static const lr_variant shapes[] = {{"box", box_fields, "six faces"}, {"sphere", sphere_fields, NULL}, {"nothing", NULL, NULL}, {NULL, NULL, NULL}};

static const lr_field thing_fields[] = {
    {.key = "number", .kind = LR_FIELD_NUMBER, .offset = offsetof(thing, number), .present_offset = offsetof(thing, has_number)},
    {.key = "open_share", .kind = LR_FIELD_NUMBER, .offset = offsetof(thing, open_share), .lo = 0, .hi = 1, .flags = LR_FIELD_BELOW},
    {.key = "whole", .kind = LR_FIELD_INTEGER, .offset = offsetof(thing, whole)},
    {.key = "flag", .kind = LR_FIELD_BOOL, .offset = offsetof(thing, flag), .about = "yes or no"},
    {.key = "color", .kind = LR_FIELD_CHOICE, .offset = offsetof(thing, color), .choices = colors},
    {.key = "seed", .kind = LR_FIELD_SEED, .offset = offsetof(thing, seed)},
    {.key = "table", .kind = LR_FIELD_TABLE, .offset = offsetof(thing, table), .x_key = "wavelength_nm", .y_key = "share", .scale = 1e-9, .y_scale = 2, .lo = 0, .hi = 1},
    {.key = "kept", .kind = LR_FIELD_TABLE, .offset = offsetof(thing, kept), .x_key = "x", .y_key = "y"},
    {.key = "cameras", .kind = LR_FIELD_LIST, .offset = offsetof(thing, cameras), .count_offset = offsetof(thing, camera_count), .set = &camera_set, .count = 3, .count_min = 1},
    {.key = "custom", .kind = LR_FIELD_CUSTOM, .read = read_custom, .schema = "{\"type\": \"number\"}", .about = "read by hand"},
    {.kind = LR_FIELD_END},
};

static void thing_defaults(void *record)
{
    thing *t = record;
    t->whole = 5;
    t->color = 1;
    (void)lr_table_constant(0.25, &t->kept, NULL);
    t->kept.outside_zero = 1;
    t->extra = malloc(sizeof *t->extra);
}
static lr_status thing_check(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    return ((thing *)record)->whole == 13 ? lr_json_fault(json, node, err, "unlucky") : LR_OK;
}
static void thing_destroy(void *record) { free(((thing *)record)->extra); }

static const lr_field_set thing_set = {
    .name = "thing", .size = sizeof(thing), .defaults = thing_defaults, .fields = thing_fields, .variant_key = "shape",
    .variant_offset = offsetof(thing, shape), .variants = shapes, .variant_default = -1, .format = "lanternroom-thing/1",
    .check = thing_check, .destroy = thing_destroy,
};

static lr_status read_thing(const char *text, thing *out, lr_error *err)
{
    lr_json *json = NULL;
    int hundred = 100;
    lr_status status = lr_json_parse("t.json", text, strlen(text), &json, err);
    if (status == LR_OK)
        status = lr_fields_read(json, lr_json_root(json), &thing_set, out, &hundred, err);
    lr_json_free(json);
    return status;
}

#define TOP "{\"format\": \"lanternroom-thing/1\", "

static void good_files_fill_the_record(void **state)
{
    (void)state;
    thing t;
    lr_error err = {0};
    const char *text = TOP "\"$schema\": \"x\", \"comment\": \"hello\", \"shape\": \"sphere\", \"radius_cm\": 20, \"number\": -1e300, \"whole\": -7,"
        "\"flag\": true, \"color\": \"c\", \"seed\": \"18446744073709551615\", \"table\": {\"wavelength_nm\": [400, 500], \"share\": [0, 1]},"
        "\"kept\": {\"x\": [1, 2], \"y\": [3, 4], \"comment\": \"c\"}, \"custom\": 3, \"spare\": {\"focal_mm\": 8},"
        "\"cameras\": [{\"name\": \"upper12\", \"pixels\": 2048, \"lens\": {\"focal_mm\": 5}}, {\"pixels\": 1, \"comment\": \"\"}]}";
    if (read_thing(text, &t, &err) != LR_OK)
        fail_msg("%s", err.text);
    assert_int_equal(t.shape, 1);
    assert_rel(t.radius_m, 0.2, 1e-15);
    assert_rel(t.number, -1e300, 0);
    assert_int_equal(t.has_number, 1);
    assert_int_equal(t.whole, -7);
    assert_int_equal(t.flag, 1);
    assert_int_equal(t.color, 2);
    assert_true(t.seed == UINT64_MAX);
    assert_rel(lr_table_at(&t.table, 450e-9), 1.0, 1e-12);
    assert_int_equal(t.kept.count, 2);
    assert_int_equal(t.kept.outside_zero, 1);  // kept from the defaults
    assert_int_equal(t.custom, 103);
    assert_rel(t.spare.focal_m, 8e-3, 1e-15);
    assert_rel(t.spare.f_number, 2.0, 0);
    assert_int_equal(t.camera_count, 2);
    assert_string_equal(t.cameras[0].name, "upper12");
    assert_rel(t.cameras[0].lens.focal_m, 5e-3, 1e-15);
    assert_rel(t.cameras[0].lens.f_number, 4.0, 0);   // the camera's word on its lens
    assert_rel(t.cameras[1].lens.focal_m, 3.4e-3, 0);  // the lens's own
    lr_fields_free(&thing_set, &t);
    assert_null(t.cameras);
    lr_fields_free(&thing_set, &t);  // twice is fine
}

static void absent_keys_keep_defaults(void **state)
{
    (void)state;
    thing t;
    lr_error err = {0};
    if (read_thing(TOP "\"shape\": \"nothing\"}", &t, &err) != LR_OK)
        fail_msg("%s", err.text);
    assert_int_equal(t.whole, 5);
    assert_int_equal(t.color, 1);
    assert_int_equal(t.has_number, 0);
    assert_int_equal(t.camera_count, 0);
    assert_rel(lr_table_at(&t.kept, 9), 0.25, 0);
    lr_fields_free(&thing_set, &t);
}

static void faults_say_path_value_and_rule(void **state)
{
    (void)state;
    static const struct { const char *text, *message; } cases[] = {
        {"[]", "t.json: a list is not an object"},
        {"{\"shape\": \"nothing\"}", "t.json: missing key \"format\": \"lanternroom-thing/1\" is wanted"},
        {"{\"format\": \"lanternroom-head/1\"}", "t.json: format: \"lanternroom-head/1\" where \"lanternroom-thing/1\" is wanted"},
        {"{\"format\": 1}", "t.json: format: 1 where \"lanternroom-thing/1\" is wanted"},
        {TOP "\"whole\": 1}", "t.json: missing key \"shape\""},
        {TOP "\"shape\": \"cyan\"}", "t.json: shape: \"cyan\" is not one of: box, sphere, nothing"},
        {TOP "\"shape\": 2}", "t.json: shape: 2 is not one of: box, sphere, nothing"},
        {TOP "\"shape\": \"box\"}", "t.json: missing key \"size_m\""},
        {TOP "\"shape\": \"box\", \"radius_cm\": 1}", "t.json: radius_cm: \"radius_cm\" does not go with shape \"box\""},
        {TOP "\"shape\": \"box\", \"size_m\": [1, 2]}", "t.json: size_m: list of 2 numbers where 3 are wanted"},
        {TOP "\"shape\": \"box\", \"size_m\": 1}", "t.json: size_m: 1 is not a list of 3 numbers"},
        {TOP "\"shape\": \"box\", \"size_m\": [1, 0, 1]}", "t.json: size_m[1]: 0 is not above 0"},
        {TOP "\"shape\": \"box\", \"size_m\": [1, null, 1]}", "t.json: size_m[1]: null is not a number"},
        {TOP "\"shape\": \"sphere\", \"radius_cm\": -2}", "t.json: radius_cm: -2 is not above 0"},
        {TOP "\"shape\": \"nothing\", \"nubmer\": 1}", "t.json: nubmer: unknown key \"nubmer\"; did you mean \"number\"?"},
        {TOP "\"shape\": \"nothing\", \"Number\": 1}", "t.json: Number: unknown key \"Number\"; did you mean \"number\"?"},
        {TOP "\"shape\": \"nothing\", \"zzzzzz\": 1}", "t.json: zzzzzz: unknown key \"zzzzzz\""},
        {TOP "\"shape\": \"nothing\", \"comment\": 1}", "t.json: comment: this is not a text"},
        {TOP "\"shape\": \"nothing\", \"number\": \"two\"}", "t.json: number: \"two\" is not a number"},
        {TOP "\"shape\": \"nothing\", \"number\": \"0123456789012345678901234567890123456789\xe2\x82\xac\"}",
         "t.json: number: \"0123456789012345678901234567890123456789\"... is not a number"},
        {TOP "\"shape\": \"nothing\", \"open_share\": 1}", "t.json: open_share: 1 is not in [0, 1)"},
        {TOP "\"shape\": \"nothing\", \"open_share\": -0.1}", "t.json: open_share: -0.1 is not in [0, 1)"},
        {TOP "\"shape\": \"nothing\", \"whole\": 3.5}", "t.json: whole: 3.5 is not a whole number"},
        {TOP "\"shape\": \"nothing\", \"whole\": 3e9}", "t.json: whole: 3000000000 is not in [-2147483648, 2147483647]"},
        {TOP "\"shape\": \"nothing\", \"whole\": 13}", "t.json: unlucky"},
        {TOP "\"shape\": \"nothing\", \"flag\": 1}", "t.json: flag: 1 is not true or false"},
        {TOP "\"shape\": \"nothing\", \"color\": \"cyan\"}", "t.json: color: \"cyan\" is not one of: a, b, c"},
        {TOP "\"shape\": \"nothing\", \"seed\": -1}",
         "t.json: seed: -1 is not a seed: a whole number up to 2^53, or up to 2^64 - 1 as digits in quotes"},
        {TOP "\"shape\": \"nothing\", \"seed\": \"18446744073709551616\"}",
         "t.json: seed: \"18446744073709551616\" is not a seed: a whole number up to 2^53, or up to 2^64 - 1 as digits in quotes"},
        {TOP "\"shape\": \"nothing\", \"seed\": 9007199254740994}",
         "t.json: seed: 9007199254740994 is not a seed: a whole number up to 2^53, or up to 2^64 - 1 as digits in quotes"},
        {TOP "\"shape\": \"nothing\", \"table\": 3}", "t.json: table: 3 is not in [0, 1]"},
        {TOP "\"shape\": \"nothing\", \"table\": \"x\"}", "t.json: table: \"x\" is not a number or a table of \"wavelength_nm\" and \"share\""},
        {TOP "\"shape\": \"nothing\", \"table\": {\"wavelength_nm\": [1]}}", "t.json: table: missing key \"share\""},
        {TOP "\"shape\": \"nothing\", \"table\": {\"wavelength_mn\": [1]}}",
         "t.json: table.wavelength_mn: unknown key \"wavelength_mn\"; did you mean \"wavelength_nm\"?"},
        {TOP "\"shape\": \"nothing\", \"table\": {\"wavelength_nm\": [1, 2], \"share\": [1]}}", "t.json: table: wavelength_nm has 2 entries, share has 1"},
        {TOP "\"shape\": \"nothing\", \"table\": {\"wavelength_nm\": [1, 1], \"share\": [1, 1]}}",
         "t.json: table.wavelength_nm[1]: 1 does not rise above the entry before"},
        {TOP "\"shape\": \"nothing\", \"table\": {\"wavelength_nm\": [1, 2], \"share\": [1, 1.5]}}", "t.json: table.share[1]: 1.5 is not in [0, 1]"},
        {TOP "\"shape\": \"nothing\", \"table\": {\"wavelength_nm\": [], \"share\": []}}",
         "t.json: table.wavelength_nm: list of 0 numbers where 1 to 1000000 are wanted"},
        {TOP "\"shape\": \"nothing\", \"cameras\": []}", "t.json: cameras: list of 0 where at least 1 is wanted"},
        {TOP "\"shape\": \"nothing\", \"cameras\": [1, 2, 3, 4]}", "t.json: cameras: list of 4 where at most 3 are allowed"},
        {TOP "\"shape\": \"nothing\", \"cameras\": {}}", "t.json: cameras: an object is not a list"},
        {TOP "\"shape\": \"nothing\", \"cameras\": [{\"pixels\": 4}, 5]}", "t.json: cameras[1]: 5 is not an object"},
        {TOP "\"shape\": \"nothing\", \"cameras\": [{\"pixels\": 4}, {}]}", "t.json: cameras[1]: missing key \"pixels\""},
        {TOP "\"shape\": \"nothing\", \"cameras\": [{\"pixles\": 4}]}", "t.json: cameras[0].pixles: unknown key \"pixles\"; did you mean \"pixels\"?"},
        {TOP "\"shape\": \"nothing\", \"cameras\": [{\"$schema\": \"\"}]}", "t.json: cameras[0].$schema: unknown key \"$schema\""},
        {TOP "\"shape\": \"nothing\", \"cameras\": [{\"pixels\": 4, \"lens\": {\"f_number\": -2}}]}", "t.json: cameras[0].lens.f_number: -2 is not above 0"},
        {TOP "\"shape\": \"nothing\", \"cameras\": [{\"pixels\": 4, \"lens\": {\"focal\": 2}}]}",
         "t.json: cameras[0].lens.focal: unknown key \"focal\"; did you mean \"focal_mm\"?"},
        {TOP "\"shape\": \"nothing\", \"cameras\": [{\"pixels\": 4, \"name\": \"12345678\"}]}", "t.json: cameras[0].name: text of 8 bytes where 7 fit"},
        {TOP "\"shape\": \"nothing\", \"cameras\": [{\"pixels\": 4, \"name\": null}]}", "t.json: cameras[0].name: null is not a text"},
        {TOP "\"shape\": \"nothing\", \"custom\": []}", "t.json: custom: custom wants a number"},
    };
    for (size_t i = 0; i < sizeof cases/sizeof *cases; i++) {
        thing t;
        lr_error err = {0};
        assert_int_equal(read_thing(cases[i].text, &t, &err), LR_ERR_RANGE);
        assert_string_equal(err.text, cases[i].message);
        assert_null(t.cameras);
        assert_null(t.extra);
    }
}

static void a_set_with_a_format_may_stand_inside_another_file(void **state)
{
    (void)state;
    const char *text = "{\"inner\": {\"shape\": \"nothing\"}}";
    lr_json *json;
    lr_error err = {0};
    thing t;
    int zero = 0;
    assert_int_equal(lr_json_parse("t.json", text, strlen(text), &json, &err), LR_OK);
    assert_int_equal(lr_fields_read(json, lr_node_get(lr_json_root(json), "inner"), &thing_set, &t, &zero, &err), LR_OK);
    lr_fields_free(&thing_set, &t);
    lr_json_free(json);
}

static void nearest_words(void **state)
{
    (void)state;
    const char *const known[] = {"pixels", "pitch_um", "width_um", "bits", "f_number", NULL};
    assert_string_equal(lr_nearest_word("pixles", known), "pixels");
    assert_string_equal(lr_nearest_word("pitch_mm", known), "pitch_um");
    assert_string_equal(lr_nearest_word("bit", known), "bits");
    assert_string_equal(lr_nearest_word("fnumber", known), "f_number");
    assert_string_equal(lr_nearest_word("pitch", known), "pitch_um");
    assert_null(lr_nearest_word("colour", known));
    assert_null(lr_nearest_word("", known));
    assert_null(lr_nearest_word("x", known));
    assert_null(lr_nearest_word("0123456789012345678901234567890123456789012345678901234567890123456789", known));
}

// The schema is itself JSON with every key, limit and default. (That a validator agrees with the reader is tested with
// the shipped files.)
static void schema_holds_every_key(void **state)
{
    (void)state;
    lr_text text = {0};
    lr_error err = {0};
    lr_json *json;
    lr_fields_schema(&thing_set, "A thing", "\"more\": {\"type\": \"null\"}", &text);
    assert_int_equal(text.failed, 0);
    if (lr_json_parse("schema", text.data, text.length, &json, &err) != LR_OK)
        fail_msg("%s\n%s", err.text, text.data);
    const lr_node *root = lr_json_root(json), *properties = lr_node_get(root, "properties"), *defs = lr_node_get(root, "$defs");
    for (const lr_field *f = thing_fields; f->kind != LR_FIELD_END; f++)
        assert_non_null(lr_node_get(properties, f->key));
    assert_int_equal(lr_node_count(properties), 10 + 4);  // and $schema, format, shape, comment
    assert_string_equal(lr_node_text(lr_node_get(lr_node_get(properties, "format"), "const")), "lanternroom-thing/1");
    assert_int_equal(lr_node_count(lr_node_get(root, "required")), 2);
    assert_int_equal(lr_node_count(lr_node_get(root, "allOf")), 3);
    assert_int_equal(lr_node_bool(lr_node_get(root, "unevaluatedProperties")), 0);
    assert_rel(lr_node_number(lr_node_get(lr_node_get(properties, "whole"), "default")), 5.0, 0);
    assert_rel(lr_node_number(lr_node_get(lr_node_get(properties, "whole"), "maximum")), 2147483647.0, 0);
    assert_string_equal(lr_node_text(lr_node_get(lr_node_get(properties, "custom"), "description")), "read by hand");
    const lr_node *lens_properties = lr_node_get(lr_node_get(defs, "lens"), "properties");
    assert_rel(lr_node_number(lr_node_get(lr_node_get(lens_properties, "focal_mm"), "default")), 3.4, 0);
    assert_rel(lr_node_number(lr_node_get(lr_node_get(lens_properties, "f_number"), "exclusiveMinimum")), 0.0, 0);
    assert_int_equal(lr_node_count(defs), 3);
    lr_json_free(json);
    lr_text_free(&text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_files_fill_the_record),
        cmocka_unit_test(absent_keys_keep_defaults),
        cmocka_unit_test(faults_say_path_value_and_rule),
        cmocka_unit_test(a_set_with_a_format_may_stand_inside_another_file),
        cmocka_unit_test(nearest_words),
        cmocka_unit_test(schema_holds_every_key),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
