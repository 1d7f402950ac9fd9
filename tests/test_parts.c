// SPDX-License-Identifier: Apache-2.0
// More parts where a pixel is noisy: the aim is met, smooth pixels are left alone, and stopping early does not pull the mean.
#include "stage.h"

#define PIXELS 120
#define SEEDS 48

// A post in front of a wall, in the soft shadow of a large lamp: edges, penumbra and plain wall in one line.
#define SCENE                                                                                                                        \
    "{\"format\": \"lanternroom-scene/1\", \"name\": \"post\", \"objects\": ["                                                        \
    "{\"shape\": \"room\", \"size_m\": [4, 4, 3], \"center_m\": [0, 0, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.5}}," \
    "{\"shape\": \"box\", \"size_m\": [0.1, 2, 0.1], \"center_m\": [1.2, 0, 0.3], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.3}}]," \
    " \"lights\": [{\"kind\": \"lamp\", \"shape\": \"rectangle\", \"size_m\": [1, 1], \"center_m\": [0, 0, 1.4], \"rotate_deg\": [180, 0, 0], \"lumens\": 4000, \"spectrum\": \"halogen\"}]}"
#define HEAD                                                                                                                         \
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 360},"                    \
    " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [{\"name\": \"c\","                                             \
    "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 0.5, \"f_number\": 2},"                                             \
    "  \"filter\": {\"center_nm\": 850, \"width_nm\": 20, \"angle_factor\": 0},"                                                     \
    "  \"sensor\": {\"pixels\": 120, \"pitch_um\": 5, \"width_um\": 10, \"quantum_efficiency\": 0.4, \"read_noise_e\": 5}, \"exposure_us\": 100}]}]}"

typedef struct trial { double mean[PIXELS], variance[PIXELS], sum, sum_error; int64_t rays; } trial;

static trial run_trial(int samples, int most, double noise_ratio)
{
    stage *s = stage_create(SCENE, HEAD, samples);
    trial t = {.rays = 0};
    double sums[SEEDS];
    s->tracer->def.most_samples = most;
    s->tracer->def.noise_ratio = noise_ratio;
    s->tracer->def.indirect_samples = 0;
    for (int k = 0; k < SEEDS; k++) {
        s->tracer->def.seed = 1000 + (uint64_t)k;
        sums[k] = 0.0;
        stage_line(s, 0, 0);
        for (int i = 0; i < PIXELS; i++) {
            const double e = (double)s->part[4][i];
            t.mean[i] += e/SEEDS;
            t.variance[i] += e*e;
            sums[k] += e;
        }
        t.sum += sums[k]/SEEDS;
    }
    for (int i = 0; i < PIXELS; i++)
        t.variance[i] = (t.variance[i] - SEEDS*t.mean[i]*t.mean[i])/(SEEDS - 1);
    for (int k = 0; k < SEEDS; k++)
        t.sum_error += (sums[k] - t.sum)*(sums[k] - t.sum);
    t.sum_error = sqrt(t.sum_error/(SEEDS - 1)/SEEDS);
    t.rays = lr_work_count(s->work)->rays[LR_RAY_CAMERA];
    stage_destroy(s);
    return t;
}

// Share of pixels whose standard deviation, doubled, is below `ratio` of the noise of the sensor: 95 % of their estimates are.
static double share_within(const trial *t, double ratio)
{
    int within = 0;
    for (int i = 0; i < PIXELS; i++)
        within += 2.0*sqrt(t->variance[i]) < ratio*sqrt(t->mean[i] + 25.0);
    return (double)within/PIXELS;
}

static void aim_is_met(void **state)
{
    (void)state;
    const double ratio = 0.3;
    const trial few = run_trial(2, 2, 0.0), aimed = run_trial(2, 256, ratio), many = run_trial(256, 256, 0.0);
    print_message("within the aim: %.3f with 2 parts, %.3f with as many as it takes, %.3f with 256; camera rays %lld, %lld, %lld; sums %.1f +- %.1f, %.1f +- %.1f\n",
                  share_within(&few, ratio), share_within(&aimed, ratio), share_within(&many, ratio), (long long)few.rays, (long long)aimed.rays,
                  (long long)many.rays, aimed.sum, aimed.sum_error, many.sum, many.sum_error);
    assert_true(share_within(&few, ratio) < 0.5);
    assert_true(share_within(&aimed, ratio) > 0.8);   // a variance from 48 seeds is itself off by 20 %
    assert_true(aimed.rays < many.rays/2);
    assert_true(fabs(aimed.sum - many.sum) < 5.0*hypot(aimed.sum_error, many.sum_error));
}

// Where the noise is low already nothing is added: a coarse aim costs two parts, but at edges.
static void smooth_is_left(void **state)
{
    (void)state;
    const trial few = run_trial(2, 2, 0.0), coarse = run_trial(2, 256, 50.0);
    print_message("camera rays: %lld at two parts, %lld at a coarse aim\n", (long long)few.rays, (long long)coarse.rays);
    assert_true(coarse.rays < few.rays*3/2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(aim_is_met), cmocka_unit_test(smooth_is_left)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
