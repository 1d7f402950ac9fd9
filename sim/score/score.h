// SPDX-License-Identifier: Apache-2.0
// Holds the ranges in depth/, whoever wrote them, against truth/. Here the two meet for the first time.
// Every pixel of a group counts: one without a range is bad at every threshold.
#ifndef LR_SCORE_SCORE_H
#define LR_SCORE_SCORE_H

#include "core/json.h"
#include "depth/depth.h"
#include "truth/truth.h"

#define LR_SCORE_FORMAT "lanternroom-score/1"
#define LR_SCORE_PX 4                  // thresholds of disparity: 0.5, 1, 2, 4 pixels
#define LR_SCORE_SHARE 2               // of range: 1 %, 5 %
#define LR_SCORE_BINS 10               // of confidence, each 0.1 wide
#define LR_SCORE_CELLS 1200            // of the histograms of errors, from 1e-7 m, 100 a decade
extern const double lr_score_px[LR_SCORE_PX], lr_score_share[LR_SCORE_SHARE];

typedef struct lr_score_group {
    char name[64];                     // "all", "seen by both", "range 1-2 m", "material oak"...
    int64_t pixels, found;             // with a true surface; of those, with a finite range
    int64_t placed;                    // of pixels, those whose partner is known: the rest has no disparity
    int64_t bad_px[LR_SCORE_PX];       // of placed: missing or worse
    int64_t bad_share[LR_SCORE_SHARE]; // of pixels: missing or worse
    double square_sum, sum;            // of range errors [m^2], [m]
    double px_square_sum;              // of disparity errors under one pixel
    int64_t px_count;
    double sigma_sum, close_sum;       // of expected errors [m] and of |range error| [m], where the disparity is right within a pixel
    double ratio_square_sum;           // there, of (error/expected)^2, each up to 25
    int64_t sigma_count;
    uint32_t error[LR_SCORE_CELLS];    // histogram of |range error| of the found
    uint32_t sigma[LR_SCORE_CELLS], close[LR_SCORE_CELLS];  // of expected errors and of |range error| where sigma_sum is taken
} lr_score_group;

typedef struct lr_score_camera {
    char module[64], camera[64];
    int64_t empty, invented, believed; // pixels that see nothing; of those, with a finite range all the same; with one of confidence above 0.5
    int has_px, has_confidence, has_sigma;
    int64_t bin_count[LR_SCORE_BINS], bin_right[LR_SCORE_BINS];  // by confidence: pixels with a range; of those, right within a pixel
    double bin_sum[LR_SCORE_BINS];     // of confidence
    int group_count;
    lr_score_group *group;             // (group_count) those with pixels only
} lr_score_camera;

typedef struct lr_score { int camera_count; lr_score_camera *camera; } lr_score;
void lr_score_free(lr_score *score);   // leaves it empty

// Scores every camera that has a depth array. MISSING: no scan, no depth array at all, a truth array that scoring needs
// (range, flags); PARSE: an array damaged or of another shape than the camera's lines; MEMORY.
lr_status lr_score_run(const char *folder, int threads, lr_score *out, lr_error *err);

// |range error| below which `share` of the found lie, to 1.2 %; NaN if none was found.
double lr_score_quantile(const lr_score_group *group, double share);
double lr_score_rms(const lr_score_group *group);             // [m]; NaN if none was found. That of the few farthest, where these are wrong
double lr_score_rms_95(const lr_score_group *group);          // of the 95 % of the found with the least errors, to 1.2 %; NaN if none was found
double lr_score_expected(const lr_score_group *group);        // mean of what depth/ expects [m]; NaN without
double lr_score_achieved(const lr_score_group *group);        // 1.25 mean |error| over the same pixels: a Gaussian's deviation [m]
// The same by medians, which a few far pixels do not rule: where range goes as one over disparity, means are those of the farthest.
double lr_score_expected_median(const lr_score_group *group);
double lr_score_achieved_median(const lr_score_group *group); // 1.48 median |error|
double lr_score_noise_ratio(const lr_score_group *group);     // rms of error over expected error: 1 is honest
double lr_score_px_rms(const lr_score_group *group);          // of disparity errors under one pixel; NaN if none
// Mean distance between confidence and what came true, weighted by pixels; NaN without confidence.
double lr_score_miscalibration(const lr_score_camera *camera);

lr_status lr_score_write_json(const lr_score *score, lr_text *out, lr_error *err);   // MEMORY
void lr_score_write_table(const lr_score *score, lr_text *out);                      // for people

#endif
