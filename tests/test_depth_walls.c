// SPDX-License-Identifier: Apache-2.0
// Range error on rendered walls at 1, 2, 4 and 8 m follows dz = z^2 dd/(f b) with the disparity noise dd that was measured, within 20 %:
// the error of two rays that are crossed, by the rule of differentials (any handbook of stereo vision; closed form). Of the head wide120:
// equidistant lenses, so a pixel is 1/f everywhere, and seen under `up` from the baseline's normal the baseline is b cos(up).
// dd: recovered range put into the partner by this file's own formula, less where the renderer says the partner sees the point.
// dz: recovered less true range, the middle 90 % of it, as a wrong match is not noise.
#include "wall_scan.h"

#include "scan/scan_reader.h"

#define FOCAL_PX (3.42e-3/3.5e-6)  // of scenes/heads/wide120.json, as is the baseline
#define BASELINE_M 0.2
#define PIXELS 2048
#define BAND_DEG 7.0

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

static void range_error_follows_the_square_of_range(void **state)
{
    (void)state;
    static const double range_m[] = {1.0, 2.0, 4.0, 8.0};
    static double error_m[WALL_LINES*PIXELS], error_px[WALL_LINES*PIXELS];
    const double up_deg = 10.0;
    for (size_t k = 0; k < sizeof range_m/sizeof *range_m; k++) {
        setting s;
        lr_error err = {0};
        lr_scan_reader *reader;
        lr_npy_map depth;
        char path[64];
        int n = 0, asked = 0;
        setting_open(&(wall){range_m[k], up_deg, ""}, &s);
        scan_and_recover(&s);
        need(lr_scan_reader_open(folder, &reader, &err), &err);
        lr_npy_map truth = open_map(reader, "truth/front/upper.range.npy"), partner = open_map(reader, "truth/front/upper.partner.npy");
        snprintf(path, sizeof path, "%s/depth/front/upper.npy", folder);
        need(lr_npy_open(path, &depth, &err), &err);
        for (int at = 0; at < WALL_LINES*PIXELS; at++) {
            const int pixel = at % PIXELS;
            const double p = (double)((const float *)partner.data)[at], r = (double)((const float *)depth.data)[at];
            if (fabs(-(pixel - 0.5*(PIXELS - 1))/FOCAL_PX/LR_DEG - up_deg) > BAND_DEG || !isfinite(p))
                continue;
            asked++;
            if (!isfinite(r))
                continue;
            error_m[n] = r - (double)((const float *)truth.data)[at];
            error_px[n++] = partner_of(pixel, r) - p;
        }
        const double dd = middle_rms(error_px, n), dz = middle_rms(error_m, n), z = range_m[k];
        const double law = z*z*dd/(FOCAL_PX*BASELINE_M*cos(up_deg*LR_DEG));
        printf("%g m: %d of %d, disparity %.4f px, range %.3f mm, by the law %.3f mm\n", z, n, asked, dd, 1e3*dz, 1e3*law);
        assert_true(n > 0.99*asked && asked > 10000);
        assert_rel(dz, law, 0.2);
        assert_true(dd < 0.5);   // a match, not a guess
        lr_npy_close(&truth), lr_npy_close(&partner), lr_npy_close(&depth);
        lr_scan_reader_close(reader);
        setting_close(&s);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(range_error_follows_the_square_of_range)};
    return cmocka_run_group_tests(tests, folder_make, folder_remove);
}
