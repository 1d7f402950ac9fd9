// SPDX-License-Identifier: Apache-2.0
// Indirect laser light where single bright pixels come easily: in a fold, one side is lit up to the edge, and light goes to the other side and back
// within a few millimetres, along paths of which few are followed; beside polished metal; and in brushed metal that shows what no laser reaches.
// Counted is how often a run gives a pixel far more than its mean: each that does counts once, however bright it is. A root mean square is ruled by the few brightest.
#include "indirect_stage.h"

enum { PIXELS = 64, EDGE = 44 };   // EDGE: the pixel that the edge lies in, the lit wall above it
#define BOUNCE_SHARE 0.1

#define CAMERA(HEIGHT_MM, PITCH_DEG, PIXEL_UM) \
    "\"height_mm\": " HEIGHT_MM ", \"pitch_deg\": " PITCH_DEG ", \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 4, \"f_number\": 2, \"transmission\": 1}," \
    " \"sensor\": {\"pixels\": 64, \"pitch_um\": " PIXEL_UM ", \"width_um\": " PIXEL_UM ", \"quantum_efficiency\": 0.5}"
#define SHEET "\"thickness_mm\": 2, \"divergence_mrad\": 1, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}"

typedef struct sampled { int runs; float *value; double mean[PIXELS], scatter[PIXELS]; } sampled;   // (runs x PIXELS); scatter as a share of the mean

static sampled sample(stage *s, int runs)
{
    sampled out = {.runs = runs, .value = malloc((size_t)runs*PIXELS*sizeof(float))};
    double sum2[PIXELS] = {0.0};
    mean_radiance got[PIXELS];
    for (int seed = 0; seed < runs; seed++) {
        indirect_line(s, 0, 1, seed, 1, got);
        for (int i = 0; i < PIXELS; i++) {
            out.value[seed*PIXELS + i] = (float)got[i].mean;
            out.mean[i] += got[i].mean/runs;
            sum2[i] += got[i].mean*got[i].mean/runs;
        }
    }
    for (int i = 0; i < PIXELS; i++)
        out.scatter[i] = sqrt(fmax(0.0, sum2[i]/(out.mean[i]*out.mean[i]) - 1.0));
    return out;
}

// How many of the values of these pixels are above so many times their pixel's mean, as a share, and its standard error.
static mean_radiance share_above(const sampled *s, int first, int last, double times)
{
    int above = 0;
    for (int k = 0; k < s->runs; k++)
        for (int i = first; i <= last; i++)
            above += (double)s->value[k*PIXELS + i] > times*s->mean[i];
    const double n = (double)s->runs*(last - first + 1);
    return (mean_radiance){above/n, sqrt(above + 1.0)/n};
}

// Wall x = 2 and floor z = -1. The laser grazes the floor, so the wall alone is lit and pixels on it have light that came by way of the floor.
static void no_more_bright_pixels_by_the_edge(void **state)
{
    (void)state;
    stage *s = indirect_stage(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"fold\", \"objects\": ["
        " {\"name\": \"wall\", \"shape\": \"rectangle\", \"size_m\": [400, 400], \"center_m\": [2, 0, 199], \"rotate_deg\": [0, -90, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.8}},"
        " {\"name\": \"floor\", \"shape\": \"rectangle\", \"size_m\": [400, 400], \"center_m\": [-198, 0, -1], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.8}}], \"lights\": []}",
        CAMERA("50", "-27", "4"), "\"height_mm\": -999.9, \"fan_deg\": 100, " SHEET);
    s->tracer->def.bounce_share = BOUNCE_SHARE;
    sampled few = sample(s, 24000);
    const mean_radiance near = share_above(&few, EDGE - 3, EDGE - 1, 50.0), far = share_above(&few, EDGE - 11, EDGE - 4, 50.0);
    print_message("fold: above 50 means are %.2e +- %.1e of the values within 7 mm of the edge, %.2e +- %.1e farther away\n", near.mean, near.error, far.mean, far.error);
    assert_true(near.mean < 0.75*far.mean);

    s->tracer->def.bounce_share = 1.0;   // the same light when every path is followed: nothing is lost
    sampled all = sample(s, 8000);
    for (int i = EDGE - 3; i < EDGE; i++)
        assert_near(few.mean[i], all.mean[i], 5.0*hypot(few.mean[i]*few.scatter[i]/sqrt(few.runs), all.mean[i]*all.scatter[i]/sqrt(all.runs)));
    free(few.value);
    free(all.value);
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
        CAMERA("50", "-9", "8"), "\"height_mm\": 0, \"fan_deg\": 100, " SHEET);
    sampled runs = sample(s, 8000);
    const mean_radiance near = share_above(&runs, 58, 61, 20.0);
    print_message("blade: above 20 means are %.2e +- %.1e of the values beside the blade\n", near.mean, near.error);
    assert_true(near.mean < 1e-3);
    free(runs.value);
    stage_destroy(s);
}

// A shelf is lit from above and lights the wall behind it. A floor of brushed steel shows the wall to the camera, while the lit side of the shelf is turned
// away from it: nothing comes from there straight, so little is to be expected, but much comes.
static void metal_shows_what_is_not_lit(void **state)
{
    (void)state;
    stage *s = indirect_stage(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"shelf\", \"objects\": ["
        " {\"name\": \"floor\", \"shape\": \"rectangle\", \"size_m\": [4, 4], \"center_m\": [1, 0, -1], \"material\": {\"kind\": \"metal\", \"index\": 2.9, \"index_k\": 3.4, \"roughness\": 0.2}},"
        " {\"name\": \"wall\", \"shape\": \"rectangle\", \"size_m\": [4, 4], \"center_m\": [2, 0, 0], \"rotate_deg\": [0, -90, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.8}},"
        " {\"name\": \"shelf\", \"shape\": \"box\", \"size_m\": [0.3, 1, 0.02], \"center_m\": [1.85, 0, -0.31], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.8}}], \"lights\": []}",
        CAMERA("50", "-46", "8"), "\"height_mm\": 0, \"pitch_deg\": -9.2, \"fan_deg\": 1, " SHEET);
    s->tracer->def.faint_indirect_e = 2.0;   // as scans of standard quality have it
    s->tracer->def.bounce_share = 0.5;
    sampled runs = sample(s, 4000);
    const mean_radiance seen = share_above(&runs, 0, PIXELS - 1, 100.0);
    print_message("shelf: above 100 means are %.2e +- %.1e of the values in the steel floor\n", seen.mean, seen.error);
    assert_true(seen.mean < 7e-4);
    free(runs.value);
    stage_destroy(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(no_more_bright_pixels_by_the_edge), cmocka_unit_test(beside_polished_metal), cmocka_unit_test(metal_shows_what_is_not_lit)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
