// SPDX-License-Identifier: Apache-2.0
// Indirect laser light in a closed sphere: every point gives the same to every other, so that after the first landing all is even:
//   E = P rho/((1 - rho) 4 pi R^2),  L = rho E/pi.   Source: the integrating sphere's multiplier, e.g. Labsphere's guide (from memory).
#include "indirect_stage.h"

// `ratio`: of the noise below which paths start by chance; here all light is below it.
static void sphere_of(double radius_m, double rho, const char *mode, int samples, double ratio)
{
    char scene[512], camera[256], laser[256];
    const double times = radius_m/1.5;
    snprintf(scene, sizeof scene, "{\"format\": \"lanternroom-scene/1\", \"name\": \"sphere\", \"objects\": [{\"shape\": \"sphere\", \"radius_m\": %g, \"material\": {\"kind\": \"diffuse\", \"reflectance\": %g}}],"
        " \"lights\": [], \"head_pose\": {\"position_m\": [%g, %g, %g], \"rotate_deg\": [10, 20, 30]}}",
        radius_m, rho, 0.5*times, 0.2*times, 0.1*times);
    snprintf(laser, sizeof laser, "\"mode\": \"%s\", \"flood_deg\": 70, \"height_mm\": %g, \"fan_deg\": 80, \"thickness_mm\": %g, \"divergence_mrad\": 1,"
        " \"dots\": {\"count\": 60, \"seed\": 4, \"size_mrad\": 2, \"zero_order\": 0.05, \"background\": 0.2}", mode, -50.0*times, 2.0*times);
    snprintf(camera, sizeof camera, "\"height_mm\": %g, \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 2, \"f_number\": 2, \"transmission\": 1},"
        " \"sensor\": {\"pixels\": 400, \"pitch_um\": 8, \"width_um\": 16, \"quantum_efficiency\": 0.5}", 50.0*times);
    stage *s = indirect_stage(scene, camera, laser);
    mean_radiance *got = calloc((size_t)s->pixels, sizeof *got);
    const double want = rho/LR_PI*rho/(1.0 - rho)/(4.0*LR_PI*radius_m*radius_m);
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

static void sphere(double rho, const char *mode, int samples, double ratio) { sphere_of(1.5, rho, mode, samples, ratio); }

// As small as the ways that paths and second landings share, see lr_ramp in trace/indirect_gather.c: each way counts once, whichever surface of a path it
// leads to. Of the chords 4 % are below LR_CLOSE_M; shares held twice in later surfaces would add 8 %.
static void ways_of_millimetres_count_once(void **state)
{
    (void)state;
    sphere_of(0.012, 0.8, "sheet", 32, 0.0);
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
    const struct CMUnitTest tests[] = {cmocka_unit_test(mean_stays_where_paths_start_by_chance), cmocka_unit_test(sphere_multiplies_a_sheet), cmocka_unit_test(sphere_multiplies_a_flood),
                                       cmocka_unit_test(ways_of_millimetres_count_once)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
