// SPDX-License-Identifier: Apache-2.0
// The matcher on synthetic pairs of known disparity: random dots of 1000 electrons at the peak with Poisson noise. General block
// matching reaches a sub-pixel rms of 0.06 px on such pairs where it matches at all, general semi-global matching 0.18 px.
#include "close.h"

#include <stdlib.h>
#include <string.h>

#include "depth/confidence.h"
#include "depth/match.h"

enum { PIXELS = 600, LINES = 12 };
#define PEAK_E 1000.0
#define FOCAL_PX 2000.0   // a long lens: range and distance from the baseline are nearly the same
#define BASELINE_M 0.2

typedef struct pair_of_lines { lr_cal_camera camera[2]; lr_pair pair; lr_matcher *matcher; lr_match_work *work; float *signal[2]; float *inverse[2], *sigma[2]; lr_match_clue *clue[2]; } pair_of_lines;

static lr_cal_camera camera_at(double z_m, const char *name)
{
    lr_cal_camera c = {.pixels = PIXELS, .pitch_m = 1e-6, .width_m = 1e-6, .exposure_s = 1e-4, .bits = 16, .gain_dn_per_e = 1.0, .full_well_e = 1e5};
    snprintf(c.name, sizeof c.name, "%s", name);
    c.pose = lr_transform_identity();
    c.pose.origin_m.z = z_m;
    c.lens = lr_lens_default();
    c.lens.focal_m = FOCAL_PX*1e-6;
    return c;
}

static pair_of_lines *create_with(lr_lens lens)
{
    pair_of_lines *p = calloc(1, sizeof *p);
    lr_match_def def = lr_match_def_default();
    lr_error err = {""};
    p->camera[0] = camera_at(0.5*BASELINE_M, "upper");
    p->camera[1] = camera_at(-0.5*BASELINE_M, "lower");
    p->camera[0].lens = p->camera[1].lens = lens;
    def.near_m = FOCAL_PX*BASELINE_M/100.0;  // 100 pixels
    assert_int_equal(lr_pair_create("front", &p->camera[0], &p->camera[1], &p->pair, &err), LR_OK);
    if (lr_matcher_create(&p->pair, &def, &p->matcher, &err) != LR_OK)
        fail_msg("%s", err.text);
    assert_int_equal(lr_match_work_create(p->matcher, LINES, &p->work, &err), LR_OK);
    for (int v = 0; v < 2; v++) {
        p->signal[v] = malloc(LINES*PIXELS*sizeof(float));
        p->inverse[v] = malloc(LINES*PIXELS*sizeof(float));
        p->sigma[v] = malloc(LINES*PIXELS*sizeof(float));
        p->clue[v] = malloc(LINES*PIXELS*sizeof(lr_match_clue));
    }
    return p;
}

static pair_of_lines *create(void) { return create_with(camera_at(0.0, "").lens); }

static void destroy(pair_of_lines *p)
{
    lr_match_work_destroy(p->work);
    lr_matcher_destroy(p->matcher);
    for (int v = 0; v < 2; v++)
        free(p->signal[v]), free(p->inverse[v]), free(p->sigma[v]), free(p->clue[v]);
    free(p);
}

static uint64_t state = 1;
static double uniform(void)  // xorshift64*: Vigna, ACM TOMS 42(4), 2016
{
    state ^= state >> 12, state ^= state << 25, state ^= state >> 27;
    return (double)((state*2685821657736338717u) >> 11)/9007199254740992.0;
}
static double gaussian(void)
{
    const double size = sqrt(-2.0*log(1.0 - uniform())), turn = 2.0*LR_PI*uniform();
    return size*cos(turn);
}

enum { DOTS = 260 };
static double dot_at[DOTS], dot_peak[DOTS];

static void scatter(void)
{
    for (int i = 0; i < DOTS; i++)
        dot_at[i] = -100.0 + 800.0*uniform(), dot_peak[i] = PEAK_E*(0.3 + 0.7*uniform());
}

// Light of a pixel at `x` of the pattern: Gaussian dots of 0.8 pixels, averaged over the pixel.
static double pattern(double x)
{
    double sum = 20.0;
    for (int i = 0; i < DOTS; i++) {
        const double d = x - dot_at[i];
        if (fabs(d) < 5.0)
            sum += dot_peak[i]*0.5*0.8*sqrt(2.0*LR_PI)*(erf((d + 0.5)/(0.8*sqrt(2.0))) - erf((d - 0.5)/(0.8*sqrt(2.0))));
    }
    return sum;
}

// disparity(x of the upper) = base + slope (x - PIXELS/2); gain of the lower camera's exposure.
static void render(pair_of_lines *p, double base, double slope, double gain)
{
    for (int l = 0; l < LINES; l++)
        for (int i = 0; i < PIXELS; i++) {
            const double upper = (i + base - slope*0.5*PIXELS)/(1.0 - slope);  // of the lower's pixel i: x - d(x) = i
            const double e[2] = {pattern(i), gain*pattern(upper)};
            for (int v = 0; v < 2; v++)
                p->signal[v][l*PIXELS + i] = lr_match_level(floor(e[v] + sqrt(e[v])*gaussian() + 0.5), 0.0);
        }
}

static double disparity(const pair_of_lines *p, int v, int line, int i)
{
    const float q = p->inverse[v][line*PIXELS + i];
    const double rho_inverse = (double)q/cos(lr_view_angle(&p->pair.view[v], i));
    return (v ? -1.0 : 1.0)*(i - lr_pair_partner(&p->pair, v, i, rho_inverse));
}

typedef struct verdict { double bad, rms, mean; } verdict;  // share beyond a pixel or missing; of the others

static verdict judge(const pair_of_lines *p, int v, double base, double slope)
{
    verdict r = {0};
    int all = 0, good = 0;
    for (int l = 0; l < LINES; l++)
        for (int i = 130; i < PIXELS - 130; i++) {
            const double x = v ? (i + base - slope*0.5*PIXELS)/(1.0 - slope) : i, want = base + slope*(x - 0.5*PIXELS), d = disparity(p, v, l, i) - want;
            all++;
            if (fabs(d) < 1.0)
                r.rms += d*d, r.mean += d, good++;
        }
    r.bad = 1.0 - (double)good/all;
    r.rms = sqrt(r.rms/good);
    r.mean /= good;
    return r;
}

static void match(pair_of_lines *p)
{
    const float *const signal[2] = {p->signal[0], p->signal[1]};
    const lr_match_map map[2] = {{p->inverse[0], p->sigma[0], p->clue[0]}, {p->inverse[1], p->sigma[1], p->clue[1]}};
    lr_match_block(p->matcher, p->work, signal, LINES, 0, LINES, map);
}

static void random_dots_are_matched_below_the_pixel(void **unused)
{
    (void)unused;
    pair_of_lines *p = create();
    double worst = 0.0, sum = 0.0, locked = 0.0;
    for (int k = 0; k < 10; k++) {  // every phase between two pixels
        const double base = 37.0 + 0.1*k;
        scatter();
        render(p, base, 0.0, 1.0);
        match(p);
        for (int v = 0; v < 2; v++) {
            const verdict r = judge(p, v, base, 0.0);
            assert_true(r.bad < 0.005);
            worst = fmax(worst, r.rms);
            sum += r.rms*r.rms/20.0;
            locked = fmax(locked, fabs(r.mean));
        }
    }
    printf("sub-pixel rms %.4f px, worst phase %.4f px, largest bias of a phase %.4f px\n", sqrt(sum), worst, locked);
    assert_true(sqrt(sum) < 0.08);
    assert_true(locked < 0.02);  // pixel locking would pull by a tenth of a pixel and more
    destroy(p);
}

static void sloping_surfaces_and_other_exposures_are_matched(void **unused)
{
    (void)unused;
    static const double slopes[] = {-0.1, -0.03, 0.03, 0.1};
    pair_of_lines *p = create();
    for (size_t k = 0; k < 4; k++) {
        scatter();
        render(p, 50.3, slopes[k], 0.5);
        match(p);
        for (int v = 0; v < 2; v++) {
            const verdict r = judge(p, v, 50.3, slopes[k]);
            printf("slope %g view %d: bad %.4f rms %.4f mean %.4f\n", slopes[k], v, r.bad, r.rms, r.mean);
            assert_true(r.bad < 0.02);
            assert_true(r.rms < 0.12);
        }
    }
    destroy(p);
}

// A surface goes on beyond the end of the other line: pixels whose partners lie just inside are matched, those beyond are not believed.
static void ends_of_lines_are_matched(void **unused)
{
    (void)unused;
    enum { PARTNERLESS = 50, SETTLED = 8 };  // disparity; half a window of refinement needs neighbours, too
    pair_of_lines *p = create();
    int bad = 0, asked = 0, believed = 0;
    for (int k = 0; k < 8; k++) {
        scatter();
        render(p, PARTNERLESS + 0.3, 0.0, 1.0);
        match(p);
        for (int l = 0; l < LINES; l++) {
            for (int i = PARTNERLESS + SETTLED; i < 130; i++)
                bad += !(fabs(disparity(p, 0, l, i) - PARTNERLESS - 0.3) < 1.0), asked++;
            for (int i = 0; i < PARTNERLESS; i++)
                believed += isfinite(p->inverse[0][l*PIXELS + i]) && lr_match_confidence(&p->clue[0][l*PIXELS + i], lr_matcher_noise(p->matcher)) > 0.5f;
        }
    }
    printf("at the line's end: bad %.4f; believed without a partner %.4f\n", (double)bad/asked, (double)believed/(8*LINES*PARTNERLESS));
    assert_true(bad < 0.02*asked);
    assert_true(believed < 0.05*8*LINES*PARTNERLESS);
    destroy(p);
}

// A lens that sees more than 80 degrees from the baseline's normal, beyond which nothing is matched: the last pixels before it are refined with
// the samples they have. The pattern is at infinity, so both cameras see it at the same pixel.
static void pixels_next_to_the_widest_angle_are_refined(void **unused)
{
    (void)unused;
    enum { NEXT = 7 };  // samples on either side
    lr_lens lens = lr_lens_default();
    lens.projection = LR_PROJECTION_EQUIDISTANT;
    lens.focal_m = PIXELS*1e-6/(176.0*LR_DEG);
    pair_of_lines *p = create_with(lens);
    int asked = 0, refined = 0;
    scatter();
    render(p, 0.0, 0.0, 1.0);
    match(p);
    for (int v = 0; v < 2; v++)
        for (int i = NEXT; i < PIXELS - NEXT; i++) {
            const double here = fabs(lr_view_angle(&p->pair.view[v], i)), outer = fabs(lr_view_angle(&p->pair.view[v], i < PIXELS/2 ? i - NEXT : i + NEXT));
            for (int l = 0; l < LINES && here < 80.0*LR_DEG && outer > 80.0*LR_DEG; l++)
                asked++, refined += isfinite(p->inverse[v][l*PIXELS + i]) && p->clue[v][l*PIXELS + i].likeness > 0.5f;
        }
    printf("next to 80 degrees: %d of %d refined\n", refined, asked);
    assert_int_equal(asked, 2*2*LINES*NEXT);
    assert_true(refined > 0.9*asked);
    destroy(p);
}

// Memory of a thread serves many blocks, in any order.
static void what_was_matched_before_leaves_no_trace(void **unused)
{
    (void)unused;
    pair_of_lines *used = create();
    int asked = 0;
    for (int k = 0; k < 4; k++) {
        pair_of_lines *fresh = create();
        scatter();
        render(used, 10.4 + 20.0*k, 0.0, 1.0);  // the lower line's first pixel is nearest to an upper one with no match
        for (int v = 0; v < 2; v++)
            memcpy(fresh->signal[v], used->signal[v], LINES*PIXELS*sizeof(float));
        match(used);
        match(fresh);
        for (int v = 0; v < 2; v++)
            for (int i = 0; i < LINES*PIXELS; i++) {
                assert_int_equal(isfinite(used->inverse[v][i]), isfinite(fresh->inverse[v][i]));
                if (!isfinite(used->inverse[v][i]))
                    continue;
                asked++;
                assert_memory_equal(&used->inverse[v][i], &fresh->inverse[v][i], sizeof(float));
                assert_memory_equal(&used->sigma[v][i], &fresh->sigma[v][i], sizeof(float));
                assert_memory_equal(&used->clue[v][i], &fresh->clue[v][i], sizeof(lr_match_clue));
            }
        destroy(fresh);
    }
    assert_true(asked > 4*LINES*PIXELS);
    destroy(used);
}

static void noise_alone_is_not_believed(void **unused)
{
    (void)unused;
    pair_of_lines *p = create();
    int sure = 0, all = 0;
    for (int v = 0; v < 2; v++)
        for (int i = 0; i < LINES*PIXELS; i++)
            p->signal[v][i] = lr_match_level(400.0 + 20.0*gaussian(), 0.0);
    match(p);
    for (int v = 0; v < 2; v++)
        for (int i = 0; i < LINES*PIXELS; i++) {
            all++;
            sure += isfinite(p->inverse[v][i]) && lr_match_confidence(&p->clue[v][i], lr_matcher_noise(p->matcher)) > 0.5f;
        }
    printf("believed in pure noise: %.4f\n", (double)sure/all);
    assert_true(sure < 0.05*all);
    destroy(p);
}

static void wrong_settings_are_named(void **unused)
{
    (void)unused;
    const lr_cal_camera a = camera_at(0.1, "upper"), b = camera_at(-0.1, "lower");
    lr_pair pair;
    lr_matcher *m;
    lr_error err = {""};
    assert_int_equal(lr_pair_create("front", &a, &b, &pair, &err), LR_OK);
    lr_match_def def = lr_match_def_default();
    def.near_m = (double)NAN;
    assert_int_equal(lr_matcher_create(&pair, &def, &m, &err), LR_ERR_RANGE);
    assert_null(m);
    assert_string_equal(err.text, "match: near_m: nan is not above 0");
    def = lr_match_def_default();
    def.small_step = 50;
    assert_int_equal(lr_matcher_create(&pair, &def, &m, &err), LR_ERR_RANGE);
    def = lr_match_def_default();
    def.winners_error = 0.0;
    assert_int_equal(lr_matcher_create(&pair, &def, &m, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "match: winners_error: 0 is not above 0");
    def = lr_match_def_default();
    def.spread_lines = 1.5;
    assert_int_equal(lr_matcher_create(&pair, &def, &m, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "match: spread_lines: 1.5 is not in 0 .. 1");
    def = lr_match_def_default();
    def.near_m = 1e-3;
    assert_int_equal(lr_matcher_create(&pair, &def, &m, &err), LR_ERR_RANGE);
    assert_non_null(strstr(err.text, "candidates, more than"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(random_dots_are_matched_below_the_pixel),
        cmocka_unit_test(sloping_surfaces_and_other_exposures_are_matched),
        cmocka_unit_test(ends_of_lines_are_matched),
        cmocka_unit_test(pixels_next_to_the_widest_angle_are_refined),
        cmocka_unit_test(what_was_matched_before_leaves_no_trace),
        cmocka_unit_test(noise_alone_is_not_believed),
        cmocka_unit_test(wrong_settings_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
