// SPDX-License-Identifier: Apache-2.0
#include "trace/gloss.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core/thread.h"
#include "trace/gather_grid.h"
#include "trace/gather_look.h"
#include "trace/gather_more.h"
#include "trace/gather_spread.h"
#include "trace/sunlit.h"

#define LEAST_ALPHA 0.06f        // of lobes: narrower ones blur less than a few cells of the grid
#define AVERAGE_BEND 0.25f       // of alpha: neighbours' normals may be off by so much [rad], which turns what is mirrored by twice that
#define LOOK_BEND 0.7f           // of alpha: likewise those that are interpolated between, of points all around
#define MEAN_BEND 0.03f          // see lr_gather: their mean by about an eighth of alpha
#define PART 0.7f                // of alpha: light is averaged over points whose mirrored pictures are off by so much [rad]: lobes seem 3 % wider
#define MOST_PART 0.25f          // of the distance to what is mirrored, as far as evenly scattered light is averaged
#define LEAST_COSINE 0.05f       // between normal and camera
#define LEAST_NEIGHBOURS 2       // of eight, at least: a point alone would be no better than a pixel's own paths
#define PILOT_PART 4             // one over the share of the gathering's paths that tell how many more each point wants: thrown away, as those that
                                 // found light by luck would ask for more, and the mean fall
#define LEAST_PART 2             // one over the share that each point gets
#define MORE_LEVELS 5            // a point may get 1/2 to 8 times those on top
#define FIELD_MARGIN 0.03        // of the line, beyond its ends

int lr_gloss_has(const lr_surface *s)
{
    return (s->kind == LR_MATERIAL_METAL || s->kind == LR_MATERIAL_COATED) && s->alpha_x >= LEAST_ALPHA && s->alpha_y >= LEAST_ALPHA;
}

// ---- from where a point is seen ------------------------------------------------------------------------------------------------

// A camera of the rig at some moment: its plane turns about the axis.
typedef struct seer {
    const lr_rig_camera *camera;
    lr_pose pose;                // of the camera, in the world
    lr_vec3 axis, pivot;
} seer;

static seer seer_of(const lr_rig *rig, int module, int camera)
{
    const lr_rig_moment moment = lr_rig_at(rig, module, 0.0);
    const lr_rig_camera *c = &rig->module[module].camera[camera];
    return (seer){c, lr_pose_mul(moment.pose, c->in_module), moment.axis, moment.pivot};
}

// How far the camera has to turn until its plane holds the point, which is then on that side of the axis. 0: never.
// The plane's normal n turns about axis a, the camera o keeps its distance to the plane through the pivot: n . q = n . o, with
// n . q = (n.a)(a.q) + cos t (n.q - (n.a)(a.q)) + sin t (a x n).q
static int turn_to(const seer *s, lr_vec3 q, int side, double *turn)
{
    const lr_vec3 n = s->pose.rotation.y;
    const double along = lr_dot(n, s->axis)*lr_dot(s->axis, q), c = lr_dot(n, q) - along, d = lr_dot(lr_cross(s->axis, n), q);
    const double want = lr_dot(n, lr_sub(s->pose.origin, s->pivot)) - along, most = sqrt(c*c + d*d);
    if (!(fabs(want) < most))
        return 0;
    *turn = atan2(d, c) + (side == LR_GLOSS_FRONT ? 1.0 : -1.0)*acos(want/most);
    return 1;
}

// Where the camera is when it sees the point. 0: it never does.
static int place_of_eye(const seer *s, lr_vec3f point, int side, lr_vec3 *eye)
{
    const lr_vec3 q = lr_sub(lr_v3((double)point.x, (double)point.y, (double)point.z), s->pivot), from = lr_sub(s->pose.origin, s->pivot);
    double turn, pixel, across;
    if (!turn_to(s, q, side, &turn))
        return 0;
    const lr_mat3 turned = lr_rotation_about(s->axis, turn);
    const lr_vec3 seen = lr_rotate_back(s->pose.rotation, lr_sub(lr_rotate_back(turned, q), from));
    if (!lr_camera_project(s->camera->def, seen, &pixel, &across) || !(fabs(across) < 1.0))
        return 0;
    const double beyond = FIELD_MARGIN*s->camera->pixels;
    *eye = lr_add(lr_rotate(turned, from), s->pivot);
    return pixel > -beyond && pixel < s->camera->pixels + beyond;
}

// ---- points -------------------------------------------------------------------------------------------------------------------------

typedef struct crew {
    lr_gather *gather;           // view in hand
    const lr_tracer *tracer;
    lr_work **work;              // (threads)
    seer seer;
    int side, number;            // number: of the view
    float *raw;                  // what each record got from each half of its paths (record_count x 2 x values)
    lr_gather_near *near;        // (record_count x sources)
    int *had;                    // paths (record_count)
    float *want;                 // (record_count) see lr_spread
    lr_gather_view look[LR_GATHER_VIEWS];
    int round, paths;            // paths: of this round, from each record
    int told_by;                 // paths of the round that `want` is of
    int tile_count;
    int *tile;                   // (tile_count + 1) first record of each
    int (*progress)(void *, int64_t, int64_t);
    void *context;
} crew;

static lr_line_job plain_job(const crew *c, int worker)
{
    const uint32_t seed = lr_hash(lr_hash((uint32_t)c->tracer->def.seed, 0x676c6f73u), (uint32_t)c->number);
    return (lr_line_job){.tracer = c->tracer, .work = c->work[worker], .seed = lr_hash(seed, (uint32_t)c->round), .known = c->tracer->gather};
}

static void place_record(void *context, const lr_line_job *job, int row, int column, int k)
{
    crew *c = context;
    const lr_rays *rays = &job->work->rays;
    const lr_scene *scene = job->tracer->scene;
    float scale;
    int material;
    lr_vec3 eye;
    const lr_surface *surface = lr_scene_surface(scene, rays->object[k], rays->primitive[k], rays->u[k], rays->v[k], &scale, &material);
    const lr_vec3f point = lr_rays_point(rays, k), n = lr_rays_normal(rays, k);
    if (!lr_gloss_has(surface) || !place_of_eye(&c->seer, point, c->side, &eye))
        return;
    const lr_vec3f to = lr_subf(lr_v3f_of(eye), point), normal = lr_mulf(n, lr_dotf(n, lr_rays_direction(rays, k)) > 0.0f ? -1.0f : 1.0f);
    const float per_m = 1.0f/sqrtf(lr_dotf(to, to)), cosine = lr_dotf(normal, to)*per_m;
    if (!(cosine >= LEAST_COSINE))
        return;
    lr_gather_record *r = lr_gather_grid_place(c->gather, row, column);
    r->coat = 1 + (int)(surface - scene->surface);
    r->point = point;
    r->normal = normal;
    r->to_eye = lr_mulf(to, per_m);
    r->eye_per_m = per_m;
    r->share = 1.0f;
    const float alpha = lr_minf(surface->alpha_x, surface->alpha_y);
    r->average_cosine = cosf(AVERAGE_BEND*alpha);
    r->look_cosine = cosf(LOOK_BEND*alpha);
    r->part = lr_minf(MOST_PART, PART*cosine*alpha);   // across the plane of incidence a lobe is narrower
}

static int has_neighbours(const lr_gather *g, int row, int column)
{
    const lr_gather_record *own = &g->record[g->cell[g->first_cell[row] + column]];
    const int columns = g->first_cell[row + 1] - g->first_cell[row];
    int same = 0;
    for (int r = row > 0 ? row - 1 : 0; r <= row + 1 && r < g->rows; r++) {
        const int n = g->first_cell[r + 1] - g->first_cell[r], middle = (int)((column + 0.5)*n/columns);
        for (int k = middle - 1; k <= middle + 1; k++) {
            const int i = g->cell[g->first_cell[r] + (k + n) % n];
            float distance2;
            if (i >= 0 && g->record[i].coat == own->coat)
                same += lr_gather_same_surface(own->point, own->normal, g->record[i].point, g->record[i].normal, own->average_cosine, &distance2);
        }
    }
    return same - 1 >= LEAST_NEIGHBOURS;
}

// Takes out the points that neighbours would not help.
static lr_status keep_neighbours(lr_gather *g, lr_error *err)
{
    uint8_t *keep = calloc((size_t)g->record_count + 1, 1);
    if (!keep)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    for (int r = 0; r < g->rows; r++)
        for (int k = 0; k < g->first_cell[r + 1] - g->first_cell[r]; k++)
            if (g->cell[g->first_cell[r] + k] >= 0)
                keep[g->cell[g->first_cell[r] + k]] = (uint8_t)has_neighbours(g, r, k);
    int count = 0;
    for (int i = 0; i < g->record_count; i++) {
        g->cell[g->record[i].cell] = -1;
        if (keep[i])
            g->record[count++] = g->record[i];
    }
    g->record_count = count;
    free(keep);
    lr_gather_grid_sort(g);
    return LR_OK;
}

// ---- gathering ------------------------------------------------------------------------------------------------------------------------

static lr_status gather_tile(void *context, int64_t tile, int worker, lr_error *err)
{
    crew *c = context;
    lr_gather *g = c->gather;
    const int paths = c->paths, batch = lr_gather_batch(paths), sources = c->tracer->scene->source_count, last = c->tile[tile + 1];
    lr_line_job job = plain_job(c, worker);
    job.sunlit = c->tracer->gather->sunlit;
    for (int first = c->tile[tile]; first < last; first += batch)
        lr_gather_paths(&job, g->record + first, last - first < batch ? last - first : batch, paths, c->raw + 2*(size_t)first*(size_t)g->values,
                        c->near + (size_t)first*(size_t)sources);
    for (int i = c->tile[tile]; i < last; i++)
        c->had[i] = paths;
    if (worker == 0 && c->progress && c->progress(c->context, 1, 1))
        return lr_fail(err, LR_ERR_CANCELLED, "stopped; the same command goes on from here");
    return LR_OK;
}

static lr_status more_of_tile(void *context, int64_t tile, int worker, lr_error *err)
{
    (void)err;
    crew *c = context;
    const lr_gather_more more = {.gather = c->gather, .tile = c->tile, .paths = c->paths, .told_by = c->told_by, .levels = MORE_LEVELS, .want = c->want, .had = c->had, .raw = c->raw};
    lr_line_job job = plain_job(c, worker);
    job.sunlit = c->tracer->gather->sunlit;
    lr_gather_more_of_tile(&more, (int)tile, &job);
    return LR_OK;
}

static lr_status spread(crew *c, int threads, int wanting, lr_error *err)
{
    const lr_spread s = {.gather = c->gather, .tracer = c->tracer, .raw = c->raw, .near = c->near, .paths = c->had, .view = c->look, .want = wanting ? c->want : NULL};
    return lr_spread_average(&s, threads, err);
}

static int part_of(const crew *c, int part) { return c->tracer->def.gather_paths/(2*part)*2; }   // even

static lr_status gather_view(crew *c, int threads, lr_error *err)
{
    lr_gather *g = c->gather;
    const size_t values = (size_t)g->record_count*(size_t)g->values, sources = (size_t)c->tracer->scene->source_count;
    g->irradiance = calloc(values + 1, sizeof *g->irradiance);
    g->error = calloc(values + 1, sizeof *g->error);
    c->raw = malloc((2*values + 1)*sizeof *c->raw);
    c->near = malloc(((size_t)g->record_count*sources + 1)*sizeof *c->near);
    c->had = malloc(((size_t)g->record_count + 1)*sizeof *c->had);
    c->want = calloc((size_t)g->record_count + 1, sizeof *c->want);
    if (!g->irradiance || !g->error || !c->raw || !c->near || !c->had || !c->want)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    LR_TRY(lr_gather_grid_tiles(g, &c->tile, &c->tile_count, err));
    const int wanting = c->tracer->def.noise_ratio > 0.0;
    if (wanting) {
        c->paths = c->told_by = part_of(c, PILOT_PART);
        LR_TRY(lr_threads_run(threads, c->tile_count, gather_tile, c, err));
        LR_TRY(spread(c, threads, 1, err));
        c->round++;
    }
    c->paths = part_of(c, wanting ? LEAST_PART : 1);
    LR_TRY(lr_threads_run(threads, c->tile_count, gather_tile, c, err));
    c->round++;
    if (wanting)
        LR_TRY(lr_threads_run(threads, c->tile_count, more_of_tile, c, err));
    return spread(c, threads, 0, err);
}

static lr_status make_view(crew *c, int threads, lr_error *err)
{
    lr_gather *g = c->gather;
    const lr_gather *room = c->tracer->gather;
    g->center = room->center;
    g->rows = room->rows;
    g->values = room->values;
    g->mean_bend = MEAN_BEND;
    LR_TRY(lr_gather_grid_create(g, err));
    const lr_line_job job = plain_job(c, 0);
    for (int r = 0; r < g->rows; r++)
        lr_gather_grid_row(&job, g->center, g->rows, r, place_record, c);
    LR_TRY(keep_neighbours(g, err));
    return g->record_count > 0 ? gather_view(c, threads, err) : LR_OK;
}

static void clear_view(crew *c)
{
    free(c->raw);
    free(c->near);
    free(c->had);
    free(c->want);
    free(c->tile);
    c->want = NULL;
    c->raw = NULL;
    c->near = NULL;
    c->had = NULL;
    c->tile = NULL;
}

static lr_status make_views(crew *c, lr_gloss *gloss, int threads, lr_error *err)
{
    const lr_rig *rig = c->tracer->rig;
    for (int m = 0; m < rig->module_count; m++) {
        gloss->first[m] = gloss->view_count;
        for (int k = 0; k < LR_GLOSS_SIDES*rig->module[m].camera_count; k++) {
            c->number = gloss->view_count;
            c->side = k % LR_GLOSS_SIDES;
            c->round = 0;
            c->seer = seer_of(rig, m, k/LR_GLOSS_SIDES);
            c->gather = gloss->view[gloss->view_count] = calloc(1, sizeof *c->gather);
            if (!c->gather)
                return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
            gloss->view_count++;
            const lr_status status = make_view(c, threads, err);
            clear_view(c);
            LR_TRY(status);
        }
    }
    return LR_OK;
}

static lr_status run(crew *c, lr_gloss *gloss, int threads, lr_error *err)
{
    int cameras = 0;
    for (int m = 0; m < c->tracer->rig->module_count; m++)
        cameras += c->tracer->rig->module[m].camera_count;
    gloss->view = calloc((size_t)(LR_GLOSS_SIDES*cameras) + 1, sizeof *gloss->view);
    c->work = calloc((size_t)threads, sizeof *c->work);
    if (!gloss->view || !c->work)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    for (int i = 0; i < threads; i++)
        LR_TRY(lr_work_create(c->tracer, &c->work[i], err));
    lr_gather_views_make(c->tracer->rig, c->look);
    return make_views(c, gloss, threads, err);
}

static int any_gloss(const lr_scene *scene)
{
    for (int k = 0; k < scene->material_count; k++)
        if (lr_gloss_has(&scene->surface[k]))
            return 1;
    return 0;
}

lr_status lr_gloss_create(const lr_tracer *tracer, int threads, int (*progress)(void *, int64_t, int64_t), void *context, lr_gloss **out, lr_error *err)
{
    *out = NULL;
    if (tracer->def.gather_paths < LR_GATHER_CARE_FROM || !any_gloss(tracer->scene))
        return LR_OK;
    crew c = {.tracer = tracer, .progress = progress, .context = context};
    lr_gloss *gloss = calloc(1, sizeof *gloss);
    if (!gloss)
        return lr_fail(err, LR_ERR_MEMORY, "ambient light: out of memory");
    const lr_status status = run(&c, gloss, threads, err);
    for (int i = 0; c.work && i < threads; i++) {
        if (c.work[i])
            lr_trace_count_add(&tracer->gather->count, lr_work_count(c.work[i]));
        lr_work_destroy(c.work[i]);
    }
    free(c.work);
    if (status != LR_OK)
        lr_gloss_destroy(gloss);
    else
        *out = gloss;
    return status;
}

void lr_gloss_destroy(lr_gloss *gloss)
{
    if (!gloss)
        return;
    for (int i = 0; i < gloss->view_count; i++)
        lr_gather_destroy(gloss->view[i]);
    free(gloss->view);
    free(gloss);
}
