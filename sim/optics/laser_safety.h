// SPDX-License-Identifier: Apache-2.0
// Laser safety of the eye, Class 1, 400 .. 1400 nm, thermal limits of the retina: what a design may emit. Estimates only, see
// LR_LASER_CAUTION; the photochemical limits below 600 nm and the skin are not in here.
// Source: IEC 60825-1:2014, Tables 3, 9, 10 and clause 4.3 f); ICNIRP 2013 (Health Phys. 105(3):271-295) for exposure.
//   The standard itself was not read: formulas from memory, confirmed for 700 .. 1050 nm against a public copy of its tables
//   of its tables. The tables round; their seams (at 5 us and 10 s) are kept.
#ifndef LR_OPTICS_LASER_SAFETY_H
#define LR_OPTICS_LASER_SAFETY_H

#define LR_LASER_CAUTION \
    "Design estimate only: classification and labelling are for a competent person under the standard in force and local rules. " \
    "A head must shut its laser off when the rotor stalls."

#define LR_SAFETY_LO_M 400e-9      // wavelengths outside give NaN
#define LR_SAFETY_HI_M 1400e-9
#define LR_SAFETY_ALPHA_MIN_RAD 1.5e-3    // a smaller apparent source counts as this
#define LR_SAFETY_APERTURE_M 7e-3         // pupil, condition 3 of Table 10, at LR_SAFETY_DISTANCE_M
#define LR_SAFETY_DISTANCE_M 0.1
#define LR_SAFETY_TELESCOPE_M 50e-3       // condition 1 of Table 10, at LR_SAFETY_TELESCOPE_DISTANCE_M
#define LR_SAFETY_TELESCOPE_DISTANCE_M 2.0
#define LR_SAFETY_TIME_BASE_S 100.0       // Class 1, invisible light

double lr_safety_c4(double lambda_m);
double lr_safety_c7(double lambda_m);
double lr_safety_alpha_max_rad(double time_s);
double lr_safety_c6(double alpha_rad, double time_s);
double lr_safety_t2_s(double alpha_rad);
double lr_safety_ti_s(double lambda_m);

// Class 1 accessible emission limit of one emission of this duration, 100 fs .. 30,000 s, into the pupil [J]. NaN outside.
double lr_safety_ael_j(double lambda_m, double time_s, double alpha_rad);
// Greatest permitted exposure of the cornea [J/m^2]: from 700 to 1050 nm by its own table, elsewhere AEL over the pupil's area.
double lr_safety_mpe_j_m2(double lambda_m, double time_s, double alpha_rad);

// Rule 3 of 4.3 f): what a pulse of a train may have of the limit for a single pulse. `count` pulses within the time base.
double lr_safety_c5(double lambda_m, double pulse_s, double alpha_rad, double count, double time_base_s);

// A beam that turns about a vertex crosses an aperture at a distance.
double lr_safety_pass_s(double rev_per_s, double aperture_m, double distance_m);
// Share of a sheet's power, `per_rad` along its fan and Gaussian across with standard deviation sigma_m, that enters a round
// aperture centred on it. `per_rad` is a function of the angle from the aperture's centre; NULL: 1/fan_rad, evenly.
typedef double (*lr_safety_fan)(const void *context, double from_rad, double to_rad);  // mean share per radian between
double lr_safety_sheet_share(double fan_rad, double aperture_m, double distance_m, double sigma_m, lr_safety_fan per_rad, const void *context);

#endif
