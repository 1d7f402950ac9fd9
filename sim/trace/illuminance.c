// SPDX-License-Identifier: Apache-2.0
#include "trace/illuminance.h"

#include <math.h>
#include <stdlib.h>

#include "core/thread.h"
#include "optics/spectrum.h"
#include "trace/gather.h"
#include "trace/work.h"

#define AT_ONCE 16            // batches between looks at the error: few, and the same for any number of threads
#define GOOD_ENOUGH 0.003
#define FIRST_NM 360
#define LAST_NM 830

typedef struct crew {
    lr_tracer *tracer;
    lr_work **work;           // (threads)
    float **halves;           // (threads) (2 x sources x bins)
    double *lumens;           // (sources x bins) 683 lm/W times the integral of S V
    lr_gather_record at;
    lr_illuminance *out;
    int first;                // batch
} crew;

// Edges where an eighth of V's integral lies between, centres where V has its middle.
static lr_bins visible_bins(void)
{
    lr_bins bins = {.ambient_count = LR_MAX_AMBIENT_BINS, .edge_m[0] = FIRST_NM*1e-9};
    double all = 0.0, below = 0.0, in_bin = 0.0, moment = 0.0;
    int b = 0;
    for (int nm = FIRST_NM; nm <= LAST_NM; nm++)
        all += lr_eye(nm*1e-9);
    for (int nm = FIRST_NM; nm <= LAST_NM; nm++) {
        const double v = lr_eye(nm*1e-9);
        below += v;
        in_bin += v;
        moment += v*nm;
        if (below < all*(b + 1)/LR_MAX_AMBIENT_BINS && nm < LAST_NM)
            continue;
        bins.center_m[b] = moment/in_bin*1e-9;
        bins.edge_m[++b] = nm*1e-9;
        in_bin = moment = 0.0;
        if (b == LR_MAX_AMBIENT_BINS)
            break;
    }
    bins.edge_m[LR_MAX_AMBIENT_BINS] = LAST_NM*1e-9;
    return bins;
}

static double lumens_between(const lr_table *spectrum, double lo_m, double hi_m)
{
    enum { STEPS_PER_NM = 4 };
    const int steps = (int)lrint((hi_m - lo_m)*1e9)*STEPS_PER_NM;
    double sum = 0.0;
    for (int i = 0; i < steps; i++) {
        const double at_m = lo_m + (i + 0.5)*(hi_m - lo_m)/steps;
        sum += lr_table_at(spectrum, at_m)*lr_eye(at_m);
    }
    return LR_KM_LM_W*sum*(hi_m - lo_m)/steps;
}

static lr_status one_batch(void *context, int64_t index, int worker, lr_error *err)
{
    (void)err;
    const crew *c = context;
    const lr_scene *scene = c->tracer->scene;
    const int bins = c->tracer->rig->bins.ambient_count, values = scene->source_count*bins, batch = c->first + (int)index;
    const float *half = c->halves[worker];
    lr_gather_record at = c->at;
    at.tile = (uint32_t)batch;
    lr_line_job job = {.tracer = c->tracer, .work = c->work[worker], .seed = 0x6c757821u, .all_light = 1};
    lr_gather_paths(&job, &at, 1, LR_CHUNK_RAYS, c->halves[worker], NULL);
    for (int k = 0; k < values; k++)
        c->out->batch_lux[batch][scene->source[k/bins].kind] += ((double)half[k] + (double)half[values + k])*c->lumens[k];
    return LR_OK;
}

static lr_status run_batches(crew *c, int threads, lr_error *err)
{
    const double all[LR_LIGHT_KINDS] = {1.0, 1.0, 1.0};
    while (c->out->batches < LR_ILLUMINANCE_BATCHES) {
        double error_lux;
        c->first = c->out->batches;
        LR_TRY(lr_threads_run(threads, AT_ONCE, one_batch, c, err));
        c->out->batches += AT_ONCE;
        const double lux = lr_illuminance_lux(c->out, all, &error_lux);
        if (error_lux <= GOOD_ENOUGH*lux)
            break;
    }
    return LR_OK;
}

static lr_status gather(crew *c, const lr_bins *bins, int threads, lr_error *err)
{
    const lr_scene *scene = c->tracer->scene;
    c->work = calloc((size_t)threads, sizeof *c->work);
    c->halves = calloc((size_t)threads, sizeof *c->halves);
    c->lumens = malloc((size_t)(scene->source_count*bins->ambient_count + 1)*sizeof *c->lumens);
    lr_status s = c->work && c->halves && c->lumens ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "illuminance: out of memory");
    for (int i = 0; s == LR_OK && i < threads; i++) {
        s = lr_work_create(c->tracer, &c->work[i], err);
        c->halves[i] = malloc((size_t)(2*scene->source_count*bins->ambient_count + 1)*sizeof **c->halves);
        if (s == LR_OK && !c->halves[i])
            s = lr_fail(err, LR_ERR_MEMORY, "illuminance: out of memory");
    }
    for (int k = 0; s == LR_OK && k < scene->source_count; k++)
        for (int b = 0; b < bins->ambient_count; b++)
            c->lumens[k*bins->ambient_count + b] = lumens_between(&scene->source[k].spectrum, bins->edge_m[b], bins->edge_m[b + 1]);
    if (s == LR_OK)
        s = run_batches(c, threads, err);
    for (int i = 0; i < threads; i++) {
        if (c->work)
            lr_work_destroy(c->work[i]);
        if (c->halves)
            free(c->halves[i]);
    }
    free(c->work);
    free(c->halves);
    free(c->lumens);
    return s;
}

lr_status lr_illuminance_at(lr_scene *scene, lr_vec3 point, lr_vec3 normal, int threads, lr_illuminance *out, lr_error *err)
{
    lr_rig rig = {.scene = scene, .bins = visible_bins(), .head_pose = lr_pose_identity()};  // no modules: paths start at the point
    const lr_trace_def def = lr_trace_def_default();
    lr_bvh *bvh = NULL;
    lr_tracer *tracer = NULL;
    *out = (lr_illuminance){0};
    lr_status s = lr_scene_bake(scene, &rig.bins, err);
    if (s == LR_OK) s = lr_bvh_create(scene, threads, &bvh, err);
    if (s == LR_OK) s = lr_tracer_create(&def, scene, bvh, &rig, &tracer, err);
    if (s == LR_OK) {
        crew c = {.tracer = tracer, .out = out, .at = {.point = lr_v3f_of(point), .normal = lr_v3f_of(normal)}};
        s = gather(&c, &rig.bins, threads, err);
    }
    lr_tracer_destroy(tracer);
    lr_bvh_destroy(bvh);
    return s;
}

double lr_illuminance_lux(const lr_illuminance *e, const double weight[LR_LIGHT_KINDS], double *error_lux)
{
    double sum = 0.0, square = 0.0;
    for (int i = 0; i < e->batches; i++) {
        double one = 0.0;
        for (int k = 0; k < LR_LIGHT_KINDS; k++)
            one += weight[k]*e->batch_lux[i][k];
        sum += one;
        square += one*one;
    }
    const double n = e->batches, mean = sum/n;
    if (error_lux)
        *error_lux = sqrt(fmax(0.0, square/n - mean*mean)/(n - 1.0));
    return mean;
}
