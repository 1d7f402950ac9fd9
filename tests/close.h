// SPDX-License-Identifier: Apache-2.0
// Comparisons in double that print got, want and difference in full. LR_TOL_SCALE multiplies every tolerance;
// LR_TOL_SCALE=0 prints each residual and goes on, to see how much room a tolerance has.
#ifndef LR_TESTS_CLOSE_H
#define LR_TESTS_CLOSE_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

static inline double close_scale(void)
{
    const char *text = getenv("LR_TOL_SCALE");
    return text ? strtod(text, NULL) : 1.0;
}

static inline void close_check(double got, double want, double allowed, const char *what, const char *file, int line)
{
    const double difference = got - want, scale = close_scale();
    if (scale == 0.0) {
        printf("%s:%d: %s: got %.17g want %.17g off %.3g allowed %.3g\n", file, line, what, got, want, difference, allowed);
        return;
    }
    if (got == want || fabs(difference) <= allowed*scale)  // NaN fails
        return;
    print_error("%s:%d: %s: got %.17g want %.17g off %.3g allowed %.3g\n", file, line, what, got, want, difference, allowed*scale);
    _fail(file, line);
}

// |got - want| <= tol |want|
#define assert_rel(got, want, tol) close_check((got), (want), (tol)*fabs((double)(want)), #got, __FILE__, __LINE__)
// |got - want| <= tol
#define assert_near(got, want, tol) close_check((got), (want), (tol), #got, __FILE__, __LINE__)

#endif
