// SPDX-License-Identifier: Apache-2.0
// The wavelength bins of a scan: a few over the pass band for ambient light, then one for each laser line.
// Surfaces are baked to one value a bin; a source's spectrum meets the filter and sensor curve per pixel, in full.
#ifndef LR_OPTICS_BINS_H
#define LR_OPTICS_BINS_H

#define LR_MAX_AMBIENT_BINS 8
#define LR_MAX_LASER_LINES 4
#define LR_MAX_BINS (LR_MAX_AMBIENT_BINS + LR_MAX_LASER_LINES)

typedef struct lr_bins {
    int ambient_count;                         // 1 .. 8
    int line_count;                            // distinct laser wavelengths, 0 .. 4
    double edge_m[LR_MAX_AMBIENT_BINS + 1];    // ambient bin b spans edge_m[b] .. edge_m[b+1]
    double center_m[LR_MAX_BINS];              // where surfaces are evaluated: middles of ambient bins, then laser lines
} lr_bins;

#endif
