// SPDX-License-Identifier: Apache-2.0
// Clear sky: Bird & Riordan, Simple Solar Spectral Model for Direct and Diffuse Irradiance on Horizontal and Tilted Planes
// at the Earth's Surface for Cloudless Atmospheres, SERI/TR-215-2436 (1984). Where the report and the authors' C program
// differ we follow the program: 1.3366 and 118.3 below, air mass of Kasten & Young, the short-wave factor Cs applied
// once, and TU' (not TO') in the reflectivity of the sky.
#include <assert.h>
#include <math.h>

#include "core/vec.h"
#include "optics/daylight_data.h"

lr_air lr_air_default(void)
{
    return (lr_air){.pressure_pa = 101300.0, .water_cm = 1.42, .ozone_atm_cm = 0.34, .aerosol = 0.1,
                    .angstrom = 1.14, .albedo = 0.2, .day_of_year = 80};
}

lr_status lr_air_check(const lr_air *air, lr_error *err)
{
    if (!(air->pressure_pa >= 0.0 && air->pressure_pa <= 200e3))
        return lr_fail(err, LR_ERR_RANGE, "pressure_pa: %g is not in [0, 200000]", air->pressure_pa);
    if (!(air->water_cm >= 0.0 && air->water_cm <= 20.0))
        return lr_fail(err, LR_ERR_RANGE, "water_cm: %g is not in [0, 20]", air->water_cm);
    if (!(air->ozone_atm_cm >= 0.0 && air->ozone_atm_cm <= 2.0))
        return lr_fail(err, LR_ERR_RANGE, "ozone_atm_cm: %g is not in [0, 2]", air->ozone_atm_cm);
    if (!(air->aerosol >= 0.0 && air->aerosol <= 10.0))
        return lr_fail(err, LR_ERR_RANGE, "aerosol: %g is not in [0, 10]", air->aerosol);
    if (!(air->angstrom >= -1.0 && air->angstrom <= 4.0))
        return lr_fail(err, LR_ERR_RANGE, "angstrom: %g is not in [-1, 4]", air->angstrom);
    if (!(air->albedo >= 0.0 && air->albedo <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "albedo: %g is not in [0, 1]", air->albedo);
    if (!(air->day_of_year >= 1 && air->day_of_year <= 366))
        return lr_fail(err, LR_ERR_RANGE, "day_of_year: %d is not in 1 .. 366", air->day_of_year);
    return LR_OK;
}

double lr_air_mass(double zenith_rad)
{
    const double zenith_deg = zenith_rad/LR_DEG;
    return 1.0/(cos(zenith_rad) + 0.50572*pow(96.07995 - zenith_deg, -1.6364));
}

double lr_clear_sky_lambda_m(int row)
{
    assert(row >= 0 && row < LR_CLEAR_SKY_ROWS);
    return clear_sky_terms[row].lambda_nm*1e-9;
}

// Transmittances at one wavelength along an air mass.
typedef struct through { double rayleigh, water, gas, scattered, absorbed; } through;  // the last two: by the aerosol

static through air_through(const lr_air *air, const clear_sky_term *term, double mass)
{
    const double um = term->lambda_nm*1e-3, um2 = um*um, mass_pressure = mass*air->pressure_pa/101300.0;
    const double log_um = log(um/0.4), albedo = 0.945*exp(-0.095*log_um*log_um);  // share of extinction that scatters
    const double depth = air->aerosol*pow(um/0.5, -air->angstrom)*mass;
    const double water = term->water*air->water_cm*mass, gas = term->gas*mass_pressure;
    return (through){
        .rayleigh = exp(-mass_pressure/(um2*um2*(115.6406 - 1.3366/um2))),
        .water = exp(-0.2385*water/pow(1.0 + 20.07*water, 0.45)),
        .gas = exp(-1.41*gas/pow(1.0 + 118.3*gas, 0.45)),
        .scattered = exp(-albedo*depth),
        .absorbed = exp(-(1.0 - albedo)*depth),
    };
}

static double ozone_mass(double mu)
{
    const double h = 22.0/6370.0;
    return (1.0 + h)/sqrt(mu*mu + 2.0*h);
}

// Share of light the aerosol sends downwards, for asymmetry 0.65.
static double downward(double mu)
{
    const double l = log(1.0 - 0.65);
    const double a = l*(1.459 + l*(0.1595 + 0.4129*l)), b = l*(0.0783 + l*(-0.3824 - 0.5874*l));
    return 1.0 - 0.5*exp((a + b*mu)*mu);
}

// What the sky sends back of light coming from the ground: the primed transmittances, at an air mass of 1.8.
static double sky_reflectance(const lr_air *air, const clear_sky_term *term)
{
    const through t = air_through(air, term, 1.8);
    return t.gas*t.water*t.absorbed
        *(0.5*(1.0 - t.rayleigh) + (1.0 - downward(1.0/1.8))*t.rayleigh*(1.0 - t.scattered));
}

lr_clear_sky lr_clear_sky_row(const lr_air *air, double zenith_rad, int row)
{
    assert(air && row >= 0 && row < LR_CLEAR_SKY_ROWS);
    const clear_sky_term *term = &clear_sky_terms[row];
    const double sun = term->sun*lr_sun_distance_factor(air->day_of_year), mu = cos(zenith_rad);
    if (!(zenith_rad < 0.5*LR_PI))
        return (lr_clear_sky){sun*1e9, 0.0, 0.0};
    const through t = air_through(air, term, lr_air_mass(zenith_rad));
    const double ozone = exp(-term->ozone*air->ozone_atm_cm*ozone_mass(mu));
    const double direct = sun*t.rayleigh*t.scattered*t.absorbed*t.water*ozone*t.gas;
    const double common = sun*mu*ozone*t.gas*t.water*t.absorbed;
    const double rayleigh = 0.5*common*(1.0 - pow(t.rayleigh, 0.95));
    const double aerosol = common*pow(t.rayleigh, 1.5)*(1.0 - t.scattered)*downward(mu);
    const double back = sky_reflectance(air, term)*air->albedo;
    const double ground = (direct*mu + rayleigh + aerosol)*back/(1.0 - back);
    const double um = term->lambda_nm*1e-3, cs = um <= 0.45 ? pow(um + 0.55, 1.8) : 1.0;
    return (lr_clear_sky){sun*1e9, direct*1e9, (rayleigh + aerosol + ground)*cs*1e9};
}

lr_clear_sky lr_clear_sky_at(const lr_air *air, double zenith_rad, double lambda_m)
{
    const double nm = lambda_m*1e9, first = clear_sky_terms[0].lambda_nm, end = clear_sky_terms[LR_CLEAR_SKY_ROWS - 1].lambda_nm;
    if (!(nm >= first - 1e-6 && nm <= end + 1e-6))  // rounding of metres must not cut the ends off
        return (lr_clear_sky){0.0, 0.0, 0.0};
    int lo = 0, hi = LR_CLEAR_SKY_ROWS - 1;
    while (hi - lo > 1) {
        const int mid = (lo + hi)/2;
        if (clear_sky_terms[mid].lambda_nm <= nm)
            lo = mid;
        else
            hi = mid;
    }
    const lr_clear_sky a = lr_clear_sky_row(air, zenith_rad, lo), b = lr_clear_sky_row(air, zenith_rad, hi);
    const double u = (nm - clear_sky_terms[lo].lambda_nm)/(clear_sky_terms[hi].lambda_nm - clear_sky_terms[lo].lambda_nm);
    return (lr_clear_sky){a.extraterrestrial + u*(b.extraterrestrial - a.extraterrestrial), a.direct + u*(b.direct - a.direct),
                          a.diffuse + u*(b.diffuse - a.diffuse)};
}
