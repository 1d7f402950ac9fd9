// SPDX-License-Identifier: Apache-2.0
// A look at a mesh file before the importer sees it. Private to sim/scene.
#ifndef LR_SCENE_MESH_FILE_H
#define LR_SCENE_MESH_FILE_H

#include "core/status.h"

// Ending, size, and a PLY file walked through to its end: the importer would search a cut header for ever, and reserve
// whatever a list says it holds. MISSING, RANGE, PARSE
lr_status lr_mesh_file_check(const char *path, lr_error *err);

#endif
