// SPDX-License-Identifier: Apache-2.0
// Which lines are rendered twice, and what two renderings say of their error; that it is true of a scan is the matter of test_scan_light_error.sh.
#include "close.h"

#include "core/rng.h"
#include "run/light_error.h"

#define PIXELS 20000

static void some_lines_are_rendered_twice(void **state)
{
    (void)state;
    const int64_t rows[] = {1, 10, 72, 900, 3600, 100000};
    for (int slots = 1; slots <= 6; slots++)
        for (int k = 0; k < 6; k++) {
            int64_t count = 0, least = INT64_MAX, most = 0;
            for (int c = 0; c < slots; c++) {
                int64_t of_camera = 0;
                for (int64_t row = 0; row < rows[k]; row++)
                    of_camera += lr_light_error_wants(row, rows[k], c, slots);
                count += of_camera;
                least = of_camera < least ? of_camera : least;
                most = of_camera > most ? of_camera : most;
            }
            const int64_t all = rows[k]*slots;
            assert_true(count >= (all < 16 ? all : 16 - slots));
            assert_true(count <= all/64 + slots || count <= 32 + slots);   // a long scan pays 1/64
            assert_true(most - least <= 1);
        }
}

static lr_sensor *sensor_of(lr_sensor_def *def)
{
    lr_sensor *sensor = NULL;
    *def = lr_camera_def_default().sensor;
    def->pixels = PIXELS;
    assert_int_equal(lr_sensor_create(def, 100e-6, 1, 0, 0, &sensor, NULL), LR_OK);
    return sensor;
}

// The linear model of EMVA 1288 (release 4.0, eq. 18 in electrons; from memory): var = mu + mu_dark + read^2 + (1/K)^2/12.
static void noise_is_that_of_the_sensor(void **state)
{
    (void)state;
    lr_sensor_def def;
    lr_sensor *sensor = sensor_of(&def);
    const double step_e = 1.0/def.gain_dn_per_e, rest = def.dark_current_e_per_s*100e-6 + def.read_noise_e*def.read_noise_e + step_e*step_e/12.0;
    assert_rel(lr_sensor_variance_e2(sensor, 1000.0), 1000.0 + rest, 1e-6);   // the sensor keeps floats
    assert_rel(lr_sensor_variance_e2(sensor, -5.0), rest, 1e-6);
    // and what it does: differences of two exposures of even light
    float *light = malloc(PIXELS*sizeof *light);
    uint16_t *a = malloc(PIXELS*sizeof *a), *b = malloc(PIXELS*sizeof *b);
    double sum = 0.0, square = 0.0;
    for (int i = 0; i < PIXELS; i++)
        light[i] = 500.0f;
    lr_sensor_expose(sensor, 1, light, a);
    lr_sensor_expose(sensor, 2, light, b);
    for (int i = 0; i < PIXELS; i++) {
        const double d = ((double)a[i] - (double)b[i])*step_e/sqrt(2.0);
        sum += d;
        square += d*d;
    }
    const double variance = square/PIXELS - sum*sum/PIXELS/PIXELS, want = lr_sensor_variance_e2(sensor, 500.0);
    assert_rel(variance, want, 5.0*sqrt(2.0/PIXELS) + def.prnu*def.prnu);   // the line's own offset falls out with the mean; the gain's pattern adds its share
    free(light);
    free(a);
    free(b);
    lr_sensor_destroy(sensor);
}

// Two renderings that differ by normal errors of a known share s of the noise: P(|error| < noise/4) = erf(1/(4 sqrt(2) s)).
static void known_errors_are_found(void **state)
{
    (void)state;
    lr_sensor_def def;
    lr_sensor *sensor = sensor_of(&def);
    float *one[5], *other[5];
    for (int part = 0; part < 5; part++) {
        one[part] = calloc(PIXELS, sizeof(float));
        other[part] = calloc(PIXELS, sizeof(float));
    }
    for (int k = 0; k < 3; k++) {
        const double s = (double[]){0.05, 0.2, 1.0}[k], e = 800.0, sigma = s*sqrt(lr_sensor_variance_e2(sensor, e));
        for (int i = 0; i < PIXELS; i++) {
            const double u = ((double)lr_hash(lr_hash(1, (uint32_t)k), (uint32_t)i) + 0.5)*0x1p-32, v = ((double)lr_hash(lr_hash(2, (uint32_t)k), (uint32_t)i) + 0.5)*0x1p-32;
            const double radius = sigma*sqrt(-2.0*log(u));
            one[0][i] = other[0][i] = 300.0f;
            one[2][i] = (float)(500.0 + radius*cos(2.0*LR_PI*v));
            other[2][i] = (float)(500.0 + radius*sin(2.0*LR_PI*v));
        }
        lr_light_error sum = {0};
        const lr_truth_error record = lr_light_error_line(sensor, one, other), nothing = {0};
        lr_light_error_add(&sum, &record);
        lr_light_error_add(&sum, &nothing);
        assert_int_equal(sum.lines, 1);
        assert_int_equal(sum.pixels, PIXELS);
        const double share = erf(0.25/(sqrt(2.0)*s));
        assert_near(lr_light_error_share(&sum), share, 5.0*sqrt((share*(1.0 - share) + 1e-5)/PIXELS));
        assert_rel(lr_light_error_rms(&sum, 0), s, 5.0*sqrt(0.5/PIXELS) + 0.005);   // the noise is taken from the mean of both, which has errors as well
        assert_rel(lr_light_error_rms(&sum, 3), s, 5.0*sqrt(0.5/PIXELS) + 0.005);   // sun
        assert_true(lr_light_error_rms(&sum, 1) == 0.0);
    }
    for (int part = 0; part < 5; part++) {
        free(one[part]);
        free(other[part]);
    }
    lr_sensor_destroy(sensor);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(some_lines_are_rendered_twice),
        cmocka_unit_test(noise_is_that_of_the_sensor),
        cmocka_unit_test(known_errors_are_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
