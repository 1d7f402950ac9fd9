// SPDX-License-Identifier: Apache-2.0
// How the cameras of a head see directions from its middle, all turns taken together: which pixel looks there. Private to trace/.
#ifndef LR_TRACE_GATHER_VIEW_H
#define LR_TRACE_GATHER_VIEW_H

#include "trace/rig.h"

#define LR_GATHER_VIEWS 720    // of elevation over 180 degrees

typedef struct lr_gather_view { const lr_rig_camera *camera; int pixel; } lr_gather_view;   // camera NULL: none looks there

void lr_gather_views_make(const lr_rig *rig, lr_gather_view view[LR_GATHER_VIEWS]);
int lr_gather_view_of(const lr_rig *rig, lr_vec3 direction);   // index of the view of a direction in the world, unit

#endif
