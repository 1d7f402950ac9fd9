// SPDX-License-Identifier: Apache-2.0
#include "score/score.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/file.h"
#include "core/thread.h"
#include "score/score_body.h"

#define SHARES 32          // parts a camera's lines are scored in: their sums are added up in this order, whatever the threads
#define MATERIALS_MOST 65535

typedef struct scorer {          // one camera
    const lr_scan_reader *reader;
    const lr_cal_module *module;
    int index;                   // of the camera
    int64_t lines;
    lr_pair pair;                // with its partner
    int side, has_pair, partner_is_other;
    double *elevation_rad;       // (pixels) in the head at rotor angle 0: turning does not change it
    lr_npy_map truth[LR_TRUTH_LAYERS], depth[LR_DEPTH_LAYERS];
    char (*material)[64];
    int groups;
    lr_score_group *group;       // (SHARES x groups)
    lr_score_camera *part;       // (SHARES) counts by confidence and of nothing
} scorer;

// ---- What is there ----

static lr_status open_truth(scorer *s, lr_truth_layer layer, int needed, lr_error *err)
{
    char path[LR_SCAN_PATH];
    LR_TRY(lr_truth_path(s->module->name, s->module->camera[s->index].name, layer, path, sizeof path, err));
    if (lr_scan_reader_find(s->reader, path) < 0) {
        const char *folder = lr_scan_reader_folder(s->reader);
        return needed ? lr_fail(err, LR_ERR_MISSING, "%.300s: scoring needs %s, and the scan does not keep it", folder, path) : LR_OK;
    }
    return lr_scan_reader_array(s->reader, path, &s->truth[layer], err);
}

static lr_status open_depth(scorer *s, lr_depth_layer layer, lr_error *err)
{
    char path[LR_SCAN_PATH], whole[LR_PATH_MAX];
    LR_TRY(lr_depth_path(s->module->name, s->module->camera[s->index].name, layer, path, sizeof path, err));
    LR_TRY(lr_path_join(whole, lr_scan_reader_folder(s->reader), path, err));
    if (!lr_path_exists(whole))
        return LR_OK;
    LR_TRY(lr_npy_open(whole, &s->depth[layer], err));
    const lr_npy_info *info = &s->depth[layer].info;
    if (strcmp(info->descr, "<f4") != 0 || info->dims != 2 || info->shape[0] != s->lines || info->shape[1] != s->module->camera[s->index].pixels)
        return lr_fail(err, LR_ERR_PARSE, "%.300s: not float32 [%lld, %d], the shape of the camera's lines", whole, (long long)s->lines,
                       s->module->camera[s->index].pixels);
    return LR_OK;
}

// The camera nearest in height: the one that depth matches it with, or the only other.
static void find_partner(scorer *s)
{
    const lr_cal_module *m = s->module;
    const double z = m->camera[s->index].pose.origin_m.z;
    int best = -1;
    for (int c = 0; c < m->camera_count; c++)
        if (c != s->index && (best < 0 || fabs(m->camera[c].pose.origin_m.z - z) < fabs(m->camera[best].pose.origin_m.z - z)))
            best = c;
    if (best < 0)
        return;
    s->side = m->camera[best].pose.origin_m.z > z;
    s->partner_is_other = m->camera_count == 2;
    s->has_pair = lr_pair_create(m->name, &m->camera[s->side ? best : s->index], &m->camera[s->side ? s->index : best], &s->pair, NULL) == LR_OK;
}

static lr_status find_elevations(scorer *s, lr_error *err)
{
    const lr_cal_camera *camera = &s->module->camera[s->index];
    s->elevation_rad = malloc((size_t)camera->pixels*sizeof *s->elevation_rad);
    if (!s->elevation_rad)
        return lr_fail(err, LR_ERR_MEMORY, "score: out of memory");
    const lr_mat3 turn = lr_mat3_mul(lr_transform_pose(&s->module->pose).rotation, lr_transform_pose(&camera->pose).rotation);
    for (int i = 0; i < camera->pixels; i++) {
        const lr_vec3 d = lr_rotate(turn, lr_cal_camera_direction(camera, i));
        s->elevation_rad[i] = isfinite(d.z) ? asin(fmin(fmax(d.z, -1.0), 1.0)) : 0.0;
    }
    return LR_OK;
}

// Names from truth/labels.json; numbers where it is not there.
static lr_status name_materials(scorer *s, int count, lr_error *err)
{
    char path[LR_PATH_MAX];
    lr_json *json = NULL;
    s->material = calloc((size_t)count + 1, sizeof *s->material);
    if (!s->material)
        return lr_fail(err, LR_ERR_MEMORY, "score: out of memory");
    for (int k = 0; k < count; k++)
        snprintf(s->material[k], sizeof s->material[k], "%d", k + 1);
    LR_TRY(lr_path_join(path, lr_scan_reader_folder(s->reader), "truth/labels.json", err));
    if (lr_json_load(path, &json, NULL) != LR_OK)
        return LR_OK;
    const lr_node *root = lr_json_root(json), *list = lr_node_kind(root) == LR_JSON_OBJECT ? lr_node_get(root, "materials") : NULL;
    int k = 0;
    for (const lr_node *n = list && lr_node_kind(list) == LR_JSON_LIST ? lr_node_first(list) : NULL; n && k < count; n = lr_node_next(n), k++) {
        const lr_node *name = lr_node_kind(n) == LR_JSON_OBJECT ? lr_node_get(n, "name") : n;
        if (name && lr_node_kind(name) == LR_JSON_TEXT)
            snprintf(s->material[k], sizeof s->material[k], "%.63s", lr_node_text(name));
    }
    lr_json_free(json);
    return LR_OK;
}

static int highest_material(const scorer *s)
{
    const uint16_t *m = s->truth[LR_TRUTH_MATERIAL].data;
    const int64_t count = m ? s->lines*s->module->camera[s->index].pixels : 0;
    int most = 0;
    for (int64_t i = 0; i < count; i++)
        most = m[i] > most ? m[i] : most;
    return most;
}

static lr_status open_scorer(scorer *s, lr_error *err)
{
    LR_TRY(open_truth(s, LR_TRUTH_RANGE, 1, err));
    LR_TRY(open_truth(s, LR_TRUTH_FLAGS, 1, err));
    LR_TRY(open_truth(s, LR_TRUTH_PARTNER, 0, err));
    LR_TRY(open_truth(s, LR_TRUTH_MATERIAL, 0, err));
    find_partner(s);
    LR_TRY(find_elevations(s, err));
    const int materials = highest_material(s);
    LR_TRY(name_materials(s, materials, err));
    s->groups = SCORE_MATERIAL + materials;
    s->group = calloc((size_t)SHARES*(size_t)s->groups, sizeof *s->group);
    s->part = calloc(SHARES, sizeof *s->part);
    return s->group && s->part ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "score: out of memory");
}

static void close_scorer(scorer *s)
{
    for (int k = 0; k < LR_TRUTH_LAYERS; k++)
        if (s->truth[k].base)
            lr_npy_close(&s->truth[k]);
    for (int k = 0; k < LR_DEPTH_LAYERS; k++)
        if (s->depth[k].base)
            lr_npy_close(&s->depth[k]);
    free(s->elevation_rad), free(s->material), free(s->group), free(s->part);
}

// ---- One pixel, one share of the lines ----

static float at(const lr_npy_map *map, size_t i) { return map->data ? ((const float *)map->data)[i] : (float)NAN; }

// Where the camera's partner would see the recovered point, less where it truly does.
static void place(const scorer *s, int pixel, size_t i, score_pixel *p)
{
    p->partner_error = (double)NAN;
    p->placed = 0;
    if (!s->has_pair)
        return;
    const double truth = s->partner_is_other && s->truth[LR_TRUTH_PARTNER].data
        ? (double)at(&s->truth[LR_TRUTH_PARTNER], i)
        : lr_pair_partner(&s->pair, s->side, pixel, lr_pair_inverse_rho(&s->pair, s->side, pixel, (double)p->truth));
    p->placed = isfinite(truth);
    if (p->placed && p->range > 0.0f && isfinite(p->range))
        p->partner_error = lr_pair_partner(&s->pair, s->side, pixel, lr_pair_inverse_rho(&s->pair, s->side, pixel, (double)p->range)) - truth;
}

static void score_pixel_at(const scorer *s, int pixel, size_t i, lr_score_group *group, lr_score_camera *part)
{
    score_pixel p = {.truth = at(&s->truth[LR_TRUTH_RANGE], i), .range = at(&s->depth[LR_DEPTH_RANGE], i), .sigma = at(&s->depth[LR_DEPTH_SIGMA], i),
                     .confidence = at(&s->depth[LR_DEPTH_CONFIDENCE], i), .elevation_rad = s->elevation_rad[pixel]};
    if (!(p.range > 0.0f))
        p.range = (float)NAN;
    if (isinf(p.truth)) {
        part->empty++;
        part->invented += isfinite(p.range);
        part->believed += isfinite(p.range) && p.confidence > 0.5f;
    }
    if (!isfinite(p.truth))
        return;
    p.flags = ((const uint8_t *)s->truth[LR_TRUTH_FLAGS].data)[i];
    p.material = s->truth[LR_TRUTH_MATERIAL].data ? ((const uint16_t *)s->truth[LR_TRUTH_MATERIAL].data)[i] : 0;
    place(s, pixel, i, &p);
    score_add(group, s->groups, &p);
    if (p.placed && isfinite(p.range) && p.confidence >= 0.0f && p.confidence <= 1.0f) {
        const int bin = p.confidence >= 1.0f ? LR_SCORE_BINS - 1 : (int)(p.confidence*LR_SCORE_BINS);
        part->bin_count[bin]++;
        part->bin_sum[bin] += (double)p.confidence;
        part->bin_right[bin] += fabs(p.partner_error) <= 1.0;
    }
}

static lr_status score_share(void *context, int64_t job, int worker, lr_error *err)
{
    (void)worker, (void)err;
    scorer *s = context;
    const int pixels = s->module->camera[s->index].pixels;
    const int64_t first = s->lines*job/SHARES, last = s->lines*(job + 1)/SHARES;
    for (int64_t l = first; l < last; l++)
        for (int i = 0; lr_scan_reader_ready(s->reader, l, 1) && i < pixels; i++)
            score_pixel_at(s, i, (size_t)l*(size_t)pixels + (size_t)i, s->group + (size_t)job*(size_t)s->groups, &s->part[job]);
    return LR_OK;
}

// ---- One camera ----

static lr_status collect(const scorer *s, lr_score_camera *out, lr_error *err)
{
    lr_score_group *all = s->group;
    for (int k = 1; k < SHARES; k++)
        for (int g = 0; g < s->groups; g++)
            score_join(&all[g], &s->group[(size_t)k*(size_t)s->groups + (size_t)g]);
    score_name_groups(all, s->groups, s->material);
    snprintf(out->module, sizeof out->module, "%s", s->module->name);
    snprintf(out->camera, sizeof out->camera, "%s", s->module->camera[s->index].name);
    out->has_px = s->has_pair;
    out->has_confidence = s->depth[LR_DEPTH_CONFIDENCE].data != NULL;
    out->has_sigma = s->depth[LR_DEPTH_SIGMA].data != NULL;
    for (int k = 0; k < SHARES; k++) {
        out->empty += s->part[k].empty;
        out->invented += s->part[k].invented;
        out->believed += s->part[k].believed;
        for (int b = 0; b < LR_SCORE_BINS; b++) {
            out->bin_count[b] += s->part[k].bin_count[b];
            out->bin_right[b] += s->part[k].bin_right[b];
            out->bin_sum[b] += s->part[k].bin_sum[b];
        }
    }
    out->group = calloc((size_t)s->groups, sizeof *out->group);
    if (!out->group)
        return lr_fail(err, LR_ERR_MEMORY, "score: out of memory");
    for (int g = 0; g < s->groups; g++)
        if (all[g].pixels > 0)
            out->group[out->group_count++] = all[g];
    return LR_OK;
}

static lr_status score_camera(scorer *s, int threads, lr_score *out, lr_error *err)
{
    for (int layer = 0; layer < LR_DEPTH_LAYERS; layer++)
        LR_TRY(open_depth(s, (lr_depth_layer)layer, err));
    if (!s->depth[LR_DEPTH_RANGE].data)
        return LR_OK;
    LR_TRY(open_scorer(s, err));
    LR_TRY(lr_threads_run(threads > 0 ? threads : lr_thread_default(), SHARES, score_share, s, err));
    return collect(s, &out->camera[out->camera_count++], err);
}

static lr_status score_all(const lr_scan_reader *reader, int threads, lr_score *out, lr_error *err)
{
    const lr_calibration *calibration = lr_scan_reader_calibration(reader);
    out->camera = calloc((size_t)calibration->module_count*LR_CAL_MAX_PARTS, sizeof *out->camera);
    if (!out->camera)
        return lr_fail(err, LR_ERR_MEMORY, "score: out of memory");
    for (int m = 0; m < calibration->module_count; m++)
        for (int c = 0; c < calibration->module[m].camera_count; c++) {
            scorer s = {.reader = reader, .module = &calibration->module[m], .index = c, .lines = lr_scan_reader_scan(reader)->line_count};
            const lr_status status = score_camera(&s, threads, out, err);
            close_scorer(&s);
            LR_TRY(status);
        }
    return out->camera_count ? LR_OK : lr_fail(err, LR_ERR_MISSING, "%.300s: no depth/MODULE/CAMERA.npy to score; 'lanternroom depth' makes them",
                                               lr_scan_reader_folder(reader));
}

lr_status lr_score_run(const char *folder, int threads, lr_score *out, lr_error *err)
{
    assert(folder && out);
    lr_scan_reader *reader = NULL;
    *out = (lr_score){0};
    LR_TRY(lr_scan_reader_open(folder, &reader, err));
    const lr_status s = score_all(reader, threads, out, err);
    lr_scan_reader_close(reader);
    if (s != LR_OK)
        lr_score_free(out);
    return s;
}

void lr_score_free(lr_score *score)
{
    for (int c = 0; c < score->camera_count; c++)
        free(score->camera[c].group);
    free(score->camera);
    *score = (lr_score){0};
}

double lr_score_miscalibration(const lr_score_camera *c)
{
    double sum = 0.0, count = 0.0;
    for (int b = 0; b < LR_SCORE_BINS; b++) {
        sum += fabs(c->bin_sum[b] - (double)c->bin_right[b]);
        count += (double)c->bin_count[b];
    }
    return count > 0.0 ? sum/count : (double)NAN;
}
