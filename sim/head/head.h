// SPDX-License-Identifier: Apache-2.0
// The head: modules of cameras and lasers on one spin axis. Plain data; nominal numbers and as-built errors side by side.
#ifndef LR_HEAD_HEAD_H
#define LR_HEAD_HEAD_H

#include "core/json.h"
#include "head/camera.h"
#include "head/laser.h"
#include "optics/bins.h"

#define LR_MAX_MODULES 16
#define LR_MAX_CAMERAS 8     // of one module
#define LR_MAX_LASERS 8

typedef struct lr_spin {
    double rev_per_s;
    int lines_per_rev;               // 1 .. 1,000,000
    double revolutions;              // of a scan; 1 unless given
    int clockwise;                   // seen from above
    int encoder_counts_per_rev;      // 0: no encoder, angles are exact
    double encoder_jitter_rad;       // standard deviation
    double axis_error_rad[2];        // as built: tilt of the spin axis about the head's x and y
} lr_spin;

lr_spin lr_spin_default(void);                                  // 2 turns a second, 3600 lines, exact angles
lr_status lr_spin_check(const lr_spin *spin, lr_error *err);    // RANGE
// RANGE if a line would still be exposing when the next begins.
lr_status lr_exposure_check(const lr_spin *spin, double exposure_s, lr_error *err);

static inline double lr_spin_line_time(const lr_spin *spin, int64_t line)  // mid-exposure [s]
{
    return (double)line/(spin->rev_per_s*spin->lines_per_rev);
}
static inline double lr_spin_angle(const lr_spin *spin, double time_s)  // of the rotor, counter-clockwise positive [rad]
{
    return (spin->clockwise ? -1.0 : 1.0)*2.0*LR_PI*spin->rev_per_s*time_s;
}

typedef struct lr_module_def {
    char name[64];
    double azimuth_rad, radius_m, height_m, pitch_rad;
    double error_offset_m[3], error_rotate_rad[3];   // as lr_placement
    int camera_count, laser_count;
    lr_camera_def *camera;           // (camera_count)
    lr_laser_def *laser;             // (laser_count)
} lr_module_def;

typedef struct lr_require {  // what a design must reach; NaN where not asked
    double range_m[2];
    double range_noise_m, range_noise_at_m;
    double lux;
    double rev_per_s;
} lr_require;

typedef struct lr_head {
    char name[64];
    lr_spin spin;
    int module_count;
    lr_module_def *module;           // (module_count)
    double link_byte_per_s;          // 0: no limit given
    double slip_ring_turns, slip_ring_byte_per_s;   // rated life and what it carries; 0: not given
    lr_require require;
    char folder[1024];               // where relative paths start
} lr_head;

// Errors: MISSING, PARSE, RANGE (file, key path, value, rule), MEMORY.
lr_status lr_head_load(const char *path, lr_head **out, lr_error *err);
lr_status lr_head_from_json(const lr_json *json, const char *folder, lr_head **out, lr_error *err);
void lr_head_destroy(lr_head *head);
void lr_head_schema(lr_text *out);
// First fault of a head made in code rather than from a file: RANGE, naming the part and the field.
lr_status lr_head_check(const lr_head *head, lr_error *err);

// Module frame to head frame, the rotor turned by `angle_rad` (lr_spin_angle). From the inside out: the module's own
// placement (pitch, radius along x, height along z; as built its error inside), azimuth and rotor angle about z, and
// as built the tilt of the spin axis, which stays with the head.
lr_pose lr_head_module_pose(const lr_head *head, int module, double angle_rad, int as_built);

int64_t lr_head_line_count(const lr_head *head);   // of a scan: lines_per_rev times revolutions, rounded

// The bins that fit every camera's pass band and every laser line (see optics/bins.h). RANGE if there are too many laser lines.
//   All pass bands (down to 1e-3 of the peak, over all field angles) together at most 120 nm wide: one ambient bin over
//   them; else eight from 350 to 1100 nm.
lr_status lr_head_bins(const lr_head *head, lr_bins *bins, lr_error *err);
// Index into bins->center_m of a laser's wavelength; -1 if there is no such line.
int lr_bins_of_line(const lr_bins *bins, double wavelength_m);

#endif
