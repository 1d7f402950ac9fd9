// SPDX-License-Identifier: Apache-2.0
// Curved shapes against an independent description of each: the exact distance to its surface, from its profile in
// (distance from the axis, height). Rays are held against marching along that distance, normals against its gradient,
// areas and samples against closed forms and against the count of crossings of random lines.
#include "close.h"

#include "core/rng.h"
#include "scene/shape.h"

#define RAYS 100000
#define REL_FORMULA 1e-13  // doubles, a dozen operations

// ---- Random numbers: fixed seed, one stream a test

typedef struct stream { uint32_t seed, at; } stream;

static double draw(stream *s)  // 0 <= . < 1, 53 bits
{
    uint32_t out[4];
    lr_philox((uint32_t[2]){s->seed, 0x5ca1ab1eu}, (uint32_t[4]){s->at++, 0, 0, 0}, out);
    return ((double)(out[0] >> 5)*0x1p26 + (double)(out[1] >> 6))*0x1p-53;
}

static lr_vec3 draw_direction(stream *s)
{
    const double z = 2.0*draw(s) - 1.0, a = 2.0*LR_PI*draw(s), r = sqrt(1.0 - z*z);
    return lr_v3(r*cos(a), r*sin(a), z);
}

// ---- The shapes, and the distance to each (negative inside closed ones)

typedef struct shape_case { const char *name; lr_curved curved; double area; int closed, convex; } shape_case;

#define SIDE(r1, r2, slant) (LR_PI*((r1) + (r2))*(slant))  // of a cone; slants below are Pythagorean
static const shape_case cases[] = {
    {"sphere", {LR_CURVED_SPHERE, 0.2, 0, 0, 0}, 4*LR_PI*0.04, 1, 1},
    {"cylinder", {LR_CURVED_CYLINDER, 0.1, 0, 0.6, 0}, 2*LR_PI*0.1*0.6 + 2*LR_PI*0.01, 1, 1},
    {"open cylinder", {LR_CURVED_CYLINDER, 0.3, 0, 0.2, 1}, 2*LR_PI*0.3*0.2, 0, 0},
    {"thin rod", {LR_CURVED_CYLINDER, 0.002, 0, 1.0, 0}, 2*LR_PI*0.002*1.0 + 2*LR_PI*4e-6, 1, 1},
    {"cone", {LR_CURVED_CONE, 0.2, 0, 0.48, 0}, SIDE(0.2, 0.0, 0.52) + LR_PI*0.04, 1, 1},
    {"upward cone", {LR_CURVED_CONE, 0.1, 0.3, 0.15, 0}, SIDE(0.1, 0.3, 0.25) + LR_PI*(0.01 + 0.09), 1, 1},
    {"open cone", {LR_CURVED_CONE, 0.2, 0.05, 0.36, 1}, SIDE(0.2, 0.05, 0.39), 0, 0},
    {"capsule", {LR_CURVED_CAPSULE, 0.1, 0, 0.4, 0}, 4*LR_PI*0.01 + 2*LR_PI*0.1*0.4, 1, 1},
    {"disc", {LR_CURVED_DISC, 0.4, 0, 0, 0}, LR_PI*0.16, 0, 0},
    {"washer", {LR_CURVED_DISC, 0.4, 0.3, 0, 0}, LR_PI*(0.16 - 0.09), 0, 0},
    {"torus", {LR_CURVED_TORUS, 0.4, 0.1, 0, 0}, 4*LR_PI*LR_PI*0.04, 1, 0},
    {"fat torus", {LR_CURVED_TORUS, 0.2, 0.19, 0, 0}, 4*LR_PI*LR_PI*0.2*0.19, 1, 0},
    {"thin torus", {LR_CURVED_TORUS, 0.5, 0.003, 0, 0}, 4*LR_PI*LR_PI*0.5*0.003, 1, 0},
};
#define CASES ((int)(sizeof cases/sizeof cases[0]))

static double to_segment(double x, double y, double ax, double ay, double bx, double by)
{
    const double dx = bx - ax, dy = by - ay, along = ((x - ax)*dx + (y - ay)*dy)/(dx*dx + dy*dy);
    const double s = fmax(0.0, fmin(1.0, along));
    return hypot(x - ax - s*dx, y - ay - s*dy);
}

static double cone_distance(const lr_curved *c, double high, double rho, double z)
{
    const double end = 0.5*c->height, side = to_segment(rho, z, c->radius, -end, high, end);
    if (c->open)
        return side;
    double d = fmin(side, to_segment(rho, z, 0, -end, c->radius, -end));
    if (high > 0)
        d = fmin(d, to_segment(rho, z, 0, end, high, end));
    const int inside = fabs(z) < end && rho < c->radius + (high - c->radius)*(z/c->height + 0.5);
    return inside ? -d : d;
}

static double distance(const lr_curved *c, lr_vec3 p)
{
    const double rho = hypot(p.x, p.y);
    switch (c->kind) {
    case LR_CURVED_SPHERE: return lr_length(p) - c->radius;
    case LR_CURVED_CYLINDER: return cone_distance(c, c->radius, rho, p.z);
    case LR_CURVED_CONE: return cone_distance(c, c->radius2, rho, p.z);
    case LR_CURVED_CAPSULE: return hypot(rho, fmax(0.0, fabs(p.z) - 0.5*c->height)) - c->radius;
    case LR_CURVED_DISC: return to_segment(rho, p.z, c->radius2, 0, c->radius, 0);
    case LR_CURVED_TORUS: return hypot(rho - c->radius, p.z) - c->radius2;
    default: return (double)NAN;
    }
}

static double reach(const lr_curved *c)  // radius of a ball around it
{
    const lr_box3 b = lr_curved_bounds(c);
    return lr_length(b.hi);
}

// A ray from `far_m` away towards a random place near the shape.
static void draw_ray(stream *s, const lr_curved *c, double far_m, lr_vec3 *origin, lr_vec3 *direction)
{
    const lr_box3 b = lr_curved_bounds(c);
    const lr_vec3 at = lr_v3(b.hi.x*1.2*(2*draw(s) - 1), b.hi.y*1.2*(2*draw(s) - 1), b.hi.z*1.2*(2*draw(s) - 1));
    *origin = lr_mul(draw_direction(s), far_m);
    *direction = lr_unit(lr_sub(at, *origin));
}

// First touch by steps of the distance itself: cannot step over anything. HUGE_VAL if it gets past.
static double march(const lr_curved *c, lr_vec3 o, lr_vec3 d, double most, double close)
{
    double t = fmax(0.0, -lr_dot(o, d) - 1.1*reach(c));
    while (t < most) {
        const double step = fabs(distance(c, lr_mad(o, t, d)));
        if (step < close)
            return t;
        t += step;
    }
    return HUGE_VAL;
}

// ---- Rays

// Far point: at 20 m doubles resolve 20 * 2^-53 = 2e-15 m; the promise is 1e-9 of the size.
static void hits_lie_on_the_surface_seen_from_20_m(void **state)
{
    (void)state;
    for (int k = 0; k < CASES; ++k) {
        const lr_curved *c = &cases[k].curved;
        stream s = {11, 0};
        double worst = 0;
        int hits = 0;
        for (int i = 0; i < RAYS; ++i) {
            lr_vec3 o, d;
            lr_curved_hit hit;
            draw_ray(&s, c, 20.0, &o, &d);
            if (!lr_curved_intersect(c, o, d, 0, 1e30, &hit))
                continue;
            ++hits;
            worst = fmax(worst, fabs(distance(c, lr_mad(o, hit.t, d))));
            assert_true(hit.u >= 0 && hit.u <= 1 && hit.v >= 0 && hit.v <= 1);
        }
        if (worst > 1e-9*reach(c))
            print_error("%s: a hit lies %g m off\n", cases[k].name, worst);
        assert_near(worst, 0.0, 1e-9*reach(c));
        assert_true(hits > RAYS/100);
    }
}

// Both say hit, or both say miss; and the places agree. Marching stops `close` short of the surface measured along the
// normal, so along the ray it may stop close/cos early: that much is allowed, with a floor where rays graze.
static void rays_agree_with_marching(void **state)
{
    (void)state;
    for (int k = 0; k < CASES; ++k) {
        const lr_curved *c = &cases[k].curved;
        const double size = reach(c), close = 1e-11*size, far_m = 3.0;
        stream s = {12, 0};
        int hits = 0;
        for (int i = 0; i < RAYS; ++i) {
            lr_vec3 o, d;
            lr_curved_hit hit;
            draw_ray(&s, c, far_m, &o, &d);
            const int got = lr_curved_intersect(c, o, d, 0, 1e30, &hit);
            const double want = march(c, o, d, far_m + 1.1*size, close);
            if (got != (want < HUGE_VAL))
                print_error("%s: ray %d: %s, marching says otherwise\n", cases[k].name, i, got ? "hit" : "miss");
            assert_int_equal(got, want < HUGE_VAL);
            if (got) {
                const double cosine = fmax(1e-3, fabs(lr_dot(hit.normal, d)));
                assert_near(hit.t, want, 4*close/cosine + 4*sqrt(close*size)*(cosine < 2e-3));
                ++hits;
            }
        }
        assert_true(hits > RAYS/100);
    }
}

static void normals_are_the_gradient_of_the_distance(void **state)
{
    (void)state;
    for (int k = 0; k < CASES; ++k) {
        const lr_curved *c = &cases[k].curved;
        if (!cases[k].closed)
            continue;
        const double h = 1e-6*reach(c);
        stream s = {13, 0};
        int compared = 0, skipped = 0;
        for (int i = 0; i < RAYS/10; ++i) {
            lr_vec3 o, d;
            lr_curved_hit hit;
            draw_ray(&s, c, 2.0, &o, &d);
            if (!lr_curved_intersect(c, o, d, 0, 1e30, &hit))
                continue;
            const lr_vec3 p = lr_mad(o, hit.t, d);
            const lr_vec3 g = lr_v3(
                (distance(c, lr_add(p, lr_v3(h, 0, 0))) - distance(c, lr_sub(p, lr_v3(h, 0, 0))))/(2*h),
                (distance(c, lr_add(p, lr_v3(0, h, 0))) - distance(c, lr_sub(p, lr_v3(0, h, 0))))/(2*h),
                (distance(c, lr_add(p, lr_v3(0, 0, h))) - distance(c, lr_sub(p, lr_v3(0, 0, h))))/(2*h));
            assert_near(lr_length(hit.normal), 1.0, 1e-12);
            if (fabs(lr_length(g) - 1.0) > 1e-5) {  // within h of an edge, where the distance has no gradient
                ++skipped;
                continue;
            }
            ++compared;
            assert_near(lr_length(lr_sub(hit.normal, g)), 0.0, 1e-5);  // h^2 over the squared radius of the thinnest: 2e-7, rounding 1e-10
        }
        assert_true(compared > 300 && skipped*200 < compared);
    }
}

// A ray along the tangent plane, moved inwards by a billionth of the size, must hit; moved outwards, must miss. Convex
// shapes, and the outer half of a torus, which lies on its convex hull.
static void grazing_rays_are_told_apart(void **state)
{
    (void)state;
    for (int k = 0; k < CASES; ++k) {
        const lr_curved *c = &cases[k].curved;
        if (!cases[k].convex && c->kind != LR_CURVED_TORUS)
            continue;
        stream s = {14, 0};
        const double size = reach(c), shift = 1e-9*size;
        int tried = 0;
        for (int i = 0; i < RAYS/5; ++i) {
            lr_vec3 p, n;
            lr_curved_sample(c, draw(&s), draw(&s), draw(&s), &p, &n);
            const double along = lr_dot(n, lr_v3(p.x, p.y, 0))/hypot(p.x, p.y), turn = 2*LR_PI*draw(&s), far_m = 20*draw(&s);
            if (c->kind == LR_CURVED_TORUS && along < 0.1)
                continue;
            const lr_mat3 frame = lr_frame_around(n);
            const lr_vec3 d = lr_add(lr_mul(frame.x, cos(turn)), lr_mul(frame.y, sin(turn)));
            lr_curved_hit hit;
            const lr_vec3 start = lr_mad(p, -far_m, d);
            if (distance(c, start) < 1e-3*size)
                continue;  // starts at the surface itself
            assert_true(lr_curved_intersect(c, lr_mad(start, -shift, n), d, 0, 1e30, &hit));
            assert_false(lr_curved_intersect(c, lr_mad(start, shift, n), d, 0, 1e30, &hit));
            ++tried;
        }
        assert_true(tried > RAYS/100);
    }
}

// From inside a closed shape every ray must come out, also exactly through the seam of cap and side.
static void closed_shapes_do_not_leak(void **state)
{
    (void)state;
    for (int k = 0; k < CASES; ++k) {
        const lr_curved *c = &cases[k].curved;
        if (!cases[k].convex)
            continue;
        stream s = {15, 0};
        for (int i = 0; i < RAYS; ++i) {
            const double a = 2*LR_PI*draw(&s), end = 0.5*c->height*(i & 1 ? 1 : -1);
            const double rim = c->kind == LR_CURVED_CONE && (i & 1) ? c->radius2 : c->radius;
            const lr_vec3 o = lr_v3(0.3*c->radius*(draw(&s) - 0.5), 0.3*c->radius*(draw(&s) - 0.5), 0.3*(c->height + 0.1*c->radius)*(draw(&s) - 0.5));
            const lr_vec3 to = i & 2 ? lr_v3(rim*cos(a), rim*sin(a), end) : lr_mad(o, 1.0, draw_direction(&s));
            lr_curved_hit hit;
            assert_true(lr_curved_intersect(c, o, lr_sub(to, o), 0, 1e30, &hit));
            assert_true(lr_dot(hit.normal, lr_sub(to, o)) > 0 || rim == 0);  // seen from inside
        }
    }
}

static void special_rays_have_closed_forms(void **state)
{
    (void)state;
    lr_curved_hit hit;
    const lr_curved torus = {LR_CURVED_TORUS, 0.4, 0.1, 0, 0};
    assert_false(lr_curved_intersect(&torus, lr_v3(0, 0, 5), lr_v3(0, 0, -1), 0, 1e30, &hit));  // down the hole
    for (int i = 0; i < 4; ++i) {  // along x through the middle: -0.5, -0.3, 0.3, 0.5
        const double want[4] = {1.5, 1.7, 2.3, 2.5};
        assert_true(lr_curved_intersect(&torus, lr_v3(-2, 0, 0), lr_v3(1, 0, 0), i ? want[i - 1] + 1e-9 : 0, 1e30, &hit));
        assert_rel(hit.t, want[i], REL_FORMULA);
        assert_near(hit.normal.x, i & 1 ? 1.0 : -1.0, REL_FORMULA);
    }
    assert_true(lr_curved_intersect(&torus, lr_v3(0.4, 0, 3), lr_v3(0, 0, -2), 0, 1e30, &hit));  // onto the crown
    assert_rel(hit.t, 1.45, REL_FORMULA);                                                        // in units of |direction|
    const double half = sqrt(0.09 - 0.04);  // lying in z = 0, 0.2 from the middle: inner circle of 0.3
    assert_true(lr_curved_intersect(&torus, lr_v3(0, 0.2, 0), lr_v3(1, 0, 0), 0, 1e30, &hit));
    assert_rel(hit.t, half, REL_FORMULA);

    const lr_curved cone = {LR_CURVED_CONE, 0.2, 0.0, 0.5, 0};
    assert_true(lr_curved_intersect(&cone, lr_v3(0, 0, 2), lr_v3(0, 0, -1), 0, 1e30, &hit));     // onto the tip
    assert_rel(hit.t, 1.75, REL_FORMULA);
    assert_true(lr_curved_intersect(&cone, lr_v3(-1, 0, 0), lr_v3(1, 0, 0), 0, 1e30, &hit));     // half way up: radius 0.1
    assert_rel(hit.t, 0.9, REL_FORMULA);
    // Exactly parallel to a line of the side, through the axis: one crossing of the side and one of the base.
    assert_true(lr_curved_intersect(&cone, lr_v3(0.2, 0, 0.25), lr_v3(-0.2, 0, -0.5), 0, 1e30, &hit));
    assert_rel(hit.t, 0.5, REL_FORMULA);
    assert_true(lr_curved_intersect(&cone, lr_v3(0.2, 0, 0.25), lr_v3(-0.2, 0, -0.5), 0.6, 1e30, &hit));
    assert_rel(hit.t, 1.0, REL_FORMULA);

    const lr_curved pipe = {LR_CURVED_CYLINDER, 0.3, 0, 0.2, 1};
    assert_false(lr_curved_intersect(&pipe, lr_v3(0.1, 0, 3), lr_v3(0, 0, -1), 0, 1e30, &hit));  // no caps
    const lr_curved washer = {LR_CURVED_DISC, 0.4, 0.3, 0, 0};
    assert_false(lr_curved_intersect(&washer, lr_v3(0.29, 0, 1), lr_v3(0, 0, -1), 0, 1e30, &hit));
    assert_true(lr_curved_intersect(&washer, lr_v3(0.31, 0, -1), lr_v3(0, 0, 1), 0, 1e30, &hit));
    assert_near(hit.normal.z, 1.0, 0.0);  // +z from either side
    assert_false(lr_curved_intersect(&washer, lr_v3(1, 0, 0), lr_v3(-1, 0, 0), 0, 1e30, &hit));  // edge on
}

static void interval_is_open(void **state)
{
    (void)state;
    lr_curved_hit hit;
    const lr_curved ball = {LR_CURVED_SPHERE, 0.5, 0, 0, 0};
    const lr_vec3 o = lr_v3(-2, 0, 0), d = lr_v3(1, 0, 0);
    assert_true(lr_curved_intersect(&ball, o, d, 0, 10, &hit) && hit.t == 1.5);
    assert_true(lr_curved_intersect(&ball, o, d, 1.5, 10, &hit) && hit.t == 2.5);  // 1.5 itself is out
    assert_false(lr_curved_intersect(&ball, o, d, 1.5, 2.5, &hit));
    assert_false(lr_curved_intersect(&ball, o, d, 0, 1.5, &hit));
    assert_true(lr_curved_intersect(&ball, lr_v3(-0.5, 0, 0), d, 0, (double)INFINITY, &hit) && hit.t == 1.0);  // leaves the surface it stands on
    assert_false(lr_curved_intersect(&ball, o, lr_v3(0, 0, 0), 0, 10, &hit));
    assert_false(lr_curved_intersect(&ball, o, lr_v3((double)NAN, 0, 0), 0, 10, &hit));
}

// Reversing a ray and stretching its direction changes nothing but t: all crossings seen from both ends.
static void crossings_are_the_same_from_both_ends(void **state)
{
    (void)state;
    for (int k = 0; k < CASES; ++k) {
        const lr_curved *c = &cases[k].curved;
        stream s = {16, 0};
        int crossings = 0;
        for (int i = 0; i < RAYS/10; ++i) {
            lr_vec3 o, d;
            double there[8], back[8];
            int n = 0, m = 0;
            lr_curved_hit hit;
            draw_ray(&s, c, 2.0, &o, &d);
            for (double t = 0; n < 8 && lr_curved_intersect(c, o, d, t, 4.0, &hit); t = hit.t + 1e-9) there[n++] = hit.t;
            const lr_vec3 end = lr_mad(o, 4.0, d);
            for (double t = 0; m < 8 && lr_curved_intersect(c, end, lr_mul(d, -0.5), t, 8.0, &hit); t = hit.t + 2e-9) back[m++] = 4.0 - 0.5*hit.t;
            assert_int_equal(n, m);
            if (cases[k].closed)
                assert_int_equal(n & 1, 0);
            for (int j = 0; j < n; ++j)
                assert_near(there[j], back[m - 1 - j], 1e-7*reach(c));  // grazing pairs: the root of rounding
            crossings += n;
        }
        assert_true(crossings > 300);
    }
}

// ---- Area and samples

#define BINS_U 8
#define BINS_V 6
#define BINS (BINS_U*BINS_V)

static int bin_of(double u, double v)
{
    const int i = (int)(u*BINS_U), j = (int)(v*BINS_V);
    return (i < BINS_U ? i : BINS_U - 1)*BINS_V + (j < BINS_V ? j : BINS_V - 1);
}

static void areas_are_the_handbook_ones(void **state)
{
    (void)state;
    for (int k = 0; k < CASES; ++k)
        assert_rel(lr_curved_area(&cases[k].curved), cases[k].area, REL_FORMULA);
}

// Isotropic lines through a ball of radius B cross a surface of area A on average A/(2 pi B^2) times, any part of it alike
// (Cauchy-Crofton). So crossings give the area, and the share of each patch, with nothing of the sampler in it.
static void samples_spread_as_lines_cross(void **state)
{
    (void)state;
    enum { LINES = 200000, SAMPLES = 200000 };
    for (int k = 0; k < CASES; ++k) {
        const lr_curved *c = &cases[k].curved;
        const double ball = 1.01*reach(c);
        stream s = {17, 0};
        double sum[BINS] = {0}, square[BINS] = {0}, cross[BINS] = {0}, total = 0, total2 = 0, drawn[BINS] = {0};
        for (int i = 0; i < LINES; ++i) {
            const lr_vec3 d = draw_direction(&s);
            const lr_mat3 f = lr_frame_around(d);
            const double r = ball*sqrt(draw(&s)), a = 2*LR_PI*draw(&s);
            const lr_vec3 o = lr_mad(lr_add(lr_mul(f.x, r*cos(a)), lr_mul(f.y, r*sin(a))), -2*ball, d);
            int bin[8], n = 0;
            lr_curved_hit hit;
            for (double t = 0; n < 8 && lr_curved_intersect(c, o, d, t, 1e30, &hit); t = hit.t) bin[n++] = bin_of(hit.u, hit.v);
            for (int j = 0; j < n; ++j) {
                double same = 0;
                for (int l = 0; l < n; ++l) same += bin[l] == bin[j];
                sum[bin[j]] += 1;
                square[bin[j]] += same;  // adds up to same^2 over the bin
                cross[bin[j]] += n;      // sum of (in bin)(in all)
            }
            total += n;
            total2 += (double)n*n;
        }
        const double mean = total/LINES, error = sqrt((total2/LINES - mean*mean)/LINES), unit = 2*LR_PI*ball*ball;
        assert_near(mean*unit, lr_curved_area(c), 5*error*unit);
        for (int i = 0; i < SAMPLES; ++i) {
            lr_vec3 p, n;
            const double u = draw(&s), v = draw(&s), w = draw(&s);
            lr_curved_sample(c, u, v, w, &p, &n);
            assert_near(distance(c, p), 0.0, 1e-14);
            assert_near(lr_length(n), 1.0, 1e-12);
            lr_curved_hit hit;  // its u and v: shoot at it from just outside
            const double off = 1e-4*reach(c);
            if (lr_curved_intersect(c, lr_mad(p, off, n), lr_mul(n, -1), 0, 2*off, &hit))
                drawn[bin_of(hit.u, hit.v)] += 1;
            else
                fail_msg("%s: sample %d has a normal that does not point outwards", cases[k].name, i);
        }
        double chi2 = 0;
        int used = 0;
        for (int b = 0; b < BINS; ++b) {
            if (sum[b] < 20) {
                assert_true(drawn[b] < 200);
                continue;
            }
            const double share = sum[b]/total, got = drawn[b]/SAMPLES;
            const double lines = (square[b] - 2*share*cross[b] + share*share*total2)/(total*total);  // of a ratio of sums
            const double z = (got - share)/sqrt(lines + share*(1 - share)/SAMPLES);
            assert_near(z, 0.0, 5.0);
            chi2 += z*z;
            ++used;
        }
        assert_near(chi2, used, 5*sqrt(2.0*used));
    }
}

static void bounds_hold_all_samples_and_touch_them(void **state)
{
    (void)state;
    for (int k = 0; k < CASES; ++k) {
        const lr_box3 b = lr_curved_bounds(&cases[k].curved);
        lr_box3 seen = lr_box3_empty();
        stream s = {18, 0};
        for (int i = 0; i < 20000; ++i) {
            lr_vec3 p, n;
            lr_curved_sample(&cases[k].curved, draw(&s), draw(&s), draw(&s), &p, &n);
            seen = lr_box3_add(seen, p);
        }
        const double slack = 1e-15, near = 0.03*reach(&cases[k].curved);
        assert_true(seen.lo.x >= b.lo.x - slack && seen.lo.y >= b.lo.y - slack && seen.lo.z >= b.lo.z - slack);
        assert_true(seen.hi.x <= b.hi.x + slack && seen.hi.y <= b.hi.y + slack && seen.hi.z <= b.hi.z + slack);
        assert_near(seen.hi.x, b.hi.x, near);
        assert_near(seen.lo.y, b.lo.y, near);
        assert_near(seen.lo.z, b.lo.z, near);
    }
}

static void bad_sizes_are_named(void **state)
{
    (void)state;
    const struct { lr_curved curved; const char *text; } bad[] = {
        {{LR_CURVED_SPHERE, 0, 0, 0, 0}, "radius_m: 0 is not above 0"},
        {{LR_CURVED_SPHERE, (double)NAN, 0, 0, 0}, "radius_m: nan is not above 0"},
        {{LR_CURVED_SPHERE, (double)INFINITY, 0, 0, 0}, "radius_m: inf is above 1e+06"},
        {{LR_CURVED_CYLINDER, 1, 0, -1, 0}, "height_m: -1 is not above 0"},
        {{LR_CURVED_CONE, 1, -0.5, 1, 0}, "radius2_m: -0.5 is below 0"},
        {{LR_CURVED_CONE, 1, 0.5, 0, 0}, "height_m: 0 is not above 0"},
        {{LR_CURVED_CAPSULE, 1, 0, 0, 0}, "height_m: 0 is not above 0"},
        {{LR_CURVED_DISC, 1, 1, 0, 0}, "hole_m: 1 is not in [0, radius_m = 1)"},
        {{LR_CURVED_TORUS, 1, 0, 0, 0}, "tube_m: 0 is not above 0"},
        {{LR_CURVED_TORUS, 1, 1, 0, 0}, "tube_m: 1 is not below radius_m = 1"},
        {{LR_CURVED_KINDS, 1, 1, 0, 0}, "shape: 6 is not a kind of curved shape"},
    };
    for (size_t i = 0; i < sizeof bad/sizeof bad[0]; ++i) {
        lr_error err = {{0}};
        assert_int_equal(lr_curved_check(&bad[i].curved, &err), LR_ERR_RANGE);
        assert_string_equal(err.text, bad[i].text);
    }
    for (int k = 0; k < CASES; ++k)
        assert_int_equal(lr_curved_check(&cases[k].curved, NULL), LR_OK);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(hits_lie_on_the_surface_seen_from_20_m),
        cmocka_unit_test(rays_agree_with_marching),
        cmocka_unit_test(normals_are_the_gradient_of_the_distance),
        cmocka_unit_test(grazing_rays_are_told_apart),
        cmocka_unit_test(closed_shapes_do_not_leak),
        cmocka_unit_test(special_rays_have_closed_forms),
        cmocka_unit_test(interval_is_open),
        cmocka_unit_test(crossings_are_the_same_from_both_ends),
        cmocka_unit_test(areas_are_the_handbook_ones),
        cmocka_unit_test(samples_spread_as_lines_cross),
        cmocka_unit_test(bounds_hold_all_samples_and_touch_them),
        cmocka_unit_test(bad_sizes_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
