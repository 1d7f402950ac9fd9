// SPDX-License-Identifier: Apache-2.0
// Line camera: a lens in front of one line of pixels.
// Camera frame: x along the optical axis, z up along the line, y out of the line plane (right-handed).
// Pixel 0 sees the highest elevation; pixel centres at integers, the axis meets (N-1)/2. `across` is in pixel widths, 0 = line centre, + towards +y.
#ifndef LR_HEAD_CAMERA_H
#define LR_HEAD_CAMERA_H

#include "core/table.h"
#include "core/vec.h"
#include "optics/filter.h"
#include "optics/lens.h"

// Where a part sits in its module frame (x outwards, z up), and how it was really built.
typedef struct lr_placement {
    double forward_m, side_m, height_m;   // along x, y, z
    double pitch_rad;                     // about -y: positive looks up
    double error_offset_m[3];             // as built: added offset, along the part's nominal axes
    double error_rotate_rad[3];           // as built: small turn about the part's own x (roll), y, z, applied last
} lr_placement;
#define LR_PLACEMENT_MAX_M 10.0            // a part further from its frame than this is a slip of the unit
#define LR_ERROR_MAX_RAD (30.0*LR_DEG)     // as built: more than this is not an error but another design
// Part to module: translate, then pitch; as built the error comes inside: translate, pitch, offset, roll-y-z turn.
lr_pose lr_placement_pose(const lr_placement *placement, int as_built);
lr_status lr_placement_check(const lr_placement *placement, lr_error *err);  // RANGE

typedef struct lr_sensor_def {  // EMVA 1288 linear model
    int pixels;                     // 1 .. 65536
    double pitch_m, width_m;        // along and across the line
    lr_table quantum_efficiency;    // over wavelength [m], 0 .. 1; empty: the curve LR_SENSOR_QE_DEFAULT. Read by lr_sensor_qe
    double full_well_e;
    double read_noise_e;            // temporal dark noise at no exposure
    double dark_current_e_per_s;
    int bits;                       // 8 .. 16
    double gain_dn_per_e, offset_dn;
    double prnu, dsnu_e;            // standard deviations: share of the signal, electrons
    double line_offset_e;           // noise common to a whole line, standard deviation
    double defect_share;            // share of pixels stuck dark or bright
} lr_sensor_def;

#define LR_SENSOR_QE_DEFAULT "fsi_cmos"   // of lr_qe_names
lr_status lr_sensor_def_check(const lr_sensor_def *def, lr_error *err);     // RANGE
double lr_sensor_qe(const lr_sensor_def *sensor, double lambda_m);          // electrons per photon

typedef struct lr_camera_def {
    char name[64];
    lr_placement placement;
    lr_lens lens;
    double blur_px;                 // lens blur, standard deviation of a Gaussian in pixels
    double veiling_share;           // stray light: share of the line's mean spread over the line
    lr_filter filter;
    lr_sensor_def sensor;
    double exposure_s;
} lr_camera_def;

lr_status lr_part_name_check(const char *name, lr_error *err);  // names of cameras and modules become file names: RANGE
lr_camera_def lr_camera_def_default(void);  // 120 degrees on 2048 pixels, no filter; needs no free
// First fault, naming the field, its value and the allowed interval: RANGE.
lr_status lr_camera_def_check(const lr_camera_def *def, lr_error *err);

// Unit direction in the camera frame, also beside the line: the lens is the same all round its axis. `pixel` in [-0.5, N-0.5]; beyond the lens's field the result has NaN.
lr_vec3 lr_camera_direction(const lr_camera_def *camera, double pixel, double across);
// Pixel coordinate of a direction (any length). Returns 1 if the lens images it; then also says how far off the line it falls.
int lr_camera_project(const lr_camera_def *camera, lr_vec3 direction, double *pixel, double *across);
// The same where `side`, its length beside the axis, and `theta_rad`, its angle to the axis, are known already.
int lr_camera_project_polar(const lr_camera_def *camera, lr_vec3 direction, double side, double theta_rad, double *pixel, double *across);
// Angle from the axis, signed, positive down (as pixel index grows) [rad].
double lr_camera_angle(const lr_camera_def *camera, double pixel);
// Electrons per unit of (radiance per metre of wavelength) at wavelength lambda for pixel `pixel`, divided by d lambda:
//   A Omega tau_lens tau_filter QE lambda/(h c) t        [e / (W m^-2 sr^-1)]      0 beyond the lens's field
double lr_camera_response(const lr_camera_def *camera, double pixel, double lambda_m);

#endif
