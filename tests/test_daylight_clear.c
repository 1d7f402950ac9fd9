// SPDX-License-Identifier: Apache-2.0
#include "close.h"
#include "core/vec.h"
#include "optics/daylight.h"

// {nm, outside the air, direct normal, diffuse horizontal, global horizontal} in W/(m^2 nm).
// Case A: output of the original SPCTRL2 C program as kept in a public library's tests; 2020-03-15, Z = 47.912086 deg.
static const double case_a[][5] = {
    {300, 0.54168, 0.0004, 0.00077, 0.00104}, {305, 0.56433, 0.00682, 0.0113, 0.01587},
    {310, 0.62871, 0.02505, 0.03649, 0.05328}, {315, 0.70018, 0.06205, 0.08023, 0.12181},
    {320, 0.72282, 0.09382, 0.10857, 0.17146}, {325, 0.84189, 0.14859, 0.15503, 0.25462},
    {330, 0.97228, 0.20917, 0.19806, 0.33826}, {335, 0.94196, 0.22905, 0.19803, 0.35156},
    {340, 0.91032, 0.24246, 0.19246, 0.35497}, {345, 0.92114, 0.26538, 0.19439, 0.37226},
    {350, 0.98603, 0.30439, 0.20669, 0.41071}, {360, 0.98643, 0.34214, 0.20212, 0.43144},
    {370, 1.13199, 0.43305, 0.22577, 0.51603}, {380, 1.11571, 0.46491, 0.21652, 0.52814},
    {390, 1.04496, 0.46929, 0.1973, 0.51185}, {400, 1.49507, 0.71715, 0.27464, 0.75532},
    {410, 1.71966, 0.87431, 0.30739, 0.89342}, {420, 1.75919, 0.94176, 0.30608, 0.93731},
    {430, 1.60433, 0.89921, 0.2718, 0.87451}, {440, 1.85683, 1.08428, 0.30645, 1.03321},
    {450, 2.02664, 1.22582, 0.3255, 1.14713}, {460, 2.06505, 1.28898, 0.31722, 1.18118},
    {470, 2.00845, 1.28951, 0.29532, 1.15963}, {480, 2.04888, 1.34785, 0.2883, 1.19173},
    {490, 1.91647, 1.28721, 0.25802, 1.1208}, {500, 1.92961, 1.31896, 0.24851, 1.13258},
    {510, 1.9478, 1.35159, 0.24005, 1.14598}, {520, 1.85076, 1.30278, 0.21867, 1.09188},
    {530, 1.91141, 1.35788, 0.21591, 1.12606}, {540, 1.91849, 1.37568, 0.20768, 1.12975},
    {550, 1.91242, 1.38386, 0.19875, 1.12631}, {570, 1.85986, 1.35566, 0.17722, 1.08588},
    {593, 1.78708, 1.3093, 0.15449, 1.03207}, {610, 1.74665, 1.32519, 0.1463, 1.03454},
    {630, 1.6759, 1.31209, 0.13421, 1.01366}, {656, 1.54045, 1.24363, 0.11597, 0.94954},
    {667.6, 1.54753, 1.26724, 0.11365, 0.96304}, {690, 1.43533, 1.11431, 0.09227, 0.83915},
    {710, 1.4141, 1.19757, 0.09402, 0.89672}, {718, 1.38883, 1.04527, 0.07923, 0.77985},
    {724.4, 1.38782, 1.02242, 0.07592, 0.76122}, {740, 1.31201, 1.11622, 0.08037, 0.82854},
    {752.5, 1.2827, 1.11624, 0.07784, 0.82602}, {757.5, 1.25844, 1.09803, 0.07557, 0.81154},
    {762.5, 1.2362, 0.69696, 0.04575, 0.5129}, {767.5, 1.21801, 0.95233, 0.06319, 0.70151},
    {780, 1.19577, 1.05471, 0.06851, 0.77545}, {800, 1.16039, 1.01772, 0.06288, 0.74503},
    {816, 1.10278, 0.87184, 0.05139, 0.63576}, {823.7, 1.07346, 0.82212, 0.04749, 0.59853},
    {831.5, 1.0492, 0.88223, 0.05044, 0.64178}, {840, 1.03303, 0.89788, 0.05051, 0.65233},
    {860, 1.00948, 0.90956, 0.04913, 0.65878}, {880, 0.95742, 0.86521, 0.04481, 0.62473},
    {905, 0.90284, 0.62538, 0.0302, 0.44937}, {915, 0.87757, 0.63768, 0.03029, 0.45771},
    {925, 0.83866, 0.61045, 0.02845, 0.43761}, {930, 0.83926, 0.4325, 0.01959, 0.30949},
    {937, 0.82279, 0.32271, 0.01428, 0.23058}, {948, 0.79539, 0.34142, 0.01485, 0.24369},
    {965, 0.77659, 0.58393, 0.02533, 0.41672}, {980, 0.77528, 0.63578, 0.02702, 0.45316},
    {993.5, 0.76578, 0.68915, 0.0288, 0.49072}, {1040, 0.69553, 0.64476, 0.02499, 0.45716},
    {1070, 0.64762, 0.60202, 0.02225, 0.42577}, {1100, 0.61274, 0.4791, 0.01672, 0.33785},
};
// Cases B and C: two independent implementations of SERI/TR-215-2436 that agree to rounding.
static const double case_b[][5] = {
    {400, 1.430945, 0.417759, 0.258426, 0.467305}, {550, 1.830402, 1.002827, 0.241208, 0.742622},
    {690, 1.373769, 0.86423, 0.12678, 0.558895}, {762.5, 1.183183, 0.524616, 0.062288, 0.324596},
    {780, 1.144485, 0.858358, 0.101112, 0.530291}, {800, 1.110624, 0.82744, 0.093067, 0.506788},
    {823.7, 1.027424, 0.634475, 0.066895, 0.384133}, {840, 0.988727, 0.731445, 0.075433, 0.441156},
    {860, 0.966185, 0.755054, 0.07505, 0.452577}, {905, 0.86412, 0.467534, 0.041664, 0.275431},
    {915, 0.839934, 0.486865, 0.042751, 0.286184}, {937, 0.787498, 0.190987, 0.015623, 0.111117},
    {948, 0.761281, 0.210041, 0.016913, 0.121934}, {980, 0.742029, 0.513834, 0.040696, 0.297613},
};
static const double case_c[][5] = {
    {400, 1.529564, 0.139587, 0.106788, 0.131027}, {550, 1.956551, 0.7533, 0.076749, 0.207559},
    {690, 1.468448, 0.790258, 0.03498, 0.172207}, {762.5, 1.264726, 0.36675, 0.0121, 0.075785},
    {780, 1.223362, 0.904789, 0.028307, 0.185422}, {800, 1.187167, 0.881116, 0.025802, 0.178806},
    {823.7, 1.098233, 0.704205, 0.019121, 0.141405}, {840, 1.056869, 0.790497, 0.020478, 0.157746},
    {860, 1.032774, 0.812223, 0.019883, 0.160924}, {905, 0.923674, 0.542592, 0.011759, 0.10598},
    {915, 0.897821, 0.559234, 0.011826, 0.108936}, {937, 0.841772, 0.257146, 0.005133, 0.049786},
    {948, 0.813747, 0.276871, 0.005389, 0.053468}, {980, 0.793168, 0.577707, 0.010519, 0.110837},
};

static lr_air air_a(void)
{
    return (lr_air){.pressure_pa = 101300.0, .water_cm = 1.42, .ozone_atm_cm = 0.344, .aerosol = 0.1, .angstrom = 1.14, .albedo = 0.2, .day_of_year = 75};
}
static lr_air air_b(void)
{
    return (lr_air){.pressure_pa = 100000.0, .water_cm = 2.0, .ozone_atm_cm = 0.30, .aerosol = 0.20, .angstrom = 1.14, .albedo = 0.3, .day_of_year = 172};
}
static lr_air air_c(void)
{
    return (lr_air){.pressure_pa = 101300.0, .water_cm = 0.5, .ozone_atm_cm = 0.35, .aerosol = 0.05, .angstrom = 1.14, .albedo = 0.1, .day_of_year = 355};
}

// `printed`: half of the last digit of the table; 2e-6 relative is what two programs in double and their inputs' digits leave.
static void compare(const double (*rows)[5], int count, lr_air air, double zenith_deg, double printed)
{
    for (int i = 0; i < count; i++) {
        const double z = zenith_deg*LR_DEG;
        const lr_clear_sky sky = lr_clear_sky_at(&air, z, rows[i][0]*1e-9);
        assert_near(sky.extraterrestrial*1e-9, rows[i][1], printed + 2e-6*rows[i][1]);
        assert_near(sky.direct*1e-9, rows[i][2], printed + 2e-6*rows[i][2]);
        assert_near(sky.diffuse*1e-9, rows[i][3], printed + 2e-6*rows[i][3]);
        assert_near((sky.direct*cos(z) + sky.diffuse)*1e-9, rows[i][4], printed + 2e-6*rows[i][4]);
    }
}

static void original_program(void **state)
{
    (void)state;
    compare(case_a, (int)(sizeof case_a/sizeof case_a[0]), air_a(), 47.912086, 5e-6);
    assert_near(lr_air_mass(47.912086*LR_DEG), 1.48995360, 2e-8);  // Z is printed to 1e-6 deg: 1.4e-8 in m
}

static void two_more_cases(void **state)
{
    (void)state;
    compare(case_b, (int)(sizeof case_b/sizeof case_b[0]), air_b(), 60.0, 5e-7);
    compare(case_c, (int)(sizeof case_c/sizeof case_c[0]), air_c(), 80.0, 5e-7);
    assert_near(lr_air_mass(60.0*LR_DEG), 1.99429285, 6e-9);
    assert_near(lr_air_mass(80.0*LR_DEG), 5.58603588, 6e-9);
}

static void integrate(lr_air air, double zenith_deg, double to_nm, double *direct, double *diffuse)
{
    *direct = *diffuse = 0.0;
    for (int row = 1; row < LR_CLEAR_SKY_ROWS && lr_clear_sky_lambda_m(row) <= to_nm*1e-9 + 1e-15; row++) {
        const lr_clear_sky a = lr_clear_sky_row(&air, zenith_deg*LR_DEG, row - 1), b = lr_clear_sky_row(&air, zenith_deg*LR_DEG, row);
        const double step_m = lr_clear_sky_lambda_m(row) - lr_clear_sky_lambda_m(row - 1);
        *direct += 0.5*step_m*(a.direct + b.direct);
        *diffuse += 0.5*step_m*(a.diffuse + b.diffuse);
    }
}

// Trapezoid over the model's grid, W/m^2, by an independent implementation.
static void whole_irradiance(void **state)
{
    (void)state;
    double direct, diffuse;
    integrate(air_a(), 47.912086, 1100.0, &direct, &diffuse);
    assert_near(direct, 711.016, 1e-3);
    assert_near(diffuse, 95.463, 1e-3);
    assert_near(direct*cos(47.912086*LR_DEG) + diffuse, 572.036, 1e-3);
    integrate(air_a(), 47.912086, 4000.0, &direct, &diffuse);
    assert_near(direct, 908.09, 6e-3);
    assert_near(diffuse, 99.82, 6e-3);
    assert_near(direct*cos(47.912086*LR_DEG) + diffuse, 708.49, 6e-3);
    integrate(air_b(), 60.0, 1100.0, &direct, &diffuse);
    assert_near(direct, 529.794, 1e-3);
    assert_near(diffuse, 110.135, 1e-3);
    integrate(air_c(), 80.0, 1100.0, &direct, &diffuse);
    assert_near(direct, 468.444, 1e-3);
    assert_near(diffuse, 36.649, 1e-3);
}

// No light is made: what reaches the ground horizontally never exceeds what falls on the air, over the whole spectrum.
// (Single wavelengths may exceed it: Cs is an empirical factor.) At the horizon and below there is nothing, and no NaN.
static void energy_and_horizon(void **state)
{
    (void)state;
    for (double z = 0.0; z < 90.0; z += 5.0) {
        double direct, diffuse, above = 0.0;
        lr_air air = air_a();
        integrate(air, z, 4000.0, &direct, &diffuse);
        for (int row = 1; row < LR_CLEAR_SKY_ROWS; row++)
            above += 0.5*(lr_clear_sky_lambda_m(row) - lr_clear_sky_lambda_m(row - 1))
                *(lr_clear_sky_row(&air, 0.0, row - 1).extraterrestrial + lr_clear_sky_row(&air, 0.0, row).extraterrestrial);
        assert_true(direct*cos(z*LR_DEG) + diffuse < above*cos(z*LR_DEG));
        assert_true(direct > 0.0 && diffuse > 0.0);
    }
    const lr_air air = air_a();
    const lr_clear_sky down = lr_clear_sky_at(&air, 95.0*LR_DEG, 850e-9);
    assert_true(down.direct == 0.0 && down.diffuse == 0.0 && down.extraterrestrial > 0.0);
    assert_true(lr_clear_sky_at(&air, 0.0, 299e-9).direct == 0.0);
    assert_true(lr_clear_sky_at(&air, 0.0, 4001e-9).direct == 0.0);
}

static void faults_are_named(void **state)
{
    (void)state;
    lr_error err = {0};
    lr_air air = lr_air_default();
    assert_int_equal(lr_air_check(&air, &err), LR_OK);
    air.albedo = 1.5;
    assert_int_equal(lr_air_check(&air, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "albedo: 1.5 is not in [0, 1]");
    air = lr_air_default();
    air.day_of_year = 0;
    assert_int_equal(lr_air_check(&air, &err), LR_ERR_RANGE);
    air = lr_air_default();
    air.aerosol = (double)NAN;
    assert_int_equal(lr_air_check(&air, &err), LR_ERR_RANGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(original_program),
        cmocka_unit_test(two_more_cases),
        cmocka_unit_test(whole_irradiance),
        cmocka_unit_test(energy_and_horizon),
        cmocka_unit_test(faults_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
