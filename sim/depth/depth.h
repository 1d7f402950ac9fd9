// SPDX-License-Identifier: Apache-2.0
// Range back out of a scan folder, from what an instrument delivers: raw lines and calibration.json. Never opens truth/.
// Writes, for each camera, depth/MODULE/CAMERA.npy (range), .confidence.npy and .sigma.npy; see out/README.md.
// Neighbouring cameras of a module are matched with one another; each camera can be matched with the dots of a laser, too.
#ifndef LR_DEPTH_DEPTH_H
#define LR_DEPTH_DEPTH_H

#include <stdint.h>

#include "depth/match.h"
#include "scan/scan_reader.h"

typedef enum lr_depth_mode {
    LR_DEPTH_AUTO,     // stereo where a module has two cameras, else its laser's dots
    LR_DEPTH_STEREO,   // cameras against one another: needs no laser
    LR_DEPTH_PATTERN,  // each camera against the known dots of each laser
    LR_DEPTH_BOTH,     // all of it, fused
} lr_depth_mode;
extern const char *const lr_depth_mode_names[];  // in that order, then NULL

typedef struct lr_depth_def {    // start from lr_depth_def_default()
    const char *folder;
    lr_depth_mode mode;
    lr_match_def match;
    int threads;                 // 0: as many as this process may use; no influence on the result
} lr_depth_def;
lr_depth_def lr_depth_def_default(void);

typedef struct lr_depth_report {
    int64_t lines, ready;        // of the scan; of those, finished so far
    int64_t pixels, found;       // of all cameras in the finished lines; of those, with a range
    int64_t candidates;          // pixels times candidates, over all matchings
} lr_depth_report;

// Returns non-zero to stop.
typedef int (*lr_depth_show)(void *context, int64_t done, int64_t total);

// Lines of a growing scan that are not finished yet get NaN. Errors: MISSING, PARSE (the scan), RANGE (nothing to match: one
// camera and no dots, cameras not in one plane), IO, MEMORY, CANCELLED.
lr_status lr_depth_run(const lr_depth_def *def, lr_depth_show show, void *context, lr_depth_report *report, lr_error *err);

typedef enum lr_depth_layer { LR_DEPTH_RANGE, LR_DEPTH_CONFIDENCE, LR_DEPTH_SIGMA, LR_DEPTH_LAYERS } lr_depth_layer;
// "depth/MODULE/CAMERA.npy", ".confidence.npy", ".sigma.npy". RANGE if it does not fit.
lr_status lr_depth_path(const char *module, const char *camera, lr_depth_layer layer, char *out, size_t capacity, lr_error *err);

#endif
