// SPDX-License-Identifier: Apache-2.0
// The matcher on any pair of pictures whose lines correspond: disparity x_upper - x_lower from 0 to MOST along the rows.
//   bench_match UPPER.npy LOWER.npy MOST OUT.npy   float32 [lines, pixels] of electrons in, disparity out (NaN: none)
// Prints the time per megapixel and per candidate, for both maps together.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/npy.h"
#include "depth/match.h"

#define FOCAL_PX 50000.0  // so long a lens that inverse range is disparity
enum { BLOCK = 40, BESIDE = 4 };

static lr_cal_camera camera_at(double z_m, int pixels)
{
    lr_cal_camera c = {.pixels = pixels, .pitch_m = 1e-6, .width_m = 1e-6, .exposure_s = 1e-4, .bits = 16, .gain_dn_per_e = 1.0, .full_well_e = 1e5};
    c.pose = lr_transform_identity();
    c.pose.origin_m.z = z_m;
    c.lens = lr_lens_default();
    c.lens.focal_m = FOCAL_PX*1e-6;
    return c;
}

static void stop_on(lr_status status, const lr_error *err)
{
    if (status != LR_OK) {
        fprintf(stderr, "bench_match: %s\n", err->text);
        exit(1);
    }
}

static double cpu_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

int main(int argc, char **argv)
{
    lr_error err = {""};
    lr_npy_map map[2];
    if (argc != 5) {
        fprintf(stderr, "usage: bench_match UPPER.npy LOWER.npy MOST OUT.npy\n");
        return 2;
    }
    for (int v = 0; v < 2; v++)
        stop_on(lr_npy_open(argv[1 + v], &map[v], &err), &err);
    const int lines = (int)map[0].info.shape[0], pixels = (int)map[0].info.shape[1];
    if (strcmp(map[0].info.descr, "<f4") != 0 || map[0].size != map[1].size || map[0].info.dims != 2) {
        fprintf(stderr, "bench_match: wanted: two float32 arrays of one shape\n");
        return 2;
    }
    const lr_cal_camera camera[2] = {camera_at(0.5, pixels), camera_at(-0.5, pixels)};
    lr_pair pair;
    lr_match_def def = lr_match_def_default();
    lr_matcher *matcher;
    lr_match_work *work;
    def.near_m = FOCAL_PX/atof(argv[3]);
    // For pictures: things are narrow and texture is everywhere, so windows are short, and a jump is no dearer than one and a half
    // pixels of the worst cost. (The general matchers' usual advice is four small steps.)
    def.window = 3;
    def.large_step = 60;
    stop_on(lr_pair_create("pair", &camera[0], &camera[1], &pair, &err), &err);
    stop_on(lr_matcher_create(&pair, &def, &matcher, &err), &err);
    stop_on(lr_match_work_create(matcher, BLOCK + 2*BESIDE, &work, &err), &err);

    const size_t total = (size_t)lines*(size_t)pixels;
    float *signal[2], *inverse[2], *sigma[2];
    lr_match_clue *clue[2];
    for (int v = 0; v < 2; v++) {
        signal[v] = malloc(total*sizeof(float));
        inverse[v] = malloc(total*sizeof(float));
        sigma[v] = malloc(total*sizeof(float));
        clue[v] = malloc(total*sizeof(lr_match_clue));
        for (size_t i = 0; i < total; i++)
            signal[v][i] = lr_match_level((double)((const float *)map[v].data)[i], 0.0);
    }
    const double start = cpu_s();
    for (int first = 0; first < lines; first += BLOCK) {
        const int from = first > BESIDE ? first - BESIDE : 0, count = first + BLOCK < lines ? BLOCK : lines - first;
        const int end = first + count + BESIDE < lines ? first + count + BESIDE : lines;
        const size_t in = (size_t)from*(size_t)pixels, out = (size_t)first*(size_t)pixels;
        const float *const s[2] = {signal[0] + in, signal[1] + in};
        const lr_match_map m[2] = {{inverse[0] + out, sigma[0] + out, clue[0] + out}, {inverse[1] + out, sigma[1] + out, clue[1] + out}};
        lr_match_block(matcher, work, s, end - from, first - from, count, m);
    }
    const double seconds = cpu_s() - start;
    for (size_t i = 0; i < total; i++) {
        const int x = (int)(i % (size_t)pixels);
        const double q = (double)inverse[0][i]/cos(lr_view_angle(&pair.view[0], x));
        inverse[0][i] = isnan(inverse[0][i]) ? (float)NAN : (float)(x - lr_pair_partner(&pair, 0, x, q));
    }
    const lr_npy_info info = {.descr = "<f4", .dims = 2, .shape = {lines, pixels}};
    stop_on(lr_npy_save(argv[4], &info, inverse[0], &err), &err);
    printf("%.3f s per megapixel, both maps, %.2f ns a candidate (%d candidates)\n", 1e6*seconds/(double)total,
           1e9*seconds/((double)total*lr_matcher_candidates(matcher)), lr_matcher_candidates(matcher));
    for (int v = 0; v < 2; v++)
        free(signal[v]), free(inverse[v]), free(sigma[v]), free(clue[v]), lr_npy_close(&map[v]);
    lr_match_work_destroy(work);
    lr_matcher_destroy(matcher);
    return 0;
}
