// SPDX-License-Identifier: Apache-2.0
// What a user of the instrument is given about it: nominal geometry of head, modules, cameras, lasers and dot patterns.
// File: calibration.json, "lanternroom-calibration/1". SI units and radians throughout, so that numbers come back bit for bit.
// Frames: part (x along its axis, z up along the line, y out of the line plane) -> module -> head at rotor angle 0.
//   p_head(line) = Rz(azimuth of the line, as lines.npy gives it) . module pose . part pose . p_part
// For general vision libraries the file also holds, per camera, K and D where they know the projection, and a list of
// transforms to the optical frame (z forward, x right, y down). Those follow from the rest and are checked against it.
#ifndef LR_SCAN_CALIBRATION_H
#define LR_SCAN_CALIBRATION_H

#include "core/json.h"
#include "core/quat.h"
#include "core/table.h"
#include "core/vec.h"
#include "optics/lens.h"

#define LR_CALIBRATION_FORMAT "lanternroom-calibration/1"
#define LR_CAL_MAX_MODULES 16
#define LR_CAL_MAX_PARTS 8  // cameras, and lasers, of one module

// Child in parent: p_parent = R(rotation) p_child + origin. Kept as the file has it, so that it survives reading and writing.
typedef struct lr_transform { lr_vec3 origin_m; lr_quat rotation; } lr_transform;
lr_transform lr_transform_identity(void);
lr_transform lr_transform_from_pose(lr_pose pose);
lr_pose lr_transform_pose(const lr_transform *transform);

typedef struct lr_cal_spin {
    double rev_per_s;             // above 0
    int lines_per_rev;            // 1 .. 1,000,000
    int clockwise;                // 0 ccw, 1 cw, seen from above
    int encoder_counts_per_rev;   // 0: no encoder, angles are exact
} lr_cal_spin;

typedef struct lr_cal_camera {
    char name[64];
    lr_transform pose;            // camera to module
    lr_lens lens;
    int pixels;                   // 1 .. 65536; pixel 0 sees the highest elevation, the axis meets (pixels - 1)/2
    double pitch_m, width_m;      // of a pixel, along and across the line
    double exposure_s;
    int bits;                     // 8 .. 16: full scale is 2^bits - 1
    double gain_dn_per_e, offset_dn;
    double read_noise_e, full_well_e;
} lr_cal_camera;

typedef enum lr_cal_mode { LR_CAL_SHEET, LR_CAL_FLOOD, LR_CAL_OFF } lr_cal_mode;  // in the order of lr_laser_mode

typedef struct lr_cal_dots {
    int count;                    // 0: a plain sheet, or `profile`
    double *alpha_rad;            // (count) rising; from the laser's x axis towards +z
    double *weight;               // (count) share of the laser's power in the dot
    double size_rad;              // full 1/e^2 width of a dot
    double zero_order;            // share of the power left undiffracted on the axis
    double background;            // share of the power spread over the fan
    lr_table profile;             // measured relative power per angle over alpha_rad instead of dots; may be empty
} lr_cal_dots;

typedef struct lr_cal_laser {
    char name[64];
    lr_transform pose;            // laser to module; the fan lies in its x-z plane
    lr_cal_mode mode;
    double wavelength_m, power_w;
    double fan_rad;               // full angle
    double flood_rad;             // flood: full angle across
    double thickness_m, divergence_rad;  // full 1/e^2, as optics/sheet.h
    lr_cal_dots dots;
} lr_cal_laser;

typedef struct lr_cal_module {
    char name[64];
    lr_transform pose;            // module to head at rotor angle 0
    int camera_count, laser_count;
    lr_cal_camera *camera;        // (camera_count)
    lr_cal_laser *laser;          // (laser_count)
} lr_cal_module;

typedef struct lr_calibration {
    char head[64];                // its name
    lr_cal_spin spin;
    int module_count;
    lr_cal_module *module;        // (module_count)
} lr_calibration;

// Everything allocated inside, leaving it empty; all arrays are malloc'd. All zero is fine.
void lr_calibration_free(lr_calibration *calibration);

// Names become folders and files: letters, digits, _ and -, 1 to 63. `what` starts the message. RANGE
lr_status lr_scan_name_check(const char *what, const char *name, lr_error *err);

// First fault of what is in memory, naming the part, the value and the rule: RANGE.
lr_status lr_calibration_check(const lr_calibration *calibration, lr_error *err);

// The text of calibration.json; the caller frees it by lr_text_free. RANGE (as check), MEMORY.
lr_status lr_calibration_write(const lr_calibration *calibration, lr_text *out, lr_error *err);

// On failure `out` is empty. A missing, unknown or contradictory key is one line. MISSING, PARSE, RANGE, MEMORY.
lr_status lr_calibration_load(const char *path, lr_calibration *out, lr_error *err);
lr_status lr_calibration_from_json(const lr_json *json, lr_calibration *out, lr_error *err);

// Angle from the optical axis of a pixel coordinate, signed, positive down as the index grows [rad]; NaN outside the image.
double lr_cal_camera_angle(const lr_cal_camera *camera, double pixel);
// The inverse; may lie outside -0.5 .. pixels - 0.5; NaN where the lens has no image.
double lr_cal_camera_pixel(const lr_cal_camera *camera, double angle_rad);
// Unit direction of a pixel in the camera frame: (cos a, 0, -sin a).
lr_vec3 lr_cal_camera_direction(const lr_cal_camera *camera, double pixel);

#endif
