// SPDX-License-Identifier: Apache-2.0
// A head ready to trace: as-built poses, ray directions and electron weights worked out once for a scan.
// Read-only after create; shared by all threads.
#ifndef LR_TRACE_RIG_H
#define LR_TRACE_RIG_H

#include "core/vecf.h"
#include "head/head.h"
#include "optics/sheet.h"
#include "scene/scene.h"

typedef struct lr_rig_laser {
    const lr_laser_def *def;
    lr_pose in_module;      // as built
    lr_dots *dots;          // power per fan angle
    lr_sheet sheet;
    int bin;                // of its wavelength, index into surface arrays
} lr_rig_laser;

typedef struct lr_rig_camera {
    const lr_camera_def *def;
    int pixels;
    lr_pose in_module;          // as built
    lr_vec3 *center;            // central ray of each pixel, module frame, unit (pixels)
    lr_vec3f *edge;             // rays between pixels (pixels + 1)
    lr_vec3f *across;           // change of a ray per pixel width across the line (pixels)
    lr_vec3f *pupil;            // half axes of the pupil as the pixel's ray sees it, module frame: across the line, along it (pixels x 2); NULL: pinhole
    float floor_e2;             // variance of a pixel's signal without light: dark current, read noise, rounding [e^2]
    float *laser_response;      // electrons per unit radiance of a laser's line (lasers x pixels) [e/(W m^-2 sr^-1)]
    float *ambient_response;    // electrons per unit of a source's geometry factor (sources x pixels x ambient bins)
} lr_rig_camera;

typedef struct lr_rig_module {
    int camera_count, laser_count;
    lr_rig_camera *camera;
    lr_rig_laser *laser;
} lr_rig_module;

typedef struct lr_rig {
    const lr_head *head;
    const lr_scene *scene;
    lr_bins bins;
    lr_pose head_pose;          // head to world
    int module_count;
    lr_rig_module *module;
} lr_rig;

// `scene` must be baked to the head's bins (lr_head_bins) already. Errors: RANGE, MISSING, PARSE, MEMORY.
lr_status lr_rig_create(const lr_head *head, const lr_scene *scene, lr_rig **out, lr_error *err);
void lr_rig_destroy(lr_rig *rig);

// A module at one moment: pose and turning. world = pose; d(world)/dt = rate_rad_s about `axis` through `pivot`.
typedef struct lr_rig_moment {
    double time_s;
    lr_pose pose;               // module to world, as built
    lr_vec3 axis, pivot;        // world
    double rate_rad_s;
} lr_rig_moment;
lr_rig_moment lr_rig_at(const lr_rig *rig, int module, double time_s);

#endif
