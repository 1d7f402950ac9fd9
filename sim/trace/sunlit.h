// SPDX-License-Identifier: Apache-2.0
// Places in sunlight that light up the rest of the room: a bright patch of floor is found by few of the paths that leave a point at random, so
// the gathering also asks such places themselves.
// The sun's rays are parallel, nearly, so each falls through one point of a plane across them. Pilot paths tell through which points light came
// that was of use; a tree halves their box, and its halves, so that all leaves hold the same weight of it; each leaf sends the same number of
// rays, which end at the places. How dense that is, is known of any place that a path finds by itself: both ways of finding it are weighed
// against each other, and the mean is right whatever the pilot said.
// Which places a point asks is drawn by what they would send to some of its neighbours, and by how many see them.
// Sources: Veach, Robust Monte Carlo Methods for Light Transport Simulation (1997), ch. 9;
//          Talbot, Cline & Egbert, Importance Resampling for Global Illumination, EGSR 2005, for drawing by unshadowed worth.
#ifndef LR_TRACE_SUNLIT_H
#define LR_TRACE_SUNLIT_H

#include "trace/work.h"

#define LR_SUNLIT_LAYERS 16       // sets of places for each half of the paths: what errs in one is not seen all over the room
#define LR_SUNLIT_LINE 64         // bytes of memory that come together

typedef struct lr_sunlit_plane { lr_vec3f center; lr_frame3f frame; } lr_sunlit_plane;   // z towards the sun
typedef struct lr_sunlit_use { float x, y, weight; } lr_sunlit_use;   // light that came through a point of the plane [m], and how much
typedef struct lr_sunlit_notes {  // of pilot paths
    lr_sunlit_plane plane;
    lr_sunlit_use *use;           // the owner sees that there is room
    int count;
} lr_sunlit_notes;

typedef struct lr_sunlit_place {
    _Alignas(LR_SUNLIT_LINE) lr_vec3f point;
    lr_vec3f normal;              // on the lit side
    lr_vec3f to_sun;              // to the part of the disc that sends this ray
    float scale;
    const lr_surface *surface;    // NULL: nothing there that scatters
    float density;                // rays of the plane, of one [1/m^2]
    float pass[LR_MAX_BINS];      // what panes let through
} lr_sunlit_place;
_Static_assert(sizeof(lr_sunlit_place) == 2*LR_SUNLIT_LINE, "a place spans as few lines of memory as it can");

// There are more places than the caches hold: whoever will ask one sends for it first and does something else meanwhile.
static inline void lr_sunlit_send_for(const lr_sunlit_place *place)
{
    __builtin_prefetch(place);
    __builtin_prefetch((const char *)place + LR_SUNLIT_LINE);
}

// About what places send, laid out for weighing many of them: as if each sent all its light evenly. (place_count) each
typedef struct lr_sunlit_beams {
    float *x, *y, *z, *nx, *ny, *nz;
    float *light;                 // sum over bins of the radiance, per ray; 0: nothing there
    float *links;                 // density of links over the place's own area [1/m^2]
    int lobe_count;
    uint16_t *lobe;               // places whose surface has a lobe: what they send depends on where to
} lr_sunlit_beams;

typedef struct lr_sunlit {
    lr_sunlit_plane plane;
    float low[2], high[2];        // box of the plane
    int levels;                   // of the tree: 1 << levels leaves
    struct { float at; int axis; } *node;   // (1 << levels) node 1 is the root, 2 n and 2 n + 1 its halves, below `at` and above
    float *density;               // (1 << levels) of the leaves [1/m^2]
    int place_count;              // of each set, a power of two
    lr_sunlit_place *place[2*LR_SUNLIT_LAYERS];   // sets 2 l and 2 l + 1 of layer l know nothing of each other; in the order of the leaves
    lr_sunlit_beams beams[2*LR_SUNLIT_LAYERS];    // of the places
    uint16_t *lobe;               // (sets x place_count) room for the beams'
} lr_sunlit;

// Notes a place in the light of the ray towards `to_sun`, and how much of it was of use.
void lr_sunlit_note(lr_sunlit_notes *notes, lr_vec3f point, lr_vec3f to_sun, float weight);

// Notes are put in another order. NULL in `out` if there is too little in them to go by. The job has the tracer and scratch. Errors: MEMORY
lr_status lr_sunlit_create(const lr_line_job *job, const lr_sunlit_notes *notes, lr_sunlit **out, lr_error *err);
void lr_sunlit_destroy(lr_sunlit *sunlit);  // NULL is fine

int lr_sunlit_links(int paths);  // how many places are asked by a point that sends so many paths: even

// From a point to a place: what arrives if that is one of the plane's rays, drawn with its density, as irradiance on a surface that faces
// it [1/m^2 of the plane, per ray]. `here` and `there`: cosines at the point and at the place.
typedef struct lr_sunlit_link { lr_vec3f start, wi; float distance, here, there; float light[LR_MAX_BINS]; } lr_sunlit_link;
int lr_sunlit_reach(const lr_sunlit_place *place, lr_vec3f point, lr_vec3f normal, lr_sunlit_link *out);   // 0: nothing. Either side of the normal
// Its share, where paths find the place too by directions drawn at the point with density `pdf` [1/sr]. `often`: how often places of its leaf are
// asked, over what it were if all were asked alike.
float lr_sunlit_share(const lr_sunlit_place *place, float often, const lr_sunlit_link *link, float pdf);
const lr_sunlit_place *lr_sunlit_evenly(const lr_sunlit *s, int set, float u);   // the place of a set at u in [0, 1), all alike

// What a place sends to a point of the room on the side of its normal: irradiance of each bin, its share taken.
int lr_sunlit_connect(const lr_sunlit_place *place, float often, lr_vec3f point, lr_vec3f normal, int bins, lr_sunlit_link *out);  // 0: nothing

// The chance of asking each place for the points of one piece of the room.
typedef struct lr_sunlit_choice {
    const lr_sunlit *sunlit;
    int layer;                    // of which places are asked
    float *sum[2], *scratch;      // (place_count) of its sets: running sum of the chances, ends at 1
    uint16_t *guide[2];           // (place_count) of its sets: the first place whose sum is above i/place_count
    float *often[2];              // (leaves) of its sets: see lr_sunlit_share
} lr_sunlit_choice;
lr_status lr_sunlit_choice_create(const lr_sunlit *sunlit, lr_sunlit_choice *out, lr_error *err);  // MEMORY
void lr_sunlit_choice_destroy(lr_sunlit_choice *choice);
// By what places would send to some of the records, which lie together.
void lr_sunlit_weigh(const lr_line_job *job, lr_sunlit_choice *choice, const struct lr_gather_record *record, int count);
// The share that is left to a path from `from` that finds a place by itself, `pdf` the density of its direction. `choice`: of the places that
// `from` asks, of either set; NULL: all alike.
float lr_sunlit_found(const lr_sunlit *s, const lr_sunlit_choice *choice, int half, lr_vec3f from, float pdf, lr_vec3f place, lr_vec3f normal, lr_vec3f to_sun);
// The place at u in [0, 1), of either set. `chance` of it over that if all were asked alike; `often`: see lr_sunlit_share.
const lr_sunlit_place *lr_sunlit_choose(const lr_sunlit_choice *choice, int half, float u, float *chance, float *often);

#endif
