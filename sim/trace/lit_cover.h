// SPDX-License-Identifier: Apache-2.0
// What parts of pixels cover of the room, as the direct laser needs it: places on the tangent planes of their hits, and those seen from a
// laser. Worked out for a block of parts at once, in structure of arrays. Private to trace/.
#ifndef LR_TRACE_LIT_COVER_H
#define LR_TRACE_LIT_COVER_H

#include "trace/work.h"

#define LR_COVER_PARTS 64      // of a block: it stays in the nearest cache

enum { LR_COVER_MIDDLE, LR_COVER_ALONG0, LR_COVER_ALONG1, LR_COVER_ACROSS0, LR_COVER_ACROSS1, LR_COVER_PLACES };

typedef struct lr_cover_vec { float x[LR_COVER_PARTS], y[LR_COVER_PARTS], z[LR_COVER_PARTS]; } lr_cover_vec;

typedef struct lr_cover {      // module frame; of parts that hit nothing, numbers without meaning
    int first, count;          // slots of the batch
    lr_cover_vec normal, hit;  // of the ray that met it
    lr_cover_vec to_eye;       // from the middle of what the part covers, unit
    float out[LR_COVER_PARTS]; // its cosine to the normal, signed
    float a[LR_COVER_PARTS], r[LR_COVER_PARTS], left[LR_COVER_PARTS], grazing[LR_COVER_PARTS];   // lr_matte
    lr_cover_vec place[LR_COVER_PLACES];   // where the rays to the middle and the four sides meet the tangent plane
} lr_cover;

// A laser's frame in float; micrometres are far below the sheet's thickness.
typedef struct lr_beam {
    const lr_rig_laser *laser;
    int index;                   // in the module
    lr_vec3f x, y, z, origin;    // axes in the module
    float slope;                 // tangent of half the fan and a margin: parts that straddle its end still count
    float edge_slope;            // tangent of half the fan
    float power_w, thickness_m, divergence_rad;
} lr_beam;

typedef struct lr_beam_view {
    lr_cover_vec at;                               // the middle, laser frame
    float r[LR_COVER_PARTS], sigma[LR_COVER_PARTS];   // its distance, and the sheet's sigma there
    float y0[LR_COVER_PARTS], y1[LR_COVER_PARTS];     // out of the sheet, of the sides across
    float alpha0[LR_COVER_PARTS], alpha1[LR_COVER_PARTS];   // fan angles of the sides along
    int32_t within[LR_COVER_PARTS];                // 0: no light of the sheet reaches it
    lr_cover_vec wi, back;                         // unit ways to the laser: from the middle, and from the hit
    float distance[LR_COVER_PARTS];                // of the hit
    float matte[LR_COVER_PARTS];                   // f cos over the reflectance at the middle, if the surface is matte
} lr_beam_view;

// Slots first .. of the batch, at most LR_COVER_PARTS; `module` holds the module's axes in the world at their time.
void lr_cover_fill(const lr_line_job *job, const lr_frame3f *module, int first, lr_cover *out);
void lr_beam_look(const lr_beam *beam, const lr_cover *restrict cover, lr_beam_view *restrict out);

static inline lr_vec3f lr_cover_at(const lr_cover_vec *v, int i) { return lr_v3f(v->x[i], v->y[i], v->z[i]); }

#endif
