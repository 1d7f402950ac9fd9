// SPDX-License-Identifier: Apache-2.0
// One picture twice: by the fast method, and by brute force, camera paths alone that meet a thick sheet by chance. The brute force is
// written here: it draws matte directions and mirrors itself and shares nothing with the fast method but rays and shadows.
#include "indirect_stage.h"

#include "core/rng.h"

#define PATHS 400000
#define STEPS 60
#define POINTS 16
#define SIGMA_M 0.025   // thickness_mm 100, no divergence
#define FAN_RAD (100.0*LR_PI/180.0)
#define LASER_M (-0.04)

// A room with a box in the sheet's way and a mirror that the sheet does not meet, since no camera path could find the laser in it.
static const char scene_text[] =
    "{\"format\": \"lanternroom-scene/1\", \"name\": \"room\", \"objects\": ["
    " {\"name\": \"room\", \"shape\": \"room\", \"size_m\": [4, 3, 2.6], \"center_m\": [0.4, 0.2, 0.1], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.6}},"
    " {\"name\": \"box\", \"shape\": \"box\", \"size_m\": [0.6, 1.2, 0.7], \"center_m\": [1.5, 0.1, -0.85], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.3}},"
    " {\"name\": \"mirror\", \"shape\": \"box\", \"size_m\": [1.4, 0.02, 1.4], \"center_m\": [0.8, 1.6, 0], \"material\": {\"kind\": \"mirror\", \"reflectance\": 0.9}}], \"lights\": []}";

static uint32_t counter;
static float number(void)
{
    const uint32_t key[2] = {77, 0}, at[4] = {counter++, 0, 0, 0};
    uint32_t word[4];
    lr_philox(key, at, word);
    return lr_uniform(word[0]);
}

typedef struct walk { lr_vec3f from, d; double weight, light; int straight, alive; } walk;

// Power per area of the thick sheet at a world point, the head standing at the origin unturned.
static double sheet_at(lr_vec3f p, lr_vec3f n, lr_vec3f *to)
{
    *to = lr_v3f(-p.x, -p.y, (float)LASER_M - p.z);
    const double x = (double)p.x, z = (double)p.z - LASER_M, y = (double)p.y, r = sqrt(x*x + y*y + z*z), alpha = atan2(z, x);
    if (!(fabs(alpha) <= 0.5*FAN_RAD))
        return 0.0;
    const double cosine = (double)lr_dotf(n, *to)/r;
    return cosine > 0.0 ? cosine*exp(-0.5*y*y/(SIGMA_M*SIGMA_M))/(sqrt(2.0*LR_PI)*SIGMA_M)/(FAN_RAD*r) : 0.0;
}

static lr_vec3f matte_direction(lr_vec3f n)
{
    const float u = number(), v = number(), r = sqrtf(u), turn = 2.0f*(float)LR_PI*v;
    return lr_unitf(lr_frame_tof(lr_frame_aroundf(n), lr_v3f(r*cosf(turn), r*sinf(turn), sqrtf(1.0f - u))));
}

// One step of a batch of walks: rays, what lies there, light of the sheet there, on.
static void step_walks(const stage *s, lr_rays *rays, lr_rays *shadow, walk *w, int *index, double *value)
{
    int count = 0;
    lr_bvh_intersect(s->bvh, rays, LR_RAYS_INCOHERENT);
    shadow->count = 0;
    for (int k = 0; k < rays->count; k++) {
        walk *x = &w[index[k]];
        lr_vec3f n = lr_v3f(rays->nx[k], rays->ny[k], rays->nz[k]), to;
        const lr_vec3f p = lr_madf(x->from, rays->t[k], x->d);
        assert_true(rays->object[k] >= 0);
        if (lr_dotf(n, x->d) > 0.0f)
            n = lr_mulf(n, -1.0f);
        x->from = lr_madf(p, 2e-5f, n);
        if (s->scene->object[rays->object[k]].label == 3) {
            x->d = lr_madf(x->d, -2.0f*lr_dotf(n, x->d), n);
            x->weight *= 0.9;
            x->straight = 0;
            index[count++] = index[k];
            continue;
        }
        const double rho = s->scene->object[rays->object[k]].label == 1 ? 0.6 : 0.3, e = sheet_at(p, n, &to);
        if (!x->straight && e > 0.0) {   // straight from the camera it is direct light
            const int slot = shadow->count++;
            const float far = sqrtf(lr_dotf(to, to));
            shadow->ox[slot] = x->from.x; shadow->oy[slot] = x->from.y; shadow->oz[slot] = x->from.z;
            shadow->dx[slot] = to.x/far; shadow->dy[slot] = to.y/far; shadow->dz[slot] = to.z/far;
            shadow->t_near[slot] = 0.0f; shadow->t_far[slot] = far - 1e-4f; shadow->time_s[slot] = 0.0f;
            value[slot] = x->weight*rho/LR_PI*e;
            shadow->primitive[slot] = index[k];
        }
        x->straight = 0;
        if (number() < (float)rho) {
            x->d = matte_direction(n);
            index[count++] = index[k];
        }
    }
    if (shadow->count)
        lr_bvh_occluded(s->bvh, shadow, LR_RAYS_INCOHERENT);
    for (int k = 0; k < shadow->count; k++)
        if (!shadow->blocked[k])
            w[shadow->primitive[k]].light += value[k];
    rays->count = count;
    for (int k = 0; k < count; k++) {
        const walk *x = &w[index[k]];
        rays->ox[k] = x->from.x; rays->oy[k] = x->from.y; rays->oz[k] = x->from.z;
        rays->dx[k] = x->d.x; rays->dy[k] = x->d.y; rays->dz[k] = x->d.z;
        rays->t_near[k] = 0.0f; rays->t_far[k] = INFINITY; rays->time_s[k] = 0.0f;
    }
}

static mean_radiance brute_pixel(const stage *s, int pixel)
{
    enum { BATCH = 4000 };
    const lr_rig_camera *camera = &s->rig->module[0].camera[0];
    lr_rays rays, shadow;
    lr_error err;
    stage_need(lr_rays_create(BATCH, &rays, &err), &err);
    stage_need(lr_rays_create(BATCH, &shadow, &err), &err);
    walk *w = calloc(BATCH, sizeof *w);
    int *index = calloc(BATCH, sizeof *index);
    double *value = calloc(BATCH, sizeof *value), sum = 0.0, square = 0.0;
    for (int batch = 0; batch < PATHS/BATCH; batch++) {
        rays.count = BATCH;
        for (int k = 0; k < BATCH; k++) {
            const float along = number(), across = number() - 0.5f;
            const lr_vec3f a = camera->edge[pixel], b = camera->edge[pixel + 1];
            const lr_vec3f d = lr_unitf(lr_madf(lr_madf(lr_mulf(a, 1.0f - along), along, b), across, camera->across[pixel]));
            w[k] = (walk){lr_v3f_of(camera->in_module.origin), d, 1.0, 0.0, 1, 1};
            index[k] = k;
            rays.ox[k] = w[k].from.x; rays.oy[k] = w[k].from.y; rays.oz[k] = w[k].from.z;
            rays.dx[k] = d.x; rays.dy[k] = d.y; rays.dz[k] = d.z;
            rays.t_near[k] = 0.0f; rays.t_far[k] = INFINITY; rays.time_s[k] = 0.0f;
        }
        for (int step = 0; step < STEPS && rays.count > 0; step++)
            step_walks(s, &rays, &shadow, w, index, value);
        for (int k = 0; k < BATCH; k++) {
            sum += w[k].light;
            square += w[k].light*w[k].light;
        }
    }
    free(w);
    free(index);
    free(value);
    lr_rays_destroy(&rays);
    lr_rays_destroy(&shadow);
    const double mean = sum/PATHS;
    return (mean_radiance){mean, sqrt((square/PATHS - mean*mean)/PATHS)};
}

static void both_ways_agree(void **state)
{
    (void)state;
    stage *s = indirect_stage(scene_text,
        "\"height_mm\": 60, \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 2, \"f_number\": 2, \"transmission\": 1},"
        " \"sensor\": {\"pixels\": 160, \"pitch_um\": 20, \"width_um\": 20, \"quantum_efficiency\": 0.5}",
        "\"height_mm\": -40, \"fan_deg\": 100, \"thickness_mm\": 100, \"divergence_mrad\": 0, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}");
    mean_radiance *fast = calloc((size_t)s->pixels, sizeof *fast);
    indirect_line(s, 0, 64, 1, 32, fast);
    double chi2 = 0.0, brute_sum = 0.0, fast_sum = 0.0, error2 = 0.0;
    for (int k = 0; k < POINTS; k++) {
        const int i = 4 + k*10;
        const mean_radiance brute = brute_pixel(s, i);
        const double off = fast[i].mean - brute.mean, e = hypot(fast[i].error, brute.error);
        print_message("pixel %3d: fast %.5g +- %.2g, brute force %.5g +- %.2g (%+.2f standard errors)\n", i, fast[i].mean, fast[i].error, brute.mean, brute.error, off/e);
        chi2 += off*off/(e*e);
        brute_sum += brute.mean;
        fast_sum += fast[i].mean;
        error2 += e*e;
    }
    print_message("chi-square %.1f for %d pixels; sums %.5g and %.5g, %+.2f %% +- %.2f %%\n", chi2, POINTS, fast_sum, brute_sum,
                  100.0*(fast_sum/brute_sum - 1.0), 100.0*sqrt(error2)/brute_sum);
    assert_true(chi2 < POINTS + 5.0*sqrt(2.0*POINTS));   // mean and five standard deviations of chi-square
    assert_near(fast_sum, brute_sum, 5.0*sqrt(error2));
    assert_true(sqrt(error2) < 0.01*brute_sum);
    free(fast);
    stage_destroy(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(both_ways_agree)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
