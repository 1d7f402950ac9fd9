// SPDX-License-Identifier: Apache-2.0
// Short polynomials against the library in double.
#include "core/anglef.h"

#include "close.h"
#include "core/vec.h"

#define STEPS 200000

static void turns(void **state)
{
    (void)state;
    double worst = 0.0;
    for (int i = 0; i <= STEPS; i++) {
        const float turn = (float)i/STEPS;
        float c, s;
        lr_turnf(turn, &c, &s);
        worst = fmax(worst, fmax(fabs((double)c - cos(2*LR_PI*(double)turn)), fabs((double)s - sin(2*LR_PI*(double)turn))));
    }
    assert_near(worst, 0.0, 2e-7);
}

static void arc_cosines(void **state)
{
    (void)state;
    double worst = 0.0;
    for (int i = -STEPS; i <= STEPS; i++) {
        const float x = (float)i/STEPS;
        worst = fmax(worst, fabs((double)lr_acosf(x) - acos((double)x)));
    }
    assert_near(worst, 0.0, 5e-7);
    assert_near((double)lr_acosf(1.0000001f), 0.0, 0.0);  // a hair out of range is the end of the range
}

static void arc_tangents(void **state)
{
    (void)state;
    double worst = 0.0;
    for (int i = 0; i <= STEPS; i++) {
        const double a = 2*LR_PI*i/STEPS - LR_PI, r = i%7 ? 3.0 : 1e-12;
        const float x = (float)(r*cos(a)), y = (float)(r*sin(a));
        worst = fmax(worst, fabs((double)lr_atan2f(y, x) - atan2((double)y, (double)x)));
    }
    assert_near(worst, 0.0, 5e-7);
    assert_near((double)lr_atan2f(0.0f, 0.0f), 0.0, 0.0);
    assert_near((double)lr_atan2f(0.0f, -1.0f), LR_PI, 5e-7);
}

static void floors(void **state)
{
    (void)state;
    const float x[] = {-2.0f, -1.5f, -1.0f, -0.1f, 0.0f, 0.9f, 1.0f, 7.99f};
    for (int i = 0; i < (int)(sizeof x/sizeof *x); i++)
        assert_int_equal(lr_floorf(x[i]), (int)floor((double)x[i]));
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(turns), cmocka_unit_test(arc_cosines), cmocka_unit_test(arc_tangents), cmocka_unit_test(floors)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
