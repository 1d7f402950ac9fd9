// SPDX-License-Identifier: Apache-2.0
// Random numbers as pure functions of a key: the same value whatever the threads, restarts or chunks.
// Two kinds: Philox4x32-10 for noise, and scrambled Sobol points for light paths.
// Sources: Salmon et al., Parallel Random Numbers: As Easy as 1, 2, 3, SC11 (Random123 library);
//          Burley, Practical Hash-based Owen Scrambling, JCGT 9(4), 2020.
#ifndef LR_CORE_RNG_H
#define LR_CORE_RNG_H

#include <stdint.h>

// Four independent 32-bit words of (key, counter).
void lr_philox(const uint32_t key[2], const uint32_t counter[4], uint32_t out[4]);

// Uniform in [0, 1): the top 24 bits, so that 1 is never reached in float.
static inline float lr_uniform(uint32_t bits) { return (float)(bits >> 8)*0x1p-24f; }

// Mixes two words into one (finaliser of MurmurHash3, public domain).
static inline uint32_t lr_hash(uint32_t a, uint32_t b)
{
    uint32_t h = a ^ (b*0x9e3779b9u + 0x7f4a7c15u);
    h ^= h >> 16; h *= 0x85ebca6bu; h ^= h >> 13; h *= 0xc2b2ae35u; h ^= h >> 16;
    return h;
}

static inline uint32_t lr_reverse_bits(uint32_t x)
{
    x = ((x >> 1) & 0x55555555u) | ((x & 0x55555555u) << 1);
    x = ((x >> 2) & 0x33333333u) | ((x & 0x33333333u) << 2);
    x = ((x >> 4) & 0x0f0f0f0fu) | ((x & 0x0f0f0f0fu) << 4);
    return __builtin_bswap32(x);
}

// Owen scrambling of a bit-reversed word: each bit is flipped by a hash of the bits below it.
static inline uint32_t lr_scramble_reversed(uint32_t x, uint32_t seed)
{
    x ^= x*0x3d20adeau; x += seed; x *= (seed >> 16) | 1u; x ^= x*0x05526c56u; x ^= x*0x53a22864u;
    return x;
}

// Point `index` of a (0,2)-sequence shuffled and scrambled by `seed`: any first 2^k points are stratified.
static inline void lr_sobol2(uint32_t index, uint32_t seed, float *u, float *v)
{
    const uint32_t i = lr_reverse_bits(lr_scramble_reversed(lr_reverse_bits(index), lr_hash(seed, 0)));
    uint32_t y = i;  // second Sobol dimension: the Pascal matrix as five masked shifts
    y ^= (y >> 16); y ^= (y & 0xff00ff00u) >> 8; y ^= (y & 0xf0f0f0f0u) >> 4;
    y ^= (y & 0xccccccccu) >> 2; y ^= (y & 0xaaaaaaaau) >> 1;
    *u = lr_uniform(lr_reverse_bits(lr_scramble_reversed(i, lr_hash(seed, 1))));
    *v = lr_uniform(lr_reverse_bits(lr_scramble_reversed(y, lr_hash(seed, 2))));
}

#endif
