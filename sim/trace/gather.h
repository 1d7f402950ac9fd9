// SPDX-License-Identifier: Apache-2.0
// Light of sun, sky and lamps does not depend on where the head looks: it is gathered once for the room, at points on those surfaces
// that the head sees which are matte or, under a lobe, scatter evenly, and used for every line, camera, module and revolution.
//   held here: irradiance by sky directly and by everything after a bounce, for each source and bin
//     (under a lobe: of what the lobe lets in)
//   left to each pixel: sun and lamps directly, whose shadows are sharp; and what a lobe sends back, but for what trace/gloss.h gathers
// Points lie where rays from the middle of the head on an even grid of directions meet the room. They gather three times: first by a few full
// light paths; then twice by more that end where they meet a surface at which the round before, averaged, knows the light, so that one cheap ray
// brings home what many paths found, and by links to places in sunlight (trace/sunlit.h). The averaging of earlier rounds is the only bias of a
// point's light, but that what bent mirrors and narrow lobes cast of the sun is blurred (trace/path.c). Points of a tile of the grid share one even set
// of paths. Where an aim for the noise is set, points get more paths in the last round, as the scatter of the round before, their surface and the
// camera say.
// After each round neighbours on the same surface are averaged, to what light that changes evenly is here, within a part of their mean distance to
// what sends them light, or less where narrower averages say otherwise; between points it is interpolated. Where no point of the same surface is
// near, the caller follows light paths as before. Things that move are left out.
// Sources: Ward et al., A Ray Tracing Solution for Diffuse Interreflection (1988), for interpolating by the mean distance.
#ifndef LR_TRACE_GATHER_H
#define LR_TRACE_GATHER_H

#include "trace/tracer.h"

#define LR_MAX_GATHERED 256      // sources times bins
#define LR_GATHER_CARE_FROM 16   // paths: with fewer, a coarse answer is wanted: two rounds, no links to sunlit places, nothing of lobes

typedef struct lr_gather_record {
    int cell;                 // of the grid
    uint32_t tile, place;     // of the grid, and in the tile: its records lie together and share even sets of paths
    lr_vec3f point, normal;   // the normal on the side seen from the head
    int facing;               // records of a tile that face alike lie together: which axis the normal is nearest to, 0 .. 5
    int coat;                 // see lr_gather_coat
    float reach;              // harmonic mean distance to what it sees [m]
    float share;              // of irradiance, that the surface scatters evenly back to the head [1/sr]
    float average_cosine, look_cosine;   // least, between its normal and those of points that it is averaged with, or looked up for
    float part;               // of the mean distance to what sends it light: so far around, that light hardly changes
    lr_vec3f to_eye;          // of what a lobe sends one way: that way, unit
    float eye_per_m;          // and 1/distance to the eye there; 0: it is irradiance
} lr_gather_record;

// Light of one source that came to a point from a known distance, summed over bins, and the same over that distance [1/m].
typedef struct lr_gather_near { float light, over_m; } lr_gather_near;

typedef struct lr_gather {
    lr_vec3f center;
    float mean_bend;          // most by which the mean normal of what is looked up may be off, as a share of look_cosine's: |off|^2 over 1 - cosine; 0: any
    int rows;                 // of elevation, from the zenith down
    int *first_cell;          // (rows + 1) into cell
    int *cell;                // record of each direction or -1
    int record_count;
    lr_gather_record *record;
    int values;               // sources x ambient bins
    float *irradiance;        // (record_count x values), source after source, in units of each source's spectrum
    float *error;             // (record_count x values) half the difference of what two halves of the paths gave: varies as the error of
                              // `irradiance` does, but for what averaging over neighbours leaves out
    struct lr_sunlit *sunlit; // places that send the sun's light on; or NULL
    lr_trace_count count;     // rays it took
    int stride;               // floats of a record of `look`
    float *look;              // (record_count x stride) what looking up needs, side by side: point, normal, coat, look_cosine, irradiance, error
} lr_gather;

// `progress` may be NULL; a non-zero return stops with CANCELLED. Same result for any number of threads. Errors: MEMORY, CANCELLED.
lr_status lr_gather_create(const lr_tracer *tracer, int threads, int (*progress)(void *context, int64_t done, int64_t total), void *context,
                           lr_gather **out, lr_error *err);
void lr_gather_destroy(lr_gather *gather);  // NULL is fine

// Irradiance at a point on a surface of this coat, normal on the side that is lit, and `errors` times its error; `out` (values). 0: no point
// of this surface is near.
int lr_gather_look(const lr_gather *gather, lr_vec3f point, lr_vec3f normal, int coat, float errors, float *out);

// The same in two steps, so that what up to LR_GATHER_LOOKS points need from memory comes while others are worked on.
#define LR_GATHER_LOOKS 64
typedef struct lr_gather_points { float x[LR_GATHER_LOOKS], y[LR_GATHER_LOOKS], z[LR_GATHER_LOOKS]; } lr_gather_points;
typedef struct lr_gather_aim { int record[4]; float weight[4], most2; } lr_gather_aim;   // records around a point, -1: none; how far they may be, squared
void lr_gather_aim_at(const lr_gather *gather, int count, const lr_gather_points *point, lr_gather_aim *aim);
int lr_gather_look_aimed(const lr_gather *gather, const lr_gather_aim *aim, lr_vec3f point, lr_vec3f normal, int coat, float errors, float *out);

#endif
