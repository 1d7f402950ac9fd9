// SPDX-License-Identifier: Apache-2.0
// Time, turning, power and data: what a line may take, how far the head turns meanwhile, what leaves the rotor.
#include <math.h>
#include <stdio.h>

#include "optics/sheet.h"
#include "study/budget_model.h"

#define LINE_HEADER_BYTES 16.0    // time and encoder count of each line of each camera
#define POINT_BYTES 3.0           // range only: 16 bits of range, 8 of confidence
#define YEAR_S (2000.0*3600.0)    // a working year

const char *const lr_budget_form_names[] = {"raw, 16 bit", "packed", "range only", NULL};

static double lines_per_s(const lr_head *head) { return head->spin.rev_per_s*head->spin.lines_per_rev; }

static double camera_bytes(const lr_head *head, int packed)
{
    double sum = 0.0;
    for (int m = 0; m < head->module_count; m++)
        for (int c = 0; c < head->module[m].camera_count; c++) {
            const lr_sensor_def *s = &head->module[m].camera[c].sensor;
            sum += LINE_HEADER_BYTES + s->pixels*(packed ? s->bits/8.0 : 2.0);
        }
    return sum;
}

double lr_link_raw_byte_per_s(const lr_head *head) { return camera_bytes(head, 0)*lines_per_s(head); }

double lr_fan_exposure_s(const lr_module_def *module)
{
    double longest = 0.0;
    for (int c = 0; c < module->camera_count; c++)
        longest = fmax(longest, module->camera[c].exposure_s);
    return longest;
}

static void fill_power(const lr_model *model, lr_budget_link *out)
{
    for (int m = 0; m < model->module_count; m++) {
        const lr_module_def *def = model->module[m].def;
        const double exposure_s = lr_fan_exposure_s(def), duty = fmin(1.0, exposure_s/out->line_s);
        out->exposure_s = fmax(out->exposure_s, exposure_s);
        for (int l = 0; l < def->laser_count; l++)
            if (def->laser[l].mode != LR_LASER_OFF) {
                out->optical_w += def->laser[l].power_w*duty;
                out->electrical_w += def->laser[l].power_w*duty/def->laser[l].efficiency;
                out->electrical_peak_w += def->laser[l].power_w/def->laser[l].efficiency;
            }
    }
    out->duty = fmin(1.0, out->exposure_s/out->line_s);
    out->spare_s = out->line_s - out->exposure_s;
}

static void fill_limit(const lr_head *head, lr_budget_link *out)
{
    const double link = head->link_byte_per_s, ring = head->slip_ring_byte_per_s;
    const int by_ring = ring > 0.0 && (ring < link || !(link > 0.0));
    out->limit_byte_per_s = by_ring ? ring : link;
    snprintf(out->limit_name, sizeof out->limit_name, "%s", !(out->limit_byte_per_s > 0.0) ? "none" : by_ring ? "slip ring" : "link");
}

// Ceilings of points a second; the lowest is what limits.
static void fill_limiting(double points, lr_budget_link *out)
{
    const double by_exposure = points/out->exposure_s, by_detail = points*out->azimuth_step_rad/(out->line_s*out->detail_rad);
    const double by_link = out->limit_byte_per_s > 0.0 ? points*out->limit_byte_per_s/out->line_bytes[LR_FORM_RAW16] : (double)INFINITY;
    if (by_link <= fmin(by_exposure, by_detail))
        snprintf(out->limiting, sizeof out->limiting, "the %s: %.3g million points/s as raw 16-bit lines", out->limit_name, 1e-6*by_link);
    else if (by_exposure <= by_detail)
        snprintf(out->limiting, sizeof out->limiting, "the exposure: %.3g million points/s with lines end to end", 1e-6*by_exposure);
    else
        snprintf(out->limiting, sizeof out->limiting, "the width of sheet and pixel: beyond %.3g million points/s lines overlap", 1e-6*by_detail);
}

static void fill_trade(double points, lr_budget_link *out)
{
    // No limit given: the design's own raw rate is held.
    const double rate = out->limit_byte_per_s > 0.0 ? out->limit_byte_per_s : out->load_byte_per_s[LR_FORM_RAW16];
    for (int i = 0; i < LR_BUDGET_RATES; i++) {
        out->rev_per_s[i] = 0.5*pow(32.0, (double)i/(LR_BUDGET_RATES - 1));   // 0.5 .. 16 a second
        for (int f = 0; f < LR_FORMS_COUNT; f++)
            out->points_at_rate[f][i] = points > 0.0 ? points*rate/out->line_bytes[f]/out->rev_per_s[i] : 0.0;
        out->points_by_exposure[i] = points/out->exposure_s/out->rev_per_s[i];
    }
}

// Across the line nothing finer shows than the sheet or the pixel, whichever is narrower.
static double detail_rad(const lr_model *model, double across_rad)
{
    const lr_module_def *def = model->module[0].def;
    double detail = across_rad;
    for (int l = 0; l < def->laser_count; l++)
        if (def->laser[l].mode == LR_LASER_SHEET) {
            const lr_sheet sheet = {def->laser[l].thickness_m, def->laser[l].divergence_rad};
            detail = fmin(detail, 4.0*lr_sheet_sigma_m(sheet, model->def->range_m)/model->def->range_m);
        }
    return detail;
}

void lr_budget_fill_link(const lr_model *model, const lr_budget *budget, lr_budget_link *out)
{
    const lr_head *head = model->head;
    const lr_budget_module *first = &budget->module[0];
    const lr_budget_ray *middle = &first->ray[first->middle];
    double points = 0.0;
    *out = (lr_budget_link){.line_s = 1.0/lines_per_s(head)};
    for (int m = 0; m < budget->module_count; m++)
        points += budget->module[m].points_per_line;
    fill_power(model, out);
    fill_limit(head, out);
    out->azimuth_step_rad = 2.0*LR_PI/head->spin.lines_per_rev;
    out->blur_rad = 2.0*LR_PI*head->spin.rev_per_s*out->exposure_s;
    const double turn_px = fabs(cos(middle->elevation_rad))/middle->across_rad;   // a turn moves what is seen at an elevation by its cosine
    out->blur_px = out->blur_rad*turn_px;
    out->step_px = out->azimuth_step_rad*turn_px;
    out->detail_rad = detail_rad(model, middle->across_rad)/fmax(fabs(cos(middle->elevation_rad)), 1e-3);
    out->points_per_rev = points*head->spin.lines_per_rev;
    out->points_per_s = out->points_per_rev*head->spin.rev_per_s;
    out->looks_per_s = head->spin.rev_per_s*budget->coverage.looks_min;
    out->line_bytes[LR_FORM_RAW16] = camera_bytes(head, 0);
    out->line_bytes[LR_FORM_PACKED] = camera_bytes(head, 1);
    out->line_bytes[LR_FORM_RANGE] = points*POINT_BYTES + LINE_HEADER_BYTES*head->module_count;
    for (int f = 0; f < LR_FORMS_COUNT; f++)
        out->load_byte_per_s[f] = out->line_bytes[f]*lines_per_s(head);
    fill_limiting(points, out);
    fill_trade(points, out);
    out->rated_turns = head->slip_ring_turns;
    out->slip_ring_hours = head->slip_ring_turns/(3600.0*head->spin.rev_per_s);
    out->turns_per_year = head->spin.rev_per_s*YEAR_S;
}
