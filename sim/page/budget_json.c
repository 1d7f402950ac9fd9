// SPDX-License-Identifier: Apache-2.0
// A budget as one JSON object. Every key carries its unit; null where a figure does not exist or is not finite.
#include <math.h>

#include "page/budget_page.h"

static void open_key(lr_text *t, const char *key, char bracket)
{
    if (t->length && t->data[t->length - 1] != '{' && t->data[t->length - 1] != '[')
        lr_text_add(t, ", ");
    if (key) {
        lr_text_quote(t, key);
        lr_text_add(t, ": ");
    }
    if (bracket)
        lr_text_add(t, "%c", bracket);
}
static void number(lr_text *t, const char *key, double value) { open_key(t, key, 0); lr_text_number(t, value); }
static void text(lr_text *t, const char *key, const char *value) { open_key(t, key, 0); lr_text_quote(t, value); }
static void boolean(lr_text *t, const char *key, int value) { open_key(t, key, 0); lr_text_add(t, value ? "true" : "false"); }
static void numbers(lr_text *t, const char *key, const double *value, int count, double scale)
{
    open_key(t, key, '[');
    for (int i = 0; i < count; i++)
        number(t, NULL, value[i]*scale);
    lr_text_add(t, "]");
}
static void span_deg(lr_text *t, const char *key, const double rad[2]) { numbers(t, key, rad, 2, 1.0/LR_DEG); }

static void reach(lr_text *t, const char *key, const lr_budget_reach *r)
{
    open_key(t, key, '{');
    number(t, "near_m", r->near_m);
    text(t, "near_limit", lr_budget_limit_names[r->near_limit]);
    number(t, "far_m", r->far_m);
    text(t, "far_limit", lr_budget_limit_names[r->far_limit]);
    lr_text_add(t, "}");
}

static void ray(lr_text *t, const lr_budget_ray *r)
{
    open_key(t, NULL, '{');
    number(t, "pixel", r->pixel);
    number(t, "elevation_deg", r->elevation_rad/LR_DEG);
    number(t, "along_mrad", 1e3*r->along_rad);
    number(t, "across_mrad", 1e3*r->across_rad);
    number(t, "filter_share", r->filter_share);
    boolean(t, "stereo", r->stereo);
    boolean(t, "lit", r->lit);
    number(t, "baseline_mm", 1e3*r->baseline_m);
    number(t, "range_step_mm", 1e3*r->step_m);
    number(t, "match_px", r->match_px);
    number(t, "range_noise_mm", 1e3*r->noise_m);
    number(t, "laser_e", r->laser_e);
    reach(t, "usable", &r->reach);
    reach(t, "usable_in_the_dark", &r->dark);
    number(t, "ambient_wins_m", r->wins_m);
    lr_text_add(t, "}");
}

static void curve(lr_text *t, const lr_budget_curve *c)
{
    open_key(t, "curve", '{');
    numbers(t, "range_m", c->range_m, LR_BUDGET_RANGES, 1.0);
    numbers(t, "sheet_e", c->laser_e, LR_BUDGET_RANGES, 1.0);
    numbers(t, "dot_e", c->dot_e, LR_BUDGET_RANGES, 1.0);
    numbers(t, "flood_e", c->flood_e, LR_BUDGET_RANGES, 1.0);
    numbers(t, "range_step_mm", c->step_m, LR_BUDGET_RANGES, 1e3);
    number(t, "saturation_m", c->saturation_m);
    open_key(t, "light", '{');
    for (int k = 0; k < LR_LIGHTS_COUNT; k++) {
        open_key(t, lr_budget_light_names[k], '{');
        number(t, "electrons", c->light_e[k]);
        number(t, "wins_over_sheet_m", c->wins_m[k]);
        number(t, "wins_over_flood_m", c->flood_wins_m[k]);
        numbers(t, "sheet_snr", c->snr[k], LR_BUDGET_RANGES, 1.0);
        numbers(t, "flood_snr", c->flood_snr[k], LR_BUDGET_RANGES, 1.0);
        numbers(t, "range_noise_mm", c->noise_m[k], LR_BUDGET_RANGES, 1e3);
        lr_text_add(t, "}");
    }
    lr_text_add(t, "}}");
}

static void module(lr_text *t, const lr_budget_module *m)
{
    open_key(t, NULL, '{');
    text(t, "name", m->name);
    text(t, "camera", m->first);
    text(t, "partner", m->partner);
    span_deg(t, "field_deg", m->field_rad);
    span_deg(t, "stereo_deg", m->stereo_rad);
    span_deg(t, "lit_deg", m->lit_rad);
    number(t, "points_per_line", m->points_per_line);
    number(t, "saturation_e", m->saturation_e);
    number(t, "floor_e", m->floor_e);
    number(t, "dynamic_range", m->dynamic_range);
    number(t, "speckle_contrast", m->speckle_contrast);
    number(t, "dot_px", m->dot_px);
    number(t, "dot_spacing_px", m->dot_spacing_px);
    open_key(t, "light_in_band", '{');
    for (int k = 0; k < LR_LIGHTS_COUNT; k++) {
        open_key(t, lr_budget_light_names[k], '{');
        number(t, "w_m2", m->light_band_w_m2[k]);
        number(t, "share", m->light_share[k]);
        lr_text_add(t, "}");
    }
    lr_text_add(t, "}");
    number(t, "middle", m->middle);
    open_key(t, "rays", '[');
    for (int i = 0; i < LR_BUDGET_RAYS; i++)
        ray(t, &m->ray[i]);
    lr_text_add(t, "]");
    curve(t, &m->curve);
    lr_text_add(t, "}");
}

static void coverage(lr_text *t, const lr_budget *b)
{
    const lr_budget_coverage *c = &b->coverage;
    open_key(t, "coverage", '{');
    number(t, "seen_share", c->seen_share);
    number(t, "stereo_share", c->stereo_share);
    number(t, "lit_share", c->lit_share);
    number(t, "stereo_and_lit_share", c->useful_share);
    number(t, "blind_above_deg", c->blind_above_rad/LR_DEG);
    number(t, "blind_below_deg", c->blind_below_rad/LR_DEG);
    number(t, "overlap_deg", c->overlap_rad/LR_DEG);
    number(t, "looks_min", c->looks_min);
    number(t, "looks_max", c->looks_max);
    number(t, "narrow_heads", c->narrow_heads);
    numbers(t, "narrow_field_deg", b->def.narrow_rad, 2, 1.0/LR_DEG);
    number(t, "object_mm_per_m", 1e3*c->object_rad);
    number(t, "match_mm_per_m", 1e3*c->patch_rad);
    lr_text_add(t, "}");
}

static void link_part(lr_text *t, const lr_budget *b)
{
    static const char *const keys[] = {"raw_mbyte_per_s", "packed_mbyte_per_s", "range_mbyte_per_s"};
    static const char *const trade[] = {"raw_points", "packed_points", "range_points"};
    const lr_budget_link *l = &b->link;
    open_key(t, "link", '{');
    number(t, "line_us", 1e6*l->line_s);
    number(t, "exposure_us", 1e6*l->exposure_s);
    number(t, "spare_us", 1e6*l->spare_s);
    number(t, "duty", l->duty);
    number(t, "laser_optical_mw", 1e3*l->optical_w);
    number(t, "laser_electrical_mw", 1e3*l->electrical_w);
    number(t, "laser_electrical_peak_mw", 1e3*l->electrical_peak_w);
    number(t, "azimuth_step_deg", l->azimuth_step_rad/LR_DEG);
    number(t, "blur_deg", l->blur_rad/LR_DEG);
    number(t, "azimuth_step_px", l->step_px);
    number(t, "blur_px", l->blur_px);
    number(t, "detail_mrad", 1e3*l->detail_rad);
    number(t, "points_per_rev", l->points_per_rev);
    number(t, "points_per_s", l->points_per_s);
    number(t, "looks_per_s", l->looks_per_s);
    for (int f = 0; f < LR_FORMS_COUNT; f++)
        number(t, keys[f], 1e-6*l->load_byte_per_s[f]);
    number(t, "limit_mbyte_per_s", 1e-6*l->limit_byte_per_s);
    text(t, "limit", l->limit_name);
    text(t, "limiting", l->limiting);
    number(t, "slip_ring_rated_turns", l->rated_turns);
    number(t, "slip_ring_hours", l->slip_ring_hours);
    number(t, "turns_per_year", l->turns_per_year);
    boolean(t, "slip_ring_beyond_rating", l->rated_turns > 0.0 && l->turns_per_year > l->rated_turns);
    open_key(t, "trade", '{');
    numbers(t, "rev_per_s", l->rev_per_s, LR_BUDGET_RATES, 1.0);
    for (int f = 0; f < LR_FORMS_COUNT; f++)
        numbers(t, trade[f], l->points_at_rate[f], LR_BUDGET_RATES, 1.0);
    numbers(t, "exposure_points", l->points_by_exposure, LR_BUDGET_RATES, 1.0);
    lr_text_add(t, "}}");
}

static void fan(lr_text *t, const lr_budget_fan *f)
{
    open_key(t, NULL, '{');
    text(t, "name", f->name);
    number(t, "wavelength_nm", 1e9*f->wavelength_m);
    number(t, "power_mw", 1e3*f->power_w);
    number(t, "share_into_pupil", f->share);
    number(t, "worst_place_deg", f->worst_rad/LR_DEG);
    number(t, "pass_ms", 1e3*f->pass_s);
    number(t, "pulse_us", 1e6*f->pulse_s);
    number(t, "pulses_per_pass", f->pulses_per_pass);
    open_key(t, "rules", '[');
    for (int i = 0; i < 3; i++) {
        open_key(t, NULL, '{');
        text(t, "rule", lr_budget_rule_names[i]);
        number(t, "emission_uj", 1e6*f->rule_j[i]);
        number(t, "limit_uj", 1e6*f->limit_j[i]);
        lr_text_add(t, "}");
    }
    lr_text_add(t, "]");
    text(t, "governing", lr_budget_rule_names[f->governing]);
    number(t, "ratio_to_class1", f->ratio);
    number(t, "ratio_stalled", f->stalled_ratio);
    number(t, "ratio_laser_always_on", f->stuck_on_ratio);
    number(t, "ratio_telescope_stalled", f->telescope_ratio);
    number(t, "power_class1_mw", 1e3*f->power_class1_w);
    number(t, "power_class1_stalled_mw", 1e3*f->stalled_power_class1_w);
    number(t, "hazard_distance_m", f->hazard_m);
    number(t, "hazard_distance_stalled_m", f->stalled_hazard_m);
    lr_text_add(t, "}");
}

static void safety(lr_text *t, const lr_budget *b)
{
    open_key(t, "eye_safety", '{');
    text(t, "caution", lr_budget_caution);
    number(t, "ratio_to_class1", b->safety_ratio);
    number(t, "ratio_stalled", b->safety_stalled_ratio);
    open_key(t, "applied", '[');
    for (int i = 0; lr_budget_safety_notes[i]; i++)
        text(t, NULL, lr_budget_safety_notes[i]);
    lr_text_add(t, "]");
    open_key(t, "fans", '[');
    for (int i = 0; i < b->fan_count; i++)
        fan(t, &b->fan[i]);
    lr_text_add(t, "]}");
}

static void verdicts(lr_text *t, const lr_budget *b)
{
    open_key(t, "requirements", '[');
    for (int i = 0; i < b->verdict_count; i++) {
        const lr_budget_verdict *v = &b->verdict[i];
        open_key(t, NULL, '{');
        text(t, "what", v->what);
        number(t, "wanted", v->wanted);
        number(t, "reached", v->reached);
        text(t, "unit", v->unit);
        boolean(t, "met", v->met);
        number(t, "margin", v->margin);
        text(t, "note", v->note);
        lr_text_add(t, "}");
    }
    lr_text_add(t, "]");
}

static void advice(lr_text *t, const lr_budget *b)
{
    static const char *const keys[] = {"range_noise", "farthest_range", "coverage", "link_load", "eye_safety_margin"};
    open_key(t, "advice", '[');
    for (int i = 0; i < b->advice_count; i++) {
        open_key(t, NULL, '{');
        text(t, "parameter", b->advice[i].parameter);
        for (int k = 0; k < LR_METRICS_COUNT; k++)
            number(t, keys[k], b->advice[i].elasticity[k]);
        lr_text_add(t, "}");
    }
    lr_text_add(t, "]");
}

void lr_budget_json(const lr_budget *b, lr_text *t)
{
    lr_text_add(t, "{");
    text(t, "format", "lanternroom-budget/1");
    text(t, "head", b->head);
    if (b->scene[0]) {
        text(t, "scene", b->scene);
        numbers(t, "room_m", b->room_m, 2, 1.0);
    }
    text(t, "caution", lr_budget_caution);
    open_key(t, "assumed", '{');
    number(t, "reflectance", b->def.reflectance);
    text(t, "light", lr_budget_light_names[b->def.light]);
    number(t, "range_m", b->def.range_m);
    number(t, "snr_min", b->def.snr_min);
    number(t, "noise_share_max", b->def.noise_share_max);
    number(t, "window_px", b->def.window_px);
    open_key(t, "lux", '{');
    for (int k = 0; k < LR_LIGHTS_COUNT; k++)
        number(t, lr_budget_light_names[k], b->lux[k]);
    lr_text_add(t, "}}");
    verdicts(t, b);
    coverage(t, b);
    open_key(t, "modules", '[');
    for (int m = 0; m < b->module_count; m++)
        module(t, &b->module[m]);
    lr_text_add(t, "]");
    link_part(t, b);
    safety(t, b);
    advice(t, b);
    lr_text_add(t, "}\n");
}
