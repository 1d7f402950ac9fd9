// SPDX-License-Identifier: Apache-2.0
// Pictures of one camera, upright and not mirrored, as the previews; and red-cyan pictures of pairs, lying on their side.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/png.h"
#include "page/colour.h"
#include "page/export_body.h"

#define SCREEN_M 3.0         // range that lies in the picture's plane in a red-cyan picture
#define WHITE_SHARE 0.995    // of the pixels are darker than white

lr_status export_pfm(const char *path, int width, int height, const float *pixels, lr_error *err)
{
    char header[64];
    lr_file_draft draft;
    const int n = snprintf(header, sizeof header, "Pf\n%d %d\n-1.0\n", width, height);
    LR_TRY(lr_draft_open(path, &draft, err));
    lr_status s = lr_draft_write(&draft, header, (size_t)n, err);
    for (int y = height - 1; s == LR_OK && y >= 0; y--)
        s = lr_draft_write(&draft, pixels + (size_t)y*(size_t)width, (size_t)width*sizeof *pixels, err);
    if (s == LR_OK)
        return lr_draft_finish(&draft, err);
    lr_draft_drop(&draft);
    return s;
}

// Turning left goes left: azimuth rises to the left.
static int64_t line_of(const export_body *b, int x) { return b->calibration->spin.clockwise ? x : b->turn_lines - 1 - x; }

static lr_status write_png(export_body *b, const export_camera *c, uint16_t *image, lr_error *err)
{
    char path[LR_PATH_MAX];
    const int width = (int)b->turn_lines, height = c->camera->pixels;
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            image[(size_t)y*(size_t)width + (size_t)x] = ((const uint16_t *)c->raw.data)[(size_t)line_of(b, x)*(size_t)height + (size_t)y];
    LR_TRY(export_path(b, c->module->name, c->camera->name, "raw.png", path, err));
    LR_TRY(lr_png_write16(path, width, height, image, err));
    if (!c->range.data)
        return LR_OK;
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            const double mm = 1000.0*(double)export_range(b, c, line_of(b, x), y);
            image[(size_t)y*(size_t)width + (size_t)x] = mm >= 0.5 && mm < 65535.5 ? (uint16_t)(mm + 0.5) : 0;
        }
    LR_TRY(export_path(b, c->module->name, c->camera->name, "range_mm.png", path, err));
    return lr_png_write16(path, width, height, image, err);
}

static lr_status write_pfm(export_body *b, const export_camera *c, float *image, lr_error *err)
{
    char path[LR_PATH_MAX];
    const int width = (int)b->turn_lines, height = c->camera->pixels;
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            const float r = export_range(b, c, line_of(b, x), y);
            image[(size_t)y*(size_t)width + (size_t)x] = isnan(r) ? INFINITY : r;
        }
    LR_TRY(export_path(b, c->module->name, c->camera->name, "range.pfm", path, err));
    return export_pfm(path, width, height, image, err);
}

static lr_status write_camera(export_body *b, const export_camera *c, lr_error *err)
{
    void *image = malloc((size_t)b->turn_lines*(size_t)c->camera->pixels*sizeof(float));
    lr_status s = image ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "export: out of memory");
    if (s == LR_OK && b->def->what & LR_EXPORT_PNG)
        s = write_png(b, c, image, err);
    if (s == LR_OK && b->def->what & LR_EXPORT_PFM)
        s = write_pfm(b, c, image, err);
    free(image);
    return s;
}

// ---- Red and cyan ----

static int compare_doubles(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double white_of(const export_body *b, const export_camera *c)
{
    enum { SAMPLES = 20000 };
    double *light = malloc(SAMPLES*sizeof *light), white = 1.0;
    const size_t total = (size_t)b->turn_lines*(size_t)c->camera->pixels, stride = total/SAMPLES + 1;
    size_t n = 0;
    for (size_t i = 0; light && i < total; i += stride)
        light[n++] = export_light(c, (int64_t)(i/(size_t)c->camera->pixels), (int)(i % (size_t)c->camera->pixels));
    if (n) {
        qsort(light, n, sizeof *light, compare_doubles);
        white = fmax(light[(size_t)(WHITE_SHARE*(double)(n - 1))], 1.0);
    }
    free(light);
    return white;
}

// Rows are lines and columns run down the line, so the room's top is on the left and the upper camera is the left eye. The lower
// picture is shifted so that SCREEN_M lies in the picture's plane.
static lr_status write_anaglyph(export_body *b, const export_camera *upper, const export_camera *lower, lr_error *err)
{
    lr_pair pair;
    char path[LR_PATH_MAX];
    LR_TRY(lr_pair_create(upper->module->name, upper->camera, lower->camera, &pair, err));
    const int width = upper->camera->pixels, height = (int)b->turn_lines, middle = width/2;
    const double there = lr_pair_partner(&pair, 0, middle, lr_pair_inverse_rho(&pair, 0, middle, SCREEN_M));
    const int shift = isfinite(there) ? (int)lrint(middle - there) : 0;
    const double white[2] = {white_of(b, upper), white_of(b, lower)};
    uint8_t *image = calloc((size_t)width*(size_t)height, 3);
    if (!image)
        return lr_fail(err, LR_ERR_MEMORY, "export: out of memory");
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            uint8_t *p = image + 3*((size_t)y*(size_t)width + (size_t)x);
            const int64_t line = b->calibration->spin.clockwise ? b->turn_lines - 1 - y : y;
            const int other = x - shift;
            p[0] = lr_grey(export_light(upper, line, x)/white[0]);
            p[1] = p[2] = other >= 0 && other < lower->camera->pixels ? lr_grey(export_light(lower, line, other)/white[1]) : 0;
        }
    lr_status s = export_path(b, upper->module->name, NULL, "anaglyph.png", path, err);
    if (s == LR_OK)
        s = lr_png_write8(path, width, height, 3, image, err);
    free(image);
    return s;
}

static lr_status write_module(export_body *b, const lr_cal_module *m, lr_error *err)
{
    export_camera camera[LR_CAL_MAX_PARTS] = {0};
    lr_status s = LR_OK;
    for (int c = 0; s == LR_OK && c < m->camera_count; c++) {
        s = export_open(b, m, c, (b->def->what & LR_EXPORT_PFM) != 0, &camera[c], err);
        if (s == LR_OK && b->def->what & (LR_EXPORT_PNG | LR_EXPORT_PFM))
            s = write_camera(b, &camera[c], err);
    }
    if (s == LR_OK && m->camera_count == 2 && b->def->what & LR_EXPORT_ANAGLYPH) {
        const int up = m->camera[1].pose.origin_m.z > m->camera[0].pose.origin_m.z;
        s = write_anaglyph(b, &camera[up], &camera[!up], err);
    }
    for (int c = 0; c < m->camera_count; c++)
        export_close(&camera[c]);
    return s;
}

lr_status export_images(export_body *b, lr_error *err)
{
    for (int m = 0; m < b->calibration->module_count; m++)
        LR_TRY(write_module(b, &b->calibration->module[m], err));
    return LR_OK;
}
