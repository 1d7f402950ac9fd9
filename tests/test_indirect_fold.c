// SPDX-License-Identifier: Apache-2.0
// Indirect laser light where single bright pixels come easily: in a fold, one side is lit up to the edge, and light goes to the other side and back
// within a few millimetres, along paths of which few are followed; and beside polished metal.
#include "indirect_stage.h"

enum { RUNS = 8000, PIXELS = 64, EDGE = 44 };   // EDGE: the pixel that the edge lies in, the lit wall above it
#define BOUNCE_SHARE 0.1

// How far single runs scatter, as a share of the mean. `mean`: over all runs.
static void scatter_of(stage *s, double mean[PIXELS], double scatter[PIXELS])
{
    double sum2[PIXELS] = {0.0};
    mean_radiance got[PIXELS];
    memset(mean, 0, PIXELS*sizeof *mean);
    for (int seed = 0; seed < RUNS; seed++) {
        indirect_line(s, 0, 1, seed, 1, got);
        for (int i = 0; i < PIXELS; i++) {
            mean[i] += got[i].mean/RUNS;
            sum2[i] += got[i].mean*got[i].mean/RUNS;
        }
    }
    for (int i = 0; i < PIXELS; i++)
        scatter[i] = sqrt(sum2[i]/(mean[i]*mean[i]) - 1.0);
}

static double mean_of(const double *x, int first, int last)
{
    double sum = 0.0;
    for (int i = first; i <= last; i++)
        sum += x[i]/(last - first + 1);
    return sum;
}

// Wall x = 2 and floor z = -1. The laser grazes the floor, so the wall alone is lit and pixels on it have light that came by way of the floor.
static void no_brighter_single_pixels_by_the_edge(void **state)
{
    (void)state;
    stage *s = indirect_stage(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"fold\", \"objects\": ["
        " {\"name\": \"wall\", \"shape\": \"rectangle\", \"size_m\": [400, 400], \"center_m\": [2, 0, 199], \"rotate_deg\": [0, -90, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.8}},"
        " {\"name\": \"floor\", \"shape\": \"rectangle\", \"size_m\": [400, 400], \"center_m\": [-198, 0, -1], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.8}}], \"lights\": []}",
        "\"height_mm\": 50, \"pitch_deg\": -27, \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 4, \"f_number\": 2, \"transmission\": 1},"
        " \"sensor\": {\"pixels\": 64, \"pitch_um\": 4, \"width_um\": 4, \"quantum_efficiency\": 0.5}",
        "\"height_mm\": -999.9, \"fan_deg\": 100, \"thickness_mm\": 2, \"divergence_mrad\": 1, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}");
    double mean[PIXELS], scatter[PIXELS];
    s->tracer->def.bounce_share = BOUNCE_SHARE;
    scatter_of(s, mean, scatter);
    const double near = mean_of(scatter, EDGE - 3, EDGE - 1), far = mean_of(scatter, EDGE - 11, EDGE - 4);
    print_message("fold: single runs scatter by %.2f of their mean within 7 mm of the edge, by %.2f farther away\n", near, far);
    assert_true(near < far);

    double all_mean[PIXELS], all_scatter[PIXELS];   // the same light when every path is followed: nothing is lost
    s->tracer->def.bounce_share = 1.0;
    scatter_of(s, all_mean, all_scatter);
    for (int i = EDGE - 3; i < EDGE; i++)
        assert_near(mean[i], all_mean[i], 5.0*hypot(mean[i]*scatter[i], all_mean[i]*all_scatter[i])/sqrt(RUNS));
    stage_destroy(s);
}

// A board stands 20 mm from a blade of polished steel that the laser lights. Its narrow lobe sends the board light from a short bit of what is lit,
// and each run finds it.
static void beside_polished_metal(void **state)
{
    (void)state;
    stage *s = indirect_stage(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"blade\", \"objects\": ["
        " {\"name\": \"blade\", \"shape\": \"box\", \"size_m\": [0.2, 0.2, 0.002], \"center_m\": [1, 0, -0.2], \"material\": \"polished_steel\"},"
        " {\"name\": \"board\", \"shape\": \"box\", \"size_m\": [0.02, 0.2, 0.4], \"center_m\": [1.13, 0, -0.1], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.6}}], \"lights\": []}",
        "\"height_mm\": 50, \"pitch_deg\": -9, \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 4, \"f_number\": 2, \"transmission\": 1},"
        " \"sensor\": {\"pixels\": 64, \"pitch_um\": 8, \"width_um\": 8, \"quantum_efficiency\": 0.5}",
        "\"height_mm\": 0, \"fan_deg\": 100, \"thickness_mm\": 2, \"divergence_mrad\": 1, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}");
    double mean[PIXELS], scatter[PIXELS];
    scatter_of(s, mean, scatter);
    const double near = mean_of(scatter, 58, 61), far = mean_of(scatter, 20, 40);
    print_message("blade: single runs scatter by %.2f of their mean beside the blade, by %.2f at a distance\n", near, far);
    assert_true(near < 3.0*far);
    stage_destroy(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(no_brighter_single_pixels_by_the_edge), cmocka_unit_test(beside_polished_metal)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
