// SPDX-License-Identifier: Apache-2.0
// A function of one variable by its values at rising places, straight lines between. Often a spectrum over metres.
#ifndef LR_CORE_TABLE_H
#define LR_CORE_TABLE_H

#include "core/status.h"

typedef struct lr_table {
    int count;    // 0: not given; 1: the same value everywhere
    double *x;    // rising (count)
    double *y;    // (count)
    int outside_zero;  // beyond the ends: 0 = hold the end value, 1 = zero (spectra of light)
} lr_table;

lr_status lr_table_create(int count, const double *x, const double *y, lr_table *out, lr_error *err);  // copies; RANGE if x does not rise
lr_status lr_table_constant(double y, lr_table *out, lr_error *err);
lr_status lr_table_copy(const lr_table *table, lr_table *out, lr_error *err);
void lr_table_free(lr_table *table);  // leaves it empty

double lr_table_at(const lr_table *table, double x);
// Integral from lo to hi, exact for the straight lines.
double lr_table_integral(const lr_table *table, double lo, double hi);

#endif
