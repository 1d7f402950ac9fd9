// SPDX-License-Identifier: Apache-2.0
#include "page/export.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/fields.h"
#include "page/export_body.h"

const char *const lr_export_names[] = {"png", "pfm", "rectified", "ply", "pcd", "anaglyph", "equirect", NULL};
const char *const lr_export_source_names[] = {"auto", "depth", "truth", NULL};
const char *const lr_export_frame_names[] = {"head", "world", NULL};

lr_export_def lr_export_def_default(void) { return (lr_export_def){.what = LR_EXPORT_ALL, .confidence = 0.5}; }

lr_status lr_export_parse(const char *list, int *what, lr_error *err)
{
    *what = 0;
    if (strcmp(list, "all") == 0) {
        *what = LR_EXPORT_ALL;
        return LR_OK;
    }
    for (const char *p = list; ; p++) {
        char word[32];
        const size_t n = strcspn(p, ",");
        int k = 0;
        snprintf(word, sizeof word, "%.*s", (int)n, p);
        while (lr_export_names[k] && strcmp(lr_export_names[k], word) != 0)
            k++;
        if (!lr_export_names[k]) {
            const char *near = lr_nearest_word(word, lr_export_names);
            return lr_fail(err, LR_ERR_RANGE, "\"%s\" is not one of all, png, pfm, rectified, ply, pcd, anaglyph, equirect%s%s%s", word,
                           near ? "; did you mean \"" : "", near ? near : "", near ? "\"?" : "");
        }
        *what |= 1 << k;
        p += n;
        if (!*p)
            return LR_OK;
    }
}

// ---- A camera's maps ----

static lr_status open_if_there(const export_body *b, const char *path, const lr_npy_info *like, lr_npy_map *map, lr_error *err)
{
    char whole[LR_PATH_MAX];
    LR_TRY(lr_path_join(whole, b->def->folder, path, err));
    if (!lr_path_exists(whole))
        return LR_OK;
    LR_TRY(lr_npy_open(whole, map, err));
    if (map->info.dims != 2 || map->info.shape[0] != like->shape[0] || map->info.shape[1] != like->shape[1] || lr_npy_item_bytes(&map->info) != 4)
        return lr_fail(err, LR_ERR_PARSE, "%.300s: not the type and shape [%lld, %lld] of the camera's lines", whole, (long long)like->shape[0],
                       (long long)like->shape[1]);
    return LR_OK;
}

static lr_status open_ranges(const export_body *b, const char *module, const char *camera, int needed, export_camera *c, lr_error *err)
{
    char path[LR_SCAN_PATH];
    if (b->def->source != LR_EXPORT_TRUTH) {
        LR_TRY(lr_depth_path(module, camera, LR_DEPTH_RANGE, path, sizeof path, err));
        LR_TRY(open_if_there(b, path, &c->raw.info, &c->range, err));
        LR_TRY(lr_depth_path(module, camera, LR_DEPTH_CONFIDENCE, path, sizeof path, err));
        if (c->range.data)
            LR_TRY(open_if_there(b, path, &c->raw.info, &c->confidence, err));
    }
    if (b->def->source != LR_EXPORT_DEPTH && !c->range.data) {
        LR_TRY(lr_truth_path(module, camera, LR_TRUTH_RANGE, path, sizeof path, err));
        LR_TRY(open_if_there(b, path, &c->raw.info, &c->range, err));
    }
    if (!c->range.data && needed)
        return lr_fail(err, LR_ERR_MISSING, "%.300s: no range of %s/%s in %s; 'lanternroom depth' makes it", b->def->folder, module, camera,
                       b->def->source == LR_EXPORT_TRUTH ? "truth/" : b->def->source == LR_EXPORT_DEPTH ? "depth/" : "depth/ or truth/");
    LR_TRY(lr_truth_path(module, camera, LR_TRUTH_OBJECT, path, sizeof path, err));
    return open_if_there(b, path, &c->raw.info, &c->object, err);
}

lr_status export_open(const export_body *b, const lr_cal_module *module, int camera, int needs_range, export_camera *c, lr_error *err)
{
    lr_scan_array raw;
    *c = (export_camera){.module = module, .camera = &module->camera[camera]};
    LR_TRY(lr_scan_raw_array(module->name, c->camera->name, b->lines, c->camera->pixels, &raw, err));
    LR_TRY(lr_scan_reader_array(b->reader, raw.path, &c->raw, err));
    LR_TRY(open_ranges(b, module->name, c->camera->name, needs_range, c, err));
    const lr_pose pose = lr_transform_pose(&c->camera->pose);
    c->eye = pose.origin;
    c->ray = malloc((size_t)c->camera->pixels*sizeof *c->ray);
    if (!c->ray)
        return lr_fail(err, LR_ERR_MEMORY, "export: out of memory");
    for (int i = 0; i < c->camera->pixels; i++)
        c->ray[i] = lr_rotate(pose.rotation, lr_cal_camera_direction(c->camera, i));
    return LR_OK;
}

void export_close(export_camera *c)
{
    lr_npy_map *all[] = {&c->raw, &c->range, &c->confidence, &c->object};
    for (size_t i = 0; i < sizeof all/sizeof *all; i++)
        if (all[i]->base)
            lr_npy_close(all[i]);
    free(c->ray);
    *c = (export_camera){0};
}

static size_t place(const export_camera *c, int64_t line, int pixel) { return (size_t)line*(size_t)c->camera->pixels + (size_t)pixel; }

float export_range(const export_body *b, const export_camera *c, int64_t line, int pixel)
{
    if (!c->range.data)
        return (float)NAN;
    const size_t i = place(c, line, pixel);
    const float r = ((const float *)c->range.data)[i];
    // As a float, like what it is held against: 0.9 is between two of them, and a pixel stored as just that much is not below it.
    const int sure = !c->confidence.data || ((const float *)c->confidence.data)[i] >= (float)b->def->confidence;
    return r > 0.0f && isfinite(r) && sure && lr_scan_reader_ready(b->reader, line, 1) ? r : (float)NAN;
}

double export_light(const export_camera *c, int64_t line, int pixel)
{
    return (((const uint16_t *)c->raw.data)[place(c, line, pixel)] - c->camera->offset_dn)/c->camera->gain_dn_per_e;
}

int export_object(const export_camera *c, int64_t line, int pixel)
{
    return c->object.data ? ((const int32_t *)c->object.data)[place(c, line, pixel)] : 0;
}

lr_status export_path(const export_body *b, const char *module, const char *camera, const char *what, char path[LR_PATH_MAX], lr_error *err)
{
    const int n = snprintf(path, LR_PATH_MAX, "%s/%s%s%s%s%s", b->out, module ? module : "", module ? "_" : "", camera ? camera : "", camera ? "_" : "", what);
    b->report->files++;
    return n > 0 && n < LR_PATH_MAX ? LR_OK : lr_fail(err, LR_ERR_RANGE, "%.300s: the path is too long", b->out);
}

// ---- Poses ----

lr_status export_poses_open(const export_body *b, const lr_cal_module *module, lr_export_frame frame, export_poses *out, lr_error *err)
{
    char path[LR_SCAN_PATH];
    *out = (export_poses){.world = frame == LR_EXPORT_WORLD, .module = lr_transform_pose(&module->pose)};
    if (!out->world)
        snprintf(path, sizeof path, "%s/lines.npy", module->name);
    else
        LR_TRY(lr_truth_lines_path(module->name, path, sizeof path, err));
    return lr_scan_reader_array(b->reader, path, &out->lines, err);
}

void export_poses_close(export_poses *poses)
{
    if (poses->lines.base)
        lr_npy_close(&poses->lines);
    *poses = (export_poses){0};
}

lr_pose export_pose(const export_poses *p, int64_t line)
{
    if (p->world) {
        const lr_truth_line *t = (const lr_truth_line *)p->lines.data + line;
        const lr_transform transform = {{t->x_m, t->y_m, t->z_m}, {t->qx, t->qy, t->qz, t->qw}};
        return lr_transform_pose(&transform);
    }
    const lr_scan_line *l = (const lr_scan_line *)p->lines.data + line;
    const lr_pose turn = {lr_rotation_z(l->azimuth_deg*LR_DEG), {0, 0, 0}};
    return lr_pose_mul(turn, p->module);
}

// ---- All of it ----

static lr_status check(const lr_export_def *def, lr_error *err)
{
    if (!def->folder)
        return lr_fail(err, LR_ERR_RANGE, "export: no folder given");
    if (!(def->confidence >= 0.0 && def->confidence <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "export: confidence: %g is not in 0 .. 1", def->confidence);
    if (def->every < 0)
        return lr_fail(err, LR_ERR_RANGE, "export: every: %d is below 0", def->every);
    return LR_OK;
}

static lr_status run(export_body *b, lr_error *err)
{
    const int what = b->def->what;
    LR_TRY(lr_make_folders(b->out, err));
    if (what & (LR_EXPORT_PNG | LR_EXPORT_PFM | LR_EXPORT_ANAGLYPH))
        LR_TRY(export_images(b, err));
    if (what & LR_EXPORT_RECTIFIED)
        LR_TRY(export_rectified(b, err));
    if (what & (LR_EXPORT_PLY | LR_EXPORT_PCD))
        LR_TRY(export_clouds(b, err));
    return what & LR_EXPORT_EQUIRECT ? export_equirect(b, err) : LR_OK;
}

lr_status lr_export_run(const lr_export_def *def, lr_export_report *report, lr_error *err)
{
    assert(def && report);
    char out[LR_PATH_MAX];
    lr_scan_reader *reader = NULL;
    *report = (lr_export_report){0};
    LR_TRY(check(def, err));
    LR_TRY(lr_path_join(out, def->folder, "export", err));
    LR_TRY(lr_scan_reader_open(def->folder, &reader, err));
    export_body b = {.def = def, .reader = reader, .calibration = lr_scan_reader_calibration(reader), .out = def->out ? def->out : out, .report = report};
    b.lines = lr_scan_reader_scan(reader)->line_count;
    b.turn_lines = b.lines < b.calibration->spin.lines_per_rev ? b.lines : b.calibration->spin.lines_per_rev;
    const lr_status s = run(&b, err);
    lr_scan_reader_close(reader);
    return s;
}
