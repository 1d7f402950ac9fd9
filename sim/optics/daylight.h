// SPDX-License-Identifier: Apache-2.0
// Sun and sky: where the sun stands, how strong sun and sky are under a clear sky, how a sky's brightness is spread.
// Sources: Reda & Andreas, Solar Position Algorithm, NREL/TP-560-34302 (2008);
//          Bird & Riordan, Simple Solar Spectral Model (SPCTRL2), SERI/TR-215-2436 (1984);
//          CIE S 011 / ISO 15469 Spatial distribution of daylight, CIE standard general sky.
#ifndef LR_OPTICS_DAYLIGHT_H
#define LR_OPTICS_DAYLIGHT_H

#include "core/status.h"

#define LR_SUN_RADIUS_RAD 0.00465238   // 0.26656 deg, mean angular radius of the disc (959.63 arc seconds at 1 au)

// ---- Where the sun is -------------------------------------------------------------------------------------------

typedef struct lr_utc { int year, month, day, hour, minute; double second; } lr_utc;  // Gregorian; UTC taken as UT1 (0.9 s at most)

typedef struct lr_place {  // start from lr_place_default()
    double latitude_rad;   // north positive
    double longitude_rad;  // east positive
    double height_m;
    double pressure_pa;    // for refraction, at the place
    double temperature_k;
    double delta_t_s;      // TT - UT; NaN: a built-in table
} lr_place;
lr_place lr_place_default(void);  // 0 N, 0 E, sea level, 101000 Pa, 283.15 K, delta_t NaN

typedef struct lr_sun {
    double azimuth_rad;         // clockwise from north, 0 .. 2 pi
    double elevation_rad;       // apparent: with refraction, seen from the place
    double true_elevation_rad;  // without refraction
    double distance_au;
    double longitude_rad;       // apparent geocentric ecliptic longitude
    double right_ascension_rad, declination_rad;  // geocentric, apparent
    double julian_day;          // UT
    int day_of_year;            // 1 .. 366
} lr_sun;

// RANGE: a date that does not exist, year outside 1583 .. 6000, a place off the globe.
lr_status lr_sun_position(const lr_utc *utc, const lr_place *place, lr_sun *out, lr_error *err);
// "2026-06-21T10:00:00Z" (seconds may have decimals; the Z is required). Errors: PARSE, RANGE.
lr_status lr_utc_parse(const char *text, lr_utc *out, lr_error *err);
int lr_day_of_year(int year, int month, int day);
// Unit vector towards the sun in world axes: x east, y north, z up.
void lr_sun_direction(double azimuth_rad, double elevation_rad, double out[3]);
// (1 au / distance)^2 from the day of the year, Spencer (1971): the irradiance outside the air over its mean.
double lr_sun_distance_factor(int day_of_year);

// ---- How strong, clear sky ----------------------------------------------------------------------------------------

typedef struct lr_air {       // start from lr_air_default()
    double pressure_pa;       // 101300
    double water_cm;          // precipitable water, 1.42
    double ozone_atm_cm;      // 0.34
    double aerosol;           // optical depth at 500 nm, 0.1
    double angstrom;          // exponent of its fall with wavelength, 1.14
    double albedo;            // of the ground, 0 .. 1, 0.2
    int day_of_year;          // 1 .. 366, for the distance of the sun
} lr_air;
lr_air lr_air_default(void);
lr_status lr_air_check(const lr_air *air, lr_error *err);  // RANGE, naming the field

typedef struct lr_clear_sky { double extraterrestrial, direct, diffuse; } lr_clear_sky;
//   extraterrestrial, direct: on a surface facing the sun; diffuse: on a horizontal surface. All [W/(m^2 m)]: 1 W/(m^2 nm) = 1e9 of these.

#define LR_CLEAR_SKY_ROWS 122
double lr_clear_sky_lambda_m(int row);  // wavelengths of the model's table, 300 nm .. 4 um
// At one row of the table. Zenith angle is that of the sun's apparent place; at 90 deg and beyond all is 0 (no twilight).
lr_clear_sky lr_clear_sky_row(const lr_air *air, double zenith_rad, int row);
// Straight lines between rows; 0 outside 300 nm .. 4 um.
lr_clear_sky lr_clear_sky_at(const lr_air *air, double zenith_rad, double lambda_m);
// Relative air mass, Kasten & Young (1989).
double lr_air_mass(double zenith_rad);

// ---- How a sky's brightness is spread -----------------------------------------------------------------------------

typedef struct lr_sky {
    double a, b, c, d, e;   // of the standard
    double scale;           // 1/(phi(0) f(Zs)): makes the zenith 1
} lr_sky;
#define LR_SKY_TYPES 15
// Type 1 .. 15, sun zenith angle. RANGE for another type.
lr_status lr_sky_create(int type, double sun_zenith_rad, lr_sky *out, lr_error *err);
// L/Lz of the sky point; cos_zenith 0 .. 1 (below the horizon: 0), cos_sun = cosine of the angle to the sun.
double lr_sky_ratio(const lr_sky *sky, double cos_zenith, double cos_sun);
// Horizontal irradiance over zenith radiance [sr], by quadrature (thousands of evaluations): Lz = E / this.
double lr_sky_horizontal(const lr_sky *sky, double sun_zenith_rad);

#endif
