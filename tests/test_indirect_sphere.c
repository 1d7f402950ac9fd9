// SPDX-License-Identifier: Apache-2.0
// Indirect laser light in a closed sphere: every point gives the same to every other, so that after the first landing all is even:
//   E = P rho/((1 - rho) 4 pi R^2),  L = rho E/pi.   Source: the integrating sphere's multiplier, e.g. Labsphere's guide (from memory).
#include "indirect_stage.h"

// `ratio`: of the noise below which paths start by chance; here all light is below it.
static void sphere(double rho, const char *mode, int samples, double ratio)
{
    char scene[512], laser[256];
    snprintf(scene, sizeof scene, "{\"format\": \"lanternroom-scene/1\", \"name\": \"sphere\", \"objects\": [{\"shape\": \"sphere\", \"radius_m\": 1.5, \"material\": {\"kind\": \"diffuse\", \"reflectance\": %g}}],"
        " \"lights\": [], \"head_pose\": {\"position_m\": [0.5, 0.2, 0.1], \"rotate_deg\": [10, 20, 30]}}", rho);
    snprintf(laser, sizeof laser, "\"mode\": \"%s\", \"flood_deg\": 70, \"height_mm\": -50, \"fan_deg\": 80, \"thickness_mm\": 2, \"divergence_mrad\": 1,"
        " \"dots\": {\"count\": 60, \"seed\": 4, \"size_mrad\": 2, \"zero_order\": 0.05, \"background\": 0.2}", mode);
    stage *s = indirect_stage(scene,
        "\"height_mm\": 50, \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 2, \"f_number\": 2, \"transmission\": 1},"
        " \"sensor\": {\"pixels\": 400, \"pitch_um\": 8, \"width_um\": 16, \"quantum_efficiency\": 0.5}", laser);
    mean_radiance *got = calloc((size_t)s->pixels, sizeof *got);
    const double want = rho/LR_PI*rho/(1.0 - rho)/(4.0*LR_PI*1.5*1.5);
    s->tracer->def.indirect_ratio = ratio;
    indirect_line(s, 30, samples, 1, 16, got);
    if (ratio > 0.0)   // probes are one in 16, of the others one in 10 starts, and each connects 1/(1 - rho) times
        assert_true((double)lr_work_count(s->work)->rays[LR_RAY_CONNECT] < 0.2/(1.0 - rho)*16.0*samples*s->pixels);
    for (int first = 0; first < s->pixels; first += 100) {
        const mean_radiance part = indirect_mean(got, first, first + 99);
        print_message("sphere %s rho %g: %.6g +- %.2g, closed form %.6g (%+.3f %%)\n", mode, rho, part.mean, part.error, want, 100.0*(part.mean/want - 1.0));
        ASSERT_RADIANCE(part, want, !strcmp(mode, "sheet") ? 1.0/256.0 : 0.0);   // a straight piece hides the bent one right behind it: one of 256
        assert_true(part.error < 0.02*want);
    }
    free(got);
    stage_destroy(s);
}

static void sphere_multiplies_a_sheet(void **state)
{
    (void)state;
    sphere(0.3, "sheet", 32, 0.0);
    sphere(0.8, "sheet", 32, 0.0);
}

static void sphere_multiplies_a_flood(void **state)
{
    (void)state;
    sphere(0.3, "flood", 128, 0.0);
    sphere(0.8, "flood", 128, 0.0);
}

static void mean_stays_where_paths_start_by_chance(void **state)
{
    (void)state;
    sphere(0.3, "sheet", 128, 0.5);
    sphere(0.8, "sheet", 128, 0.5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(mean_stays_where_paths_start_by_chance), cmocka_unit_test(sphere_multiplies_a_sheet), cmocka_unit_test(sphere_multiplies_a_flood)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
