// SPDX-License-Identifier: Apache-2.0
// PNG through libpng. Rows top first.
#ifndef LR_CORE_PNG_H
#define LR_CORE_PNG_H

#include <stdint.h>

#include "core/status.h"

// 8-bit: channels 1, 3 or 4. Written by rename. IO
lr_status lr_png_write8(const char *path, int width, int height, int channels, const uint8_t *pixels, lr_error *err);
// 16-bit grey, native byte order in memory. IO
lr_status lr_png_write16(const char *path, int width, int height, const uint16_t *pixels, lr_error *err);

#endif
