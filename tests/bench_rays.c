// SPDX-License-Identifier: Apache-2.0
// Rays per second by kind of ray, in a furnished room: through lr_bvh, one ray a call, and by bare packet calls.
//   bench_rays [triangles] [curved] [thousand rays]
// Kinds differ tenfold, so a blended rate would mislead.
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "rooms.h"
#include "trace/bvh.h"

enum { REPEATS = 7, PIXELS = 2048 };

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

static void set_ray(lr_rays *rays, int k, lr_vec3 origin, lr_vec3 direction, double t_far)
{
    rays->ox[k] = (float)origin.x, rays->oy[k] = (float)origin.y, rays->oz[k] = (float)origin.z;
    rays->dx[k] = (float)direction.x, rays->dy[k] = (float)direction.y, rays->dz[k] = (float)direction.z;
    rays->t_near[k] = 0.0f, rays->t_far[k] = (float)t_far, rays->time_s[k] = 0.0f;
}

static lr_vec3 hit_point(const lr_rays *rays, int k)
{
    const lr_vec3 o = {(double)rays->ox[k], (double)rays->oy[k], (double)rays->oz[k]}, d = {(double)rays->dx[k], (double)rays->dy[k], (double)rays->dz[k]};
    const lr_vec3 n = {(double)rays->nx[k], (double)rays->ny[k], (double)rays->nz[k]};
    return lr_mad(lr_mad(o, (double)rays->t[k], d), lr_dot(n, d) < 0 ? 1e-5 : -1e-5, n);
}

static lr_vec3 facing_normal(const lr_rays *rays, int k)
{
    const lr_vec3 d = {(double)rays->dx[k], (double)rays->dy[k], (double)rays->dz[k]}, n = {(double)rays->nx[k], (double)rays->ny[k], (double)rays->nz[k]};
    return lr_dot(n, d) < 0 ? n : lr_mul(n, -1);
}

// Lines of 2048 pixels over 100 deg of elevation, pixel after pixel, the head turning 0.1 deg a line.
static void camera_rays(lr_rays *rays)
{
    for (int k = 0; k < rays->count; k++) {
        const double e = 100*LR_DEG*(0.5 - (k%PIXELS + 0.5)/PIXELS), a = 0.1*LR_DEG*(k/PIXELS)*7;
        set_ray(rays, k, lr_v3(0.03*cos(a), 0.03*sin(a), 1.245), lr_v3(cos(e)*cos(a), cos(e)*sin(a), sin(e)), (double)INFINITY);
    }
}

static void shadow_to(lr_rays *out, const lr_rays *hits, int k, lr_vec3 target)
{
    const lr_vec3 p = hit_point(hits, k), way = lr_sub(target, p);
    const double far_m = lr_length(way);
    set_ray(out, k, p, lr_mul(way, 1/far_m), far_m - 2e-5);
}

static void laser_shadows(lr_rays *out, const lr_rays *hits)
{
    for (int k = 0; k < out->count; k++)
        shadow_to(out, hits, k, lr_v3(0, 0, 1.2));
}

// To a point that the same line sees: by turns along the curve, or at random.
static void connections(lr_rays *out, const lr_rays *hits, int sorted, uint32_t *state)
{
    for (int k = 0; k < out->count; k++) {
        const int line = k/PIXELS*PIXELS, length = hits->count - line < PIXELS ? hits->count - line : PIXELS;
        const int other = sorted ? k%length : (int)(length*room_uniform(state));
        const int from = sorted ? (k/16*977)%length : k - line;
        const lr_vec3 p = hit_point(hits, line + from), way = lr_sub(hit_point(hits, line + other), p);
        const double far_m = lr_length(way);
        set_ray(out, k, p, far_m > 1e-3 ? lr_mul(way, 1/far_m) : lr_v3(0, 0, 1), far_m > 1e-3 ? far_m - 2e-5 : 1e-3);
    }
}

static void bounces(lr_rays *out, const lr_rays *hits, uint32_t *state)
{
    for (int k = 0; k < out->count; k++) {
        const double u = room_uniform(state), phi = 2*LR_PI*room_uniform(state), s = sqrt(u);
        const lr_mat3 frame = lr_frame_around(facing_normal(hits, k));
        set_ray(out, k, hit_point(hits, k), lr_rotate(frame, lr_v3(s*cos(phi), s*sin(phi), sqrt(1 - u))), (double)INFINITY);
    }
}

static void trace(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order, int occlusion)
{
    if (occlusion)
        lr_bvh_occluded(bvh, rays, order);
    else
        lr_bvh_intersect(bvh, rays, order);
}

static double one_by_one(const lr_bvh *bvh, const lr_rays *rays, lr_ray_order order, int occlusion)
{
    const double start = now_s();
    for (int k = 0; k < rays->count; k++) {
        lr_rays one = *rays;  // a batch of one, moved to lane 0 of a packet of its own
        one.count = 1;
        one.ox += k, one.oy += k, one.oz += k, one.dx += k, one.dy += k, one.dz += k, one.t_near += k, one.t_far += k, one.time_s += k;
        trace(bvh, &one, order, occlusion);
    }
    return now_s() - start;
}

static int rising(const void *a, const void *b) { return (*(const double *)a > *(const double *)b) - (*(const double *)a < *(const double *)b); }

static void report(const char *name, const lr_bvh *bvh, lr_rays *rays, lr_ray_order order, int occlusion)
{
    double through[REPEATS], bare[REPEATS], single[REPEATS];
    for (int r = 0; r < REPEATS; r++) {
        const double start = now_s();
        trace(bvh, rays, order, occlusion);
        through[r] = now_s() - start;
        bare[r] = lr_bvh_bare_seconds(bvh, rays, order, occlusion ? LR_ASK_BLOCKED : LR_ASK_NEAREST);
        single[r] = r < 3 ? one_by_one(bvh, rays, order, occlusion) : single[0];
    }
    qsort(through, REPEATS, sizeof through[0], rising);
    qsort(bare, REPEATS, sizeof bare[0], rising);
    qsort(single, 3, sizeof single[0], rising);
    const double n = 1e-6*rays->count;
    printf("%-34s %8.2f %8.2f %8.2f %8.0f %%\n", name, n/through[REPEATS/2], n/bare[REPEATS/2], n/single[1], 100*bare[REPEATS/2]/through[REPEATS/2]);
}

int main(int argc, char **argv)
{
    const int triangles = argc > 1 ? atoi(argv[1]) : 100000, curved = argc > 2 ? atoi(argv[2]) : 300, count = 1000*(argc > 3 ? atoi(argv[3]) : 512);
    lr_error err = {{0}};
    room *r = room_furnished(1, triangles, curved);
    lr_bvh *bvh = NULL;
    lr_rays hits, rays;
    if (lr_bvh_create(&r->scene, 1, &bvh, &err) != LR_OK || lr_rays_create(count + 16, &hits, &err) != LR_OK ||
        lr_rays_create(count + 16, &rays, &err) != LR_OK) {
        fprintf(stderr, "%s\n", err.text);
        return 1;
    }
    uint32_t state = 7;
    hits.count = rays.count = count;
    printf("%d triangles asked, %d curved, %d rays, one thread\n%-34s %8s %8s %8s %10s\n", triangles, curved, count, "Mrays/s", "packets", "bare", "single", "of bare");
    camera_rays(&hits);
    report("camera, coherent", bvh, &hits, LR_RAYS_COHERENT, 0);
    laser_shadows(&rays, &hits);
    report("laser shadow, coherent", bvh, &rays, LR_RAYS_COHERENT, 1);
    connections(&rays, &hits, 1, &state);
    report("connection, sorted", bvh, &rays, LR_RAYS_INCOHERENT, 1);
    connections(&rays, &hits, 0, &state);
    report("connection, random", bvh, &rays, LR_RAYS_INCOHERENT, 1);
    bounces(&rays, &hits, &state);
    report("first bounce", bvh, &rays, LR_RAYS_INCOHERENT, 0);
    lr_rays_destroy(&hits);
    lr_rays_destroy(&rays);
    lr_bvh_destroy(bvh);
    room_destroy(r);
    return 0;
}
