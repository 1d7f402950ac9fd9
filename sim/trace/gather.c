// SPDX-License-Identifier: Apache-2.0
#include "trace/gather.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core/anglef.h"
#include "core/thread.h"
#include "trace/gather_look.h"
#include "trace/sunlit.h"
#include "trace/work.h"

#define TILE 16                  // cells along and across: records of a tile share even sets of paths
#define SPREAD_REACH 0.25f       // averaged within this share of the mean distance to what a point sees
#define SPREAD_ANGLE 0.118f      // and within this angle as seen from the head [rad]
#define SPREAD_CELLS 12          // and this many cells
#define CARE_FROM 16             // paths: with fewer, a coarse answer is wanted: no links to sunlit places, no second helping
#define PILOT_PATHS (1 << 20)    // of the first round, at most about so many tell where the sun shines
#define FIRST_PART 4             // one over the share of paths that the first round takes
#define WEAK_SUPPORT 24.0f       // a record averaged over less than this gets
#define WEAK_FACTOR 2            // this many times the paths on top
#define WEAK_AT_ONCE 64          // such records of one batch, at most

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

// Elevations that some camera of the head may see, from the directions of its lines' ends and middles at all turns.
static int seen(const lr_tracer *tracer, lr_vec3 direction)
{
    const lr_vec3 d = lr_rotate_back(tracer->rig->head_pose.rotation, direction);
    const double elevation = asin(fmax(-1.0, fmin(1.0, d.z))), margin = 2.0*LR_DEG;
    for (int m = 0; m < tracer->rig->module_count; m++)
        for (int c = 0; c < tracer->rig->module[m].camera_count; c++) {
            const lr_rig_camera *camera = &tracer->rig->module[m].camera[c];
            const lr_pose module = lr_head_module_pose(tracer->rig->head, m, 0.0, 1);
            double lo = INFINITY, hi = -INFINITY;
            for (int i = 0; i < camera->pixels; i += camera->pixels > 64 ? camera->pixels/64 : 1) {
                const double e = asin(fmax(-1.0, fmin(1.0, lr_rotate(module.rotation, camera->center[i]).z)));
                lo = fmin(lo, e);
                hi = fmax(hi, e);
            }
            if (elevation >= lo - margin && elevation <= hi + margin)
                return 1;
        }
    return 0;
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
            const int coat = lr_gather_coat(job->tracer->scene, lr_scene_surface(job->tracer->scene, rays->object[i], rays->primitive[i], rays->u[i], rays->v[i], &scale, &material));
            if (coat < 0)
                continue;
            const lr_vec3f n = lr_rays_normal(rays, i);
            *cell = g->record_count++;
            g->record[*cell] = (lr_gather_record){.cell = (int)(cell - g->cell),
                .tile = (uint32_t)(row/TILE) << 16 | (uint32_t)((first + i)/TILE), .place = interleave(row % TILE, (first + i) % TILE),
                .coat = coat, .point = lr_rays_point(rays, i), .normal = lr_mulf(n, lr_dotf(n, lr_rays_direction(rays, i)) > 0.0f ? -1.0f : 1.0f)};
        }
    }
}

// ---- gathering ----------------------------------------------------------------------------------------------------------------

typedef struct crew {
    lr_gather *gather;
    const lr_tracer *tracer;
    lr_work **work;           // (threads)
    float *raw;               // what each record got from each half of its paths (record_count x 2 x values)
    int round;                // 0: full light paths, few; 1: paths that end where round 0 knows the light, and links; 2: second helping
    int paths;                // of this round, from each record
    int tile_count;
    int *tile;                // (tile_count + 1) first record of each
    lr_sunlit_use *use;       // what paths of the first round found of the sun, in every so many tiles
    int *use_count;           // of each such tile
    int pilot_every, pilot_room;
    lr_sunlit *sunlit;        // made of that; or NULL
    lr_sunlit_choice *choice; // (threads)
    float *support;           // what the average of each record weighs (record_count)
    int again;                // paths that a record with little support, near a corner or an edge, gets on top
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
    const int tile = (int)index, batch = batch_of(c->paths), last = c->tile[tile + 1];
    lr_line_job job = tile_job(c, tile, worker);
    lr_sunlit_notes notes = {.plane = {g->center, c->tracer->lights.sun_frame}};
    if (c->round == 0 && tile % c->pilot_every == 0) {
        notes.use = c->use + (size_t)(tile/c->pilot_every)*(size_t)c->pilot_room;
        job.notes = &notes;
    }
    for (int first = c->tile[tile]; first < last; first += batch)
        lr_gather_paths(&job, g->record + first, last - first < batch ? last - first : batch, c->paths, c->raw + 2*(size_t)first*g->values);
    if (job.notes)
        c->use_count[tile/c->pilot_every] = notes.count;
    if (worker == 0 && c->progress && c->progress(c->context, c->done + index, c->jobs))
        return lr_fail(err, LR_ERR_CANCELLED, "stopped; the same command goes on from here");
    return LR_OK;
}

// Second helping for records that few neighbours can help: their own paths have to do.
static void gather_weak(const crew *c, const lr_line_job *tile, const int *weak, int count)
{
    const lr_gather *g = c->gather;
    const float had = (float)c->tracer->def.gather_paths, all = had + (float)c->again;
    lr_gather_record copy[WEAK_AT_ONCE];
    float more[WEAK_AT_ONCE*2*LR_MAX_GATHERED];
    lr_line_job job = *tile;
    for (int k = 0; k < count; k++)
        copy[k] = g->record[weak[k]];
    lr_gather_paths(&job, copy, count, c->again, more);
    for (int k = 0; k < count; k++) {
        float *e = c->raw + 2*(size_t)weak[k]*g->values;
        for (int v = 0; v < 2*g->values; v++)
            e[v] = (had*e[v] + (float)c->again*more[2*k*g->values + v])/all;
    }
}

static lr_status gather_weak_of_tile(void *context, int64_t index, int worker, lr_error *err)
{
    (void)err;
    crew *c = context;
    const int tile = (int)index, most = LR_CHUNK_RAYS/c->again < WEAK_AT_ONCE ? LR_CHUNK_RAYS/c->again : WEAK_AT_ONCE;
    int weak[WEAK_AT_ONCE], count = 0, any = 0;
    lr_line_job job = {0};
    for (int i = c->tile[tile]; i < c->tile[tile + 1]; i++) {
        if (c->support[i] >= WEAK_SUPPORT)
            continue;
        if (!any++)
            job = tile_job(c, tile, worker);
        weak[count++] = i;
        if (count < most)
            continue;
        gather_weak(c, &job, weak, count);
        count = 0;
    }
    if (count > 0)
        gather_weak(c, &job, weak, count);
    return LR_OK;
}

// Adds record `cell` to the average of record i if it is near enough.
static void spread_one(const crew *c, int i, int cell, float spread, float *sum, float *error, float *total)
{
    const lr_gather *g = c->gather;
    float d2;
    if (cell < 0 || g->record[i].coat != g->record[cell].coat || !lr_gather_same_surface(g->record[i].point, g->record[i].normal, g->record[cell].point, g->record[cell].normal, &d2))
        return;
    const float q = 1.0f - d2/(spread*spread);
    if (cell != i && q <= 0.0f)
        return;
    const float weight = cell == i ? 1.0f : q;
    const float *half = c->raw + 2*(size_t)cell*g->values, *other = half + g->values;
    for (int k = 0; k < g->values; k++) {
        sum[k] += weight*(half[k] + other[k]);
        error[k] += weight*(half[k] - other[k]);
    }
    *total += weight;
}

static void spread_cell(const crew *c, int row, int column)
{
    const lr_gather *g = c->gather;
    const int columns = cells_of_row(g->rows, row), i = g->cell[g->first_cell[row] + column];
    if (i < 0)
        return;
    float *sum = g->irradiance + (size_t)i*g->values, *error = g->error + (size_t)i*g->values, total = 0.0f;
    memset(sum, 0, (size_t)g->values*sizeof *sum);
    memset(error, 0, (size_t)g->values*sizeof *error);
    const float spread = fmaxf(SPREAD_REACH*g->record[i].reach, 1e-4f);
    const int cells = lr_floorf(lr_minf(SPREAD_CELLS, SPREAD_ANGLE*(float)g->rows/(float)LR_PI + 0.5f));
    for (int r = row - cells; r <= row + cells; r++) {
        if (r < 0 || r >= g->rows)
            continue;
        const int n = cells_of_row(g->rows, r), middle = (int)((column + 0.5)*n/columns);
        const int whole = 2*cells + 1 >= n, first = whole ? 0 : middle - cells, last = whole ? n - 1 : middle + cells;  // near the poles all of the row, once
        for (int k = first; k <= last; k++)
            spread_one(c, i, g->cell[g->first_cell[r] + (k + n) % n], spread, sum, error, &total);
    }
    for (int k = 0; k < g->values; k++) {
        sum[k] /= total;
        error[k] /= total;
    }
    c->support[i] = total;
}

static lr_status spread_row(void *context, int64_t row, int worker, lr_error *err)
{
    (void)worker;
    (void)err;
    const crew *c = context;
    for (int column = 0; column < cells_of_row(c->gather->rows, (int)row); column++)
        spread_cell(c, (int)row, column);
    return LR_OK;
}

static int by_tile(const void *a, const void *b)
{
    const lr_gather_record *x = a, *y = b;
    return x->tile != y->tile ? (x->tile > y->tile) - (x->tile < y->tile) : (x->place > y->place) - (x->place < y->place);
}

static lr_status place_records(lr_gather *g, const lr_tracer *tracer, lr_work *work, lr_error *err)
{
    uint8_t *row_seen = calloc((size_t)g->rows, 1);
    if (!row_seen)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    // A row of the world's grid counts when any of its directions does: heads may lie on their side.
    for (int r = 0; r < g->rows; r++)
        for (int k = 0; k < 16 && !row_seen[r]; k++)
            row_seen[r] = (uint8_t)seen(tracer, cell_direction(g, r, k*cells_of_row(g->rows, r)/16));
    lr_line_job job = plain_job(tracer, work);
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

static lr_status spread(crew *c, int threads, lr_error *err)
{
    LR_TRY(lr_threads_run(threads, c->gather->rows, spread_row, c, err));
    lr_gather_lay_out(c->gather);
    return LR_OK;
}

static lr_status gather_round(crew *c, int threads, int paths, lr_error *err)
{
    c->paths = paths;
    LR_TRY(lr_threads_run(threads, c->tile_count, gather_tile, c, err));
    c->done += c->tile_count;
    return spread(c, threads, err);
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

static lr_status gather_all(crew *c, int threads, lr_error *err)
{
    lr_gather *g = c->gather;
    const size_t values = (size_t)g->record_count*(size_t)g->values;
    g->irradiance = calloc(values + 1, sizeof *g->irradiance);
    g->error = calloc(values + 1, sizeof *g->error);
    c->raw = malloc((2*values + 1)*sizeof *c->raw);
    c->support = calloc((size_t)g->record_count + 1, sizeof *c->support);
    if (!g->irradiance || !g->error || !c->raw || !c->support)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    const int paths = c->tracer->def.gather_paths, first_paths = paths/FIRST_PART < 2 ? 2 : paths/FIRST_PART/2*2;
    LR_TRY(cut_tiles(c, err));
    LR_TRY(open_notes(c, first_paths, err));
    c->jobs = 2*c->tile_count;
    LR_TRY(gather_round(c, threads, first_paths, err));
    LR_TRY(find_sunlit(c, threads, err));
    c->round = 1;
    LR_TRY(gather_round(c, threads, paths, err));
    if (paths < CARE_FROM)
        return LR_OK;
    c->round = 2;
    c->again = WEAK_FACTOR*paths < LR_CHUNK_RAYS ? WEAK_FACTOR*paths : LR_CHUNK_RAYS;
    LR_TRY(lr_threads_run(threads, c->tile_count, gather_weak_of_tile, c, err));
    return spread(c, threads, err);
}

static lr_status build(crew *c, int threads, lr_error *err)
{
    LR_TRY(make_grid(c->gather, err));
    for (int i = 0; i < threads; i++)
        LR_TRY(lr_work_create(c->tracer, &c->work[i], err));
    LR_TRY(place_records(c->gather, c->tracer, c->work[0], err));
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
    free(c->support);
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
