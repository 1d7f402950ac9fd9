// SPDX-License-Identifier: Apache-2.0
#include "scan/calibration_derived.h"

#include <stdio.h>
#include <string.h>

const char *const lr_cal_directions[] = {"ccw", "cw", NULL};
const char *const lr_cal_modes[] = {"sheet", "flood", "off", NULL};

lr_vision lr_vision_of(const lr_cal_camera *camera)
{
    const lr_lens *lens = &camera->lens;
    const double f_along = lens->focal_m/camera->pitch_m, f_across = lens->focal_m/camera->width_m;
    lr_vision v = {.model = lr_projection_names[lens->projection],
                   .k = {f_across, 0, 0, 0, f_along, 0.5*(camera->pixels - 1), 0, 0, 1},
                   .fov_deg = 2.0*lr_cal_camera_angle(camera, camera->pixels - 0.5)/LR_DEG};
    if (lens->projection == LR_PROJECTION_RECTILINEAR) {
        v.model = "plumb_bob";
        v.known = 1;
        v.d_count = 5;
    } else if (lens->projection == LR_PROJECTION_EQUIDISTANT || lens->projection == LR_PROJECTION_POLYNOMIAL) {
        v.model = "kannala_brandt4";
        v.known = 1;
        v.d_count = 4;
        if (lens->projection == LR_PROJECTION_POLYNOMIAL)
            memcpy(v.d, lens->k, sizeof lens->k);
    }
    return v;
}

// The camera's own frame is x forward, y left, z up.
lr_transform lr_optical_in_module(const lr_cal_camera *camera)
{
    const lr_pose optical = {{{0, -1, 0}, {0, 0, -1}, {1, 0, 0}}, {0, 0, 0}};
    return lr_transform_from_pose(lr_pose_mul(lr_transform_pose(&camera->pose), optical));
}

lr_frame lr_frame_of(const char *module, const char *part, const char *last)
{
    lr_frame frame;
    snprintf(frame.parent, sizeof frame.parent, "%s", part ? module : "head");
    snprintf(frame.child, sizeof frame.child, "%s%s%s%s", module, part ? "/" : "", part ? part : "", last);
    return frame;
}
