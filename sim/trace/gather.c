// SPDX-License-Identifier: Apache-2.0
#include "trace/gather.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core/anglef.h"
#include "core/thread.h"
#include "trace/gather_grid.h"
#include "trace/gather_more.h"
#include "trace/gather_spread.h"
#include "trace/sunlit.h"
#include "trace/surface_eval.h"
#include "trace/work.h"

#define SPREAD_REACH 0.25f       // light is averaged within this share of the mean distance to where it comes from
#define SAME_NORMAL 0.95f        // cosine: a bend of 18 degrees is another surface
#define PILOT_PATHS (1 << 20)    // of the first round, at most about so many tell where the sun shines
#define FIRST_PART 2             // one over the share of paths that the first round takes, beside the last: it also tells where the sun shines
#define SECOND_PART 2            // and the second, without which what errs in the first round would show all over the room
#define COARSE_FIRST_PART 4      // of the first of two rounds, where a coarse answer is wanted
#define MORE_LEVELS 4            // a point of the last round may get a half, 1, 2, 4 times its paths on top, as its error wants

// ---- points ----------------------------------------------------------------------------------------------------------------------

int lr_gather_coat(const lr_scene *scene, const lr_surface *surface)
{
    return lr_surface_is_matte(surface) ? 0 : lr_surface_has_base(surface) ? 1 + (int)(surface - scene->surface) : -1;
}

// Mean over bins of what a surface scatters evenly back to the head [1/sr].
static float evenly(const lr_line_job *job, const lr_surface *surface, float scale, float cosine)
{
    const int bins = job->tracer->rig->bins.ambient_count;
    float base[LR_MAX_BINS], sum = 0.0f;
    lr_surface_base(surface, scale, fabsf(cosine), base);
    for (int b = 0; b < bins; b++)
        sum += base[b]/(float)bins;
    return sum;
}

// The axis that a normal is nearest to, and which way.
static int facing_of(lr_vec3f n)
{
    const float x = fabsf(n.x), y = fabsf(n.y), z = fabsf(n.z);
    return x >= y && x >= z ? n.x > 0.0f : y >= z ? 2 + (n.y > 0.0f) : 4 + (n.z > 0.0f);
}

// A record where a ray ends on a surface at rest that scatters evenly.
static void place_record(void *context, const lr_line_job *job, int row, int column, int k)
{
    lr_gather *g = context;
    const lr_rays *rays = &job->work->rays;
    float scale;
    int material;
    const lr_surface *surface = lr_scene_surface(job->tracer->scene, rays->object[k], rays->primitive[k], rays->u[k], rays->v[k], &scale, &material);
    const int coat = lr_gather_coat(job->tracer->scene, surface);
    if (coat < 0)
        return;
    lr_gather_record *r = lr_gather_grid_place(g, row, column);
    const lr_vec3f n = lr_rays_normal(rays, k);
    const float cosine = lr_dotf(n, lr_rays_direction(rays, k));
    r->coat = coat;
    r->point = lr_rays_point(rays, k);
    r->normal = lr_mulf(n, cosine > 0.0f ? -1.0f : 1.0f);
    r->facing = facing_of(r->normal);
    r->share = evenly(job, surface, scale, cosine);
    r->average_cosine = r->look_cosine = SAME_NORMAL;
    r->part = SPREAD_REACH;
}

// ---- gathering ----------------------------------------------------------------------------------------------------------------

typedef struct crew {
    lr_gather *gather;
    const lr_tracer *tracer;
    lr_work **work;           // (threads)
    float *raw;               // what each record got from each half of its paths (record_count x 2 x values)
    lr_gather_near *near;     // of the last whole round (record_count x sources)
    int *had;                 // paths of `raw` (record_count)
    float *want;              // (record_count) see lr_spread. By the round before: by its own paths a point that found light by luck would get more, and the mean fall
    int told_by;              // paths of that round; 0: it told nothing
    lr_gather_view view[LR_GATHER_VIEWS];
    int round;                // 0: full light paths, few; from 1 on: paths that end where the round before knows the light, and links
    int paths;                // of this round, from each record
    int tile_count;
    int *tile;                // (tile_count + 1) first record of each
    lr_sunlit_use *use;       // what paths of the first round found of the sun, in every so many tiles
    int *use_count;           // (tile_count) of each such tile, which has room for one of each of its paths
    int pilot_every;
    lr_sunlit_choice *choice; // (threads)
    int (*progress)(void *, int64_t, int64_t);
    void *context;
    int64_t done, jobs;       // of all rounds: before this one, and in all
} crew;

static lr_line_job plain_job(const lr_tracer *tracer, lr_work *work)
{
    return (lr_line_job){.tracer = tracer, .work = work, .seed = lr_hash((uint32_t)tracer->def.seed, 0x67617468u)};
}

// For the records of one tile.
static lr_line_job tile_job(const crew *c, int tile, uint32_t pass, int worker)
{
    lr_line_job job = plain_job(c->tracer, c->work[worker]);
    job.seed = lr_hash(lr_hash(job.seed, (uint32_t)c->round), pass);
    job.known = c->round > 0 ? c->gather : NULL;
    if (c->gather->sunlit && c->round > 0) {
        lr_sunlit_weigh(&job, &c->choice[worker], c->gather->record + c->tile[tile], c->tile[tile + 1] - c->tile[tile]);
        job.sunlit = c->gather->sunlit;
        job.choice = &c->choice[worker];
    }
    return job;
}

static lr_status gather_tile(void *context, int64_t index, int worker, lr_error *err)
{
    crew *c = context;
    lr_gather *g = c->gather;
    const int tile = (int)index, batch = lr_gather_batch(c->paths), sources = c->tracer->scene->source_count, last = c->tile[tile + 1];
    lr_line_job job = tile_job(c, tile, 0, worker);
    lr_sunlit_notes notes = {.plane = {g->center, c->tracer->lights.sun_frame}};
    if (c->round == 0 && tile % c->pilot_every == 0) {
        notes.use = c->use + (size_t)c->tile[tile]*(size_t)c->paths;
        job.notes = &notes;
    }
    for (int first = c->tile[tile]; first < last; first += batch)
        lr_gather_paths(&job, g->record + first, last - first < batch ? last - first : batch, c->paths, c->raw + 2*(size_t)first*g->values, c->near + (size_t)first*(size_t)sources);
    for (int i = c->tile[tile]; i < last; i++)
        c->had[i] = c->paths;
    if (job.notes)
        c->use_count[tile] = notes.count;
    if (worker == 0 && c->progress && c->progress(c->context, c->done + index, c->jobs))
        return lr_fail(err, LR_ERR_CANCELLED, "stopped; the same command goes on from here");
    return LR_OK;
}

// ---- more paths where they are wanted --------------------------------------------------------------------------------------

static lr_status more_of_tile(void *context, int64_t tile, int worker, lr_error *err)
{
    (void)err;
    crew *c = context;
    const lr_gather_more more = {.gather = c->gather, .tile = c->tile, .paths = c->paths, .told_by = c->told_by, .levels = MORE_LEVELS, .want = c->want, .had = c->had, .raw = c->raw};
    if (!lr_gather_more_wanted(&more, (int)tile))
        return LR_OK;
    const lr_line_job job = tile_job(c, (int)tile, 1, worker);
    lr_gather_more_of_tile(&more, (int)tile, &job);
    return LR_OK;
}

static lr_status place_records(crew *c, lr_error *err)
{
    lr_gather *g = c->gather;
    uint8_t *row_seen = calloc((size_t)g->rows, 1);
    if (!row_seen)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    // A row of the world's grid counts when any of its directions does: heads may lie on their side.
    for (int r = 0; r < g->rows; r++)
        for (int k = 0; k < 16 && !row_seen[r]; k++)
            row_seen[r] = c->view[lr_gather_view_of(c->tracer->rig, lr_gather_grid_direction(g->rows, r, k*lr_gather_grid_columns(g->rows, r)/16))].camera != NULL;
    lr_line_job job = plain_job(c->tracer, c->work[0]);
    for (int r = 0; r < g->rows; r++)
        if (row_seen[r])
            lr_gather_grid_row(&job, g->center, g->rows, r, place_record, g);
    lr_gather_grid_sort(g);
    free(row_seen);
    return LR_OK;
}

static lr_status spread(crew *c, int threads, int wanting, lr_error *err)
{
    const lr_spread s = {.gather = c->gather, .tracer = c->tracer, .raw = c->raw, .near = c->near, .paths = c->had, .view = c->view,
                         .want = wanting ? c->want : NULL};
    return lr_spread_average(&s, threads, err);
}

// One round; `wanting`: it tells how many paths each point wants. Points get more than `paths` if the round before told so.
static lr_status gather_round(crew *c, int threads, int paths, int wanting, lr_error *err)
{
    c->paths = paths;
    LR_TRY(lr_threads_run(threads, c->tile_count, gather_tile, c, err));
    if (c->told_by > 0)
        LR_TRY(lr_threads_run(threads, c->tile_count, more_of_tile, c, err));
    c->done += c->tile_count;
    c->told_by = wanting ? paths : 0;
    c->round++;
    return spread(c, threads, wanting, err);
}

// Room for what about PILOT_PATHS of the first round's paths find of the sun.
static lr_status open_notes(crew *c, int paths, lr_error *err)
{
    c->pilot_every = 1 + (int)((int64_t)c->gather->record_count*paths/PILOT_PATHS);
    c->use = malloc(((size_t)c->gather->record_count*(size_t)paths + 1)*sizeof *c->use);
    c->use_count = calloc((size_t)c->tile_count + 1, sizeof *c->use_count);
    return c->use && c->use_count ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
}

static lr_status find_sunlit(crew *c, int threads, lr_error *err)
{
    lr_sunlit_notes all = {.plane = {c->gather->center, c->tracer->lights.sun_frame}, .use = c->use};
    for (int tile = 0; tile < c->tile_count; tile += c->pilot_every) {
        memmove(c->use + all.count, c->use + (size_t)c->tile[tile]*(size_t)c->paths, (size_t)c->use_count[tile]*sizeof *c->use);
        all.count += c->use_count[tile];
    }
    const lr_line_job job = plain_job(c->tracer, c->work[0]);
    if (c->tracer->def.gather_paths < LR_GATHER_CARE_FROM)
        return LR_OK;
    LR_TRY(lr_sunlit_create(&job, &all, &c->gather->sunlit, err));
    for (int i = 0; c->gather->sunlit && i < threads; i++)
        LR_TRY(lr_sunlit_choice_create(c->gather->sunlit, &c->choice[i], err));
    return LR_OK;
}

static int part_of(int paths, int part) { return paths/part < 2 ? 2 : paths/part/2*2; }   // even

static lr_status gather_all(crew *c, int threads, lr_error *err)
{
    lr_gather *g = c->gather;
    const size_t values = (size_t)g->record_count*(size_t)g->values, sources = (size_t)c->tracer->scene->source_count;
    g->irradiance = calloc(values + 1, sizeof *g->irradiance);
    g->error = calloc(values + 1, sizeof *g->error);
    c->raw = malloc((2*values + 1)*sizeof *c->raw);
    c->near = calloc((size_t)g->record_count*sources + 1, sizeof *c->near);
    c->had = calloc((size_t)g->record_count + 1, sizeof *c->had);
    c->want = calloc((size_t)g->record_count + 1, sizeof *c->want);
    if (!g->irradiance || !g->error || !c->raw || !c->near || !c->had || !c->want)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    const int paths = c->tracer->def.gather_paths, first_paths = part_of(paths, paths < LR_GATHER_CARE_FROM ? COARSE_FIRST_PART : FIRST_PART);
    LR_TRY(lr_gather_grid_tiles(g, &c->tile, &c->tile_count, err));
    LR_TRY(open_notes(c, first_paths, err));
    c->jobs = (paths < LR_GATHER_CARE_FROM ? 2 : 3)*c->tile_count;
    LR_TRY(gather_round(c, threads, first_paths, 0, err));
    LR_TRY(find_sunlit(c, threads, err));
    if (paths >= LR_GATHER_CARE_FROM)
        LR_TRY(gather_round(c, threads, part_of(paths, SECOND_PART), c->tracer->def.noise_ratio > 0.0, err));
    return gather_round(c, threads, paths, 0, err);
}

static lr_status build(crew *c, int threads, lr_error *err)
{
    LR_TRY(lr_gather_grid_create(c->gather, err));
    for (int i = 0; i < threads; i++)
        LR_TRY(lr_work_create(c->tracer, &c->work[i], err));
    lr_gather_views_make(c->tracer->rig, c->view);
    LR_TRY(place_records(c, err));
    return gather_all(c, threads, err);
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
    free(c->want);
    free(c->tile);
    free(c->use);
    free(c->use_count);
}

lr_status lr_gather_create(const lr_tracer *tracer, int threads, int (*progress)(void *, int64_t, int64_t), void *context, lr_gather **out, lr_error *err)
{
    *out = NULL;
    if (tracer->scene->source_count*tracer->rig->bins.ambient_count > LR_MAX_GATHERED)
        return LR_OK;  // too many spectra to hold: everything by paths
    lr_gather *g = calloc(1, sizeof *g);
    crew c = {.gather = g, .tracer = tracer, .progress = progress, .context = context,
              .work = calloc((size_t)threads, sizeof *c.work), .choice = calloc((size_t)threads, sizeof *c.choice)};
    if (!g || !c.work || !c.choice) {
        free(g);
        close_crew(&c, 0);
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    }
    g->rows = tracer->def.gather_rows;
    g->center = lr_v3f_of(tracer->rig->head_pose.origin);
    g->values = tracer->scene->source_count*tracer->rig->bins.ambient_count;
    const lr_status status = build(&c, threads, err);
    for (int i = 0; i < threads; i++)
        if (c.work[i])
            lr_trace_count_add(&g->count, lr_work_count(c.work[i]));
    close_crew(&c, threads);
    if (status != LR_OK)
        lr_gather_destroy(g);
    else
        *out = g;
    return status;
}

void lr_gather_destroy(lr_gather *g)
{
    if (!g)
        return;
    lr_sunlit_destroy(g->sunlit);
    free(g->first_cell);
    free(g->cell);
    free(g->record);
    free(g->irradiance);
    free(g->error);
    free(g->look);
    free(g);
}
