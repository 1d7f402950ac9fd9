// SPDX-License-Identifier: Apache-2.0
// Scores of a scan whose every line is one case: a known range, a known error of disparity, known flags. What must come out is counted
// by hand from the table below; the rest is the rule of stereo, D = f b/rho (any handbook of stereo vision; closed form).
// Two rectilinear cameras, f = 1000 pixels, b = 0.2 m, so D = 200 px m/rho; along a pixel's ray the range is rho/cos.
#include <string.h>

#include "close.h"
#include "core/thread.h"
#include "scan_fixture.h"
#include "score/score.h"

enum { PIXELS = 64, ALL = LR_TRUTH_SEEN_BY_PARTNER | LR_TRUTH_LIT };
#define F_B 200.0
#define MISSING ((double)NAN)
#define NOTHING ((double)INFINITY)
#define UNKNOWN (-1.0)
#define FLOAT 2e-4    // of an error in metres: what float32 leaves of the difference of two ranges of 2 m, 5 mm apart

typedef struct line { double disparity, error_px; int flags, material; double confidence, sigmas; } line;  // sigmas: |error| over what is expected of it
static const line table[] = {
    {100, 0.25, ALL, 1, 0.95, 2},
    {100, 0.25, ALL, 1, 0.95, 2},
    {100, -0.25, ALL, 1, 0.95, 2},
    {100, 0.75, ALL | LR_TRUTH_EDGE, 1, 0.85, 2},
    {50, 1.5, ALL, 2, 0.35, 1},
    {50, -3, LR_TRUTH_SEEN_BY_PARTNER, 2, 0.15, 1},
    {50, 8, LR_TRUTH_SEEN_BY_PARTNER, 2, 0.05, 1},
    {50, MISSING, LR_TRUTH_LIT, 2, 0, 1},
    {40, 0.25, ALL | LR_TRUTH_IN_MOTION, 1, 0.95, 10},
    {40, MISSING, ALL | LR_TRUTH_BEHIND_PANE, 0, 0, 1},
    {NOTHING, 0, 0, 0, 0.6, 1},          // a range where nothing is, and believed
    {NOTHING, 0, 0, 0, 0.4, 1},          // not believed
    {NOTHING, MISSING, 0, 0, 0, 1},
    {UNKNOWN, 0, 0, 0, 0, 1},            // outside the image: never counted
    {25, 0.25, 0, 0, 0.75, 1},           // its partner lies outside the other image
};
enum { LINES = sizeof table/sizeof *table, OUTSIDE = LINES - 1 };

static double secant(int pixel) { return hypot(1.0, (pixel - 0.5*(PIXELS - 1))/1000.0); }
static double truth_m(const line *l, int pixel) { return isinf(l->disparity) ? l->disparity : l->disparity < 0 ? MISSING : F_B/l->disparity*secant(pixel); }

// NaN stands for a missing range; line 9 says it by a negative one.
static double found_m(const line *l, int pixel)
{
    if (l == &table[9])
        return -1.0;
    return isnan(l->error_px) ? l->error_px : isinf(l->disparity) || l->disparity < 0 ? 3.0 : F_B/(l->disparity + l->error_px)*secant(pixel);
}

// ---- The folder ----

static char folder[LR_PATH_MAX];

static lr_calibration calibration(void)
{
    lr_calibration c = {.head = "plain", .spin = {1.0, 3600, 0, 0}, .module_count = 1, .module = calloc(1, sizeof *c.module)};
    lr_cal_module *m = c.module;
    snprintf(m->name, sizeof m->name, "front");
    m->pose = lr_transform_identity();
    m->camera_count = 2;
    m->camera = calloc(2, sizeof *m->camera);
    for (int i = 0; i < 2; i++) {
        lr_cal_camera *camera = &m->camera[i];
        *camera = (lr_cal_camera){.pose = lr_transform_identity(), .lens = lr_lens_default(), .pixels = PIXELS, .pitch_m = 3.5e-6, .width_m = 14e-6,
                                  .exposure_s = 1e-4, .bits = 12, .gain_dn_per_e = 0.3, .offset_dn = 64, .read_noise_e = 3, .full_well_e = 12000};
        snprintf(camera->name, sizeof camera->name, i ? "lower" : "upper");
        camera->pose.origin_m.z = i ? -0.1 : 0.1;
        camera->lens.projection = LR_PROJECTION_RECTILINEAR;
        camera->lens.focal_m = 3.5e-3;
    }
    return c;
}

// Row `l` of array `a`, the arrays in the order of make_scan.
static void make_row(int a, int l, uint8_t *row)
{
    const line *t = &table[l];
    for (int p = 0; p < PIXELS; p++)
        if (a == 3)
            ((float *)(void *)row)[p] = (float)truth_m(t, p);
        else if (a == 4)
            row[p] = (uint8_t)t->flags;
        else if (a == 5)
            ((uint16_t *)(void *)row)[p] = (uint16_t)t->material;
        else if (a == 6)
            ((float *)(void *)row)[p] = l == OUTSIDE || !(t->disparity > 0) || isinf(t->disparity) ? (float)NAN : (float)(p - t->disparity);
}

static void make_scan(int with_partner)
{
    static const char labels[] = "{\"objects\": [], \"materials\": [{\"name\": \"oak\"}, {\"name\": \"steel\"}]}\n";
    static const lr_truth_layer layers[] = {LR_TRUTH_RANGE, LR_TRUTH_FLAGS, LR_TRUTH_MATERIAL, LR_TRUTH_PARTNER};
    const lr_scan_file file = {"truth/labels.json", labels, sizeof labels - 1};
    lr_error err = {""};
    lr_calibration cal = calibration();
    lr_scan_array array[7] = {0};
    lr_scan_writer *writer = NULL;
    int finished = 0;
    assert_int_equal(lr_scan_lines_array("front", LINES, &array[0], &err), LR_OK);
    for (int c = 0; c < 2; c++)
        assert_int_equal(lr_scan_raw_array("front", cal.module->camera[c].name, LINES, PIXELS, &array[1 + c], &err), LR_OK);
    for (int k = 0; k < 4; k++) {
        array[3 + k] = (lr_scan_array){.info = lr_truth_info(layers[k], LINES, PIXELS), .unit = "m", .about = "a test"};
        assert_int_equal(lr_truth_path("front", "upper", layers[k], array[3 + k].path, sizeof array[3 + k].path, &err), LR_OK);
    }
    lr_scan_writer_def def = lr_scan_writer_def_default();
    def.folder = folder, def.version = "0.1.0", def.settings = "{}", def.scene = "{}", def.head = "{}";
    def.calibration = &cal;
    def.line_count = LINES, def.block_lines = LINES;
    def.array_count = with_partner ? 7 : 6, def.array = array;
    def.file_count = 1, def.file = &file;
    def.force = 1;
    def.threads = 1;
    assert_int_equal(lr_scan_writer_open(&def, &writer, &err), LR_OK);
    for (int a = 0; a < def.array_count; a++)
        for (int l = 0; l < LINES; l++) {
            uint8_t row[PIXELS*8] = {0};
            make_row(a, l, row);
            assert_int_equal(lr_scan_writer_rows(writer, a, l, 1, row, &err), LR_OK);
        }
    assert_int_equal(lr_scan_writer_done(writer, 0, &err), LR_OK);
    assert_int_equal(lr_scan_writer_finish(writer, &finished, &err), LR_OK);
    assert_int_equal(finished, 1);
    lr_scan_writer_close(writer);
    lr_calibration_free(&cal);
}

static void make_depth(int lines)
{
    static float layer[LR_DEPTH_LAYERS][LINES*PIXELS];
    lr_error err = {""};
    char path[LR_PATH_MAX], whole[LR_PATH_MAX], parent[LR_PATH_MAX];
    for (int l = 0; l < LINES; l++)
        for (int p = 0; p < PIXELS; p++) {
            const int i = l*PIXELS + p;
            const double r = found_m(&table[l], p);
            layer[LR_DEPTH_RANGE][i] = (float)r;
            layer[LR_DEPTH_CONFIDENCE][i] = r > 0.0 ? (float)table[l].confidence : 0.0f;
            layer[LR_DEPTH_SIGMA][i] = (float)(fabs(r - truth_m(&table[l], p))/table[l].sigmas);
        }
    for (int k = 0; k < LR_DEPTH_LAYERS; k++) {
        const lr_npy_info info = {.descr = "<f4", .dims = 2, .shape = {lines, PIXELS}};
        assert_int_equal(lr_depth_path("front", "upper", (lr_depth_layer)k, path, sizeof path, &err), LR_OK);
        assert_int_equal(lr_path_join(whole, folder, path, &err), LR_OK);
        lr_path_folder(parent, whole);
        assert_int_equal(lr_make_folders(parent, &err), LR_OK);
        assert_int_equal(lr_npy_save(whole, &info, layer[k], &err), LR_OK);
    }
}

static const lr_score_group *group_of(const lr_score_camera *c, const char *name)
{
    for (int g = 0; g < c->group_count; g++)
        if (!strcmp(c->group[g].name, name))
            return &c->group[g];
    return NULL;
}

static lr_score score_of(int threads)
{
    lr_score score;
    lr_error err = {""};
    if (lr_score_run(folder, threads, &score, &err) != LR_OK)
        fail_msg("%s", err.text);
    assert_int_equal(score.camera_count, 1);   // the other has no depth
    assert_string_equal(score.camera[0].camera, "upper");
    return score;
}

static void make(int with_partner)
{
    make_scan(with_partner);
    make_depth(LINES);
}

// ---- Counts, by hand ----

static void check_group(const lr_score_camera *c, const char *name, int lines, int found, int placed, int b05, int b1, int b2, int b4, int s1, int s5)
{
    const lr_score_group *g = group_of(c, name);
    if (!g)
        fail_msg("no group '%s'", name);
    const int64_t got[] = {g->pixels, g->found, g->placed, g->bad_px[0], g->bad_px[1], g->bad_px[2], g->bad_px[3], g->bad_share[0], g->bad_share[1]};
    const int want[] = {lines, found, placed, b05, b1, b2, b4, s1, s5};
    for (int k = 0; k < 9; k++)
        if (got[k] != (int64_t)want[k]*PIXELS)
            fail_msg("%s: figure %d is %lld, wanted %d lines", name, k, (long long)got[k], want[k]);
}

// A share of range is D/(D + error) - 1: 0.25 %, 0.75 %, 2.9 %, 6.4 %, 14 %, 0.6 %, and 0.99 % for the last line.
static void counts_are_those_of_the_table(void **state)
{
    (void)state;
    make(1);
    lr_score score = score_of(1);
    const lr_score_camera *c = &score.camera[0];
    check_group(c, "all", 11, 9, 10, 6, 5, 4, 3, 5, 4);
    check_group(c, "seen by both", 9, 8, 9, 5, 4, 3, 2, 4, 3);
    check_group(c, "hidden from one", 2, 1, 1, 1, 1, 1, 1, 1, 1);
    check_group(c, "lit", 8, 6, 8, 4, 3, 2, 2, 3, 2);
    check_group(c, "unlit", 3, 3, 2, 2, 2, 2, 1, 2, 2);
    check_group(c, "near an edge", 1, 1, 1, 1, 0, 0, 0, 0, 0);
    check_group(c, "away from edges", 10, 8, 9, 5, 5, 4, 3, 5, 4);
    check_group(c, "in motion", 1, 1, 1, 0, 0, 0, 0, 0, 0);
    check_group(c, "behind a pane", 1, 0, 1, 1, 1, 1, 1, 1, 1);
    check_group(c, "range 2-4 m", 4, 4, 4, 1, 0, 0, 0, 0, 0);
    check_group(c, "range 4-8 m", 6, 4, 6, 5, 5, 4, 3, 5, 4);
    check_group(c, "range 8-16 m", 1, 1, 0, 0, 0, 0, 0, 0, 0);
    check_group(c, "material oak", 5, 5, 5, 1, 0, 0, 0, 0, 0);
    check_group(c, "material steel", 4, 3, 4, 4, 4, 3, 2, 4, 3);
    assert_int_equal(group_of(c, "elevation 0..30 deg")->pixels, 11*PIXELS/2);   // the axis is level, and parts the line
    assert_int_equal(group_of(c, "elevation -30..0 deg")->pixels, 11*PIXELS/2);
    assert_null(group_of(c, "range 1-2 m"));
    assert_int_equal(c->empty, 3*PIXELS);
    assert_int_equal(c->invented, 2*PIXELS);
    assert_int_equal(c->believed, PIXELS);
    lr_score_free(&score);
}

// Without truth/…partner.npy it comes from range and geometry, and the last line has one: 0.25 px.
static void partners_are_worked_out_where_they_are_not_kept(void **state)
{
    (void)state;
    make(0);
    lr_score score = score_of(2);
    check_group(&score.camera[0], "all", 11, 9, 11, 6, 5, 4, 3, 5, 4);
    lr_score_free(&score);
}

// ---- Errors in metres and pixels ----

static double error_m(int l, int pixel) { return found_m(&table[l], pixel) - truth_m(&table[l], pixel); }

static int by_size(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

// Sorted, the found lines' errors are 5.0, 5.0, 5.0, 14.9, 31, 79, 117, 255 and 552 mm.
static void errors_are_those_of_the_table(void **state)
{
    (void)state;
    make(1);
    lr_score score = score_of(3);
    const lr_score_group *g = group_of(&score.camera[0], "all");
    double square = 0.0, sum = 0.0, close = 0.0, expected = 0.0;
    int n = 0, right = 0;
    double sorted[2][LINES*PIXELS], every[LINES*PIXELS], square_95 = 0.0;
    for (int l = 0; l < LINES; l++)
        for (int p = 0; p < PIXELS; p++) {
            const double e = error_m(l, p);
            if (!isfinite(truth_m(&table[l], p)) || !(found_m(&table[l], p) > 0.0))
                continue;
            every[n] = fabs(e);
            square += e*e, sum += e, n++;
            if (l != OUTSIDE && fabs(table[l].error_px) < 1.0)
                sorted[0][right] = fabs(e), sorted[1][right] = fabs(e)/table[l].sigmas, close += fabs(e), expected += fabs(e)/table[l].sigmas, right++;
        }
    assert_rel(lr_score_rms(g), sqrt(square/n), FLOAT);
    qsort(every, (size_t)n, sizeof *every, by_size);
    for (int i = 0; i < n; i++)
        square_95 += fmin(fmax(0.95*n - i, 0.0), 1.0)*every[i]*every[i];
    assert_rel(lr_score_rms_95(g), sqrt(square_95/(0.95*n)), 0.013);  // the histogram as below
    assert_rel(g->sum, sum, FLOAT);
    assert_rel(lr_score_quantile(g, 0.5), 5.0*0.25/40.25, 0.013);   // a histogram of 100 cells a decade: 1.2 %, and the line's end 0.05 %
    assert_rel(lr_score_quantile(g, 0.95), 4.0*8.0/58.0, 0.013);
    assert_rel(lr_score_quantile(g, 0.2), 2.0*0.25/100.25, 0.013);
    assert_rel(lr_score_px_rms(g), sqrt((4*0.25*0.25 + 0.75*0.75)/5), FLOAT);
    assert_rel(lr_score_expected(g), expected/right, FLOAT);
    assert_rel(lr_score_achieved(g), 1.2533141*close/right, FLOAT);  // of a Gaussian: sqrt(pi/2)
    for (int k = 0; k < 2; k++)
        qsort(sorted[k], (size_t)right, sizeof sorted[k][0], by_size);
    assert_rel(lr_score_achieved_median(g), 1.4826022*sorted[0][right/2], 0.013);  // of a Gaussian: 1/Phi^-1(3/4); the histogram as above
    assert_rel(lr_score_expected_median(g), sorted[1][right/2], 0.013);
    assert_rel(lr_score_noise_ratio(g), sqrt((4*2*2 + 25)/5.0), FLOAT);  // four lines off by two, one by ten, which counts as five
    lr_score_free(&score);
}

// Said 0.95, 0.85, 0.35, 0.15, 0.05 of four, one, one, one and one lines; the first five are right.
static void confidence_is_held_against_what_came_true(void **state)
{
    (void)state;
    make(1);
    lr_score score = score_of(1);
    const lr_score_camera *c = &score.camera[0];
    static const int count[LR_SCORE_BINS] = {1, 1, 0, 1, 0, 0, 0, 0, 1, 4}, right[LR_SCORE_BINS] = {0, 0, 0, 0, 0, 0, 0, 0, 1, 4};
    for (int b = 0; b < LR_SCORE_BINS; b++) {
        assert_int_equal(c->bin_count[b], count[b]*PIXELS);
        assert_int_equal(c->bin_right[b], right[b]*PIXELS);
    }
    assert_rel(lr_score_miscalibration(c), (4*0.05 + 0.15 + 0.35 + 0.15 + 0.05)/8, 1e-6);
    lr_score_free(&score);
}

static double figure(const lr_node *group, const char *key) { return lr_node_number(lr_node_get(group, key)); }

static void json_says_the_same_shares(void **state)
{
    (void)state;
    make(1);
    lr_score score = score_of(1);
    lr_text text = {0};
    lr_json *json = NULL;
    lr_error err = {""};
    assert_int_equal(lr_score_write_json(&score, &text, &err), LR_OK);
    assert_int_equal(lr_json_parse("score.json", text.data, strlen(text.data), &json, &err), LR_OK);
    const lr_node *camera = lr_node_first(lr_node_get(lr_json_root(json), "cameras")), *all = lr_node_first(lr_node_get(camera, "groups"));
    assert_string_equal(lr_node_text(lr_node_get(all, "name")), "all");
    assert_rel(figure(all, "complete"), 9.0/11, 1e-6);
    assert_rel(figure(all, "bad_0p5_px"), 0.6, 1e-6);
    assert_rel(figure(all, "bad_1_px"), 0.5, 1e-6);
    assert_rel(figure(all, "bad_2_px"), 0.4, 1e-6);
    assert_rel(figure(all, "bad_4_px"), 0.3, 1e-6);
    assert_rel(figure(all, "bad_1_percent"), 5.0/11, 1e-6);
    assert_rel(figure(all, "bad_5_percent"), 4.0/11, 1e-6);
    assert_rel(figure(camera, "invented"), 2.0/3, 1e-6);
    assert_rel(figure(camera, "believed"), 1.0/3, 1e-6);
    assert_rel(figure(all, "rms_95_m"), lr_score_rms_95(group_of(&score.camera[0], "all")), 1e-6);
    lr_json_free(json);
    lr_text_free(&text);
    lr_score_free(&score);
}

static void what_does_not_fit_is_refused(void **state)
{
    (void)state;
    lr_score score;
    lr_error err = {""};
    make_scan(1);
    make_depth(LINES - 1);
    assert_int_equal(lr_score_run(folder, 1, &score, &err), LR_ERR_PARSE);
    assert_non_null(strstr(err.text, "depth/front/upper.npy: not float32 [15, 64], the shape of the camera's lines"));
}

static int set_up(void **state)
{
    (void)state;
    fixture_folder(folder);
    const size_t n = strlen(folder);
    snprintf(folder + n, sizeof folder - n, "/scan");   // the scan lies in a folder of its own
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    *strrchr(folder, '/') = 0;
    fixture_remove(folder);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(counts_are_those_of_the_table, set_up, tear_down),
        cmocka_unit_test_setup_teardown(partners_are_worked_out_where_they_are_not_kept, set_up, tear_down),
        cmocka_unit_test_setup_teardown(errors_are_those_of_the_table, set_up, tear_down),
        cmocka_unit_test_setup_teardown(confidence_is_held_against_what_came_true, set_up, tear_down),
        cmocka_unit_test_setup_teardown(json_says_the_same_shares, set_up, tear_down),
        cmocka_unit_test_setup_teardown(what_does_not_fit_is_refused, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
