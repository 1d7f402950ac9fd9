// SPDX-License-Identifier: Apache-2.0
#include "trace/gather.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core/anglef.h"
#include "core/thread.h"
#include "trace/gather_look.h"
#include "trace/gather_spread.h"
#include "trace/sunlit.h"
#include "trace/work.h"

#define TILE 16                  // cells along and across: records of a tile share even sets of paths
#define CARE_FROM 16             // paths: with fewer, a coarse answer is wanted: two rounds, no links to sunlit places
#define PILOT_PATHS (1 << 20)    // of the first round, at most about so many tell where the sun shines
#define FIRST_PART 3             // one over the share of paths that the first round takes, beside the last: it also tells where the sun shines
#define SECOND_PART 3            // and the second, without which what errs in the first round would show all over the room
#define COARSE_FIRST_PART 4      // of the first of two rounds, where a coarse answer is wanted
#define MORE_LEVELS 3            // after that a point may get a half, 1, 2 times its paths on top, as its error wants
#define MORE_AT_ONCE 64          // such points of one batch, at most

// ---- the grid of directions -------------------------------------------------------------------------------------------------

static int cells_of_row(int rows, int row)
{
    const int n = (int)lrint(2.0*rows*sin(LR_PI*(row + 0.5)/rows));
    return n < 4 ? 4 : n;
}

static lr_vec3 cell_direction(const lr_gather *g, int row, int column)
{
    const double zenith = LR_PI*(row + 0.5)/g->rows, azimuth = 2.0*LR_PI*(column + 0.5)/cells_of_row(g->rows, row);
    return lr_v3(sin(zenith)*cos(azimuth), sin(zenith)*sin(azimuth), cos(zenith));
}

static lr_status make_grid(lr_gather *g, lr_error *err)
{
    g->first_cell = malloc(((size_t)g->rows + 1)*sizeof *g->first_cell);
    if (!g->first_cell)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    g->first_cell[0] = 0;
    for (int r = 0; r < g->rows; r++)
        g->first_cell[r + 1] = g->first_cell[r] + cells_of_row(g->rows, r);
    g->cell = malloc((size_t)g->first_cell[g->rows]*sizeof *g->cell);
    g->record = malloc((size_t)g->first_cell[g->rows]*sizeof *g->record);
    g->stride = lr_gather_stride(g->values);
    g->look = aligned_alloc(LR_LOOK_LINE*sizeof(float), (size_t)g->first_cell[g->rows]*(size_t)g->stride*sizeof(float));
    return g->cell && g->record && g->look ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
}

int lr_gather_matte(const lr_surface *surface) { return surface->kind == LR_MATERIAL_DIFFUSE || surface->kind == LR_MATERIAL_ROUGH_DIFFUSE; }

int lr_gather_coat(const lr_scene *scene, const lr_surface *surface)
{
    return lr_gather_matte(surface) ? 0 : lr_surface_has_base(surface) ? 1 + (int)(surface - scene->surface) : -1;
}

// Bits of row and column by turns: neighbours have numbers that differ in their last bits only.
static uint32_t interleave(int row, int column)
{
    uint32_t n = 0;
    for (int bit = 0; 1 << bit < TILE; bit++)
        n |= ((uint32_t)row >> bit & 1u) << (2*bit + 1) | ((uint32_t)column >> bit & 1u) << 2*bit;
    return n;
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

// A record for every cell of a row whose ray ends on a surface at rest that scatters evenly; panes are looked through.
static void place_row(lr_gather *g, const lr_line_job *job, int row, const uint8_t *row_seen)
{
    const int columns = cells_of_row(g->rows, row);
    lr_rays *rays = &job->work->rays;
    for (int first = 0; first < columns; first += LR_CHUNK_PIXELS) {
        rays->count = columns - first < LR_CHUNK_PIXELS ? columns - first : LR_CHUNK_PIXELS;
        for (int i = 0; i < rays->count; i++)
            lr_rays_set(rays, i, g->center, lr_v3f_of(cell_direction(g, row, first + i)), 0.0f, INFINITY, (float)job->moment.time_s);
        lr_work_intersect(job, rays, LR_RAYS_COHERENT, LR_RAY_CAMERA);
        lr_work_look_through(job, rays, LR_RAYS_COHERENT);
        for (int i = 0; i < rays->count; i++) {
            int *cell = &g->cell[g->first_cell[row] + first + i];
            *cell = -1;
            if (!row_seen[row] || rays->object[i] < 0 || job->tracer->scene->object[rays->object[i]].motion)
                continue;
            float scale;
            int material;
            const lr_surface *surface = lr_scene_surface(job->tracer->scene, rays->object[i], rays->primitive[i], rays->u[i], rays->v[i], &scale, &material);
            const int coat = lr_gather_coat(job->tracer->scene, surface);
            if (coat < 0)
                continue;
            const lr_vec3f n = lr_rays_normal(rays, i);
            const float cosine = lr_dotf(n, lr_rays_direction(rays, i));
            *cell = g->record_count++;
            g->record[*cell] = (lr_gather_record){.cell = (int)(cell - g->cell),
                .tile = (uint32_t)(row/TILE) << 16 | (uint32_t)((first + i)/TILE), .place = interleave(row % TILE, (first + i) % TILE),
                .coat = coat, .point = lr_rays_point(rays, i), .normal = lr_mulf(n, cosine > 0.0f ? -1.0f : 1.0f),
                .share = evenly(job, surface, scale, cosine)};
        }
    }
}

// ---- gathering ----------------------------------------------------------------------------------------------------------------

typedef struct crew {
    lr_gather *gather;
    const lr_tracer *tracer;
    lr_work **work;           // (threads)
    float *raw;               // what each record got from each half of its paths (record_count x 2 x values)
    lr_gather_near *near;     // of the last whole round (record_count x sources)
    int *had;                 // paths of `raw` (record_count)
    float *want;              // (record_count) see lr_spread
    lr_gather_view view[LR_GATHER_VIEWS];
    int round;                // 0: full light paths, few; from 1 on: paths that end where the round before knows the light, and links
    int paths;                // of this round, from each record
    int tile_count;
    int *tile;                // (tile_count + 1) first record of each
    lr_sunlit_use *use;       // what paths of the first round found of the sun, in every so many tiles
    int *use_count;           // of each such tile
    int pilot_every, pilot_room;
    lr_sunlit *sunlit;        // made of that; or NULL
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
static lr_line_job tile_job(const crew *c, int tile, int worker)
{
    lr_line_job job = plain_job(c->tracer, c->work[worker]);
    job.seed = lr_hash(job.seed, (uint32_t)c->round);
    job.known = c->round > 0 ? c->gather : NULL;
    if (c->sunlit && c->round > 0) {
        lr_sunlit_weigh(&job, &c->choice[worker], c->gather->record + c->tile[tile], c->tile[tile + 1] - c->tile[tile]);
        job.sunlit = &c->choice[worker];
    }
    return job;
}

static int batch_of(int paths) { return LR_CHUNK_RAYS/paths < LR_CHUNK_PIXELS ? LR_CHUNK_RAYS/paths : LR_CHUNK_PIXELS; }

static lr_status gather_tile(void *context, int64_t index, int worker, lr_error *err)
{
    crew *c = context;
    lr_gather *g = c->gather;
    const int tile = (int)index, batch = batch_of(c->paths), sources = c->tracer->scene->source_count, last = c->tile[tile + 1];
    lr_line_job job = tile_job(c, tile, worker);
    lr_sunlit_notes notes = {.plane = {g->center, c->tracer->lights.sun_frame}};
    if (c->round == 0 && tile % c->pilot_every == 0) {
        notes.use = c->use + (size_t)(tile/c->pilot_every)*(size_t)c->pilot_room;
        job.notes = &notes;
    }
    for (int first = c->tile[tile]; first < last; first += batch)
        lr_gather_paths(&job, g->record + first, last - first < batch ? last - first : batch, c->paths, c->raw + 2*(size_t)first*g->values, c->near + (size_t)first*(size_t)sources);
    for (int i = c->tile[tile]; i < last; i++)
        c->had[i] = c->paths;
    if (job.notes)
        c->use_count[tile/c->pilot_every] = notes.count;
    if (worker == 0 && c->progress && c->progress(c->context, c->done + index, c->jobs))
        return lr_fail(err, LR_ERR_CANCELLED, "stopped; the same command goes on from here");
    return LR_OK;
}

// ---- more paths where they are wanted --------------------------------------------------------------------------------------

static void add_paths(const crew *c, const lr_line_job *tile, const int *wanting, int count, int paths)
{
    const lr_gather *g = c->gather;
    lr_gather_record copy[MORE_AT_ONCE];
    float more[MORE_AT_ONCE*2*LR_MAX_GATHERED];
    lr_line_job job = *tile;
    for (int k = 0; k < count; k++)
        copy[k] = g->record[wanting[k]];
    lr_gather_paths(&job, copy, count, paths, more, NULL);
    for (int k = 0; k < count; k++) {
        const int i = wanting[k];
        float *e = c->raw + 2*(size_t)i*g->values;
        for (int v = 0; v < 2*g->values; v++)
            e[v] = ((float)c->had[i]*e[v] + (float)paths*more[2*k*g->values + v])/(float)(c->had[i] + paths);
        c->had[i] += paths;
    }
}

static int paths_of_level(const crew *c, int level)
{
    const int paths = c->paths/2 << level;
    return paths < LR_CHUNK_RAYS ? paths/2*2 : LR_CHUNK_RAYS;
}

// -1: none.
static int level_of(float want)
{
    const int level = want > 1.25f ? (int)lrintf(log2f(2.0f*(want - 1.0f))) : -1;
    return level < MORE_LEVELS ? level : MORE_LEVELS - 1;
}

static lr_status more_of_tile(void *context, int64_t index, int worker, lr_error *err)
{
    (void)err;
    crew *c = context;
    const int tile = (int)index;
    lr_line_job job = {0};
    for (int level = 0; level < MORE_LEVELS; level++) {
        const int paths = paths_of_level(c, level), most = batch_of(paths) < MORE_AT_ONCE ? batch_of(paths) : MORE_AT_ONCE;
        int wanting[MORE_AT_ONCE], count = 0;
        for (int i = c->tile[tile]; i < c->tile[tile + 1]; i++) {
            if (level_of(c->want[i]) == level)
                wanting[count++] = i;
            if (count == 0 || (count < most && i + 1 < c->tile[tile + 1]))
                continue;
            if (!job.tracer)
                job = tile_job(c, tile, worker);
            lr_line_job of_level = job;
            of_level.seed = lr_hash(job.seed, (uint32_t)level);
            add_paths(c, &of_level, wanting, count, paths);
            count = 0;
        }
    }
    return LR_OK;
}

static int by_tile(const void *a, const void *b)
{
    const lr_gather_record *x = a, *y = b;
    return x->tile != y->tile ? (x->tile > y->tile) - (x->tile < y->tile) : (x->place > y->place) - (x->place < y->place);
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
            row_seen[r] = c->view[lr_gather_view_of(c->tracer->rig, cell_direction(g, r, k*cells_of_row(g->rows, r)/16))].camera != NULL;
    lr_line_job job = plain_job(c->tracer, c->work[0]);
    for (int r = 0; r < g->rows; r++)
        place_row(g, &job, r, row_seen);
    qsort(g->record, (size_t)g->record_count, sizeof *g->record, by_tile);
    for (int i = 0; i < g->record_count; i++)
        g->cell[g->record[i].cell] = i;
    free(row_seen);
    return LR_OK;
}

static lr_status cut_tiles(crew *c, lr_error *err)
{
    const lr_gather *g = c->gather;
    c->tile = malloc(((size_t)g->record_count + 1)*sizeof *c->tile);
    if (!c->tile)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    for (int i = 0; i < g->record_count; i++)
        if (i == 0 || g->record[i].tile != g->record[i - 1].tile)
            c->tile[c->tile_count++] = i;
    c->tile[c->tile_count] = g->record_count;
    return LR_OK;
}

static lr_status spread(crew *c, int threads, int wanting, lr_error *err)
{
    const lr_spread s = {.gather = c->gather, .tracer = c->tracer, .raw = c->raw, .near = c->near, .paths = c->had, .view = c->view,
                         .want = wanting ? c->want : NULL};
    return lr_spread_average(&s, threads, err);
}

static lr_status gather_round(crew *c, int threads, int paths, lr_error *err)
{
    c->paths = paths;
    LR_TRY(lr_threads_run(threads, c->tile_count, gather_tile, c, err));
    c->done += c->tile_count;
    return spread(c, threads, c->round > 0 && c->tracer->def.noise_ratio > 0.0, err);
}

// Room for what about PILOT_PATHS of the first round's paths find of the sun.
static lr_status open_notes(crew *c, int paths, lr_error *err)
{
    c->pilot_room = TILE*TILE*paths;
    c->pilot_every = 1 + (int)((int64_t)c->tile_count*c->pilot_room/PILOT_PATHS);
    const size_t kept = (size_t)(c->tile_count/c->pilot_every + 1);
    c->use = malloc(kept*(size_t)c->pilot_room*sizeof *c->use);
    c->use_count = calloc(kept, sizeof *c->use_count);
    return c->use && c->use_count ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
}

static lr_status find_sunlit(crew *c, int threads, lr_error *err)
{
    const int kept = (c->tile_count + c->pilot_every - 1)/c->pilot_every;
    lr_sunlit_notes all = {.plane = {c->gather->center, c->tracer->lights.sun_frame}, .use = c->use};
    for (int k = 0; k < kept; k++) {
        memmove(c->use + all.count, c->use + (size_t)k*(size_t)c->pilot_room, (size_t)c->use_count[k]*sizeof *c->use);
        all.count += c->use_count[k];
    }
    const lr_line_job job = plain_job(c->tracer, c->work[0]);
    if (c->tracer->def.gather_paths < CARE_FROM)
        return LR_OK;
    LR_TRY(lr_sunlit_create(&job, &all, &c->sunlit, err));
    for (int i = 0; c->sunlit && i < threads; i++)
        LR_TRY(lr_sunlit_choice_create(c->sunlit, &c->choice[i], err));
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
    const int paths = c->tracer->def.gather_paths, first_paths = part_of(paths, paths < CARE_FROM ? COARSE_FIRST_PART : FIRST_PART);
    LR_TRY(cut_tiles(c, err));
    LR_TRY(open_notes(c, first_paths, err));
    c->jobs = (paths < CARE_FROM ? 2 : 3)*c->tile_count;
    LR_TRY(gather_round(c, threads, first_paths, err));
    LR_TRY(find_sunlit(c, threads, err));
    c->round = 1;
    if (paths >= CARE_FROM)
        LR_TRY(gather_round(c, threads, part_of(paths, SECOND_PART), err));
    c->round++;
    LR_TRY(gather_round(c, threads, paths, err));
    if (paths < CARE_FROM || !(c->tracer->def.noise_ratio > 0.0))
        return LR_OK;
    c->round++;
    LR_TRY(lr_threads_run(threads, c->tile_count, more_of_tile, c, err));
    return spread(c, threads, 0, err);
}

static lr_status build(crew *c, int threads, lr_error *err)
{
    LR_TRY(make_grid(c->gather, err));
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
    lr_sunlit_destroy(c->sunlit);
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
    free(g->first_cell);
    free(g->cell);
    free(g->record);
    free(g->irradiance);
    free(g->error);
    free(g->look);
    free(g);
}
