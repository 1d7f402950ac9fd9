// SPDX-License-Identifier: Apache-2.0
// A room and a head from JSON text, ready to trace single lines: for tests that hold light against closed forms.
#ifndef LR_TESTS_STAGE_H
#define LR_TESTS_STAGE_H

#include "close.h"

#include <string.h>

#include "run/ambient.h"
#include "trace/tracer.h"

typedef struct stage {
    lr_scene *scene;
    lr_head *head;
    lr_bvh *bvh;
    lr_rig *rig;
    lr_tracer *tracer;
    lr_work *work;
    lr_bins bins;
    lr_ambient ambient;
    int pixels;                     // of camera 0 of module 0
    float *range, *normal, *partner, *part[5];
    int32_t *object;
    uint16_t *material;
    uint8_t *flags;
} stage;

static inline void stage_need(lr_status s, const lr_error *err)
{
    if (s != LR_OK) {
        print_error("%s\n", err->text);
        fail();
    }
}

static inline lr_json *stage_json(const char *name, const char *text)
{
    lr_error err = {0};
    lr_json *json = NULL;
    stage_need(lr_json_parse(name, text, strlen(text), &json, &err), &err);
    return json;
}

static inline stage *stage_create_gathered(const char *scene, const char *head, int samples, int rows, int paths)
{
    lr_error err = {0};
    stage *s = calloc(1, sizeof *s);
    lr_json *scene_json = stage_json("scene.json", scene), *head_json = stage_json("head.json", head);
    stage_need(lr_head_from_json(head_json, ".", &s->head, &err), &err);
    stage_need(lr_scene_from_json(scene_json, ".", "materials", &s->scene, &err), &err);
    lr_json_free(scene_json);
    lr_json_free(head_json);
    stage_need(lr_ambient_settle(s->scene, 1, &s->ambient, &err), &err);
    stage_need(lr_head_bins(s->head, &s->bins, &err), &err);
    stage_need(lr_scene_bake(s->scene, &s->bins, &err), &err);
    stage_need(lr_bvh_create(s->scene, 1, &s->bvh, &err), &err);
    stage_need(lr_rig_create(s->head, s->scene, &s->rig, &err), &err);
    lr_trace_def def = lr_trace_def_default();
    def.samples = def.most_samples = samples;
    def.gather_rows = rows;
    if (rows)
        def.gather_paths = paths;
    stage_need(lr_tracer_create(&def, s->scene, s->bvh, s->rig, &s->tracer, &err), &err);
    stage_need(lr_tracer_gather(s->tracer, 1, NULL, NULL, &err), &err);
    stage_need(lr_work_create(s->tracer, &s->work, &err), &err);
    for (int c = 0; c < s->head->module[0].camera_count; c++)
        if (s->head->module[0].camera[c].sensor.pixels > s->pixels)
            s->pixels = s->head->module[0].camera[c].sensor.pixels;
    const size_t n = (size_t)s->pixels;
    s->range = calloc(n, sizeof(float));
    s->normal = calloc(3*n, sizeof(float));
    s->partner = calloc(n, sizeof(float));
    for (int i = 0; i < 5; i++)
        s->part[i] = calloc(n, sizeof(float));
    s->object = calloc(n, sizeof *s->object);
    s->material = calloc(n, sizeof *s->material);
    s->flags = calloc(n, 1);
    return s;
}

static inline stage *stage_create(const char *scene, const char *head, int samples)
{
    return stage_create_gathered(scene, head, samples, 0, 0);
}

static inline void stage_line(stage *s, int camera, int64_t line)
{
    const lr_line_truth truth = {s->range, s->normal, s->object, s->material, s->partner, s->flags};
    const lr_line_light light = {s->part[0], s->part[1], s->part[2], s->part[3], s->part[4]};
    const int partner = s->head->module[0].camera_count > 1 ? 1 - camera : -1;
    lr_trace_line(s->tracer, s->work, 0, camera, partner, line, &truth, &light);
}

static inline void stage_destroy(stage *s)
{
    lr_work_destroy(s->work);
    lr_tracer_destroy(s->tracer);
    lr_rig_destroy(s->rig);
    lr_bvh_destroy(s->bvh);
    lr_head_destroy(s->head);
    lr_scene_destroy(s->scene);
    free(s->range);
    free(s->normal);
    free(s->partner);
    for (int i = 0; i < 5; i++)
        free(s->part[i]);
    free(s->object);
    free(s->material);
    free(s->flags);
    free(s);
}

#endif
