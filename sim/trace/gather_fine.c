// SPDX-License-Identifier: Apache-2.0
#include "trace/gather_fine.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/thread.h"
#include "trace/gather_grid.h"
#include "trace/gather_look.h"
#include "trace/gather_spread.h"
#include "trace/sunlit.h"

#define FINER 4                  // directions of the grid, both ways
#define AVERAGE_COSINE 0.9f      // between normals
#define LOOK_COSINE 0.85f
#define REACH 0.25f

typedef struct crew {
    lr_gather *gather;
    const lr_tracer *tracer;
    const lr_gather *room;
    lr_work **work;              // (threads)
    lr_sunlit_choice *choice;    // (threads)
    float *raw;                  // what each record got from each half of its paths (record_count x 2 x values)
    lr_gather_near *near;        // (record_count x sources)
    int *had;                    // paths (record_count)
    lr_gather_view look[LR_GATHER_VIEWS];
    int paths;                   // of each record
    int tile_count;
    int *tile;                   // (tile_count + 1) first record of each
    int (*progress)(void *, int64_t, int64_t);
    void *context;
} crew;

static lr_line_job plain_job(const crew *c, int worker)
{
    return (lr_line_job){.tracer = c->tracer, .work = c->work[worker], .seed = lr_hash((uint32_t)c->tracer->def.seed, 0x66696e65u), .known = c->room};
}

static void place_record(void *context, const lr_line_job *job, int row, int column, int k)
{
    crew *c = context;
    const lr_rays *rays = &job->work->rays;
    const lr_scene *scene = job->tracer->scene;
    float scale, light[LR_MAX_GATHERED];
    int material;
    const lr_surface *surface = lr_scene_surface(scene, rays->object[k], rays->primitive[k], rays->u[k], rays->v[k], &scale, &material);
    const int coat = lr_gather_coat(scene, surface);
    const lr_vec3f point = lr_rays_point(rays, k), n = lr_rays_normal(rays, k);
    const lr_vec3f normal = lr_mulf(n, lr_dotf(n, lr_rays_direction(rays, k)) > 0.0f ? -1.0f : 1.0f);
    if (coat < 0 || lr_gather_look(c->room, point, normal, coat, 0.0f, light))
        return;
    lr_gather_record *r = lr_gather_grid_place(c->gather, row, column);
    r->coat = coat;
    r->point = point;
    r->normal = normal;
    r->facing = 0;
    r->share = 1.0f;
    r->average_cosine = AVERAGE_COSINE;
    r->look_cosine = LOOK_COSINE;
    r->part = REACH;
}

static lr_status gather_tile(void *context, int64_t tile, int worker, lr_error *err)
{
    crew *c = context;
    lr_gather *g = c->gather;
    const int paths = c->paths, batch = lr_gather_batch(paths), sources = c->tracer->scene->source_count, last = c->tile[tile + 1];
    lr_line_job job = plain_job(c, worker);
    if (c->room->sunlit) {
        lr_sunlit_weigh(&job, &c->choice[worker], g->record + c->tile[tile], last - c->tile[tile]);
        job.sunlit = c->room->sunlit;
        job.choice = &c->choice[worker];
    }
    for (int first = c->tile[tile]; first < last; first += batch)
        lr_gather_paths(&job, g->record + first, last - first < batch ? last - first : batch, paths, c->raw + 2*(size_t)first*(size_t)g->values,
                        c->near + (size_t)first*(size_t)sources);
    for (int i = c->tile[tile]; i < last; i++)
        c->had[i] = paths;
    if (worker == 0 && c->progress && c->progress(c->context, 1, 1))
        return lr_fail(err, LR_ERR_CANCELLED, "stopped; the same command goes on from here");
    return LR_OK;
}

static lr_status gather_points(crew *c, int threads, lr_error *err)
{
    lr_gather *g = c->gather;
    const size_t values = (size_t)g->record_count*(size_t)g->values, sources = (size_t)c->tracer->scene->source_count;
    g->irradiance = calloc(values + 1, sizeof *g->irradiance);
    g->error = calloc(values + 1, sizeof *g->error);
    c->raw = malloc((2*values + 1)*sizeof *c->raw);
    c->near = malloc(((size_t)g->record_count*sources + 1)*sizeof *c->near);
    c->had = malloc(((size_t)g->record_count + 1)*sizeof *c->had);
    if (!g->irradiance || !g->error || !c->raw || !c->near || !c->had)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    LR_TRY(lr_gather_grid_tiles(g, &c->tile, &c->tile_count, err));
    LR_TRY(lr_threads_run(threads, c->tile_count, gather_tile, c, err));
    const lr_spread s = {.gather = g, .tracer = c->tracer, .raw = c->raw, .near = c->near, .paths = c->had, .view = c->look};
    return lr_spread_average(&s, threads, err);
}

static lr_status run(crew *c, int threads, lr_error *err)
{
    lr_gather *g = c->gather;
    c->work = calloc((size_t)threads, sizeof *c->work);
    c->choice = calloc((size_t)threads, sizeof *c->choice);
    if (!c->work || !c->choice)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    for (int i = 0; i < threads; i++) {
        LR_TRY(lr_work_create(c->tracer, &c->work[i], err));
        if (c->room->sunlit)
            LR_TRY(lr_sunlit_choice_create(c->room->sunlit, &c->choice[i], err));
    }
    lr_gather_views_make(c->tracer->rig, c->look);
    LR_TRY(lr_gather_grid_create(g, err));
    const lr_line_job job = plain_job(c, 0);
    for (int r = 0; r < g->rows; r++)
        lr_gather_grid_row(&job, g->center, g->rows, r, place_record, c);
    lr_gather_grid_sort(g);
    if (getenv("FINE_SHOW")) fprintf(stderr, "fine: %d records, room %d\n", g->record_count, c->room->record_count);
    return g->record_count > 0 ? gather_points(c, threads, err) : LR_OK;
}

static void close_crew(crew *c, int threads)
{
    for (int i = 0; c->work && i < threads; i++)
        lr_work_destroy(c->work[i]);
    for (int i = 0; c->choice && i < threads; i++)
        lr_sunlit_choice_destroy(&c->choice[i]);
    free(c->work);
    free(c->choice);
    free(c->raw);
    free(c->near);
    free(c->had);
    free(c->tile);
}

lr_status lr_gather_fine_create(const lr_tracer *tracer, int threads, int (*progress)(void *, int64_t, int64_t), void *context, lr_gather **out, lr_error *err)
{
    *out = NULL;
    const lr_gather *room = tracer->gather;
    if (tracer->def.gather_paths < LR_GATHER_CARE_FROM || getenv("FINE_OFF"))
        return LR_OK;
    lr_gather *g = calloc(1, sizeof *g);
    if (!g)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    g->center = room->center;
    g->rows = FINER*room->rows;
    g->values = room->values;
    crew c = {.gather = g, .tracer = tracer, .room = room, .progress = progress, .context = context, .paths = getenv("FINE_PATHS") ? atoi(getenv("FINE_PATHS")) : tracer->def.gather_paths};
    const lr_status status = run(&c, threads, err);
    for (int i = 0; c.work && i < threads; i++)
        if (c.work[i])
            lr_trace_count_add(&tracer->gather->count, lr_work_count(c.work[i]));
    close_crew(&c, threads);
    if (status != LR_OK)
        lr_gather_destroy(g);
    else
        *out = g;
    return status;
}
