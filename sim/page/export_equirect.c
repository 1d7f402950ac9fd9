// SPDX-License-Identifier: Apache-2.0
// All modules in one panorama about the head's origin: even in azimuth (360 degrees, turning left goes left) and elevation (+90 at
// the top). Where modules or cameras overlap the surer point stays, of equals the nearer; a third picture counts the modules that
// see each cell.
#include <math.h>
#include <stdlib.h>

#include "core/png.h"
#include "page/export_body.h"

#define WIDTH_MOST 7200
#define LIGHT_SCALE 1.0      // electrons per step of the picture of light
#define EDGE 0.25            // of a cell

typedef struct cell { float range, sure, light; } cell;  // sure 0: empty

typedef struct panorama { int width, height; cell *cell; uint16_t *seen; } panorama;  // seen: a bit a module

static void offer(panorama *p, int module, int x, int y, cell point)
{
    const size_t i = (size_t)y*(size_t)p->width + (size_t)((x + p->width)%p->width);
    cell *c = &p->cell[i];
    p->seen[i] = (uint16_t)(p->seen[i] | 1u << module);
    if (point.sure > c->sure || (!(point.sure < c->sure) && point.range < c->range))
        *c = point;
}

// Lines are a cell apart and may lie on the edge between two: a point so near an edge is in both, or every other cell would stay empty.
static void put(panorama *p, int module, lr_vec3 at, float sure, float light)
{
    const double r = lr_length(at), azimuth = atan2(at.y, at.x), elevation = asin(fmin(fmax(at.z/r, -1.0), 1.0));
    const double column = (0.5 - azimuth/(2.0*LR_PI))*p->width;
    int y = (int)floor((0.5 - elevation/LR_PI)*p->height);
    y = y < 0 ? 0 : y >= p->height ? p->height - 1 : y;
    for (int x = (int)floor(column - EDGE), last = (int)floor(column + EDGE); x <= last; x++)
        offer(p, module, x, y, (cell){(float)r, sure, light});
}

static lr_status add_camera(const export_body *b, int module, int camera, panorama *p, lr_error *err)
{
    export_camera c = {0};
    export_poses poses = {0};
    lr_status s = export_open(b, &b->calibration->module[module], camera, 1, &c, err);
    if (s == LR_OK)
        s = export_poses_open(b, &b->calibration->module[module], LR_EXPORT_HEAD, &poses, err);
    for (int64_t line = 0; s == LR_OK && line < b->lines; line++) {
        const lr_pose pose = export_pose(&poses, line);
        for (int i = 0; i < c.camera->pixels; i++) {
            const float range = export_range(b, &c, line, i);
            if (isnan(range))
                continue;
            const float sure = c.confidence.data ? ((const float *)c.confidence.data)[(size_t)line*(size_t)c.camera->pixels + (size_t)i] : 1.0f;
            put(p, module, lr_pose_point(pose, lr_mad(c.eye, (double)range, c.ray[i])), fmaxf(sure, 1e-6f), (float)export_light(&c, line, i));
        }
    }
    export_close(&c);
    export_poses_close(&poses);
    return s;
}

static int count_bits(uint16_t bits)
{
    int n = 0;
    for (; bits; bits = (uint16_t)(bits & (bits - 1)))
        n++;
    return n;
}

static lr_status write_all(export_body *b, const panorama *p, lr_error *err)
{
    char path[LR_PATH_MAX];
    const size_t count = (size_t)p->width*(size_t)p->height;
    uint16_t *image = malloc(count*sizeof *image);
    float *range = malloc(count*sizeof *range);
    lr_status s = image && range ? export_path(b, NULL, NULL, "equirect_range.pfm", path, err) : lr_fail(err, LR_ERR_MEMORY, "export: out of memory");
    if (s == LR_OK) {
        for (size_t i = 0; i < count; i++)
            range[i] = p->cell[i].sure > 0.0f ? p->cell[i].range : INFINITY;
        s = export_pfm(path, p->width, p->height, range, err);
    }
    if (s == LR_OK) s = export_path(b, NULL, NULL, "equirect_range_mm.png", path, err);
    if (s == LR_OK) {
        for (size_t i = 0; i < count; i++)
            image[i] = p->cell[i].sure > 0.0f && p->cell[i].range < 65.535f ? (uint16_t)lrintf(1000.0f*p->cell[i].range) : 0;
        s = lr_png_write16(path, p->width, p->height, image, err);
    }
    if (s == LR_OK) s = export_path(b, NULL, NULL, "equirect_light.png", path, err);
    if (s == LR_OK) {
        for (size_t i = 0; i < count; i++)
            image[i] = (uint16_t)lrint(fmin(fmax((double)p->cell[i].light/LIGHT_SCALE, 0.0), 65535.0));
        s = lr_png_write16(path, p->width, p->height, image, err);
    }
    if (s == LR_OK) s = export_path(b, NULL, NULL, "equirect_modules.png", path, err);
    if (s == LR_OK) {
        for (size_t i = 0; i < count; i++)
            image[i] = (uint16_t)count_bits(p->seen[i]);
        s = lr_png_write16(path, p->width, p->height, image, err);
    }
    free(image), free(range);
    return s;
}

lr_status export_equirect(export_body *b, lr_error *err)
{
    int width = b->calibration->spin.lines_per_rev/2*2;
    width = width < 2 ? 2 : width > WIDTH_MOST ? WIDTH_MOST : width;
    panorama p = {.width = width, .height = width/2};
    p.cell = calloc((size_t)p.width*(size_t)p.height, sizeof *p.cell);
    p.seen = calloc((size_t)p.width*(size_t)p.height, sizeof *p.seen);
    lr_status s = p.cell && p.seen ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "export: out of memory");
    for (int m = 0; s == LR_OK && m < b->calibration->module_count; m++)
        for (int c = 0; s == LR_OK && c < b->calibration->module[m].camera_count; c++)
            s = add_camera(b, m, c, &p, err);
    if (s == LR_OK)
        s = write_all(b, &p, err);
    free(p.cell), free(p.seen);
    return s;
}
