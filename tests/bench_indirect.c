// SPDX-License-Identifier: Apache-2.0
// What indirect laser light costs: lines at the samples of a quality, with it and without, in turns on one thread.
//   bench_indirect [--scene FILE] [--head FILE] [--lines N] [--most-cost X]
// Cost: CPU time with it over that without; gathering the room's ambient light, the same for both and done once a scan, is left out (which makes
// the figure look worse than that of a whole scan). Noise: each line is rendered twice by other paths, and the share of pixels whose error is
// below a quarter of the sensor's noise (EMVA 1288: shot noise, read noise, quantisation) is told for both. Exit 1 if the cost is above
// --most-cost or the share with indirect light is more than 0.02 below that without: then it would be bought with noise.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "run/run.h"

enum { GATHER_ROWS = 96, PARTS = 5 };

typedef struct bench {
    lr_head *head;
    lr_scene *scene;
    lr_bins bins;
    lr_bvh *bvh;
    lr_rig *rig;
    lr_tracer *tracer;
    lr_work *work;
    int pixels;
    float *range, *part[2][PARTS];
} bench;

typedef struct side { double seconds; int64_t within, pixels; } side;   // with indirect light, or without

static double cpu_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

static void need(lr_status status, const lr_error *err)
{
    if (status == LR_OK)
        return;
    fprintf(stderr, "bench_indirect: %s\n", err->text);
    exit(2);
}

static void set_up(bench *b, const char *scene, const char *head)
{
    lr_error err = {""};
    lr_run_def run = lr_run_def_default();
    lr_trace_def def = lr_run_trace_def(&run);
    def.gather_rows = GATHER_ROWS;
    need(lr_head_load(head, &b->head, &err), &err);
    need(lr_scene_load(scene, "", &b->scene, &err), &err);
    need(lr_head_bins(b->head, &b->bins, &err), &err);
    need(lr_scene_bake(b->scene, &b->bins, &err), &err);
    need(lr_bvh_create(b->scene, 1, &b->bvh, &err), &err);
    need(lr_rig_create(b->head, b->scene, &b->rig, &err), &err);
    need(lr_tracer_create(&def, b->scene, b->bvh, b->rig, &b->tracer, &err), &err);
    need(lr_tracer_gather(b->tracer, 1, NULL, NULL, &err), &err);
    need(lr_work_create(b->tracer, &b->work, &err), &err);
    b->pixels = b->rig->module[0].camera[0].pixels;
    b->range = malloc((size_t)b->pixels*sizeof(float));
    for (int k = 0; k < 2*PARTS; k++)
        b->part[k/PARTS][k % PARTS] = malloc((size_t)b->pixels*sizeof(float));
}

static void take_down(bench *b)
{
    for (int k = 0; k < 2*PARTS; k++)
        free(b->part[k/PARTS][k % PARTS]);
    free(b->range);
    lr_work_destroy(b->work);
    lr_tracer_destroy(b->tracer);
    lr_rig_destroy(b->rig);
    lr_bvh_destroy(b->bvh);
    lr_scene_destroy(b->scene);
    lr_head_destroy(b->head);
}

static void render(bench *b, const lr_tracer *tracer, int64_t line, float *part[PARTS], side *s)
{
    const lr_line_truth truth = {.range_m = b->range};
    const lr_line_light light = {.direct = part[0], .indirect = part[1], .sun = part[2], .sky = part[3], .lamp = part[4]};
    const double start = cpu_s();
    lr_trace_line(tracer, b->work, 0, 0, b->rig->module[0].camera_count > 1 ? 1 : -1, line, &truth, &light);
    s->seconds += cpu_s() - start;
}

// Both renderings of a line count for the time, their difference for the noise.
static void compare(bench *b, const lr_tracer *tracer, int64_t line, side *s)
{
    const lr_camera_def *camera = b->rig->module[0].camera[0].def;
    const lr_tracer again = lr_tracer_again(tracer);
    const double gain = camera->sensor.gain_dn_per_e, floor_e2 = camera->sensor.read_noise_e*camera->sensor.read_noise_e + 1.0/(12.0*gain*gain);
    render(b, tracer, line, b->part[0], s);
    render(b, &again, line, b->part[1], s);
    for (int i = 0; i < b->pixels; i++) {
        double mean = 0.0, off = 0.0;
        for (int k = 0; k < PARTS; k++) {
            mean += 0.5*((double)b->part[0][k][i] + (double)b->part[1][k][i]);
            off += ((double)b->part[0][k][i] - (double)b->part[1][k][i])/sqrt(2.0);
        }
        s->within += fabs(off) < 0.25*sqrt(mean + floor_e2);
        s->pixels++;
    }
}

int main(int argc, char **argv)
{
    const char *scene = "scenes/workshop.json", *head = "scenes/heads/wide120.json";
    double most_cost = (double)INFINITY;
    int lines = 48;
    for (int i = 1; i + 1 < argc; i += 2) {
        if (strcmp(argv[i], "--scene") == 0) scene = argv[i + 1];
        else if (strcmp(argv[i], "--head") == 0) head = argv[i + 1];
        else if (strcmp(argv[i], "--lines") == 0) lines = atoi(argv[i + 1]);
        else if (strcmp(argv[i], "--most-cost") == 0) most_cost = atof(argv[i + 1]);
        else lines = 0;
    }
    if (lines < 1) {
        fprintf(stderr, "bench_indirect [--scene FILE] [--head FILE] [--lines N] [--most-cost X]\n");
        return 2;
    }
    bench b = {0};
    side with = {0}, without = {0};
    set_up(&b, scene, head);
    lr_tracer plain = *b.tracer;
    plain.def.indirect_samples = 0;
    for (int k = 0; k < lines; k++) {
        const int64_t line = (int64_t)k*b.head->spin.lines_per_rev/lines;
        compare(&b, b.tracer, line, &with);
        compare(&b, &plain, line, &without);
    }
    const double cost = with.seconds/without.seconds, shares[2] = {(double)with.within/(double)with.pixels, (double)without.within/(double)without.pixels};
    printf("%s, %s, %d lines twice, standard\n", scene, head, lines);
    printf("with indirect laser light %.2f s, without %.2f s: %.2f times\n", with.seconds, without.seconds, cost);
    printf("error below a quarter of the sensor's noise: %.1f %% of pixels with it, %.1f %% without\n", 100.0*shares[0], 100.0*shares[1]);
    take_down(&b);
    return cost <= most_cost && shares[0] >= shares[1] - 0.02 ? 0 : 1;
}
