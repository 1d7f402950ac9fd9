// SPDX-License-Identifier: Apache-2.0
// What one line of one camera sees: first hits, direct laser, ambient light. A line is one thread's work from start to end,
// and depends on nothing but (seed, module, camera, line).
#ifndef LR_TRACE_TRACER_H
#define LR_TRACE_TRACER_H

#include "trace/bvh.h"
#include "trace/lights.h"
#include "trace/rig.h"
#include "trace/sun_mirror.h"
#include "trace/sun_shade.h"

typedef struct lr_trace_def {  // start from lr_trace_def_default()
    uint64_t seed;
    int samples;               // parts a pixel and its exposure are cut into, each with a light path: 1 (the central ray), or even, 2 .. 65536
    int most_samples;          // up to so many where noise_ratio asks for more
    double noise_ratio;        // aim: error of the light by chance over the sensor's own noise, in 95 % of pixels; 0: `samples` everywhere
    int indirect_samples;      // light paths a pixel for the indirect laser, 0 .. 65536; 0: none
    int curve_rays;            // rays that find a laser's lit curve, 16 .. 1024
    double bounce_share;       // share of a pixel's paths that go on after the first hit, (0, 1]; the rest is made up by weight
    double faint_e;            // ambient light expected to give fewer electrons than this is asked for by chance; 0: always
    double faint_ratio;        // likewise below this share of the sensor's noise by the light found so far; the larger of the two counts; 0: none
    double indirect_ratio;     // a path for indirect laser light starts by chance where less than this share of the sensor's noise is expected; 0: always
    double faint_indirect_e;   // a path goes on for indirect laser light by chance where fewer electrons than this are expected; 0: always
    int gather_rows;           // of elevation over 180 degrees in the grid where ambient light is gathered; 0: none, all by paths
    int gather_paths;          // light paths from each of its points, even, 2 .. 2048
} lr_trace_def;
lr_trace_def lr_trace_def_default(void);
lr_status lr_trace_def_check(const lr_trace_def *def, lr_error *err);   // RANGE; lr_tracer_create asks it, too

#define LR_BLUNT_ALPHA 0.1f    // of lobes that send the sun's light to where it is gathered, at least: see trace/path.c

typedef struct lr_tracer {     // read-only while tracing
    lr_trace_def def;
    const lr_scene *scene;
    const lr_bvh *bvh;
    const lr_rig *rig;
    lr_lights lights;
    lr_sun_shade sun_shade;
    lr_sun_mirrors sun_mirrors;
    lr_surface white;          // matte with reflectance pi in every bin: radiance out = irradiance in
    lr_surface *blunt;         // (materials) the scene's surfaces with lobes of at least LR_BLUNT_ALPHA
    lr_surface *lobe;          // (materials) the scene's surfaces without what their lobes let through, where that can be told apart
    struct lr_gather *gather;  // or NULL; made by lr_tracer_gather
    struct lr_gloss *gloss;    // or NULL; likewise
    int measure;               // whether its workers time bare ray calls, see lr_trace_count; 0. Set before lr_tracer_gather to have that measured too
    float gather_error;        // added to the gathered light: this many times its error as the gathering itself shows it; 0
} lr_tracer;

// The same tracer for a second estimate of the same light by other paths: the difference of the two over sqrt(2) has the distribution of the
// error of one. Shares everything with `tracer`: not to be destroyed, and gone with it.
// The gathered light cannot be gathered twice; its two halves M + D and M - D tell its error, D, and the second estimate takes M - sqrt(2) D.
lr_tracer lr_tracer_again(const lr_tracer *tracer);

// Keeps the pointers: scene, bvh and rig must outlive it. The scene is baked to rig->bins. Errors: RANGE, MEMORY.
lr_status lr_tracer_create(const lr_trace_def *def, const lr_scene *scene, const lr_bvh *bvh, const lr_rig *rig, lr_tracer **out, lr_error *err);
void lr_tracer_destroy(lr_tracer *tracer);
// Gathers the room's ambient light (trace/gather.h, trace/gloss.h) if def.gather_rows is above 0 and there is any. `progress` may be NULL.
lr_status lr_tracer_gather(lr_tracer *tracer, int threads, int (*progress)(void *context, int64_t done, int64_t total), void *context, lr_error *err);

typedef enum lr_ray_kind {
    LR_RAY_CAMERA, LR_RAY_PARTNER, LR_RAY_LASER, LR_RAY_BOUNCE, LR_RAY_SUN, LR_RAY_SKY, LR_RAY_LAMP, LR_RAY_CONNECT, LR_RAY_KINDS
} lr_ray_kind;
extern const char *const lr_ray_kind_names[LR_RAY_KINDS];

// How many rays were traced; and, when `measure` is set, what bare calls for the same rays take (timed beside the real ones).
typedef struct lr_trace_count {
    int measure;
    int64_t rays[LR_RAY_KINDS];
    double bare_s[LR_RAY_KINDS];
    double aside_s;            // CPU time that timing them took in all: not part of the work
} lr_trace_count;

void lr_trace_count_add(lr_trace_count *sum, const lr_trace_count *one);

typedef struct lr_work lr_work;   // one worker's scratch
lr_status lr_work_create(const lr_tracer *tracer, lr_work **out, lr_error *err);
void lr_work_destroy(lr_work *work);
lr_trace_count *lr_work_count(lr_work *work);

enum {  // bits of lr_line_truth.flags
    LR_FLAG_LIT = 1,            // a laser of the module reaches it: in the fan, within the sheet's 1/e^2 width, unshadowed
    LR_FLAG_SEEN_BY_PARTNER = 2, // unshadowed and in the field of the partner camera
    LR_FLAG_EDGE = 4,           // a neighbouring pixel of the line sees something more than 2 % nearer or farther than this surface's plane
    LR_FLAG_IN_MOTION = 8,      // on an object that moves
    LR_FLAG_BEHIND_PANE = 16    // seen through at least one pane
};

// One camera line; every array (pixels) unless said.
typedef struct lr_line_truth {
    float *range_m;       // along the pixel's central ray at mid-exposure; +inf: nothing. Panes are looked through.
    float *normal;        // (pixels x 3) world, turned to the camera; NaN where nothing
    int32_t *object;      // label, 0: nothing
    uint16_t *material;   // index of the scene's material + 1, 0: nothing
    float *partner;       // pixel coordinate in the partner camera; NaN: outside its field or nothing hit
    uint8_t *flags;
} lr_line_truth;

typedef struct lr_line_light { float *direct, *indirect, *sun, *sky, *lamp; } lr_line_light;  // expected electrons

// `partner`: index of the other camera in the module, or -1. Any array of `truth` and `light` may be NULL.
void lr_trace_line(const lr_tracer *tracer, lr_work *work, int module, int camera, int partner, int64_t line,
                   const lr_line_truth *truth, const lr_line_light *light);

#endif
