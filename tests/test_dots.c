// SPDX-License-Identifier: Apache-2.0
#include "close.h"
#include "core/vec.h"
#include "core/rng.h"
#include "optics/dots.h"

// A pattern like that of a real head: 260 dots over 60 degrees, a bright zero order, 10 % of smooth light.
static lr_dots_def head_def(void)
{
    lr_dots_def def = lr_dots_def_default();
    def.count = 260;
    def.seed = 7;
    def.zero_order = 0.02;
    def.background = 0.1;
    return def;
}

static lr_dots *make(const lr_dots_def *def)
{
    lr_dots *dots;
    lr_error err = {0};
    const lr_status status = lr_dots_create(def, &dots, &err);
    if (status != LR_OK)
        print_error("%s\n", err.text);
    assert_int_equal(status, LR_OK);
    return dots;
}

// The pattern written out: sum of Gaussians over the listed dots, zero order and background, clipped to the fan.
static double direct_cumulative(const lr_dots *dots, const lr_dots_def *def, double a)
{
    const double sigma = 0.25*def->size_rad, h = def->half_fan_rad;
    double sum = def->background*(a + h)/(2.0*h) + def->zero_order*0.5*erfc(-a/(sigma*sqrt(2.0)));
    for (int i = 0; i < lr_dots_count(dots); i++) {
        double alpha, share;
        lr_dots_get(dots, i, &alpha, &share);
        sum += share*0.5*erfc(-(a - alpha)/(sigma*sqrt(2.0)));
    }
    return sum;
}

static void cumulative_is_the_sum_of_dots(void **state)
{
    (void)state;
    const lr_dots_def def = head_def();
    lr_dots *dots = make(&def);
    const double h = def.half_fan_rad, base = direct_cumulative(dots, &def, -h), whole = direct_cumulative(dots, &def, h) - base;
    // The cubic's error in a dot of share s is s (step/sigma)^4 max|g'''|/384: with step = sigma/8 and |g'''| < 1.4/sqrt(2 pi),
    // s 3.6e-7; the brightest dot is the zero order, 0.02.
    for (int i = 0; i <= 5000; i++) {
        const double a = h*(2.0*i/5000.0 - 1.0)*0.99999;
        assert_near(lr_dots_cumulative(dots, a), (direct_cumulative(dots, &def, a) - base)/whole, 0.02*4e-7);
    }
    assert_true(lr_dots_cumulative(dots, -h) == 0.0 && lr_dots_cumulative(dots, h) == 1.0);
    assert_true(lr_dots_density(dots, h*1.001) == 0.0);
    lr_dots_destroy(dots);
}

// Integral of D over the fan is 1, and the mean of D over any interval is its quadrature (midpoint, 400 steps per dot).
static void mean_is_the_quadrature(void **state)
{
    (void)state;
    const lr_dots_def def = head_def();
    lr_dots *dots = make(&def);
    const double h = def.half_fan_rad;
    double whole = 0.0;
    const int steps = 400000;
    for (int i = 0; i < steps; i++)
        whole += 2.0*h/steps*lr_dots_density(dots, h*((2.0*i + 1.0)/steps - 1.0));
    assert_rel(whole, 1.0, 1e-6);
    // A pixel of the head sees about a milliradian; also far less and far more.
    for (double width = 1e-6; width < 0.3; width *= 4.0)
        for (double a = -0.5; a < 0.2; a += 0.0371) {
            double sum = 0.0;
            const int n = 2000 + (int)(width/def.size_rad*400.0);
            for (int i = 0; i < n; i++)
                sum += lr_dots_density(dots, a + width*(i + 0.5)/n)/n;
            // Midpoint error: (width/n)^2 D''/24 below 1e-6 of the peak of a dot; cancellation of C: 4e-16/width.
            assert_near(lr_dots_mean(dots, a, a + width), sum, 1e-6 + 4e-16/width + 1e-6*sum);
            assert_true(lr_dots_mean(dots, a, a + width) == lr_dots_mean(dots, a + width, a));
        }
    assert_true(lr_dots_mean(dots, 0.1, 0.1) == lr_dots_density(dots, 0.1));
    lr_dots_destroy(dots);
}

// m is D over the even fan density 1/(2h), so its mean over the fan is 1.
static void relative_pattern_has_mean_one(void **state)
{
    (void)state;
    const lr_dots_def def = head_def();
    lr_dots *dots = make(&def);
    double sum = 0.0;
    const int steps = 200000;
    for (int i = 0; i < steps; i++)
        sum += lr_dots_relative(dots, def.half_fan_rad*((2.0*i + 1.0)/steps - 1.0))/steps;
    assert_rel(sum, 1.0, 1e-6);
    assert_rel(lr_dots_relative(dots, 0.123), lr_dots_density(dots, 0.123)*2.0*def.half_fan_rad, 1e-12);
    lr_dots_destroy(dots);
}

static void plain_line_is_even(void **state)
{
    (void)state;
    const lr_dots_def def = lr_dots_def_default();
    lr_dots *dots = make(&def);
    for (double a = -0.5; a < 0.52; a += 0.01) {
        assert_rel(lr_dots_density(dots, a), 3.0/LR_PI, 1e-9);
        assert_near(lr_dots_cumulative(dots, a), 0.5 + a*3.0/LR_PI, 1e-12);
        assert_rel(lr_dots_mean(dots, a, a + 1e-4), 3.0/LR_PI, 1e-9);
    }
    lr_dots_destroy(dots);
}

static void same_seed_same_dots(void **state)
{
    (void)state;
    lr_dots_def def = head_def();
    lr_dots *a = make(&def), *b = make(&def);
    def.seed = 8;
    lr_dots *c = make(&def);
    def.seed = 7 + (1ull << 40);  // the high word counts too
    lr_dots *d = make(&def);
    int differ = 0, differ_high = 0;
    for (int i = 0; i < 260; i++) {
        double place[4], share[4];
        lr_dots_get(a, i, &place[0], &share[0]);
        lr_dots_get(b, i, &place[1], &share[1]);
        lr_dots_get(c, i, &place[2], &share[2]);
        lr_dots_get(d, i, &place[3], &share[3]);
        assert_true(place[0] == place[1] && share[0] == share[1]);
        differ += place[0] != place[2];
        differ_high += place[0] != place[3];
    }
    assert_true(differ > 250 && differ_high > 250);
    assert_true(lr_dots_cumulative(a, 0.1) == lr_dots_cumulative(b, 0.1));
    lr_dots_destroy(a);
    lr_dots_destroy(b);
    lr_dots_destroy(c);
    lr_dots_destroy(d);
}

// Never closer than (1 - jitter) cells, rising, shares sum to what zero order and background leave, brightness 1 +- spread,
// and the offsets have the mean and variance of an even distribution: jitter^2/12, within 5 standard errors.
static void places_and_shares(void **state)
{
    (void)state;
    lr_dots_def def = head_def();
    def.count = 4000;
    def.size_rad = 1e-4;
    lr_dots *dots = make(&def);
    const double cell = 2.0*def.half_fan_rad/def.count;
    double before = -1.0, total = 0.0, first = 0.0, second = 0.0, lowest = 1.0, highest = 0.0;
    for (int i = 0; i < def.count; i++) {
        double alpha, share;
        lr_dots_get(dots, i, &alpha, &share);
        if (i > 0)
            assert_true(alpha - before >= (1.0 - def.jitter)*cell*(1.0 - 1e-9));
        before = alpha;
        total += share;
        const double off = (alpha + def.half_fan_rad)/cell - i - 0.5;
        first += off/def.count;
        second += off*off/def.count;
        lowest = fmin(lowest, share);
        highest = fmax(highest, share);
    }
    const double variance = def.jitter*def.jitter/12.0;
    assert_rel(total, 0.88, 1e-12);
    assert_near(first, 0.0, 5.0*sqrt(variance/def.count));
    assert_near(second, variance, 5.0*sqrt((pow(def.jitter, 4)/80.0 - variance*variance)/def.count));  // E x^4 = j^4/80
    assert_true(highest/lowest < 1.3/0.7*(1.0 + 1e-9) && highest/lowest > 1.8);
    lr_dots_destroy(dots);
}

// Matching tells windows of dots apart by their gaps. Two windows of five look alike to a tenth of a cell if the differences
// e of their offsets stay within 0.1 of each other along the window. e has a triangular density f of half width j = jitter,
// so the chance is 0.2^4 times the integral of f^5, which is 1/(3 j^4): 1.30e-3, or 42 of the 32385 pairs. Count them.
// (5 standard errors of a Poisson count; overlapping pairs are not quite independent, hence the factor 1.5.)
static void windows_differ_as_they_should(void **state)
{
    (void)state;
    const lr_dots_def def = head_def();
    lr_dots *dots = make(&def);
    const double cell = 2.0*def.half_fan_rad/def.count;
    double alpha[260], share;
    for (int i = 0; i < 260; i++)
        lr_dots_get(dots, i, &alpha[i], &share);
    int alike = 0, pairs = 0;
    for (int i = 0; i + 5 <= 260; i++)
        for (int j = i + 1; j + 5 <= 260; j++, pairs++) {
            double most = 0.0;
            for (int k = 0; k < 4; k++)
                most = fmax(most, fabs((alpha[i + k + 1] - alpha[i + k]) - (alpha[j + k + 1] - alpha[j + k])));
            alike += most < 0.1*cell;
        }
    const double expected = pairs*pow(0.2, 4)/(3.0*pow(def.jitter, 4));
    assert_near(alike, expected, 1.5*5.0*sqrt(expected));
    lr_dots_destroy(dots);
}

// A list is used as it is, in any order; an envelope dims dots and background alike; a profile replaces dots.
static void lists_and_profiles(void **state)
{
    (void)state;
    lr_dots_def def = lr_dots_def_default();
    const double alpha[3] = {0.2, -0.3, 0.0}, weight[3] = {1.0, 2.0, 1.0};
    def.listed = 3;
    def.alpha_rad = alpha;
    def.weight = weight;
    lr_dots *dots = make(&def);
    double place, share;
    lr_dots_get(dots, 0, &place, &share);
    assert_true(place == -0.3);
    assert_rel(share, 0.5, 1e-12);
    assert_near(lr_dots_mean(dots, -0.31, -0.29)*0.02, 0.5, 1e-9);
    const double sigma = 0.25*def.size_rad;
    assert_rel(lr_dots_density(dots, 0.2), 0.25/(sqrt(2.0*LR_PI)*sigma), 1e-4);
    assert_near(lr_dots_density(dots, 0.1), 0.0, 1e-12);
    lr_dots_destroy(dots);

    lr_dots_def line = lr_dots_def_default();
    const double x[3] = {-0.6, 0.0, 0.6}, y[3] = {0.0, 3.0, 0.0};
    assert_int_equal(lr_table_create(3, x, y, &line.profile, NULL), LR_OK);
    dots = make(&line);
    const double h = line.half_fan_rad, peak = 1.0/(2.0*h - h*h/0.6);  // triangle cut at +-h: area peak (2h - h^2/0.6)
    assert_rel(lr_dots_density(dots, 0.3), 0.5*peak, 1e-6);
    assert_rel(lr_dots_mean(dots, 0.1, 0.2), 0.75*peak, 1e-6);
    lr_dots_destroy(dots);

    line.envelope = line.profile;
    line.profile = (lr_table){0};
    line.background = 1.0;
    dots = make(&line);
    assert_rel(lr_dots_density(dots, -0.3), 0.5*peak, 1e-6);
    assert_rel(lr_dots_relative(dots, -0.3), 1.0, 1e-6);
    lr_dots_destroy(dots);
    lr_table_free(&line.envelope);
}

// A dot on the fan's edge loses half of itself; the rest still sums to 1.
static void dots_are_clipped_at_the_edge(void **state)
{
    (void)state;
    lr_dots_def def = lr_dots_def_default();
    const double alpha[2] = {-30.0*LR_DEG, 0.1}, weight[2] = {1.0, 1.0};
    def.listed = 2;
    def.alpha_rad = alpha;
    def.weight = weight;
    def.half_fan_rad = 30.0*LR_DEG;
    lr_dots *dots = make(&def);
    assert_near(lr_dots_cumulative(dots, 0.0), 1.0/3.0, 1e-9);
    assert_near(lr_dots_cumulative(dots, 0.2), 1.0, 1e-9);
    lr_dots_destroy(dots);
}

static void sampling_inverts_the_cumulative(void **state)
{
    (void)state;
    const lr_dots_def def = head_def();
    lr_dots *dots = make(&def);
    for (int i = 0; i < 10000; i++) {
        const double u = (i + 0.5)/10000.0, a = lr_dots_sample(dots, u);
        assert_true(fabs(a) <= def.half_fan_rad);
        assert_near(lr_dots_cumulative(dots, a), u, 1e-12);
    }
    assert_near(lr_dots_sample(dots, 0.0), -def.half_fan_rad, 1e-9);
    assert_near(lr_dots_sample(dots, 1.0), def.half_fan_rad, 1e-9);
    lr_dots_destroy(dots);
}

// Many intervals at once give the floats nearest to one at a time; beyond the fan, across its edges and of no width too.
static void many_means_are_single_ones(void **state)
{
    (void)state;
    enum { COUNT = 150 };
    const lr_dots_def def = head_def();
    lr_dots *dots = make(&def);
    const float h = (float)def.half_fan_rad;
    for (uint32_t round = 0; round < 200; round++) {
        float a1[COUNT], a2[COUNT], mean[COUNT];
        for (uint32_t i = 0; i < COUNT; i++) {
            a1[i] = 2.4f*h*(lr_uniform(lr_hash(round, i)) - 0.5f);
            a2[i] = i % 7 == 0 ? a1[i] : a1[i] + 0.02f*(lr_uniform(lr_hash(i, round)) - 0.5f);
        }
        lr_dots_means(dots, COUNT, a1, a2, mean);
        for (int i = 0; i < COUNT; i++)
            assert_rel((double)mean[i], lr_dots_mean(dots, (double)a1[i], (double)a2[i]), 1e-7);
    }
    lr_dots_destroy(dots);
}

static void faults_are_named(void **state)
{
    (void)state;
    lr_error err = {0};
    lr_dots *dots;
    lr_dots_def def = head_def();
    def.zero_order = 0.95;
    assert_int_equal(lr_dots_create(&def, &dots, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "zero_order + background: 1.05 is above 1");
    assert_null(dots);
    def = head_def();
    def.size_rad = 1e-9;
    assert_int_equal(lr_dots_create(&def, &dots, &err), LR_ERR_RANGE);
    def = head_def();
    def.half_fan_rad = (double)NAN;
    assert_int_equal(lr_dots_create(&def, &dots, &err), LR_ERR_RANGE);
    const double outside[1] = {1.0}, weight[1] = {1.0}, nothing[1] = {0.0};
    def = lr_dots_def_default();
    def.listed = 1;
    def.alpha_rad = outside;
    def.weight = weight;
    assert_int_equal(lr_dots_create(&def, &dots, &err), LR_ERR_RANGE);
    def.alpha_rad = nothing;
    def.weight = nothing;
    assert_int_equal(lr_dots_create(&def, &dots, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "weight: all 1 are 0");
    lr_dots_destroy(NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(cumulative_is_the_sum_of_dots),
        cmocka_unit_test(mean_is_the_quadrature),
        cmocka_unit_test(relative_pattern_has_mean_one),
        cmocka_unit_test(plain_line_is_even),
        cmocka_unit_test(same_seed_same_dots),
        cmocka_unit_test(places_and_shares),
        cmocka_unit_test(windows_differ_as_they_should),
        cmocka_unit_test(lists_and_profiles),
        cmocka_unit_test(dots_are_clipped_at_the_edge),
        cmocka_unit_test(sampling_inverts_the_cumulative),
        cmocka_unit_test(many_means_are_single_ones),
        cmocka_unit_test(faults_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
