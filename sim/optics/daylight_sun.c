// SPDX-License-Identifier: Apache-2.0
// Where the sun stands: Reda & Andreas, Solar Position Algorithm for Solar Radiation Applications, NREL/TP-560-34302
// (2008). Steps: Earth around the sun (VSOP87) -> sun seen from the Earth's centre, with nutation and aberration
// -> right ascension and declination -> hour angle at the place -> parallax -> horizon -> refraction.
#include <assert.h>
#include <math.h>
#include <stddef.h>

#include "core/vec.h"
#include "optics/daylight_data.h"

lr_place lr_place_default(void)
{
    return (lr_place){.latitude_rad = 0.0, .longitude_rad = 0.0, .height_m = 0.0, .pressure_pa = 101000.0,
                      .temperature_k = 283.15, .delta_t_s = (double)NAN};
}

// ---- Dates ------------------------------------------------------------------------------------------------------

static int month_days(int year, int month)
{
    static const int days[12] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    const int leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
    return days[month - 1] + (month == 2 && leap);
}

int lr_day_of_year(int year, int month, int day)
{
    for (int m = 1; m < month; m++)
        day += month_days(year, m);
    return day;
}

static lr_status check_utc(const lr_utc *utc, lr_error *err)
{
    if (!(utc->year >= 1583 && utc->year <= 6000))
        return lr_fail(err, LR_ERR_RANGE, "year %d is not in 1583 .. 6000", utc->year);
    if (!(utc->month >= 1 && utc->month <= 12))
        return lr_fail(err, LR_ERR_RANGE, "month %d is not in 1 .. 12", utc->month);
    if (!(utc->day >= 1 && utc->day <= month_days(utc->year, utc->month)))
        return lr_fail(err, LR_ERR_RANGE, "day %d is not in month %d of %d", utc->day, utc->month, utc->year);
    if (!(utc->hour >= 0 && utc->hour <= 23))
        return lr_fail(err, LR_ERR_RANGE, "hour %d is not in 0 .. 23", utc->hour);
    if (!(utc->minute >= 0 && utc->minute <= 59))
        return lr_fail(err, LR_ERR_RANGE, "minute %d is not in 0 .. 59", utc->minute);
    if (!(utc->second >= 0.0 && utc->second < 61.0))  // a leap second is allowed
        return lr_fail(err, LR_ERR_RANGE, "second %g is not in 0 .. 60", utc->second);
    return LR_OK;
}

static int digits(const char **at, int count)  // -1: not that many digits
{
    int value = 0;
    for (int i = 0; i < count; i++, (*at)++) {
        if (**at < '0' || **at > '9')
            return -1;
        value = 10*value + (**at - '0');
    }
    return value;
}

lr_status lr_utc_parse(const char *text, lr_utc *out, lr_error *err)
{
    assert(text && out);
    static const int width[6] = {4, 2, 2, 2, 2, 2};
    static const char after[6] = {'-', '-', 'T', ':', ':', 0};
    const char *at = text;
    int value[6];
    for (int i = 0; i < 6; i++) {
        value[i] = digits(&at, width[i]);
        if (value[i] < 0 || (after[i] && *at++ != after[i]))
            return lr_fail(err, LR_ERR_PARSE, "\"%.40s\" is not a time like 2026-06-21T10:00:00Z", text);
    }
    double second = value[5];
    if (*at == '.') {
        double unit = 0.1;
        for (at++; *at >= '0' && *at <= '9'; at++, unit *= 0.1)
            second += unit*(*at - '0');
    }
    if (at[0] != 'Z' || at[1])
        return lr_fail(err, LR_ERR_PARSE, "\"%.40s\" is not a time like 2026-06-21T10:00:00Z", text);
    *out = (lr_utc){value[0], value[1], value[2], value[3], value[4], second};
    return check_utc(out, err);
}

// Days from 2000-01-01T12:00 UT, Gregorian, by counting from 0000-03-01, so that the leap day ends a year.
static double days_from_2000(const lr_utc *utc)
{
    const int month = (utc->month + 9) % 12, year = utc->year - month/10;  // a year that begins in March
    const int days = 365*year + year/4 - year/100 + year/400 + (month*306 + 5)/10 + utc->day - 1;
    return days - 730425.5 + ((utc->hour*60 + utc->minute)*60 + utc->second)/86400.0;
}

// TT - UT every ten years, International Earth Rotation Service (from memory, to 0.1 s); 1 s moves the sun 1e-5 deg only.
static double delta_t_s(double year)
{
    static const double table[] = {29.1, 33.2, 40.2, 50.5, 56.9, 63.8, 66.1, 69.4};  // 1950 .. 2020
    const double place = fmin(fmax((year - 1950.0)/10.0, 0.0), 7.0);
    const int i = place < 6.0 ? (int)place : 6;
    return table[i] + (table[i + 1] - table[i])*(place - i);
}

// ---- Earth and sun ----------------------------------------------------------------------------------------------

static double series(const earth_series *powers, int count, double millennia)
{
    double sum = 0.0;
    for (int i = count - 1; i >= 0; i--) {
        double factor = 0.0;
        for (int j = 0; j < powers[i].count; j++) {
            const earth_term *term = &powers[i].term[j];
            factor += term->amplitude*cos(term->phase + term->rate*millennia);
        }
        sum = sum*millennia + factor;
    }
    return sum*1e-8;
}

static double cubic(double t, double c0, double c1, double c2, double c3) { return c0 + t*(c1 + t*(c2 + t*c3)); }

// Nutation in longitude and obliquity [rad]; t in Julian centuries TT.
static void nutation(double t, double *psi_rad, double *eps_rad)
{
    const double d = cubic(t, 297.85036, 445267.11148, -0.0019142, 1.0/189474.0)*LR_DEG;
    const double m = cubic(t, 357.52772, 35999.05034, -0.0001603, -1.0/300000.0)*LR_DEG;
    const double mp = cubic(t, 134.96298, 477198.867398, 0.0086972, 1.0/56250.0)*LR_DEG;
    const double f = cubic(t, 93.27191, 483202.017538, -0.0036825, 1.0/327270.0)*LR_DEG;
    const double om = cubic(t, 125.04452, -1934.136261, 0.0020708, 1.0/450000.0)*LR_DEG;
    double psi = 0.0, eps = 0.0;
    for (int i = 0; i < NUTATION_TERMS; i++) {
        const nutation_term *n = &nutation_terms[i];
        const double argument = n->d*d + n->m*m + n->mp*mp + n->f*f + n->om*om;
        psi += (n->psi + n->psi_t*t)*sin(argument);
        eps += (n->eps + n->eps_t*t)*cos(argument);
    }
    *psi_rad = psi/36e6*LR_DEG;
    *eps_rad = eps/36e6*LR_DEG;
}

static double mean_obliquity_rad(double millennia)
{
    static const double c[11] = {84381.448, -4680.93, -1.55, 1999.25, -51.38, -249.67, -39.05, 7.12, 27.87, 5.79, 2.45};
    const double u = millennia/10.0;
    double seconds = 0.0;
    for (int i = 10; i >= 0; i--)
        seconds = seconds*u + c[i];
    return seconds/3600.0*LR_DEG;
}

static double wrap(double angle_rad)
{
    const double a = fmod(angle_rad, 2.0*LR_PI);
    return a < 0.0 ? a + 2.0*LR_PI : a;
}

// Apparent place seen from the Earth's centre; returns the apparent sidereal time at Greenwich [rad].
static double geocentric(double days_ut, double delta_s, lr_sun *sun)
{
    const double t = (days_ut + delta_s/86400.0)/36525.0, millennia = t/10.0;
    const double distance_au = series(earth_distance, 5, millennia);
    const double latitude = -series(earth_latitude, 2, millennia);
    double psi, deps;
    nutation(t, &psi, &deps);
    const double eps = mean_obliquity_rad(millennia) + deps;
    const double aberration = -20.4898/3600.0*LR_DEG/distance_au;
    const double longitude = series(earth_longitude, 6, millennia) + LR_PI + psi + aberration;
    sun->distance_au = distance_au;
    sun->longitude_rad = wrap(longitude);
    sun->right_ascension_rad = wrap(atan2(sin(longitude)*cos(eps) - tan(latitude)*sin(eps), cos(longitude)));
    sun->declination_rad = asin(sin(latitude)*cos(eps) + cos(latitude)*sin(eps)*sin(longitude));
    const double c = days_ut/36525.0;
    const double mean_deg = 280.46061837 + 360.98564736629*days_ut + c*c*(0.000387933 - c/38710000.0);
    return mean_deg*LR_DEG + psi*cos(eps);
}

// ---- At the place -----------------------------------------------------------------------------------------------

// Refraction added to a true elevation [deg]; none once the disc is below the horizon. Bennett's form turned round
// (Saemundsson), scaled by the density of the air.
static double refraction_deg(double elevation_deg, const lr_place *place)
{
    if (elevation_deg < -(0.26667 + 0.5667))
        return 0.0;
    return place->pressure_pa/101000.0*283.0/(place->temperature_k - 0.15)
        *1.02/(60.0*tan((elevation_deg + 10.3/(elevation_deg + 5.11))*LR_DEG));
}

static void topocentric(const lr_place *place, double sidereal_rad, lr_sun *sun)
{
    const double lat = place->latitude_rad, dec = sun->declination_rad;
    const double hour = sidereal_rad + place->longitude_rad - sun->right_ascension_rad;
    const double parallax = 8.794/3600.0*LR_DEG/sun->distance_au;
    const double flat = 0.99664719, u = atan(flat*tan(lat)), lift = place->height_m/6378140.0;
    const double x = cos(u) + lift*cos(lat), y = flat*sin(u) + lift*sin(lat);
    const double run = cos(dec) - x*sin(parallax)*cos(hour);
    const double shift = atan2(-x*sin(parallax)*sin(hour), run);
    const double dec_here = atan2((sin(dec) - y*sin(parallax))*cos(shift), run), hour_here = hour - shift;
    const double up = sin(lat)*sin(dec_here) + cos(lat)*cos(dec_here)*cos(hour_here);
    sun->true_elevation_rad = asin(fmin(fmax(up, -1.0), 1.0));
    const double true_deg = sun->true_elevation_rad/LR_DEG;
    sun->elevation_rad = (true_deg + refraction_deg(true_deg, place))*LR_DEG;
    const double south_west = atan2(sin(hour_here)*cos(dec_here), cos(hour_here)*cos(dec_here)*sin(lat) - sin(dec_here)*cos(lat));
    sun->azimuth_rad = wrap(south_west + LR_PI);  // from south, west positive, to clockwise from north
}

static lr_status check_place(const lr_place *place, lr_error *err)
{
    if (!(fabs(place->latitude_rad) <= 0.5*LR_PI))
        return lr_fail(err, LR_ERR_RANGE, "latitude: %g deg is not in [-90, 90]", place->latitude_rad/LR_DEG);
    if (!(fabs(place->longitude_rad) <= 2.0*LR_PI))
        return lr_fail(err, LR_ERR_RANGE, "longitude: %g deg is not in [-360, 360]", place->longitude_rad/LR_DEG);
    if (!(place->height_m >= -1000.0 && place->height_m <= 100e3))
        return lr_fail(err, LR_ERR_RANGE, "height: %g m is not in [-1000, 100000]", place->height_m);
    if (!(place->pressure_pa >= 0.0 && place->pressure_pa <= 200e3))
        return lr_fail(err, LR_ERR_RANGE, "pressure: %g Pa is not in [0, 200000]", place->pressure_pa);
    if (!(place->temperature_k >= 150.0 && place->temperature_k <= 350.0))
        return lr_fail(err, LR_ERR_RANGE, "temperature: %g K is not in [150, 350]", place->temperature_k);
    return LR_OK;
}

lr_status lr_sun_position(const lr_utc *utc, const lr_place *place, lr_sun *out, lr_error *err)
{
    assert(utc && place && out);
    LR_TRY(check_utc(utc, err));
    LR_TRY(check_place(place, err));
    const double days = days_from_2000(utc);
    const double delta_s = isnan(place->delta_t_s) ? delta_t_s(2000.0 + days/365.25) : place->delta_t_s;
    *out = (lr_sun){.julian_day = days + 2451545.0, .day_of_year = lr_day_of_year(utc->year, utc->month, utc->day)};
    topocentric(place, geocentric(days, delta_s, out), out);
    return LR_OK;
}

void lr_sun_direction(double azimuth_rad, double elevation_rad, double out[3])
{
    out[0] = sin(azimuth_rad)*cos(elevation_rad);
    out[1] = cos(azimuth_rad)*cos(elevation_rad);
    out[2] = sin(elevation_rad);
}

// Spencer, Search 2(5), 1971.
double lr_sun_distance_factor(int day_of_year)
{
    const double t = 2.0*LR_PI*(day_of_year - 1)/365.0;
    return 1.00011 + 0.034221*cos(t) + 0.00128*sin(t) + 0.000719*cos(2.0*t) + 0.000077*sin(2.0*t);
}
