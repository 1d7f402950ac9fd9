// SPDX-License-Identifier: Apache-2.0
// Budgets against closed forms and handbook values.
#include "budget_head.h"

#include <time.h>

#include "optics/lens.h"
#include "optics/sheet.h"
#include "optics/spectrum.h"
#include "sensor/speckle.h"

#define REL_FORMULA 1e-9    // doubles, some dozen operations

#define SPIN "\"rev_per_s\": 2, \"lines_per_rev\": 3600"
#define WIDE "\"projection\": \"equidistant\", \"focal_mm\": 3.42244, \"f_number\": 2, \"transmission\": 0.8"   // 2048 x 3.5 um: +-60 degrees
#define SENSOR "\"pixels\": 2048, \"pitch_um\": 3.5, \"width_um\": 14, \"quantum_efficiency\": 0.35, \"full_well_e\": 20000, \"read_noise_e\": 5, \"bits\": 12, \"gain_dn_per_e\": 0.19"
#define PAIR CAMERA("upper", "100", WIDE, SENSOR) ", " CAMERA("lower", "-100", WIDE, SENSOR)
#define FAN(more) "{\"name\": \"fan\", \"wavelength_nm\": 850, \"line_width_nm\": 0, \"power_mw\": 100, \"fan_deg\": 120, \"thickness_mm\": 1, \"divergence_mrad\": 1" more "}"
#define PLAIN ", \"dots\": {\"count\": 0}"
#define DOTTED ", \"dots\": {\"count\": 400, \"seed\": 3, \"size_mrad\": 2, \"zero_order\": 0, \"background\": 0}"

// ---- Coverage -------------------------------------------------------------------------------------------------------

// A band between -60 and 60 degrees is sin 60 of the sphere; narrow heads: 4 pi sin 60 over 4 asin(sin 30 sin 20).
static void one_band(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, FAN(PLAIN), ""));
    lr_budget *b = budget_of(head, NULL);
    const double sixty = 60.0*LR_DEG, edge = 2e-5;   // the focal length above puts the line's end at 60 degrees to 1e-5 rad
    assert_near(b->coverage.seen_share, sin(sixty), edge);
    assert_near(b->coverage.stereo_share, sin(sixty), edge);
    assert_near(b->coverage.useful_share, sin(sixty), edge);
    assert_near(b->coverage.blind_above_rad, 30.0*LR_DEG, edge);
    assert_near(b->coverage.blind_below_rad, 30.0*LR_DEG, edge);
    assert_near(b->coverage.overlap_rad, 0.0, 0.0);
    assert_int_equal(b->coverage.looks_min, 1);
    assert_rel(b->coverage.narrow_heads, LR_PI*sin(sixty)/asin(sin(30.0*LR_DEG)*sin(20.0*LR_DEG)), 1e-4);
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// A narrower fan lights less than is seen: 80 degrees, sin 40 of the sphere.
static void fan_limits(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, FAN(PLAIN), ""));
    head->module[0].laser[0].fan_rad = 80.0*LR_DEG;
    lr_budget *b = budget_of(head, NULL);
    assert_near(b->coverage.lit_share, sin(40.0*LR_DEG), 1e-6);
    assert_near(b->coverage.useful_share, sin(40.0*LR_DEG), 1e-6);
    assert_near(b->coverage.stereo_share, sin(60.0*LR_DEG), 2e-5);
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// Pitched up by 60 degrees the band runs from 0 over the zenith to 60 degrees on the other side: half the sphere, half a look more above 60.
static void over_the_top(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, FAN(PLAIN), ""));
    head->module[0].pitch_rad = 60.0*LR_DEG;
    lr_budget *b = budget_of(head, NULL);
    assert_near(b->coverage.seen_share, 0.5, 2e-5);
    assert_near(b->coverage.blind_above_rad, 0.0, 1e-9);
    assert_near(b->coverage.blind_below_rad, 90.0*LR_DEG, 2e-5);
    assert_near(b->coverage.overlap_rad, 30.0*LR_DEG, 1.01*LR_PI/LR_BUDGET_SKY);   // counted in steps
    assert_int_equal(b->coverage.looks_max, 2);
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// ---- Range ------------------------------------------------------------------------------------------------------------

// dz = z^2 dd/(f b): 5 m, 0.2 m, 1000 pixels: 12.5 mm for a tenth of a pixel. Exact here: along the axis of a rectilinear camera.
static void step_of_the_textbook(void **state)
{
    (void)state;
#define FLAT "\"projection\": \"rectilinear\", \"focal_mm\": 5, \"f_number\": 2"
#define FINE "\"pixels\": 1001, \"pitch_um\": 5, \"width_um\": 5"
    lr_head *head = head_of(HEAD(SPIN, CAMERA("a", "100", FLAT, FINE) ", " CAMERA("b", "-100", FLAT, FINE), FAN(PLAIN), ""));
    assert_rel(0.1*lr_budget_range_step_m(head, 0, 0, 1, 500, 5.0), 12.5e-3, REL_FORMULA);
    assert_rel(0.1*lr_budget_range_step_m(head, 0, 1, 0, 500, 5.0), 12.5e-3, REL_FORMULA);
    lr_head_destroy(head);
}

// On a wide lens the step is the slope of the partner's pixel along the ray: central differences of the projection itself.
static void step_across_a_wide_field(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, FAN(PLAIN), ""));
    const lr_camera_def *a = &head->module[0].camera[0], *b = &head->module[0].camera[1];
    int count = 0;
    for (int pixel = 0; pixel < 2048; pixel += 93)
        for (double range_m = 0.5; range_m < 20.0; range_m *= 2.0) {
            double at[2], across;
            const lr_vec3 d = lr_camera_direction(a, pixel, 0.0), base = lr_v3(0, 0, 0.2);
            const double h = 1e-4*range_m;
            for (int i = 0; i < 2; i++)
                assert_true(lr_camera_project(b, lr_mad(base, range_m + (i ? h : -h), d), &at[i], &across));
            const double step_m = lr_budget_range_step_m(head, 0, 0, 1, pixel, range_m);
            if (isnan(step_m))
                continue;    // beyond the partner's line
            count++;
            assert_rel(step_m, 2.0*h/fabs(at[1] - at[0]), 1e-6);   // differences: h^2 and 1e-16/1e-4
        }
    assert_true(count > 100);
    lr_head_destroy(head);
}

// ---- Photons ----------------------------------------------------------------------------------------------------------

// Sheet far thinner than the pixel, wall met head on, on the axis:
//   N = P/fan rho/pi pi/4 (f/N)^2 (p/f)/r^2 tau QE lambda/(h c) t
static void electrons_on_the_axis(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, CAMERA("c", "0", WIDE, SENSOR), FAN(PLAIN), ""));
    lr_laser_def *laser = &head->module[0].laser[0];
    const double f = 3.42244e-3, p = 3.5e-6;
    for (double r = 1.0; r < 20.0; r *= 1.7) {
        const double n = 0.1/(120.0*LR_DEG)*0.5/LR_PI*LR_PI/4.0*f*f/4.0*(p/f)/(r*r)*0.8*0.35*850e-9/(6.62607015e-34*299792458.0)*100e-6;
        laser->thickness_m = 1e-4;
        laser->divergence_rad = 1e-4;
        assert_rel(lr_budget_laser_e(head, 0, 0, 0, 1023.5, r, (double)NAN, 0.5), n, 1e-9);
        // A sheet wider than the pixel loses what falls beside it: erf of half the pixel over sqrt(2) sigma.
        laser->thickness_m = 20e-3;
        const double grown = 1e-4*r, sigma = 0.25*hypot(20e-3, grown), half = 0.5*14e-6/f*r;
        assert_rel(lr_budget_laser_e(head, 0, 0, 0, 1023.5, r, (double)NAN, 0.5), n*erf(half/(sqrt(2.0)*sigma)), 1e-9);
    }
    lr_head_destroy(head);
}

// A flood of equal power is the sheet swept over its angle: over sheet = width of the pixel at the wall, over flood angle times range.
static void flood_is_the_sheet_swept(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, CAMERA("c", "0", WIDE, SENSOR), FAN(PLAIN ", \"flood_deg\": 90"), ""));
    lr_laser_def *laser = &head->module[0].laser[0];
    laser->thickness_m = 1e-4;
    laser->divergence_rad = 1e-4;
    for (double r = 0.7; r < 20.0; r *= 2.0) {
        laser->mode = LR_LASER_SHEET;
        const double sheet = lr_budget_laser_e(head, 0, 0, 0, 1023.5, r, (double)NAN, 0.5);
        laser->mode = LR_LASER_FLOOD;
        const double flood = lr_budget_laser_e(head, 0, 0, 0, 1023.5, r, (double)NAN, 0.5), across = 14e-6/3.42244e-3;
        assert_rel(sheet/flood, 90.0*LR_DEG/across, 1e-9);
    }
    lr_head_destroy(head);
}

// Near infrared for a lux, 840 .. 860 nm [mW/m^2 per lx]: halogen 0.6319, sun 0.1864, white LED next to none (computed from
// Planck's law, ASTM G173-03 and CIE LED-B3). A steep filter stands for the band: its equivalent width scales the 20 nm.
static void light_in_the_band(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, FAN(PLAIN), ""));
    for (int c = 0; c < 2; c++) {
        lr_filter *f = &head->module[0].camera[c].filter;
        *f = (lr_filter){.present = 1, .center_m = 850e-9, .width_m = 20e-9, .peak = 1, .order = 20, .index = 2, .angle_factor = 0};
    }
    lr_budget *b = budget_of(head, NULL);
    const lr_budget_module *m = &b->module[0];
    const double width = lr_filter_equivalent_width_m(&head->module[0].camera[0].filter)/20e-9;
    assert_rel(b->lux[LR_LIGHT_HALOGEN], 500.0, 1e-9);
    assert_rel(b->lux[LR_LIGHT_SUN], 100e3, 1e-9);
    assert_rel(m->light_band_w_m2[LR_LIGHT_HALOGEN], 500.0*0.6319e-3*width, 5e-3);   // 5 nm steps; V from the 5 nm table
    assert_rel(m->light_band_w_m2[LR_LIGHT_SUN], 100e3*0.1864e-3*width, 0.01);       // the 5 nm table promises 1 % on a band
    assert_true(m->light_band_w_m2[LR_LIGHT_OFFICE] < 1e-3*m->light_band_w_m2[LR_LIGHT_HALOGEN]);
    assert_near(m->light_band_w_m2[LR_LIGHT_DARK], 0.0, 0.0);
    assert_near(m->curve.light_e[LR_LIGHT_DARK], 0.0, 0.0);
    assert_true(isinf(m->curve.wins_m[LR_LIGHT_DARK]));
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// Flat light through a filter: N = rho/pi E width A Omega tau QE lambda/(h c) t to first order in the band's width; lambda is the mean there.
static void ambient_electrons(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, CAMERA("c", "0", WIDE, SENSOR), FAN(PLAIN), ""));
    lr_camera_def *c = &head->module[0].camera[0];
    c->filter = (lr_filter){.present = 1, .center_m = 850e-9, .width_m = 30e-9, .peak = 0.9, .order = 3, .index = 2, .angle_factor = 0.3};
    lr_table flat = {0};
    assert_int_equal(lr_table_constant(2e9, &flat, NULL), LR_OK);   // 2 W/m^2 per nm
    for (int pixel = 0; pixel < 2048; pixel += 411) {
        const double theta = fabs(lr_camera_angle(c, pixel)), at_m = lr_filter_center(&c->filter, theta);
        const double n = 0.4/LR_PI*2e9*lr_filter_equivalent_width_m(&c->filter)*lr_lens_etendue(&c->lens, theta, 3.5e-6, 14e-6)*0.8*0.35*at_m/(6.62607015e-34*299792458.0)*100e-6;
        assert_rel(lr_budget_ambient_e(c, pixel, &flat, 0.4), n, 2e-3);   // cut at 1e-3 of the peak
    }
    lr_table_free(&flat);
    lr_head_destroy(head);
}

static void speckle_contrast(void **state)
{
    (void)state;
    lr_camera_def c = lr_camera_def_default();
    const double width_um[] = {3.5, 7, 14, 28}, f_number[] = {1.4, 2, 4, 8}, drag_um[] = {0, 5, 40};
    for (int i = 0; i < 4; i++)
        for (int j = 0; j < 4; j++)
            for (int k = 0; k < 3; k++) {
                c.sensor.width_m = width_um[i]*1e-6;
                c.lens.f_number = f_number[j];
                lr_speckle_def def = lr_speckle_def_default();
                def.width_m = c.sensor.width_m;
                def.f_number = f_number[j];
                def.drag_m = drag_um[k]*1e-6;
                // The sensor's own count integrates the pixel in full; the budget joins its two limits, to the 8 % it promises.
                assert_rel(lr_budget_speckle_contrast(&c, 850e-9, def.drag_m), lr_speckle_contrast(lr_speckle_count(&def)), 0.08);
            }
}

// ---- Matching -----------------------------------------------------------------------------------------------------------

// N electrons in a Gaussian dot of spread s, alone and without noise but their own: the shift is known to s^2/N. Dots in a
// window add their information, two images their variance. Weak light, so that speckle and neighbours do not count.
static void bound_of_shot_noise(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, FAN(DOTTED), ""));
    head->module[0].laser[0].dots.count = 40;   // far apart
    head->module[0].laser[0].power_w = 2e-5;
    for (int c = 0; c < 2; c++) {
        lr_sensor_def *s = &head->module[0].camera[c].sensor;
        s->read_noise_e = s->dark_current_e_per_s = 0;
        s->gain_dn_per_e = 1e4;
        s->offset_dn = 0;
    }
    lr_budget_def def = lr_budget_def_default();
    def.light = LR_LIGHT_DARK;
    def.range_m = 5.0;
    lr_budget *b = budget_of(head, &def);
    const lr_budget_module *m = &b->module[0];
    const lr_budget_ray *r = &m->ray[m->middle];
    const double dot_e = r->laser_e*m->dot_spacing_px, dots = def.window_px/m->dot_spacing_px;
    const double want_px = sqrt(2.0*m->dot_px*m->dot_px/(dot_e*dots));
    assert_rel(r->match_px, want_px, 0.03);    // +-4 spreads hold all; background of neighbours, speckle, quantisation and the partner's own angle leave this
    assert_rel(r->noise_m, r->match_px*r->step_m, REL_FORMULA);
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// Under a background of variance v: sum of slopes squared = N^2/(4 sqrt(pi) s^3), so var = 4 sqrt(pi) s^3 v/N^2.
static void bound_of_background(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, FAN(DOTTED), ""));
    head->module[0].laser[0].dots.count = 40;
    head->module[0].laser[0].power_w = 2e-4;
    lr_budget_def def = lr_budget_def_default();
    def.light = LR_LIGHT_SUN;
    def.range_m = 5.0;
    lr_budget *b = budget_of(head, &def);
    const lr_budget_module *m = &b->module[0];
    const lr_budget_ray *r = &m->ray[m->middle];
    const double dot_e = r->laser_e*m->dot_spacing_px, dots = def.window_px/m->dot_spacing_px;
    const double v = m->curve.light_e[LR_LIGHT_SUN] + m->floor_e*m->floor_e;
    assert_rel(r->match_px, sqrt(2.0*4.0*sqrt(LR_PI)*pow(m->dot_px, 3)*v/(dot_e*dot_e*dots)), 0.01);
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// ---- Reach ----------------------------------------------------------------------------------------------------------------

// The edges of the usable range really are edges, and their reasons hold.
static void reach_is_where_it_ends(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, FAN(DOTTED), ""));
    for (int c = 0; c < 2; c++)
        head->module[0].camera[c].filter = (lr_filter){.present = 1, .center_m = 852e-9, .width_m = 20e-9, .peak = 0.9, .order = 3, .index = 2, .angle_factor = 0.2};
    lr_budget *b = budget_of(head, NULL);
    const lr_budget_module *m = &b->module[0];
    const lr_budget_ray *r = &m->ray[m->middle];
    lr_budget_def def = b->def;
    const double far_m = r->reach.far_m;
    assert_int_equal(r->reach.far_limit, LR_LIMIT_NOISE);
    def.range_m = far_m*0.999;
    lr_budget *inside = budget_of(head, &def);
    assert_true(inside->module[0].ray[m->middle].noise_m <= def.noise_share_max*def.range_m);
    def.range_m = far_m*1.001;
    lr_budget *outside = budget_of(head, &def);
    assert_true(outside->module[0].ray[m->middle].noise_m > def.noise_share_max*def.range_m);
    // Where the sun wins, both give the same; before that the laser gives more.
    const double wins_m = m->curve.wins_m[LR_LIGHT_SUN];
    assert_rel(lr_budget_laser_e(head, 0, 0, 0, r->pixel, wins_m, (double)NAN, b->def.reflectance), m->curve.light_e[LR_LIGHT_SUN], 1e-4);
    lr_budget_destroy(outside);
    lr_budget_destroy(inside);
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// ---- Bad input, speed -----------------------------------------------------------------------------------------------------

static void refuses(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, FAN(PLAIN), ""));
    const double bad[] = {0.0, -1.0, 1.5, (double)NAN};
    lr_budget *b = (lr_budget *)1;
    lr_error err;
    for (int i = 0; i < 4; i++) {
        lr_budget_def def = lr_budget_def_default();
        def.reflectance = bad[i];
        assert_int_equal(lr_budget_create(head, &def, &b, &err), LR_ERR_RANGE);
        assert_null(b);
        assert_non_null(strstr(err.text, "reflectance"));
    }
    lr_budget_def def = lr_budget_def_default();
    def.light = LR_LIGHT_SCENE;
    assert_int_equal(lr_budget_create(head, &def, &b, &err), LR_ERR_RANGE);
    def = lr_budget_def_default();
    def.range_m = (double)NAN;
    assert_int_equal(lr_budget_create(head, &def, &b, &err), LR_ERR_RANGE);
    def = lr_budget_def_default();
    def.window_px = 0;
    assert_int_equal(lr_budget_create(head, &def, &b, &err), LR_ERR_RANGE);
    lr_budget_destroy(NULL);
    lr_head_destroy(head);
}

// Odd heads give figures or none, never a crash: one camera, no laser, no pattern, all lasers off, a flood.
static void odd_heads(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, CAMERA("c", "0", WIDE, SENSOR), "", ""));
    lr_budget *b = budget_of(head, NULL);
    assert_int_equal(b->fan_count, 0);
    assert_near(b->coverage.stereo_share, 0.0, 0.0);
    assert_true(isnan(b->module[0].ray[30].reach.far_m));
    lr_budget_destroy(b);
    lr_head_destroy(head);
    const lr_laser_mode modes[] = {LR_LASER_OFF, LR_LASER_FLOOD, LR_LASER_SHEET};
    for (int i = 0; i < 3; i++) {
        head = head_of(HEAD(SPIN, PAIR, FAN(PLAIN), ""));
        head->module[0].laser[0].mode = modes[i];
        b = budget_of(head, NULL);
        assert_int_equal(b->fan_count, modes[i] != LR_LASER_OFF);
        assert_true(isnan(b->module[0].ray[30].reach.far_m));   // nothing to match on
        assert_true(isinf(b->module[0].ray[30].noise_m));
        lr_budget_destroy(b);
        lr_head_destroy(head);
    }
}

static void under_a_second(void **state)
{
    (void)state;
    const char *const heads[] = {"scenes/heads/wide120.json", "scenes/heads/trio.json", "scenes/heads/pocket.json"};
    for (int i = 0; i < 3; i++) {
        lr_head *head = head_file(heads[i]);
        const clock_t start = clock();
        lr_budget *b = budget_of(head, NULL);
        const double seconds = (double)(clock() - start)/CLOCKS_PER_SEC;
        if (!getenv("LR_SLOW"))   // for machines that trace every instruction
            assert_true(seconds < 1.0);
        lr_budget_destroy(b);
        lr_head_destroy(head);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_band), cmocka_unit_test(fan_limits), cmocka_unit_test(over_the_top), cmocka_unit_test(step_of_the_textbook),
        cmocka_unit_test(step_across_a_wide_field), cmocka_unit_test(electrons_on_the_axis), cmocka_unit_test(flood_is_the_sheet_swept),
        cmocka_unit_test(light_in_the_band), cmocka_unit_test(ambient_electrons), cmocka_unit_test(speckle_contrast), cmocka_unit_test(bound_of_shot_noise),
        cmocka_unit_test(bound_of_background), cmocka_unit_test(reach_is_where_it_ends), cmocka_unit_test(refuses), cmocka_unit_test(odd_heads),
        cmocka_unit_test(under_a_second),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
