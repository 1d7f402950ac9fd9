// SPDX-License-Identifier: Apache-2.0
// What the files of the ambient light paths share. Private to trace/path.c, trace/path_ask.c, trace/path_draws.c, trace/gather_paths.c, trace/matte.c
// and trace/penumbra.c.
#ifndef LR_TRACE_PATH_H
#define LR_TRACE_PATH_H

#include "trace/gather.h"
#include "trace/surface_eval.h"
#include "trace/work.h"

// Random numbers of one step. The first few are drawn for many vertices at once.
enum { LR_DIM_SUN, LR_DIM_SKY, LR_DIM_LAMP, LR_DIM_CHOICE, LR_DIM_BOUNCE, LR_DIM_LOBE, LR_DIMS_AHEAD,
       LR_DIM_FAINT = LR_DIMS_AHEAD, LR_DIM_FAINT_SUN, LR_DIM_FAINT_SKY, LR_DIM_FAINT_LAMP, LR_DIMS };
enum { LR_DIM_SUNLIT = 1 << 16, LR_DIM_FAINT_SUNLIT, LR_DIM_SUN_SEVERAL,   // further ones, beyond those of any step
       LR_DIM_ALWAYS };   // none: what is faint is asked for, too

// Numbers of vertices visited one after the other; the last are those of LR_DIM_SUNLIT.
typedef struct lr_draws { float u[LR_DIMS_AHEAD + 1][LR_GATHER_LOOKS], v[LR_DIMS_AHEAD + 1][LR_GATHER_LOOKS]; } lr_draws;

typedef struct lr_vertex {   // a surface reached by path i
    int i, step;
    const lr_draws *draws;   // its random numbers, those of `place`; NULL: not drawn yet
    int place;
    const lr_surface *surface;
    float scale;
    lr_vec3f point, normal, wo;
    float lamp_weight;       // sum over lamps
    float per_m;             // 1/distance to where the light that is asked for from here comes from; 0: that of the path
} lr_vertex;

// A shadow ray to lamp `l`, picked with `weight` of v->lamp_weight; `third` chooses the place on it, and the answer is multiplied by
// `faint`. `drawn`: the surface, or its lobe, by which a ray drawn from here looks for lamps too; NULL: none does.
void lr_ask_lamp_at(const lr_line_job *job, const lr_vertex *v, const lr_lit_lamp *l, float weight, float third, float faint, const lr_surface *drawn);

// Whether random numbers of a path are hashes, as one sample needs no even spread; else points of a sequence.
static inline int lr_path_alone(const lr_line_job *job)
{
    return !job->gathered && job->tracer->def.samples == 1 && !(job->tracer->def.noise_ratio > 0.0);
}

// Two numbers in [0, 1) for each of some paths, by their seeds and samples. A single sample needs no even spread over samples: hashes do.
void lr_draw_many(const lr_line_job *job, int count, const uint32_t *seed, const uint32_t *sample, uint32_t dim, float *u, float *v);

// Those of a step.
static inline __attribute__((always_inline)) void lr_draw2(const lr_line_job *job, const lr_vertex *x, int dim, float *u, float *v)
{
    const lr_path_state *path = &job->work->path;
    if (x->draws && (dim < LR_DIMS_AHEAD || dim == LR_DIM_SUNLIT)) {
        const int k = dim == LR_DIM_SUNLIT ? LR_DIMS_AHEAD : dim;
        *u = x->draws->u[k][x->place];
        *v = x->draws->v[k][x->place];
        return;
    }
    const uint32_t key = lr_hash(path->seed[x->i], (uint32_t)(x->step*LR_DIMS + dim));
    if (lr_path_alone(job)) {
        *u = lr_uniform(key);
        *v = lr_uniform(lr_hash(key, 1));
        return;
    }
    lr_sobol2(path->sample[x->i], key, u, v);
}

// Ambient light expected to give fewer electrons than this is asked for by chance.
static inline float lr_faint_e(const lr_line_job *job, int pixel)
{
    const float least = (float)job->tracer->def.faint_e, ratio = (float)job->tracer->def.faint_ratio;
    return ratio > 0.0f ? lr_maxf(least, ratio*lr_job_noise_e(job, pixel)) : least;
}

// Just above the surface, on the side that `wi` points to.
static inline lr_vec3f lr_offset_start(const lr_vertex *v, lr_vec3f wi)
{
    return lr_madf(v->point, lr_dotf(v->normal, wi) >= 0.0f ? LR_OFFSET_M : -LR_OFFSET_M, v->normal);
}

static inline int lr_has_lobe(const lr_surface *s) { return !lr_surface_is_matte(s) && s->alpha_x > 0.0f; }

// Adds throughput x geometry x the source's electrons, over bins, to one part of a pixel. `per_m`: see lr_path_state.
void lr_add_light(const lr_line_job *job, int part, int source, int pixel, const float *throughput, int stride, float geometry, float per_m);

// Shadow rays from `v` to a place on the sun, to the sky through an opening, to one lamp: into the queues.
void lr_ask_sun(const lr_line_job *job, const lr_vertex *v);            // straight and in mirrors
void lr_ask_mirrored_sun(const lr_line_job *job, const lr_vertex *v);   // in mirrors only
void lr_ask_sky(const lr_line_job *job, const lr_vertex *v);
void lr_ask_lamp(const lr_line_job *job, lr_vertex *v, const lr_surface *drawn);
// To the place (a, b) of the sun's disc, a and b in 0 .. 1, for `share` of its light.
void lr_ask_sun_at(const lr_line_job *job, const lr_vertex *v, float a, float b, float share);
// From where a path goes on to a place in sunlight: one of those picked, which are on their way from memory; trace/gather_paths.c
#define LR_SUNLIT_PICKS 4
typedef struct lr_sunlit_picks { const struct lr_sunlit_place *place[LR_SUNLIT_PICKS]; float pick; } lr_sunlit_picks;
void lr_pick_sunlit(const lr_line_job *job, const lr_vertex *v, lr_sunlit_picks *picks);
void lr_ask_sunlit(const lr_line_job *job, const lr_vertex *v, const lr_sunlit_picks *picks);
// A shadow ray from `v`, and what arrives if it is free: the path's throughput times f times factor, for each bin. `dim`: of the
// numbers by which it is left to chance where that is faint, or LR_DIM_ALWAYS.
void lr_queue_shadow(const lr_line_job *job, lr_shadow_queue *q, const lr_vertex *v, lr_vec3f wi, const float *f, float factor, float t_far, int source, int dim);
int lr_queue_place(const lr_line_job *job, lr_shadow_queue *q);    // for one more ray, after tracing all if there is none
void lr_trace_shadows(const lr_line_job *job, lr_shadow_queue *q);
void lr_add_shadows(const lr_line_job *job, lr_shadow_queue *q);   // what arrives by a queue that was traced; empties it
void lr_collect_shadows(const lr_line_job *job);   // traces all three queues and adds what arrives

void lr_go_on(const lr_line_job *job, const lr_vertex *v);   // draws the path's next direction and keeps it there
// Path i goes on, in the batch that is being made.
void lr_keep_path(const lr_line_job *job, int i, const float *factor, lr_vec3f origin, lr_vec3f direction, float pdf, lr_vec3f chosen_at, float lamp_weight, int medium);
void lr_swap_paths(lr_work *work);                 // that batch is the one in hand
// To the end of all paths in hand. The rays of the first step 0 have their answers already.
void lr_run_paths(const lr_line_job *job, int first_step);

// Where the paths of the chunk start, those on matte surfaces at rest whose light is gathered end at once: what they get, and
// their shadow rays to sun and lamps, for many pixels together. Sets work->done of those; the others are to be visited.
void lr_matte_light(const lr_line_job *job);
// `rays` from each of those in `slot`, spread over the sun's disc, instead of the one.
void lr_matte_ask_sun(const lr_line_job *job, const int32_t *slot, int count, int rays);
// Where the paths of the chunk start: traces the rays to the sun, adds what arrives, and asks again where one is too few; trace/penumbra.c
void lr_calm_sun(const lr_line_job *job);

#endif
