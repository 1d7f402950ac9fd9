// SPDX-License-Identifier: Apache-2.0
#include "core/rng.h"

#include <string.h>

#include "close.h"

// Source: kat_vectors of the Random123 library (Salmon et al., SC11), lines "philox4x32 10".
static void philox_known_answers(void **state)
{
    (void)state;
    static const struct { uint32_t counter[4], key[2], want[4]; } cases[] = {
        {{0, 0, 0, 0}, {0, 0}, {0x6627e8d5, 0xe169c58d, 0xbc57ac4c, 0x9b00dbd8}},
        {{0xffffffff, 0xffffffff, 0xffffffff, 0xffffffff}, {0xffffffff, 0xffffffff}, {0x408f276d, 0x41c83b0e, 0xa20bc7c6, 0x6d5451fd}},
        {{0x243f6a88, 0x85a308d3, 0x13198a2e, 0x03707344}, {0xa4093822, 0x299f31d0}, {0xd16cfe09, 0x94fdcceb, 0x5001e420, 0x24126ea1}},
    };
    for (size_t i = 0; i < sizeof cases/sizeof *cases; i++) {
        uint32_t out[4];
        lr_philox(cases[i].key, cases[i].counter, out);
        assert_memory_equal(out, cases[i].want, sizeof out);
    }
}

static void uniform_stays_below_one(void **state)
{
    (void)state;
    assert_true(lr_uniform(0) == 0.0f);
    assert_true(lr_uniform(0xffffffffu) < 1.0f);
    assert_true(lr_uniform(0x80000000u) == 0.5f);
}

static void bits_reverse(void **state)
{
    (void)state;
    assert_true(lr_reverse_bits(1) == 0x80000000u);
    assert_true(lr_reverse_bits(0x12345678u) == 0x1e6a2c48u);  // nibble by nibble, by hand
}

// Mean and variance of the uniform numbers of many counters: 1/2 and 1/12, within 5 standard errors.
static void philox_moments(void **state)
{
    (void)state;
    enum { N = 100000 };
    const uint32_t key[2] = {1, 2};
    double sum = 0, square = 0;
    for (uint32_t i = 0; i < N; i++) {
        uint32_t out[4];
        lr_philox(key, (uint32_t[4]){i, 0, 0, 0}, out);
        for (int k = 0; k < 4; k++) {
            const double d = (double)lr_uniform(out[k]) - 0.5;
            sum += d;
            square += d*d;
        }
    }
    const double n = 4.0*N;
    assert_near(sum/n, 0.0, 5*sqrt(1.0/12/n));
    assert_near(square/n, 1.0/12, 5*sqrt((1.0/80 - 1.0/144)/n));  // variance of d^2
}

// Every elementary interval 2^-a x 2^-b with a + b = k holds exactly one of the points [j 2^k, (j + 1) 2^k).
static void sobol_is_stratified(void **state)
{
    (void)state;
    static uint8_t hit[4096];
    for (uint32_t seed = 0; seed < 40; seed++)
        for (int k = 0; k <= 12; k += 3) {
            const uint32_t count = 1u << k, first = seed%3*count;
            for (int a = 0; a <= k; a++) {
                memset(hit, 0, sizeof hit);
                for (uint32_t i = first; i < first + count; i++) {
                    float u, v;
                    lr_sobol2(i, seed*0x9e3779b9u, &u, &v);
                    const uint32_t x = (uint32_t)ldexpf(u, a), y = (uint32_t)ldexpf(v, k - a);
                    hit[(x << (k - a)) | y]++;
                }
                for (uint32_t i = 0; i < count; i++)
                    assert_int_equal(hit[i], 1);
            }
        }
}

static double product_of(uint32_t seed, uint32_t count, uint32_t first)
{
    double sum = 0;
    for (uint32_t i = first; i < first + count; i++) {
        float u, v;
        lr_sobol2(i, seed, &u, &v);
        sum += (double)u*(double)v;
    }
    return sum/count;
}

// Scrambling is unbiased: the mean of many scrambled estimates of the integral of u v is 1/4; and their scatter is far
// below that of independent points, sqrt(7/144/n).
static void scrambled_integrals(void **state)
{
    (void)state;
    enum { SEEDS = 4000, POINTS = 64 };
    double sum = 0, square = 0;
    for (uint32_t s = 0; s < SEEDS; s++) {
        const double d = product_of(lr_hash(s, 77), POINTS, 0) - 0.25;
        sum += d;
        square += d*d;
    }
    const double mean = sum/SEEDS, variance = square/SEEDS - mean*mean;
    assert_near(mean, 0.0, 5*sqrt(variance/SEEDS));
    assert_true(sqrt(variance) < 0.2*sqrt(7.0/144/POINTS));
}

// Correlation between two sequences of different seeds at the same index, over many pairs: 0 within 5 standard errors.
static void seeds_are_unrelated(void **state)
{
    (void)state;
    enum { PAIRS = 3000 };
    double sum[4] = {0}, square[4] = {0};
    for (uint32_t s = 0; s < PAIRS; s++) {
        double c[4] = {0};
        for (uint32_t i = 0; i < 16; i++) {
            float u[2], v[2];
            lr_sobol2(i, s, &u[0], &v[0]);
            lr_sobol2(i, s + 1, &u[1], &v[1]);  // neighbouring seeds are the hard case
            c[0] += ((double)u[0] - 0.5)*((double)u[1] - 0.5);
            c[1] += ((double)v[0] - 0.5)*((double)v[1] - 0.5);
            c[2] += ((double)u[0] - 0.5)*((double)v[1] - 0.5);
            c[3] += ((double)u[0] - 0.5)*((double)v[0] - 0.5);  // and the two coordinates of one sequence
        }
        for (int k = 0; k < 4; k++) {
            sum[k] += c[k];
            square[k] += c[k]*c[k];
        }
    }
    for (int k = 0; k < 4; k++) {
        const double mean = sum[k]/PAIRS;
        assert_near(mean, 0.0, 5*sqrt((square[k]/PAIRS - mean*mean)/PAIRS));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(philox_known_answers),
        cmocka_unit_test(uniform_stays_below_one),
        cmocka_unit_test(bits_reverse),
        cmocka_unit_test(philox_moments),
        cmocka_unit_test(sobol_is_stratified),
        cmocka_unit_test(scrambled_integrals),
        cmocka_unit_test(seeds_are_unrelated),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
