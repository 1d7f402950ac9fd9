// SPDX-License-Identifier: Apache-2.0
// A scan in other open formats: pictures, clouds and rectified pairs that general libraries read. What each file holds is told
// in out/README.md. Ranges come from depth/ where it is there, else from truth/, or as asked.
#ifndef LR_PAGE_EXPORT_H
#define LR_PAGE_EXPORT_H

#include <stdint.h>

#include "core/status.h"

enum {  // of `what`
    LR_EXPORT_PNG = 1,         // raw lines and range, 16 bit
    LR_EXPORT_PFM = 2,         // range, float
    LR_EXPORT_RECTIFIED = 4,   // pairs on a tangent grid, with a cv::FileStorage calibration, disparity and a mask
    LR_EXPORT_PLY = 8,         // cloud of all modules
    LR_EXPORT_PCD = 16,        // the same
    LR_EXPORT_ANAGLYPH = 32,   // red-cyan picture of each pair
    LR_EXPORT_EQUIRECT = 64,   // all modules in one panorama about the head
    LR_EXPORT_ALL = 127,
};
extern const char *const lr_export_names[];        // "png", ... in the order of the bits, then NULL
// "all" or names with commas. RANGE, with the nearest name.
lr_status lr_export_parse(const char *list, int *what, lr_error *err);

typedef enum lr_export_source { LR_EXPORT_AUTO, LR_EXPORT_DEPTH, LR_EXPORT_TRUTH } lr_export_source;
extern const char *const lr_export_source_names[]; // "auto", "depth", "truth", NULL
typedef enum lr_export_frame { LR_EXPORT_HEAD, LR_EXPORT_WORLD } lr_export_frame;
extern const char *const lr_export_frame_names[];  // "head", "world", NULL

typedef struct lr_export_def {     // start from lr_export_def_default()
    const char *folder, *out;      // out NULL: FOLDER/export
    int what;
    lr_export_source source;
    lr_export_frame frame;         // of clouds; the world's needs truth/MODULE/lines.npy, since no instrument knows where it stands
    double confidence;             // ranges less sure are left out, 0 .. 1
    int every;                     // every n-th line and pixel of clouds; 0: as few as keep them under 2 million points
} lr_export_def;
lr_export_def lr_export_def_default(void);

typedef struct lr_export_report { int files; int64_t points; } lr_export_report;  // points of a cloud

// Pictures show the first revolution. MISSING, PARSE (the scan, no ranges where they are needed), RANGE, IO, MEMORY.
lr_status lr_export_run(const lr_export_def *def, lr_export_report *report, lr_error *err);

#endif
