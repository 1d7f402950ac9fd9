// SPDX-License-Identifier: Apache-2.0
#include "core/table.h"

#include "close.h"

#define REL 1e-14  // a handful of operations in double

static lr_table make(int count, const double *x, const double *y)
{
    lr_table table;
    lr_error err = {0};
    assert_int_equal(lr_table_create(count, x, y, &table, &err), LR_OK);
    return table;
}

static void values_lie_on_straight_lines(void **state)
{
    (void)state;
    lr_table t = make(3, (double[]){400, 500, 700}, (double[]){1, 3, -1});
    assert_rel(lr_table_at(&t, 400), 1.0, 0);
    assert_rel(lr_table_at(&t, 500), 3.0, 0);
    assert_rel(lr_table_at(&t, 700), -1.0, 0);
    assert_rel(lr_table_at(&t, 450), 2.0, REL);
    assert_near(lr_table_at(&t, 650), 0.0, REL);
    assert_rel(lr_table_at(&t, 399), 1.0, 0);
    assert_rel(lr_table_at(&t, 1e9), -1.0, 0);
    t.outside_zero = 1;
    assert_rel(lr_table_at(&t, 400), 1.0, 0);
    assert_near(lr_table_at(&t, 399.999), 0.0, 0);
    assert_near(lr_table_at(&t, 700.001), 0.0, 0);
    lr_table_free(&t);
    assert_null(t.x);
    assert_near(lr_table_at(&t, 5), 0.0, 0);
}

static void integral_is_exact_for_straight_lines(void **state)
{
    (void)state;
    lr_table t = make(3, (double[]){0, 1, 3}, (double[]){0, 2, 0});
    assert_rel(lr_table_integral(&t, 0, 3), 3.0, REL);           // triangle of height 2 over 3
    assert_rel(lr_table_integral(&t, 0.5, 2), 0.75 + 1.5, REL);
    assert_rel(lr_table_integral(&t, 2, 0.5), -2.25, REL);
    assert_rel(lr_table_integral(&t, -5, 9), 3.0, REL);          // the ends are 0
    assert_near(lr_table_integral(&t, 7, 7), 0.0, 0);
    lr_table_free(&t);

    t = make(2, (double[]){1, 2}, (double[]){4, 6});
    assert_rel(lr_table_integral(&t, 0, 4), 4 + 5 + 2*6, REL);   // ends held
    assert_rel(lr_table_integral(&t, 3, 4), 6.0, REL);           // wholly outside
    assert_rel(lr_table_integral(&t, -2, -1), 4.0, REL);
    t.outside_zero = 1;
    assert_rel(lr_table_integral(&t, 0, 4), 5.0, REL);
    assert_near(lr_table_integral(&t, 3, 4), 0.0, 0);
    lr_table_free(&t);
}

// The other road to an integral: many small steps of lr_table_at by the midpoint rule.
static void integral_agrees_with_a_sum(void **state)
{
    (void)state;
    double x[40], y[40];
    for (int i = 0; i < 40; i++) {
        x[i] = i + 0.3*sin(i);
        y[i] = cos(2.0*i);
    }
    lr_table t = make(40, x, y);
    const int steps = 400000;
    const double lo = -3.7, hi = 44.1, h = (hi - lo)/steps;
    double sum = 0;
    for (int i = 0; i < steps; i++)
        sum += h*lr_table_at(&t, lo + (i + 0.5)*h);
    assert_near(lr_table_integral(&t, lo, hi), sum, 42*h*h*10);  // only steps with a kink err: slope change <= 10, h^2 each
    lr_table_free(&t);
}

static void one_value_holds_everywhere_and_copies_are_apart(void **state)
{
    (void)state;
    lr_table t, copy;
    assert_int_equal(lr_table_constant(0.4, &t, NULL), LR_OK);
    t.outside_zero = 1;
    assert_rel(lr_table_at(&t, -1e30), 0.4, 0);
    assert_rel(lr_table_integral(&t, 2, 5), 1.2, REL);
    assert_int_equal(lr_table_copy(&t, &copy, NULL), LR_OK);
    assert_ptr_not_equal(t.y, copy.y);
    assert_int_equal(copy.outside_zero, 1);
    lr_table_free(&t);
    assert_rel(lr_table_at(&copy, 3), 0.4, 0);
    lr_table_free(&copy);
    assert_int_equal(lr_table_copy(&t, &copy, NULL), LR_OK);  // of an empty one
    assert_int_equal(copy.count, 0);
    lr_table_free(&copy);
    lr_table_free(NULL);
}

static void bad_tables_are_refused(void **state)
{
    (void)state;
    lr_table t;
    lr_error err;
    assert_int_equal(lr_table_create(0, NULL, NULL, &t, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "table: no entries");
    assert_int_equal(lr_table_create(3, (double[]){1, 2, 2}, (double[]){0, 0, 0}, &t, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "table: entry 2: 2 does not rise above 2");
    assert_int_equal(lr_table_create(2, (double[]){1, 2}, (double[]){0, (double)NAN}, &t, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "table: entry 1 is not finite");
    assert_null(t.x);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_lie_on_straight_lines),
        cmocka_unit_test(integral_is_exact_for_straight_lines),
        cmocka_unit_test(integral_agrees_with_a_sum),
        cmocka_unit_test(one_value_holds_everywhere_and_copies_are_apart),
        cmocka_unit_test(bad_tables_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
