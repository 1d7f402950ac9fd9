// SPDX-License-Identifier: Apache-2.0
// Memory for large tables that are read here and there: on large pages where the system has them to give, as each small page touched would
// have to be looked up first.
#ifndef LR_CORE_PAGES_H
#define LR_CORE_PAGES_H

#include <stddef.h>

// All 0; NULL: out of memory. The owner calls free.
void *lr_pages_alloc(size_t bytes);

#endif
