// SPDX-License-Identifier: Apache-2.0
// Samples a second of the sensor on one core, by signal. Run by hand: bench_sensor [lines]
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "sensor/sensor.h"

static double now_s(void)  // of this process only: other work on the machine does not count
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

int main(int argc, char **argv)
{
    const int lines = argc > 1 ? atoi(argv[1]) : 2000;
    static const float signal_e[] = {0, 0.1f, 0.5f, 1, 2, 3.9f, 5, 10, 20, 29, 35, 100, 1000, 5000, 100000};
    lr_sensor_def def = lr_camera_def_default().sensor;
    lr_sensor *sensor;
    if (lr_sensor_create(&def, 1e-4, 1, 0, 0, &sensor, NULL) != LR_OK)
        return 1;
    static float expected_e[65536];
    static uint16_t dn[65536];
    unsigned long sum = 0;
    for (size_t k = 0; k <= sizeof signal_e/sizeof signal_e[0]; k++) {
        const int mixed = k == sizeof signal_e/sizeof signal_e[0];
        for (int i = 0; i < def.pixels; i++)  // mixed: dots on a dim wall
            expected_e[i] = mixed ? (i % 8 < 3 ? 1500.0f : 12.0f) : signal_e[k];
        const double start_s = now_s();
        for (int line = 0; line < lines; line++) {
            lr_sensor_expose(sensor, line, expected_e, dn);
            sum += dn[line % def.pixels];
        }
        const double million = 1e-6*lines*def.pixels/(now_s() - start_s);
        if (mixed)
            printf("dots 1500 e on 12 e  %7.1f M samples/s  (checksum %lu)\n", million, sum);
        else
            printf("%10g e         %7.1f M samples/s\n", (double)signal_e[k], million);
    }
    lr_sensor_destroy(sensor);
    return 0;
}
