// SPDX-License-Identifier: Apache-2.0
#include "close.h"
#include "core/vec.h"
#include "optics/daylight.h"

// Published azimuth and apparent elevation: JPL Horizons (apparent, refracted) and the NOAA Solar Calculator; then the same
// by another evaluation of the Solar Position Algorithm at 1010 hPa, 10 C, sea level, printed to 1e-5 deg.
typedef struct sun_row {
    lr_utc utc;
    double lat_deg, lon_deg, azimuth_deg, elevation_deg, tolerance_deg, spa_azimuth_deg, spa_elevation_deg, spa_true_deg;
} sun_row;
static const sun_row rows[] = {
    {{2026, 3, 20, 6, 0, 0}, 59.32938, 18.06871, 104.09491, 8.159198, 0.002, 104.09443, 8.15901, 8.04960},  // Stockholm
    {{2026, 3, 20, 12, 0, 0}, 59.32938, 18.06871, 198.666578, 29.311911, 0.002, 198.66608, 29.31204, 29.28210},  // Stockholm
    {{2026, 6, 21, 6, 0, 0}, 59.32938, 18.06871, 92.363474, 28.965324, 0.002, 92.36315, 28.96516, 28.93479},  // Stockholm
    {{2026, 6, 21, 12, 0, 0}, 59.32938, 18.06871, 206.816412, 52.027958, 0.002, 206.81598, 52.02802, 52.01483},  // Stockholm
    {{2026, 6, 21, 18, 0, 0}, 59.32938, 18.06871, 296.787301, 11.647603, 0.002, 296.78701, 11.64775, 11.56903},  // Stockholm
    {{2026, 12, 21, 12, 0, 0}, 59.32938, 18.06871, 197.064617, 5.971745, 0.002, 197.06412, 5.97176, 5.82856},  // Stockholm
    {{2026, 3, 20, 6, 0, 0}, 50.45466, 30.5238, 112.931832, 17.704951, 0.002, 112.93142, 17.70475, 17.65276},  // Kyiv
    {{2026, 3, 20, 12, 0, 0}, 50.45466, 30.5238, 215.314768, 33.943617, 0.002, 215.31437, 33.94381, 33.91878},  // Kyiv
    {{2026, 6, 21, 6, 0, 0}, 50.45466, 30.5238, 97.278104, 36.856879, 0.002, 97.27784, 36.85671, 36.83422},  // Kyiv
    {{2026, 6, 21, 12, 0, 0}, 50.45466, 30.5238, 232.01015, 54.3277, 0.002, 232.00984, 54.32780, 54.31567},  // Kyiv
    {{2026, 12, 21, 12, 0, 0}, 50.45466, 30.5238, 208.803605, 11.263817, 0.002, 208.80317, 11.26391, 11.18264},  // Kyiv
    {{2026, 3, 20, 6, 0, 0}, 41.01384, 28.94966, 108.65225, 20.027281, 0.002, 108.65190, 20.02705, 19.98131},  // Istanbul
    {{2026, 3, 20, 12, 0, 0}, 41.01384, 28.94966, 217.907069, 42.180069, 0.002, 217.90671, 42.18028, 42.16165},  // Istanbul
    {{2026, 6, 21, 6, 0, 0}, 41.01384, 28.94966, 89.094224, 36.281327, 0.002, 89.09403, 36.28116, 36.25819},  // Istanbul
    {{2026, 6, 21, 12, 0, 0}, 41.01384, 28.94966, 242.380255, 60.403174, 0.002, 242.38003, 60.40328, 60.39368},  // Istanbul
    {{2026, 12, 21, 12, 0, 0}, 41.01384, 28.94966, 208.672011, 20.03775, 0.002, 208.67161, 20.03785, 19.99215},  // Istanbul
    {{2026, 3, 20, 0, 0, 0}, 31.22222, 121.45806, 106.604187, 24.850205, 0.002, 106.60394, 24.85002, 24.81382},  // Shanghai
    {{2026, 3, 20, 6, 0, 0}, 31.22222, 121.45806, 227.461885, 47.949372, 0.002, 227.46171, 47.94955, 47.93432},  // Shanghai
    {{2026, 6, 21, 0, 0, 0}, 31.22222, 121.45806, 83.11207, 37.656044, 0.002, 83.11196, 37.65595, 37.63409},  // Shanghai
    {{2026, 6, 21, 6, 0, 0}, 31.22222, 121.45806, 261.8818, 61.481435, 0.002, 261.88177, 61.48147, 61.47229},  // Shanghai
    {{2026, 12, 21, 0, 0, 0}, 31.22222, 121.45806, 127.273543, 12.176913, 0.002, 127.27337, 12.17660, 12.10116},  // Shanghai
    {{2026, 12, 21, 6, 0, 0}, 31.22222, 121.45806, 213.16021, 27.380234, 0.002, 213.15990, 27.38034, 27.34791},  // Shanghai
    {{2026, 3, 20, 12, 0, 0}, -12.04318, -77.02824, 87.698372, 10.955992, 0.002, 87.69834, 10.95565, 10.87222},  // Lima
    {{2026, 3, 20, 18, 0, 0}, -12.04318, -77.02824, 316.806955, 73.621271, 0.002, 316.80777, 73.62132, 73.61637},  // Lima
    {{2026, 6, 21, 12, 0, 0}, -12.04318, -77.02824, 64.329784, 6.531531, 0.002, 64.32976, 6.53136, 6.39854},  // Lima
    {{2026, 6, 21, 18, 0, 0}, -12.04318, -77.02824, 340.969078, 52.481136, 0.002, 340.96918, 52.48111, 52.46813},  // Lima
    {{2026, 12, 21, 12, 0, 0}, -12.04318, -77.02824, 111.10687, 17.016838, 0.002, 111.10698, 17.01647, 16.96231},  // Lima
    {{2026, 12, 21, 18, 0, 0}, -12.04318, -77.02824, 226.408864, 72.900501, 0.002, 226.40817, 72.90067, 72.89548},  // Lima
    {{2026, 3, 20, 0, 0, 0}, -37.814, 144.96332, 50.991355, 39.37084, 0.002, 50.99160, 39.37054, 39.34998},  // Melbourne
    {{2026, 3, 20, 6, 0, 0}, -37.814, 144.96332, 294.611185, 28.455433, 0.002, 294.61152, 28.45557, 28.42456},  // Melbourne
    {{2026, 6, 21, 0, 0, 0}, -37.814, 144.96332, 34.574164, 20.316145, 0.002, 34.57425, 20.31601, 20.27097},  // Melbourne
    {{2026, 6, 21, 6, 0, 0}, -37.814, 144.96332, 310.613761, 10.270287, 0.002, 310.61387, 10.27034, 10.18169},  // Melbourne
    {{2026, 12, 21, 0, 0, 0}, -37.814, 144.96332, 73.951166, 57.282758, 0.002, 73.95159, 57.28248, 57.27163},  // Melbourne
    {{2026, 12, 21, 6, 0, 0}, -37.814, 144.96332, 270.347659, 40.908464, 0.002, 270.34788, 40.90874, 40.88926},  // Melbourne
    {{2012, 12, 22, 12, 0, 0}, -41, 0, 359.09, 72.44, 0.01, 359.08858, 72.43444, 72.42910},  // NOAA Solar Calculator
    {{2012, 12, 22, 12, 0, 0}, -3, 0, 180.79, 69.57, 0.01, 180.78806, 69.57172, 69.56543},  // NOAA Solar Calculator
    {{2012, 12, 22, 12, 0, 0}, 3, 0, 180.62, 63.57, 0.01, 180.61805, 63.57404, 63.56564},  // NOAA Solar Calculator
    {{2012, 12, 22, 12, 0, 0}, 41, 0, 180.3, 25.6, 0.01, 180.30499, 25.60053, 25.56553},  // NOAA Solar Calculator
};

static lr_sun sun_at(lr_utc utc, lr_place place)
{
    lr_sun sun;
    lr_error err = {0};
    assert_int_equal(lr_sun_position(&utc, &place, &sun, &err), LR_OK);
    return sun;
}

static void almanacs(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof rows/sizeof rows[0]; i++) {
        const sun_row *row = &rows[i];
        lr_place place = lr_place_default();
        place.latitude_rad = row->lat_deg*LR_DEG;
        place.longitude_rad = row->lon_deg*LR_DEG;
        const lr_sun sun = sun_at(row->utc, place);
        const double squeeze = cos(sun.elevation_rad);  // an azimuth error near the zenith is a small angle in the sky
        assert_near((sun.azimuth_rad/LR_DEG - row->azimuth_deg)*squeeze, 0.0, row->tolerance_deg);
        assert_near(sun.elevation_rad/LR_DEG, row->elevation_deg, row->tolerance_deg);
        // The other evaluation took TT - UT from the extrapolation by Espenak & Meeus (2006), years past 2005; printed to 5e-6.
        const double years = row->utc.year - 2000 + (row->utc.month - 0.5)/12.0;
        place.delta_t_s = 62.92 + 0.32217*years + 0.005589*years*years;
        const lr_sun same = sun_at(row->utc, place);
        assert_near((same.azimuth_rad/LR_DEG - row->spa_azimuth_deg)*squeeze, 0.0, 6e-6);
        assert_near(same.elevation_rad/LR_DEG, row->spa_elevation_deg, 6e-6);
        assert_near(same.true_elevation_rad/LR_DEG, row->spa_true_deg, 6e-6);
    }
}

static lr_place golden(void)
{
    return (lr_place){.latitude_rad = 39.742476*LR_DEG, .longitude_rad = -105.1786*LR_DEG, .height_m = 1830.14,
                      .pressure_pa = 82000.0, .temperature_k = 284.15, .delta_t_s = 67.0};
}

// Worked example of NREL/TP-560-34302: 2003-10-17 12:30:30 at UTC-7. Last digits as printed there.
static void worked_example(void **state)
{
    (void)state;
    const lr_sun sun = sun_at((lr_utc){2003, 10, 17, 19, 30, 30.0}, golden());
    assert_near(sun.julian_day, 2452930.312847, 5.1e-7);
    assert_near(sun.distance_au, 0.9965422974, 6e-11);
    assert_near(sun.longitude_rad/LR_DEG, 204.0085519281, 1e-9);
    assert_near(sun.right_ascension_rad/LR_DEG, 202.227408, 6e-7);
    assert_near(sun.declination_rad/LR_DEG, -9.31434, 6e-6);
    assert_near(sun.true_elevation_rad/LR_DEG, 39.872046, 1e-6);
    assert_near((sun.elevation_rad - sun.true_elevation_rad)/LR_DEG, 0.016332, 6e-7);
    assert_near(90.0 - sun.elevation_rad/LR_DEG, 50.11162, 6e-6);
    assert_near(sun.azimuth_rad/LR_DEG, 194.34024, 6e-6);
    assert_int_equal(sun.day_of_year, 290);
    const lr_sun next = sun_at((lr_utc){2003, 10, 18, 19, 30, 30.0}, golden());  // a public library's test of the same algorithm
    assert_near(next.azimuth_rad/LR_DEG, 194.311132, 1e-4);  // not all its inputs are known; our other evaluation has 194.31110
    assert_near(next.azimuth_rad/LR_DEG, 194.31110, 6e-6);
    assert_near(next.elevation_rad/LR_DEG, 39.52174, 6e-6);
}

// Full VSOP87 for 1992-10-13 0h TT: apparent longitude 199 deg 54' 21.548", R 0.99760852 (public test of Meeus' book, example 25.b).
static void full_theory_of_the_earth(void **state)
{
    (void)state;
    lr_place place = lr_place_default();
    place.delta_t_s = 0.0;
    const lr_sun sun = sun_at((lr_utc){1992, 10, 13, 0, 0, 0.0}, place);
    assert_near(sun.longitude_rad/LR_DEG, 199.0 + 54.0/60.0 + 21.548/3600.0, 1.0/3600.0);  // terms left out: some tenths of a second
    assert_near(sun.distance_au, 0.99760852, 2e-6);
    assert_near(sun.distance_au, 0.99760775, 6e-9);  // the book's, from this very shortened series
}

// North of the tropics the sun turns clockwise, above and below the horizon; the vector has north along +y and up along +z.
static void turns_the_right_way(void **state)
{
    (void)state;
    lr_place place = lr_place_default();
    double before = 0.0;
    for (int hour = 0; hour < 24; hour++) {
        place.latitude_rad = 45.0*LR_DEG;
        const lr_sun sun = sun_at((lr_utc){2026, 3, 20, hour, 0, 0.0}, place);
        assert_true(isfinite(sun.elevation_rad) && isfinite(sun.azimuth_rad));
        if (hour > 1)  // from the first hour after midnight by the sun
            assert_true(sun.azimuth_rad > before);  // clockwise all day north of the tropics
        before = sun.azimuth_rad;
    }
    double v[3];
    lr_sun_direction(0.5*LR_PI, 0.0, v);
    assert_near(v[0], 1.0, 1e-15);
    lr_sun_direction(0.0, 30.0*LR_DEG, v);
    assert_near(v[1], cos(30.0*LR_DEG), 1e-15);
    assert_near(v[2], 0.5, 1e-15);
}

// Day 3 / day 185 of Spencer's series (computed independently). Its amplitude, 0.03424, is 2.5 % above twice the eccentricity
// 0.0167 that the true orbit has, so it departs from 1/R^2 by up to 0.1 %.
static void distance_of_the_sun(void **state)
{
    (void)state;
    assert_near(lr_sun_distance_factor(3), 1.03508, 5.1e-6);
    assert_near(lr_sun_distance_factor(185), 0.96659, 5.1e-6);
    for (int month = 1; month <= 12; month++) {
        const lr_sun sun = sun_at((lr_utc){2026, month, 15, 12, 0, 0.0}, lr_place_default());
        assert_rel(lr_sun_distance_factor(sun.day_of_year), 1.0/(sun.distance_au*sun.distance_au), 1e-3);
    }
}

static void times_are_read_strictly(void **state)
{
    (void)state;
    lr_utc utc;
    lr_error err = {0};
    assert_int_equal(lr_utc_parse("2026-06-21T10:07:05.25Z", &utc, &err), LR_OK);
    assert_true(utc.year == 2026 && utc.month == 6 && utc.day == 21 && utc.hour == 10 && utc.minute == 7);
    assert_near(utc.second, 5.25, 1e-12);
    const char *const bad[] = {"", "2026-06-21", "2026-06-21T10:00:00", "2026-6-21T10:00:00Z", "2026-06-21T10:00:00+02:00",
                               "2026-06-21 10:00:00Z", "2026-06-21T10:00:00Zx", "x026-06-21T10:00:00Z"};
    for (size_t i = 0; i < sizeof bad/sizeof bad[0]; i++)
        assert_int_equal(lr_utc_parse(bad[i], &utc, &err), LR_ERR_PARSE);
    const char *const never[] = {"2026-02-29T10:00:00Z", "2026-13-01T10:00:00Z", "2026-06-31T10:00:00Z", "2026-06-21T24:00:00Z", "1900-02-29T00:00:00Z"};
    for (size_t i = 0; i < sizeof never/sizeof never[0]; i++)
        assert_int_equal(lr_utc_parse(never[i], &utc, &err), LR_ERR_RANGE);
    assert_int_equal(lr_utc_parse("2024-02-29T00:00:00Z", &utc, &err), LR_OK);
    assert_int_equal(lr_day_of_year(2024, 12, 31), 366);
    assert_int_equal(lr_day_of_year(2026, 12, 31), 365);
    lr_place place = lr_place_default();
    lr_sun sun;
    place.latitude_rad = 91.0*LR_DEG;
    assert_int_equal(lr_sun_position(&utc, &place, &sun, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "latitude: 91 deg is not in [-90, 90]");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(almanacs),
        cmocka_unit_test(worked_example),
        cmocka_unit_test(full_theory_of_the_earth),
        cmocka_unit_test(turns_the_right_way),
        cmocka_unit_test(distance_of_the_sun),
        cmocka_unit_test(times_are_read_strictly),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
