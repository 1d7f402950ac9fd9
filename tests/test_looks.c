// SPDX-License-Identifier: Apache-2.0
// Mean factors of textures in pixels of flat ground: places on the picture against those under hits, and light against that of many parts.
#include "stage.h"

#include <stdio.h>

#include "core/rng.h"

#define PIXELS 60
#define SEEDS 24
#define STONES "{\"kind\": \"diffuse\", \"reflectance\": 0.4, \"texture\": {\"file\": \"scenes/models/paving.png\", \"size_m\": [0.7, 0.5]}}"
#define HEAD                                                                                                                         \
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 360},"                    \
    " \"modules\": [{\"name\": \"m\", \"radius_mm\": 20, \"cameras\": [{\"name\": \"c\", \"pitch_deg\": -20,"                        \
    "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 0.5, \"f_number\": 2},"                                             \
    "  \"filter\": {\"center_nm\": 850, \"width_nm\": 20, \"angle_factor\": 0},"                                                     \
    "  \"sensor\": {\"pixels\": 60, \"pitch_um\": 5, \"width_um\": 10, \"quantum_efficiency\": 0.4, \"read_noise_e\": 5}, \"exposure_us\": 100}]}]}"

// The first triangle of the face that `triangle` is of.
static int first_of_face(const lr_mesh *mesh, int triangle)
{
    for (int t = 0; t < triangle; t++)
        if (mesh->slot && mesh->slot[t] == mesh->slot[triangle])
            return t;
    return mesh->slot ? triangle : 0;
}

// Anywhere on the triangles of rectangles, boxes and rooms, turned and scaled as they may be, the plane's picture is that under a hit; also that of another
// triangle of the same face.
static void places_on_the_picture(void **state)
{
    (void)state;
    enum { TRIES = 200 };
    stage *s = stage_create(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"t\", \"materials\": {\"stones\": " STONES "}, \"objects\": ["
        "{\"shape\": \"room\", \"size_m\": [5, 4, 3], \"material\": \"stones\", \"openings\": [{\"face\": \"south\", \"center_m\": [0.3, 1.2], \"size_m\": [1, 1]}]},"
        "{\"shape\": \"rectangle\", \"size_m\": [1.5, 1], \"rotate_deg\": [20, 70, 130], \"center_m\": [1, 1, 0.5], \"material\": \"stones\"},"
        "{\"shape\": \"group\", \"scale\": 0.7, \"rotate_deg\": [0, 0, 33], \"objects\": [{\"shape\": \"box\", \"size_m\": [1, 0.5, 0.8], \"center_m\": [-1, 1, 0], \"material\": \"stones\"}]},"
        "{\"shape\": \"sphere\", \"radius_m\": 0.2, \"center_m\": [1, -1, 0], \"material\": \"stones\"},"
        "{\"shape\": \"rectangle\", \"size_m\": [1, 1], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.4}},"
        "{\"shape\": \"rectangle\", \"size_m\": [1, 1], \"motion\": [{\"time_s\": 0, \"center_m\": [0, 0, 0]}], \"material\": \"stones\"}],"
        " \"lights\": [{\"kind\": \"sun\", \"elevation_deg\": 45, \"azimuth_deg\": 200}]}", HEAD, 1);
    const lr_scene *scene = s->scene;
    lr_texture_plane plane;
    int flat = 0, others = 0;
    double least = 1.0, most = 0.0;
    for (int o = 0; o < scene->object_count; o++) {
        const lr_object *object = &scene->object[o];
        if (!lr_scene_texture_plane(scene, o, 0, &plane)) {
            others++;
            continue;
        }
        for (int t = 0; t < object->mesh->triangle_count; t++) {
            lr_texture_plane whole_face;
            assert_int_equal(lr_scene_texture_plane(scene, o, t, &plane), 1);
            assert_int_equal(lr_scene_texture_plane(scene, o, first_of_face(object->mesh, t), &whole_face), 1);
            lr_vec3 corner[3];
            for (int k = 0; k < 3; k++) {
                const float *p = object->mesh->position[object->mesh->triangle[t][k]];
                corner[k] = lr_pose_point(object->pose, lr_mul(lr_v3((double)p[0], (double)p[1], (double)p[2]), object->scale));
            }
            for (uint32_t n = 0; n < TRIES; n++) {
                const float r = sqrtf(lr_uniform(lr_hash(n, 1))), v = r*lr_uniform(lr_hash(n, 2)), u = r - v;
                const lr_vec3 at = lr_mad(lr_mad(corner[0], (double)u, lr_sub(corner[1], corner[0])), (double)v, lr_sub(corner[2], corner[0]));
                float scale;
                int material;
                lr_scene_surface(scene, o, t, u, v, &scale, &material);
                assert_near((double)lr_texture_plane_at(&plane, lr_v3f_of(at)), (double)scale, 2e-3);   // places are off by a few um, texels 2 mm wide
                assert_near((double)lr_texture_plane_at(&whole_face, lr_v3f_of(at)), (double)scale, 2e-3);
                least = (double)scale < least ? (double)scale : least;
                most = (double)scale > most ? (double)scale : most;
            }
            flat++;
        }
    }
    printf("%d triangles, factors %.2f .. %.2f; %d things without a plane\n", flat, least, most, others);
    assert_true(flat >= 2 + 12 + 12 && others == 3 && most - least > 0.3);
    stage_destroy(s);
}

static void ground(char *text, size_t size, int moving)
{
    snprintf(text, size, "{\"format\": \"lanternroom-scene/1\", \"name\": \"t\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [40, 40]%s, \"material\": " STONES "}],"
             " \"lights\": [{\"kind\": \"sun\", \"elevation_deg\": 45, \"azimuth_deg\": 200}], \"head_pose\": {\"position_m\": [0, 0, 1.2]}}",
             moving ? ", \"motion\": [{\"time_s\": 0, \"center_m\": [0, 0, 0]}]" : "");
}

// Ground in full sun, of a scan with an aim, against parts beyond number. Error over the sensor's noise: rms; and the sum over pixels and seeds over the true one.
static double error_of(int moving, const double *truth, double *sum, double *sum_error, int64_t *rays)
{
    char text[1024];
    ground(text, sizeof text, moving);
    stage *s = stage_create_gathered(text, HEAD, 2, 64, 16);
    double square = 0.0, all = 0.0, ratio[SEEDS], mean = 0.0, spread = 0.0;
    int count = 0;
    for (int i = 0; i < PIXELS; i++)
        all += truth[i];
    s->tracer->def.most_samples = 8;
    s->tracer->def.noise_ratio = 0.25;
    for (int k = 0; k < SEEDS; k++) {
        s->tracer->def.seed = 500 + (uint64_t)k;
        ratio[k] = 0.0;
        stage_line(s, 0, 0);
        for (int i = 0; i < PIXELS; i++) {
            const double off = (double)s->part[2][i] - truth[i];
            ratio[k] += (double)s->part[2][i]/all;
            if (!(truth[i] > 0.0))
                continue;
            square += off*off/(truth[i] + 25.0);
            count++;
        }
        mean += ratio[k]/SEEDS;
    }
    for (int k = 0; k < SEEDS; k++)
        spread += (ratio[k] - mean)*(ratio[k] - mean);
    *sum = mean;
    *sum_error = sqrt(spread/(SEEDS - 1)/SEEDS);
    *rays = lr_work_count(s->work)->rays[LR_RAY_CAMERA];
    assert_true(count > SEEDS*PIXELS/3);
    stage_destroy(s);
    return sqrt(square/count);
}

static void looks_need_no_rays(void **state)
{
    (void)state;
    char text[1024];
    double truth[PIXELS] = {0.0}, sum, error, plain_sum, plain_error;
    int64_t rays, plain_rays;
    ground(text, sizeof text, 0);
    stage *s = stage_create(text, HEAD, 16384);
    stage_line(s, 0, 0);
    for (int i = 0; i < PIXELS; i++)
        truth[i] = (double)s->part[2][i];
    stage_destroy(s);
    // Ground that is said to move is looked at by rays alone.
    const double flat = error_of(0, truth, &sum, &error, &rays), plain = error_of(1, truth, &plain_sum, &plain_error, &plain_rays);
    printf("error over noise %.3f, by rays alone %.3f; sums %.5f +- %.5f, %.5f +- %.5f of the truth; camera rays %lld, %lld\n", flat, plain, sum, error, plain_sum, plain_error,
           (long long)rays, (long long)plain_rays);
    assert_true(flat < 0.5*plain && rays < plain_rays);
    assert_true(plain > 0.25);
    assert_near(sum, 1.0, 5.0*error + 2e-4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(places_on_the_picture), cmocka_unit_test(looks_need_no_rays)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
