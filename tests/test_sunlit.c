// SPDX-License-Identifier: Apache-2.0
// Places in sunlight: asked as often as told, shared out with paths so that nothing counts twice or is lost, and never given up for being hidden;
// and of four that a path may ask, one by its worth.
#include "stage.h"

#include "core/rng.h"
#include "trace/gather.h"
#include "trace/path.h"
#include "trace/sunlit.h"
#include "trace/surface_eval.h"

#define HEAD_WITH(FILTER)                                                                                                           \
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 360},"                    \
    " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [{\"name\": \"c\","                                             \
    "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 0.5, \"f_number\": 2}," FILTER                                      \
    "  \"sensor\": {\"pixels\": 16, \"pitch_um\": 5, \"width_um\": 10, \"quantum_efficiency\": 0.4}, \"exposure_us\": 100}]}]}"
#define HEAD HEAD_WITH("\"filter\": {\"center_nm\": 850, \"width_nm\": 20, \"angle_factor\": 0},")
// A floor in the sun, x and y within HALF_X and HALF_Y, and what else there is.
#define SCENE(MORE)                                                                                                                 \
    "{\"format\": \"lanternroom-scene/1\", \"name\": \"floor\", \"objects\": ["                                                       \
    "{\"shape\": \"rectangle\", \"size_m\": [3, 2], \"center_m\": [0, 0, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.6}}" MORE "]," \
    " \"lights\": [{\"kind\": \"sun\", \"elevation_deg\": 50, \"azimuth_deg\": 25}], \"head_pose\": {\"position_m\": [0, 0, 1]}}"
// A board between the points and one end of the floor.
#define BOARD ", {\"shape\": \"box\", \"size_m\": [0.02, 4, 0.5], \"center_m\": [0.2, 0, 0.26], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.5}}"
#define HALF_X 1.5
#define HALF_Y 1.0
#define REFLECTANCE 0.6
#define BOARD_X 0.2f
#define BOARD_TOP 0.51f

enum { USES = 1024, POINTS = 32, SETS = 2*LR_SUNLIT_LAYERS, PER_LEAF = 8 };

typedef struct sunny {
    stage *stage;
    lr_line_job job;
    lr_sunlit *sunlit;
    lr_sunlit_choice choice;
    lr_gather_record record[POINTS];   // a piece of the room that looks at the floor from one end
} sunny;

static lr_line_job job_on(const stage *s) { return (lr_line_job){.tracer = s->tracer, .work = s->work, .seed = 77}; }

// Notes of light from the whole floor, five times as much from one end as from the other.
static void make_places(sunny *y)
{
    lr_sunlit_use use[USES];
    lr_sunlit_notes notes = {.plane = {lr_v3f(0.0f, 0.0f, 1.0f), y->stage->tracer->lights.sun_frame}, .use = use};
    for (int k = 0; k < USES; k++) {
        float u, v;
        lr_sobol2((uint32_t)k, 5, &u, &v);
        lr_sunlit_note(&notes, lr_v3f((2*u - 1)*(float)HALF_X, (2*v - 1)*(float)HALF_Y, 0.0f), notes.plane.frame.z, 1.0f + 4.0f*u);
    }
    stage_need(lr_sunlit_create(&y->job, &notes, &y->sunlit, NULL), &(lr_error){"places"});
    assert_non_null(y->sunlit);
}

static void sunny_create_in(sunny *y, const char *scene, const char *head)
{
    *y = (sunny){.stage = stage_create(scene, head, 2)};
    y->job = job_on(y->stage);
    make_places(y);
    stage_need(lr_sunlit_choice_create(y->sunlit, &y->choice, NULL), &(lr_error){"choice"});
    for (int k = 0; k < POINTS; k++)
        y->record[k] = (lr_gather_record){.point = lr_v3f(-0.4f + 0.005f*(float)k, -0.3f, 0.25f + 0.002f*(float)k), .normal = lr_unitf(lr_v3f(1.0f, 0.2f, -0.5f))};
}

static void sunny_create(sunny *y) { sunny_create_in(y, SCENE(""), HEAD); }

static void sunny_destroy(sunny *y)
{
    lr_sunlit_choice_destroy(&y->choice);
    lr_sunlit_destroy(y->sunlit);
    stage_destroy(y->stage);
}

// Chances as by the job's room, for a tile whose places are those of `layer`.
static void weigh(sunny *y, const lr_line_job *job, int layer)
{
    for (uint32_t tile = 0; tile < 1000; tile++) {
        for (int k = 0; k < POINTS; k++)
            y->record[k].tile = tile;
        lr_sunlit_weigh(job, &y->choice, y->record, POINTS);
        if (y->choice.layer == layer)
            return;
    }
    fail_msg("no tile of layer %d", layer);
}

// What choosing tells of each place, by an even walk that comes to all: chances are 0.1 or more. (place_count) each
static void walk(const sunny *y, int half, float *chance, float *often)
{
    const int count = y->sunlit->place_count, steps = 64*count;
    memset(chance, 0, (size_t)count*sizeof *chance);
    for (int k = 0; k < steps; k++) {
        float c, o;
        const ptrdiff_t i = lr_sunlit_choose(&y->choice, half, ((float)k + 0.5f)/(float)steps, &c, &o) - y->sunlit->place[2*y->choice.layer + half];
        assert_true(i >= 0 && i < count);
        chance[i] = c;
        often[i] = o;
    }
}

// ---- chances ----------------------------------------------------------------------------------------------------------------

// Above it a sum of squares lies by chance 3 times in ten million: 5 standard deviations of a normal number.
// Source: Wilson & Hilferty, The distribution of chi-square (1931): its cube root is about normal.
static double chi_square_limit(int degrees)
{
    const double v = 2.0/(9.0*degrees);
    return degrees*pow(1.0 - v + 5.0*sqrt(v), 3);
}

static void are_asked_as_often_as_told(void **state)
{
    (void)state;
    sunny y;
    sunny_create(&y);
    const int count = y.sunlit->place_count, draws = 256*count;
    float *chance = calloc((size_t)count, sizeof *chance), *often = calloc((size_t)count, sizeof *often);
    int *drawn = calloc((size_t)count, sizeof *drawn);
    for (int set = 0; set < SETS; set++) {
        double sum = 0.0, chi_square = 0.0;
        const int half = set % 2;
        weigh(&y, &y.job, set/2);
        walk(&y, half, chance, often);
        memset(drawn, 0, (size_t)count*sizeof *drawn);
        for (int k = 0; k < draws; k++) {
            float c, o;
            drawn[lr_sunlit_choose(&y.choice, half, lr_uniform(lr_hash((uint32_t)k, (uint32_t)set)), &c, &o) - y.sunlit->place[set]]++;
        }
        for (int i = 0; i < count; i++) {
            const double expected = (double)draws*(double)chance[i]/count;
            sum += (double)chance[i]/count;
            assert_true(chance[i] > 0.0f && expected > 20.0);   // enough for the sum of squares to be what it is taken for
            chi_square += (drawn[i] - expected)*(drawn[i] - expected)/expected;
        }
        assert_near(sum, 1.0, 1e-6);   // differences of floats up to 1 that are 0 at one end and 1 at the other
        assert_true(chi_square < chi_square_limit(count - 1));
        for (int leaf = 0; leaf < count/PER_LEAF; leaf++) {
            double mean = 0.0;
            for (int i = leaf*PER_LEAF; i < (leaf + 1)*PER_LEAF; i++)
                mean += (double)chance[i]/PER_LEAF;
            for (int i = leaf*PER_LEAF; i < (leaf + 1)*PER_LEAF; i++)
                assert_near((double)often[i], mean, 2e-5);   // sums up to 1, rounded to 6e-8, times 128 leaves, either way
        }
        if (set == 0)
            printf("%d places: chances sum to %.7f, chi-square %.1f of at most %.1f\n", count, sum*count, chi_square, chi_square_limit(count - 1));
    }
    free(chance), free(often), free(drawn);
    sunny_destroy(&y);
}

// Where the way from the record to a place passes under the board's top.
static int hidden(const lr_gather_record *r, const lr_sunlit_place *p)
{
    const float t = (BOARD_X - r->point.x)/(p->point.x - r->point.x);
    return t > 0.0f && t < 1.0f && r->point.z + t*(p->point.z - r->point.z) < BOARD_TOP;
}

// How many places of a leaf there are, and how many of them no record sees; those near the board count as neither.
static int count_hidden(const sunny *y, const lr_sunlit_place *leaf, int *there)
{
    int all = 0;
    *there = 0;
    for (int i = 0; i < PER_LEAF; i++) {
        if (!leaf[i].surface)
            continue;
        int by = 0;
        for (int k = 0; k < POINTS; k++)
            by += hidden(&y->record[k], &leaf[i]);
        assert_true(by == 0 || by == POINTS || fabsf(leaf[i].point.x - BOARD_X) < 0.1f);
        all += by == POINTS;
        ++*there;
    }
    return all;
}

// The same places weighed by witnesses in the open and behind a board: leaves that none of them sees are asked less, but they are asked.
static void are_asked_less_where_hidden(void **state)
{
    (void)state;
    sunny y;
    sunny_create(&y);
    stage *boarded = stage_create(SCENE(BOARD), HEAD, 2);
    const lr_line_job job = job_on(boarded);
    const int count = y.sunlit->place_count;
    float *open = calloc((size_t)count, sizeof *open), *behind = calloc((size_t)count, sizeof *behind), *often = calloc((size_t)count, sizeof *often);
    int less = 0, more = 0;
    for (int half = 0; half < 2; half++) {
        const lr_sunlit_place *place = y.sunlit->place[2*3 + half];
        weigh(&y, &y.job, 3);
        walk(&y, half, open, often);
        weigh(&y, &job, 3);
        walk(&y, half, behind, often);
        for (int i = 0; i < count; i += PER_LEAF) {
            int there, faced = 0;
            const int dark = count_hidden(&y, place + i, &there);
            for (int k = i; k < i + PER_LEAF; k++)
                assert_true(behind[k] >= 0.0999f);   // a tenth is asked evenly: what no witness sees others may
            for (int k = i; k < i + PER_LEAF; k++)
                faced += open[k] > 0.11f;   // not behind the points
            if (there < PER_LEAF || faced < PER_LEAF || (dark != 0 && dark != PER_LEAF))
                continue;
            for (int k = i; k < i + PER_LEAF; k++)   // four witnesses: of the rest, the root of 0.1 in 4.1 is left, before others make up for it
                assert_true(dark ? behind[k] - 0.1f < 0.5f*(open[k] - 0.1f) : behind[k] > open[k]);
            *(dark ? &less : &more) += 1;
        }
    }
    printf("%d leaves hidden, %d not\n", less, more);
    assert_true(less > 10 && more > 10);
    free(open), free(behind), free(often);
    stage_destroy(boarded);
    sunny_destroy(&y);
}

// ---- shares ------------------------------------------------------------------------------------------------------------------

// How far inside its leaf's part of the plane a place's ray is [m].
static float inside_leaf(const lr_sunlit *s, int leaf, const lr_sunlit_place *p)
{
    const lr_vec3f from = lr_frame_fromf(s->plane.frame, lr_subf(p->point, s->plane.center)), d = lr_frame_fromf(s->plane.frame, p->to_sun);
    const float at[2] = {from.x - from.z*d.x/d.z, from.y - from.z*d.y/d.z};
    float low[2] = {s->low[0], s->low[1]}, high[2] = {s->high[0], s->high[1]}, in = INFINITY;
    for (int node = 1, level = s->levels - 1; level >= 0; level--) {
        const int up = leaf >> level & 1, axis = s->node[node].axis;
        (up ? low : high)[axis] = s->node[node].at;
        node = 2*node + up;
    }
    for (int k = 0; k < 2; k++)
        in = fminf(in, fminf(at[k] - low[k], high[k] - at[k]));
    assert_near((double)(s->density[leaf]*(float)(1 << s->levels)*(high[0] - low[0])*(high[1] - low[1])), 1.0, 1e-5);   // all leaves hold as many rays
    return in;
}

// What a link and what a path between the same two points take of their light make it up. Links start and end a bit above the surfaces,
// which changes distance and slant, and by them the shares, that much.
static void shares_make_one(void **state)
{
    (void)state;
    sunny y;
    sunny_create(&y);
    int checked = 0, skipped = 0;
    double least = 1.0, most = 0.0;
    for (int set = 0; set < SETS; set++) {
        weigh(&y, &y.job, set/2);
        for (int i = 0; i < y.sunlit->place_count; i++) {
            const lr_sunlit_place *p = &y.sunlit->place[set][i];
            const lr_gather_record *r = &y.record[i % POINTS];
            lr_sunlit_link link;
            if (!lr_sunlit_reach(p, r->point, r->normal, &link))
                continue;
            if (inside_leaf(y.sunlit, i/PER_LEAF, p) < 1e-5f) {   // rounding may take it for another's
                skipped++;
                continue;
            }
            const float pdf = link.here/(float)LR_PI;
            const double off = 2.0*(double)LR_OFFSET_M/(double)link.distance, tolerance = off*(2.0 + 1.0/(double)link.there) + 1e-5;
            const double chosen = (double)lr_sunlit_share(p, y.choice.often[set % 2][i/PER_LEAF], &link, pdf), even = (double)lr_sunlit_share(p, 1.0f, &link, pdf);
            assert_near(chosen + (double)lr_sunlit_found(y.sunlit, &y.choice, set % 2, r->point, pdf, p->point, p->normal, p->to_sun), 1.0, tolerance);
            assert_near(even + (double)lr_sunlit_found(y.sunlit, NULL, set % 2, r->point, pdf, p->point, p->normal, p->to_sun), 1.0, tolerance);
            assert_true(chosen > 0.0 && chosen < 1.0);
            least = fmin(least, chosen);
            most = fmax(most, chosen);
            checked++;
        }
    }
    printf("%d places, links' share from %.4f to %.4f, %d too near a leaf's edge\n", checked, least, most, skipped);
    assert_true(checked > 1000 && skipped*100 < checked && least < 0.9 && most > 0.95);
    sunny_destroy(&y);
}

// ---- one of four -------------------------------------------------------------------------------------------------------------

// The floor and a wall that paths come to, of other colours: seen in eight bins, which differ.
#define COLOURED                                                                                                                    \
    "{\"format\": \"lanternroom-scene/1\", \"name\": \"colours\", \"objects\": ["                                                     \
    "{\"shape\": \"rectangle\", \"size_m\": [3, 2], \"center_m\": [0, 0, 0], \"material\": \"grass\"},"                              \
    "{\"shape\": \"rectangle\", \"size_m\": [1, 1], \"center_m\": [-9, 0, 0.5], \"rotate_deg\": [0, 90, 0], \"material\": \"blue_paint\"}]," \
    " \"lights\": [{\"kind\": \"sun\", \"elevation_deg\": 50, \"azimuth_deg\": 25}], \"head_pose\": {\"position_m\": [0, 0, 1]}}"
#define PATH 3   // any

typedef struct four {
    lr_sunlit_picks picks;
    lr_vec3f wi[LR_SUNLIT_PICKS];
    double light[LR_SUNLIT_PICKS][LR_MAX_BINS], worth[LR_SUNLIT_PICKS], distance[LR_SUNLIT_PICKS], total;   // worth: the light's sum over bins
    int count;                             // that send something
} four;

static four four_of_set(const sunny *y, const lr_vertex *v, int set, int round)
{
    const int bins = y->stage->bins.ambient_count;
    four all = {.total = 0.0};
    for (int k = 0; k < LR_SUNLIT_PICKS; k++) {
        float f[LR_MAX_BINS];
        lr_sunlit_link link;
        const lr_sunlit_place *p = lr_sunlit_evenly(y->sunlit, set, ((float)k + lr_uniform(lr_hash((uint32_t)round, (uint32_t)k)))/LR_SUNLIT_PICKS);
        all.picks.place[k] = p;
        if (!lr_sunlit_reach(p, v->point, v->normal, &link))
            continue;
        const float pdf = lr_surface_eval_world(v->surface, v->scale, v->normal, v->wo, link.wi, f);
        const double share = (double)lr_sunlit_share(p, 1.0f, &link, pdf);
        all.wi[k] = link.wi;
        all.distance[k] = (double)link.distance;
        for (int b = 0; b < bins; b++)
            all.worth[k] += all.light[k][b] = (double)f[b]*(double)link.light[b]*share;
        all.total += all.worth[k];
        all.count += all.worth[k] > 0.0;
    }
    return all;
}

// Which one the ray in the queue goes to.
static int asked_of(const four *all, const lr_shadow_queue *q)
{
    for (int k = 0; k < LR_SUNLIT_PICKS; k++)
        if (all->worth[k] > 0.0 && memcmp(&(lr_vec3f){q->rays.dx[0], q->rays.dy[0], q->rays.dz[0]}, &all->wi[k], sizeof all->wi[k]) == 0)
            return k;
    fail_msg("a ray to none of the four");
    return -1;
}

// Over an even walk of the number that decides: how often each is asked, and that it counts for all four, in each bin.
static void ask_evenly(const sunny *y, const lr_vertex *v, four *all)
{
    enum { STEPS = 4096 };
    const lr_path_state *path = &y->job.work->path;
    lr_shadow_queue *q = &y->job.work->sun;
    int times[LR_SUNLIT_PICKS] = {0};
    for (int step = 0; step < STEPS; step++) {
        all->picks.pick = ((float)step + 0.5f)/STEPS;
        q->rays.count = 0;
        lr_ask_sunlit(&y->job, v, &all->picks);
        assert_int_equal(q->rays.count, all->count > 0);
        if (all->count == 0)
            return;
        const int k = asked_of(all, q);
        times[k]++;
        assert_int_equal(q->path[0], PATH);
        assert_int_equal(q->source[0], y->stage->scene->sun.source);
        assert_rel((double)q->rays.t_far[0], all->distance[k], 1e-4);   // ends a bit before
        assert_rel((double)q->per_m[0], v->step == 0 ? 1.0/all->distance[k] : (double)path->per_m[PATH], 1e-6);
        for (int b = 0; b < y->stage->bins.ambient_count; b++)   // a dozen operations in float
            assert_rel((double)q->weight[b*LR_CHUNK_RAYS], (double)path->throughput[b*LR_CHUNK_RAYS + PATH]*all->light[k][b]*all->total/(LR_SUNLIT_PICKS*all->worth[k]), 2e-6);
    }
    for (int k = 0; k < LR_SUNLIT_PICKS; k++)   // numbers that lead to one lie in up to four stretches, each with an even walk's steps up to one
        assert_near((double)times[k], STEPS*all->worth[k]/all->total, 4.0 + 0.01);
}

static void one_of_four_is_asked_by_its_worth(void **state)
{
    (void)state;
    sunny y;
    sunny_create_in(&y, COLOURED, HEAD_WITH(""));
    float unused = 0.0f;
    int all_four = 0, fewer = 0, none = 0;
    double spread = 0.0;
    lr_path_state *path = &y.job.work->path;
    y.job.gathered = &unused;   // all are asked, however faint
    path->per_m[PATH] = 0.125f;
    for (int b = 0; b < y.stage->bins.ambient_count; b++)
        path->throughput[b*LR_CHUNK_RAYS + PATH] = 0.5f + 0.1f*(float)b;
    assert_true(y.stage->bins.ambient_count == 8);
    for (int round = 0; round < 3*SETS; round++) {
        const float z = round % 3 == 2 ? -0.5f : 0.25f;   // below the floor, nothing arrives
        const lr_vertex v = {.i = PATH, .step = round % 2, .surface = &y.stage->scene->surface[y.stage->scene->object[1].material[0]], .scale = 0.7f,
                             .point = lr_v3f(-1.0f, -0.3f, z), .normal = lr_unitf(lr_v3f(1.0f, 0.2f, -0.5f)), .wo = lr_unitf(lr_v3f(0.7f, -0.3f, 0.6f))};
        four all = four_of_set(&y, &v, round % SETS, round);
        ask_evenly(&y, &v, &all);
        *(all.count == LR_SUNLIT_PICKS ? &all_four : all.count > 0 ? &fewer : &none) += 1;
        for (int k = 0; k < LR_SUNLIT_PICKS && all.count > 0; k++)
            spread = fmax(spread, all.worth[k]/all.total);
    }
    printf("four send something in %d rounds, fewer in %d, none in %d; one is worth up to %.3f of the four\n", all_four, fewer, none, spread);
    assert_true(all_four > 5 && fewer > 5 && none > 5 && spread > 0.8);
    sunny_destroy(&y);
}

// Four lie one in each quarter of a set, and all places of it come up.
static void four_are_spread_over_a_set(void **state)
{
    (void)state;
    sunny y;
    sunny_create(&y);
    y.job.sunlit = y.sunlit;
    const int count = y.sunlit->place_count;
    int *times = calloc((size_t)(SETS*count), sizeof *times);
    const lr_vertex v = {.i = PATH, .step = 1};
    for (int sample = 0; sample < 64*count; sample++) {
        lr_sunlit_picks picks;
        y.job.work->path.seed[PATH] = 5;
        y.job.work->path.pixel[PATH] = sample % 2;
        y.job.work->path.sample[PATH] = (uint32_t)(sample/2);
        lr_pick_sunlit(&y.job, &v, &picks);
        assert_true(picks.pick >= 0.0f && picks.pick < 1.0f);
        for (int k = 0; k < LR_SUNLIT_PICKS; k++) {
            const ptrdiff_t i = picks.place[k] - y.sunlit->place[0];   // the sets lie one behind the other
            assert_true(i >= 0 && i < SETS*count);
            assert_int_equal(i % count/(count/LR_SUNLIT_PICKS), k);
            assert_int_equal(i/count % 2, sample % 2);                  // halves know nothing of each other
            times[i]++;
        }
    }
    const double expected = 64.0*LR_SUNLIT_PICKS/SETS;
    double chi_square = 0.0;
    for (int i = 0; i < SETS*count; i++)
        chi_square += (times[i] - expected)*(times[i] - expected)/expected;
    printf("each place %.0f times or so: chi-square %.0f of at most %.0f\n", expected, chi_square, chi_square_limit(SETS*count - 1));
    assert_true(chi_square < chi_square_limit(SETS*count - 1));
    free(times);
    sunny_destroy(&y);
}

// ---- light ------------------------------------------------------------------------------------------------------------------

// Irradiance by the floor over that of the sun on a surface that faces it: rho sin(elevation) times the view factor, by the midpoint rule in double.
static double by_hand(const lr_gather_record *r)
{
    enum { CUTS = 600 };
    double view = 0.0;
    for (int i = 0; i < CUTS; i++)
        for (int j = 0; j < CUTS; j++) {
            const double x = HALF_X*((2*i + 1.0)/CUTS - 1) - (double)r->point.x, y = HALF_Y*((2*j + 1.0)/CUTS - 1) - (double)r->point.y, z = -(double)r->point.z;
            const double here = x*(double)r->normal.x + y*(double)r->normal.y + z*(double)r->normal.z, d2 = x*x + y*y + z*z;
            view += fmax(0.0, here)*-z/(LR_PI*d2*d2);
        }
    return REFLECTANCE*sin(50.0*LR_DEG)*view*4.0*HALF_X*HALF_Y/(CUTS*CUTS);
}

typedef struct estimate { double mean, variance; } estimate;   // variance: of the mean

static estimate mean_of(const double *value, int count)
{
    estimate e = {0.0, 0.0};
    for (int i = 0; i < count; i++)
        e.mean += value[i]/count;
    for (int i = 0; i < count; i++)
        e.variance += (value[i] - e.mean)*(value[i] - e.mean)/(count - 1.0)/count;
    return e;
}

// Links from one point to places of one set, asked by their chances or evenly. `square`: mean of a link's square.
static double link_set(const sunny *y, const lr_gather_record *r, int set, int chosen, double *square)
{
    const int asked = 16*y->sunlit->place_count;
    double sum = 0.0;
    *square = 0.0;
    for (int k = 0; k < asked; k++) {
        const float u = ((float)k + 0.5f)/(float)asked;
        float chance = 1.0f, often = 1.0f;
        lr_sunlit_link link;
        const lr_sunlit_place *p = chosen ? lr_sunlit_choose(&y->choice, set % 2, u, &chance, &often) : lr_sunlit_evenly(y->sunlit, set, u);
        if (!lr_sunlit_connect(p, often, r->point, r->normal, 1, &link))
            continue;
        sum += (double)(link.light[0]/chance)/asked;
        *square += pow((double)(link.light[0]/chance), 2)/asked;
    }
    return sum;
}

// Paths from there, drawn by the cosine, with the share that is left to them.
static double path_set(const sunny *y, const lr_gather_record *r, int set, int chosen)
{
    enum { PATHS = 16384 };
    const lr_frame3f frame = lr_frame_aroundf(r->normal);
    const lr_vec3f sun = y->stage->tracer->lights.sun_frame.z;
    double sum = 0.0;
    for (int k = 0; k < PATHS; k++) {
        float a, b, c, s;
        lr_sobol2((uint32_t)k, lr_hash(91, (uint32_t)set), &a, &b);
        lr_turnf(b, &c, &s);
        const float radius = sqrtf(a), up = sqrtf(1.0f - a);
        const lr_vec3f d = lr_frame_tof(frame, lr_v3f(radius*c, radius*s, up)), at = lr_madf(r->point, -r->point.z/d.z, d);
        if (!(d.z < 0.0f) || fabsf(at.x) > (float)HALF_X || fabsf(at.y) > (float)HALF_Y)
            continue;
        sum += REFLECTANCE*(double)(sun.z*lr_sunlit_found(y->sunlit, chosen ? &y->choice : NULL, set % 2, r->point, up/(float)LR_PI, at, lr_v3f(0.0f, 0.0f, 1.0f), sun))/PATHS;
    }
    return sum;
}

// Links and paths by themselves, each with its share, add up to what the floor sends. The sets' means tell the error; that sets are drawn so that
// together they are more even than each makes it smaller, if anything.
static void links_and_paths_make_the_light(void **state)
{
    (void)state;
    sunny y;
    sunny_create(&y);
    const lr_gather_record *r = &y.record[20];
    const double want = by_hand(r);
    double scatter[2] = {0.0, 0.0};
    for (int chosen = 0; chosen < 2; chosen++) {
        double link[SETS], path[SETS], square;
        for (int set = 0; set < SETS; set++) {
            weigh(&y, &y.job, set/2);
            link[set] = link_set(&y, r, set, chosen, &square);
            path[set] = path_set(&y, r, set, chosen);
            scatter[chosen] += (square - link[set]*link[set])/SETS;
        }
        const estimate links = mean_of(link, SETS), paths = mean_of(path, SETS);
        const double error = sqrt(links.variance + paths.variance);
        printf("%s: links %.5f +- %.5f, paths %.5f +- %.5f, both %.5f of %.5f, a link scatters by %.3f\n", chosen ? "chosen" : "evenly", links.mean, sqrt(links.variance),
               paths.mean, sqrt(paths.variance), links.mean + paths.mean, want, sqrt(scatter[chosen]));
        assert_near(links.mean + paths.mean, want, 5.0*error);
        assert_true(5.0*error < 0.03*want && paths.mean > 0.05*want && links.mean > 0.05*want);   // or it would say little
    }
    assert_true(scatter[1] < 0.25*scatter[0]);   // which is what choosing is for
    sunny_destroy(&y);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(are_asked_as_often_as_told),
        cmocka_unit_test(are_asked_less_where_hidden),
        cmocka_unit_test(shares_make_one),
        cmocka_unit_test(one_of_four_is_asked_by_its_worth),
        cmocka_unit_test(four_are_spread_over_a_set),
        cmocka_unit_test(links_and_paths_make_the_light),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
