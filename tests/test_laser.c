// SPDX-License-Identifier: Apache-2.0
#include "head/laser.h"

#include <string.h>
#include <unistd.h>

#include "close.h"
#include "core/file.h"

#define REL_FORMULA 1e-12   // doubles, a dozen operations

static void default_laser_passes_its_check(void **state)
{
    (void)state;
    const lr_laser_def def = lr_laser_def_default();
    assert_int_equal(lr_laser_def_check(&def, NULL), LR_OK);
    lr_dots *dots = NULL;
    assert_int_equal(lr_laser_pattern(&def, ".", &dots, NULL), LR_OK);
    assert_int_equal(lr_dots_count(dots), 260);
    assert_rel(lr_dots_half_fan_rad(dots), 30*LR_DEG, REL_FORMULA);
    lr_dots_destroy(dots);
}

// An even sheet has the same power per radian all over: 1/fan, no zero order on the axis.
static void no_dots_make_an_even_sheet(void **state)
{
    (void)state;
    lr_laser_def def = lr_laser_def_default();
    def.dots.count = 0;
    def.fan_rad = 40*LR_DEG;
    lr_dots *dots = NULL;
    assert_int_equal(lr_laser_pattern(&def, ".", &dots, NULL), LR_OK);
    for (double a = -19; a <= 19; a += 9.5)
        assert_rel(lr_dots_density(dots, a*LR_DEG), 1/(40*LR_DEG), REL_FORMULA);
    assert_near(lr_dots_density(dots, 21*LR_DEG), 0, 0);
    lr_dots_destroy(dots);
}

// 2 % zero order and 10 % background: the shares that lie near the axis, and between the dots, follow.
static void the_shares_of_the_pattern_add_up(void **state)
{
    (void)state;
    lr_laser_def def = lr_laser_def_default();
    lr_dots *dots = NULL;
    assert_int_equal(lr_laser_pattern(&def, ".", &dots, NULL), LR_OK);
    double sum = 0.0;
    for (int i = 0; i < lr_dots_count(dots); i++) {
        double alpha, share;
        lr_dots_get(dots, i, &alpha, &share);
        sum += share;
    }
    assert_rel(sum, 1 - 0.02 - 0.1, 1e-9);
    lr_dots_destroy(dots);
}

// ---- Files of dots ----------------------------------------------------------------------------------------------

typedef struct folder { char path[64]; } folder;

static int make_folder(void **state)
{
    static folder f;
    strcpy(f.path, "/tmp/lr_test_laser_XXXXXX");
    *state = &f;
    return mkdtemp(f.path) ? 0 : -1;
}

static int remove_folder(void **state)
{
    char path[LR_PATH_MAX];
    const folder *f = *state;
    if (lr_path_join(path, f->path, "dots.txt", NULL) == LR_OK)
        unlink(path);
    return rmdir(f->path);
}

static lr_status pattern_from(const folder *f, const char *text, size_t length, lr_dots **dots, lr_error *err)
{
    char path[LR_PATH_MAX];
    assert_int_equal(lr_path_join(path, f->path, "dots.txt", NULL), LR_OK);
    assert_int_equal(lr_file_write(path, text, length, NULL), LR_OK);
    lr_laser_def def = lr_laser_def_default();
    strcpy(def.dots.file, "dots.txt");
    def.dots.zero_order = 0;
    def.dots.background = 0;
    return lr_laser_pattern(&def, f->path, dots, err);
}

static void a_list_of_dots_is_read_as_it_is_written(void **state)
{
    const char *text = "# angle_deg weight\n\n-10 1\n 5.5\t3  # a strong one\r\n20\n";
    lr_dots *dots = NULL;
    assert_int_equal(pattern_from(*state, text, strlen(text), &dots, NULL), LR_OK);
    assert_int_equal(lr_dots_count(dots), 3);
    const double want_deg[] = {-10, 5.5, 20}, want_share[] = {0.2, 0.6, 0.2};
    for (int i = 0; i < 3; i++) {
        double alpha, share;
        lr_dots_get(dots, i, &alpha, &share);
        assert_rel(alpha, want_deg[i]*LR_DEG, REL_FORMULA);
        assert_rel(share, want_share[i], REL_FORMULA);
    }
    lr_dots_destroy(dots);
}

static void refuses(const folder *f, const char *text, size_t length, lr_status want, const char *message)
{
    lr_dots *dots = NULL;
    lr_error err = {""};
    char full[256];
    assert_int_equal(pattern_from(f, text, length, &dots, &err), want);
    assert_null(dots);
    snprintf(full, sizeof full, "%s/dots.txt: %s", f->path, message);
    assert_string_equal(err.text, full);
}

static void bad_lists_are_told_by_file_line_and_rule(void **state)
{
    refuses(*state, "1 2\nx 1\n", 8, LR_ERR_PARSE, "line 2: not \"angle_deg weight\"");
    refuses(*state, "1,2\n", 4, LR_ERR_PARSE, "line 1: not \"angle_deg weight\"");
    refuses(*state, "1 2 3\n", 6, LR_ERR_PARSE, "line 1: not \"angle_deg weight\"");
    refuses(*state, "31 1\n", 5, LR_ERR_RANGE, "line 1: angle 31 deg is outside the fan, -30 .. 30");
    refuses(*state, "nan 1\n", 6, LR_ERR_RANGE, "line 1: angle nan deg is outside the fan, -30 .. 30");
    refuses(*state, "\n1 -1\n", 6, LR_ERR_RANGE, "line 2: weight -1 is not in 0 .. 1e12");
    refuses(*state, "# none\n", 7, LR_ERR_RANGE, "no dots in it");
    refuses(*state, "", 0, LR_ERR_RANGE, "no dots in it");
    refuses(*state, "1 1\n\0 2\n", 8, LR_ERR_PARSE, "not a text file");
}

static void a_list_that_is_not_there_is_told(void **state)
{
    (void)state;
    lr_laser_def def = lr_laser_def_default();
    strcpy(def.dots.file, "there_is_none.txt");
    lr_dots *dots = NULL;
    lr_error err = {""};
    assert_int_equal(lr_laser_pattern(&def, "some/folder", &dots, &err), LR_ERR_MISSING);
    assert_non_null(strstr(err.text, "some/folder/there_is_none.txt"));
    assert_null(dots);
}

static void check_says(lr_laser_def def, const char *message)
{
    lr_error err = {""};
    assert_int_equal(lr_laser_def_check(&def, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, message);
}

static void checks_name_field_value_and_rule(void **state)
{
    (void)state;
    const lr_laser_def fine = lr_laser_def_default();
    lr_laser_def d = fine;
    d.wavelength_m = 850;
    check_says(d, "wavelength_m: 850 is not in [3e-07, 1.1e-06]");
    d = fine; d.power_w = (double)NAN;
    check_says(d, "power_w: nan is not in [0, 1000]");
    d = fine; d.fan_rad = 0;
    check_says(d, "fan_rad: 0 is not in (0, 3.14159265358979]");
    d = fine; d.efficiency = 1.2;
    check_says(d, "efficiency: 1.2 is not in (0, 1]");
    d = fine; d.dots.size_rad = 0;
    check_says(d, "dots.size_rad: 0 is not in (0, 0.5]");
    d = fine; d.dots.count = 1000000;
    check_says(d, "dots.count: 1000000 is not in [0, 100000]");
    d = fine; d.dots.zero_order = 0.7; d.dots.background = 0.4;
    lr_error err = {""};
    assert_int_equal(lr_laser_def_check(&d, &err), LR_ERR_RANGE);
    assert_non_null(strstr(err.text, "dots: "));
    d = fine; d.dots.count = 0; d.dots.size_rad = 0;  // a plain sheet has no use for the size
    assert_int_equal(lr_laser_def_check(&d, &err), LR_OK);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(default_laser_passes_its_check),
        cmocka_unit_test(no_dots_make_an_even_sheet),
        cmocka_unit_test(the_shares_of_the_pattern_add_up),
        cmocka_unit_test_setup_teardown(a_list_of_dots_is_read_as_it_is_written, make_folder, remove_folder),
        cmocka_unit_test_setup_teardown(bad_lists_are_told_by_file_line_and_rule, make_folder, remove_folder),
        cmocka_unit_test(a_list_that_is_not_there_is_told),
        cmocka_unit_test(checks_name_field_value_and_rule),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
