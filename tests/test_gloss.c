// SPDX-License-Identifier: Apache-2.0
// What lobes send to the cameras, gathered once for the room: against a closed form, against plain light paths, and from where it is seen.
#include "stage.h"

#include <stdio.h>

#include "trace/gloss.h"

// A camera that looks steeply up, over the zenith, askew in its mount and on an axis that is not quite upright.
#define HEAD(errors, pitch)                                                                                                         \
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 360" errors "},"           \
    " \"modules\": [{\"name\": \"m\", \"radius_mm\": 50, \"cameras\": [{\"name\": \"c\", \"height_mm\": 40, \"pitch_deg\": " pitch "," \
    "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 0.5, \"f_number\": 2},"                                             \
    "  \"filter\": {\"center_nm\": 850, \"width_nm\": 20, \"angle_factor\": 0},"                                                     \
    "  \"sensor\": {\"pixels\": 200, \"pitch_um\": 5, \"width_um\": 10, \"quantum_efficiency\": 0.4}, \"exposure_us\": 200}]}]}"

static int points_of(const stage *s, int side) { return s->tracer->gloss->view[side]->record_count; }

static double radiance_of(const stage *s, int source, int pixel, double electrons)
{
    return electrons/(double)s->rig->module[0].camera[0].ambient_response[(size_t)source*(size_t)s->pixels + (size_t)pixel];
}

// A plate of rough metal that sends all light back, in an integrating sphere of reflectance 0.8 round a black lamp: whatever its lobe, it looks as
// bright as the wall. L = rho E/pi, E = M f/(1 - rho (1 - f)), as in test_ambient.c. The plate turns its back on the lamp: of what it sees its shadow,
// 0.03 sr with a fifth less light, is below 0.2 %.
static void furnace(void **state)
{
    (void)state;
    stage *s = stage_create_gathered(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"sphere\", \"objects\": [{\"shape\": \"sphere\", \"radius_m\": 1, \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.8}},"
        " {\"shape\": \"box\", \"size_m\": [0.002, 0.06, 0.06], \"center_m\": [0.35, 0, 0], \"material\": {\"kind\": \"metal\", \"index\": 0.01, \"index_k\": 10, \"roughness\": 0.4}}],"
        " \"lights\": [{\"kind\": \"lamp\", \"shape\": \"sphere\", \"radius_m\": 0.1, \"flat_w_per_nm\": 0.001, \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0}}],"
        " \"head_pose\": {\"position_m\": [0.6, 0, 0]}}", HEAD("", "0"), 4, 96, 256);
    const double f = 0.01, exitance = 0.001*1e9/(4.0*LR_PI*0.01), want = 0.8/LR_PI*exitance*f/(1.0 - 0.8*(1.0 - f));
    double sum = 0.0;
    int seen = 0;
    assert_true(points_of(s, LR_GLOSS_FRONT) > 20 && points_of(s, LR_GLOSS_BACK) == 0);
    for (int line = 174; line <= 186; line++) {
        stage_line(s, 0, line);
        for (int i = 0; i < s->pixels; i++) {
            if (s->object[i] != 2 || (s->flags[i] & LR_FLAG_EDGE))
                continue;
            sum += radiance_of(s, s->scene->lamp[0].source, i, (double)s->part[4][i])*lr_table_at(&s->scene->source[s->scene->lamp[0].source].spectrum, 850e-9);
            seen++;
        }
    }
    assert_true(seen > 100);
    assert_rel(sum/seen, want, 0.01);   // 256 paths from each of some dozens of points that see 5 to 10 % apart
    stage_destroy(s);
}

#define ROOM                                                                                                                        \
    "{\"format\": \"lanternroom-scene/1\", \"name\": \"room\", \"objects\": ["                                                        \
    "{\"shape\": \"room\", \"size_m\": [5, 4, 3], \"center_m\": [0, 0, 1.5], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.7},"    \
    " \"openings\": [{\"face\": \"north\", \"center_m\": [0.3, 1.4], \"size_m\": [1.6, 1.2], \"pane\": \"window_glass\"}]},"               \
    "{\"shape\": \"box\", \"size_m\": [0.05, 2, 2], \"center_m\": [2, 0.6, 1.2], \"material\": {\"kind\": \"coated\", \"reflectance\": 0.1, \"roughness\": 0.3}}," \
    "{\"shape\": \"box\", \"size_m\": [2.5, 0.05, 2], \"center_m\": [0, -1.6, 1.2], \"material\": \"steel\"}," \
    "{\"shape\": \"box\", \"size_m\": [0.05, 2, 2], \"center_m\": [-2, -0.2, 1.2], \"material\": \"brushed_aluminium\"}," \
    "{\"shape\": \"box\", \"size_m\": [2.5, 2, 0.05], \"center_m\": [0, 0, 2.6], \"material\": \"aluminium\"}]," \
    " \"lights\": [{\"kind\": \"sun\", \"elevation_deg\": 35, \"azimuth_deg\": 20}, {\"kind\": \"sky\", \"type\": 12},"                   \
    " {\"kind\": \"lamp\", \"shape\": \"rectangle\", \"size_m\": [0.6, 0.6], \"center_m\": [1.9, 0, 2.9], \"rotate_deg\": [180, 0, 0], \"lumens\": 3000, \"spectrum\": \"halogen\"}]," \
    " \"head_pose\": {\"position_m\": [0, 0, 1.2]}}"
#define ASKEW ", \"axis_error_deg\": [1, -2]"
#define THINGS 6

// The same lines by paths alone (many) and with gathered light: for each thing and part of the light the means agree.
static void same_as_paths(void **state)
{
    (void)state;
    stage *paths = stage_create(ROOM, HEAD("", "40"), 256), *gathered = stage_create_gathered(ROOM, HEAD("", "40"), 4, 128, 64);
    double sum[THINGS][5][2] = {0}, square[THINGS][5] = {0};
    int count[THINGS] = {0};
    assert_true(points_of(gathered, LR_GLOSS_FRONT) > 1000 && points_of(gathered, LR_GLOSS_BACK) > 50);
    for (int line = 0; line < 360; line += 10) {
        stage_line(paths, 0, line);
        stage_line(gathered, 0, line);
        for (int i = 0; i < paths->pixels; i++) {
            const int k = paths->object[i];
            if (k == 0 || k >= THINGS || (paths->flags[i] & (LR_FLAG_EDGE | LR_FLAG_BEHIND_PANE)))
                continue;
            count[k]++;
            for (int part = 2; part <= 4; part++) {
                sum[k][part][0] += (double)paths->part[part][i];
                sum[k][part][1] += (double)gathered->part[part][i];
                square[k][part] += pow((double)(paths->part[part][i] - gathered->part[part][i]), 2);
            }
        }
    }
    for (int k = 2; k < THINGS; k++)
        for (int part = 2; part <= 4; part++) {
            const double mean = sum[k][part][0]/count[k], rms = sqrt(square[k][part]/count[k]);
            printf("thing %d part %d: paths %.3f e, gathered %.3f e, rms of the difference %.3f e over %d\n", k, part, mean, sum[k][part][1]/count[k], rms, count[k]);
            assert_true(count[k] > 200);
            assert_rel(sum[k][part][1]/count[k], mean, 0.03);
        }
    stage_destroy(paths);
    stage_destroy(gathered);
}

// Where a camera is when its line sees a point, found by trying many moments, against where the points say it is.
static void eyes_are_where_lines_see(void **state)
{
    (void)state;
    stage *s = stage_create_gathered(ROOM, HEAD(ASKEW, "40"), 1, 64, 16);
    const lr_rig_camera *camera = &s->rig->module[0].camera[0];
    int checked = 0;
    for (int side = 0; side < LR_GLOSS_SIDES; side++) {
        const lr_gather *g = s->tracer->gloss->view[side];
        for (int i = 0; i < g->record_count; i += 7) {
            double least = (double)INFINITY;
            lr_vec3 best = {0};
            const lr_vec3 point = lr_v3((double)g->record[i].point.x, (double)g->record[i].point.y, (double)g->record[i].point.z);
            for (int k = 0; k < 3600; k++) {
                const lr_rig_moment m = lr_rig_at(s->rig, 0, k/3600.0);
                const lr_pose pose = lr_pose_mul(m.pose, camera->in_module);
                const lr_vec3 seen = lr_rotate_back(pose.rotation, lr_sub(point, pose.origin)), ahead = lr_cross(pose.rotation.y, m.axis);
                double pixel, across;
                if (!lr_camera_project(camera->def, seen, &pixel, &across) || (lr_dot(ahead, lr_sub(point, m.pivot)) >= 0.0) != (side == LR_GLOSS_FRONT))
                    continue;
                if (fabs(across) < least) {
                    least = fabs(across);
                    best = lr_unit(lr_sub(pose.origin, point));
                }
            }
            assert_true(least < 0.5);   // pixels are 20 mrad wide, lines 1.7 mrad apart
            // Half a line is 0.9 mrad of turning on a circle of 50 mm: 45 um, seen from 0.9 m or more.
            assert_near(lr_length(lr_sub(best, lr_v3((double)g->record[i].to_eye.x, (double)g->record[i].to_eye.y, (double)g->record[i].to_eye.z))), 0.0, 1e-4);
            checked++;
        }
    }
    assert_true(checked > 100);
    stage_destroy(s);
}

static void same_for_any_threads(void **state)
{
    (void)state;
    lr_gloss *one, *three;
    stage *s = stage_create_gathered(ROOM, HEAD("", "40"), 1, 48, 16);
    stage_need(lr_gloss_create(s->tracer, 1, NULL, NULL, &one, NULL), &(lr_error){"gloss"});
    stage_need(lr_gloss_create(s->tracer, 3, NULL, NULL, &three, NULL), &(lr_error){"gloss"});
    for (int k = 0; k < LR_GLOSS_SIDES; k++) {
        const lr_gather *a = one->view[k], *b = three->view[k];
        assert_int_equal(a->record_count, b->record_count);
        assert_true(a->record_count > 10);
        assert_memory_equal(a->irradiance, b->irradiance, (size_t)a->record_count*(size_t)a->values*sizeof(float));
        assert_memory_equal(a->error, b->error, (size_t)a->record_count*(size_t)a->values*sizeof(float));
    }
    lr_gloss_destroy(one);
    lr_gloss_destroy(three);
    stage_destroy(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(furnace),
        cmocka_unit_test(same_as_paths),
        cmocka_unit_test(eyes_are_where_lines_see),
        cmocka_unit_test(same_for_any_threads),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
