// SPDX-License-Identifier: Apache-2.0
// Superposition: a flood is the same sheet swept evenly over azimuth, so the mean of all sheets' indirect light is the flood's.
#include "indirect_stage.h"

#define SWEEP_DEG 56.0
#define HEADS 24
#define LASERS 8       // sheets in one head
#define GROUPS 4

static const char scene_text[] =
    "{\"format\": \"lanternroom-scene/1\", \"name\": \"room\", \"objects\": ["
    " {\"shape\": \"room\", \"size_m\": [4, 3.4, 2.6], \"center_m\": [0.2, 0.1, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.6}},"
    " {\"shape\": \"box\", \"size_m\": [0.5, 0.7, 1.1], \"center_m\": [1.3, 0.7, -0.75], \"rotate_deg\": [0, 0, 25], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.7}},"
    " {\"shape\": \"sphere\", \"radius_m\": 0.3, \"center_m\": [1.0, -0.7, 0.3], \"material\": {\"kind\": \"rough_diffuse\", \"reflectance\": 0.7, \"roughness\": 0.4}},"
    " {\"shape\": \"box\", \"size_m\": [0.3, 0.3, 0.8], \"center_m\": [1.5, -0.3, -0.9], \"material\": {\"kind\": \"metal\", \"index\": 1.5, \"index_k\": 7, \"roughness\": 0.4}}], \"lights\": []}";

static stage *head_with(const char *lasers)
{
    char head[8192];
    snprintf(head, sizeof head,
        "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 360},"
        " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [{\"name\": \"c\", \"height_mm\": 60,"
        "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 2, \"f_number\": 2, \"transmission\": 1},"
        "  \"sensor\": {\"pixels\": 160, \"pitch_um\": 20, \"width_um\": 20, \"quantum_efficiency\": 0.5}, \"exposure_us\": 1}],"
        " \"lasers\": [%s]}]}", lasers);
    return stage_create(scene_text, head, 1);
}

#define LASER "{\"name\": \"l%d\", \"mode\": \"%s\", \"flood_deg\": 56, \"height_mm\": -40, \"wavelength_nm\": 850, \"line_width_nm\": 0, \"power_mw\": 1000, \"fan_deg\": 90," \
    " \"thickness_mm\": 4, \"divergence_mrad\": 2, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}, \"error\": {\"rotate_deg\": [0, 0, %.6f]}}"

static void groups_of(stage *s, int samples, int first_seed, int runs, double sum[GROUPS], double error2[GROUPS])
{
    mean_radiance *got = calloc((size_t)s->pixels, sizeof *got);
    indirect_line(s, 7, samples, first_seed, runs, got);
    const int size = s->pixels/GROUPS;
    for (int g = 0; g < GROUPS; g++) {
        const mean_radiance m = indirect_mean(got, g*size, (g + 1)*size - 1);
        sum[g] += m.mean;
        error2[g] += m.error*m.error;
    }
    free(got);
}

static void sheets_make_a_flood(void **state)
{
    (void)state;
    double flood[GROUPS] = {0}, flood2[GROUPS] = {0}, sheets[GROUPS] = {0}, sheets2[GROUPS] = {0};
    char text[8000];
    snprintf(text, sizeof text, LASER, 0, "flood", 0.0);
    stage *s = head_with(text);
    groups_of(s, 2048, 1, 16, flood, flood2);
    stage_destroy(s);
    for (int h = 0; h < HEADS; h++) {
        int used = 0;
        for (int l = 0; l < LASERS; l++) {   // even steps, middles
            const double turn = -0.5*SWEEP_DEG + SWEEP_DEG*(l*HEADS + h + 0.5)/(HEADS*LASERS);
            used += snprintf(text + used, sizeof text - (size_t)used, "%s" LASER, l ? ", " : "", l, "sheet", turn);
        }
        s = head_with(text);
        groups_of(s, 16, 100 + 8*h, 8, sheets, sheets2);
        stage_destroy(s);
    }
    for (int g = 0; g < GROUPS; g++) {
        const double mean = sheets[g]/(HEADS*LASERS), error = hypot(sqrt(sheets2[g])/(HEADS*LASERS), sqrt(flood2[g]));
        print_message("superposition: part %d of 4: sheets %.6g, flood %.6g, %+.2f %% +- %.2f %%\n", g, mean, flood[g], 100.0*(mean/flood[g] - 1.0), 100.0*error/flood[g]);
        assert_near(mean, flood[g], 0.01*flood[g]);
        assert_true(error < 0.005*flood[g]);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(sheets_make_a_flood)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
