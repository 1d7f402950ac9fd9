// SPDX-License-Identifier: Apache-2.0
// The Python dictionary in an NPY header.
#ifndef LR_CORE_NPY_HEADER_H
#define LR_CORE_NPY_HEADER_H

#include "core/npy.h"

// Fills descr or fields, dims and shape; types and sizes are for the caller to judge. Errors: PARSE.
lr_status lr_npy_parse_dictionary(const char *name, const char *text, size_t length, lr_npy_info *info, lr_error *err);

#endif
