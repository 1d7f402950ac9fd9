// SPDX-License-Identifier: Apache-2.0
// Panoramas of the range error of a scored scan: preview/MODULE_CAMERA_error.png, laid out as the other previews.
#ifndef LR_PAGE_ERROR_PICTURE_H
#define LR_PAGE_ERROR_PICTURE_H

#include "core/status.h"

// White: right; orange: too far, blue: too near, full at 5 % of range; grey: no range; black: nothing is there.
// Only the first revolution. Cameras without depth or true range are left out. MISSING, PARSE (the scan), IO, MEMORY.
lr_status lr_error_pictures_write(const char *folder, lr_error *err);

#endif
