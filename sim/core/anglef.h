// SPDX-License-Identifier: Apache-2.0
// Angles in float for inner loops: short polynomials instead of library calls. Deterministic; errors as stated, checked in the test.
#ifndef LR_CORE_ANGLEF_H
#define LR_CORE_ANGLEF_H

#include <math.h>

// The library's fminf and fmaxf are calls, for the sake of NaN. These return b if either is NaN.
static inline float lr_minf(float a, float b) { return a < b ? a : b; }
static inline float lr_maxf(float a, float b) { return a > b ? a : b; }

// Largest integer at or below x, for |x| below 2^31.
static inline int lr_floorf(float x)
{
    const int i = (int)x;
    return i - (x < (float)i);
}

// Cosine and sine of `turn` full turns, turn in [0, 1]; within 2e-7. Taylor series about the nearest quarter.
static inline void lr_turnf(float turn, float *cosine, float *sine)
{
    const int quarter = (int)(4.0f*turn + 0.5f);
    const float x = (turn - 0.25f*(float)quarter)*6.28318531f, x2 = x*x;
    const float s = x*(1.0f + x2*(-1.0f/6.0f + x2*(1.0f/120.0f + x2*(-1.0f/5040.0f + x2*(1.0f/362880.0f)))));
    const float c = 1.0f + x2*(-0.5f + x2*(1.0f/24.0f + x2*(-1.0f/720.0f + x2*(1.0f/40320.0f))));
    const float a = quarter & 1 ? s : c, b = quarter & 1 ? c : s;
    *cosine = (quarter + 1) & 2 ? -a : a;
    *sine = quarter & 2 ? -b : b;
}

// acos within 5e-7, rounding and all. Source: Abramowitz & Stegun, 4.4.46 (from memory; its error of 2e-8 is checked in the test).
static inline float lr_acosf(float x)
{
    const float a = lr_minf(fabsf(x), 1.0f);
    const float p = 1.5707963050f + a*(-0.2145988016f + a*(0.0889789874f + a*(-0.0501743046f + a*(0.0308918810f +
                    a*(-0.0170881256f + a*(0.0066700901f + a*-0.0012624911f))))));
    const float angle = sqrtf(1.0f - a)*p;
    return x < 0.0f ? 3.14159265f - angle : angle;
}

// atan of 0 .. 1, within 2e-7: halved first by atan x = 2 atan(x/(1 + sqrt(1 + x^2))), then the series in odd powers to x^17.
static inline float lr_atan01f(float x)
{
    const float h = x/(1.0f + sqrtf(1.0f + x*x)), h2 = h*h;
    return 2.0f*h*(1.0f + h2*(-1.0f/3.0f + h2*(1.0f/5.0f + h2*(-1.0f/7.0f + h2*(1.0f/9.0f + h2*(-1.0f/11.0f + h2*(1.0f/13.0f +
           h2*(-1.0f/15.0f + h2*(1.0f/17.0f)))))))));
}

// atan2 within 5e-7; 0 at the origin.
static inline float lr_atan2f(float y, float x)
{
    const float ay = fabsf(y), ax = fabsf(x), most = lr_maxf(ax, ay), least = lr_minf(ay, ax);
    float angle = lr_atan01f(least/(most > 0.0f ? most : 1.0f));  // no branch: loops over it become vectors
    if (ay > ax)
        angle = 1.57079633f - angle;
    if (x < 0.0f)
        angle = 3.14159265f - angle;
    return y < 0.0f ? -angle : angle;
}

#endif
