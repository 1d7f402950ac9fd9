// SPDX-License-Identifier: Apache-2.0
#include "core/json.h"

#include <string.h>

#include "close.h"

static lr_json *parse(const char *text)
{
    lr_json *json = NULL;
    lr_error err = {0};
    if (lr_json_parse("a.json", text, strlen(text), &json, &err) != LR_OK)
        fail_msg("%s", err.text);
    return json;
}

static void refused(const char *text, size_t length, const char *message)
{
    lr_json *json = (lr_json *)1;
    lr_error err = {0};
    assert_int_equal(lr_json_parse("a.json", text, length, &json, &err), LR_ERR_PARSE);
    assert_string_equal(err.text, message);
    assert_null(json);
}

static void faults_carry_line_and_column(void **state)
{
    (void)state;
    static const struct { const char *text, *message; } cases[] = {
        {"", "a.json:1:1: the file ends where a value is wanted"},
        {"  \n", "a.json:2:1: the file ends where a value is wanted"},
        {"{\"a\": 1,\n \"b\" 2}", "a.json:2:6: a colon is missing behind the key"},
        {"{\"a\": 1 \"b\": 2}", "a.json:1:9: a comma or the closing brace is missing"},
        {"[1 2]", "a.json:1:4: a comma or the closing bracket is missing"},
        {"[1, 2", "a.json:1:6: a comma or the closing bracket is missing"},
        {"[1,]", "a.json:1:4: a comma stands before the closing bracket"},
        {"{\"a\": 1,}", "a.json:1:9: a comma stands before the closing brace"},
        {"{a: 1}", "a.json:1:2: a key in double quotes is missing"},
        {"1 x", "a.json:1:3: text behind the end of the value"},
        {"{} {}", "a.json:1:4: text behind the end of the value"},
        {"[01]", "a.json:1:2: a number must not begin with a needless 0"},
        {"[-00.5]", "a.json:1:2: a number must not begin with a needless 0"},
        {"[.5]", "a.json:1:2: a value is missing"},
        {"[+1]", "a.json:1:2: a value is missing"},
        {"[1.]", "a.json:1:4: digits are missing behind the point"},
        {"[1e]", "a.json:1:4: digits are missing in the exponent"},
        {"[-]", "a.json:1:3: digits are missing"},
        {"[NaN]", "a.json:1:2: a value is missing: JSON has no NaN and no Infinity, only finite numbers"},
        {"[Infinity]", "a.json:1:2: a value is missing: JSON has no NaN and no Infinity, only finite numbers"},
        {"[-Infinity]", "a.json:1:3: digits are missing: JSON has no NaN and no Infinity, only finite numbers"},
        {"[0x10]", "a.json:1:3: a comma or the closing bracket is missing"},
        {"[True]", "a.json:1:2: a value is missing"},
        {"// no\n1", "a.json:1:1: JSON has no comments; use a \"comment\" key"},
        {"[\"a\\u0000b\"]", "a.json:1:4: NUL inside a text"},
        {"[\"\\ud800\"]", "a.json:1:3: half of a surrogate pair"},
        {"[\"\\udc00\"]", "a.json:1:3: half of a surrogate pair"},
        {"[\"\\ud800\\ud800\"]", "a.json:1:3: half of a surrogate pair"},
        {"[\"\\u12g4\"]", "a.json:1:3: \\u wants four hexadecimal digits"},
        {"[\"\\x\"]", "a.json:1:3: unknown escape in a text"},
        {"[\"a\tb\"]", "a.json:1:4: control character inside a text"},
        {"[\"abc\n\"]", "a.json:1:6: the text is not closed on its line"},
        {"[\"abc", "a.json:1:2: the text is never closed"},
        {"[\"\xff\"]", "a.json:1:3: not valid UTF-8"},
        {"[\"\xc0\x80\"]", "a.json:1:3: not valid UTF-8"},          // overlong NUL
        {"[\"\xed\xa0\x80\"]", "a.json:1:3: not valid UTF-8"},      // surrogate
        {"[\"\xf4\x90\x80\x80\"]", "a.json:1:3: not valid UTF-8"},  // above U+10FFFF
        {"[\"\xe2\x82", "a.json:1:3: not valid UTF-8"},
        {"[0.1000000000000000055511151231257827021181583404541015625000000000]",
         "a.json:1:2: a number of more than 63 characters"},
        {"{\"a\": [1, 1e400]}", "a.json: a[1]: a number too large for a double"},
        {"{\"a\": [{\"x\": 1, \"b\": 2, \"x\": 1}]}", "a.json: a[0]: key \"x\" is given twice"},
        {"{\"x\": 1, \"\\u0078\": 1}", "a.json: key \"x\" is given twice"},
    };
    for (size_t i = 0; i < sizeof cases/sizeof *cases; i++)
        refused(cases[i].text, strlen(cases[i].text), cases[i].message);
    refused("[1\0]", 4, "a.json:1:3: a comma or the closing bracket is missing");
    refused("[\"\0\"]", 5, "a.json:1:3: control character inside a text");
    refused("[\"\\\0\"]", 6, "a.json:1:3: unknown escape in a text");
}

static void depth_size_and_count_are_bounded(void **state)
{
    (void)state;
    char deep[200];
    memset(deep, '[', 64);
    memset(deep + 64, ']', 64);
    lr_json *json = NULL;
    assert_int_equal(lr_json_parse("a.json", deep, 128, &json, NULL), LR_OK);
    lr_json_free(json);
    memset(deep, '[', 65);
    refused(deep, 65, "a.json:1:65: more than 64 lists and objects inside one another");

    const size_t most = LR_JSON_MAX_BYTES;
    char *large = malloc(most + 1);
    assert_non_null(large);
    memset(large, ' ', most + 1);
    large[0] = '1';
    refused(large, most + 1, "a.json: more than 67108864 bytes of JSON");
    assert_int_equal(lr_json_parse("a.json", large, most, &json, NULL), LR_OK);
    lr_json_free(json);
    large[0] = '[';
    for (size_t i = 1; i < most; i++)
        large[i] = i % 2 ? '1' : ',';
    refused(large, most, "a.json:1:4194304: more than 2097152 values in one file");
    free(large);
}

static void values_come_back(void **state)
{
    (void)state;
    lr_json *json = parse("\xef\xbb\xbf{\"n\": -2.5e-3, \"t\": \"\\u20ac\\ud83d\\ude00\\n\", \"b\": true, \"c\": false, \"z\": null,"
                          " \"l\": [1, 2, 3], \"o\": {\"N\": 1}}");
    const lr_node *root = lr_json_root(json);
    assert_string_equal(lr_json_name(json), "a.json");
    assert_int_equal(lr_node_kind(root), LR_JSON_OBJECT);
    assert_int_equal(lr_node_count(root), 7);
    assert_null(lr_node_key(root));
    assert_rel(lr_node_number(lr_node_get(root, "n")), -2.5e-3, 0);
    assert_null(lr_node_get(root, "N"));  // case matters
    assert_string_equal(lr_node_text(lr_node_get(root, "t")), "\xe2\x82\xac\xf0\x9f\x98\x80\n");
    assert_int_equal(lr_node_bool(lr_node_get(root, "b")), 1);
    assert_int_equal(lr_node_bool(lr_node_get(root, "c")), 0);
    assert_int_equal(lr_node_kind(lr_node_get(root, "z")), LR_JSON_NULL);
    const lr_node *list = lr_node_get(root, "l");
    assert_int_equal(lr_node_count(list), 3);
    double sum = 0;
    for (const lr_node *n = lr_node_first(list); n; n = lr_node_next(n)) {
        sum += lr_node_number(n);
        assert_null(lr_node_key(n));
    }
    assert_rel(sum, 6.0, 0);
    assert_string_equal(lr_node_key(lr_node_first(lr_node_get(root, "o"))), "N");
    assert_null(lr_node_first(lr_node_get(root, "t")));
    lr_json_free(json);
    lr_json_free(NULL);
}

static void faults_name_the_path(void **state)
{
    (void)state;
    lr_json *json = parse("{\"modules\": [{\"cameras\": [1, {\"lens\": {\"f_number\": -2}}]}], \"odd key\\n\": [5]}");
    lr_error err;
    const lr_node *camera = lr_node_next(lr_node_first(lr_node_get(lr_node_first(lr_node_get(lr_json_root(json), "modules")), "cameras")));
    const lr_node *f_number = lr_node_get(lr_node_get(camera, "lens"), "f_number");
    assert_int_equal(lr_json_fault(json, f_number, &err, "%g is not above 0", -2.0), LR_ERR_RANGE);
    assert_string_equal(err.text, "a.json: modules[0].cameras[1].lens.f_number: -2 is not above 0");
    lr_json_fault(json, lr_node_first(lr_node_get(lr_json_root(json), "odd key\n")), &err, "two\nlines\x1b[31m");
    assert_string_equal(err.text, "a.json: [\"odd key\\n\"][0]: two?lines?[31m");
    lr_json_fault(json, NULL, &err, "nothing");
    assert_string_equal(err.text, "a.json: nothing");
    lr_json_fault(json, lr_json_root(json), &err, "nothing");
    assert_string_equal(err.text, "a.json: nothing");
    assert_int_equal(lr_json_fault(json, NULL, NULL, "nobody listens"), LR_ERR_RANGE);
    lr_json_free(json);
}

static void long_messages_are_cut_between_characters(void **state)
{
    (void)state;
    lr_json *json = parse("{}");
    lr_error err;
    char euro[3*400 + 1] = "";
    for (int i = 0; i < 400; i++)
        memcpy(euro + 3*i, "\xe2\x82\xac", 4);
    for (int shift = 0; shift < 3; shift++) {
        lr_json_fault(json, NULL, &err, "%s%s", &"xx"[shift], euro);
        const size_t length = strlen(err.text);
        assert_true(length >= sizeof err.text - 3);
        assert_memory_equal(err.text + length - 3, "\xe2\x82\xac", 3);
    }
    lr_json_free(json);
}

static void check_override(const char *text, const char *path, const char *value, const char *want)
{
    lr_json *json = parse(text), *wanted = parse(want);
    lr_error err = {0};
    if (lr_json_override(json, path, value, &err) != LR_OK)
        fail_msg("%s", err.text);
    char *got = lr_json_print(json), *expected = lr_json_print(wanted);
    assert_string_equal(got, expected);
    free(got);
    free(expected);
    lr_json_free(json);
    lr_json_free(wanted);
}

static void refuse_override(const char *text, const char *path, const char *value, const char *message)
{
    lr_json *json = parse(text);
    lr_error err = {0};
    char *before = lr_json_print(json);
    assert_int_equal(lr_json_override(json, path, value, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, message);
    char *after = lr_json_print(json);
    assert_string_equal(before, after);
    free(before);
    free(after);
    lr_json_free(json);
}

static void overrides_replace_values(void **state)
{
    (void)state;
    const char *head = "{\"m\": [{\"c\": [{\"e\": 1}, {\"e\": 2}]}, {\"c\": [{\"e\": 3}]}], \"n\": \"x\"}";
    check_override(head, "m.0.c.1.e", "80", "{\"m\": [{\"c\": [{\"e\": 1}, {\"e\": 80}]}, {\"c\": [{\"e\": 3}]}], \"n\": \"x\"}");
    check_override(head, "m[0].c[1].e", "80", "{\"m\": [{\"c\": [{\"e\": 1}, {\"e\": 80}]}, {\"c\": [{\"e\": 3}]}], \"n\": \"x\"}");
    check_override(head, "m.*.c.*.e", "[7]", "{\"m\": [{\"c\": [{\"e\": [7]}, {\"e\": [7]}]}, {\"c\": [{\"e\": [7]}]}], \"n\": \"x\"}");
    check_override(head, "m.1", "{\"q\": null}", "{\"m\": [{\"c\": [{\"e\": 1}, {\"e\": 2}]}, {\"q\": null}], \"n\": \"x\"}");
    check_override(head, "m.*", "0", "{\"m\": [0, 0], \"n\": \"x\"}");
    check_override(head, "m", "[]", "{\"m\": [], \"n\": \"x\"}");
    check_override(head, "n", "not json", "{\"m\": [{\"c\": [{\"e\": 1}, {\"e\": 2}]}, {\"c\": [{\"e\": 3}]}], \"n\": \"not json\"}");
    check_override("{\"a\": {}}", "a.new_key", "1", "{\"a\": {\"new_key\": 1}}");
    check_override("{\"a\": {}}", "b.c.d", "1", "{\"a\": {}, \"b\": {\"c\": {\"d\": 1}}}");
    check_override("{\"m\": [{}, {\"l\": {\"e\": 2}}]}", "m.*.l.f", "[3]", "{\"m\": [{\"l\": {\"f\": [3]}}, {\"l\": {\"e\": 2, \"f\": [3]}}]}");
    check_override("{\"a\": 1, \"b\": 2}", "a", "1e400", "{\"a\": \"1e400\", \"b\": 2}");
}

static void overrides_that_lead_nowhere_are_refused(void **state)
{
    (void)state;
    const char *head = "{\"modules\": [{\"cameras\": [{\"e\": 1}, {}]}], \"none\": []}";
    refuse_override(head, "modules.7.cameras", "1", "a.json: cannot set modules.7.cameras: modules has 1 entry");
    refuse_override(head, "modules.0.cameras.2", "1", "a.json: cannot set modules.0.cameras.2: modules[0].cameras has 2 entries");
    refuse_override(head, "modules.99999999999999999999", "1", "a.json: cannot set modules.99999999999999999999: modules has 1 entry");
    refuse_override(head, "none.*.e", "1", "a.json: cannot set none.*.e: none has 0 entries");
    refuse_override(head, "modules.x", "1", "a.json: cannot set modules.x: modules is a list: it wants a number or *");
    refuse_override(head, "modules.-1", "1", "a.json: cannot set modules.-1: modules is a list: it wants a number or *");
    refuse_override(head, "modules.*.lasers.0", "1", "a.json: cannot set modules.*.lasers.0: modules[0] has no \"lasers\"");
    refuse_override(head, "modules.0.cameras.*.e.f", "1",
                    "a.json: cannot set modules.0.cameras.*.e.f: modules[0].cameras[0].e is neither an object nor a list");
    refuse_override(head, "spin.rev.0", "1", "a.json: cannot set spin.rev.0: the file has no \"spin\"");
    refuse_override(head, "spin.*", "1", "a.json: cannot set spin.*: the file has no \"spin\"");
    refuse_override(head, "", "1", "a.json: cannot set : the path is empty");
    refuse_override(head, "modules..0", "1", "a.json: cannot set modules..0: a key in it is empty");
    refuse_override(head, "modules.", "1", "a.json: cannot set modules.: a key in it is empty");
    char deep[129] = "";
    memset(deep, '[', 64);
    memset(deep + 64, ']', 64);
    refuse_override(head, "none", deep, "a.json: cannot set none: the value nests too deep");
}

static void printing_is_indented_and_exact(void **state)
{
    (void)state;
    lr_json *json = parse("{\"a\":[1,2.50,\"x\"],\"b\":{},\"c\":[],\"d\":[{\"e\":[[1],[2]]}],\"f\":\"q\\\"\\u001f\\/\",\"g\":[true,false,null]}");
    char *text = lr_json_print(json);
    assert_string_equal(text, "{\n  \"a\": [1, 2.5, \"x\"],\n  \"b\": {},\n  \"c\": [],\n  \"d\": [\n    {\n      \"e\": [\n        [1],\n"
                              "        [2]\n      ]\n    }\n  ],\n  \"f\": \"q\\\"\\u001f/\",\n  \"g\": [true, false, null]\n}\n");
    free(text);
    lr_json_free(json);
}

static void numbers_read_back_to_the_same_bits(void **state)
{
    (void)state;
    static const struct { double value; const char *text; } cases[] = {
        {0.1, "0.1"}, {0.1 + 0.2, "0.30000000000000004"}, {1.0/3, "0.3333333333333333"}, {3.5e-6, "3.5e-06"}, {-0.0, "-0"},
        {9007199254740993.0, "9007199254740992"}, {1e22, "1e+22"}, {5e-324, "4.94065645841247e-324"}, {120, "120"},
        {(double)NAN, "null"}, {(double)INFINITY, "null"},
    };
    for (size_t i = 0; i < sizeof cases/sizeof *cases; i++) {
        lr_text text = {0};
        lr_text_number(&text, cases[i].value);
        assert_string_equal(text.data, cases[i].text);
        lr_text_free(&text);
    }
    uint64_t bits = 88172645463325252u;  // xorshift64: any doubles will do
    for (int i = 0; i < 20000; i++) {
        bits ^= bits << 13; bits ^= bits >> 7; bits ^= bits << 17;
        double value;
        memcpy(&value, &bits, sizeof value);
        if (!isfinite(value))
            continue;
        lr_text text = {0};
        lr_text_number(&text, value);
        lr_json *json = parse(text.data);
        const double back = lr_node_number(lr_json_root(json));
        assert_memory_equal(&back, &value, sizeof value);
        lr_json_free(json);
        lr_text_free(&text);
    }
}

static void text_grows_and_quotes(void **state)
{
    (void)state;
    lr_text text = {0};
    for (int i = 0; i < 1000; i++)
        lr_text_add(&text, "%d,", i);
    assert_int_equal(text.failed, 0);
    assert_int_equal(text.length, 10*2 + 90*3 + 900*4);
    assert_int_equal(strlen(text.data), text.length);
    lr_text_free(&text);
    lr_text_quote(&text, "a\"\\\b\f\n\r\t\x01\x7f\xff\xe2\x82\xac");
    assert_string_equal(text.data, "\"a\\\"\\\\\\b\\f\\n\\r\\t\\u0001\\u007f\xef\xbf\xbd\xe2\x82\xac\"");
    lr_text_free(&text);
}

static void missing_files_are_named(void **state)
{
    (void)state;
    lr_json *json;
    lr_error err;
    assert_int_equal(lr_json_load("no_such_file.json", &json, &err), LR_ERR_MISSING);
    assert_string_equal(err.text, "no_such_file.json: cannot be opened: No such file or directory");
    assert_null(json);
    assert_int_equal(lr_json_load(".", &json, &err), LR_ERR_MISSING);
    assert_string_equal(err.text, ".: cannot be read: Is a directory");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(faults_carry_line_and_column),
        cmocka_unit_test(depth_size_and_count_are_bounded),
        cmocka_unit_test(values_come_back),
        cmocka_unit_test(faults_name_the_path),
        cmocka_unit_test(long_messages_are_cut_between_characters),
        cmocka_unit_test(overrides_replace_values),
        cmocka_unit_test(overrides_that_lead_nowhere_are_refused),
        cmocka_unit_test(printing_is_indented_and_exact),
        cmocka_unit_test(numbers_read_back_to_the_same_bits),
        cmocka_unit_test(text_grows_and_quotes),
        cmocka_unit_test(missing_files_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
