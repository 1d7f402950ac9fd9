// SPDX-License-Identifier: Apache-2.0
// Range error on rendered walls at 1, 2, 4 and 8 m follows dz = z^2 dd/(f b) with the disparity noise dd that was measured, within 20 %:
// the error of two rays that are crossed, by the rule of differentials (any handbook of stereo vision; closed form). Of the head wide120:
// equidistant lenses, so a pixel is 1/f everywhere, and seen under `up` from the baseline's normal the baseline is b cos(up).
// dd: from the raw lines alone, with no truth: the wall is scanned twice with other noise, and the two disparities recovered for a pixel
// differ by dd sqrt(2). dz: recovered less true range. So a bias, a wrong baseline or angle, or an error that noise does not explain
// shows. Where light is plenty, what sampling leaves in a disparity is as large as noise (0.01 px, the same in both scans, as the dots fall
// on pixels the same way): it is measured once, at REFERENCE_M, by the truth, and taken for all walls. Of all the middle 90 %, as a wrong
// match is not noise.
#include "wall_scan.h"

#include "scan/scan_reader.h"

#define FOCAL_PX (3.42e-3/3.5e-6)  // of scenes/heads/wide120.json, as is the baseline
#define BASELINE_M 0.2
#define PIXELS 2048
#define BAND_DEG 7.0
#define UP_DEG 10.0
#define REFERENCE_M 1.4

static int by_value(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

// Root mean square without the most extreme 5 % on either side.
static double middle_rms(double *x, int n)
{
    double sum = 0.0;
    qsort(x, (size_t)n, sizeof *x, by_value);
    for (int i = n/20; i < n - n/20; i++)
        sum += x[i]*x[i];
    return sqrt(sum/(n - 2*(n/20)));
}

static lr_npy_map open_map(lr_scan_reader *reader, const char *path)
{
    lr_npy_map map;
    lr_error err = {0};
    need(lr_scan_reader_array(reader, path, &map, &err), &err);
    return map;
}

// Upper camera at +b/2; angles rise upwards.
static double partner_of(int pixel, double range_m)
{
    const double up = -(pixel - 0.5*(PIXELS - 1))/FOCAL_PX;
    return 0.5*(PIXELS - 1) - FOCAL_PX*atan2(range_m*sin(up) + BASELINE_M, range_m*cos(up));
}

typedef struct recovered { float *range, *truth, *partner; } recovered;   // (WALL_LINES x PIXELS) of the upper camera

static float *copy_of(const lr_npy_map *map)
{
    float *out = malloc(WALL_LINES*PIXELS*sizeof *out);
    assert_non_null(out);
    memcpy(out, map->data, WALL_LINES*PIXELS*sizeof *out);
    return out;
}

static recovered recover(const setting *s, uint64_t seed)
{
    const lr_match_def match = lr_match_def_default();
    lr_error err = {0};
    lr_scan_reader *reader;
    lr_npy_map depth;
    char path[64];
    scan_and_recover(s, &match, seed);
    need(lr_scan_reader_open(folder, &reader, &err), &err);
    lr_npy_map truth = open_map(reader, "truth/front/upper.range.npy"), partner = open_map(reader, "truth/front/upper.partner.npy");
    snprintf(path, sizeof path, "%s/depth/front/upper.npy", folder);
    need(lr_npy_open(path, &depth, &err), &err);
    const recovered r = {copy_of(&depth), copy_of(&truth), copy_of(&partner)};
    lr_npy_close(&truth), lr_npy_close(&partner), lr_npy_close(&depth);
    lr_scan_reader_close(reader);
    return r;
}

typedef struct spread { double apart_px, error_px, error_m; } spread;   // middle rms: of two scans over sqrt 2; of one against the truth

static spread look(double z)
{
    static double error_m[WALL_LINES*PIXELS], error_px[WALL_LINES*PIXELS], apart_px[WALL_LINES*PIXELS];
    setting s;
    int n = 0, asked = 0;
    setting_open(&(wall){z, UP_DEG, ""}, &s);
    const recovered a = recover(&s, 100), b = recover(&s, 200);
    for (int at = 0; at < WALL_LINES*PIXELS; at++) {
        const int pixel = at % PIXELS;
        if (fabs(-(pixel - 0.5*(PIXELS - 1))/FOCAL_PX/LR_DEG - UP_DEG) > BAND_DEG || !isfinite(a.partner[at]))
            continue;
        asked++;
        if (!isfinite(a.range[at]) || !isfinite(b.range[at]))
            continue;
        const double place = partner_of(pixel, (double)a.range[at]);
        error_m[n] = (double)a.range[at] - (double)a.truth[at];
        error_px[n] = place - (double)a.partner[at];
        apart_px[n++] = place - partner_of(pixel, (double)b.range[at]);
    }
    assert_true(n > 0.99*asked && asked > 10000);
    free(a.range), free(a.truth), free(a.partner), free(b.range), free(b.truth), free(b.partner);
    setting_close(&s);
    return (spread){middle_rms(apart_px, n)/sqrt(2.0), middle_rms(error_px, n), middle_rms(error_m, n)};
}

static void range_error_follows_the_square_of_range(void **state)
{
    (void)state;
    static const double range_m[] = {1.0, 2.0, 4.0, 8.0};
    const spread r = look(REFERENCE_M);
    const double residue_px = sqrt(fmax(r.error_px*r.error_px - r.apart_px*r.apart_px, 0.0));
    printf("%g m: noise %.4f px, error %.4f px: sampling leaves %.4f px\n", REFERENCE_M, r.apart_px, r.error_px, residue_px);
    assert_true(residue_px < 0.03);
    for (size_t k = 0; k < sizeof range_m/sizeof *range_m; k++) {
        const spread w = look(range_m[k]);
        const double z = range_m[k], dd = hypot(w.apart_px, residue_px), law = z*z*dd/(FOCAL_PX*BASELINE_M*cos(UP_DEG*LR_DEG));
        printf("%g m: noise %.4f px, range error %.3f mm, by the law %.3f mm\n", z, w.apart_px, 1e3*w.error_m, 1e3*law);
        assert_rel(w.error_m, law, 0.2);
        assert_true(dd < 0.5);   // a match, not a guess
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(range_error_follows_the_square_of_range)};
    return cmocka_run_group_tests(tests, folder_make, folder_remove);
}
