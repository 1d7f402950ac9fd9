// SPDX-License-Identifier: Apache-2.0
// Scratch of one worker, and the helpers that the kinds of light share. Private to trace/.
#ifndef LR_TRACE_WORK_H
#define LR_TRACE_WORK_H

#include <math.h>

#include "core/rng.h"
#include "trace/tracer.h"

#define LR_CHUNK_PIXELS 512    // pixels of a line worked on together: their rays stay in the second-level cache
#define LR_CHUNK_RAYS 2048     // rays of one batch, at least LR_CHUNK_PIXELS
#define LR_OFFSET_M 2e-5f      // start of a ray above the surface it leaves: clears float rounding up to 40 m
#define LR_MAX_PANES 16        // panes looked through in a row

struct lr_gather;
struct lr_gather_record;
struct lr_sunlit;
struct lr_sunlit_choice;
struct lr_sunlit_notes;

enum { LR_STRAIGHT = 1, LR_TO_LAMPS };

typedef struct lr_path_state {   // (LR_CHUNK_RAYS) each
    int32_t *pixel;
    uint32_t *seed;
    uint32_t *sample;
    float *pdf;                  // of the last direction [1/sr]; 0: mirror-like or from the camera
    float *lamp_weight;          // sum of lamp weights where the last direction was chosen
    float *vx, *vy, *vz;         // where it was chosen
    float *throughput;           // (LR_MAX_AMBIENT_BINS x LR_CHUNK_RAYS)
    float *per_m;                // of a path from a point of the room: 1/length of its first leg; 0: not known
    uint8_t *blurred;            // a surface that blurs what it sends lies on its way: what is mirrored or bundled beyond it may be blurred, too
    uint8_t *by_mirror;          // the last it met, past panes at most, is a mirror in which the surface before has looked for the sun already (trace/sun_mirror.h)
    uint8_t *straight;           // on its way, past panes at most, LR_STRAIGHT: from the point of the room where it started; LR_TO_LAMPS: to lamps only; or 0
    int32_t *medium;             // object of solid glass the path is in, -1: air
} lr_path_state;

typedef struct lr_shadow_queue { // rays towards one kind of source, and what arrives if they are free
    lr_rays rays;
    int32_t *path;               // index of the path in its batch
    int32_t *source;             // of lamps: index into sources
    uint8_t *legs;               // 2: the next ray goes on where this one ends, and light comes if both are free; else 1
    float *per_m;                // likewise
    float *weight;               // (LR_MAX_AMBIENT_BINS x LR_CHUNK_RAYS)
} lr_shadow_queue;

typedef struct lr_met {          // the surface that a ray of the batch ends on; NULL: nothing
    const lr_surface *surface;
    float scale;
    int material;
} lr_met;

typedef struct lr_central { int32_t object; const lr_surface *surface; lr_vec3f normal; } lr_central;   // what a pixel's central ray met; NULL: nothing

// One part of each of some pixels of the chunk, all at one moment; see trace/parts.c. Slot k of work->rays is the ray of pixel[k].
typedef struct lr_part_batch {
    int count, number;
    int tells_lit;               // whether a laser reaches it counts for LR_FLAG_LIT
    float low, high;             // the stretch along the pixel that it stands for, in 0 .. 1
    float dt_s;                  // after mid-exposure
    int32_t *pixel;              // of the chunk; all (LR_CHUNK_PIXELS)
    float *along, *across;       // where the ray is in its pixel
    lr_vec3f *pupil;             // where on the pupil it starts
} lr_part_batch;

typedef struct lr_sight { int32_t object; uint32_t blocked; lr_vec3f normal; } lr_sight;   // what a part met; blocked: a bit a laser

#define LR_SAME_SIDE 0.95f     // cosine between normals above which two hits on one object are alike

static inline int lr_sights_differ(const lr_sight *a, const lr_sight *b)
{
    return a->object != b->object || a->blocked != b->blocked || (a->object >= 0 && lr_dotf(a->normal, b->normal) < LR_SAME_SIDE);
}

// Parts of one half of a pixel that see the same: their light is about alike, so the share of them counts more than each one's own.
typedef struct lr_kind {
    int32_t object, material;
    int32_t primitive;                    // that of the first part
    int32_t next;                         // in lr_settle.kind of the same half, 0: none
    lr_vec3f normal;
    int seen, rendered, lit;              // parts; lit: sum over those rendered of lasers that reach them
    uint8_t even, more, rest;             // even: light goes with the texture's factor alone. more: all that come are to be rendered. rest: whatever else there is
    float scale, scale_square;            // sums over those seen of the texture's factor, 1 where not even, and its square
    float part_scale, part_square, cross, square;   // over those rendered: of the factor, its square, times electrons; of electrons squared
    float total[5];                       // over those rendered: electrons of the light's parts
} lr_kind;

#define LR_KINDS 8             // of a half, at most

typedef struct lr_settle {       // of each pixel of the chunk, over its parts so far
    lr_sight sight[2][LR_CHUNK_PIXELS];   // of the last part rendered
    float ambient[2][LR_CHUNK_PIXELS], electrons[2][LR_CHUNK_PIXELS];   // of it: without and with direct laser light
    float jump[LR_CHUNK_PIXELS];          // electrons between parts near it that saw different things
    float square[LR_CHUNK_PIXELS];        // sum over pairs rendered of (half their halves' difference in ambient light) squared
    int squares[LR_CHUNK_PIXELS];         // such pairs
    int rendered[2][LR_CHUNK_PIXELS];     // the last pair whose half was rendered, from 1
    int pairs[LR_CHUNK_PIXELS];
    int kind_count[2][LR_CHUNK_PIXELS];
    int32_t list[LR_CHUNK_PIXELS];        // pixels that want another pair
    int32_t owner[LR_CHUNK_PIXELS];       // kind of each part of the batch
    uint8_t sun[LR_CHUNK_PIXELS];         // what shadow rays of earlier parts found: see trace/penumbra.c
    int kinds;                            // of all: the first 2 LR_CHUNK_PIXELS are the first kinds of each half
    lr_kind kind[2*LR_KINDS*LR_CHUNK_PIXELS];
} lr_settle;

typedef struct lr_lit { uint16_t parts, of; } lr_lit;   // parts of a pixel that a laser reaches, of how many

struct lr_work {
    lr_rays rays, next;          // the batch in hand, and the one being made
    lr_rays again;               // rays sent on behind panes
    int32_t *again_index;
    lr_path_state path, path_next;
    lr_shadow_queue sun, sky, lamp;
    lr_rays shadow;              // laser and partner shadows
    int32_t *shadow_index;
    float *shadow_value;
    float *pass;                 // what panes let through, (LR_MAX_BINS x LR_CHUNK_RAYS)
    uint8_t *behind;             // looked through a pane (LR_CHUNK_RAYS)
    lr_central central[LR_CHUNK_PIXELS];
    lr_met *met;                 // of the batch's rays (LR_CHUNK_PIXELS)
    uint8_t done[LR_CHUNK_PIXELS];   // of the batch's rays: its path has ended
    lr_part_batch part;
    lr_settle settle;
    lr_lit *lit;                 // (LR_CHUNK_PIXELS)
    float *sums;                 // (5 x LR_CHUNK_PIXELS): direct, indirect, sun, sky, lamp of the chunk
    struct lr_indirect *indirect;   // trace/indirect.h
    lr_trace_count count;
};

enum { LR_PART_DIRECT, LR_PART_INDIRECT, LR_PART_SUN, LR_PART_SKY, LR_PART_LAMP, LR_PARTS };

// One line of one camera being worked on.
typedef struct lr_line_job {
    const lr_tracer *tracer;
    lr_work *work;
    const lr_rig_module *module;
    const lr_rig_camera *camera;
    const lr_rig_camera *partner;   // or NULL
    lr_rig_moment moment;           // mid-exposure
    lr_vec3f origin;                // of the camera's rays, module frame
    lr_vec3f to_world[3], axis, pivot, arm;   // the moment in float: columns of the rotation; arm = camera - pivot, all in the world
    float rate, time;
    uint32_t seed;                  // of (seed, module, camera, line)
    int first, count;               // chunk of pixels in hand
    float *gathered;                // not NULL: paths start from points of the room, not from pixels; their irradiance goes here
    int all_light;                  // with it: also what sun and lamps send straight
    const struct lr_gather *known;  // gathered light that paths may take; or NULL
    struct lr_gather *const *gloss; // what lobes send to the camera from either side of the axis, see trace/gloss.h; or NULL
    lr_vec3f ahead;                 // from the axis to where the camera's front looks
    struct lr_gather_near *near;    // with `gathered`: light by where it comes from, (points x sources); or NULL
    float *nearness;                // with `gathered`: sum over paths of 1/distance to what they meet first
    int paths, links;               // with `gathered`: from each point; the first so many of the paths ask a sunlit place too
    const struct lr_sunlit *sunlit; // places in sunlight that paths ask where they go on; or NULL
    const struct lr_sunlit_choice *choice; // of those, for links
    struct lr_sunlit_notes *notes;  // where to note what sunlight the paths found; or NULL
} lr_line_job;

// Trace and count one batch.
void lr_work_intersect(const lr_line_job *job, lr_rays *rays, lr_ray_order order, lr_ray_kind kind);
void lr_work_occluded(const lr_line_job *job, lr_rays *rays, lr_ray_order order, lr_ray_kind kind);
// The same, and rays->panes.
void lr_work_occluded_panes(const lr_line_job *job, lr_rays *rays, lr_ray_order order, lr_ray_kind kind);
// Replaces hits on panes by what lies behind them; multiplies work->pass (starts at 1) and sets work->behind.
void lr_work_look_through(const lr_line_job *job, lr_rays *rays, lr_ray_order order);

// Where the camera is and how it is turned `dt_s` after mid-exposure: origin of its rays, and columns of the rotation, in the world.
typedef struct lr_job_pose { lr_vec3f origin, column[3]; float time_s; } lr_job_pose;
lr_job_pose lr_job_pose_at(const lr_line_job *job, float dt_s);
// A place on the pupil for the two numbers u, v in 0..1: offset from its middle, module frame; 0 for a pinhole.
lr_vec3f lr_job_pupil(const lr_line_job *job, int pixel, float u, float v);
// `direction` as seen from that place: to where the ray from the middle is in focus, focus_m away.
static inline lr_vec3f lr_job_bent(const lr_line_job *job, lr_vec3f direction, lr_vec3f pupil)
{
    return job->camera->pupil ? lr_madf(direction, -1.0f/(float)job->camera->def->lens.focus_m, pupil) : direction;
}
// The camera ray of a sample that starts on the pupil; `direction` (module frame, about unit length) is that from its middle.
void lr_job_pupil_ray(const lr_line_job *job, lr_rays *rays, int slot, lr_vec3f direction, lr_vec3f pupil, const lr_job_pose *pose);
#define LR_DIM_PUPIL 0x7075u     // dimension of the pupil's numbers, beyond those of any step
// The sensor's noise in a pixel of the chunk [e], by the light found so far.
static inline float lr_job_noise_e(const lr_line_job *job, int i)
{
    float light = 0.0f;
    for (int part = 0; part < LR_PARTS; part++)
        light += job->work->sums[part*LR_CHUNK_PIXELS + i];
    return sqrtf(job->camera->floor_e2 + light);
}
// Direction between two pixel edges, `along` in 0..1 down the pixel, `across` in pixel widths.
static inline lr_vec3f lr_job_direction(const lr_line_job *job, int pixel, float along, float across)
{
    const lr_vec3f a = job->camera->edge[pixel], b = job->camera->edge[pixel + 1], w = job->camera->across[pixel];
    return lr_madf(lr_madf(lr_mulf(a, 1.0f - along), along, b), across, w);
}

static inline lr_vec3f lr_rays_origin(const lr_rays *r, int i) { return lr_v3f(r->ox[i], r->oy[i], r->oz[i]); }
static inline lr_vec3f lr_rays_direction(const lr_rays *r, int i) { return lr_v3f(r->dx[i], r->dy[i], r->dz[i]); }
static inline lr_vec3f lr_rays_normal(const lr_rays *r, int i) { return lr_v3f(r->nx[i], r->ny[i], r->nz[i]); }
static inline lr_vec3f lr_rays_point(const lr_rays *r, int i)
{
    return lr_madf(lr_rays_origin(r, i), r->t[i], lr_rays_direction(r, i));
}
static inline void lr_rays_set(lr_rays *r, int slot, lr_vec3f o, lr_vec3f d, float t_near, float t_far, float time_s)
{
    r->ox[slot] = o.x; r->oy[slot] = o.y; r->oz[slot] = o.z;
    r->dx[slot] = d.x; r->dy[slot] = d.y; r->dz[slot] = d.z;
    r->t_near[slot] = t_near; r->t_far[slot] = t_far;
    r->time_s[slot] = time_s;
}
// Copies the question (not the answer) of ray `from` into slot `to`.
void lr_rays_copy(lr_rays *target, int to, const lr_rays *source, int from);
void lr_rays_copy_answer(lr_rays *target, int to, const lr_rays *source, int from);   // what it met

// The parts of a line.
void lr_first_hits(const lr_line_job *job);                                // trace/first_hit.c: central rays into work->rays, panes looked through
void lr_meet_surfaces(const lr_line_job *job, int count);                  // trace/first_hit.c: work->met of the first `count` rays
void lr_store_truth(const lr_line_job *job, const lr_line_truth *truth);   // trace/first_hit.c: right after lr_first_hits
void lr_store_lit(const lr_line_job *job, const lr_line_truth *truth);     // trace/first_hit.c: after lr_direct_laser
void lr_render_parts(const lr_line_job *job);                              // trace/parts.c: direct and ambient light into work->sums; after lr_first_hits
void lr_direct_laser(const lr_line_job *job);                              // trace/lit_curve.c: of work->part, added to work->sums
void lr_ambient_paths(const lr_line_job *job);                            // trace/path.c: likewise; uses up work->rays

// Irradiance and reach of `count` points (at most LR_CHUNK_PIXELS) in two parts, from every other
// of an even number of paths each; out (count x 2 x sources x ambient bins) adds up to the irradiance. near (count x sources) or NULL.
void lr_gather_paths(lr_line_job *job, struct lr_gather_record *record, int count, int paths, float *out, struct lr_gather_near *near);  // trace/gather_paths.c
// Points of one coat share their light: 0: matte; above: of this surface; -1: no light is gathered for it. trace/gather.c
int lr_gather_coat(const lr_scene *scene, const lr_surface *surface);

#endif
