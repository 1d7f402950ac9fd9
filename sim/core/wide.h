// SPDX-License-Identifier: Apache-2.0
// Inner loops over many values are compiled twice, the wider form taken where the machine has it; both give the same bytes, as nothing is
// contracted. LR_WIDE_WHOLE draws the functions they call inside as well. Not under clang, which names such functions in its own way and
// cannot do both: there they are compiled once.
#ifndef LR_CORE_WIDE_H
#define LR_CORE_WIDE_H

#ifdef __clang__
#define LR_WIDE
#define LR_WIDE_WHOLE
#else
#define LR_WIDE __attribute__((target_clones("avx2", "default")))
#define LR_WIDE_WHOLE __attribute__((target_clones("avx2", "default"), flatten))
#endif

#endif
