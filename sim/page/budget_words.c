// SPDX-License-Identifier: Apache-2.0
// A budget as a table to read, one part after another, units with every figure.
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "page/budget_page.h"

static void heading(lr_text *t, const char *word) { lr_text_add(t, "\n%s\n", word); }

// "1.234", or a word where there is no number.
typedef struct figure { char text[24]; } figure;
static figure show(double value)
{
    figure f;
    if (isnan(value))
        strcpy(f.text, "-");
    else if (isinf(value))
        strcpy(f.text, "none");
    else
        snprintf(f.text, sizeof f.text, "%.4g", value);
    return f;
}

__attribute__((format(printf, 3, 4)))
static void line(lr_text *t, const char *what, const char *format, ...)
{
    char value[400];
    va_list args;
    va_start(args, format);
    vsnprintf(value, sizeof value, format, args);
    va_end(args);
    lr_text_add(t, "  %-30s %s\n", what, value);
}

static void verdicts(const lr_budget *b, lr_text *t)
{
    heading(t, "Requirements");
    if (!b->verdict_count)
        lr_text_add(t, "  none given: see \"require\" of the head file\n");
    for (int i = 0; i < b->verdict_count; i++) {
        const lr_budget_verdict *v = &b->verdict[i];
        char margin[32] = "";
        if (isfinite(v->margin))
            snprintf(margin, sizeof margin, "%s %.1f %%", v->met ? "spare" : "short", 100.0*fabs(v->margin));
        lr_text_add(t, "  %-6s %-26s wanted %9s, reached %9s %-5s  %-16s %s\n", v->met ? "met" : "MISSED", v->what, show(v->wanted).text, show(v->reached).text,
                    v->unit, margin, v->note);
    }
}

static void coverage(const lr_budget *b, lr_text *t)
{
    const lr_budget_coverage *c = &b->coverage;
    heading(t, "Coverage (from far away, over a whole turn)");
    for (int m = 0; m < b->module_count; m++) {
        const lr_budget_module *o = &b->module[m];
        lr_text_add(t, "  %-12s field %s .. %s deg, stereo %s .. %s, lit %s .. %s (at %.3g m)\n", o->name, show(o->field_rad[0]/LR_DEG).text,
                    show(o->field_rad[1]/LR_DEG).text, show(o->stereo_rad[0]/LR_DEG).text, show(o->stereo_rad[1]/LR_DEG).text,
                    show(o->lit_rad[0]/LR_DEG).text, show(o->lit_rad[1]/LR_DEG).text, b->def.range_m);
    }
    line(t, "share of the sphere", "seen %.1f %%, in stereo %.1f %%, lit %.1f %%, in stereo and lit %.1f %%", 100*c->seen_share, 100*c->stereo_share,
         100*c->lit_share, 100*c->useful_share);
    line(t, "blind cone", "%.1f deg about straight up, %.1f deg about straight down (half angles)", c->blind_above_rad/LR_DEG, c->blind_below_rad/LR_DEG);
    line(t, "overlap of modules", "%.1f deg of elevation; each is seen %d to %d times a turn", c->overlap_rad/LR_DEG, c->looks_min, c->looks_max);
    line(t, "smallest object", "%.2f mm at 1 m, %.1f mm at 5 m (two pixels or steps); to match one: %.1f mm at 1 m", 1e3*c->object_rad, 5e3*c->object_rad, 1e3*c->patch_rad);
    line(t, "replaces", "%.1f narrow heads of %.0f x %.0f deg", c->narrow_heads, b->def.narrow_rad[0]/LR_DEG, b->def.narrow_rad[1]/LR_DEG);
}

static void resolution(const lr_budget *b, lr_text *t)
{
    const lr_budget_link *l = &b->link;
    const lr_budget_ray *r = &b->module[0].ray[b->module[0].middle];
    heading(t, "Resolution and time");
    line(t, "pixel", "%.3f mrad along, %.3f mrad across (middle of %s)", 1e3*r->along_rad, 1e3*r->across_rad, b->module[0].name);
    line(t, "azimuth step", "%.4f deg, %.2f pixel widths, %.2f of the detail across", l->azimuth_step_rad/LR_DEG, l->step_px, l->azimuth_step_rad/l->detail_rad);
    line(t, "blur by turning", "%.4f deg, %.2f pixel widths, %.2f of the detail across, during the longest exposure", l->blur_rad/LR_DEG, l->blur_px,
         l->blur_rad/l->detail_rad);
    line(t, "detail across", "%.3f mrad: the narrower of pixel and sheet at %.3g m", 1e3*l->detail_rad, b->def.range_m);
    line(t, "line", "%.1f us, exposure up to %.1f us, %.1f us to spare, duty %.1f %%", 1e6*l->line_s, 1e6*l->exposure_s, 1e6*l->spare_s, 100*l->duty);
    line(t, "points", "%.4g a turn, %.4g million a second; every direction %.3g times a second", l->points_per_rev, 1e-6*l->points_per_s, l->looks_per_s);
    line(t, "laser power", "%.1f mW optical, %.1f mW electrical on average, %.0f mW peak", 1e3*l->optical_w, 1e3*l->electrical_w, 1e3*l->electrical_peak_w);
}

static void link_part(const lr_budget *b, lr_text *t)
{
    const lr_budget_link *l = &b->link;
    heading(t, "Link");
    for (int f = 0; f < LR_FORMS_COUNT; f++) {
        char use[96] = "";
        if (l->limit_byte_per_s > 0.0)
            snprintf(use, sizeof use, ", %.0f %% of the %s%s", 100*l->load_byte_per_s[f]/l->limit_byte_per_s, l->limit_name,
                     l->load_byte_per_s[f] > l->limit_byte_per_s ? ": TOO MUCH" : "");
        line(t, lr_budget_form_names[f], "%.2f MB/s%s", 1e-6*l->load_byte_per_s[f], use);
    }
    line(t, "limiting", "%s", l->limiting);
    if (l->rated_turns > 0.0)
        line(t, "slip ring", "%.3g turns rated: %.4g hours at this speed%s", l->rated_turns, l->slip_ring_hours,
             l->turns_per_year > l->rated_turns ? ": BEYOND ITS RATING within a year of 2000 hours" : "");
    else
        line(t, "slip ring", "no rating given (link.slip_ring); %.3g turns a year of 2000 hours", l->turns_per_year);
}

static void range_table(const lr_budget *b, lr_text *t)
{
    char title[160];
    snprintf(title, sizeof title, "Range at %.3g m, %s light of %.4g lx, reflectance %.3g (noise: a bound, no matcher reaches it)", b->def.range_m,
             lr_budget_light_names[b->def.light], b->lux[b->def.light], b->def.reflectance);
    heading(t, title);
    for (int m = 0; m < b->module_count; m++) {
        const lr_budget_module *o = &b->module[m];
        lr_text_add(t, "  %s\n    elevation   baseline   one pixel      noise  laser  filter    usable       in the dark  limits\n", o->name);
        lr_text_add(t, "          deg         mm          mm         mm      e   share         m                m  nearest; farthest\n");
        for (int i = 0; i < LR_BUDGET_RAYS; i += 6) {
            const lr_budget_ray *r = &o->ray[i];
            lr_text_add(t, "    %9.1f  %9s  %10s %10s  %5.0f  %6.2f  %5s .. %-5s  %5s .. %-5s  %s; %s\n", r->elevation_rad/LR_DEG, show(1e3*r->baseline_m).text,
                        show(1e3*r->step_m).text, show(1e3*r->noise_m).text, r->laser_e, r->filter_share, show(r->reach.near_m).text, show(r->reach.far_m).text,
                        show(r->dark.near_m).text, show(r->dark.far_m).text, lr_budget_limit_names[r->reach.near_limit], lr_budget_limit_names[r->reach.far_limit]);
        }
    }
}

static void photons(const lr_budget *b, lr_text *t)
{
    static const int places[] = {8, 14, 17, 22, 26, 30, 34};
    for (int m = 0; m < b->module_count; m++) {
        const lr_budget_module *o = &b->module[m];
        const lr_budget_curve *c = &o->curve;
        char title[160];
        snprintf(title, sizeof title, "Photons of %s, middle of the field (%.1f deg)", o->name, o->ray[o->middle].elevation_rad/LR_DEG);
        heading(t, title);
        lr_text_add(t, "    range m   sheet e    dots e   flood e   SNR sheet: dark   %s   flood: dark   %s\n", lr_budget_light_names[b->def.light],
                    lr_budget_light_names[b->def.light]);
        for (size_t i = 0; i < sizeof places/sizeof *places; i++) {
            const int k = places[i];
            lr_text_add(t, "  %9.3f %9.1f %9.1f %9.2f %17.1f %8.1f %13.2f %8.2f\n", c->range_m[k], c->laser_e[k], c->dot_e[k], c->flood_e[k], c->snr[0][k],
                        c->snr[b->def.light][k], c->flood_snr[0][k], c->flood_snr[b->def.light][k]);
        }
        lr_text_add(t, "    light                      lux   in band W/m2  share     electrons   wins over sheet   over flood\n");
        for (int k = 0; k < LR_LIGHTS_COUNT; k++)
            if (k == LR_LIGHT_DARK || b->lux[k] > 0.0 || o->light_band_w_m2[k] > 0.0)
                lr_text_add(t, "    %-22s %9.4g %12.4g  %6.3f %% %10.1f %12s m %14s m\n", lr_budget_light_about[k], b->lux[k], o->light_band_w_m2[k],
                            100*o->light_share[k], c->light_e[k], show(c->wins_m[k]).text, show(c->flood_wins_m[k]).text);
        line(t, "saturation", "%.0f e: nearer than %.3g m dots are cut off; dynamic range %.0f (%.1f dB); noise floor %.2f e", o->saturation_e, c->saturation_m,
             o->dynamic_range, 20.0*log10(o->dynamic_range), o->floor_e);
        line(t, "dots", "%.2f px spread, %.2f px apart; speckle contrast %.3f", o->dot_px, o->dot_spacing_px, o->speckle_contrast);
    }
}

static void safety(const lr_budget *b, lr_text *t)
{
    heading(t, "Eye safety, Class 1");
    lr_text_add(t, "  CAUTION: %s\n", lr_budget_caution);
    for (int i = 0; i < b->fan_count; i++) {
        const lr_budget_fan *f = &b->fan[i];
        lr_text_add(t, "  %s: %.1f mW at %.0f nm; %.2f %% into a 7 mm pupil at 100 mm, worst at %.1f deg; pass %.3f ms, %.0f pulses of %.1f us\n", f->name, 1e3*f->power_w,
                    1e9*f->wavelength_m, 100*f->share, f->worst_rad/LR_DEG, 1e3*f->pass_s, f->pulses_per_pass, 1e6*f->pulse_s);
        if (isnan(f->ratio)) {
            lr_text_add(t, "    not estimated: limits here are for 600 to 1400 nm\n");
            continue;
        }
        for (int k = 0; k < 3; k++)
            lr_text_add(t, "    %-14s %10.4g uJ of %10.4g uJ: %.3f%s\n", lr_budget_rule_names[k], 1e6*f->rule_j[k], 1e6*f->limit_j[k], f->rule_j[k]/f->limit_j[k],
                        k == f->governing ? "  (governs)" : "");
        lr_text_add(t, "    over the limit: turning %.3f, stalled %.3f, always on %.3f, telescope and stalled %.3f\n", f->ratio, f->stalled_ratio, f->stuck_on_ratio,
                    f->telescope_ratio);
        lr_text_add(t, "    would just meet it: %.1f mW turning, %.1f mW stalled; hazard distance %s m turning, %s m stalled (0.1 m: met where measured)\n",
                    1e3*f->power_class1_w, 1e3*f->stalled_power_class1_w, show(f->hazard_m).text, show(f->stalled_hazard_m).text);
    }
    if (b->fan_count)
        line(t, "all fans", "turning %s, stalled %s of the limit", show(b->safety_ratio).text, show(b->safety_stalled_ratio).text);
    for (int i = 0; b->fan_count && lr_budget_safety_notes[i]; i++)
        lr_text_add(t, "  - %s\n", lr_budget_safety_notes[i]);
}

static void advice(const lr_budget *b, lr_text *t)
{
    heading(t, "What buys most: per cent of the result for one per cent more of the parameter");
    lr_text_add(t, "  %-32s", "");
    for (int k = 0; k < LR_METRICS_COUNT; k++)
        lr_text_add(t, " %17s", lr_budget_metric_names[k]);
    lr_text_add(t, "\n");
    for (int i = 0; i < b->advice_count; i++) {
        lr_text_add(t, "  %-32s", b->advice[i].parameter);
        for (int k = 0; k < LR_METRICS_COUNT; k++) {
            const double e = b->advice[i].elasticity[k];
            if (isfinite(e))
                lr_text_add(t, " %+17.2f", fabs(e) < 0.005 ? 0.0 : e);
            else
                lr_text_add(t, " %17s", "-");
        }
        lr_text_add(t, "\n");
    }
    if (!b->advice_count)
        lr_text_add(t, "  no direction is both lit and seen in stereo\n");
}

void lr_budget_words(const lr_budget *b, lr_text *t)
{
    lr_text_add(t, "Budget of %s", b->head);
    if (b->scene[0])
        lr_text_add(t, " in %s (walls from %.2f m, farthest corner %.2f m)", b->scene, b->room_m[0], b->room_m[1]);
    lr_text_add(t, ": nominal figures in closed form, no ray traced\n");
    lr_text_add(t, "usable: a dot's peak over its noise at least %.3g, range noise at most %.3g %% of the range, matched on %.3g pixels\n", b->def.snr_min,
                100*b->def.noise_share_max, b->def.window_px);
    if (b->scene[0])
        lr_text_add(t, "light of the scene: %.4g lx, spread evenly over the room (a room without openings: the sun full on the target); patches in direct sun: see the light \"sun\"\n", b->lux[LR_LIGHT_SCENE]);
    verdicts(b, t);
    coverage(b, t);
    resolution(b, t);
    link_part(b, t);
    range_table(b, t);
    photons(b, t);
    safety(b, t);
    advice(b, t);
}
