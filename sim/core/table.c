// SPDX-License-Identifier: Apache-2.0
#include "core/table.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static lr_status check_rising(int count, const double *x, const double *y, lr_error *err)
{
    for (int i = 0; i < count; i++) {
        if (!isfinite(x[i]) || !isfinite(y[i]))
            return lr_fail(err, LR_ERR_RANGE, "table: entry %d is not finite", i);
        if (i > 0 && !(x[i] > x[i - 1]))
            return lr_fail(err, LR_ERR_RANGE, "table: entry %d: %.9g does not rise above %.9g", i, x[i], x[i - 1]);
    }
    return LR_OK;
}

lr_status lr_table_create(int count, const double *x, const double *y, lr_table *out, lr_error *err)
{
    assert(out && (count <= 0 || (x && y)));
    *out = (lr_table){0};
    if (!(count >= 1))
        return lr_fail(err, LR_ERR_RANGE, "table: no entries");
    LR_TRY(check_rising(count, x, y, err));

    const size_t bytes = (size_t)count*sizeof(double);
    double *x_copy = malloc(bytes), *y_copy = malloc(bytes);
    if (!x_copy || !y_copy) {
        free(x_copy);
        free(y_copy);
        return lr_fail(err, LR_ERR_MEMORY, "table: out of memory");
    }
    memcpy(x_copy, x, bytes);
    memcpy(y_copy, y, bytes);
    *out = (lr_table){.count = count, .x = x_copy, .y = y_copy};
    return LR_OK;
}

lr_status lr_table_constant(double y, lr_table *out, lr_error *err)
{
    const double x = 0.0;
    return lr_table_create(1, &x, &y, out, err);
}

lr_status lr_table_copy(const lr_table *table, lr_table *out, lr_error *err)
{
    const int outside_zero = table->outside_zero;
    if (table->count == 0)
        *out = (lr_table){0};
    else
        LR_TRY(lr_table_create(table->count, table->x, table->y, out, err));
    out->outside_zero = outside_zero;
    return LR_OK;
}

void lr_table_free(lr_table *table)
{
    if (!table)
        return;
    free(table->x);
    free(table->y);
    *table = (lr_table){0};
}

// The segment [i, i + 1] that holds x; x lies between the ends.
static int segment_of(const lr_table *table, double x)
{
    int lo = 0, hi = table->count - 1;
    while (hi - lo > 1) {
        const int middle = lo + (hi - lo)/2;
        if (x < table->x[middle])
            hi = middle;
        else
            lo = middle;
    }
    return lo;
}

static double line_at(const lr_table *table, int i, double x)
{
    const double t = (x - table->x[i])/(table->x[i + 1] - table->x[i]);
    return (1.0 - t)*table->y[i] + t*table->y[i + 1];  // exact at both ends
}

double lr_table_at(const lr_table *table, double x)
{
    if (table->count == 0)
        return 0.0;
    if (table->count == 1)
        return table->y[0];
    const int last = table->count - 1;
    if (x < table->x[0])
        return table->outside_zero ? 0.0 : table->y[0];
    if (x > table->x[last])
        return table->outside_zero ? 0.0 : table->y[last];
    return line_at(table, segment_of(table, x), x);
}

// Integral over [lo, hi] within the ends of the table, lo < hi.
static double integral_inside(const lr_table *table, double lo, double hi)
{
    double sum = 0.0;
    for (int i = segment_of(table, lo); i < table->count - 1 && table->x[i] < hi; i++) {
        const double a = fmax(lo, table->x[i]), b = fmin(hi, table->x[i + 1]);
        sum += 0.5*(b - a)*(line_at(table, i, a) + line_at(table, i, b));
    }
    return sum;
}

double lr_table_integral(const lr_table *table, double lo, double hi)
{
    if (table->count == 0)
        return 0.0;
    if (table->count == 1)
        return table->y[0]*(hi - lo);
    if (hi < lo)
        return -lr_table_integral(table, hi, lo);

    const int last = table->count - 1;
    const double first_x = table->x[0], last_x = table->x[last];
    double sum = 0.0;
    if (!table->outside_zero && lo < first_x)
        sum += (fmin(hi, first_x) - lo)*table->y[0];
    if (!table->outside_zero && hi > last_x)
        sum += (hi - fmax(lo, last_x))*table->y[last];
    const double a = fmax(lo, first_x), b = fmin(hi, last_x);
    return a < b ? sum + integral_inside(table, a, b) : sum;
}
