// SPDX-License-Identifier: Apache-2.0
// Rectified pairs: both cameras on one grid that is even in the tangent of the angle from the baseline's normal, so that a point
// at distance rho from the baseline has disparity f B/rho whatever the lens. Rows are lines, columns run down the line: for
// general stereo libraries the upper camera is "left" and disparity is positive.
#include <math.h>
#include <stdlib.h>

#include "core/png.h"
#include "page/export_body.h"

#define TANGENT_MOST 2.75    // 70 degrees: beyond, a tangent grid is nearly all interpolation
#define WIDTH_MOST 16384

typedef struct grid { double focal_px, centre; int width; } grid;  // column = centre - focal tan(angle)

static double tangent_at(const grid *g, int column) { return (g->centre - column)/g->focal_px; }

static void include(const lr_view *view, double *lo, double *hi)
{
    for (int i = 0; i < view->camera->pixels; i++) {
        const double angle = lr_view_angle(view, i);
        if (fabs(angle) < atan(TANGENT_MOST)) {
            *lo = fmin(*lo, tan(angle));
            *hi = fmax(*hi, tan(angle));
        }
    }
}

static lr_status make_grid(const lr_pair *pair, const char *module, grid *out, lr_error *err)
{
    double lo = (double)INFINITY, hi = -(double)INFINITY;
    include(&pair->view[0], &lo, &hi);
    include(&pair->view[1], &lo, &hi);
    const lr_cal_camera *camera = pair->view[0].camera;
    out->focal_px = lr_lens_slope(&camera->lens, 0.0)/camera->pitch_m;
    const double width = ceil(out->focal_px*(hi - lo));
    if (!(width >= 1.0 && width <= WIDTH_MOST))
        return lr_fail(err, LR_ERR_RANGE, "%s: a rectified pair would be %g columns wide, not 1 .. %d", module, width, WIDTH_MOST);
    out->width = (int)width + 1;
    out->centre = out->focal_px*hi;
    return LR_OK;
}

// Pixel of each column in a view; NaN outside.
static double *columns_of(const grid *g, const lr_view *view)
{
    double *at = malloc((size_t)g->width*sizeof *at);
    for (int x = 0; at && x < g->width; x++) {
        at[x] = lr_view_pixel(view, atan(tangent_at(g, x)));
        if (!(at[x] >= 0.0 && at[x] <= view->camera->pixels - 1))
            at[x] = (double)NAN;
    }
    return at;
}

static lr_status write_side(export_body *b, const export_camera *c, const grid *g, const double *at, lr_error *err)
{
    char path[LR_PATH_MAX];
    const int height = (int)b->turn_lines, pixels = c->camera->pixels;
    uint16_t *image = calloc((size_t)g->width*(size_t)height, sizeof *image);
    if (!image)
        return lr_fail(err, LR_ERR_MEMORY, "export: out of memory");
    for (int y = 0; y < height; y++) {
        const uint16_t *row = (const uint16_t *)c->raw.data + (size_t)y*(size_t)pixels;
        for (int x = 0; x < g->width; x++) {
            if (isnan(at[x]))
                continue;
            const int i = at[x] < pixels - 2 ? (int)at[x] : pixels - 2;
            const double t = at[x] - i;
            image[(size_t)y*(size_t)g->width + (size_t)x] = (uint16_t)lrint((1.0 - t)*row[i] + t*row[i + 1]);
        }
    }
    lr_status s = export_path(b, c->module->name, c->camera->name, "rectified.png", path, err);
    if (s == LR_OK)
        s = lr_png_write16(path, g->width, height, image, err);
    free(image);
    return s;
}

// Range at the nearest pixel of the upper camera as disparity, +inf unknown; and who sees it: 255 both, 128 hidden from the lower.
static lr_status write_disparity(export_body *b, const export_camera *c, const lr_pair *pair, const grid *g, const double *at, const lr_npy_map *flags, lr_error *err)
{
    char path[LR_PATH_MAX];
    const int height = (int)b->turn_lines, pixels = c->camera->pixels;
    float *image = malloc((size_t)g->width*(size_t)height*sizeof *image);
    uint8_t *mask = calloc((size_t)g->width*(size_t)height, 1);
    for (int y = 0; image && mask && y < height; y++)
        for (int x = 0; x < g->width; x++) {
            const size_t o = (size_t)y*(size_t)g->width + (size_t)x;
            const int i = isnan(at[x]) ? -1 : (int)lrint(at[x]);
            const float r = i < 0 ? (float)NAN : export_range(b, c, y, i);
            image[o] = isnan(r) ? INFINITY : (float)(g->focal_px*pair->baseline_m*lr_pair_inverse_rho(pair, 0, i, (double)r));
            if (i >= 0 && flags->data && !isnan(r))
                mask[o] = ((const uint8_t *)flags->data)[(size_t)y*(size_t)pixels + (size_t)i] & LR_TRUTH_SEEN_BY_PARTNER ? 255 : 128;
        }
    lr_status s = image && mask ? export_path(b, c->module->name, NULL, "disparity.pfm", path, err) : lr_fail(err, LR_ERR_MEMORY, "export: out of memory");
    if (s == LR_OK)
        s = export_pfm(path, g->width, height, image, err);
    if (s == LR_OK && flags->data) {
        s = export_path(b, c->module->name, NULL, "mask.png", path, err);
        if (s == LR_OK)
            s = lr_png_write8(path, g->width, height, 1, mask, err);
    }
    free(image), free(mask);
    return s;
}

static void add_matrix(lr_text *t, const char *name, int rows, int cols, const double *data)
{
    lr_text_add(t, "%s: !!opencv-matrix\n   rows: %d\n   cols: %d\n   dt: d\n   data: [ ", name, rows, cols);
    for (int i = 0; i < rows*cols; i++)
        lr_text_add(t, "%s%.17g", i ? ", " : "", data[i]);
    lr_text_add(t, " ]\n");
}

// What cv::FileStorage reads: P1, P2 and Q as its stereo rectification gives them (across the line there is no lens: one column is a line).
static lr_status write_calibration(export_body *b, const lr_cal_module *m, const lr_pair *pair, const grid *g, lr_error *err)
{
    char path[LR_PATH_MAX];
    lr_text t = {0};
    const double f = g->focal_px, c = g->centre, base = pair->baseline_m;
    const double k[9] = {f, 0, c, 0, 1, 0, 0, 0, 1}, p2[12] = {f, 0, c, -f*base, 0, 1, 0, 0, 0, 0, 1, 0}, p1[12] = {f, 0, c, 0, 0, 1, 0, 0, 0, 0, 1, 0};
    const double q[16] = {1, 0, 0, -c, 0, 1, 0, 0, 0, 0, 0, f, 0, 0, 1.0/base, 0};
    lr_text_add(&t, "%%YAML:1.0\n---\nimage_width: %d\nimage_height: %d\nfocal_px: %.17g\ncentre_px: %.17g\nbaseline_m: %.17g\n", g->width, (int)b->turn_lines, f, c, base);
    lr_text_add(&t, "left: \"%s\"\nright: \"%s\"\nnormal_distance: \"rho_m = focal_px * baseline_m / disparity\"\n", pair->view[0].camera->name, pair->view[1].camera->name);
    lr_text_add(&t, "full_scale_dn: %d\n", (1 << pair->view[0].camera->bits) - 1);
    add_matrix(&t, "K", 3, 3, k);
    add_matrix(&t, "P1", 3, 4, p1);
    add_matrix(&t, "P2", 3, 4, p2);
    add_matrix(&t, "Q", 4, 4, q);
    lr_status s = t.failed ? lr_fail(err, LR_ERR_MEMORY, "export: out of memory") : export_path(b, m->name, NULL, "rectified.yml", path, err);
    if (s == LR_OK)
        s = lr_file_write(path, t.data, t.length, err);
    lr_text_free(&t);
    return s;
}

static lr_status open_flags(const export_body *b, const export_camera *c, lr_npy_map *flags, lr_error *err)
{
    char path[LR_SCAN_PATH];
    LR_TRY(lr_truth_path(c->module->name, c->camera->name, LR_TRUTH_FLAGS, path, sizeof path, err));
    return lr_scan_reader_find(b->reader, path) >= 0 ? lr_scan_reader_array(b->reader, path, flags, err) : LR_OK;
}

static lr_status write_pair(export_body *b, const export_camera *upper, const export_camera *lower, lr_error *err)
{
    lr_pair pair;
    grid g = {0};
    lr_npy_map flags = {0};
    LR_TRY(lr_pair_create(upper->module->name, upper->camera, lower->camera, &pair, err));
    LR_TRY(make_grid(&pair, upper->module->name, &g, err));
    double *at[2] = {columns_of(&g, &pair.view[0]), columns_of(&g, &pair.view[1])};
    lr_status s = at[0] && at[1] ? open_flags(b, upper, &flags, err) : lr_fail(err, LR_ERR_MEMORY, "export: out of memory");
    if (s == LR_OK) s = write_side(b, upper, &g, at[0], err);
    if (s == LR_OK) s = write_side(b, lower, &g, at[1], err);
    if (s == LR_OK && upper->range.data) s = write_disparity(b, upper, &pair, &g, at[0], &flags, err);
    if (s == LR_OK) s = write_calibration(b, upper->module, &pair, &g, err);
    if (flags.base)
        lr_npy_close(&flags);
    free(at[0]), free(at[1]);
    return s;
}

lr_status export_rectified(export_body *b, lr_error *err)
{
    for (int k = 0; k < b->calibration->module_count; k++) {
        const lr_cal_module *m = &b->calibration->module[k];
        export_camera camera[2] = {0};
        if (m->camera_count != 2)
            continue;
        const int up = m->camera[1].pose.origin_m.z > m->camera[0].pose.origin_m.z;
        lr_status s = export_open(b, m, up, 0, &camera[0], err);
        if (s == LR_OK) s = export_open(b, m, !up, 0, &camera[1], err);
        if (s == LR_OK) s = write_pair(b, &camera[0], &camera[1], err);
        export_close(&camera[0]);
        export_close(&camera[1]);
        LR_TRY(s);
    }
    return LR_OK;
}
