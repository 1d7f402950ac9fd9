// SPDX-License-Identifier: Apache-2.0
// Rays against things at rest: closed forms, brute force, leaks, packets.
#include "brute.h"
#include "close.h"
#include "core/thread.h"

static lr_bvh *build(const room *r)
{
    lr_bvh *bvh = NULL;
    lr_error err = {{0}};
    if (lr_bvh_create(&r->scene, 1, &bvh, &err) != LR_OK)
        fail_msg("%s", err.text);
    return bvh;
}

static lr_rays rays_of(int capacity)
{
    lr_rays rays;
    assert_int_equal(lr_rays_create(capacity, &rays, NULL), LR_OK);
    return rays;
}

static int escaping(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order)
{
    int escaped = 0;
    lr_bvh_intersect(bvh, rays, order);
    for (int k = 0; k < rays->count; k++)
        escaped += rays->object[k] != 0;
    return escaped;
}

// Somewhere on edge 0-1 of a triangle, `along` it; 0 is its corner.
static void aim_at_edge(lr_rays *rays, int k, const lr_object *o, int triangle, double along)
{
    const lr_vec3 a = brute_corner(o, triangle, 0), b = brute_corner(o, triangle, 1);
    const lr_vec3 target = lr_pose_point(o->pose, lr_mad(a, along, lr_sub(b, a)));
    const lr_vec3 from = {(double)rays->ox[k], (double)rays->oy[k], (double)rays->oz[k]};
    brute_set(rays, k, from, lr_unit(lr_sub(target, from)), 0, (double)INFINITY, 0);
}

// Random rays: none escapes. Rays aimed at an edge: at most one in a hundred thousand. Rays aimed at a corner, where six
// triangles meet within the rounding of the ray: at most one in a thousand.
static void closed_room_is_tight(void **state)
{
    (void)state;
    enum { BATCH = 4096, BATCHES = 512 };  // 2.1 million random rays; a quarter as many at edges and at corners
    room *r = room_create();
    lr_mesh *mesh = room_mesh_box(r, (double[3]){6, 5, 3}, 1, 12);
    room_add_mesh(r, mesh, room_turned(0.3, -0.2, 1.5, 0.1, 0.2, 0.7), 1.0, room_material(r, LR_MATERIAL_DIFFUSE, 0.5));
    lr_bvh *bvh = build(r);
    lr_rays rays = rays_of(BATCH);
    uint32_t seed = 11;
    int at_random = 0, at_edges = 0, at_corners = 0, aimed = 0;
    for (int b = 0; b < BATCHES; b++) {
        const lr_ray_order order = b/2%2 ? LR_RAYS_COHERENT : LR_RAYS_INCOHERENT;
        brute_random(&rays, BATCH, lr_v3(-0.5, -0.5, 1), lr_v3(0.5, 0.5, 2), &seed);
        at_random += escaping(bvh, &rays, order);
        if (b%4)
            continue;
        for (int corner = 0; corner < 2; corner++) {
            for (int k = 0; k < BATCH; k++) {
                const int triangle = (int)(mesh->triangle_count*room_uniform(&seed));
                aim_at_edge(&rays, k, r->scene.object, triangle, corner ? 0 : room_uniform(&seed));
            }
            *(corner ? &at_corners : &at_edges) += escaping(bvh, &rays, order);
        }
        aimed += BATCH;
    }
    assert_int_equal(at_random, 0);
    assert_near((double)at_edges, 0, aimed/1e5);
    assert_near((double)at_corners, 0, aimed/1e3);
    lr_rays_destroy(&rays);
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

// Inside an upright box about the origin: the least of (+-h - o)/d over the three axes.
static double box_distance(const lr_rays *rays, int k, lr_vec3 h)
{
    const double o[3] = {(double)rays->ox[k], (double)rays->oy[k], (double)rays->oz[k]}, d[3] = {(double)rays->dx[k], (double)rays->dy[k], (double)rays->dz[k]};
    const double half[3] = {h.x, h.y, h.z};
    double t = (double)INFINITY;
    for (int a = 0; a < 3; a++)
        if (d[a] != 0)
            t = fmin(t, (copysign(half[a], d[a]) - o[a])/d[a]);
    return t;
}

static void ranges_to_flat_walls(void **state)
{
    (void)state;
    enum { COUNT = 20000 };
    room *r = room_create();
    room_add_mesh(r, room_mesh_box(r, (double[3]){10, 10, 10}, 1, 7), lr_pose_identity(), 1.0, room_material(r, LR_MATERIAL_DIFFUSE, 0.5));
    lr_bvh *bvh = build(r);
    lr_rays rays = rays_of(COUNT);
    uint32_t seed = 5;
    brute_random(&rays, COUNT, lr_v3(-0.5, -0.5, -0.5), lr_v3(0.5, 0.5, 0.5), &seed);
    lr_bvh_intersect(bvh, &rays, LR_RAYS_INCOHERENT);
    double squares = 0;
    int near_5 = 0;
    for (int k = 0; k < COUNT; k++) {
        const double want = box_distance(&rays, k, lr_v3(5, 5, 5));
        assert_rel((double)rays.t[k], want, 2e-6);
        // Inwards and axis-parallel; a seam of two walls may give either.
        const double inwards = (double)rays.nx[k]*(double)rays.dx[k] + (double)rays.ny[k]*(double)rays.dy[k] + (double)rays.nz[k]*(double)rays.dz[k];
        assert_true(inwards < 0);
        assert_near(fabs((double)rays.nx[k]) + fabs((double)rays.ny[k]) + fabs((double)rays.nz[k]), 1.0, 1e-6);
        if (want < 6) {
            squares += ((double)rays.t[k] - want)*((double)rays.t[k] - want);
            near_5++;
        }
    }
    assert_true(near_5 > COUNT/3);
    assert_near(sqrt(squares/near_5), 0.0, 1e-6);
    lr_rays_destroy(&rays);
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

// Sphere of radius R at c, ray o + t d:  t = (-b - sqrt(b^2 - a q))/a,  a = d.d, b = d.(o-c), q = (o-c)^2 - R^2.  In long double.
static long double sphere_distance(const lr_rays *rays, int k, lr_vec3 c, double radius)
{
    const long double x = (long double)rays->ox[k] - (long double)c.x, y = (long double)rays->oy[k] - (long double)c.y, z = (long double)rays->oz[k] - (long double)c.z;
    const long double dx = (long double)rays->dx[k], dy = (long double)rays->dy[k], dz = (long double)rays->dz[k], r = (long double)radius;
    const long double a = dx*dx + dy*dy + dz*dz, b = x*dx + y*dy + z*dz, q = x*x + y*y + z*z - r*r;
    return (-b - sqrtl(b*b - a*q))/a;
}

static void ranges_to_a_sphere_at_20_m(void **state)
{
    (void)state;
    enum { COUNT = 20000 };
    room *r = room_create();
    const lr_vec3 c = {3.1, -2.2, 0.7};
    room_add_curved(r, room_sphere(0.5), room_turned(c.x, c.y, c.z, 0.3, 0.2, 0.1), room_material(r, LR_MATERIAL_DIFFUSE, 0.5));
    lr_bvh *bvh = build(r);
    lr_rays rays = rays_of(COUNT);
    rays.count = COUNT;
    uint32_t seed = 5;
    for (int k = 0; k < COUNT; k++) {
        const lr_vec3 o = lr_mad(c, 20.0, brute_direction(&seed)), aim = lr_mad(c, 0.499, brute_direction(&seed));
        brute_set(&rays, k, o, lr_unit(lr_sub(aim, o)), 0, (double)INFINITY, 0);
    }
    lr_bvh_intersect(bvh, &rays, LR_RAYS_INCOHERENT);
    for (int k = 0; k < COUNT; k++) {
        assert_int_equal(rays.object[k], 0);
        // Half a step of float between 16 and 32 m is 0.95 um; the rest is exact.
        assert_near((double)rays.t[k], (double)sphere_distance(&rays, k, c, 0.5), 1e-6);
        const double x = (double)rays.ox[k] + (double)rays.t[k]*(double)rays.dx[k] - c.x;
        assert_near((double)rays.nx[k], x/0.5, 4e-6);
    }
    lr_rays_destroy(&rays);
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

// How far two roads to one surface may differ, off the surface; along the ray it is as much over the cosine, without limit where a ray grazes.
// Both roads take about 24 roundings of numbers up to 4 m, to steps of 2.4e-7 m: evenly spread, sqrt(24/12) 2.4e-7 m = 3.4e-7 m rms. Five of that.
//   Corners in the world, corner less origin, numerator and denominator of t (three products, two sums each); a shared mesh besides: its matrix,
//   the inverse of that, and the ray into its frame (three products, three sums).
#define OFF_SURFACE_M 1.7e-6

static double cosine_at(const lr_rays *r, int k, lr_vec3 normal)
{
    return fabs((double)r->dx[k]*normal.x + (double)r->dy[k]*normal.y + (double)r->dz[k]*normal.z);
}

// Same thing, or another within as much of it: rays through an edge may be given to either side.
static void assert_same_hit(const lr_rays *rays, int k, const brute_hit *want)
{
    if (want->object < 0) {
        assert_int_equal(rays->object[k], -1);
        assert_true(isinf(rays->t[k]));
        return;
    }
    const double cosine = cosine_at(rays, k, want->normal);
    assert_near((double)rays->t[k]*cosine, want->t*cosine, OFF_SURFACE_M);
    if (rays->object[k] != want->object || rays->primitive[k] != want->primitive)
        return;
    assert_near((double)rays->nx[k], want->normal.x, 1e-6);
    assert_near((double)rays->ny[k], want->normal.y, 1e-6);
    assert_near((double)rays->nz[k], want->normal.z, 1e-6);
    assert_near((double)rays->u[k], want->u, 1e-4);
    assert_near((double)rays->v[k], want->v, 1e-4);
}

// Everything at once: triangles, shared meshes, curved shapes, panes, all orders of depth.
static room *mixed_room(int share)
{
    room *r = room_furnished(3, 3000, 60);
    const int glass = room_material(r, LR_MATERIAL_PANE, 0.0), grey = 1;
    room_add_mesh(r, room_mesh_rectangle(r, 1.5, 1.0, 2), room_turned(0.9, 0.1, 1.5, 0.3, 1.2, 0), 1.0, glass);
    room_add_curved(r, room_sphere(0.2), room_at(-0.6, 0.3, 1.4), glass);
    lr_mesh *ball = room_mesh_ball(r, 0.3, 72);  // 20736 triangles
    room_add_mesh(r, ball, room_turned(0.2, -1.2, 1.0, 0.5, 0.1, 0.9), 0.7, grey);
    room_add_mesh(r, share ? ball : room_mesh_ball(r, 0.3, 72), room_turned(-0.9, 0.9, 2.0, 1.5, 2.1, 0.4), 1.3, grey);
    return r;
}

static void nearest_equals_brute_force(void **state)
{
    (void)state;
    enum { COUNT = 1500 };
    room *r = mixed_room(1);
    lr_bvh *bvh = build(r);
    lr_rays rays = rays_of(COUNT);
    uint32_t seed = 21;
    brute_random(&rays, COUNT, lr_v3(-2, -2, 0.2), lr_v3(2, 2, 2.8), &seed);
    for (int k = 0; k < COUNT; k += 5)
        rays.t_far[k] = 1.0f;
    for (int k = 0; k < COUNT; k += 7)
        rays.t_near[k] = 0.5f;
    lr_bvh_intersect(bvh, &rays, LR_RAYS_INCOHERENT);
    int same = 0, missed = 0, kinds[4] = {0};
    for (int k = 0; k < COUNT; k++) {
        const brute_hit want = brute_nearest(&r->scene, &rays, k);
        assert_same_hit(&rays, k, &want);
        same += rays.object[k] == want.object && rays.primitive[k] == want.primitive;
        missed += want.object < 0;
        const lr_object *o = want.object < 0 ? NULL : &r->scene.object[want.object];
        kinds[!o ? 0 : o->material[0] == 2 ? 1 : !o->mesh ? 2 : 3]++;
    }
    assert_true(same >= COUNT - COUNT/200);
    assert_true(missed > 50);
    for (int k = 0; k < 4; k++)
        assert_true(kinds[k] > 10);  // panes, curved and triangles were all met
    lr_rays_destroy(&rays);
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

static void shared_mesh_equals_copies(void **state)
{
    (void)state;
    enum { COUNT = 50000 };
    room *shared = mixed_room(1), *copied = mixed_room(0);
    lr_bvh *a = build(shared), *b = build(copied);
    lr_rays ra = rays_of(COUNT), rb = rays_of(COUNT);
    uint32_t seed = 4, again = 4;
    brute_random(&ra, COUNT, lr_v3(-2, -2, 0.2), lr_v3(2, 2, 2.8), &seed);
    brute_random(&rb, COUNT, lr_v3(-2, -2, 0.2), lr_v3(2, 2, 2.8), &again);
    lr_bvh_intersect(a, &ra, LR_RAYS_INCOHERENT);
    lr_bvh_intersect(b, &rb, LR_RAYS_INCOHERENT);
    int other = 0, on_balls = 0;
    for (int k = 0; k < COUNT; k++) {
        if (ra.object[k] != rb.object[k] || ra.primitive[k] != rb.primitive[k]) {
            other++;
            continue;
        }
        on_balls += ra.object[k] >= shared->scene.object_count - 2;
        const double cosine = cosine_at(&ra, k, lr_v3((double)ra.nx[k], (double)ra.ny[k], (double)ra.nz[k]));
        assert_near((double)ra.t[k]*cosine, (double)rb.t[k]*cosine, OFF_SURFACE_M);
        assert_near((double)ra.nx[k], (double)rb.nx[k], 1e-6);
        assert_near((double)ra.nz[k], (double)rb.nz[k], 1e-6);
    }
    assert_true(on_balls > COUNT/100);
    assert_true(other < COUNT/1000);  // rays within a micrometre of an edge
    lr_rays_destroy(&ra), lr_rays_destroy(&rb);
    lr_bvh_destroy(a), lr_bvh_destroy(b);
    room_destroy(shared), room_destroy(copied);
}

static void blocked_equals_hit(void **state)
{
    (void)state;
    enum { COUNT = 100000 };
    room *r = room_furnished(9, 5000, 100);
    lr_bvh *bvh = build(r);
    lr_rays rays = rays_of(COUNT);
    uint32_t seed = 2;
    brute_random(&rays, COUNT, lr_v3(-2, -2, 0.2), lr_v3(2, 2, 2.8), &seed);
    for (int k = 0; k < COUNT; k++)
        rays.t_far[k] = (float)room_between(&seed, 0.01, 4);
    for (int order = LR_RAYS_COHERENT; order <= LR_RAYS_INCOHERENT; order++) {
        lr_bvh_intersect(bvh, &rays, (lr_ray_order)order);
        lr_bvh_occluded(bvh, &rays, (lr_ray_order)order);
        int blocked = 0;
        for (int k = 0; k < COUNT; k++) {
            assert_int_equal(rays.blocked[k], rays.object[k] >= 0);
            blocked += rays.blocked[k];
        }
        assert_in_range(blocked, COUNT/5, COUNT*4/5);
    }
    lr_rays_destroy(&rays);
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

static void copy_ray(lr_rays *to, int i, const lr_rays *from, int k)
{
    to->ox[i] = from->ox[k], to->oy[i] = from->oy[k], to->oz[i] = from->oz[k];
    to->dx[i] = from->dx[k], to->dy[i] = from->dy[k], to->dz[i] = from->dz[k];
    to->t_near[i] = from->t_near[k], to->t_far[i] = from->t_far[k], to->time_s[i] = from->time_s[k];
}

static void assert_same_bits(const lr_rays *a, int i, const lr_rays *b, int k)
{
    assert_memory_equal(&a->t[i], &b->t[k], sizeof(float));
    assert_memory_equal(&a->nx[i], &b->nx[k], sizeof(float));
    assert_memory_equal(&a->u[i], &b->u[k], sizeof(float));
    assert_memory_equal(&a->v[i], &b->v[k], sizeof(float));
    assert_int_equal(a->object[i], b->object[k]);
    assert_int_equal(a->primitive[i], b->primitive[k]);
    assert_int_equal(a->blocked[i], b->blocked[k]);
}

// Rays said to be coherent that go everywhere, near and far: every call returns, and shadow rays agree with nearest hits.
static void coherent_rays_to_all_sides(void **state)
{
    (void)state;
    enum { COUNT = 4096, BATCHES = 24 };
    room *r = mixed_room(1);
    lr_bvh *bvh = build(r);
    lr_rays rays = rays_of(COUNT);
    uint32_t seed = 8;
    int met = 0;
    for (int n = 0; n < BATCHES; n++) {
        brute_random(&rays, COUNT, lr_v3(-2, -2, 0.2), lr_v3(2, 2, 2.8), &seed);
        for (int i = 0; i < COUNT && n % 3 > 0; i++)
            rays.t_far[i] = (float)((i*7919 + n) % 1000)*0.004f;
        lr_bvh_intersect(bvh, &rays, LR_RAYS_COHERENT);
        lr_bvh_occluded_panes(bvh, &rays, LR_RAYS_COHERENT);
        for (int i = 0; i < COUNT; i++) {
            assert_int_equal(rays.blocked[i] | rays.panes[i], rays.object[i] >= 0);
            met += rays.object[i] >= 0;
        }
    }
    assert_in_range(met, BATCHES*COUNT/10, BATCHES*COUNT);
    lr_rays_destroy(&rays);
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

// Batches of 1 .. 33 at any place give the bits of the whole batch, and leave what lies past their end alone.
static void every_batch_size_and_place(void **state)
{
    (void)state;
    enum { COUNT = 4096, MOST = 33 };
    room *r = mixed_room(1);
    lr_bvh *bvh = build(r);
    lr_rays all = rays_of(COUNT), some = rays_of(64);
    for (int order = LR_RAYS_COHERENT; order <= LR_RAYS_INCOHERENT; order++) {
        uint32_t seed = 8;
        brute_random(&all, COUNT, lr_v3(-2, -2, 0.2), lr_v3(2, 2, 2.8), &seed);
        lr_bvh_intersect(bvh, &all, (lr_ray_order)order);
        lr_bvh_occluded(bvh, &all, (lr_ray_order)order);
        int next = 5;
        for (int size = 0; size <= MOST; size++)
            for (int turn = 0; turn < 4; turn++) {
                const int from = next, step = turn + 1;
                next = (next + 501)%(COUNT - 4*MOST);
                for (int i = 0; i < size; i++)
                    copy_ray(&some, i, &all, from + i*step);
                some.count = size;
                some.t[size] = -77.0f;
                some.object[size] = -77;
                some.blocked[size] = 77;
                lr_bvh_intersect(bvh, &some, (lr_ray_order)order);
                lr_bvh_occluded(bvh, &some, (lr_ray_order)order);
                for (int i = 0; i < size; i++)
                    assert_same_bits(&some, i, &all, from + i*step);
                assert_true(some.t[size] == -77.0f && some.object[size] == -77 && some.blocked[size] == 77);
            }
    }
    lr_rays_destroy(&all), lr_rays_destroy(&some);
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

static void bad_rays_hit_nothing(void **state)
{
    (void)state;
    room *r = room_furnished(3, 1000, 20);
    lr_bvh *bvh = build(r);
    lr_rays good = rays_of(16), bad = rays_of(16);
    uint32_t seed = 1;
    brute_random(&good, 16, lr_v3(-0.3, -0.3, 1), lr_v3(0.3, 0.3, 1.4), &seed);
    lr_bvh_intersect(bvh, &good, LR_RAYS_INCOHERENT);
    for (int k = 0; k < 16; k++)
        copy_ray(&bad, k, &good, k);
    bad.count = 16;
    bad.ox[1] = NAN, bad.dz[3] = NAN, bad.t_near[5] = NAN, bad.t_far[7] = NAN, bad.t_far[9] = -1.0f, bad.oy[11] = INFINITY;
    lr_bvh_intersect(bvh, &bad, LR_RAYS_INCOHERENT);
    lr_bvh_occluded(bvh, &bad, LR_RAYS_COHERENT);
    for (int k = 0; k < 16; k++) {
        const int is_bad = k%2 == 1 && k < 12;
        assert_int_equal(bad.object[k], is_bad ? -1 : good.object[k]);
        assert_int_equal(bad.blocked[k], !is_bad);
    }
    lr_rays_destroy(&good), lr_rays_destroy(&bad);
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

static void empty_room(void **state)
{
    (void)state;
    room *r = room_create();
    lr_bvh *bvh = build(r);
    lr_rays rays = rays_of(20);
    uint32_t seed = 1;
    brute_random(&rays, 20, lr_v3(0, 0, 0), lr_v3(1, 1, 1), &seed);
    lr_bvh_intersect(bvh, &rays, LR_RAYS_INCOHERENT);
    lr_bvh_occluded(bvh, &rays, LR_RAYS_COHERENT);
    for (int k = 0; k < 20; k++)
        assert_true(rays.object[k] == -1 && isinf(rays.t[k]) && !rays.blocked[k]);
    assert_int_equal(lr_bvh_has_panes(bvh), 0);
    lr_rays_destroy(&rays);
    lr_bvh_destroy(bvh);
    room_destroy(r);
    lr_bvh_destroy(NULL);
    lr_rays_destroy(NULL);
}

static void rays_need_a_capacity(void **state)
{
    (void)state;
    lr_rays rays;
    assert_int_equal(lr_rays_create(0, &rays, NULL), LR_ERR_RANGE);
    assert_int_equal(lr_rays_create(-5, &rays, NULL), LR_ERR_RANGE);
    assert_int_equal(lr_rays_create(17, &rays, NULL), LR_OK);
    assert_int_equal(rays.capacity, 32);
    assert_int_equal((uintptr_t)rays.ox%64 + (uintptr_t)rays.t%64 + (uintptr_t)rays.object%64 + (uintptr_t)rays.blocked%64, 0);
    lr_rays_destroy(&rays);
}

typedef struct shared { const lr_bvh *bvh; lr_rays rays[8]; } shared;

static lr_status trace_job(void *context, int64_t job, int worker, lr_error *err)
{
    (void)worker, (void)err;
    shared *s = context;
    lr_bvh_intersect(s->bvh, &s->rays[job], LR_RAYS_INCOHERENT);
    lr_bvh_occluded(s->bvh, &s->rays[job], LR_RAYS_INCOHERENT);
    return LR_OK;
}

static void many_threads_at_once(void **state)
{
    (void)state;
    enum { COUNT = 5000 };
    room *r = mixed_room(1);
    shared s = {.bvh = build(r)};
    for (int j = 0; j < 8; j++) {
        uint32_t seed = 30;  // all jobs trace the same rays
        s.rays[j] = rays_of(COUNT);
        brute_random(&s.rays[j], COUNT, lr_v3(-2, -2, 0.2), lr_v3(2, 2, 2.8), &seed);
    }
    assert_int_equal(lr_threads_run(4, 8, trace_job, &s, NULL), LR_OK);
    for (int j = 1; j < 8; j++)
        for (int k = 0; k < COUNT; k++)
            assert_same_bits(&s.rays[j], k, &s.rays[0], k);
    for (int j = 0; j < 8; j++)
        lr_rays_destroy(&s.rays[j]);
    lr_bvh_destroy((lr_bvh *)s.bvh);
    room_destroy(r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(closed_room_is_tight),        cmocka_unit_test(ranges_to_flat_walls),
        cmocka_unit_test(ranges_to_a_sphere_at_20_m),  cmocka_unit_test(nearest_equals_brute_force),
        cmocka_unit_test(shared_mesh_equals_copies),   cmocka_unit_test(blocked_equals_hit),
        cmocka_unit_test(coherent_rays_to_all_sides),
        cmocka_unit_test(every_batch_size_and_place),  cmocka_unit_test(bad_rays_hit_nothing),
        cmocka_unit_test(empty_room),                  cmocka_unit_test(rays_need_a_capacity),
        cmocka_unit_test(many_threads_at_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
