// SPDX-License-Identifier: Apache-2.0
// Grammar of JSON checked strictly before the parser sees the text, so that each fault has a line and a column.
// Source: RFC 8259; RFC 3629 for UTF-8.
#ifndef LR_CORE_JSON_SCAN_H
#define LR_CORE_JSON_SCAN_H

#include <stddef.h>

#include "core/status.h"

#define LR_JSON_MAX_DEPTH 64           // lists and objects inside one another
#define LR_JSON_MAX_VALUES (2 << 20)   // values in one file: bounds the memory of the tree to a few hundred MB

// One value and nothing else. Errors: PARSE, `name:LINE:COL: message` (columns in bytes from 1).
lr_status lr_json_scan(const char *name, const char *text, size_t length, lr_error *err);

// Bytes of the UTF-8 character at `text`, 1 to 4; 0 if it is not one (overlong, surrogate, cut off, above U+10FFFF).
int lr_utf8_length(const unsigned char *text, size_t left);

#endif
