// SPDX-License-Identifier: Apache-2.0
// The loops over a block are plain enough for the compiler to run four pixels at a time.
#include "sensor/noise.h"

#include "core/wide.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#define HALF (LR_NOISE_BLOCK/2)

lr_noise_stream lr_noise_stream_of(uint64_t seed, int module, int camera, lr_noise_use use, int part, int64_t line)
{
    assert(module >= 0 && module < 256 && camera >= 0 && camera < 256 && part >= 0 && part < 256);
    const uint32_t who = (uint32_t)use << 24 | (uint32_t)part << 16 | (uint32_t)module << 8 | (uint32_t)camera;
    return (lr_noise_stream){{(uint32_t)seed, (uint32_t)(seed >> 32)}, {(uint32_t)line, (uint32_t)((uint64_t)line >> 32), who}};
}

// ---- Bits -------------------------------------------------------------------------------------------------------

#define PHILOX_M0 0xd2511f53u
#define PHILOX_M1 0xcd9e8d57u
#define PHILOX_W0 0x9e3779b9u
#define PHILOX_W1 0xbb67ae85u

// One round on HALF counters at once. The same function as lr_philox, which a test holds it to.
static inline void philox_round(uint32_t c0[HALF], uint32_t c1[HALF], uint32_t c2[HALF], uint32_t c3[HALF], uint32_t k0, uint32_t k1)
{
    for (int i = 0; i < HALF; i++) {
        const uint64_t p0 = (uint64_t)PHILOX_M0*c0[i], p1 = (uint64_t)PHILOX_M1*c2[i];
        c0[i] = (uint32_t)(p1 >> 32) ^ c1[i] ^ k0;
        c1[i] = (uint32_t)p1;
        c2[i] = (uint32_t)(p0 >> 32) ^ c3[i] ^ k1;
        c3[i] = (uint32_t)p0;
    }
}

LR_WIDE_WHOLE void lr_noise_bits(const lr_noise_stream *stream, uint32_t block, uint32_t a[LR_NOISE_BLOCK], uint32_t b[LR_NOISE_BLOCK])
{
    uint32_t c0[HALF], c1[HALF], c2[HALF], c3[HALF];
    for (int i = 0; i < HALF; i++) {
        c0[i] = block*HALF + (uint32_t)i;
        c1[i] = stream->counter[0];
        c2[i] = stream->counter[1];
        c3[i] = stream->counter[2];
    }
    for (uint32_t round = 0; round < 10; round++)
        philox_round(c0, c1, c2, c3, stream->key[0] + round*PHILOX_W0, stream->key[1] + round*PHILOX_W1);
    memcpy(a, c0, sizeof c0);
    memcpy(a + HALF, c1, sizeof c1);
    memcpy(b, c2, sizeof c2);
    memcpy(b + HALF, c3, sizeof c3);
}

// ---- Normal -----------------------------------------------------------------------------------------------------

// -ln(v) for v in [2^-40, 1]: v = 2^e (1 + f), f in [sqrt(1/2) - 1, sqrt(2) - 1]. Own minimax fit, off by 3e-7.
static inline float minus_log(float v)
{
    int32_t bits;
    memcpy(&bits, &v, sizeof bits);
    const int32_t e = (bits - 0x3f3504f3) >> 23;  // 0x3f3504f3 is sqrt(1/2)
    bits -= (int32_t)((uint32_t)e << 23);
    memcpy(&v, &bits, sizeof v);
    const float f = v - 1.0f;
    float p = 0.1198656f;
    p = p*f - 0.18761966f;
    p = p*f + 0.20492608f;
    p = p*f - 0.24897742f;
    p = p*f + 0.33315542f;
    p = p*f - 0.50001486f;
    return -(f + f*f*p) - 0.69314718f*(float)e;
}

// With x = 2u - 1 and w = -ln(1 - x^2), z/x is a smooth function of w over the whole range: one quotient of
// polynomials, own minimax fit, |error of z| < 6.4e-6 for u from 2^-33 to 1 - 2^-33.
static inline float normal_inverse(uint32_t bits)
{
    const int32_t k = (int32_t)(bits ^ 0x80000000u);             // x = (k + 1/2)/2^31
    const int32_t m = k ^ (k >> 31);                             // |x| = (m + 1/2)/2^31
    const float t = ((float)(0x7fffffff - m) + 0.5f)*0x1p-31f;   // 1 - |x|, exact in the tails
    const float w = minus_log(t*(2.0f - t));
    float p = 1.1345256e-05f, q = 0.000151198945f;
    p = p*w + 0.00161717566f;
    p = p*w + 0.0185816615f;
    p = p*w + 0.127131418f;
    p = p*w + 0.567931342f;
    p = p*w + 1.25327801f;
    q = q*w + 0.00483207462f;
    q = q*w + 0.0385192686f;
    q = q*w + 0.191200945f;
    q = q*w + 1.0f;
    const float z = (1.0f - t)*p/q;
    return k < 0 ? -z : z;
}

LR_WIDE_WHOLE void lr_noise_normal(const uint32_t *restrict bits, int count, float *restrict z)
{
    for (int i = 0; i < count; i++)
        z[i] = normal_inverse(bits[i]);
}

// ---- Poisson ----------------------------------------------------------------------------------------------------

#define EXACT_BELOW 30.0f   // the expansion alone is good from here on
#define SEARCH_BELOW 4.0f   // a search from 0 takes few steps
#define SAFE_Z 3.0f         // for means of 4 and more and |z| below this the expansion is off by less than SAFE_GAP,
#define SAFE_GAP 0.05f      // so its whole part is exact unless it is that close to a whole number

static inline float at_least(float x, float lo) { return x > lo ? x : lo; }  // NaN becomes lo

// Continuous inverse; the count is its whole part. Fourth order in 1/sqrt(mean).
static inline float poisson_expansion(float mean, float z)
{
    const float root = sqrtf(mean), zz = z*z;
    const float a = (1.0f/3.0f) + zz*(1.0f/6.0f);
    const float b = z*(-1.0f/36.0f - zz*(1.0f/72.0f));
    const float c = -8.0f/405.0f + zz*(7.0f/810.0f + zz*(1.0f/270.0f));
    return mean + root*z + a + (b*root + c)/mean;
}

// 1/n: a division in the chain of the search would be half its time.
static const double reciprocal[] = {
    0, 1, 1.0/2, 1.0/3, 1.0/4, 1.0/5, 1.0/6, 1.0/7, 1.0/8, 1.0/9, 1.0/10, 1.0/11, 1.0/12, 1.0/13, 1.0/14, 1.0/15, 1.0/16,
};
enum { RECIPROCALS = sizeof reciprocal/sizeof reciprocal[0] };

// Smallest n with P(N <= n) >= u. Sums of positive terms in double: exact but for u within 1e-15 of a step.
static float poisson_search(double mean, uint32_t bits)
{
    const double u = (bits + 0.5)*0x1p-32;
    double term = exp(-mean), sum = term;
    int n = 0;
    while (u > sum && term > 1e-18) {
        n++;
        term *= n < RECIPROCALS ? mean*reciprocal[n] : mean/n;
        sum += term;
    }
    return (float)n;
}

LR_WIDE_WHOLE static void expand(const float *restrict mean, const float *restrict z, int count, float *restrict x, float *restrict n)
{
    float m[LR_NOISE_BLOCK];
    for (int i = 0; i < count; i++)  // a loop of its own: else the compiler makes a case of the constant, and no vectors
        m[i] = at_least(mean[i], SEARCH_BELOW);
    for (int i = 0; i < count; i++)
        x[i] = poisson_expansion(m[i], z[i]);
    for (int i = 0; i < count; i++) {
        x[i] = at_least(x[i], 0.0f);
        n[i] = (float)(int32_t)x[i];
    }
}

void lr_noise_poisson(const float *restrict mean, const uint32_t *restrict bits, int count, float *restrict n)
{
    assert(count >= 0 && count <= LR_NOISE_BLOCK);
    float z[LR_NOISE_BLOCK], x[LR_NOISE_BLOCK];
    lr_noise_normal(bits, count, z);
    expand(mean, z, count, x, n);
    for (int i = 0; i < count; i++) {
        if (mean[i] >= EXACT_BELOW)
            continue;
        const float part = x[i] - n[i];
        const int safe = mean[i] >= SEARCH_BELOW && fabsf(z[i]) < SAFE_Z && part > SAFE_GAP && part < 1.0f - SAFE_GAP;
        if (!safe)
            n[i] = mean[i] > 0.0f ? poisson_search((double)mean[i], bits[i]) : 0.0f;
    }
}
