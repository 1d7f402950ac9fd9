// SPDX-License-Identifier: Apache-2.0
// Names, types and choice of truth arrays.
#include <math.h>
#include <string.h>

#include "close.h"
#include "truth/truth.h"

static void every_layer_has_a_row(void **state)
{
    (void)state;
    // Type, bytes of a pixel and unit of each array as out/README.md promises them.
    static const struct { const char *name, *descr, *unit; size_t bytes; int dims; } want[] = {
        {"range", "<f4", "m", 4, 2}, {"normal", "<f4", "1", 12, 3}, {"object", "<i4", "1", 4, 2}, {"material", "<u2", "1", 2, 2},
        {"partner", "<f4", "px", 4, 2}, {"flags", "|u1", "1", 1, 2}, {"direct", "<f4", "e", 4, 2}, {"indirect", "<f4", "e", 4, 2},
        {"sun", "<f4", "e", 4, 2}, {"sky", "<f4", "e", 4, 2}, {"lamp", "<f4", "e", 4, 2}};
    assert_int_equal(sizeof want/sizeof *want, LR_TRUTH_LAYERS);
    for (int i = 0; i < LR_TRUTH_LAYERS; i++) {
        const lr_truth_layer layer = (lr_truth_layer)i;
        const lr_npy_info info = lr_truth_info(layer, 7, 5);
        assert_string_equal(lr_truth_names[i], want[i].name);
        assert_string_equal(info.descr, want[i].descr);
        assert_string_equal(lr_truth_unit(layer), want[i].unit);
        assert_int_equal(lr_truth_pixel_bytes(layer), want[i].bytes);
        assert_int_equal(info.dims, want[i].dims);
        assert_int_equal(info.shape[0], 7);
        assert_int_equal(info.shape[1], 5);
        // Two roads to the size of the array.
        assert_int_equal(lr_npy_items(&info)*(int64_t)lr_npy_item_bytes(&info), 7*5*(int64_t)want[i].bytes);
        assert_true(strlen(lr_truth_about(layer)) > 10 && strlen(lr_truth_about(layer)) < 256);
    }
    assert_null(lr_truth_names[LR_TRUTH_LAYERS]);
}

static void lists_are_read_and_printed(void **state)
{
    (void)state;
    static const struct { const char *list; lr_truth_set set; const char *printed; } good[] = {
        {"all", LR_TRUTH_ALL, "all"},
        {"none", LR_TRUTH_NONE, "none"},
        {"range", 1u << LR_TRUTH_RANGE, "range"},
        {"flags,range", 1u << LR_TRUTH_RANGE | 1u << LR_TRUTH_FLAGS, "range,flags"},
        {"range,range", 1u << LR_TRUTH_RANGE, "range"},
        {"light", LR_TRUTH_LIGHT, "direct,indirect,sun,sky,lamp"},
        {"light,normal", LR_TRUTH_LIGHT | 1u << LR_TRUTH_NORMAL, "normal,direct,indirect,sun,sky,lamp"},
        {"range,normal,object,material,partner,flags,direct,indirect,sun,sky,lamp", LR_TRUTH_ALL, "all"},
    };
    for (size_t i = 0; i < sizeof good/sizeof *good; i++) {
        lr_truth_set set = 12345;
        lr_error err = {""};
        char text[128];
        assert_int_equal(lr_truth_parse(good[i].list, &set, &err), LR_OK);
        assert_int_equal(set, good[i].set);
        lr_truth_print(set, text);
        assert_string_equal(text, good[i].printed);
    }
    for (lr_truth_set set = 0; set <= LR_TRUTH_ALL; set++) {  // every set survives
        char text[128];
        lr_truth_set again = 0;
        lr_truth_print(set, text);
        assert_int_equal(lr_truth_parse(text, &again, NULL), LR_OK);
        assert_int_equal(again, set);
    }
}

static void faults_name_the_nearest(void **state)
{
    (void)state;
    static const struct { const char *list, *message; } bad[] = {
        {"rnage", "truth: \"rnage\" is not a truth array; did you mean \"range\"?"},
        {"range,normals", "truth: \"normals\" is not a truth array; did you mean \"normal\"?"},
        {"", "truth: \"\" has an empty name"},
        {"range,", "truth: \"range,\" has an empty name"},
        {",range", "truth: \",range\" has an empty name"},
        {"range,none", "truth: \"range,none\": none stands alone"},
        {"xyzzyxyzzy", "truth: \"xyzzyxyzzy\" is not a truth array: all, none, light, or of "
                       "range normal object material partner flags direct indirect sun sky lamp"},
    };
    for (size_t i = 0; i < sizeof bad/sizeof *bad; i++) {
        lr_truth_set set = 77;
        lr_error err = {""};
        assert_int_equal(lr_truth_parse(bad[i].list, &set, &err), LR_ERR_RANGE);
        assert_string_equal(err.text, bad[i].message);
        assert_int_equal(set, 77);
    }
    char longer[4096];
    lr_truth_set set;
    memset(longer, 'r', sizeof longer - 1);
    longer[sizeof longer - 1] = '\0';
    assert_int_equal(lr_truth_parse(longer, &set, NULL), LR_ERR_RANGE);
}

static void files_are_named(void **state)
{
    (void)state;
    char path[64];
    assert_int_equal(lr_truth_path("front", "upper", LR_TRUTH_RANGE, path, sizeof path, NULL), LR_OK);
    assert_string_equal(path, "truth/front/upper.range.npy");
    assert_int_equal(lr_truth_lines_path("front", path, sizeof path, NULL), LR_OK);
    assert_string_equal(path, "truth/front/lines.npy");
    assert_int_equal(lr_truth_path("front", "upper", LR_TRUTH_RANGE, path, 10, NULL), LR_ERR_RANGE);

    const lr_npy_info info = lr_truth_lines_info(9);
    assert_int_equal(lr_npy_item_bytes(&info), sizeof(lr_truth_line));
    assert_int_equal(info.shape[0], 9);
    assert_string_equal(info.field[8].name, "qw");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_layer_has_a_row),
        cmocka_unit_test(lists_are_read_and_printed),
        cmocka_unit_test(faults_name_the_nearest),
        cmocka_unit_test(files_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
