// SPDX-License-Identifier: Apache-2.0
#include <math.h>
#include <stdio.h>

#include "score/score_body.h"

const double lr_score_px[LR_SCORE_PX] = {0.5, 1.0, 2.0, 4.0};
const double lr_score_share[LR_SCORE_SHARE] = {0.01, 0.05};
const double score_range_m[SCORE_RANGES + 1] = {0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, (double)INFINITY};

static int cell_of(double error_m)
{
    const double cell = 100.0*(log10(fmax(error_m, 1e-30)) + 7.0);
    return cell < 0.0 ? 0 : cell >= LR_SCORE_CELLS ? LR_SCORE_CELLS - 1 : (int)cell;
}

static double middle_of(int cell) { return pow(10.0, (cell + 0.5)/100.0 - 7.0); }

static void add_one(lr_score_group *g, const score_pixel *p)
{
    const int found = isfinite(p->range);
    const double error = (double)p->range - (double)p->truth;
    g->pixels++;
    g->placed += p->placed;
    for (int t = 0; t < LR_SCORE_PX; t++)
        g->bad_px[t] += p->placed && !(found && fabs(p->partner_error) <= lr_score_px[t]);
    for (int t = 0; t < LR_SCORE_SHARE; t++)
        g->bad_share[t] += !(found && fabs(error) <= lr_score_share[t]*(double)p->truth);
    if (!found)
        return;
    g->found++;
    g->sum += error;
    g->square_sum += error*error;
    g->error[cell_of(fabs(error))]++;
    if (!(fabs(p->partner_error) < 1.0))
        return;
    g->px_count++;
    g->px_square_sum += p->partner_error*p->partner_error;
    if (isfinite(p->sigma)) {
        g->sigma_count++;
        g->sigma_sum += (double)p->sigma;
        g->close_sum += fabs(error);
        g->sigma[cell_of((double)p->sigma)]++;
        g->close[cell_of(fabs(error))]++;
        g->ratio_square_sum += fmin(error*error/fmax((double)p->sigma*(double)p->sigma, 1e-18), 25.0);
    }
}

static int range_group(double range_m)
{
    int k = 0;
    while (k < SCORE_RANGES - 1 && !(range_m < score_range_m[k + 1]))
        k++;
    return SCORE_RANGE + k;
}

void score_add(lr_score_group *group, int groups, const score_pixel *p)
{
    const double upward = (p->elevation_rad/3.14159265358979323846 + 0.5)*SCORE_ELEVATIONS;  // -90 .. 90 degrees
    const int step = upward < 0.0 ? 0 : upward >= SCORE_ELEVATIONS ? SCORE_ELEVATIONS - 1 : (int)upward;
    add_one(&group[SCORE_ALL], p);
    add_one(&group[p->flags & LR_TRUTH_SEEN_BY_PARTNER ? SCORE_SEEN : SCORE_HIDDEN], p);
    add_one(&group[p->flags & LR_TRUTH_LIT ? SCORE_LIT : SCORE_UNLIT], p);
    add_one(&group[p->flags & LR_TRUTH_EDGE ? SCORE_EDGE : SCORE_SMOOTH], p);
    if (p->flags & LR_TRUTH_IN_MOTION)
        add_one(&group[SCORE_MOVING], p);
    if (p->flags & LR_TRUTH_BEHIND_PANE)
        add_one(&group[SCORE_PANE], p);
    add_one(&group[range_group((double)p->truth)], p);
    add_one(&group[SCORE_ELEVATION + step], p);
    if (p->material > 0 && SCORE_MATERIAL + p->material <= groups)
        add_one(&group[SCORE_MATERIAL + p->material - 1], p);
}

void score_join(lr_score_group *into, const lr_score_group *from)
{
    into->pixels += from->pixels;
    into->found += from->found;
    into->placed += from->placed;
    for (int t = 0; t < LR_SCORE_PX; t++)
        into->bad_px[t] += from->bad_px[t];
    for (int t = 0; t < LR_SCORE_SHARE; t++)
        into->bad_share[t] += from->bad_share[t];
    into->sum += from->sum;
    into->square_sum += from->square_sum;
    into->px_square_sum += from->px_square_sum;
    into->px_count += from->px_count;
    into->sigma_sum += from->sigma_sum;
    into->close_sum += from->close_sum;
    into->ratio_square_sum += from->ratio_square_sum;
    into->sigma_count += from->sigma_count;
    for (int c = 0; c < LR_SCORE_CELLS; c++) {
        into->error[c] += from->error[c];
        into->sigma[c] += from->sigma[c];
        into->close[c] += from->close[c];
    }
}

void score_name_groups(lr_score_group *group, int groups, char (*const material)[64])
{
    static const char *const names[SCORE_RANGE] = {"all", "seen by both", "hidden from one", "lit", "unlit", "near an edge", "away from edges",
                                                   "in motion", "behind a pane"};
    for (int g = 0; g < groups; g++) {
        char *name = group[g].name;
        const size_t n = sizeof group[g].name;
        if (g < SCORE_RANGE)
            snprintf(name, n, "%s", names[g]);
        else if (g < SCORE_ELEVATION - 1)
            snprintf(name, n, "range %g-%g m", score_range_m[g - SCORE_RANGE], score_range_m[g - SCORE_RANGE + 1]);
        else if (g < SCORE_ELEVATION)
            snprintf(name, n, "range %g m and more", score_range_m[SCORE_RANGES - 1]);
        else if (g < SCORE_MATERIAL)
            snprintf(name, n, "elevation %d..%d deg", -90 + 30*(g - SCORE_ELEVATION), -60 + 30*(g - SCORE_ELEVATION));
        else
            snprintf(name, n, "material %.54s", material[g - SCORE_MATERIAL]);
    }
}

static double quantile(const uint32_t cell[LR_SCORE_CELLS], int64_t count, double share)
{
    if (count == 0)
        return (double)NAN;
    const double wanted = share*(double)count;
    double sum = 0.0;
    for (int c = 0; c < LR_SCORE_CELLS; c++) {
        sum += (double)cell[c];
        if (sum >= wanted && cell[c])
            return middle_of(c);
    }
    return (double)INFINITY;
}

double lr_score_quantile(const lr_score_group *g, double share) { return quantile(g->error, g->found, share); }
double lr_score_expected_median(const lr_score_group *g) { return quantile(g->sigma, g->sigma_count, 0.5); }
double lr_score_achieved_median(const lr_score_group *g) { return 1.4826*quantile(g->close, g->sigma_count, 0.5); }

double lr_score_rms_95(const lr_score_group *g)
{
    const double kept = 0.95*(double)g->found;
    double left = kept, sum = 0.0;
    for (int c = 0; c < LR_SCORE_CELLS && left > 0.0; c++) {
        const double n = fmin((double)g->error[c], left), error = middle_of(c);
        sum += n*error*error;
        left -= n;
    }
    return g->found ? sqrt(sum/kept) : (double)NAN;
}

double lr_score_rms(const lr_score_group *g) { return g->found ? sqrt(g->square_sum/(double)g->found) : (double)NAN; }
double lr_score_expected(const lr_score_group *g) { return g->sigma_count ? g->sigma_sum/(double)g->sigma_count : (double)NAN; }
double lr_score_achieved(const lr_score_group *g) { return g->sigma_count ? 1.2533*g->close_sum/(double)g->sigma_count : (double)NAN; }
double lr_score_noise_ratio(const lr_score_group *g) { return g->sigma_count ? sqrt(g->ratio_square_sum/(double)g->sigma_count) : (double)NAN; }
double lr_score_px_rms(const lr_score_group *g) { return g->px_count ? sqrt(g->px_square_sum/(double)g->px_count) : (double)NAN; }
