// SPDX-License-Identifier: Apache-2.0
#include "run/light_error.h"

#include <math.h>

#define ONE_IN 64
#define LEAST_LINES 16

const char *const lr_light_error_parts[] = {"all", "direct", "indirect", "sun", "sky", "lamp", NULL};

int lr_light_error_wants(int64_t row, int64_t rows, int slot, int slots)
{
    int64_t step = rows*slots/LEAST_LINES;
    step = step < 1 ? 1 : step > ONE_IN ? ONE_IN : step;
    return (row + slot*(step/slots + 1)) % step == step/2;   // cameras take turns
}

lr_truth_error lr_light_error_line(const lr_sensor *sensor, float *const one[5], float *const other[5])
{
    lr_truth_error record = {.measured = lr_sensor_pixels(sensor)};
    for (int i = 0; i < record.measured; i++) {
        double mean_e = 0.0, all = 0.0;
        for (int part = 0; part < 5; part++)
            mean_e += 0.5*((double)one[part][i] + (double)other[part][i]);
        const double variance = lr_sensor_variance_e2(sensor, mean_e);
        for (int part = 0; part < 5; part++) {
            const double error = ((double)one[part][i] - (double)other[part][i])/sqrt(2.0);
            all += error;
            record.square[part + 1] += error*error/variance;
        }
        record.square[0] += all*all/variance;
        record.within += 16.0*all*all < variance;
    }
    return record;
}

void lr_light_error_add(lr_light_error *sum, const lr_truth_error *record)
{
    sum->lines += record->measured > 0;
    sum->pixels += record->measured;
    sum->within += record->within;
    for (int part = 0; part < 6; part++)
        sum->square[part] += record->square[part];
}

double lr_light_error_share(const lr_light_error *e) { return (double)e->within/(double)e->pixels; }
double lr_light_error_rms(const lr_light_error *e, int part) { return sqrt(e->square[part]/(double)e->pixels); }

void lr_light_error_json(const lr_light_error *e, lr_text *out)
{
    lr_text_add(out, "{\"share\": ");
    lr_text_number(out, lr_light_error_share(e));
    lr_text_add(out, ", \"lines\": %lld, \"pixels\": %lld, \"rms\": {", (long long)e->lines, (long long)e->pixels);
    for (int part = 0; part < 6; part++) {
        lr_text_add(out, "%s\"%s\": ", part ? ", " : "", lr_light_error_parts[part]);
        lr_text_number(out, lr_light_error_rms(e, part));
    }
    lr_text_add(out, "}}");
}
