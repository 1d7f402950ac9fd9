// SPDX-License-Identifier: Apache-2.0
#include <math.h>
#include <stdio.h>

#include "core/file.h"
#include "page/budget_page.h"
#include "page/plot.h"

enum { STEP_DEG = 5 };   // of azimuth in the map

static void row(lr_text *csv, const double *value, int count)
{
    for (int i = 0; i < count; i++) {
        if (i)
            lr_text_add(csv, ",");
        lr_csv_number(csv, value[i]);
    }
    lr_text_add(csv, "\n");
}

// ---- Cross-section ------------------------------------------------------------------------------------------------------

// Outline of what a module can measure: out along the near edge, back along the far one.
static void outline(const lr_budget_module *m, int dark, lr_text *csv)
{
    for (int i = 0; i < 2*LR_BUDGET_RAYS; i++) {
        const int far = i >= LR_BUDGET_RAYS;
        const lr_budget_ray *r = &m->ray[far ? 2*LR_BUDGET_RAYS - 1 - i : i];
        const lr_budget_reach *reach = dark ? &r->dark : &r->reach;
        const double range_m = far ? reach->far_m : reach->near_m;
        const double values[] = {r->elevation_rad/LR_DEG, range_m, range_m*cos(r->elevation_rad), range_m*sin(r->elevation_rad)};
        if (isfinite(range_m))
            row(csv, values, 4);
    }
    lr_text_add(csv, "\n\n");
}

static lr_status plot_section(const lr_budget *b, const char *folder, lr_error *err)
{
    lr_text csv = {0}, command = {0}, settings = {0};
    lr_text_add(&csv, "# outlines, for each module in the light judged by, then in the dark: elevation_deg, range_m, x_m, z_m\n");
    for (int m = 0; m < b->module_count; m++) {
        outline(&b->module[m], 0, &csv);
        outline(&b->module[m], 1, &csv);
    }
    lr_text_add(&settings, "set title 'Where ranges can be had: a cut through the spin axis'\nset xlabel 'outwards [m]'\nset ylabel 'up [m]'\n"
                "set size ratio -1\nset style fill transparent solid 0.35 noborder\nset key outside right\n");
    lr_text_add(&command, "plot ");
    for (int m = 0; m < b->module_count; m++)
        lr_text_add(&command, "%s'section.csv' index %d using 3:4 with filledcurves closed lt %d title '%s, %s light', '' index %d using 3:4 with lines lt %d dt 2 title '%s, dark'",
                    m ? ", " : "", 2*m, m + 1, b->module[m].name, lr_budget_light_names[b->def.light], 2*m + 1, m + 1, b->module[m].name);
    const lr_plot plot = {"section", settings.data, command.data, 1000, 720};
    lr_status s = settings.failed || command.failed ? lr_fail(err, LR_ERR_MEMORY, "section: out of memory") : lr_plot_write(folder, &plot, &csv, err);
    lr_text_free(&csv);
    lr_text_free(&command);
    lr_text_free(&settings);
    return s;
}

// ---- Map of directions --------------------------------------------------------------------------------------------------------

// A module's lit stereo field at one azimuth and elevation while it sweeps `turns` of a revolution from its own azimuth.
static int looks(const lr_budget *b, int module, double azimuth_rad, double elevation_rad)
{
    const lr_budget_module *m = &b->module[module];
    const double turn_rad = 2.0*LR_PI*fmin(1.0, b->revolutions);
    int count = 0;
    for (int back = 0; back < 2; back++) {
        const double at = back ? LR_PI - elevation_rad : elevation_rad, az = azimuth_rad + (back ? LR_PI : 0.0) - b->module_azimuth_rad[module];
        const double swept = az - 2.0*LR_PI*floor(az/(2.0*LR_PI)), wrapped = at > LR_PI ? at - 2.0*LR_PI : at;
        count += swept <= turn_rad && ((wrapped >= m->lit_rad[0] && wrapped <= m->lit_rad[1] && wrapped >= m->stereo_rad[0] && wrapped <= m->stereo_rad[1]));
    }
    return count;
}

static lr_status plot_map(const lr_budget *b, const char *folder, lr_error *err)
{
    lr_text csv = {0};
    lr_text_add(&csv, "azimuth_deg,elevation_deg,looks\n");
    for (int e = -89; e < 90; e += 2) {
        for (int a = 0; a < 360; a += STEP_DEG) {
            int sum = 0;
            for (int m = 0; m < b->module_count; m++)
                sum += looks(b, m, (a + 0.5*STEP_DEG)*LR_DEG, e*LR_DEG);
            lr_text_add(&csv, "%g,%d,%d\n", a + 0.5*STEP_DEG, e, sum);
        }
    }
    const lr_plot plot = {"map",
        "set title 'Directions seen in stereo and lit during a scan, at most one turn: number of modules'\nset xlabel 'azimuth from +x, counter-clockwise [deg]'\n"
        "set ylabel 'elevation [deg]'\nset xrange [0:360]\nset yrange [-90:90]\nset xtics 45\nset ytics 30\nset cbrange [0:*]\nset cbtics 1\nset cblabel 'modules'\n"
        "set palette defined (0 '#202020', 1 '#2a6f97', 2 '#61a5c2', 4 '#f2cc8f')\n",
        "plot 'map.csv' every ::1 using 1:2:3 with image notitle", 1000, 560};
    const lr_status s = lr_plot_write(folder, &plot, &csv, err);
    lr_text_free(&csv);
    return s;
}

// ---- Photons ------------------------------------------------------------------------------------------------------------

static lr_status plot_photons(const lr_budget *b, const char *folder, lr_error *err)
{
    lr_text csv = {0}, command = {0}, settings = {0};
    const lr_budget_curve *c = &b->module[0].curve;
    lr_text_add(&csv, "range_m,sheet_e,dot_e,flood_e");
    for (int k = 1; k < LR_LIGHTS_COUNT; k++)
        lr_text_add(&csv, ",%s_e", lr_budget_light_names[k]);
    lr_text_add(&csv, ",saturation_e,floor_e\n");
    for (int i = 0; i < LR_BUDGET_RANGES; i++) {
        double v[6 + LR_LIGHTS_COUNT] = {c->range_m[i], c->laser_e[i], c->dot_e[i], c->flood_e[i]};
        for (int k = 1; k < LR_LIGHTS_COUNT; k++)
            v[3 + k] = c->light_e[k];
        v[3 + LR_LIGHTS_COUNT] = b->module[0].saturation_e;
        v[4 + LR_LIGHTS_COUNT] = b->module[0].floor_e;
        row(&csv, v, 5 + LR_LIGHTS_COUNT);
    }
    lr_text_add(&settings, "set title 'Electrons a pixel: %s, reflectance %.3g, middle of the field'\nset xlabel 'range [m]'\nset ylabel 'electrons'\n"
                "set logscale xy\nset xrange [0.1:30]\nset yrange [0.1:*]\nset key outside right\n", b->module[0].name, b->def.reflectance);
    lr_text_add(&command, "plot 'photons.csv' every ::1 using 1:($2>0?$2:NaN) with lines lw 2 title 'sheet, mean', '' every ::1 using 1:($3>0?$3:NaN) with lines lw 2 title 'sheet, dots', "
                "'' every ::1 using 1:($4>0?$4:NaN) with lines lw 2 title 'flood, same power'");
    for (int k = 1; k < LR_LIGHTS_COUNT; k++)
        if (c->light_e[k] > 0.0)
            lr_text_add(&command, ", '' every ::1 using 1:%d with lines dt %d lw 2 title '%s, %.6g lx'", 4 + k, 2 + k%4, lr_budget_light_about[k], b->lux[k]);
    lr_text_add(&command, ", '' every ::1 using 1:%d with lines lc 'black' title 'saturation', '' every ::1 using 1:%d with lines lc 'gray' title 'noise floor'",
                4 + LR_LIGHTS_COUNT, 5 + LR_LIGHTS_COUNT);
    const lr_plot plot = {"photons", settings.data, command.data, 1000, 620};
    lr_status s = settings.failed || command.failed ? lr_fail(err, LR_ERR_MEMORY, "photons: out of memory") : lr_plot_write(folder, &plot, &csv, err);
    lr_text_free(&csv);
    lr_text_free(&command);
    lr_text_free(&settings);
    return s;
}

// ---- Over the field --------------------------------------------------------------------------------------------------------

static lr_status plot_elevation(const lr_budget *b, const char *folder, lr_error *err)
{
    lr_text csv = {0}, command = {0}, settings = {0};
    lr_text_add(&csv, "# each module: elevation_deg, step_mm, noise_mm, laser_e, filter_share, near_m, far_m, wins_m\n");
    lr_text_add(&command, "plot ");
    for (int m = 0; m < b->module_count; m++) {
        for (int i = 0; i < LR_BUDGET_RAYS; i++) {
            const lr_budget_ray *r = &b->module[m].ray[i];
            const double v[] = {r->elevation_rad/LR_DEG, 1e3*r->step_m, 1e3*r->noise_m, r->laser_e, r->filter_share, r->reach.near_m, r->reach.far_m, r->wins_m};
            row(&csv, v, 8);
        }
        lr_text_add(&csv, "\n\n");
        lr_text_add(&command, "%s'elevation.csv' index %d using 1:3 with lines lt %d lw 2 title '%s: noise bound', '' index %d using 1:2 with lines lt %d dt 2 title '%s: one pixel'",
                    m ? ", " : "", m, m + 1, b->module[m].name, m, m + 1, b->module[m].name);
    }
    lr_text_add(&settings, "set title 'Range over the field, at %.3g m, %s light'\nset xlabel 'elevation [deg]'\nset ylabel 'mm'\nset logscale y\nset key outside right\n",
                b->def.range_m, lr_budget_light_names[b->def.light]);
    const lr_plot plot = {"elevation", settings.data, command.data, 1000, 560};
    lr_status s = settings.failed || command.failed ? lr_fail(err, LR_ERR_MEMORY, "elevation: out of memory") : lr_plot_write(folder, &plot, &csv, err);
    lr_text_free(&csv);
    lr_text_free(&command);
    lr_text_free(&settings);
    return s;
}

// ---- Trade-off --------------------------------------------------------------------------------------------------------------

static lr_status plot_trade(const lr_budget *b, const char *folder, lr_error *err)
{
    lr_text csv = {0}, settings = {0}, command = {0};
    const lr_budget_link *l = &b->link;
    lr_text_add(&csv, "rev_per_s,raw_points,packed_points,range_points,exposure_points\n");
    for (int i = 0; i < LR_BUDGET_RATES; i++) {
        const double v[] = {l->rev_per_s[i], l->points_at_rate[0][i], l->points_at_rate[1][i], l->points_at_rate[2][i], l->points_by_exposure[i]};
        row(&csv, v, 5);
    }
    const double rate = l->limit_byte_per_s > 0.0 ? l->limit_byte_per_s : l->load_byte_per_s[LR_FORM_RAW16];
    lr_text_add(&settings, "set title 'Points of a revolution against speed at %.4g MB/s'\nset xlabel 'revolutions a second'\nset ylabel 'points a revolution'\n"
                "set logscale xy\nset xrange [0.4:20]\nset key outside right\n", 1e-6*rate);
    lr_text_add(&command, "plot 'trade.csv' every ::1 using 1:2 with lines lw 2 title 'raw, 16 bit', '' every ::1 using 1:3 with lines lw 2 title 'packed', "
                "'' every ::1 using 1:4 with lines lw 2 title 'range only', '' every ::1 using 1:5 with lines dt 2 title 'time for the exposure', "
                "'-' using 1:2 with points pt 7 ps 1.5 title 'this design'\n%.9g,%.9g\ne", l->points_per_s/fmax(l->points_per_rev, 1e-9), l->points_per_rev);
    const lr_plot plot = {"trade", settings.data, command.data, 1000, 560};
    lr_status s = settings.failed || command.failed ? lr_fail(err, LR_ERR_MEMORY, "trade: out of memory") : lr_plot_write(folder, &plot, &csv, err);
    lr_text_free(&csv);
    lr_text_free(&settings);
    lr_text_free(&command);
    return s;
}

lr_status lr_budget_plots(const lr_budget *b, const char *folder, int *drawn, lr_error *err)
{
    static const char *const names[] = {"section", "map", "photons", "elevation", "trade"};
    char path[LR_PATH_MAX];
    lr_text json = {0};
    LR_TRY(lr_make_folders(folder, err));
    LR_TRY(plot_section(b, folder, err));
    LR_TRY(plot_map(b, folder, err));
    LR_TRY(plot_photons(b, folder, err));
    LR_TRY(plot_elevation(b, folder, err));
    LR_TRY(plot_trade(b, folder, err));
    lr_budget_json(b, &json);
    lr_status s = json.failed ? lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", folder) : lr_path_join(path, folder, "budget.json", err);
    if (s == LR_OK) s = lr_file_write(path, json.data, json.length, err);
    lr_text_free(&json);
    *drawn = 1;
    for (int i = 0; s == LR_OK && *drawn && i < 5; i++)
        s = lr_plot_draw(folder, names[i], drawn, err);
    return s;
}
