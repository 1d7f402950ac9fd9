// SPDX-License-Identifier: Apache-2.0
// The sensor measured as EMVA 1288 measures one: photon transfer on flat fields gives back what the definition says.
#include "sensor/sensor.h"

#include <string.h>

#include "close.h"
#include "core/rng.h"
#include "sensor/noise.h"

#define SIGMAS 5.0          // every random result may be off by five of its standard errors

// ---- Deviates ---------------------------------------------------------------------------------------------------

static void bits_are_philox(void **state)
{
    (void)state;
    const lr_noise_stream s = lr_noise_stream_of(0x123456789abcdef0u, 3, 5, LR_NOISE_PIXEL, 7, -2);
    uint32_t a[LR_NOISE_BLOCK], b[LR_NOISE_BLOCK], out[4];
    lr_noise_bits(&s, 9, a, b);
    for (uint32_t i = 0; i < LR_NOISE_BLOCK/2; i++) {
        const uint32_t counter[4] = {9*(LR_NOISE_BLOCK/2) + i, s.counter[0], s.counter[1], s.counter[2]};
        lr_philox(s.key, counter, out);
        assert_int_equal(a[i], out[0]);
        assert_int_equal(a[i + LR_NOISE_BLOCK/2], out[1]);
        assert_int_equal(b[i], out[2]);
        assert_int_equal(b[i + LR_NOISE_BLOCK/2], out[3]);
    }
}

// z with Phi(z) = (bits + 1/2)/2^32, by bisection on libm's erfc from the nearer tail.
static double normal_reference(uint32_t bits)
{
    const int below = bits < 0x80000000u;
    const double tail = ((below ? bits : 0xffffffffu - bits) + 0.5)*0x1p-32;
    double lo = 0.0, hi = 8.0;
    for (int i = 0; i < 60; i++) {
        const double z = 0.5*(lo + hi);
        if (0.5*erfc(z*sqrt(0.5)) > tail)
            lo = z;
        else
            hi = z;
    }
    return below ? -lo : lo;
}

static void normal_deviates_invert_the_normal_distribution(void **state)
{
    (void)state;
    float before = -10.0f;
    for (double k = 0; k < 4294967296.0; k += k < 1e6 || k > 4293967296.0 ? 1 + 0.1*fmin(k, 4294967295.0 - k) : 4294967.0) {
        const uint32_t bits = (uint32_t)k;
        float z;
        lr_noise_normal(&bits, 1, &z);
        assert_near((double)z, normal_reference(bits), 1e-5);
        assert_true(z >= before - 1e-6f);
        before = z;
    }
    const uint32_t ends[2] = {0, 0xffffffffu};
    float z[2];
    lr_noise_normal(ends, 2, z);
    assert_near((double)z[0], -6.337957755, 1e-5);  // Phi^-1(2^-33)
    assert_near((double)(z[0] + z[1]), 0, 1e-6);
}

static double poisson_term(double mean, int n) { return exp(n*log(mean) - mean - lgamma(n + 1.0)); }

// Below a mean of 30: the very smallest n with P(N <= n) >= u, for every word tried.
static void small_poisson_counts_are_the_exact_inverse(void **state)
{
    (void)state;
    const double means[] = {0.001, 0.1, 0.7, 1, 2.5, 3.999, 4, 4.3, 5, 6, 8, 12, 17.5, 22, 29.9};
    uint32_t a[LR_NOISE_BLOCK], b[LR_NOISE_BLOCK];
    float mean[LR_NOISE_BLOCK], n[LR_NOISE_BLOCK];
    for (size_t k = 0; k < sizeof means/sizeof means[0]; k++)
        for (int line = 0; line < 40; line++) {
            const lr_noise_stream s = lr_noise_stream_of(11, 0, 0, LR_NOISE_PIXEL, 0, line);
            lr_noise_bits(&s, 0, a, b);
            a[0] = 0; a[1] = 0xffffffffu; a[2] = 1; a[3] = 0xfffffff0u;
            for (int i = 0; i < LR_NOISE_BLOCK; i++)
                mean[i] = (float)means[k];
            lr_noise_poisson(mean, a, LR_NOISE_BLOCK, n);
            for (int i = 0; i < LR_NOISE_BLOCK; i++) {
                const double u = (a[i] + 0.5)*0x1p-32, m = (double)mean[i];
                double sum = 0.0;
                for (int j = 0; j < (int)n[i]; j++)
                    sum += poisson_term(m, j);
                assert_true(sum < u + 1e-13);
                assert_true(sum + poisson_term(m, (int)n[i]) >= u - 1e-13);
            }
        }
}

// Pearson's chi-square, bins joined until each expects 20. Its mean is the degrees of freedom k, its variance 2 k.
static void poisson_counts_pass_chi_square(void **state)
{
    (void)state;
    enum { SAMPLES = 8192*LR_NOISE_BLOCK, TOP = 2048 };
    static int histogram[TOP];
    const double means[] = {0.1, 1, 5, 20, 30, 50, 1000};
    for (size_t k = 0; k < sizeof means/sizeof means[0]; k++) {
        memset(histogram, 0, sizeof histogram);
        uint32_t a[LR_NOISE_BLOCK], b[LR_NOISE_BLOCK];
        float mean[LR_NOISE_BLOCK], n[LR_NOISE_BLOCK];
        for (int i = 0; i < LR_NOISE_BLOCK; i++)
            mean[i] = (float)means[k];
        const lr_noise_stream s = lr_noise_stream_of(5, 1, 2, LR_NOISE_PIXEL, 0, (int64_t)k);
        for (uint32_t block = 0; block < SAMPLES/LR_NOISE_BLOCK; block++) {
            lr_noise_bits(&s, block, a, b);
            lr_noise_poisson(mean, a, LR_NOISE_BLOCK, n);
            for (int i = 0; i < LR_NOISE_BLOCK; i++)
                histogram[(int)n[i] < TOP ? (int)n[i] : TOP - 1]++;
        }
        double chi2 = 0.0, expected = 0.0, seen = 0.0, left = 1.0;
        int bins = 0;
        for (int n0 = 0; n0 < TOP; n0++) {
            const double p = n0 < TOP - 1 ? poisson_term((double)(float)means[k], n0) : left;
            left -= p;
            expected += p*SAMPLES;
            seen += histogram[n0];
            if (expected < 20 || (left*SAMPLES < 20 && n0 < TOP - 1))  // the last bin takes the whole tail
                continue;
            chi2 += (seen - expected)*(seen - expected)/expected;
            bins++;
            expected = seen = 0.0;
        }
        assert_true(bins >= 3);
        assert_near(chi2, bins - 1, SIGMAS*sqrt(2.0*(bins - 1)));
    }
}

static void more_light_never_gives_fewer_electrons(void **state)
{
    (void)state;
    uint32_t a[LR_NOISE_BLOCK], b[LR_NOISE_BLOCK];
    float mean[LR_NOISE_BLOCK], n[LR_NOISE_BLOCK], before[LR_NOISE_BLOCK] = {0};
    const lr_noise_stream s = lr_noise_stream_of(5, 1, 2, LR_NOISE_PIXEL, 0, 1);
    lr_noise_bits(&s, 0, a, b);
    for (double m = 0.01; m < 2000; m *= 1.01) {
        for (int i = 0; i < LR_NOISE_BLOCK; i++)
            mean[i] = (float)m;
        lr_noise_poisson(mean, a, LR_NOISE_BLOCK, n);
        for (int i = 0; i < LR_NOISE_BLOCK; i++) {
            assert_true(n[i] >= before[i]);
            before[i] = n[i];
        }
    }
}

// ---- Photon transfer --------------------------------------------------------------------------------------------

enum { PIXELS = 65536, LINES = 64 };

static lr_sensor_def flat_def(void)
{
    lr_sensor_def d = lr_camera_def_default().sensor;
    d.pixels = PIXELS;
    d.full_well_e = 10000;
    d.read_noise_e = 8;
    d.dark_current_e_per_s = 0;
    d.bits = 14;
    d.gain_dn_per_e = 1.3;
    d.offset_dn = 200;
    d.prnu = 0.01;
    d.dsnu_e = 6;
    d.line_offset_e = 0;
    return d;
}

static lr_sensor *sensor_of(const lr_sensor_def *def, uint64_t seed)
{
    lr_sensor *s = NULL;
    assert_int_equal(lr_sensor_create(def, 100e-6, seed, 0, 0, &s, NULL), LR_OK);
    return s;
}

typedef struct flat {
    double mean_dn, temporal_dn2, spatial_dn2;  // EMVA 1288: mean, temporal variance, variance of the pixels' own means
    double temporal_se;                         // standard error of the temporal variance, for Gaussian noise
} flat;

// LINES flat fields. Temporal variance within each pixel; spatial variance of the pixel means less what noise leaves in it.
static flat measure(const lr_sensor *s, double signal_e, int64_t first_line)
{
    static float expected_e[PIXELS];
    static uint16_t dn[PIXELS];
    static double sum[PIXELS], sum2[PIXELS];
    memset(sum, 0, sizeof sum);
    memset(sum2, 0, sizeof sum2);
    for (int i = 0; i < PIXELS; i++)
        expected_e[i] = (float)signal_e;
    for (int line = 0; line < LINES; line++) {
        lr_sensor_expose(s, first_line + line, expected_e, dn);
        for (int i = 0; i < PIXELS; i++) {
            sum[i] += dn[i];
            sum2[i] += (double)dn[i]*dn[i];
        }
    }
    flat f = {0};
    double mean2 = 0.0;
    for (int i = 0; i < PIXELS; i++) {
        const double mean = sum[i]/LINES;
        f.mean_dn += mean/PIXELS;
        mean2 += mean*mean/PIXELS;
        f.temporal_dn2 += (sum2[i] - LINES*mean*mean)/(LINES - 1)/PIXELS;
    }
    f.spatial_dn2 = (mean2 - f.mean_dn*f.mean_dn)*PIXELS/(PIXELS - 1.0) - f.temporal_dn2/LINES;
    f.temporal_se = f.temporal_dn2*sqrt(2.0/((double)PIXELS*(LINES - 1)));
    return f;
}

#define QUANTISATION_DN2 (1.0/12.0)  // variance of rounding to whole numbers

static void photon_transfer_gives_back_gain_and_read_noise(void **state)
{
    (void)state;
    const lr_sensor_def def = flat_def();
    lr_sensor *s = sensor_of(&def, 42);
    const double k = def.gain_dn_per_e;
    const flat dark = measure(s, 0, 0);
    assert_near(dark.mean_dn, def.offset_dn, SIGMAS*k*sqrt(def.dsnu_e*def.dsnu_e/PIXELS + 64.0/((double)PIXELS*LINES)));
    assert_near(dark.temporal_dn2, k*k*64.0 + QUANTISATION_DN2, SIGMAS*dark.temporal_se);
    const double levels_e[] = {3, 20, 100, 500, 2000, 5000, 7000};
    for (size_t i = 0; i < sizeof levels_e/sizeof levels_e[0]; i++) {
        const double mu = levels_e[i], v = mu + 64.0, n = (double)PIXELS*(LINES - 1);
        const flat f = measure(s, mu, 1000*(int64_t)(i + 1));
        // Linearity: the spread of the pixels' gains is the same in every level and stays.
        double gain = 0.0;
        for (int j = 0; j < PIXELS; j++)
            gain += (double)lr_sensor_gain_map(s)[j]/PIXELS;
        assert_near(f.mean_dn - dark.mean_dn, k*mu*gain, SIGMAS*k*sqrt(2.0*v/n));
        // Slope of the transfer. Variance of a Poisson plus Gaussian variance estimate: (2 v^2 + mu)/n.
        assert_near(f.temporal_dn2 - dark.temporal_dn2, k*k*mu*gain, SIGMAS*k*k*sqrt((2*v*v + mu)/n + 2*64.0*64.0/n));
    }
    lr_sensor_destroy(s);
}

static void flat_fields_give_back_prnu_and_dsnu(void **state)
{
    (void)state;
    const lr_sensor_def def = flat_def();
    lr_sensor *s = sensor_of(&def, 43);
    const flat dark = measure(s, 0, 0), half = measure(s, 5000, 1000);
    const double k = def.gain_dn_per_e, relative = SIGMAS*sqrt(0.5/PIXELS)*1.3;  // of a standard deviation; 1.3: noise left in the means
    assert_rel(sqrt(dark.spatial_dn2)/k, def.dsnu_e, relative);
    assert_rel(sqrt(half.spatial_dn2 - dark.spatial_dn2)/(half.mean_dn - dark.mean_dn), def.prnu, relative);
    lr_sensor_destroy(s);
}

static void dark_current_adds_its_electrons_and_their_noise(void **state)
{
    (void)state;
    lr_sensor_def def = flat_def();
    def.dark_current_e_per_s = 1e6;  // 100 e in 100 us
    lr_sensor *s = sensor_of(&def, 44);
    const flat f = measure(s, 0, 0);
    const double k = def.gain_dn_per_e;
    assert_near(f.mean_dn, def.offset_dn + k*100, SIGMAS*k*sqrt(def.dsnu_e*def.dsnu_e/PIXELS + 164.0/((double)PIXELS*LINES)));
    assert_near(f.temporal_dn2, k*k*(100 + 64.0) + QUANTISATION_DN2, SIGMAS*f.temporal_se);
    lr_sensor_destroy(s);
}

// Ten times the full well: every pixel is full, so only read noise and rounding are left of the temporal noise.
static void a_full_well_holds_no_more(void **state)
{
    (void)state;
    const lr_sensor_def def = flat_def();
    lr_sensor *s = sensor_of(&def, 45);
    const flat f = measure(s, 100000, 0);
    const double k = def.gain_dn_per_e;
    assert_near(f.mean_dn, def.offset_dn + k*10000, SIGMAS*k*sqrt(def.dsnu_e*def.dsnu_e/PIXELS + 64.0/((double)PIXELS*LINES)));
    assert_near(f.temporal_dn2, k*k*64.0 + QUANTISATION_DN2, SIGMAS*f.temporal_se);
    lr_sensor_destroy(s);
}

static void line_noise_is_common_to_a_line(void **state)
{
    (void)state;
    enum { COUNT = 2000 };
    lr_sensor_def def = flat_def();
    def.pixels = 512;
    def.read_noise_e = 2;
    def.prnu = def.dsnu_e = 0;
    def.line_offset_e = 5;
    lr_sensor *s = sensor_of(&def, 46);
    float expected_e[512] = {0};
    uint16_t dn[512];
    double sum = 0.0, sum2 = 0.0;
    for (int line = 0; line < COUNT; line++) {
        lr_sensor_expose(s, line, expected_e, dn);
        double mean = 0.0;
        for (int i = 0; i < 512; i++)
            mean += dn[i]/512.0;
        sum += mean;
        sum2 += mean*mean;
    }
    const double k = def.gain_dn_per_e, variance = (sum2 - sum*sum/COUNT)/(COUNT - 1);
    const double want = k*k*(25.0 + 4.0/512) + QUANTISATION_DN2/512;
    assert_near(variance, want, SIGMAS*want*sqrt(2.0/COUNT));
    lr_sensor_destroy(s);
}

// ---- Edges ------------------------------------------------------------------------------------------------------

static void numbers_stay_within_the_converter(void **state)
{
    (void)state;
    lr_sensor_def def = flat_def();
    def.pixels = 300;
    def.bits = 8;
    def.gain_dn_per_e = 10;
    def.offset_dn = 0;
    lr_sensor *s = sensor_of(&def, 47);
    float expected_e[300];
    uint16_t dn[300];
    int zeros = 0;
    for (int i = 0; i < 300; i++)
        expected_e[i] = i < 100 ? 0.0f : i < 200 ? INFINITY : 1e30f;
    lr_sensor_expose(s, 0, expected_e, dn);
    for (int i = 0; i < 300; i++) {
        zeros += dn[i] == 0;
        if (i >= 100)
            assert_int_equal(dn[i], 255);
    }
    assert_true(zeros > 30 && zeros < 70);  // half of the dark pixels fall below an offset of 0
    lr_sensor_destroy(s);
}

static void no_number_is_no_light(void **state)
{
    (void)state;
    lr_sensor_def def = flat_def();
    def.pixels = 256;
    lr_sensor *s = sensor_of(&def, 48);
    float bad[256], none[256] = {0};
    uint16_t a[256], b[256];
    for (int i = 0; i < 256; i++)
        bad[i] = i % 2 ? NAN : -5.0f;
    lr_sensor_expose(s, 3, bad, a);
    lr_sensor_expose(s, 3, none, b);
    assert_memory_equal(a, b, sizeof a);
    lr_sensor_destroy(s);
}

static void defects_are_stuck(void **state)
{
    (void)state;
    lr_sensor_def def = flat_def();
    def.defect_share = 0.01;
    lr_sensor *s = sensor_of(&def, 49);
    static float expected_e[PIXELS];
    static uint16_t dn[PIXELS];
    for (int i = 0; i < PIXELS; i++)
        expected_e[i] = 3000.0f;
    lr_sensor_expose(s, 0, expected_e, dn);
    const int count = lr_sensor_defect_count(s);
    int bright = 0, before = -1;
    for (int i = 0; i < count; i++) {
        int pixel;
        const int stuck = lr_sensor_defect(s, i, &pixel);
        assert_true(pixel > before);
        assert_int_equal(dn[pixel], stuck);
        assert_true(stuck == 0 || stuck == 16383);
        bright += stuck > 0;
        before = pixel;
    }
    assert_near(count, 0.01*PIXELS, SIGMAS*sqrt(0.01*0.99*PIXELS));
    assert_near(bright, 0.5*count, SIGMAS*sqrt(0.25*count));
    lr_sensor_destroy(s);
}

// A number depends on its key alone: not on the order of lines, nor on how many pixels stand behind it.
static void order_and_length_do_not_matter(void **state)
{
    (void)state;
    lr_sensor_def def = flat_def();
    def.line_offset_e = 2;
    def.pixels = 1000;
    lr_sensor *long_one = sensor_of(&def, 50);
    def.pixels = 333;
    lr_sensor *short_one = sensor_of(&def, 50);
    float expected_e[1000];
    uint16_t forth[8][1000], back[8][333];
    for (int i = 0; i < 1000; i++)
        expected_e[i] = 0.05f*(float)i;
    for (int line = 0; line < 8; line++)
        lr_sensor_expose(long_one, line, expected_e, forth[line]);
    for (int line = 7; line >= 0; line--)
        lr_sensor_expose(short_one, line, expected_e, back[line]);
    for (int line = 0; line < 8; line++)
        assert_memory_equal(forth[line], back[line], sizeof back[line]);
    lr_sensor_destroy(long_one);
    lr_sensor_destroy(short_one);
}

// Another seed, module, camera or line: noise without correlation. Of n pairs the correlation has standard error 1/sqrt(n).
static void keys_are_independent(void **state)
{
    (void)state;
    lr_sensor_def def = flat_def();
    def.prnu = def.dsnu_e = 0;
    static float expected_e[PIXELS];
    static uint16_t dn[5][PIXELS];
    const struct { uint64_t seed; int module, camera; int64_t line; } key[5] = {{1, 0, 0, 0}, {2, 0, 0, 0}, {1, 1, 0, 0}, {1, 0, 1, 0}, {1, 0, 0, 1}};
    for (int i = 0; i < PIXELS; i++)
        expected_e[i] = 100.0f;
    for (int j = 0; j < 5; j++) {
        lr_sensor *s = NULL;
        assert_int_equal(lr_sensor_create(&def, 1e-4, key[j].seed, key[j].module, key[j].camera, &s, NULL), LR_OK);
        lr_sensor_expose(s, key[j].line, expected_e, dn[j]);
        lr_sensor_destroy(s);
    }
    const double mean = 200 + 1.3*100, sigma2 = 1.69*164 + QUANTISATION_DN2;
    for (int j = 1; j < 5; j++) {
        double sum = 0.0;
        for (int i = 0; i < PIXELS; i++)
            sum += (dn[0][i] - mean)*(dn[j][i] - mean);
        assert_near(sum/PIXELS/sigma2, 0, SIGMAS/sqrt(PIXELS));
    }
}

static void a_bad_sensor_is_refused(void **state)
{
    (void)state;
    lr_sensor_def def = flat_def();
    lr_sensor *s = NULL;
    lr_error err = {""};
    assert_int_equal(lr_sensor_create(&def, (double)NAN, 1, 0, 0, &s, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "exposure_s: nan is not in (0, 1]");
    def.full_well_e = 0;
    assert_int_equal(lr_sensor_create(&def, 1e-4, 1, 0, 0, &s, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "sensor.full_well_e: 0 is not in (0, 1000000000]");
    assert_null(s);
    lr_sensor_destroy(NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bits_are_philox),
        cmocka_unit_test(normal_deviates_invert_the_normal_distribution),
        cmocka_unit_test(small_poisson_counts_are_the_exact_inverse),
        cmocka_unit_test(poisson_counts_pass_chi_square),
        cmocka_unit_test(more_light_never_gives_fewer_electrons),
        cmocka_unit_test(photon_transfer_gives_back_gain_and_read_noise),
        cmocka_unit_test(flat_fields_give_back_prnu_and_dsnu),
        cmocka_unit_test(dark_current_adds_its_electrons_and_their_noise),
        cmocka_unit_test(a_full_well_holds_no_more),
        cmocka_unit_test(line_noise_is_common_to_a_line),
        cmocka_unit_test(numbers_stay_within_the_converter),
        cmocka_unit_test(no_number_is_no_light),
        cmocka_unit_test(defects_are_stuck),
        cmocka_unit_test(order_and_length_do_not_matter),
        cmocka_unit_test(keys_are_independent),
        cmocka_unit_test(a_bad_sensor_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
