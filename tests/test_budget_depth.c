// SPDX-License-Identifier: Apache-2.0
// Range noise and reach as the budget foretells them in closed form, against range recovered from rendered raw lines: the head
// wide120 before walls that face it, in the dark and in the sun. Fails when budget, renderer or recovery drifts.
//   The bound is for one line alone and a window of pixels: the one that the recovery refines on, 17. So lines are held against
//   it one by one, the matcher given a single line. lr_depth joins lines: it averages signals 1:4:6:4:1, then matches that agree
//   1:2:3:4:3:2:1. Dots stand still from line to line and noise does not, so of the variance the squares of the folded
//   weights are left: 0.147, of the bound its root, JOINED. What it writes is held against that.
//   The bound knows intensities only. What smoothing along a whole wall knows besides is left out of the refinement here: with it the
//   noise is a third less where light is poor.
#include "wall_scan.h"

#include "depth/matching.h"
#include "scan/scan_reader.h"

#define BAND_DEG 7.0            // to either side of where the wall is met head on: 0.7 % in range, 1 % in light
#define OUTLIER 6.0             // bounds: five standard deviations of an estimator 1.2 times as noisy as the bound
#define LEAST 0.9               // of the bound
#define MOST_BOUNDS 1.45        // measured 1.03 .. 1.24, known to 5 %; the matcher spends information on gain and offset and takes slopes from one view
#define JOINED 0.38345          // lines joined: a wall is known to 10 % (neighbours share their noise), all together to 4 %
#define JOINED_SLACK 0.2
#define RESIDUE_PX 0.02         // what sampling leaves without noise, alike in all lines: measured 0.013 .. 0.016, from lines alone and joined
#define BIAS 0.25               // bounds: the median is known to 0.06; measured up to 0.10
#define GOOD_ALONE 0.97         // of the pixels: measured 0.997 and more within reach; a wrong match is not noise, and the bound knows none
#define GOOD_JOINED 0.999       // measured 1.0000
#define SUN "{\"kind\": \"sun\", \"elevation_deg\": 20, \"azimuth_deg\": 270}"   // from behind the head: full on a wall met at -20 degrees
#define MOST 40000              // pixels of a band in all lines

typedef struct errors {
    int asked, good;            // pixels lit and seen by both; of those, recovered to within OUTLIER bounds
    double ratio, bias;         // robust deviation and median of (recovered - true)/bound
    double share;               // robust deviation of (recovered - true)/true
} errors;
typedef struct found { errors alone, joined; double bound_px, bound_share, near_m, far_m; } found;   // single lines; lr_depth's files; of the band's middle

static lr_match_def intensities_only(void)
{
    lr_match_def def = lr_match_def_default();
    def.winners_error = 1e6;
    return def;
}

static int by_value(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}
static double median(double *x, int n)
{
    qsort(x, (size_t)n, sizeof *x, by_value);
    return n > 0 ? x[n/2] : (double)NAN;
}
static double deviation(double *x, int n, double *middle)   // 1.4826 MAD: the standard deviation of a Gaussian
{
    *middle = median(x, n);
    for (int i = 0; i < n; i++)
        x[i] = fabs(x[i] - *middle);
    return 1.4826*median(x, n);
}

// ---- Errors over a band of pixels -------------------------------------------------------------------------------------

typedef struct band { lr_scan_reader *reader; lr_npy_map range, flags, raw[2], depth; int first, count, pixels; double *bound_m; } band;   // bound_m: (count)

static void band_open(const lr_camera_def *camera, const lr_budget_module *m, double up_deg, band *b)
{
    lr_error err = {0};
    char path[64];
    need(lr_scan_reader_open(folder, &b->reader, &err), &err);
    need(lr_scan_reader_array(b->reader, "truth/front/upper.range.npy", &b->range, &err), &err);
    need(lr_scan_reader_array(b->reader, "truth/front/upper.flags.npy", &b->flags, &err), &err);
    need(lr_scan_reader_array(b->reader, "front/upper.npy", &b->raw[0], &err), &err);
    need(lr_scan_reader_array(b->reader, "front/lower.npy", &b->raw[1], &err), &err);
    snprintf(path, sizeof path, "%s/depth/front/upper.npy", folder);
    need(lr_npy_open(path, &b->depth, &err), &err);
    b->pixels = camera->sensor.pixels;
    b->bound_m = calloc((size_t)b->pixels, sizeof *b->bound_m);
    b->count = 0;
    for (int p = 0, k = 0; p < b->pixels; p++) {   // rays of the budget run along the pixels
        if (fabs(-lr_camera_angle(camera, p)/LR_DEG - up_deg) > BAND_DEG)
            continue;
        while (m->ray[k + 1].pixel < p)
            k++;
        const double f = (p - m->ray[k].pixel)/(m->ray[k + 1].pixel - m->ray[k].pixel);
        b->first = b->count ? b->first : p;
        b->bound_m[b->count++] = (1.0 - f)*m->ray[k].noise_m + f*m->ray[k + 1].noise_m;
    }
    assert_true(b->count*WALL_LINES <= MOST);
}

static void band_close(band *b)
{
    lr_npy_close(&b->range);
    lr_npy_close(&b->flags);
    lr_npy_close(&b->raw[0]);
    lr_npy_close(&b->raw[1]);
    lr_npy_close(&b->depth);
    lr_scan_reader_close(b->reader);
    free(b->bound_m);
}

// recovered: (WALL_LINES x pixels) [m]
static errors errors_of(const band *b, const float *recovered)
{
    static double z[MOST], share[MOST];
    const int wanted = LR_TRUTH_LIT | LR_TRUTH_SEEN_BY_PARTNER;
    errors e = {0};
    int n = 0;
    double unused;
    for (int l = 0; l < WALL_LINES; l++)
        for (int i = 0; i < b->count; i++) {
            const int at = l*b->pixels + b->first + i, flag = ((const uint8_t *)b->flags.data)[at];
            const double r = (double)((const float *)b->range.data)[at], off = (double)recovered[at] - r;
            if ((flag & wanted) != wanted || (flag & LR_TRUTH_EDGE))
                continue;
            e.asked++;
            if (!isfinite(off))
                continue;
            e.good += fabs(off) <= OUTLIER*b->bound_m[i];
            z[n] = off/b->bound_m[i];
            share[n++] = off/r;
        }
    e.ratio = deviation(z, n, &e.bias);
    e.share = deviation(share, n, &unused);
    return e;
}

// Each line matched with nothing beside it.
static void match_lines_alone(const band *b, float *recovered)
{
    lr_error err = {0};
    const lr_cal_module *module = &lr_scan_reader_calibration(b->reader)->module[0];
    lr_depth_def def = lr_depth_def_default();
    lr_matchings matchings;
    lr_match_work *work;
    def.match = intensities_only();
    need(lr_matchings_create(module, &def, &matchings, &err), &err);
    assert_int_equal(matchings.count, 1);
    const lr_matching *m = &matchings.one[0];
    need(lr_match_work_create(m->matcher, 1, &work, &err), &err);
    float *memory = malloc(4*(size_t)b->pixels*sizeof *memory);
    lr_match_clue *clue = malloc((size_t)b->pixels*sizeof *clue);
    for (int l = 0; l < WALL_LINES; l++) {
        float *const line = recovered + l*b->pixels, *const signal[2] = {memory, memory + b->pixels};
        for (int v = 0; v < 2; v++) {
            const lr_cal_camera *c = &module->camera[m->camera[v]];
            for (int p = 0; p < b->pixels; p++)
                signal[v][p] = lr_match_level((((const uint16_t *)b->raw[m->camera[v]].data)[l*b->pixels + p] - c->offset_dn)/c->gain_dn_per_e, c->read_noise_e);
        }
        const lr_match_map map[2] = {{line, memory + 2*b->pixels, clue}, {memory + 3*b->pixels, memory + 2*b->pixels, clue}};   // only `line` is wanted
        lr_match_block(m->matcher, work, (const float *const *)signal, 1, 0, 1, map);
        for (int p = 0; p < b->pixels; p++)
            line[p] = 1.0f/line[p];
    }
    free(memory);
    free(clue);
    lr_match_work_destroy(work);
    lr_matchings_free(&matchings);
}

static found look(const wall *w)
{
    setting s;
    band b;
    setting_open(w, &s);
    const lr_match_def match = intensities_only();
    scan_and_recover(&s, &match, 100);
    band_open(&s.head->module[0].camera[0], &s.budget->module[0], w->up_deg, &b);
    float *alone = malloc((size_t)(WALL_LINES*b.pixels)*sizeof *alone);
    match_lines_alone(&b, alone);
    const found f = {errors_of(&b, alone), errors_of(&b, b.depth.data), s.middle->match_px, s.middle->noise_m/w->range_m, s.middle->reach.near_m, s.middle->reach.far_m};
    free(alone);
    band_close(&b);
    setting_close(&s);
    assert_true(f.alone.asked > 9*b.count*WALL_LINES/10);
    if (close_scale() == 0.0)
        printf("%.2f m at %.0f deg: bound %.5f of range, alone %.3f of it (median %.3f, good %.4f), joined %.3f (median %.3f, good %.4f); usable %.2f .. %.2f m\n", w->range_m, w->up_deg,
               f.bound_share, f.alone.ratio, f.alone.bias, (double)f.alone.good/f.alone.asked, f.joined.ratio, f.joined.bias, (double)f.joined.good/f.joined.asked, f.near_m, f.far_m);
    return f;
}

static double reach_m(double up_deg, const char *light, lr_budget_limit limit)
{
    setting s;
    setting_open(&(wall){3.0, up_deg, light}, &s);
    const double far_m = s.middle->reach.far_m;
    assert_int_equal(s.middle->reach.far_limit, limit);
    setting_close(&s);
    return far_m;
}

static void assert_between(double low, double got, double high) { assert_near(got, 0.5*(low + high), 0.5*(high - low)); }

static found check_usable(const wall *w)
{
    const found f = look(w);
    assert_true(f.near_m < w->range_m && w->range_m < f.far_m);
    assert_between(LEAST, f.alone.ratio, MOST_BOUNDS);
    assert_between((LEAST - JOINED_SLACK)*JOINED, f.joined.ratio, hypot(MOST_BOUNDS*JOINED, RESIDUE_PX/f.bound_px));
    assert_near(f.alone.bias, 0.0, BIAS);
    assert_near(f.joined.bias, 0.0, BIAS);
    assert_true(f.alone.good >= GOOD_ALONE*f.alone.asked);
    assert_true(f.joined.good >= GOOD_JOINED*f.joined.asked);
    return f;
}

static void noise_and_coverage(void **state)
{
    (void)state;
    const wall walls[] = {{1.5, 10, ""}, {3, 10, ""}, {5, 10, ""}, {3, 45, ""}, {5, -20, ""}, {1.5, -20, SUN}, {3, -20, SUN}, {4, -20, SUN}};
    const int count = sizeof walls/sizeof *walls;
    double alone = 0.0, joined = 0.0;
    for (int i = 0; i < count; i++) {
        const found f = check_usable(&walls[i]);
        alone += f.alone.ratio/count;
        joined += f.joined.ratio/count;
    }
    assert_between(1.0, alone, MOST_BOUNDS);   // known to 1.5 %: here a bound is a bound. Measured 1.14
    assert_between(LEAST*JOINED, joined, MOST_BOUNDS*JOINED);
}

// In the dark the noise ends the reach: of a line alone it is still below the limit a little nearer, and above it a little farther.
static void reach_in_the_dark(void **state)
{
    (void)state;
    const double limit = lr_budget_def_default().noise_share_max, up_deg[] = {10.0, 45.0};
    for (int i = 0; i < 2; i++) {
        const double far_m = reach_m(up_deg[i], "", LR_LIMIT_NOISE);
        const wall near = {0.8*far_m, up_deg[i], ""}, beyond = {1.1*far_m, up_deg[i], ""};
        assert_true(check_usable(&near).alone.share < limit);
        assert_true(look(&beyond).alone.share > limit);
    }
}

// In the sun dots sink below three times their noise first: beyond, matches go wrong and what is left is noisier than the limit.
static void reach_in_the_sun(void **state)
{
    (void)state;
    const double far_m = reach_m(-20.0, SUN, LR_LIMIT_SNR);
    const found beyond = look(&(wall){1.3*far_m, -20.0, SUN});
    assert_true(beyond.alone.share > lr_budget_def_default().noise_share_max);
    assert_true(beyond.alone.good < GOOD_ALONE*beyond.alone.asked);   // measured 0.88
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(noise_and_coverage), cmocka_unit_test(reach_in_the_dark), cmocka_unit_test(reach_in_the_sun)};
    return cmocka_run_group_tests(tests, folder_make, folder_remove);
}
