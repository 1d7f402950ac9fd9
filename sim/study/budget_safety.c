// SPDX-License-Identifier: Apache-2.0
// Eye safety of fans that turn, as optics/laser_safety.h has the limits. What enters the pupil is taken at the worst place of
// the pattern, as if it were there during the whole pass. See lr_budget_safety_notes for clauses and assumptions.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "optics/laser_safety.h"
#include "optics/sheet.h"
#include "study/budget_model.h"

#define ALPHA LR_SAFETY_ALPHA_MIN_RAD    // apparent source: small, the strictest
#define LO_M 600e-9                      // below, photochemical limits would rule: not estimated
#define FARTHEST_M 1000.0
enum { BINS = 180, MOST_PLACES = 400 };

const char *const lr_budget_caution = LR_LASER_CAUTION;
const char *const lr_budget_rule_names[] = {"single pulse", "average", "pulse train", NULL};
const char *const lr_budget_safety_notes[] = {
    "IEC 60825-1:2014, Class 1, Table 3 and factors of Table 9; formulas from memory, checked for 700-1050 nm against a public copy of its tables",
    "4.3 f) rule 1: each pulse, and each pass over the pupil, within the limit of its duration",
    "4.3 f) rule 2: average over T2 = 10 s within the limit of 10 s; time base 100 s",
    "4.3 f) rule 3: pulse train factor C5 of pulse and of pass",
    "Table 10 condition 3: 7 mm aperture, 100 mm from the fan's vertex; condition 1 (50 mm at 2 m) beside it, at rest",
    "single fault: the rotor stalls and the pulses go on; beside it: laser on all the time while turning",
    "assumed: apparent source 1.5 mrad (C6 = 1); fan even but for its dots; worst dots and zero order of the pattern in the pupil throughout a pass",
    "assumed: lasers fire during the longest exposure of their module; beam turns about the vertex; fans that meet in the pupil add up, averages of all modules do",
    "not covered: below 600 nm (photochemical limits), above 1400 nm, skin, viewing from less than 100 mm",
    NULL};

// ---- Into the pupil -----------------------------------------------------------------------------------------------------

typedef struct place { const lr_dots *pattern; double centre_rad; } place;

static double per_rad(const void *context, double from_rad, double to_rad)
{
    const place *p = context;
    return lr_dots_mean(p->pattern, p->centre_rad + from_rad, p->centre_rad + to_rad);
}

static double within(const lr_dots *pattern, double at_rad, double half_rad)
{
    return lr_dots_cumulative(pattern, at_rad + half_rad) - lr_dots_cumulative(pattern, at_rad - half_rad);
}

// Where a window of the fan holds most: steps of an eighth of it, every dot, the axis.
static double fullest(const lr_dots *pattern, double half_rad)
{
    const double half_fan = lr_dots_half_fan_rad(pattern);
    const int steps = (int)fmin(MOST_PLACES, ceil(8.0*half_fan/half_rad));
    double best_rad = 0.0, most = within(pattern, 0.0, half_rad);
    for (int i = 0; i <= steps + lr_dots_count(pattern); i++) {
        double at_rad = half_fan*(2.0*i/steps - 1.0), unused;
        if (i > steps)
            lr_dots_get(pattern, i - steps - 1, &at_rad, &unused);
        const double share = within(pattern, at_rad, half_rad);
        if (share > most*(1.0 + 1e-12)) {
            most = share;
            best_rad = at_rad;
        }
    }
    return best_rad;
}

static double flood_share(const lr_laser_def *def, double distance_m, double aperture_m)
{
    const double sr = 0.25*LR_PI*aperture_m*aperture_m/(distance_m*distance_m);
    return fmin(1.0, sr/(def->fan_rad*def->flood_rad*cos(0.5*def->fan_rad*0.999)));   // densest at the ends of the fan
}

double lr_safety_fan_share(const lr_model_laser *laser, double distance_m, double aperture_m, double *where_rad)
{
    const double half_rad = 0.5*aperture_m/distance_m, windows[] = {half_rad, 0.7*half_rad, 0.3*half_rad};
    const lr_sheet sheet = {laser->def->thickness_m, laser->def->divergence_rad};
    double most = 0.0;
    *where_rad = 0.0;
    if (laser->def->mode == LR_LASER_FLOOD)
        return flood_share(laser->def, distance_m, aperture_m);
    for (int i = 0; i < 3; i++) {   // the round rim weighs the middle more: three widths of window find the place
        const place p = {laser->pattern, fullest(laser->pattern, windows[i])};
        const double share = lr_safety_sheet_share(laser->def->fan_rad, aperture_m, distance_m, lr_sheet_sigma_m(sheet, distance_m), per_rad, &p);
        if (share > most) {
            most = share;
            *where_rad = p.centre_rad;
        }
    }
    return most;
}

// ---- One fan --------------------------------------------------------------------------------------------------------------

typedef struct beam { double lambda_m, power_w, share, pass_s, pulse_s, line_s, rev_per_s; } beam;

typedef struct worst { double j, limit_j; } worst;
static void take(worst *w, double j, double limit_j)
{
    if (!(w->limit_j > 0.0) || j/limit_j > w->j/w->limit_j)
        *w = (worst){j, limit_j};
}

static double ael_j(const beam *b, double time_s) { return lr_safety_ael_j(b->lambda_m, fmax(time_s, 1e-13), ALPHA); }
static double c5(const beam *b, double pulse_s, double count) { return lr_safety_c5(b->lambda_m, pulse_s, ALPHA, count, LR_SAFETY_TIME_BASE_S); }

static void turning(const beam *b, worst rule[3])
{
    const double t2_s = lr_safety_t2_s(ALPHA), in_w = b->power_w*b->share, pulse_s = fmin(b->pulse_s, b->pass_s);
    const int steady = b->pulse_s >= b->line_s*(1.0 - 1e-9) || b->line_s - b->pulse_s < lr_safety_ti_s(b->lambda_m);   // too close to tell apart
    const double pulses = fmax(1.0, b->pass_s/b->line_s), on_s = steady ? b->pass_s : fmin(b->pass_s, pulses*pulse_s);
    take(&rule[0], in_w*pulse_s, ael_j(b, pulse_s));
    take(&rule[0], in_w*on_s, ael_j(b, b->pass_s));
    take(&rule[1], in_w*on_s*b->rev_per_s*t2_s, ael_j(b, t2_s));
    take(&rule[2], in_w*on_s, c5(b, b->pass_s, t2_s*b->rev_per_s)*ael_j(b, b->pass_s));
    if (!steady)
        take(&rule[2], in_w*pulse_s, c5(b, pulse_s, t2_s*b->rev_per_s*pulses)*ael_j(b, pulse_s));
}

static double worst_ratio(const worst rule[3])
{
    double most = 0.0;
    for (int i = 0; i < 3; i++)
        most = fmax(most, rule[i].j/rule[i].limit_j);
    return most;
}

static double stalled(const beam *b)
{
    const double t2_s = lr_safety_t2_s(ALPHA), in_w = b->power_w*b->share, duty = fmin(1.0, b->pulse_s/b->line_s);
    const double average = in_w*duty*t2_s/ael_j(b, t2_s);
    return fmax(average, in_w*b->pulse_s/(c5(b, b->pulse_s, t2_s/b->line_s)*ael_j(b, b->pulse_s)));
}

static beam beam_of(const lr_model *model, int module, int laser, double distance_m, double aperture_m, double *where_rad)
{
    const lr_model_laser *l = &model->module[module].laser[laser];
    const lr_spin *spin = &model->head->spin;
    beam b = {.lambda_m = l->def->wavelength_m, .power_w = l->def->power_w, .rev_per_s = spin->rev_per_s, .line_s = 1.0/(spin->rev_per_s*spin->lines_per_rev)};
    b.share = lr_safety_fan_share(l, distance_m, aperture_m, where_rad);
    b.pulse_s = fmin(lr_fan_exposure_s(model->module[module].def), b.line_s);
    b.pass_s = lr_safety_pass_s(spin->rev_per_s, aperture_m, distance_m);
    if (l->def->mode == LR_LASER_FLOOD)
        b.pass_s = fmax(b.pass_s, l->def->flood_rad/(2.0*LR_PI*spin->rev_per_s));
    return b;
}

static double ratio_at(const lr_model *model, int module, int laser, double distance_m, int at_rest)
{
    double where;
    worst rule[3] = {{0, 0}};
    const beam b = beam_of(model, module, laser, distance_m, LR_SAFETY_APERTURE_M, &where);
    if (at_rest)
        return stalled(&b);
    turning(&b, rule);
    return worst_ratio(rule);
}

static double hazard_m(const lr_model *model, int module, int laser, int at_rest)
{
    double near_m = LR_SAFETY_DISTANCE_M, far_m = FARTHEST_M;
    if (ratio_at(model, module, laser, near_m, at_rest) <= 1.0)
        return near_m;
    if (ratio_at(model, module, laser, far_m, at_rest) > 1.0)
        return (double)INFINITY;
    for (int i = 0; i < 24; i++) {
        const double middle_m = sqrt(near_m*far_m);
        *(ratio_at(model, module, laser, middle_m, at_rest) > 1.0 ? &near_m : &far_m) = middle_m;
    }
    return far_m;
}

void lr_safety_fill_fan(const lr_model *model, int module, int laser, int distances, lr_budget_fan *out)
{
    const lr_laser_def *def = &model->head->module[module].laser[laser];
    worst rule[3] = {{0, 0}}, on[3] = {{0, 0}};
    *out = (lr_budget_fan){.wavelength_m = def->wavelength_m, .power_w = def->power_w};
    snprintf(out->name, sizeof out->name, "%s %s", model->head->module[module].name, def->name);
    const beam b = beam_of(model, module, laser, LR_SAFETY_DISTANCE_M, LR_SAFETY_APERTURE_M, &out->worst_rad);
    out->share = b.share;
    out->pass_s = b.pass_s;
    out->pulse_s = b.pulse_s;
    out->pulses_per_pass = fmax(1.0, b.pass_s/b.line_s);
    out->passes_per_s = b.rev_per_s;
    if (!(def->wavelength_m >= LO_M && def->wavelength_m <= LR_SAFETY_HI_M)) {
        out->ratio = out->stalled_ratio = out->stuck_on_ratio = out->telescope_ratio = (double)NAN;
        out->power_class1_w = out->stalled_power_class1_w = out->hazard_m = out->stalled_hazard_m = (double)NAN;
        return;
    }
    turning(&b, rule);
    for (int i = 0; i < 3; i++) {
        out->rule_j[i] = rule[i].j;
        out->limit_j[i] = rule[i].limit_j;
        if (rule[i].j/rule[i].limit_j > rule[out->governing].j/rule[out->governing].limit_j*(1.0 + 1e-12))
            out->governing = i;
    }
    out->ratio = worst_ratio(rule);
    out->stalled_ratio = stalled(&b);
    beam steady = b;
    steady.pulse_s = steady.line_s;
    turning(&steady, on);
    out->stuck_on_ratio = worst_ratio(on);
    out->power_class1_w = def->power_w/out->ratio;
    out->stalled_power_class1_w = def->power_w/out->stalled_ratio;
    if (!distances)
        return;
    double where;
    const beam telescope = beam_of(model, module, laser, LR_SAFETY_TELESCOPE_DISTANCE_M, LR_SAFETY_TELESCOPE_M, &where);
    out->telescope_ratio = stalled(&telescope);
    out->hazard_m = hazard_m(model, module, laser, 0);
    out->stalled_hazard_m = hazard_m(model, module, laser, 1);
}

// ---- The head ---------------------------------------------------------------------------------------------------------------

#define HALF_PUPIL_RAD (0.5*LR_SAFETY_APERTURE_M/LR_SAFETY_DISTANCE_M)

// Share of a pupil's window, `half_rad` to both sides of `angle_rad` from the axis, that lies in the fan.
static double inside_fan(const lr_model_laser *laser, double angle_rad, double half_rad)
{
    const double half_fan = 0.5*laser->def->fan_rad, lo = fmax(angle_rad - half_rad, -half_fan), hi = fmin(angle_rad + half_rad, half_fan);
    return fmax(0.0, hi - lo)/(2.0*half_rad);
}

static int shines(const lr_model_laser *laser) { return laser->def->mode != LR_LASER_OFF && laser->def->power_w > 0.0; }
static double pulse_ratio(const lr_budget_fan *f) { return fmax(f->rule_j[0]/f->limit_j[0], f->rule_j[2]/f->limit_j[2]); }

// All fans of a module into a pupil at one place of its plane. A vertex farther than 100 mm fills it less; a nearer one counts as at 100 mm.
static void at_place(const lr_model_module *m, const lr_budget_fan *fan, double x_m, double z_m, double *pulse, double *rest)
{
    *pulse = *rest = 0.0;
    for (int l = 0, f = 0; l < m->def->laser_count; l++) {
        if (!shines(&m->laser[l]))
            continue;
        const lr_seen seen = lr_model_lit(&m->laser[l], x_m, z_m);
        const double near = fmin(1.0, LR_SAFETY_DISTANCE_M/fmax(seen.range_m, 1e-3));
        const double part = near*inside_fan(&m->laser[l], seen.theta_rad, HALF_PUPIL_RAD*near);
        *pulse += part*pulse_ratio(&fan[f]);
        *rest += part*fan[f].stalled_ratio;
        f++;
    }
}

// 100 mm from each vertex of a module, all over its fan.
static void own_worst(const lr_model_module *m, const lr_budget_fan *fan, double *pulse, double *rest)
{
    for (int l = 0; l < m->def->laser_count; l++)
        for (int i = 0; shines(&m->laser[l]) && i <= BINS; i++) {
            const double a = m->laser[l].pitch_rad + m->laser[l].def->fan_rad*((double)i/BINS - 0.5);
            double here, here_rest;
            at_place(m, fan, m->laser[l].x_m + LR_SAFETY_DISTANCE_M*cos(a), m->laser[l].z_m + LR_SAFETY_DISTANCE_M*sin(a), &here, &here_rest);
            *pulse = fmax(*pulse, here);
            *rest = fmax(*rest, here_rest);
        }
}

// Averages add up over a turn, whichever module the light comes from.
static double average_at(const lr_model *model, const lr_budget_fan *fan, double elevation_rad)
{
    double sum = 0.0;
    for (int m = 0, f = 0; m < model->module_count; m++)
        for (int l = 0; l < model->module[m].def->laser_count; l++) {
            const lr_model_laser *laser = &model->module[m].laser[l];
            if (!shines(laser))
                continue;
            const double axis = laser->pitch_rad + model->module[m].def->pitch_rad;
            const double front = remainder(elevation_rad - axis, 2.0*LR_PI), back = remainder(LR_PI - elevation_rad - axis, 2.0*LR_PI);
            sum += fan[f].rule_j[1]/fan[f].limit_j[1]*(inside_fan(laser, front, HALF_PUPIL_RAD) + inside_fan(laser, back, HALF_PUPIL_RAD));
            f++;
        }
    return sum;
}

void lr_safety_worst(const lr_model *model, const lr_budget_fan *fan, int count, double *turning_ratio, double *stalled_ratio)
{
    *turning_ratio = *stalled_ratio = 0.0;
    for (int f = 0; f < count; f++)
        if (isnan(fan[f].ratio)) {
            *turning_ratio = *stalled_ratio = (double)NAN;
            return;
        }
    for (int m = 0, f = 0; m < model->module_count; m++) {
        own_worst(&model->module[m], fan + f, turning_ratio, stalled_ratio);
        for (int l = 0; l < model->module[m].def->laser_count; l++)
            f += shines(&model->module[m].laser[l]);
    }
    for (int i = 0; i <= BINS; i++)
        *turning_ratio = fmax(*turning_ratio, average_at(model, fan, -0.5*LR_PI + LR_PI*i/BINS));
}

lr_status lr_budget_fill_safety(const lr_model *model, lr_budget *out, lr_error *err)
{
    out->fan = calloc(LR_MAX_MODULES*LR_MAX_LASERS, sizeof *out->fan);
    if (!out->fan)
        return lr_fail(err, LR_ERR_MEMORY, "budget: out of memory");
    for (int m = 0; m < model->module_count; m++)
        for (int l = 0; l < model->module[m].def->laser_count; l++) {
            const lr_laser_def *def = &model->module[m].def->laser[l];
            if (def->mode != LR_LASER_OFF && def->power_w > 0.0)
                lr_safety_fill_fan(model, m, l, 1, &out->fan[out->fan_count++]);
        }
    lr_safety_worst(model, out->fan, out->fan_count, &out->safety_ratio, &out->safety_stalled_ratio);
    return LR_OK;
}
