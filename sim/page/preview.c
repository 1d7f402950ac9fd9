// SPDX-License-Identifier: Apache-2.0
#include "page/preview.h"

#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/file.h"
#include "core/thread.h"
#include "core/vec.h"
#include "page/cloud.h"
#include "page/picture.h"
#include "scan/scan_reader.h"
#include "truth/truth.h"

#define FOOT 28             // rows under a picture for its scale and words
#define WORDS_AT 8          // column where they begin
#define RANGE_WORDS "true range; grey: nothing there"
#define WHITE_SHARE 0.995   // of the pixels are darker than white
#define FAR_SHARE 0.995     // of the ranges are inside the scale
#define HELD_COLUMNS 64     // of a picture whose lines are in memory at once

static const lr_rgb ink = {0x22, 0x22, 0x22}, paper = {0xf4, 0xf2, 0xec}, nothing = {0x60, 0x60, 0x60};

// What all pictures of one camera share. Arrays are [lines, pixels]; pictures have azimuth to the left and elevation up.
typedef struct view {
    const lr_scan_reader *reader;
    const char *module, *camera;
    double offset_dn;
    int64_t lines;           // of the first revolution
    int pixels, clockwise, step;
    int width, height;       // of the panorama
} view;

static lr_status open_layer(const view *v, lr_truth_layer layer, lr_npy_map *map, int *present, lr_error *err)
{
    char path[LR_SCAN_PATH];
    LR_TRY(lr_truth_path(v->module, v->camera, layer, path, sizeof path, err));
    *present = lr_scan_reader_find(v->reader, path) >= 0;
    return *present ? lr_scan_reader_array(v->reader, path, map, err) : LR_OK;
}

// First line and pixel of the picture's square (x, y).
static int64_t line_of(const view *v, int x) { return (int64_t)(v->clockwise ? x : v->width - 1 - x)*v->step; }

// After column x, from the left: lines that have been read leave memory, some at a time.
static void let_go(const view *v, const lr_npy_map *map, int x)
{
    if ((x + 1)%HELD_COLUMNS)
        return;
    const int64_t a = line_of(v, x), b = line_of(v, x - HELD_COLUMNS + 1);
    lr_npy_let_go(map, a < b ? a : b, (int64_t)HELD_COLUMNS*v->step);
}

static lr_status picture_path(const view *v, const char *kind, char path[LR_PATH_MAX], lr_error *err)
{
    const int n = snprintf(path, LR_PATH_MAX, "%s/preview/%s_%s%s.png", lr_scan_reader_folder(v->reader), v->module, v->camera, kind);
    return n > 0 && n < LR_PATH_MAX ? LR_OK : lr_fail(err, LR_ERR_RANGE, "preview: the path of %s is too long", lr_scan_reader_folder(v->reader));
}

static lr_status save(const view *v, lr_picture *picture, const char *kind, lr_error *err)
{
    char path[LR_PATH_MAX];
    lr_status s = picture_path(v, kind, path, err);
    if (s == LR_OK)
        s = lr_picture_save(picture, path, err);
    lr_picture_destroy(picture);
    return s;
}

static void swap(float *a, float *b)
{
    const float t = *a;
    *a = *b;
    *b = t;
}

// Value below which `share` of the finite ones lie; 0 if there are none. Reorders `values`, none of which is NaN.
// Source: Hoare, Algorithm 65: Find, Communications of the ACM 4(7), 1961. Sorting a whole picture took most of the time.
static double quantile(float *values, size_t count, double share)
{
    const size_t want = count ? (size_t)(share*(double)(count - 1)) : 0;
    size_t lo = 0, hi = count ? count - 1 : 0;
    while (lo < hi) {
        const float pivot = values[lo + (hi - lo)/2];
        size_t i = lo, j = hi;
        for (;;) {
            while (values[i] < pivot)
                i++;
            while (values[j] > pivot)
                j--;
            if (i >= j)
                break;
            swap(&values[i++], &values[j--]);
        }
        if (want <= j)  // values[lo .. j] <= pivot <= values[j + 1 .. hi]
            hi = j;
        else
            lo = j + 1;
    }
    return count ? (double)values[want] : 0.0;
}

// ---- pictures of light ------------------------------------------------------------------------------------------------------

typedef struct light_source { int is_raw, parts; lr_npy_map map[3]; } light_source;   // raw lines, or parts of the light

// Adds a line, summed up by steps of pixels, to `sum` (height). Line by line, as the arrays lie on disk.
static void add_line(const view *v, const light_source *s, int64_t line, double *sum)
{
    const size_t first = (size_t)line*(size_t)v->pixels;
    for (int y = 0; y < v->height; y++)
        for (int j = 0; j < v->step; j++) {
            const size_t i = first + (size_t)(y*v->step + j);
            if (s->is_raw)
                sum[y] += (double)((const uint16_t *)s->map[0].data)[i] - v->offset_dn;
            for (int k = 0; !s->is_raw && k < s->parts; k++)
                sum[y] += (double)((const float *)s->map[k].data)[i];
        }
}

static float *averaged(const view *v, const light_source *s)
{
    float *mean = malloc((size_t)v->width*(size_t)v->height*sizeof *mean);
    double *sum = malloc((size_t)v->height*sizeof *sum);
    for (int x = 0; mean && sum && x < v->width; x++) {
        memset(sum, 0, (size_t)v->height*sizeof *sum);
        for (int i = 0; i < v->step; i++)
            add_line(v, s, line_of(v, x) + i, sum);
        for (int y = 0; y < v->height; y++)
            mean[(size_t)y*(size_t)v->width + (size_t)x] = (float)(sum[y]/(v->step*v->step));
        for (int k = 0; k < s->parts; k++)
            let_go(v, &s->map[k], x);
    }
    if (!sum) {
        free(mean);
        mean = NULL;
    }
    free(sum);
    return mean;
}

static lr_status light_picture(const view *v, const light_source *s, const char *kind, const char *unit, const char *title, lr_error *err)
{
    const size_t count = (size_t)v->width*(size_t)v->height;
    float *mean = averaged(v, s), *sorted = malloc(count*sizeof *sorted);
    lr_picture picture = {0};
    char words[128];
    double top = 1.0;
    if (mean && sorted) {
        memcpy(sorted, mean, count*sizeof *sorted);
        top = fmax(quantile(sorted, count, WHITE_SHARE), 1e-6);
    }
    snprintf(words, sizeof words, top < 100.0 ? "%s   white = %.3g %s" : "%s   white = %.0f %s", title, top, unit);
    lr_status status = mean && sorted ? lr_picture_create(lr_picture_wide_enough(v->width, WORDS_AT, 2, words), v->height + FOOT, paper, &picture, err)
                                      : lr_fail(err, LR_ERR_MEMORY, "preview: out of memory");
    if (status == LR_OK) {
        lr_greys greys;
        lr_greys_make(&greys);
        for (int y = 0; y < v->height; y++)
            for (int x = 0; x < v->width; x++) {
                const uint8_t g = lr_greys_at(&greys, (double)mean[(size_t)y*(size_t)v->width + (size_t)x]/top);
                lr_picture_set(&picture, x, y, (lr_rgb){g, g, g});
            }
        lr_picture_text(&picture, WORDS_AT, v->height + 8, 2, ink, words);
        status = save(v, &picture, kind, err);
    }
    free(mean);
    free(sorted);
    return status;
}

static lr_status raw_picture(const view *v, lr_error *err)
{
    char path[LR_SCAN_PATH];
    light_source source = {.is_raw = 1, .parts = 1};
    snprintf(path, sizeof path, "%s/%s.npy", v->module, v->camera);
    LR_TRY(lr_scan_reader_array(v->reader, path, &source.map[0], err));
    const lr_status s = light_picture(v, &source, "", "DN", "as recorded", err);
    lr_npy_close(&source.map[0]);
    return s;
}

static lr_status parts_picture(const view *v, const lr_truth_layer *layers, int count, const char *kind, const char *title, lr_error *err)
{
    light_source source = {0};
    lr_status s = LR_OK;
    for (int k = 0; k < count && s == LR_OK; k++) {
        int present = 0;
        s = open_layer(v, layers[k], &source.map[source.parts], &present, err);
        source.parts += s == LR_OK && present;
    }
    if (s == LR_OK && source.parts == count)
        s = light_picture(v, &source, kind, "e", title, err);
    while (source.parts > 0)
        lr_npy_close(&source.map[--source.parts]);
    return s;
}

// ---- picture of range -----------------------------------------------------------------------------------------------------------

// Colour of a range: even steps for even ratios, so that a bench at 1 m and a wall at 10 m both show their shape.
static double scale_of(double r_m, double near_m, double far_m)
{
    return fmin(fmax(log(r_m/near_m)/log(far_m/near_m), 0.0), 1.0);
}

static int scale_width(const view *v) { return v->width > 900 ? 640 : v->width > 360 ? v->width*2/3 : 240; }

static void draw_scale(const view *v, lr_picture *p, double near_m, double far_m, const lr_rgb *colour)
{
    const int y = v->height;
    static const double marks[] = {0.1, 0.2, 0.5, 1, 2, 3, 5, 7, 10, 15, 20, 30, 50, 100, 200, 500, 1000};
    const int left = WORDS_AT, width = scale_width(v);
    for (int i = 0; i < width; i++)
        lr_picture_box(p, left + i, y + 6, 1, 8, colour[i*(LR_SCALE_STEPS - 1)/(width - 1)]);
    for (size_t k = 0; k < sizeof marks/sizeof *marks; k++) {
        char words[32];
        if (marks[k] < near_m || marks[k] > far_m)
            continue;
        const int x = left + (int)(scale_of(marks[k], near_m, far_m)*(width - 1));
        snprintf(words, sizeof words, "%g m", marks[k]);
        lr_picture_box(p, x, y + 14, 1, 4, ink);
        lr_picture_text(p, x + 3, y + 16, 1, ink, words);
    }
    lr_picture_text(p, left + width + 24, y + 8, 2, ink, RANGE_WORDS);
}

static lr_status draw_range(const view *v, const lr_npy_map *map, lr_error *err)
{
    const float *range = map->data;
    const size_t count = (size_t)v->width*(size_t)v->height;
    float *finite = malloc(count*sizeof *finite);
    lr_picture picture = {0};
    if (!finite)
        return lr_fail(err, LR_ERR_MEMORY, "preview: out of memory");
    size_t n = 0;
    for (int x = 0; x < v->width; x++, let_go(v, map, x - 1))
        for (int y = 0; y < v->height; y++) {
            const float r = range[(size_t)line_of(v, x)*(size_t)v->pixels + (size_t)(y*v->step)];
            if (isfinite(r))
                finite[n++] = r;
        }
    const double far_m = fmax(quantile(finite, n, FAR_SHARE), 1e-3), near_m = fmin(fmax(quantile(finite, n, 1.0 - FAR_SHARE), 1e-4), 0.5*far_m);
    free(finite);
    LR_TRY(lr_picture_create(lr_picture_wide_enough(v->width, WORDS_AT + scale_width(v) + 24, 2, RANGE_WORDS), v->height + FOOT, paper, &picture, err));
    lr_rgb colour[LR_SCALE_STEPS];
    lr_colour_scale(colour);
    for (int x = 0; x < v->width; x++, let_go(v, map, x - 1))
        for (int y = 0; y < v->height; y++) {
            const double r = (double)range[(size_t)line_of(v, x)*(size_t)v->pixels + (size_t)(y*v->step)];
            lr_picture_set(&picture, x, y, isfinite(r) ? colour[(int)lrint(scale_of(r, near_m, far_m)*(LR_SCALE_STEPS - 1))] : nothing);
        }
    draw_scale(v, &picture, near_m, far_m, colour);
    return save(v, &picture, "_range", err);
}

static lr_status range_picture(const view *v, lr_error *err)
{
    lr_npy_map map;
    int present;
    LR_TRY(open_layer(v, LR_TRUTH_RANGE, &map, &present, err));
    if (!present)
        return LR_OK;
    const lr_status s = draw_range(v, &map, err);
    lr_npy_close(&map);
    return s;
}

// ---- all of them -----------------------------------------------------------------------------------------------------------------

static view make_view(const lr_scan_reader *reader, const lr_cal_module *module, const lr_cal_camera *camera)
{
    const lr_scan *scan = lr_scan_reader_scan(reader);
    const lr_cal_spin *spin = &lr_scan_reader_calibration(reader)->spin;
    view v = {.reader = reader, .module = module->name, .camera = camera->name, .offset_dn = camera->offset_dn, .pixels = camera->pixels, .clockwise = spin->clockwise};
    v.lines = scan->line_count < spin->lines_per_rev ? scan->line_count : spin->lines_per_rev;
    v.step = (int)((v.lines + LR_PREVIEW_MAX_WIDTH - 1)/LR_PREVIEW_MAX_WIDTH);
    if (v.step > v.pixels)
        v.step = v.pixels;
    v.width = (int)(v.lines/v.step);
    v.height = v.pixels/v.step;
    return v;
}

// Drawn after the scan was finished: scan.json is older.
static lr_status is_drawn(const lr_scan_reader *reader, const char *path, int *drawn, lr_error *err)
{
    char scan_path[LR_PATH_MAX];
    struct stat scan, file;
    LR_TRY(lr_path_join(scan_path, lr_scan_reader_folder(reader), "scan.json", err));
    *drawn = stat(scan_path, &scan) == 0 && stat(path, &file) == 0
        && (file.st_mtim.tv_sec != scan.st_mtim.tv_sec ? file.st_mtim.tv_sec > scan.st_mtim.tv_sec : file.st_mtim.tv_nsec >= scan.st_mtim.tv_nsec);
    return LR_OK;
}

typedef struct jobs { const lr_scan_reader *reader; int count; view view[LR_CAL_MAX_MODULES*LR_CAL_MAX_PARTS]; } jobs;

static lr_status draw(void *context, int64_t job, int worker, lr_error *err)
{
    (void)worker;
    static const lr_truth_layer laser[] = {LR_TRUTH_DIRECT, LR_TRUTH_INDIRECT}, ambient[] = {LR_TRUTH_SUN, LR_TRUTH_SKY, LR_TRUTH_LAMP};
    static const char *const kinds[] = {"", "_range", "_laser", "_ambient"};
    const jobs *j = context;
    const int is_cloud = job == 0, kind = (int)((job + 3) % 4);   // the cloud takes longest
    const view *v = &j->view[is_cloud ? 0 : (job - 1)/4];
    char path[LR_PATH_MAX];
    int drawn;
    LR_TRY(is_cloud ? lr_path_join(path, lr_scan_reader_folder(j->reader), "cloud.ply", err) : picture_path(v, kinds[kind], path, err));
    LR_TRY(is_drawn(j->reader, path, &drawn, err));
    if (drawn)
        return LR_OK;
    if (is_cloud)
        return lr_cloud_write(j->reader, err);
    switch (kind) {
    case 0: return raw_picture(v, err);
    case 1: return range_picture(v, err);
    case 2: return parts_picture(v, laser, 2, kinds[2], "laser light alone", err);
    default: return parts_picture(v, ambient, 3, kinds[3], "sun, sky and lamps alone", err);
    }
}

// What a call that was killed had not finished.
static void clear_leftovers(const char *folder)
{
    static const char ending[] = ".partial";
    DIR *names = opendir(folder);
    for (const struct dirent *entry; names && (entry = readdir(names));) {
        const size_t length = strlen(entry->d_name), end = sizeof ending - 1;
        char path[LR_PATH_MAX];
        if (length > end && strcmp(entry->d_name + length - end, ending) == 0 && lr_path_join(path, folder, entry->d_name, NULL) == LR_OK)
            unlink(path);
    }
    if (names)
        closedir(names);
}

lr_status lr_preview_write(const char *folder, int threads, lr_error *err)
{
    char path[LR_PATH_MAX];
    jobs j = {0};
    lr_scan_reader *reader;
    LR_TRY(lr_path_join(path, folder, "preview", err));
    LR_TRY(lr_scan_reader_open(folder, &reader, err));
    j.reader = reader;
    const lr_calibration *calibration = lr_scan_reader_calibration(reader);
    for (int m = 0; m < calibration->module_count; m++)
        for (int c = 0; c < calibration->module[m].camera_count; c++)
            j.view[j.count++] = make_view(reader, &calibration->module[m], &calibration->module[m].camera[c]);
    lr_status s = lr_make_folders(path, err);
    clear_leftovers(path);
    if (s == LR_OK)
        s = lr_threads_run(threads > 0 ? threads : lr_thread_default(), 4*j.count + 1, draw, &j, err);
    lr_scan_reader_close(reader);
    return s;
}
