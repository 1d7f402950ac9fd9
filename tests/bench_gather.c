// SPDX-License-Identifier: Apache-2.0
// Noise and cost of the gathered ambient light: two gatherings with different seeds over the same points of a room.
//   bench_gather SCENE HEAD ROWS PATHS [NOISE_RATIO]   with an aim, points get more paths as they want
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "trace/gather.h"

static double cpu_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

static int compare(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

int main(int argc, char **argv)
{
    lr_error err = {""};
    lr_head *head = NULL;
    lr_scene *scene = NULL;
    lr_bins bins;
    lr_bvh *bvh = NULL;
    lr_rig *rig = NULL;
    lr_tracer *tracer[2] = {NULL, NULL};
    if (argc < 5) {
        fprintf(stderr, "bench_gather SCENE HEAD ROWS PATHS [NOISE_RATIO]\n");
        return 2;
    }
    lr_status s = lr_head_load(argv[2], &head, &err);
    if (s == LR_OK) s = lr_scene_load(argv[1], "", &scene, &err);
    if (s == LR_OK) s = lr_head_bins(head, &bins, &err);
    if (s == LR_OK) s = lr_scene_bake(scene, &bins, &err);
    if (s == LR_OK) s = lr_bvh_create(scene, 1, &bvh, &err);
    if (s == LR_OK) s = lr_rig_create(head, scene, &rig, &err);
    double seconds = 0.0;
    for (int k = 0; k < 2 && s == LR_OK; k++) {
        lr_trace_def def = lr_trace_def_default();
        def.seed = (uint64_t)(1 + k);
        def.gather_rows = atoi(argv[3]);
        def.gather_paths = atoi(argv[4]);
        def.noise_ratio = argc > 5 ? atof(argv[5]) : 0.0;
        s = lr_tracer_create(&def, scene, bvh, rig, &tracer[k], &err);
        const double start = cpu_s();
        if (s == LR_OK) s = lr_tracer_gather(tracer[k], 1, NULL, NULL, &err);
        seconds += 0.5*(cpu_s() - start);
    }
    if (s != LR_OK) {
        fprintf(stderr, "bench_gather: %s\n", err.text);
        return 1;
    }
    const lr_gather *a = tracer[0]->gather, *b = tracer[1]->gather;
    int64_t rays = 0;
    for (int k = 0; k < LR_RAY_KINDS; k++)
        rays += a->count.rays[k];
    printf("%d points, %d paths each, %.2f Mray, %.2f s of one core\n", a->record_count, atoi(argv[4]), 1e-6*(double)rays, seconds);
    for (int k = 0; k < scene->source_count; k++) {
        double mean = 0.0, square = 0.0, *part = malloc((size_t)a->record_count*sizeof *part);
        for (int i = 0; i < a->record_count; i++) {
            const double x = (double)a->irradiance[(size_t)i*a->values + k*bins.ambient_count], y = (double)b->irradiance[(size_t)i*b->values + k*bins.ambient_count];
            mean += 0.5*(x + y)/a->record_count;
            square += 0.5*(x - y)*(x - y)/a->record_count;   // variance of one
            part[i] = fabs(x - y)/sqrt(2.0)/(0.5*(x + y) + 1e-30);
        }
        const lr_rig_camera *camera = &rig->module[0].camera[0];
        const double e = 0.5/3.14159265*(double)camera->ambient_response[((size_t)k*(size_t)camera->pixels + (size_t)camera->pixels/2)*bins.ambient_count];
        printf("source %d: off a surface of reflectance 0.5 %.2f e in the middle pixel, rms error %.2f e\n", k, e*mean, e*sqrt(square));
        qsort(part, (size_t)a->record_count, sizeof *part, compare);
        printf("source %d: mean %.4g, rms error %.2f %% of it; relative error median %.2f %%, 95 %% of points %.2f %%\n", k, mean, 100.0*sqrt(square)/mean,
               100.0*part[a->record_count/2], 100.0*part[(int)(0.95*a->record_count)]);
        free(part);
    }
    for (int k = 0; k < 2; k++)
        lr_tracer_destroy(tracer[k]);
    lr_rig_destroy(rig);
    lr_bvh_destroy(bvh);
    lr_scene_destroy(scene);
    lr_head_destroy(head);
    return 0;
}
