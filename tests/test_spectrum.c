// SPDX-License-Identifier: Apache-2.0
#include <string.h>

#include "close.h"
#include "core/vec.h"
#include "optics/spectrum.h"

#define NM 1e-9

// E = hc/lambda; photons per joule; A/W at full quantum efficiency = e lambda/(hc). From the exact constants of the SI (2019).
static void photons(void **state)
{
    (void)state;
    const double rows[4][4] = {{532, 3.733921, 2.678150, 0.429087}, {850, 2.336995, 4.278999, 0.685571},
                               {905, 2.194968, 4.555875, 0.729932}, {940, 2.113240, 4.732070, 0.758161}};
    for (int i = 0; i < 4; i++) {
        const double energy = lr_photon_energy_j(rows[i][0]*NM);
        assert_near(energy*1e19, rows[i][1], 5.1e-7);
        assert_near(1e-18/energy, rows[i][2], 5.1e-7);
        assert_near(LR_CHARGE_C/energy, rows[i][3], 5.1e-7);
    }
    assert_rel(1.0/(LR_PLANCK_J_S*LR_LIGHT_M_S), 5.03411656754e24, 1e-12);
}

// Stefan-Boltzmann: integral of pi B = sigma T^4, sigma = 2 pi^5 k^4/(15 h^3 c^2). Wien: peak at 2.897771955e-3 m K / T (CODATA 2018).
static void planck(void **state)
{
    (void)state;
    const double k = LR_BOLTZMANN_J_K, h = LR_PLANCK_J_S, c = LR_LIGHT_M_S;
    const double sigma = 2.0*pow(LR_PI, 5)*k*k*k*k/(15.0*h*h*h*c*c);
    assert_rel(sigma, 5.670374419e-8, 1e-10);  // CODATA 2018
    for (double kelvin = 1000.0; kelvin < 7000.0; kelvin += 1000.0) {
        double sum = 0.0;
        const int steps = 20000;  // trapezoid in ln(lambda); the tail beyond 0.1 m is below 1e-12
        const double lo = log(1e-8), step = (log(0.1) - lo)/steps;
        for (int i = 0; i <= steps; i++) {
            const double lambda = exp(lo + i*step);
            sum += step*lambda*LR_PI*lr_planck(lambda, kelvin);
        }
        assert_rel(sum, sigma*pow(kelvin, 4), 1e-9);
        const double peak = 2.897771955e-3/kelvin;
        assert_true(lr_planck(peak, kelvin) > lr_planck(peak*1.0001, kelvin));
        assert_true(lr_planck(peak, kelvin) > lr_planck(peak*0.9999, kelvin));
    }
}

// Integral of V (CIE 1924): 106.857 nm. Points of CIE 018.
static void the_eye(void **state)
{
    (void)state;
    double sum = 0.0;
    for (int nm = 360; nm <= 830; nm++)
        sum += lr_eye(nm*NM);
    assert_near(sum, 106.857, 0.001);
    assert_near(lr_eye(555e-9), 1.0, 1e-12);
    assert_near(lr_eye(507.5e-9), 0.5*(0.4073 + 0.503), 2e-3);
    assert_near(lr_eye(850e-9), 0.0, 0.0);
    assert_near(lr_eye(359e-9), 0.0, 0.0);
}

// CIE 015: the formula of illuminant A against its table.
static void illuminant_a_table(void **state)
{
    (void)state;
    for (int nm = 300; nm <= 780; nm += 5)
        assert_rel(lr_spectrum_value(LR_SPECTRUM_INCANDESCENT, nm*NM), lr_curve_at(&lr_curve_cie_a, nm*NM), 5e-6);  // 6 digits printed: half a unit of 1.00000
    assert_near(lr_spectrum_value(LR_SPECTRUM_INCANDESCENT, 850e-9), 267.994, 5.1e-4);
    assert_near(lr_spectrum_value(LR_SPECTRUM_INCANDESCENT, 905e-9), 281.149, 5.1e-4);
    assert_near(lr_spectrum_value(LR_SPECTRUM_INCANDESCENT, 940e-9), 286.388, 5.1e-4);
}

static double efficacy(lr_spectrum_sum sum) { return sum.lumens/sum.watts; }

static lr_spectrum_sum planck_sum(double kelvin)
{
    lr_spectrum_sum sum = {5.670374419e-8/LR_PI*pow(kelvin, 4), 0.0};
    for (int nm = 360; nm <= 830; nm++)
        sum.lumens += LR_KM_LM_W*lr_eye(nm*NM)*lr_planck(nm*NM, kelvin)*NM;
    return sum;
}

// Luminous efficacy of radiation, lm/W: CIE tables summed at 1 nm by independent code, printed to 4 digits or so.
static void efficacies(void **state)
{
    (void)state;
    const double tolerance = 1e-3;
    assert_rel(efficacy(lr_spectrum_between(LR_SPECTRUM_INCANDESCENT, 300e-9, 780e-9)), 155.1, tolerance);
    assert_rel(efficacy(lr_spectrum_between(LR_SPECTRUM_INCANDESCENT, 380e-9, 780e-9)), 156.2, tolerance);
    assert_rel(efficacy(lr_spectrum_total(LR_SPECTRUM_INCANDESCENT)), 16.446, tolerance);
    assert_rel(efficacy(lr_spectrum_between(LR_SPECTRUM_DAYLIGHT, 300e-9, 780e-9)), 190.57, tolerance);
    assert_rel(efficacy(lr_spectrum_between(LR_SPECTRUM_DAYLIGHT, 380e-9, 780e-9)), 205.15, tolerance);
    assert_rel(efficacy(lr_spectrum_between(LR_SPECTRUM_LED_2700K, 380e-9, 780e-9)), 311.8, tolerance);
    assert_rel(efficacy(lr_spectrum_between(LR_SPECTRUM_LED_4000K, 380e-9, 780e-9)), 316.9, tolerance);
    assert_rel(efficacy(lr_spectrum_total(LR_SPECTRUM_LED_4000K)), 316.9, tolerance);
    assert_rel(efficacy(lr_spectrum_between(LR_SPECTRUM_FLUORESCENT_BROAD, 380e-9, 780e-9)), 336.7, tolerance);
    assert_rel(efficacy(lr_spectrum_between(LR_SPECTRUM_FLUORESCENT, 380e-9, 780e-9)), 336.9, tolerance);
    assert_rel(efficacy(lr_spectrum_total(LR_SPECTRUM_HALOGEN)), 20.669, tolerance);
    const double kelvin[4] = {2700, 3000, 3200, 5772}, want[4] = {12.356, 20.669, 27.087, 92.03};
    for (int i = 0; i < 4; i++)
        assert_rel(efficacy(planck_sum(kelvin[i])), want[i], tolerance);
}

// mW/m^2 in a band for one lux, which is mW for one lumen.
static double band_per_lux(lr_spectrum spectrum, int center_nm)
{
    return 1e3*lr_spectrum_between(spectrum, (center_nm - 10)*NM, (center_nm + 10)*NM).watts/lr_spectrum_total(spectrum).lumens;
}

static void near_infrared_per_lux(void **state)
{
    (void)state;
    const int center_nm[3] = {850, 905, 940};
    const double a[3] = {0.7269, 0.7625, 0.7767}, halogen[3] = {0.6319, 0.6518, 0.6575};
    for (int i = 0; i < 3; i++) {
        assert_rel(band_per_lux(LR_SPECTRUM_INCANDESCENT, center_nm[i]), a[i], 1e-3);
        assert_rel(band_per_lux(LR_SPECTRUM_HALOGEN, center_nm[i]), halogen[i], 1e-3);
        assert_true(band_per_lux(LR_SPECTRUM_LED_4000K, center_nm[i]) == 0.0);
        assert_true(band_per_lux(LR_SPECTRUM_FLUORESCENT, center_nm[i]) == 0.0);
    }
    assert_rel(0.5*band_per_lux(LR_SPECTRUM_HALOGEN, 850), 0.316, 2e-3);  // 500 lx of halogen, W/m^2
    const double whole = lr_spectrum_total(LR_SPECTRUM_HALOGEN).watts;  // share of the power 380-780 and 780-1400 nm
    assert_near(lr_spectrum_between(LR_SPECTRUM_HALOGEN, 380e-9, 780e-9).watts/whole, 0.127, 5.1e-4);
    assert_near(lr_spectrum_between(LR_SPECTRUM_HALOGEN, 780e-9, 1400e-9).watts/whole, 0.388, 5.1e-4);
}

static double curve_integral(const lr_curve *curve, double lo_nm, double hi_nm, int by_eye)
{
    double sum = 0.0;  // 0.5 nm trapezoid
    const int steps = (int)(2.0*(hi_nm - lo_nm));
    for (int i = 0; i <= steps; i++) {
        const double lambda = (lo_nm + 0.5*i)*NM, weight = i == 0 || i == steps ? 0.25 : 0.5;
        sum += weight*lr_curve_at(curve, lambda)*(by_eye ? LR_KM_LM_W*lr_eye(lambda) : 1.0);
    }
    return sum;
}

// Sum of the means times 5 nm, from lo to hi inclusive: the integral from lo - 2.5 to hi + 2.5 nm.
static double sum_of_means(const lr_curve *curve, int lo_nm, int hi_nm)
{
    double sum = 0.0;
    for (int nm = lo_nm; nm <= hi_nm; nm += 5)
        sum += 5.0*lr_curve_at(curve, nm*NM);
    return sum;
}

// ASTM G173-03, W/m^2. First rows: {from, to nm, global, direct} integrated from the standard's own 1 nm table, which the
// 5 nm means must keep, in the oxygen and water bands too. Then whole ranges and smooth bands by straight lines between.
static void sun_on_the_ground(void **state)
{
    (void)state;
    const double means[3][4] = {{760, 765, 6.9413, 6.3894}, {895, 915, 17.5726, 16.4417}, {930, 950, 8.2998, 7.8240}};
    for (int i = 0; i < 3; i++) {
        assert_near(sum_of_means(&lr_curve_g173_global, (int)means[i][0], (int)means[i][1]), means[i][2], 6e-5);
        assert_near(sum_of_means(&lr_curve_g173_direct, (int)means[i][0], (int)means[i][1]), means[i][3], 6e-5);
    }
    const double band[2][4] = {{400, 700, 429.831, 374.815}, {840, 860, 19.5211, 18.1082}};
    for (int i = 0; i < 2; i++) {
        assert_rel(curve_integral(&lr_curve_g173_global, band[i][0], band[i][1], 0), band[i][2], 0.01);
        assert_rel(curve_integral(&lr_curve_g173_direct, band[i][0], band[i][1], 0), band[i][3], 0.01);
    }
    assert_rel(curve_integral(&lr_curve_g173_global, 300, 1100, 0), 804.558, 0.003);
    assert_rel(curve_integral(&lr_curve_g173_direct, 300, 1100, 0), 710.409, 0.003);
    assert_rel(curve_integral(&lr_curve_g173_global, 360, 830, 1), 109.49e3, 0.003);  // illuminance of the full table
    assert_rel(curve_integral(&lr_curve_g173_direct, 360, 830, 1), 97.14e3, 0.003);
    // Daylight has no step where the table of D65 hands over to G173.
    assert_rel(lr_spectrum_value(LR_SPECTRUM_DAYLIGHT, 780.001e-9), lr_spectrum_value(LR_SPECTRUM_DAYLIGHT, 780e-9), 1e-4);
    assert_true(lr_spectrum_value(LR_SPECTRUM_DAYLIGHT, 850e-9) > 0.0);
}

// A user's table holding a built-in curve must give the same sums; and a coarse table is integrated as the straight lines it is.
static void tables_of_users(void **state)
{
    (void)state;
    lr_table table;
    assert_int_equal(lr_curve_table(&lr_curve_led_b3, &table, NULL), LR_OK);
    const lr_spectrum_sum sum = lr_spectrum_total_table(&table), want = lr_spectrum_total(LR_SPECTRUM_LED_4000K);
    assert_rel(sum.watts, want.watts, 1e-12);
    assert_rel(sum.lumens, want.lumens, 1e-3);  // 1 nm trapezoid against exact straight lines
    assert_near(lr_table_at(&table, 781e-9), 0.0, 0.0);
    lr_table_free(&table);
    assert_int_equal(lr_table_create(2, (double[]){300e-9, 900e-9}, (double[]){1.0, 1.0}, &table, NULL), LR_OK);
    assert_rel(lr_spectrum_total_table(&table).watts, 600e-9, 1e-12);
    assert_rel(lr_spectrum_total_table(&table).lumens, 683.0*106.857e-9, 1e-5);
    lr_table_free(&table);
    assert_int_equal(lr_table_constant(2.0, &table, NULL), LR_OK);
    assert_rel(lr_spectrum_total_table(&table).watts, 2.0*lr_spectrum_total(LR_SPECTRUM_FLAT).watts, 1e-9);
    assert_rel(lr_spectrum_total_table(&table).lumens, 2.0*lr_spectrum_total(LR_SPECTRUM_FLAT).lumens, 1e-5);
    lr_table_free(&table);
    // A line 0.1 nm wide at 555 nm, between whole nanometres of any grid: nearly all 683 lm/W.
    assert_int_equal(lr_table_create(3, (double[]){555.3e-9, 555.35e-9, 555.4e-9}, (double[]){0, 1, 0}, &table, NULL), LR_OK);
    assert_rel(efficacy(lr_spectrum_total_table(&table)), 683.0*lr_eye(555.35e-9), 1e-9);
    lr_table_free(&table);
}

// Quantum efficiencies as published for the two back-illuminated types (public collection of detector data).
static void sensors(void **state)
{
    (void)state;
    assert_near(lr_curve_at(lr_qe_find("bsi_cmos_6um5"), 850e-9), 0.38, 1e-12);
    assert_near(lr_curve_at(lr_qe_find("bsi_cmos_9um"), 850e-9), 0.429, 1e-12);
    assert_near(lr_curve_at(lr_qe_find("bsi_cmos_6um5"), 905e-9), 0.24, 1e-12);
    assert_near(lr_curve_at(lr_qe_find("bsi_cmos_9um"), 940e-9), 0.219, 1e-12);
    // Typical front-illuminated sensor: within the ranges 0.20-0.25, 0.12-0.15, 0.07-0.10 (from memory).
    assert_near(lr_curve_at(lr_qe_find("fsi_cmos"), 850e-9), 0.225, 1e-12);
    assert_near(lr_curve_at(lr_qe_find("fsi_cmos"), 905e-9), 0.135, 0.015);
    assert_near(lr_curve_at(lr_qe_find("fsi_cmos"), 940e-9), 0.085, 0.015);
    assert_null(lr_qe_find("bsi_cmos"));
    for (int i = 0; lr_qe_names[i]; i++) {
        const lr_curve *curve = lr_qe_find(lr_qe_names[i]);
        assert_non_null(curve);
        for (int nm = 290; nm < 1200; nm++)
            assert_true(lr_curve_at(curve, nm*NM) >= 0.0 && lr_curve_at(curve, nm*NM) <= 1.0);
        assert_true(lr_curve_at(curve, 1101e-9) == 0.0);
    }
}

static void names_match_the_enum(void **state)
{
    (void)state;
    int count = 0;
    while (lr_spectrum_names[count])
        count++;
    assert_int_equal(count, LR_SPECTRUM_COUNT);
    assert_string_equal(lr_spectrum_names[LR_SPECTRUM_LED_4000K], "led_4000k");
    assert_string_equal(lr_spectrum_names[LR_SPECTRUM_DAYLIGHT], "daylight");
    assert_rel(lr_spectrum_total(LR_SPECTRUM_FLAT).watts, 800e-9, 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(photons),
        cmocka_unit_test(planck),
        cmocka_unit_test(the_eye),
        cmocka_unit_test(illuminant_a_table),
        cmocka_unit_test(efficacies),
        cmocka_unit_test(near_infrared_per_lux),
        cmocka_unit_test(sun_on_the_ground),
        cmocka_unit_test(tables_of_users),
        cmocka_unit_test(sensors),
        cmocka_unit_test(names_match_the_enum),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
