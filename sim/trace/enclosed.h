// SPDX-License-Identifier: Apache-2.0
// Cameras and lasers that lie inside something solid: a slip of a pose, of which the rays know nothing, as surfaces look alike from both sides.
#ifndef LR_TRACE_ENCLOSED_H
#define LR_TRACE_ENCLOSED_H

#include "core/json.h"
#include "trace/bvh.h"
#include "trace/rig.h"

// Solid: box, sphere, cylinder and cone with ends, capsule, torus, closed mesh turned outwards. Room, disc, rectangle, open ends and whatever has a
// pane are not.
typedef struct lr_enclosed {
    int count;                  // cameras and lasers that shine, inside something in any line looked at; the rest tells of the first
    int module, camera, laser;  // camera or laser is -1
    int object;                 // of the scene
    int always;                 // in every line looked at
} lr_enclosed;

// Looks at up to 64 lines, evenly over those from `first_line` on. Who stands in a room inside something solid is not inside of that. MEMORY
lr_status lr_enclosed_find(const lr_bvh *bvh, const lr_rig *rig, int64_t first_line, int64_t line_count, lr_enclosed *out, lr_error *err);
// What to tell of one with a count above 0, without the name of a file.
void lr_enclosed_words(const lr_rig *rig, const lr_enclosed *enclosed, lr_text *out);

#endif
