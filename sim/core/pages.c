// SPDX-License-Identifier: Apache-2.0
#include "core/pages.h"

#include <stdlib.h>
#include <string.h>
#if __has_include(<sys/mman.h>)
#include <sys/mman.h>
#endif

#define LINE 64u
#define LARGE_PAGE ((size_t)1 << 21)   // less than this has little to gain

void *lr_pages_alloc(size_t bytes)
{
    const size_t align = bytes >= LARGE_PAGE ? LARGE_PAGE : LINE, whole = (bytes + align - 1)/align*align;
    void *block = whole >= bytes ? aligned_alloc(align, whole > 0 ? whole : align) : NULL;
    if (!block)
        return NULL;
#ifdef MADV_HUGEPAGE
    if (align == LARGE_PAGE)
        (void)madvise(block, whole, MADV_HUGEPAGE);   // only advice: refused, small pages it is
#endif
    return memset(block, 0, whole);
}
