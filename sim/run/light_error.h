// SPDX-License-Identifier: Apache-2.0
// How good the light of a scan is, measured in passing: some lines are rendered twice with other light paths, and the error of one rendering,
// the difference over sqrt(2), is held against the noise of the sensor itself in each pixel. Dots, speckle and sensor are the same in both.
// Left out is what two renderings have in common: how the gathered light is averaged over neighbours (trace/gather.h), that a pixel's direct
// light is cut into few parts, a sheet widened where mirrors lead to it (trace/indirect.c).
#ifndef LR_RUN_LIGHT_ERROR_H
#define LR_RUN_LIGHT_ERROR_H

#include "core/json.h"
#include "sensor/sensor.h"
#include "truth/truth.h"

// Whether row `row` of `rows` of camera `slot` of `slots` is rendered twice: one in 64, and at least 16 of all cameras if there are so many.
int lr_light_error_wants(int64_t row, int64_t rows, int slot, int slots);
// One line rendered twice: parts (5) of expected electrons, each (pixels of the sensor), in the order of the truth layers from DIRECT on.
lr_truth_error lr_light_error_line(const lr_sensor *sensor, float *const one[5], float *const other[5]);

typedef struct lr_light_error {   // of a scan; start from {0}
    int64_t lines, pixels;        // rendered twice
    int64_t within;               // pixels with an error below a quarter of the sensor's noise
    double square[6];             // sums of (error/noise)^2: all light, then its parts
} lr_light_error;
void lr_light_error_add(lr_light_error *sum, const lr_truth_error *record);
double lr_light_error_share(const lr_light_error *e);           // within/pixels; NaN for no pixels
double lr_light_error_rms(const lr_light_error *e, int part);   // of error/noise; 0: all light, then the parts
extern const char *const lr_light_error_parts[];                // "all", "direct", ..., then NULL
// {"share": ..., "lines": ..., "pixels": ..., "rms": {"all": ..., ...}}
void lr_light_error_json(const lr_light_error *e, lr_text *out);

#endif
