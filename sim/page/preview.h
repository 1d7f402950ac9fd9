// SPDX-License-Identifier: Apache-2.0
// Pictures of a finished scan, for a first look: preview/MODULE_CAMERA.png (what was recorded), _range, _laser, _ambient, and a
// coloured point cloud. Panoramas are upright and not mirrored for someone standing where the head stands: turning left goes left.
#ifndef LR_PAGE_PREVIEW_H
#define LR_PAGE_PREVIEW_H

#include "core/status.h"

#define LR_PREVIEW_MAX_WIDTH 2400      // wider scans are averaged down by a whole number
#define LR_CLOUD_MAX_POINTS 2000000    // denser scans are thinned by a whole number in both directions

// Writes preview/*.png and cloud.ply into the scan folder; layers that the scan does not have are left out.
// Those drawn since the scan was finished are left as they are, so that a call cut short may be repeated.
// Only the first revolution is drawn. Errors: MISSING, PARSE (the scan), IO, MEMORY.
lr_status lr_preview_write(const char *folder, int threads, lr_error *err);

#endif
