// SPDX-License-Identifier: Apache-2.0
// A point cloud of what the cameras truly see, as PLY: binary little endian, world frame, metres.
#ifndef LR_PAGE_CLOUD_H
#define LR_PAGE_CLOUD_H

#include "scan/scan_reader.h"

// Writes cloud.ply from the true ranges of the first camera of every module: x y z nx ny nz, red green blue (a colour per object,
// as bright as it was recorded), intensity [e], scalar_object. Nothing if the scan keeps no true range or lines.
// Format: PLY 1.0 (Turk, Stanford 1994, from memory). IO, PARSE, MEMORY.
lr_status lr_cloud_write(const lr_scan_reader *reader, lr_error *err);

#endif
