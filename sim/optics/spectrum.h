// SPDX-License-Identifier: Apache-2.0
// Light by wavelength: constants, Planck, the eye's V, built-in lamps, built-in quantum efficiencies.
// Wavelengths in metres; spectral densities per METRE of wavelength (1 W/nm = 1e9 W/m).
// Sources: SI 2019 constants; V and illuminants: CIE 015 and CIE 018 tables (see spectrum_data.c); ASTM G173-03.
#ifndef LR_OPTICS_SPECTRUM_H
#define LR_OPTICS_SPECTRUM_H

#include "core/status.h"
#include "core/table.h"

#define LR_PLANCK_J_S 6.62607015e-34      // exact, SI 2019
#define LR_LIGHT_M_S 299792458.0          // exact
#define LR_BOLTZMANN_J_K 1.380649e-23     // exact
#define LR_CHARGE_C 1.602176634e-19       // exact
#define LR_KM_LM_W 683.0                  // lumens per watt at the peak of V (683.002 by the definition at 540 THz)
#define LR_NM 1e-9

static inline double lr_photon_energy_j(double lambda_m) { return LR_PLANCK_J_S*LR_LIGHT_M_S/lambda_m; }

// Planck's law: radiance of a black body per metre of wavelength [W/(m^2 sr m)]. The exitance is pi times this.
double lr_planck(double lambda_m, double kelvin);

// A built-in table: evenly spaced if x_nm is NULL.
typedef struct lr_curve {
    const char *name;
    int count;
    double first_nm, step_nm;
    const double *x_nm;  // (count) or NULL
    const double *y;     // (count)
} lr_curve;
double lr_curve_at(const lr_curve *curve, double lambda_m);  // straight lines between; 0 outside
// Copy as a table over metres, zero outside. Errors: MEMORY.
lr_status lr_curve_table(const lr_curve *curve, lr_table *out, lr_error *err);

extern const lr_curve lr_curve_v;            // V(lambda), CIE 1924, 360 .. 830 nm
extern const lr_curve lr_curve_cie_a, lr_curve_cie_d65, lr_curve_led_b1, lr_curve_led_b3, lr_curve_fl2, lr_curve_fl11;  // relative
extern const lr_curve lr_curve_g173_direct;  // W/(m^2 nm), direct + circumsolar on a normal surface, 5 nm means, 300 .. 1100 nm
extern const lr_curve lr_curve_g173_global;  // W/(m^2 nm), 37 degree tilt

static inline double lr_eye(double lambda_m) { return lr_curve_at(&lr_curve_v, lambda_m); }

// Lamps and daylight by name.
typedef enum lr_spectrum {
    LR_SPECTRUM_FLAT,         // "flat": the same per metre over 300 .. 1100 nm, nothing outside
    LR_SPECTRUM_INCANDESCENT, // "incandescent": CIE illuminant A, by its formula at all wavelengths (about 2856 K)
    LR_SPECTRUM_HALOGEN,      // "halogen": Planck 3000 K
    LR_SPECTRUM_FLUORESCENT,  // "fluorescent": CIE FL11, three-band, about 4000 K (from memory); nothing above 780 nm
    LR_SPECTRUM_FLUORESCENT_BROAD, // "fluorescent_broad": CIE FL2, about 4200 K (from memory)
    LR_SPECTRUM_LED_2700K,    // "led_2700k": CIE LED-B1 (2733 K, from memory); nothing above 780 nm
    LR_SPECTRUM_LED_4000K,    // "led_4000k": CIE LED-B3 (4103 K, from memory)
    LR_SPECTRUM_DAYLIGHT,     // "daylight": CIE D65 to 780 nm; above it ASTM G173 global, joined at 780 nm
    LR_SPECTRUM_COUNT
} lr_spectrum;
extern const char *const lr_spectrum_names[];  // in the order of the enum, then NULL

double lr_spectrum_value(lr_spectrum spectrum, double lambda_m);  // relative, each on its own scale

// Integrals over all the wavelengths a spectrum has, of lr_spectrum_value. They cost some thousand steps: keep them.
typedef struct lr_spectrum_sum {
    double watts;   // integral S dlambda          [S m]
    double lumens;  // Km integral S V dlambda     [S m lm/W]
} lr_spectrum_sum;
lr_spectrum_sum lr_spectrum_total(lr_spectrum spectrum);
lr_spectrum_sum lr_spectrum_total_table(const lr_table *relative_per_m);  // a user's spectrum over metres, nothing
                                                                             // outside; one value: flat, 300 .. 1100 nm
lr_spectrum_sum lr_spectrum_between(lr_spectrum spectrum, double lo_m, double hi_m);  // steps of 1 nm or less
// For a lamp of F lumens: flux per metre = F lr_spectrum_value()/total.lumens [W/m]; of P watts: P value/total.watts.
// Efficacy of radiation [lm/W] = total.lumens/total.watts.

// Quantum efficiency of typical silicon sensors, electrons per photon.
// "bsi_cmos_6um5", "bsi_cmos_9um" (read from public data), "fsi_cmos" (front-illuminated, typical, from memory). NULL if unknown.
const lr_curve *lr_qe_find(const char *name);
extern const char *const lr_qe_names[];  // then NULL

#endif
