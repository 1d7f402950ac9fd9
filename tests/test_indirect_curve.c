// SPDX-License-Identifier: Apache-2.0
// Of a laser's power nothing is lost on its way to the lit pieces, however many ways there are: more than there is room for are thinned, and those
// that stay count more.
#include "indirect_stage.h"

#include "trace/indirect.h"

#define BLACK "{\"kind\": \"diffuse\", \"reflectance\": 0.01}"
#define EVEN "\"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}"
#define LASER_W 1.0

// So many lasers alike in one place, and a camera with few pixels.
static stage *lasers_in(const char *scene, int lasers, const char *laser)
{
    char head[8192];
    int used = snprintf(head, sizeof head, "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 360},"
        " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [{\"name\": \"c\", \"height_mm\": 100, \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 4, \"f_number\": 2},"
        " \"sensor\": {\"pixels\": 4, \"pitch_um\": 8, \"width_um\": 8}, \"exposure_us\": 1}], \"lasers\": [");
    for (int l = 0; l < lasers; l++)
        used += snprintf(head + used, sizeof head - (size_t)used, "%s{\"name\": \"l%d\", \"wavelength_nm\": 850, \"line_width_nm\": 0, \"power_mw\": 1000, %s}", l ? ", " : "", l, laser);
    snprintf(head + used, sizeof head - (size_t)used, "]}]}");
    stage *s = stage_create(scene, head, 1);
    s->tracer->def.indirect_samples = 1;
    return s;
}

// What arrives of one laser.
typedef struct arrived { double power_w; int first, second; } arrived;   // power of first landings; pieces

static arrived arrived_of(const stage *s, int laser)
{
    const lr_lit_curve *c = &s->work->indirect->curve;
    arrived a = {0};
    assert_in_range(c->count, 1, LR_CURVE_PIECES);
    for (int g = c->first_group[laser]; g < c->first_group[laser + 1]; g++)
        for (int k = c->first_piece[g]; k < c->first_piece[g + 1]; k++) {
            assert_int_equal(c->piece[k].laser, laser);
            if (g >= c->second_group[laser]) {
                a.second++;
            } else {
                a.first++;
                a.power_w += (double)c->piece[k].power_w;
            }
        }
    return a;
}

// Floods look down at a mirror and light the ceiling by way of it: each ray arrives, and nine tenths of its power. One alone has as many patches as there
// is room for, eight have to do with coarser ones.
static void whole_floods_arrive(void **state)
{
    (void)state;
    for (int lasers = 1; lasers <= LR_MAX_LASERS; lasers++) {
        stage *s = lasers_in(
            "{\"format\": \"lanternroom-scene/1\", \"name\": \"levels\", \"objects\": ["
            " {\"shape\": \"rectangle\", \"size_m\": [200, 200], \"center_m\": [0, 0, -1], \"material\": {\"kind\": \"mirror\", \"reflectance\": 0.9}},"
            " {\"shape\": \"rectangle\", \"size_m\": [200, 200], \"center_m\": [0, 0, 1.5], \"rotate_deg\": [180, 0, 0], \"material\": " BLACK "}], \"lights\": []}",
            lasers, "\"mode\": \"flood\", \"flood_deg\": 60, \"pitch_deg\": -45, \"fan_deg\": 50, " EVEN);
        stage_line(s, 0, 0);
        for (int l = 0; l < lasers; l++) {
            const arrived a = arrived_of(s, l);
            print_message("flood %d of %d: %.6f W arrive on %d patches\n", l + 1, lasers, a.power_w, a.first);
            assert_rel(a.power_w, 0.9*LASER_W, 2e-5);   // shares of cells in float, as differences of up to 1: 6e-8 of 1/64, and less by chance
        }
        stage_destroy(s);
    }
}

// A stack of panes that send back two fifths each and keep nothing: all that a sheet sends in ends on the black walls, by far more ways than there is
// room for. What must not happen either is that none are left for the second landings.
static void all_ways_between_panes(void **state)
{
    (void)state;
    enum { PANES = 8, SAMPLES = 40 };
    char scene[8192];
    int used = snprintf(scene, sizeof scene, "{\"format\": \"lanternroom-scene/1\", \"name\": \"panes\", \"objects\": [{\"shape\": \"room\", \"size_m\": [8, 8, 4], \"material\": " BLACK "}");
    for (int k = 0; k < PANES; k++)   // askew: none is the image of another
        used += snprintf(scene + used, sizeof scene - (size_t)used, ", {\"shape\": \"rectangle\", \"size_m\": [3.6, 2], \"center_m\": [%g, 0, 0], \"rotate_deg\": [%d, 90, 0],"
            " \"material\": {\"kind\": \"pane\", \"index\": 3, \"thickness_mm\": 4}}", 0.4 + 0.2*k, (k*37)%11 - 5);
    snprintf(scene + used, sizeof scene - (size_t)used, "], \"lights\": []}");
    for (int lasers = 1; lasers <= 4; lasers *= 4) {
        stage *s = lasers_in(scene, lasers, "\"fan_deg\": 60, \"thickness_mm\": 2, \"divergence_mrad\": 1, " EVEN);
        mean_radiance power = {0.0, 0.0};
        int most = 0, second = 0;
        for (int k = 0; k < SAMPLES; k++) {
            s->tracer->def.seed = (uint64_t)(k + 1);
            if (k%lasers == 0)
                stage_line(s, 0, 0);
            const arrived a = arrived_of(s, k%lasers);
            power.mean += a.power_w/SAMPLES;
            power.error += a.power_w*a.power_w/SAMPLES;
            most = a.first > most ? a.first : most;
            second += a.second;
        }
        power.error = sqrt(fmax(0.0, power.error - power.mean*power.mean)/(SAMPLES - 1.0));
        print_message("panes, %d lasers: of 1 W %.3f +- %.3f W arrive on %d pieces at most, and %d second landings in all\n", lasers, power.mean, power.error, most, second);
        assert_near(power.mean, LASER_W, 5.0*power.error);
        assert_true(power.error < 0.05*LASER_W);
        assert_true(most > 3000 && second >= SAMPLES);
        stage_destroy(s);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(whole_floods_arrive), cmocka_unit_test(all_ways_between_panes)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
