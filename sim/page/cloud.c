// SPDX-License-Identifier: Apache-2.0
#include "page/cloud.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/file.h"
#include "page/colour.h"
#include "page/preview.h"
#include "truth/truth.h"

#define HELD_LINES 64   // in memory at once

typedef struct layers {       // of one camera; data NULL where the scan does not keep it
    lr_npy_map range, normal, object, lines, part[5];
} layers;

typedef struct cloud {
    const lr_scan_reader *reader;
    lr_calibration built;     // true geometry
    FILE *file;
    const char *path;
    int64_t points;
    int step;                 // every step-th line and pixel
    double white_e;
    lr_greys greys;
    lr_vec3 *ray;             // of each pixel of the camera in hand
} cloud;

#pragma pack(push, 1)
typedef struct ply_point { float x, y, z, nx, ny, nz; uint8_t r, g, b; float intensity, object; } ply_point;
#pragma pack(pop)

static lr_status open_if_kept(const lr_scan_reader *reader, const char *path, lr_npy_map *map, lr_error *err)
{
    return lr_scan_reader_find(reader, path) >= 0 ? lr_scan_reader_array(reader, path, map, err) : LR_OK;
}

static lr_status open_layer(const lr_scan_reader *reader, const char *module, const char *camera, lr_truth_layer layer, lr_npy_map *map, lr_error *err)
{
    char path[LR_SCAN_PATH];
    LR_TRY(lr_truth_path(module, camera, layer, path, sizeof path, err));
    return open_if_kept(reader, path, map, err);
}

static lr_status open_layers(const lr_scan_reader *reader, const char *module, const char *camera, layers *l, lr_error *err)
{
    char path[LR_SCAN_PATH];
    LR_TRY(open_layer(reader, module, camera, LR_TRUTH_RANGE, &l->range, err));
    LR_TRY(open_layer(reader, module, camera, LR_TRUTH_NORMAL, &l->normal, err));
    LR_TRY(open_layer(reader, module, camera, LR_TRUTH_OBJECT, &l->object, err));
    for (int k = 0; k < 5; k++)
        LR_TRY(open_layer(reader, module, camera, (lr_truth_layer)(LR_TRUTH_DIRECT + k), &l->part[k], err));
    LR_TRY(lr_truth_lines_path(module, path, sizeof path, err));
    return open_if_kept(reader, path, &l->lines, err);
}

// Lines that have been read leave memory, so that it does not grow with the scan.
static void let_go(const layers *l, int64_t first, int64_t count)
{
    const lr_npy_map *all[] = {&l->range, &l->normal, &l->object, &l->part[0], &l->part[1], &l->part[2], &l->part[3], &l->part[4]};
    for (size_t i = 0; i < sizeof all/sizeof *all; i++)
        lr_npy_let_go(all[i], first, count);
}

static void close_layers(layers *l)
{
    lr_npy_map *all[] = {&l->range, &l->normal, &l->object, &l->lines, &l->part[0], &l->part[1], &l->part[2], &l->part[3], &l->part[4]};
    for (size_t i = 0; i < sizeof all/sizeof *all; i++)
        if (all[i]->base)
            lr_npy_close(all[i]);
}

static float light_at(const layers *l, size_t i)
{
    float sum = 0.0f;
    for (int k = 0; k < 5; k++)
        sum += l->part[k].base ? ((const float *)l->part[k].data)[i] : 0.0f;
    return sum;
}

static lr_pose line_pose(const lr_truth_line *t)
{
    const lr_transform transform = {{t->x_m, t->y_m, t->z_m}, {t->qx, t->qy, t->qz, t->qw}};
    return lr_transform_pose(&transform);
}

static ply_point make_point(const cloud *c, const layers *l, size_t i, lr_vec3 p)
{
    const float *normal = l->normal.base ? (const float *)l->normal.data + 3*i : NULL;
    const int object = l->object.base ? ((const int32_t *)l->object.data)[i] : 0;
    const float light = light_at(l, i);
    const double shade = lr_greys_at(&c->greys, (double)light/c->white_e)/255.0;
    const lr_rgb base = lr_colour_thing(object);
    return (ply_point){
        .x = (float)p.x, .y = (float)p.y, .z = (float)p.z,
        .nx = normal ? normal[0] : 0.0f, .ny = normal ? normal[1] : 0.0f, .nz = normal ? normal[2] : 0.0f,
        .r = (uint8_t)((0.5 + 0.5*base.r/255.0)*shade*255.0), .g = (uint8_t)((0.5 + 0.5*base.g/255.0)*shade*255.0), .b = (uint8_t)((0.5 + 0.5*base.b/255.0)*shade*255.0),
        .intensity = light, .object = (float)object,
    };
}

static lr_status write_line(cloud *c, const layers *l, const lr_cal_camera *camera, int64_t line, lr_error *err)
{
    const lr_pose pose = lr_pose_mul(line_pose((const lr_truth_line *)l->lines.data + line), lr_transform_pose(&camera->pose));
    const float *range = (const float *)l->range.data + (size_t)line*(size_t)camera->pixels;
    for (int pixel = 0; pixel < camera->pixels; pixel += c->step) {
        if (!isfinite(range[pixel]))
            continue;
        const lr_vec3 p = lr_pose_point(pose, lr_mul(c->ray[pixel], (double)range[pixel]));
        const ply_point point = make_point(c, l, (size_t)line*(size_t)camera->pixels + (size_t)pixel, p);
        if (fwrite(&point, sizeof point, 1, c->file) != 1)
            return lr_fail(err, LR_ERR_IO, "%s: cannot be written: %s", c->path, strerror(errno));
        c->points++;
    }
    return LR_OK;
}

static int compare_floats(const void *a, const void *b)
{
    const float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

// Light of which 1 % of the points have more.
static double white_level(const layers *l, int64_t lines, int pixels)
{
    enum { SAMPLES = 20000 };
    float *light = malloc(SAMPLES*sizeof *light);
    if (!light)
        return 1.0;
    const size_t total = (size_t)lines*(size_t)pixels, stride = total/SAMPLES + 1;
    size_t n = 0;
    for (size_t i = 0, held = 0; i < total; i += stride) {
        light[n++] = light_at(l, i);
        if (i - held > (size_t)HELD_LINES*(size_t)pixels) {
            let_go(l, (int64_t)(held/(size_t)pixels), (int64_t)((i - held)/(size_t)pixels) + 1);
            held = i;
        }
    }
    qsort(light, n, sizeof *light, compare_floats);
    const double white = n ? (double)light[(size_t)(0.99*(double)(n - 1))] : 1.0;
    free(light);
    return white > 1e-6 ? white : 1e-6;
}

static lr_status write_module(cloud *c, int module, lr_error *err)
{
    const lr_cal_module *m = &c->built.module[module];
    if (m->camera_count == 0)
        return LR_OK;
    layers l = {0};
    const int64_t lines = lr_scan_reader_scan(c->reader)->line_count;
    lr_status s = open_layers(c->reader, m->name, m->camera[0].name, &l, err);
    if (s == LR_OK && l.range.base && l.lines.base) {
        c->white_e = white_level(&l, lines, m->camera[0].pixels);
        c->ray = malloc((size_t)m->camera[0].pixels*sizeof *c->ray);
        if (!c->ray)
            s = lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", c->path);
        for (int pixel = 0; s == LR_OK && pixel < m->camera[0].pixels; pixel++)
            c->ray[pixel] = lr_cal_camera_direction(&m->camera[0], pixel);
        for (int64_t line = 0, held = 0; s == LR_OK && line < lines; line += c->step) {
            s = write_line(c, &l, &m->camera[0], line, err);
            if (line - held >= HELD_LINES) {
                let_go(&l, held, line + 1 - held);
                held = line;
            }
        }
    }
    close_layers(&l);
    free(c->ray);
    c->ray = NULL;
    return s;
}

static int thinning(const cloud *c)
{
    double pixels = 0.0;
    for (int m = 0; m < c->built.module_count; m++)
        pixels += c->built.module[m].camera_count ? (double)c->built.module[m].camera[0].pixels : 0.0;
    const double points = pixels*(double)lr_scan_reader_scan(c->reader)->line_count;
    return points <= LR_CLOUD_MAX_POINTS ? 1 : (int)ceil(sqrt(points/LR_CLOUD_MAX_POINTS));
}

// The number of points is known only at the end: room for it is left in the header.
static int write_header(const cloud *c)
{
    return fprintf(c->file, "ply\nformat binary_little_endian 1.0\ncomment world frame, metres, z up\nelement vertex %010lld\n"
                   "property float x\nproperty float y\nproperty float z\nproperty float nx\nproperty float ny\nproperty float nz\n"
                   "property uchar red\nproperty uchar green\nproperty uchar blue\nproperty float intensity\nproperty float scalar_object\nend_header\n",
                   (long long)c->points) > 0;
}

static lr_status write_file(cloud *c, lr_error *err)
{
    lr_status s = write_header(c) ? LR_OK : lr_fail(err, LR_ERR_IO, "%s: cannot be written: %s", c->path, strerror(errno));
    for (int m = 0; s == LR_OK && m < c->built.module_count; m++)
        s = write_module(c, m, err);
    if (s == LR_OK && (fseek(c->file, 0, SEEK_SET) || !write_header(c) || fflush(c->file) || fsync(fileno(c->file))))
        s = lr_fail(err, LR_ERR_IO, "%s: cannot be written: %s", c->path, strerror(errno));
    return s;
}

static int has_ranges(const lr_scan_reader *reader)
{
    const lr_scan *scan = lr_scan_reader_scan(reader);
    for (int i = 0; i < scan->array_count; i++)
        if (strstr(scan->array[i].path, ".range.npy"))
            return 1;
    return 0;
}

lr_status lr_cloud_write(const lr_scan_reader *reader, lr_error *err)
{
    char path[LR_PATH_MAX], temporary[LR_PATH_MAX];
    cloud c = {.reader = reader, .path = temporary};
    if (!has_ranges(reader))
        return LR_OK;
    LR_TRY(lr_path_join(path, lr_scan_reader_folder(reader), "truth/as_built.json", err));
    LR_TRY(lr_calibration_load(path, &c.built, err));
    c.step = thinning(&c);
    lr_greys_make(&c.greys);
    lr_status s = lr_path_join(path, lr_scan_reader_folder(reader), "cloud.ply", err);
    if (s == LR_OK)
        s = lr_path_join(temporary, lr_scan_reader_folder(reader), "cloud.ply.partial", err);
    if (s == LR_OK && !(c.file = fopen(temporary, "wb")))
        s = lr_fail(err, LR_ERR_IO, "%s: cannot be written: %s", temporary, strerror(errno));
    if (s == LR_OK)
        s = write_file(&c, err);
    if (c.file && fclose(c.file) && s == LR_OK)
        s = lr_fail(err, LR_ERR_IO, "%s: cannot be written: %s", temporary, strerror(errno));
    if (s == LR_OK && rename(temporary, path))
        s = lr_fail(err, LR_ERR_IO, "%s: cannot be written: %s", path, strerror(errno));
    if (s != LR_OK)
        unlink(temporary);
    lr_calibration_free(&c.built);
    return s;
}
