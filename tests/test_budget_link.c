// SPDX-License-Identifier: Apache-2.0
// Budgets of link, eye safety and advice against closed forms; demo heads against rules of the trade.
#include "budget_head.h"

#include "optics/laser_safety.h"

#define SPIN "\"rev_per_s\": 2, \"lines_per_rev\": 3600"
#define WIDE "\"projection\": \"equidistant\", \"focal_mm\": 3.42244, \"f_number\": 2, \"transmission\": 0.8"
#define SENSOR "\"pixels\": 2048, \"pitch_um\": 3.5, \"width_um\": 14, \"quantum_efficiency\": 0.35, \"bits\": 12"
#define PAIR CAMERA("upper", "100", WIDE, SENSOR) ", " CAMERA("lower", "-100", WIDE, SENSOR)
#define SHEET90 "{\"name\": \"fan\", \"wavelength_nm\": 850, \"power_mw\": 50, \"fan_deg\": 90, \"thickness_mm\": 2, \"divergence_mrad\": 0, \"efficiency\": 0.25, \"dots\": {\"count\": 0}}"
#define LINK ", \"link\": {\"mbyte_per_s\": 80, \"slip_ring\": {\"rated_turns\": 2e7, \"mbyte_per_s\": 60}}"

// ---- Link ---------------------------------------------------------------------------------------------------------------

// Two cameras of 2048 pixels and 16 bytes of header: 8224 bytes a line raw, 6176 packed; 7200 lines a second.
static void loads(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, SHEET90, LINK));
    lr_budget *b = budget_of(head, NULL);
    const lr_budget_link *l = &b->link;
    assert_rel(l->load_byte_per_s[LR_FORM_RAW16], 8224.0*7200.0, 1e-12);
    assert_rel(l->load_byte_per_s[LR_FORM_PACKED], 6176.0*7200.0, 1e-12);
    assert_rel(l->load_byte_per_s[LR_FORM_RANGE], (3.0*b->module[0].points_per_line + 16.0)*7200.0, 1e-12);
    assert_string_equal(l->limit_name, "slip ring");
    assert_rel(l->limit_byte_per_s, 60e6, 1e-12);
    assert_rel(l->slip_ring_hours, 2e7/2.0/3600.0, 1e-12);
    assert_rel(l->line_s, 1.0/7200.0, 1e-12);
    assert_rel(l->duty, 100e-6*7200.0, 1e-12);
    assert_rel(l->optical_w, 0.05*0.72, 1e-12);
    assert_rel(l->electrical_w, 0.05*0.72/0.25, 1e-12);
    assert_rel(l->blur_rad, 2.0*LR_PI*2.0*100e-6, 1e-12);
    assert_rel(l->points_per_s, b->module[0].points_per_line*7200.0, 1e-12);
    for (int i = 0; i < LR_BUDGET_RATES; i++) {   // constant link rate: points a turn times turns a second stay
        assert_rel(l->points_at_rate[LR_FORM_RAW16][i]*l->rev_per_s[i], b->module[0].points_per_line*60e6/8224.0, 1e-12);
        assert_rel(l->points_by_exposure[i]*l->rev_per_s[i], b->module[0].points_per_line/100e-6, 1e-12);
    }
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

static int find(const lr_budget *b, const char *what)
{
    for (int i = 0; i < b->verdict_count; i++)
        if (strcmp(b->verdict[i].what, what) == 0)
            return i;
    return -1;
}

static void verdicts(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, SHEET90, ", \"link\": {\"mbyte_per_s\": 50, \"slip_ring\": {\"rated_turns\": 1e7}}, \"require\": {\"rev_per_s\": 2.5}"));
    lr_budget *b = budget_of(head, NULL);
    const int link = find(b, "link"), turns = find(b, "slip ring, turns of a year"), rev = find(b, "revolutions a second");
    assert_true(link >= 0 && turns >= 0 && rev >= 0);
    assert_false(b->verdict[link].met);
    assert_rel(b->verdict[link].margin, (50.0 - 59.2128)/50.0, 1e-12);
    assert_false(b->verdict[turns].met);
    assert_rel(b->verdict[turns].reached, 1.44e7, 1e-12);
    assert_false(b->verdict[rev].met);
    assert_rel(b->verdict[rev].margin, -0.2, 1e-12);
    assert_int_equal(find(b, "range noise"), -1);
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// ---- Eye safety -------------------------------------------------------------------------------------------------------------

// The worked sheet of 90 degrees, 1 mm of 1/e^2 half width, 850 nm, lit all the time, 1 turn a second: pass 11.1408 ms, share
// 4.4101 %, Class 1 up to 97.5 mW turning and 17.64 mW at rest. Computed from the formulas of IEC 60825-1:2014 by separate code.
static void worked_sheet(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD("\"rev_per_s\": 1, \"lines_per_rev\": 3600", PAIR, SHEET90, ""));
    head->module[0].camera[0].exposure_s = 1.0/3600.0;
    lr_budget *b = budget_of(head, NULL);
    const lr_budget_fan *f = &b->fan[0];
    assert_int_equal(b->fan_count, 1);
    assert_rel(f->pass_s, 11.1408e-3, 1e-5);
    assert_rel(f->share, 0.044101, 2e-4);
    assert_rel(f->limit_j[0], 4.78946e-5, 1e-5);
    assert_int_equal(f->governing, 0);
    assert_rel(f->power_class1_w, 97.5e-3, 1e-3);
    assert_rel(f->stalled_power_class1_w, 17.64e-3, 1e-3);
    assert_rel(f->ratio, 50.0/97.5, 1e-3);
    assert_rel(b->safety_ratio, f->ratio, 1e-12);
    assert_true(f->hazard_m <= LR_SAFETY_DISTANCE_M);
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// At rest a thin sheet sends P 7 mm/(z fan) into the pupil: the hazard ends at z = P 7 mm/(fan 0.77815 mW).
static void hazard_of_a_stalled_sheet(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD("\"rev_per_s\": 1, \"lines_per_rev\": 3600", PAIR, SHEET90, ""));
    head->module[0].camera[0].exposure_s = 1.0/3600.0;
    head->module[0].laser[0].thickness_m = 1e-5;
    lr_budget *b = budget_of(head, NULL);
    assert_rel(b->fan[0].stalled_hazard_m, 0.05*7e-3/(90.0*LR_DEG*0.77815e-3), 3e-4);   // slices of the pupil 1e-4
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// Two fans from one vertex double what enters the pupil; side by side they do not.
static void fans_add_up(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, SHEET90 ", {\"name\": \"two\", \"wavelength_nm\": 850, \"power_mw\": 50, \"fan_deg\": 90, \"thickness_mm\": 2, "
                                                     "\"divergence_mrad\": 0, \"dots\": {\"count\": 0}}", ""));
    lr_budget *together = budget_of(head, NULL);
    assert_rel(together->safety_ratio, 2.0*together->fan[0].ratio, 1e-6);
    assert_rel(together->safety_stalled_ratio, 2.0*together->fan[0].stalled_ratio, 1e-6);
    head->module[0].laser[0].placement.pitch_rad = 45.0*LR_DEG;
    head->module[0].laser[1].placement.pitch_rad = -45.0*LR_DEG;
    lr_budget *beside = budget_of(head, NULL);
    assert_rel(beside->safety_ratio, beside->fan[0].ratio, 1e-6);
    lr_budget_destroy(beside);
    lr_budget_destroy(together);
    lr_head_destroy(head);
}

// An undiffracted dot enters the pupil whole: it adds its share of the power.
static void zero_order_is_the_worst_place(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, SHEET90, ""));
    lr_laser_def *laser = &head->module[0].laser[0];
    laser->dots.count = 300;
    laser->dots.size_rad = 1e-3;
    laser->dots.background = 0.1;
    laser->dots.zero_order = 0.0;
    lr_budget *without = budget_of(head, NULL);
    laser->dots.zero_order = 0.2;
    lr_budget *with = budget_of(head, NULL);
    assert_near(with->fan[0].worst_rad, 0.0, 7e-3/0.1);
    assert_true(with->fan[0].share > 0.2*0.95);     // a sheet of 1 mm half width loses 5 % beside a pupil at most
    assert_true(with->fan[0].share < 0.2 + without->fan[0].share);
    lr_budget_destroy(with);
    lr_budget_destroy(without);
    lr_head_destroy(head);
}

static void not_estimated_below_600_nm(void **state)
{
    (void)state;
    lr_head *head = head_of(HEAD(SPIN, PAIR, SHEET90, ""));
    head->module[0].laser[0].wavelength_m = 520e-9;
    lr_budget *b = budget_of(head, NULL);
    assert_true(isnan(b->fan[0].ratio) && isnan(b->safety_ratio));
    assert_false(b->verdict[find(b, "Class 1, turning")].met);
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// ---- Advice -------------------------------------------------------------------------------------------------------------------

static const lr_budget_advice *advice(const lr_budget *b, const char *parameter)
{
    for (int i = 0; i < b->advice_count; i++)
        if (strncmp(b->advice[i].parameter, parameter, strlen(parameter)) == 0)
            return &b->advice[i];
    fail();
    return NULL;
}

// Slopes that follow from the formulas: noise falls as 1/baseline, load rises with lines, the margin falls with power.
static void elasticities(void **state)
{
    (void)state;
    lr_head *head = head_file("scenes/heads/trio.json");
    lr_budget *b = budget_of(head, NULL);
    assert_rel(advice(b, "baseline")->elasticity[LR_METRIC_NOISE], -1.0, 0.02);   // rays of both cameras change angle a little
    assert_rel(advice(b, "spin.lines_per_rev")->elasticity[LR_METRIC_LINK], 1.0, 1e-9);
    assert_rel(advice(b, "spin.rev_per_s")->elasticity[LR_METRIC_LINK], 1.0, 1e-9);
    assert_rel(advice(b, "power_mw")->elasticity[LR_METRIC_SAFETY], -1.0, 1e-9);
    assert_near(advice(b, "power_mw")->elasticity[LR_METRIC_COVERAGE], 0.0, 1e-12);
    const double power = advice(b, "power_mw")->elasticity[LR_METRIC_NOISE];    // -1 in the background's noise, 0 in speckle
    assert_true(power > -1.0 && power < 0.0);
    assert_true(advice(b, "lens.f_number")->elasticity[LR_METRIC_NOISE] > 0.0);
    for (int i = 1; i < b->advice_count; i++)   // ranked by noise
        assert_true(fabs(b->advice[i].elasticity[LR_METRIC_NOISE]) <= fabs(b->advice[i - 1].elasticity[LR_METRIC_NOISE]) + 6e-4);
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

// ---- Rules of the trade: common practice, no source ---------------------------------------------------------------------------

static void rules_of_the_trade(void **state)
{
    (void)state;
    lr_head *head = head_file("scenes/heads/wide120.json");
    lr_budget *b = budget_of(head, NULL);
    const lr_budget_module *m = &b->module[0];
    // About 60 degrees a diffractive fan, two of them for 120 degrees; lenses of 120 to 180 degrees along the line.
    assert_int_equal(head->module[0].laser_count, 2);
    for (int i = 0; i < 2; i++)
        assert_near(head->module[0].laser[i].fan_rad/LR_DEG, 60.0, 15.0);
    assert_true((m->field_rad[1] - m->field_rad[0])/LR_DEG > 119.0 && (m->field_rad[1] - m->field_rad[0])/LR_DEG <= 180.0);
    assert_true((m->lit_rad[1] - m->lit_rad[0])/LR_DEG > 115.0);
    // About eighteen narrow heads for the sphere: this head sees 87 % of it.
    assert_near(b->coverage.narrow_heads/b->coverage.seen_share, 18.0, 1.0);
    // A link of 80 Mbyte/s limits the points a second: 16-bit pairs of lines carry some 20 million.
    assert_rel(b->link.limit_byte_per_s, 80e6, 1e-12);
    assert_true(b->link.load_byte_per_s[LR_FORM_RAW16] <= 80e6);
    assert_near(m->points_per_line*80e6/b->link.line_bytes[LR_FORM_RAW16], 20e6, 2e6);
    // A room of 5 x 5 x 5 m about a head of a hand's size, 2 to 8 turns a second: from the middle to a corner it is 4.33 m.
    assert_true(head->spin.rev_per_s >= 2.0 && head->spin.rev_per_s <= 8.0);
    int covered = 0, useful = 0;
    for (int i = 0; i < LR_BUDGET_RAYS; i++)
        if (m->ray[i].stereo && m->ray[i].lit) {
            useful++;
            covered += m->ray[i].reach.far_m >= sqrt(3.0)*2.5 && m->ray[i].reach.near_m <= 2.5;
        }
    assert_true(useful > 50 && covered >= useful - 1);   // the last ray at the edge of the field meets the partner's only beyond 2.8 m
    lr_budget_destroy(b);
    lr_head_destroy(head);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(loads), cmocka_unit_test(verdicts), cmocka_unit_test(worked_sheet), cmocka_unit_test(hazard_of_a_stalled_sheet),
        cmocka_unit_test(fans_add_up), cmocka_unit_test(zero_order_is_the_worst_place), cmocka_unit_test(not_estimated_below_600_nm),
        cmocka_unit_test(elasticities), cmocka_unit_test(rules_of_the_trade),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
