// SPDX-License-Identifier: Apache-2.0
// Tables shared by the daylight sources only.
#ifndef LR_OPTICS_DAYLIGHT_DATA_H
#define LR_OPTICS_DAYLIGHT_DATA_H

#include "optics/daylight.h"

typedef struct clear_sky_term { double lambda_nm, sun, water, ozone, gas; } clear_sky_term;
extern const clear_sky_term clear_sky_terms[LR_CLEAR_SKY_ROWS];

// amplitude cos(phase + rate t), t in Julian millennia; amplitudes in 1e-8 rad or 1e-8 au.
typedef struct earth_term { double amplitude, phase, rate; } earth_term;
typedef struct earth_series { int count; const earth_term *term; } earth_series;  // factor of one power of t
extern const earth_series earth_longitude[6], earth_latitude[2], earth_distance[5];

// Nutation: multiples of the five arguments (D, M, M', F, Omega); 0.0001 arc second, and that per century.
typedef struct nutation_term { signed char d, m, mp, f, om; double psi, psi_t, eps, eps_t; } nutation_term;
#define NUTATION_TERMS 63
extern const nutation_term nutation_terms[NUTATION_TERMS];

#endif
