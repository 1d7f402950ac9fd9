// SPDX-License-Identifier: Apache-2.0
#include "trace/gather_view.h"

#include <math.h>

#define MARGIN_RAD (2.0*LR_DEG)   // beyond a camera's ends: it is not in the middle of the head

static double elevation_of(int view) { return LR_PI*((view + 0.5)/LR_GATHER_VIEWS - 0.5); }

static double pixel_elevation(const lr_rig_camera *camera, lr_pose module, int pixel)
{
    return asin(fmax(-1.0, fmin(1.0, lr_rotate(module.rotation, camera->center[pixel]).z)));
}

// Views that nobody had yet go to the pixel that is nearest to them.
static void add_camera(const lr_rig_camera *camera, lr_pose module, lr_gather_view view[LR_GATHER_VIEWS])
{
    double off[LR_GATHER_VIEWS];
    int nearest[LR_GATHER_VIEWS];
    const double reach = MARGIN_RAD;
    for (int k = 0; k < LR_GATHER_VIEWS; k++)
        off[k] = (double)INFINITY;
    for (int i = 0; i < camera->pixels; i++) {
        const double e = pixel_elevation(camera, module, i), at = (e/LR_PI + 0.5)*LR_GATHER_VIEWS, span = reach/LR_PI*LR_GATHER_VIEWS;
        for (int k = (int)fmax(0.0, at - span); k < LR_GATHER_VIEWS && k <= at + span; k++)
            if (fabs(e - elevation_of(k)) < off[k]) {
                off[k] = fabs(e - elevation_of(k));
                nearest[k] = i;
            }
    }
    for (int k = 0; k < LR_GATHER_VIEWS; k++)
        if (!view[k].camera && off[k] <= reach)
            view[k] = (lr_gather_view){camera, nearest[k]};
}

void lr_gather_views_make(const lr_rig *rig, lr_gather_view view[LR_GATHER_VIEWS])
{
    for (int k = 0; k < LR_GATHER_VIEWS; k++)
        view[k] = (lr_gather_view){0};
    for (int m = 0; m < rig->module_count; m++)
        for (int c = 0; c < rig->module[m].camera_count; c++)
            add_camera(&rig->module[m].camera[c], lr_head_module_pose(rig->head, m, 0.0, 1), view);
}

int lr_gather_view_of(const lr_rig *rig, lr_vec3 direction)
{
    const double z = lr_rotate_back(rig->head_pose.rotation, direction).z;
    const int view = (int)((asin(fmax(-1.0, fmin(1.0, z)))/LR_PI + 0.5)*LR_GATHER_VIEWS);
    return view < LR_GATHER_VIEWS ? view : LR_GATHER_VIEWS - 1;
}
