// SPDX-License-Identifier: Apache-2.0
#include "head/laser.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "core/file.h"
#include "head/limits.h"

#define COUNT(array) ((int)(sizeof (array)/sizeof (array)[0]))
#define DOT_FILE_MAX_BYTES (8u << 20)
#define DOT_MAX 100000

lr_laser_def lr_laser_def_default(void)
{
    lr_laser_def def = {
        .mode = LR_LASER_SHEET, .wavelength_m = 850e-9, .line_width_m = 2e-9, .power_w = 0.2, .fan_rad = 60*LR_DEG,
        .flood_rad = 90*LR_DEG, .thickness_m = 1e-3, .divergence_rad = 1e-3, .efficiency = 0.3, .drift_m_per_k = 0.3e-9, .speckle = 1,
        .dots = {.count = 260, .seed = 1, .size_rad = 1.2e-3, .zero_order = 0.02, .background = 0.1},
    };
    const lr_dots_def dots = lr_dots_def_default();
    def.dots.jitter = dots.jitter;
    def.dots.spread = dots.spread;
    strcpy(def.name, "laser");
    return def;
}

// One line of a dot file. Returns 1 for a dot, 0 for an empty line, -1 for a fault.
static int read_dot(char *line, double *alpha_deg, double *weight)
{
    char *end = strchr(line, '#');
    if (end)
        *end = '\0';
    line += strspn(line, " \t\r");
    if (!*line)
        return 0;
    *alpha_deg = strtod(line, &end);
    if (end == line)
        return -1;
    char *next = end + strspn(end, " \t\r");
    *weight = 1.0;
    if (*next) {
        *weight = strtod(next, &end);
        if (end == next || end[strspn(end, " \t\r")])
            return -1;
    }
    return 1;
}

// `text` is cut up. alpha and weight hold DOT_MAX.
static lr_status read_dots(char *text, const char *path, double half_fan_rad, double *alpha_rad, double *weight, int *count, lr_error *err)
{
    int row = 0, n = 0;
    for (char *line = text; line; row++) {
        char *newline = strchr(line, '\n');
        if (newline)
            *newline = '\0';
        double alpha_deg = 0.0, w = 0.0;
        const int kind = read_dot(line, &alpha_deg, &w);
        line = newline ? newline + 1 : NULL;
        if (kind == 0)
            continue;
        if (kind < 0)
            return lr_fail(err, LR_ERR_PARSE, "%s: line %d: not \"angle_deg weight\"", path, row + 1);
        if (!(fabs(alpha_deg*LR_DEG) <= half_fan_rad))
            return lr_fail(err, LR_ERR_RANGE, "%s: line %d: angle %g deg is outside the fan, -%g .. %g", path, row + 1,
                           alpha_deg, half_fan_rad/LR_DEG, half_fan_rad/LR_DEG);
        if (!(w >= 0.0 && w < 1e12))
            return lr_fail(err, LR_ERR_RANGE, "%s: line %d: weight %g is not in 0 .. 1e12", path, row + 1, w);
        if (n == DOT_MAX)
            return lr_fail(err, LR_ERR_RANGE, "%s: more than %d dots", path, DOT_MAX);
        alpha_rad[n] = alpha_deg*LR_DEG;
        weight[n++] = w;
    }
    *count = n;
    if (n == 0)
        return lr_fail(err, LR_ERR_RANGE, "%s: no dots in it", path);
    return LR_OK;
}

static lr_dots_def pattern_def(const lr_laser_def *def)
{
    const lr_laser_dots *d = &def->dots;
    lr_dots_def out = lr_dots_def_default();
    out.half_fan_rad = 0.5*def->fan_rad;
    if (d->count > 0 || d->file[0]) {  // a plain sheet has no zero order to speak of
        out.count = d->file[0] ? 0 : d->count;
        out.seed = d->seed;
        out.size_rad = d->size_rad;
        out.jitter = d->jitter;
        out.spread = d->spread;
        out.zero_order = d->zero_order;
        out.background = d->background;
    }
    return out;
}

lr_status lr_laser_def_check(const lr_laser_def *def, lr_error *err)
{
    const lr_laser_dots *d = &def->dots;
    const int dotted = d->count > 0 || d->file[0];
    const lr_limit limits[] = {
        {"mode", def->mode, LR_LASER_SHEET, LR_LASER_OFF, 0},
        {"wavelength_m", def->wavelength_m, 300e-9, 1100e-9, 0},
        {"line_width_m", def->line_width_m, 0, 100e-9, 0},
        {"power_w", def->power_w, 0, 1000, 0},
        {"fan_rad", def->fan_rad, 0, LR_PI, 1},
        {"flood_rad", def->flood_rad, 0, LR_PI, 1},
        {"thickness_m", def->thickness_m, 0, 0.1, 1},
        {"divergence_rad", def->divergence_rad, 0, 0.5, 0},
        {"efficiency", def->efficiency, 0, 1, 1},
        {"dots.count", d->count, 0, DOT_MAX, 0},
        {"dots.size_rad", d->size_rad, 0, dotted ? 0.5 : (double)INFINITY, dotted},
    };
    LR_TRY(lr_placement_check(&def->placement, err));
    LR_TRY(lr_limits_check(limits, COUNT(limits), err));
    const lr_dots_def pattern = pattern_def(def);
    const lr_status s = lr_dots_def_check(&pattern, err);
    return s == LR_OK ? LR_OK : lr_fail_prefix(err, s, "dots");
}

lr_status lr_laser_pattern(const lr_laser_def *def, const char *folder, lr_dots **out, lr_error *err)
{
    assert(def && folder && out);
    *out = NULL;
    LR_TRY(lr_laser_def_check(def, err));
    lr_dots_def dots = pattern_def(def);
    if (!def->dots.file[0])
        return lr_dots_create(&dots, out, err);

    char path[LR_PATH_MAX], *text = NULL;
    size_t length = 0;
    if (def->dots.file[0] == '/')
        memcpy(path, def->dots.file, sizeof def->dots.file);
    else
        LR_TRY(lr_path_join(path, folder, def->dots.file, err));
    LR_TRY(lr_file_read(path, DOT_FILE_MAX_BYTES, &text, &length, err));
    double *alpha_rad = malloc(DOT_MAX*sizeof *alpha_rad), *weight = malloc(DOT_MAX*sizeof *weight);
    lr_status s = LR_OK;
    if (!alpha_rad || !weight)
        s = lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", path);
    else if (strlen(text) != length)
        s = lr_fail(err, LR_ERR_PARSE, "%s: not a text file", path);
    if (s == LR_OK)
        s = read_dots(text, path, dots.half_fan_rad, alpha_rad, weight, &dots.listed, err);
    if (s == LR_OK) {
        dots.alpha_rad = alpha_rad;
        dots.weight = weight;
        s = lr_dots_create(&dots, out, err);
    }
    free(alpha_rad);
    free(weight);
    free(text);
    return s;
}
