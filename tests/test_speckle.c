// SPDX-License-Identifier: Apache-2.0
#include "sensor/speckle.h"

#include <string.h>

#include "close.h"
#include "core/vec.h"

#define SIGMAS 5.0          // every random result may be off by five of its standard errors
#define REL_COUNT 2e-3      // lr_speckle_count promises 1e-3, the second road here about as much

// ---- How many speckles ------------------------------------------------------------------------------------------

static double sinc2(double x) { return x == 0.0 ? 1.0 : pow(sin(LR_PI*x)/(LR_PI*x), 2); }

// MTF of a round pupil free of aberrations, frequency in units of the cut-off 1/(lambda N).
// Source: Goodman, Introduction to Fourier Optics, ch. 6 (from memory).
static double mtf(double v) { return v < 1.0 ? 2/LR_PI*(acos(v) - v*sqrt(1 - v*v)) : 0.0; }

// The second road: 1/M in the frequency plane. |mu|^2 transforms into A_c MTF, A_c = 4 (lambda N)^2/pi; each box of the
// pixel into sinc^2.
static double count_by_frequency(const lr_speckle_def *d)
{
    enum { N = 3000 };
    const double cut = 1/(d->wavelength_m*d->f_number), ac = 4/(LR_PI*cut*cut), h = cut/N;
    double sum = 0.0;
    for (int j = 0; j < N; j++) {
        const double vy = (j + 0.5)*h, y = sinc2(vy*d->width_m)*sinc2(vy*d->drag_m);
        double row = 0.0;
        for (int i = 0; i < N; i++) {
            const double vx = (i + 0.5)*h;
            row += mtf(hypot(vx, vy)/cut)*sinc2(vx*d->pitch_m);
        }
        sum += row*y;
    }
    return 1/(4*ac*sum*h*h)*2/(1 + d->polarisation*d->polarisation);
}

static void counts_agree_with_the_frequency_plane(void **state)
{
    (void)state;
    const double cases[][6] = {  // f_number, wavelength, pitch, width, drag, polarisation
        {2, 850e-9, 3.5e-6, 14e-6, 0, 0}, {1.6, 850e-9, 3.5e-6, 14e-6, 5.1e-6, 0}, {8, 650e-9, 3.5e-6, 3.5e-6, 0, 1},
        {2.4, 850e-9, 5.6e-6, 11.2e-6, 9.7e-6, 0.5}, {2, 905e-9, 10e-6, 40e-6, 60e-6, 0}, {16, 940e-9, 2e-6, 2e-6, 1e-6, 0},
    };
    for (size_t i = 0; i < sizeof cases/sizeof cases[0]; i++) {
        const lr_speckle_def d = {cases[i][0], cases[i][1], cases[i][2], cases[i][3], cases[i][4], cases[i][5]};
        assert_int_equal(lr_speckle_def_check(&d, NULL), LR_OK);
        assert_rel(lr_speckle_count(&d), count_by_frequency(&d), REL_COUNT);
    }
}

// A pixel far smaller than a speckle sees one of them: full contrast in polarised light, 1/sqrt(2) when the scattered
// light is depolarised (two independent patterns of equal strength; Goodman, Speckle Phenomena in Optics, from memory).
static void a_small_pixel_sees_one_speckle(void **state)
{
    (void)state;
    lr_speckle_def d = {.f_number = 50, .wavelength_m = 1e-6, .pitch_m = 1e-7, .width_m = 1e-7, .polarisation = 1};
    assert_rel(lr_speckle_count(&d), 1, 1e-4);
    assert_rel(lr_speckle_contrast(lr_speckle_count(&d)), 1, 1e-4);
    d.polarisation = 0;
    assert_rel(lr_speckle_contrast(lr_speckle_count(&d)), sqrt(0.5), 1e-4);
}

// A long narrow slit of width w, in units of lambda N/pi: 1/M = (2/w^2) integral of (w - s) (2 J1(s)/s)^2 ds. To infinity
// the integral of (2 J1/s)^2 is 16/(3 pi) and that of s (2 J1/s)^2 is 2; what lies beyond w is of order 1/w^2.
static void a_long_slit_counts_speckles_in_a_row(void **state)
{
    (void)state;
    const double unit_m = 850e-9*2/LR_PI, w = 900;
    const lr_speckle_def d = {.f_number = 2, .wavelength_m = 850e-9, .pitch_m = 1e-9, .width_m = w*unit_m, .polarisation = 1};
    assert_rel(lr_speckle_count(&d), w/(2*(16/(3*LR_PI) - 2/w)), REL_COUNT);
}

static void dragging_the_image_only_adds_speckles(void **state)
{
    (void)state;
    lr_speckle_def d = lr_speckle_def_default();
    double before = 0.0;
    for (int i = 0; i < 40; i++) {
        d.drag_m = i*1e-6;
        const double count = lr_speckle_count(&d);
        assert_true(count > before);
        before = count;
    }
}

static void bad_definitions_are_refused(void **state)
{
    (void)state;
    lr_error err = {""};
    lr_speckle_def d = lr_speckle_def_default();
    d.f_number = 0;
    assert_int_equal(lr_speckle_def_check(&d, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "f_number: 0 is not in (0, 100]");
    d = lr_speckle_def_default();
    d.polarisation = (double)NAN;
    assert_int_equal(lr_speckle_def_check(&d, &err), LR_ERR_RANGE);
    lr_speckle *s;
    assert_int_equal(lr_speckle_create(0.5, 1, 0, 0, 0, &s, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "speckles per pixel: 0.5 is not in [1, 1000000]");
    assert_null(s);
    lr_speckle_destroy(NULL);
}

// ---- Gamma deviates ---------------------------------------------------------------------------------------------

enum { PIXELS = 2048, LINES = 512, SAMPLES = PIXELS*LINES };

static const float *draw(double count)
{
    static float factor[SAMPLES];
    lr_speckle *s = NULL;
    assert_int_equal(lr_speckle_create(count, 9, 1, 0, 2, &s, NULL), LR_OK);
    for (int line = 0; line < LINES; line++)
        lr_speckle_line(s, line, PIXELS, factor + (size_t)line*PIXELS);
    lr_speckle_destroy(s);
    return factor;
}

// Gamma of shape M and mean 1: variance 1/M, third central moment 2/M^2, fourth (3 + 6/M)/M^2; the sixth, needed for the
// error of the third, is (15 + 130/M + 120/M^2)/M^3.
static void moments_are_those_of_the_gamma_distribution(void **state)
{
    (void)state;
    const double counts[] = {1, 1.3, 2, 5, 12.5, 60, 199, 201, 3000};
    for (size_t k = 0; k < sizeof counts/sizeof counts[0]; k++) {
        const double m = counts[k], n = SAMPLES;
        const float *f = draw(m);
        double m1 = 0.0, m2 = 0.0, m3 = 0.0;
        for (int i = 0; i < SAMPLES; i++) {
            const double x = (double)f[i] - 1.0;
            assert_true(f[i] >= 0.0f);
            m1 += x/n;
            m2 += x*x/n;
            m3 += x*x*x/n;
        }
        const double mu4 = (3 + 6/m)/(m*m), mu6 = (15 + 130/m + 120/(m*m))/(m*m*m);
        assert_near(m1, 0, SIGMAS*sqrt(1/(m*n)));
        assert_near(m2, 1/m, SIGMAS*sqrt((mu4 - 1/(m*m))/n));
        assert_near(m3, 2/(m*m), SIGMAS*sqrt((mu6 - 4/(m*m*m*m))/n));
    }
}

static int rising(const void *a, const void *b)
{
    const float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

// Largest distance to a distribution function. Kolmogorov: P(sqrt(n) D > x) = 2 exp(-2 x^2); 2.76 is five sigma.
static double distance(const float *sorted, double (*cumulative)(double))
{
    double most = 0.0;
    for (int i = 0; i < SAMPLES; i++) {
        const double c = cumulative((double)sorted[i]);
        most = fmax(most, fmax(fabs(c - (double)i/SAMPLES), fabs(c - (i + 1.0)/SAMPLES)));
    }
    return most*sqrt(SAMPLES);
}

static double exponential(double x) { return 1 - exp(-x); }                                        // M = 1
static double erlang4(double x) { x *= 4; return 1 - exp(-x)*(1 + x + x*x/2 + x*x*x/6); }           // M = 4

static void distributions_are_exponential_and_erlang(void **state)
{
    (void)state;
    static float sorted[SAMPLES];
    memcpy(sorted, draw(1), sizeof sorted);
    qsort(sorted, SAMPLES, sizeof sorted[0], rising);
    assert_near(distance(sorted, exponential), 0, 2.76);
    memcpy(sorted, draw(4), sizeof sorted);
    qsort(sorted, SAMPLES, sizeof sorted[0], rising);
    assert_near(distance(sorted, erlang4), 0, 2.76);
}

// The change from the exact table to the cube-root law at 200 must not show: same bits, nearly the same factor.
static void shapes_join_where_the_method_changes(void **state)
{
    (void)state;
    lr_speckle *a = NULL, *b = NULL;
    float fa[PIXELS], fb[PIXELS];
    assert_int_equal(lr_speckle_create(200, 9, 0, 0, 0, &a, NULL), LR_OK);
    assert_int_equal(lr_speckle_create(200.0001, 9, 0, 0, 0, &b, NULL), LR_OK);
    lr_speckle_line(a, 0, PIXELS, fa);
    lr_speckle_line(b, 0, PIXELS, fb);
    for (int i = 0; i < PIXELS; i++)
        assert_near((double)fa[i], (double)fb[i], 2e-4);
    lr_speckle_destroy(a);
    lr_speckle_destroy(b);
}

// Other lines, lasers and cameras are other speckle. Correlation of n pairs has standard error 1/sqrt(n).
static void keys_are_independent(void **state)
{
    (void)state;
    enum { N = 65536 };
    static float f[4][N];
    const int key[4][3] = {{0, 0, 0}, {1, 0, 0}, {0, 1, 0}, {0, 0, 1}};  // camera, laser, line
    for (int j = 0; j < 4; j++) {
        lr_speckle *s = NULL;
        assert_int_equal(lr_speckle_create(3, 9, 0, key[j][0], key[j][1], &s, NULL), LR_OK);
        lr_speckle_line(s, key[j][2], N, f[j]);
        lr_speckle_destroy(s);
    }
    for (int j = 1; j < 4; j++) {
        double sum = 0.0;
        for (int i = 0; i < N; i++)
            sum += ((double)f[0][i] - 1)*((double)f[j][i] - 1)*3.0/N;
        assert_near(sum, 0, SIGMAS/sqrt(N));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(counts_agree_with_the_frequency_plane),
        cmocka_unit_test(a_small_pixel_sees_one_speckle),
        cmocka_unit_test(a_long_slit_counts_speckles_in_a_row),
        cmocka_unit_test(dragging_the_image_only_adds_speckles),
        cmocka_unit_test(bad_definitions_are_refused),
        cmocka_unit_test(moments_are_those_of_the_gamma_distribution),
        cmocka_unit_test(distributions_are_exponential_and_erlang),
        cmocka_unit_test(shapes_join_where_the_method_changes),
        cmocka_unit_test(keys_are_independent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
