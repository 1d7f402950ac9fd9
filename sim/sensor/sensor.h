// SPDX-License-Identifier: Apache-2.0
// From expected electrons to digital numbers: the linear model of EMVA 1288 (release 4.0 Linear; from memory).
//   charge  n = min(Poisson(e (1 + prnu_i) + dark current x exposure), full well)
//   signal  y = offset + K (n + dsnu_i + line offset + read noise), rounded and cut to 0 .. 2^bits - 1
// prnu_i and dsnu_i belong to the pixel and stay; line offset and read noise are new in every line.
#ifndef LR_SENSOR_SENSOR_H
#define LR_SENSOR_SENSOR_H

#include <stdint.h>

#include "head/camera.h"

typedef struct lr_sensor lr_sensor;  // one camera's sensor; read-only after create: share between threads

// Every number is a function of (seed, module, camera, line, pixel). module and camera are indices in the head.
// Errors: RANGE, MEMORY.
lr_status lr_sensor_create(const lr_sensor_def *def, double exposure_s, uint64_t seed, int module, int camera, lr_sensor **out, lr_error *err);
void lr_sensor_destroy(lr_sensor *sensor);  // NULL is fine

// One line. expected_e: mean photo-electrons of each pixel without dark current (pixels); NaN counts as 0.
// dn: digital numbers (pixels). Allocates nothing, cannot fail.
void lr_sensor_expose(const lr_sensor *sensor, int64_t line, const float *expected_e, uint16_t *dn);

// Noise of one pixel from exposure to exposure [e^2]: shot noise of light and dark current, read noise, rounding to digital numbers. Without
// what a line has in common and what stays. 0 or less counts as no light.
double lr_sensor_variance_e2(const lr_sensor *sensor, double expected_e);

int lr_sensor_pixels(const lr_sensor *sensor);
const float *lr_sensor_gain_map(const lr_sensor *sensor);     // 1 + prnu_i, 0 or more (pixels)
const float *lr_sensor_offset_map(const lr_sensor *sensor);   // dsnu_i in electrons (pixels)
int lr_sensor_defect_count(const lr_sensor *sensor);
// Defect i, in rising order of pixel; returns the digital number it is stuck at, 0 or the highest.
int lr_sensor_defect(const lr_sensor *sensor, int i, int *pixel);

#endif
