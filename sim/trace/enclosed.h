// SPDX-License-Identifier: Apache-2.0
// Cameras and lasers that lie inside something solid, or outside of the scene's rooms: slips of a pose, of which the rays know nothing, as surfaces look
// alike from both sides.
#ifndef LR_TRACE_ENCLOSED_H
#define LR_TRACE_ENCLOSED_H

#include "core/json.h"
#include "trace/bvh.h"
#include "trace/rig.h"

// Solid: box, sphere, cylinder and cone with ends, capsule, torus, closed mesh turned outwards. Room, disc, rectangle, open ends and whatever has a
// pane are not.
// Outside: beyond the walls, floor or ceiling of each room of a scene that has any, unless much of what is seen from there lies in a room, as from a doorway.
typedef struct lr_enclosed {
    int count;                  // cameras and lasers that shine, in one of these ways in any line looked at; the rest tells of the first
    int outside;                // that one's way, and all others' that are counted
    int module, camera, laser;  // camera or laser is -1
    int object;                 // of the scene; outside: the first room
    int always;                 // in every line looked at
} lr_enclosed;

// Looks at up to 64 lines, evenly over those from `first_line` on. Who stands in a room inside something solid is not inside of that.
// MEMORY
lr_status lr_enclosed_find(const lr_bvh *bvh, const lr_rig *rig, int64_t first_line, int64_t line_count, lr_enclosed *out, lr_error *err);
// What to tell of one with a count above 0, without the name of a file.
void lr_enclosed_words(const lr_rig *rig, const lr_enclosed *enclosed, lr_text *out);

#endif
