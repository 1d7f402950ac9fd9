// SPDX-License-Identifier: Apache-2.0
// The head wide120 before a wall: what the budget says of it, and range recovered from rendered raw lines.
// What a budget leaves out is taken out of the head: fixed patterns, line offsets, defects, veiling light.
#ifndef LR_TESTS_WALL_SCAN_H
#define LR_TESTS_WALL_SCAN_H

#include "budget_head.h"

#include <stdio.h>
#include <unistd.h>

#include "core/file.h"
#include "depth/depth.h"
#include "run/run.h"

#define WALL_HEAD "scenes/heads/wide120.json"
#define WALL_REFLECTANCE 0.5
#define WALL_LINES 48

typedef struct wall { double range_m, up_deg; const char *light; } wall;   // met head on at this elevation

static char folder[] = "/tmp/lr_wall_XXXXXX";

static inline void need(lr_status s, const lr_error *err)
{
    if (s != LR_OK) {
        print_error("%s\n", err->text);
        fail();
    }
}

static inline lr_json *head_json(char **text)
{
    static const char *const zero[] = {"lens.veiling_share", "sensor.prnu", "sensor.dsnu_e", "sensor.line_offset_e", "sensor.defect_share"};
    lr_error err = {0};
    lr_json *json = NULL;
    size_t length;
    char path[96];
    need(lr_file_read(WALL_HEAD, 1 << 20, text, &length, &err), &err);
    need(lr_json_parse(WALL_HEAD, *text, length, &json, &err), &err);
    for (size_t i = 0; i < sizeof zero/sizeof *zero; i++) {
        snprintf(path, sizeof path, "modules.*.cameras.*.%s", zero[i]);
        need(lr_json_override(json, path, "0", &err), &err);
    }
    return json;
}

typedef struct setting {
    char text[1024], *head_text;       // of the scene, of the head's file
    lr_json *scene_json, *head_json;
    lr_scene *scene;
    lr_head *head;
    lr_budget *budget;                 // in the scene's light
    const lr_budget_ray *middle;       // the one nearest to where the wall is met head on
} setting;

static inline void setting_open(const wall *w, setting *s)
{
    lr_error err = {0};
    const double up = w->up_deg*LR_DEG;
    snprintf(s->text, sizeof s->text, "{\"format\": \"lanternroom-scene/1\", \"name\": \"wall\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [60, 60], "
             "\"center_m\": [%.9g, 0, %.9g], \"rotate_deg\": [0, %.9g, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": %g}}], \"lights\": [%s]}",
             w->range_m*cos(up), w->range_m*sin(up), -(90.0 + w->up_deg), WALL_REFLECTANCE, w->light);
    s->head_json = head_json(&s->head_text);
    need(lr_json_parse("scene.json", s->text, strlen(s->text), &s->scene_json, &err), &err);
    need(lr_scene_from_json(s->scene_json, ".", "materials", &s->scene, &err), &err);
    need(lr_head_from_json(s->head_json, ".", &s->head, &err), &err);
    lr_budget_def def = lr_budget_def_default();
    def.reflectance = WALL_REFLECTANCE;
    def.scene = s->scene;
    def.range_m = w->range_m;
    def.window_px = 2.0*lr_match_def_default().refine_window + 1.0;
    s->budget = budget_of(s->head, &def);
    s->middle = s->budget->module[0].ray;
    for (int k = 1; k < LR_BUDGET_RAYS; k++)
        if (fabs(s->budget->module[0].ray[k].elevation_rad - up) < fabs(s->middle->elevation_rad - up))
            s->middle = &s->budget->module[0].ray[k];
}

static inline void setting_close(setting *s)
{
    lr_budget_destroy(s->budget);
    lr_head_destroy(s->head);
    lr_scene_destroy(s->scene);
    lr_json_free(s->scene_json);
    lr_json_free(s->head_json);
    free(s->head_text);
}

static inline void scan_and_recover(const setting *s, const lr_match_def *match, uint64_t seed)
{
    lr_error err = {0};
    lr_run_report report;
    lr_depth_report depth_report;
    const lr_run_input inputs[2] = {{"scene.json", s->text, s->scene_json}, {WALL_HEAD, s->head_text, s->head_json}};
    lr_run_def def = lr_run_def_default();
    def.folder = folder;
    def.force = 1;
    def.threads = 1;
    def.seed = seed;
    def.samples = 4;
    def.indirect_samples = 0;   // a flat wall has none
    def.truth = 1u << LR_TRUTH_RANGE | 1u << LR_TRUTH_FLAGS | 1u << LR_TRUTH_PARTNER;
    def.sector_deg[1] = 0.1*(WALL_LINES - 0.5);
    need(lr_run(&inputs[0], &inputs[1], &def, NULL, NULL, &report, &err), &err);
    assert_int_equal(report.lines, WALL_LINES);
    lr_depth_def depth = lr_depth_def_default();
    depth.folder = folder;
    depth.match = *match;
    depth.threads = 1;
    need(lr_depth_run(&depth, NULL, NULL, &depth_report, &err), &err);
}

static inline int folder_make(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static inline int folder_remove(void **state)
{
    (void)state;
    char command[64];
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    return system(command);
}

#endif
