// SPDX-License-Identifier: Apache-2.0
// Indirect laser light: everything a laser of the module sends into a pixel but its direct light. Private to trace/.
//
// Sheets. In one exposure only the lit curve sends light. It is found once a line, from the laser: a fan of rays, specular
// chains followed (mirrors, panes, glass, smooth coats; each parts the light, nothing is left to chance), gives straight
// lit pieces of known power. From every surface that a camera path reaches, one connection goes to the curve: piece by its
// unshadowed worth (weighed once for neighbouring pixels on a flat surface), place on it by power, or close by as 1/d^2 asks for (equiangular), so that nothing grows without bound in
// a corner. The path then goes on in a direction drawn from the surface, and ends by chance alone.
// A path that falls right beside the curve would find it too bright: what the curve sends less than about LR_NEAR_M far and then on
// farther than that, and what it sends less than LR_CLOSE_M far and on to a path's first surface, is found from the laser instead, as lit points of a second
// landing. The two shares of each way add up to one.
// What a connection cannot reach, light that comes from a matte surface by way of a mirror or glass, is met by the path itself;
// there the thin sheet is widened, see SHEET_SPREAD in indirect.c.
// Floods. The ordinary way: a shadow ray to the laser from every surface of a path but the one that the direct light counts.
// Light of a flood that comes to a surface by way of a mirror or glass is found from the laser as well: patches between the rays
// of a grid stand for it, as pieces do for a sheet.
//
// The room and the head are held still at mid-exposure.
// Sources: Kulla & Fajardo, Importance Sampling Techniques for Path Tracing in Participating Media, EGSR 2012 (equiangular);
//          Talbot, Cline & Egbert, Importance Resampling for Global Illumination, EGSR 2005 (choice among candidates);
//          Veach, Robust Monte Carlo Methods for Light Transport Simulation (1997), ch. 10 (paths).
#ifndef LR_TRACE_INDIRECT_H
#define LR_TRACE_INDIRECT_H

#include "trace/work.h"

#define LR_CURVE_PIECES 16384  // most lit pieces of one line: a whole flood by way of one mirror
#define LR_LIT_POINTS 8192     // most ends of a fan's rays
#define LR_FAN_RAYS 8192       // most of them on their way at once
#define LR_NEAR_M 0.1f
#define LR_CLOSE_M 0.005f      // in folds and edges both ways are short
#define LR_FAN_NODES 4096      // table of fan angle over share of power

// A straight bit of the lit curve: a + s e, s in 0..1, on one plane. Or, of a flood, a patch: a + s e + q across, s and q in 0..1.
typedef struct lr_lit_piece {
    lr_vec3f a, e;
    lr_vec3f normal;             // unit, on the lit side
    lr_vec3f across;             // one sigma of the sheet's Gaussian on the surface; the patch's other side
    lr_vec3f in0, in1;           // unit, where light comes from, at both ends
    float r0, r1;                // lengths of the light's way: places in between follow from both
    float u0, u1;                // shares of the laser's power up to its ends
    float power_w;               // that arrives
    int laser;
    int chained;                 // light came by way of a mirror or glass
    int patch;
    float held;                  // of a second landing: see lr_ramp in indirect_gather.c
    int32_t object;
    const lr_surface *surface;
    float scale;                 // its texture's value
} lr_lit_piece;

// Pieces as the choice needs them, in arrays (LR_CURVE_PIECES + 16): middles, half extents, normals, power x matte albedo, how near (squared) is
// near; where light comes from, power x strength of the lobe, its alpha squared; what a second landing holds of short ways.
typedef struct lr_glow_table { float *mx, *my, *mz, *hx, *hy, *hz, *nx, *ny, *nz, *glow, *reach2, *ix, *iy, *iz, *lobe, *alpha2, *held; } lr_glow_table;
#define LR_GLOW_FIELDS 17

typedef struct lr_lit_curve {
    int count;
    int chained;                         // some piece is chained
    lr_lit_piece piece[LR_CURVE_PIECES];
    lr_glow_table glow;                  // of pieces
    // Up to 16 neighbours on one plane, seen from afar as one.
    lr_glow_table group;
    int group_count;
    int first_piece[LR_CURVE_PIECES + 1];      // of group g: first_piece[g] .. first_piece[g + 1]
    uint8_t shiny[LR_CURVE_PIECES];            // of group g: some piece has a lobe
    int first_group[LR_MAX_LASERS + 1];        // of laser l: first_group[l] .. first_group[l + 1]
    int second_group[LR_MAX_LASERS];           // of them, from here on points of a second landing (patches without size)
} lr_lit_curve;

typedef struct lr_fan_table { float *alpha_rad; } lr_fan_table;  // (LR_FAN_NODES + 1), even in power

typedef struct lr_fan_ray {      // a ray of the fan on its way
    int32_t step;                // which of the fan
    uint32_t chain;              // hash of what it met so far
    int32_t medium;              // object of solid glass it is in, or -1
    float weight;                // share of its power that is left
    float length;                // of its way before this leg
    float u, v;                  // share of power; of a grid: shares of azimuth and elevation
    lr_vec3f side;               // across the sheet, unit
    int chained;
} lr_fan_ray;

typedef struct lr_lit_point {    // where a ray of the fan ends
    lr_fan_ray ray;
    lr_vec3f point, normal, direction;
    float length;                // whole way
    int32_t object;
    const lr_surface *surface;
    float scale;
} lr_lit_point;

typedef struct lr_ipath_state {  // camera paths (LR_CHUNK_RAYS)
    int32_t *pixel;
    uint32_t *seed, *sample;
    int32_t *kind;               // enum in indirect.c
    int32_t *medium;
    float *chance;               // of its start; what came by it counts that much more
    float *length;               // way since the last surface that scattered
    lr_vec3f *across;            // the pixel's width at unit distance, world; flat mirrors turn it
    float *at_across;            // where in it the path is, -0.5 .. 0.5
    float *throughput;           // (LR_MAX_LASERS x LR_CHUNK_RAYS), with the camera's response
} lr_ipath_state;

enum { LR_FIRST, LR_NEXT, LR_LATER };

// A surface that a path reached.
typedef struct lr_receiver {
    lr_vec3f point, normal, wo;          // wo: back along the path, unit
    const lr_surface *surface;
    float scale;
    int32_t object;
    lr_vec3f pixel_across;               // on the surface's plane per pixel width, for the first surface; else 0
    float before_m;                      // straight way, panes at most, from the surface before that scattered; 0: there is none, or a mirror or glass on it
    int place;                           // on the path: LR_FIRST its first surface, LR_NEXT straight from that one if it has no lobe, or LR_LATER
    float at_across;                     // where in the pixel's width `point` is, -0.5 .. 0.5
    float factor[LR_MAX_LASERS];         // what an unit of radiance counts
} lr_receiver;

// How a surface looks to the choice of pieces: a matte share and one lobe of facets, as a share of what comes in.
typedef struct lr_look { float matte, lobe, alpha2; } lr_look;
lr_look lr_look_of(const lr_surface *surface, float scale, int bin);   // trace/indirect_gather.c

// The choice among all groups, made for one point: the same for points near it on the same flat surface, where no piece is near.
// What is chosen is divided by its chance, so a choice made elsewhere is right as long as it leaves nothing out.
#define LR_CHOICE_BLOCKS (LR_CURVE_PIECES/16 + 2*LR_MAX_LASERS)
typedef struct lr_worths {
    const lr_lit_curve *curve;
    const lr_receiver *x;               // the point in hand
    lr_vec3f made_at, normal;           // where the choice was made
    const lr_surface *made_on;
    int32_t object;
    float slack_m;                      // it holds this far around; 0: for that point alone
    float *worth;                       // of groups (LR_CURVE_PIECES + 16)
    float block[LR_CHOICE_BLOCKS];
    int start[LR_CHOICE_BLOCKS], end[LR_CHOICE_BLOCKS], laser[LR_CHOICE_BLOCKS], second[LR_CHOICE_BLOCKS];
    int blocks;
    float total, near;                  // of worth; near: of groups that are near beside slack_m, see SHARE_APART in indirect_gather.c
    float near2, soft2;
    float offset_sigma, offset_patch;   // place across the pieces: of sheets in sigmas, of patches in sides
    lr_look look[LR_MAX_LASERS];        // of the point's surface
} lr_worths;

typedef struct lr_indirect {
    lr_fan_table fan[LR_MAX_MODULES][LR_MAX_LASERS];
    int module;                  // of the curve in hand; -1: none
    double time_s;
    uint64_t seed;
    lr_lit_curve curve;
    lr_fan_ray *fan_ray, *fan_next;      // (LR_FAN_RAYS)
    lr_lit_point *lit;                   // (LR_LIT_POINTS)
    int lit_count;
    float lit_least, leg_least, next_least;   // least weights: of what landed, of what goes on from this leg before and after thinning
    uint32_t draws;                      // of chances to live on, so far
    int has_smooth;                      // the room has a surface that mirrors
    lr_rays rays, next, shadow;          // rays and next: LR_FAN_RAYS
    lr_ipath_state path, path_next;
    int32_t *shadow_pixel, *shadow_laser;
    float *shadow_value;
    lr_worths worths;
    uint8_t probe[LR_CHUNK_PIXELS];      // whether a pixel is followed always; see trace/indirect_start.c
    int start_count;                     // pixels of the chunk where paths start, how many, and with what chance
    int start[LR_CHUNK_PIXELS], start_paths[LR_CHUNK_PIXELS];
    float start_chance[LR_CHUNK_PIXELS];
    float expected[LR_CHUNK_PIXELS];     // about what comes to a pixel that was followed by its first surface [e]
} lr_indirect;

lr_status lr_indirect_create(const lr_tracer *tracer, lr_indirect **out, lr_error *err);
void lr_indirect_destroy(lr_indirect *indirect);

float lr_fan_angle(const lr_fan_table *fan, float u);   // fan angle below which the share u of the power lies

// Whether some light is mirrored or bent without spread; panes do not count.
static inline int lr_surface_is_smooth(const lr_surface *s)
{
    return (s->specular && !s->clear) || (s->kind == LR_MATERIAL_COATED && !(s->alpha_x > 0.0f));
}

// Fans and floods from the laser, and what they share. Private to indirect_curve.c, indirect_chain.c and indirect_flood.c.
typedef struct lr_fan {          // one laser's fan being followed
    const lr_line_job *job;
    const lr_rig_laser *laser;
    int index, steps;
    uint32_t seed;
    lr_pose pose;                // laser to world
    int end;                     // pieces up to here are this laser's
    float u[1025];               // share of power below each ray
} lr_fan;
void lr_fan_follow(const lr_fan *fan);   // trace/indirect_chain.c: in->rays and in->fan_ray into in->lit, sorted by chain and step
void lr_fan_thin(const lr_fan *fan);     // fewer in->lit that count more, still sorted
const lr_lit_point *lr_fan_find(const lr_indirect *in, uint32_t chain, int step);   // after lr_fan_follow; NULL: not there
#define LR_FAN_BESIDE 4096       // step of the ray that goes one sigma beside ray `step` of a fan, where that one meets a mirror or glass
void lr_second_landings(const lr_fan *fan, int first);   // trace/indirect_second.c: from pieces `first` on
void lr_flood_patches(const lr_fan *fan);  // trace/indirect_flood.c
lr_lit_piece *lr_fan_piece(const lr_fan *fan);   // trace/indirect_curve.c: a new one, all zero; NULL: there is no more room

// Makes the curve of the job's module and line, unless it is the one in hand.
void lr_lit_curve_make(const lr_line_job *job);          // trace/indirect_curve.c

typedef struct lr_connection {
    lr_vec3f from, to;                   // clear of both surfaces
    float value;                         // what arrives if the way is free
    float expected;                      // about what the whole curve would send if all ways were free
    int laser;
} lr_connection;
// A place on a piece of a sheet: u in [0, 1) of its power, sigmas off. `in`: unit, where light comes from.
void lr_lit_piece_place(const lr_lit_piece *piece, const lr_fan_table *fan, float u, float sigmas, lr_vec3f *point, lr_vec3f *in);
// One connection to the curve. `random`: 6 numbers in [0, 1), then a key for more. Returns 0 if nothing can arrive.
int lr_lit_curve_connect(lr_indirect *indirect, const lr_rig_module *module, const lr_receiver *x, const float random[6], uint32_t key,
                         lr_connection *out);            // trace/indirect_gather.c
// Light of chained pieces right at x, times factor. `over_pixel`: averaged over the pixel's width. `spread_m`: widens the sheet.
float lr_lit_curve_at(const lr_indirect *indirect, const lr_rig_module *module, const lr_receiver *x, int over_pixel, float spread_m);

void lr_indirect_probes(const lr_line_job *job);         // trace/indirect_start.c: where paths start always
void lr_indirect_others(const lr_line_job *job);         // then by chance, after those

// Adds to LR_PART_INDIRECT of the chunk.
void lr_indirect_laser(const lr_line_job *job);          // trace/indirect.c

#endif
