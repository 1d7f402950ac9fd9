// SPDX-License-Identifier: Apache-2.0
// Material files: units, defaults, exact text of every fault, schema.
#include "material_cases.h"
#include "scene/material_json.h"
#include "scene/scene.h"

#define HEAD "{\"format\": \"lanternroom-material/1\", \"source\": \"common value, no source\", "

static lr_status read_text(const char *text, lr_material_def *def, lr_error *err)
{
    lr_json *json = NULL;
    LR_TRY(lr_json_parse("m/thing.json", text, strlen(text), &json, err));
    const lr_status s = lr_material_from_json(json, def, err);
    lr_json_free(json);
    return s;
}

static void values_arrive_in_si(void **state)
{
    (void)state;
    lr_error err = {""};
    lr_material_def def;
    if (read_text(HEAD "\"kind\": \"pane\", \"index\": 1.52, \"absorption_per_m\": {\"nm\": [600, 900], \"value\": [10, 40]}, \"thickness_mm\": 6}", &def, &err) != LR_OK)
        fail_msg("%s", err.text);
    assert_string_equal(def.name, "thing");
    assert_int_equal(def.kind, LR_MATERIAL_PANE);
    assert_rel(def.thickness_m, 6e-3, 1e-12);
    assert_rel(lr_table_at(&def.absorption_per_m, 700e-9), 20.0, 1e-9);
    assert_rel(lr_table_at(&def.index_n, 850e-9), 1.52, 1e-12);
    lr_material_def_free(&def);
    if (read_text(HEAD "\"name\": \"tape\", \"kind\": \"retroreflector\", \"reflectance\": 0.6, \"retro_share\": 0.7, \"retro_width_deg\": 0.4,"
                  "\"texture\": {\"file\": \"t.png\", \"size_m\": [2, 3]}}", &def, &err) != LR_OK)
        fail_msg("%s", err.text);
    assert_string_equal(def.name, "tape");
    assert_string_equal(def.texture_file, "t.png");
    assert_near(def.texture_size_m[1], 3.0, 0.0);
    assert_rel(def.retro_width_rad, 0.4*LR_DEG, 1e-12);
    lr_material_def_free(&def);
}

static void inside_a_scene_little_is_needed(void **state)
{
    (void)state;
    const char *text = "{\"reflectance\": 0.3}";
    lr_json *json = NULL;
    lr_error err = {""};
    lr_material_def def;
    assert_int_equal(lr_json_parse("scene.json", text, strlen(text), &json, &err), LR_OK);
    assert_int_equal(lr_fields_read(json, lr_json_root(json), lr_material_fields(), &def, NULL, &err), LR_OK);
    assert_int_equal(def.kind, LR_MATERIAL_DIFFUSE);
    assert_near(lr_table_at(&def.reflectance, 1e-6), 0.3, 0.0);
    lr_fields_free(lr_material_fields(), &def);
    lr_json_free(json);
}

static void faults_are_told_in_one_line(void **state)
{
    (void)state;
    static const struct { const char *text, *message; } fault[] = {
        {HEAD "\"kind\": \"difuse\"}", "m/thing.json: kind: \"difuse\" is not one of: diffuse, rough_diffuse, metal, coated, pane, glass, mirror, retroreflector"},
        {HEAD "\"kind\": \"diffuse\", \"reflectence\": 0.5}", "m/thing.json: reflectence: unknown key \"reflectence\"; did you mean \"reflectance\"?"},
        {HEAD "\"kind\": \"diffuse\", \"reflectance\": 1.5}", "m/thing.json: reflectance: 1.5 is not in [0, 1]"},
        {HEAD "\"kind\": \"coated\", \"reflectance\": 0.02}", "m/thing.json: reflectance: 0.02 is below the 0.04 that a coat of index 1.5 mirrors alone"},
        {HEAD "\"kind\": \"coated\", \"index\": 0.9}", "m/thing.json: index: 0.9 is outside 1 .. 3"},
        {HEAD "\"kind\": \"metal\", \"index\": 2, \"index_k\": 3, \"roughness\": 0.0001}", "m/thing.json: roughness: 0.0001 is neither 0 nor in 0.001 .. 1"},
        {HEAD "\"kind\": \"metal\", \"index\": 2, \"index_k\": 3, \"roughness\": 0.9, \"anisotropy\": 0.5}", "m/thing.json: anisotropy: 0.5 makes the larger roughness exceed 1"},
        {HEAD "\"kind\": \"pane\", \"texture\": {\"file\": \"a.png\"}}", "m/thing.json: texture: \"texture\" does not go with kind \"pane\""},
    };
    for (size_t i = 0; i < sizeof fault/sizeof fault[0]; i++) {
        lr_material_def def;
        lr_error err = {""};
        assert_int_equal(read_text(fault[i].text, &def, &err), LR_ERR_RANGE);
        assert_string_equal(err.text, fault[i].message);
    }
    lr_material_def def;
    lr_error err = {""};
    assert_int_not_equal(read_text("{\"format\": \"lanternroom-material/1\", \"kind\": \"diffuse\"}", &def, &err), LR_OK);
    assert_non_null(strstr(err.text, "source"));
    assert_int_not_equal(read_text(HEAD "\"kind\": \"metal\", \"index\": 2}", &def, &err), LR_OK);
    assert_non_null(strstr(err.text, "index_k"));
    assert_int_equal(lr_material_load("materials/no_such_thing.json", &def, &err), LR_ERR_MISSING);
}

static void schema_is_json_and_knows_every_kind(void **state)
{
    (void)state;
    lr_text text = {0};
    lr_json *json = NULL;
    lr_error err = {""};
    lr_material_schema(&text);
    assert_int_equal(text.failed, 0);
    if (lr_json_parse("schema", text.data, text.length, &json, &err) != LR_OK)
        fail_msg("%s", err.text);
    for (int k = 0; k < LR_MATERIAL_KINDS; k++) {
        char quoted[40];
        snprintf(quoted, sizeof quoted, "\"%s\"", lr_material_kind_names[k]);
        assert_non_null(strstr(text.data, quoted));
    }
    lr_json_free(json);
    lr_text_free(&text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_arrive_in_si),
        cmocka_unit_test(inside_a_scene_little_is_needed),
        cmocka_unit_test(faults_are_told_in_one_line),
        cmocka_unit_test(schema_is_json_and_knows_every_kind),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
