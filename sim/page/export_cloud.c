// SPDX-License-Identifier: Apache-2.0
// Clouds of all modules in one frame, as PLY 1.0 and PCD 0.7, binary little endian. The first camera of each module gives the points:
// its partner sees the same surfaces.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "page/export_body.h"
#include "page/preview.h"

#define JUMP_SHARE 0.05      // neighbours whose range differs more are another surface

#pragma pack(push, 1)
typedef struct point { float x, y, z, nx, ny, nz, intensity, confidence, object, module; } point;
#pragma pack(pop)

enum { BUFFER = 4096 };
typedef struct sink { lr_file_draft *draft; point buffer[BUFFER]; int filled; int64_t count; } sink;  // draft NULL: only counts

static lr_status flush(sink *s, lr_error *err)
{
    const int n = s->filled;
    s->filled = 0;
    return s->draft && n ? lr_draft_write(s->draft, s->buffer, (size_t)n*sizeof(point), err) : LR_OK;
}

static lr_vec3 point_at(const export_camera *c, const export_poses *poses, int64_t line, int pixel, float range)
{
    return lr_pose_point(export_pose(poses, line), lr_mad(c->eye, (double)range, c->ray[pixel]));
}

// The nearest neighbour on either side that is on the same surface; 0 if there is none.
static int neighbour(const export_body *b, const export_camera *c, const export_poses *p, int64_t line, int pixel, float range, int64_t dl, int dp, lr_vec3 *out)
{
    const int64_t l = line + dl;
    const int i = pixel + dp;
    if (l < 0 || l >= b->lines || i < 0 || i >= c->camera->pixels)
        return 0;
    const float r = export_range(b, c, l, i);
    if (!(fabsf(r - range) < (float)JUMP_SHARE*range))
        return 0;
    *out = point_at(c, p, l, i, r);
    return 1;
}

// Unit normal towards the camera from the neighbours; 0 0 0 where they are not on one surface.
static lr_vec3 normal_at(const export_body *b, const export_camera *c, const export_poses *p, int64_t line, int pixel, float range, lr_vec3 at, int step)
{
    lr_vec3 a[2], d[2];
    const int along = neighbour(b, c, p, line, pixel, range, 0, -step, &a[0]) & neighbour(b, c, p, line, pixel, range, 0, step, &a[1]);
    const int across = neighbour(b, c, p, line, pixel, range, -step, 0, &d[0]) & neighbour(b, c, p, line, pixel, range, step, 0, &d[1]);
    if (!along || !across)
        return lr_v3(0, 0, 0);
    const lr_vec3 n = lr_cross(lr_sub(a[1], a[0]), lr_sub(d[1], d[0])), eye = lr_pose_point(export_pose(p, line), c->eye);
    const double length = lr_length(n);
    if (!(length > 0.0))
        return lr_v3(0, 0, 0);
    return lr_mul(n, (lr_dot(n, lr_sub(eye, at)) < 0.0 ? -1.0 : 1.0)/length);
}

static lr_status add_line(const export_body *b, const export_camera *c, const export_poses *p, int module, int64_t line, int step, sink *s, lr_error *err)
{
    for (int i = 0; i < c->camera->pixels; i += step) {
        const float range = export_range(b, c, line, i);
        if (isnan(range))
            continue;
        s->count++;
        if (!s->draft)
            continue;
        const lr_vec3 at = point_at(c, p, line, i, range), n = normal_at(b, c, p, line, i, range, at, step);
        const float sure = c->confidence.data ? ((const float *)c->confidence.data)[(size_t)line*(size_t)c->camera->pixels + (size_t)i] : 1.0f;
        s->buffer[s->filled++] = (point){(float)at.x, (float)at.y, (float)at.z, (float)n.x, (float)n.y, (float)n.z, (float)export_light(c, line, i), sure,
                                         (float)export_object(c, line, i), (float)module};
        if (s->filled == BUFFER)
            LR_TRY(flush(s, err));
    }
    return LR_OK;
}

static lr_status add_all(const export_body *b, int step, sink *s, lr_error *err)
{
    for (int m = 0; m < b->calibration->module_count; m++) {
        const lr_cal_module *module = &b->calibration->module[m];
        export_camera c = {0};
        export_poses p = {0};
        if (module->camera_count == 0)
            continue;
        lr_status status = export_open(b, module, 0, 1, &c, err);
        if (status == LR_OK)
            status = export_poses_open(b, module, b->def->frame, &p, err);
        for (int64_t line = 0; status == LR_OK && line < b->lines; line += step)
            status = add_line(b, &c, &p, m, line, step, s, err);
        export_close(&c);
        export_poses_close(&p);
        LR_TRY(status);
    }
    return flush(s, err);
}

static int thinning(const export_body *b)
{
    double points = 0.0;
    for (int m = 0; m < b->calibration->module_count; m++)
        points += b->calibration->module[m].camera_count ? (double)b->calibration->module[m].camera[0].pixels*(double)b->lines : 0.0;
    return b->def->every > 0 ? b->def->every : points <= LR_CLOUD_MAX_POINTS ? 1 : (int)ceil(sqrt(points/LR_CLOUD_MAX_POINTS));
}

static int ply_header(const export_body *b, int64_t count, char *out, size_t size)
{
    return snprintf(out, size, "ply\nformat binary_little_endian 1.0\ncomment %s frame, metres, z up; intensity in electrons\nelement vertex %lld\n"
                    "property float x\nproperty float y\nproperty float z\nproperty float nx\nproperty float ny\nproperty float nz\nproperty float intensity\n"
                    "property float scalar_confidence\nproperty float scalar_object\nproperty float scalar_module\nend_header\n",
                    lr_export_frame_names[b->def->frame], (long long)count);
}

static int pcd_header(const export_body *b, int64_t count, char *out, size_t size)
{
    (void)b;
    return snprintf(out, size, "# .PCD v0.7 - Point Cloud Data file format\nVERSION 0.7\nFIELDS x y z normal_x normal_y normal_z intensity confidence object module\n"
                    "SIZE 4 4 4 4 4 4 4 4 4 4\nTYPE F F F F F F F F F F\nCOUNT 1 1 1 1 1 1 1 1 1 1\nWIDTH %lld\nHEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\nPOINTS %lld\nDATA binary\n",
                    (long long)count, (long long)count);
}

typedef int (*header_maker)(const export_body *b, int64_t count, char *out, size_t size);

static lr_status write_cloud(export_body *b, sink *s, const char *name, header_maker make, int step, lr_error *err)
{
    char path[LR_PATH_MAX], header[1024];
    lr_file_draft draft;
    LR_TRY(export_path(b, NULL, NULL, name, path, err));
    LR_TRY(lr_draft_open(path, &draft, err));
    const int n = make(b, b->report->points, header, sizeof header);
    lr_status status = lr_draft_write(&draft, header, (size_t)n, err);
    *s = (sink){.draft = &draft};
    if (status == LR_OK)
        status = add_all(b, step, s, err);
    if (status == LR_OK)
        return lr_draft_finish(&draft, err);
    lr_draft_drop(&draft);
    return status;
}

lr_status export_clouds(export_body *b, lr_error *err)
{
    const int step = thinning(b);
    sink *s = calloc(1, sizeof *s);
    if (!s)
        return lr_fail(err, LR_ERR_MEMORY, "export: out of memory");
    lr_status status = add_all(b, step, s, err);  // counts
    b->report->points = s->count;
    if (status == LR_OK && b->def->what & LR_EXPORT_PLY)
        status = write_cloud(b, s, "cloud.ply", ply_header, step, err);
    if (status == LR_OK && b->def->what & LR_EXPORT_PCD)
        status = write_cloud(b, s, "cloud.pcd", pcd_header, step, err);
    free(s);
    return status;
}
