// SPDX-License-Identifier: Apache-2.0
// Torus: ring of radius R around z, tube of radius r < R.
//   g(p) = (rho - R)^2 + z^2 - r^2,   rho = sqrt(x^2 + y^2)
// Along the ray, f = g ((rho + R)^2 + z^2 - r^2) is a quartic in s and the second factor is positive, so f and g have the
// same sign and roots. With o the closest point to the centre (o.d = 0) the quartic has no cubic term; between the roots
// of its derivative (a cubic, in closed form) it only rises or only falls, so every change of sign of g between
// neighbours is exactly one crossing, found by Newton kept inside the bracket. g itself is evaluated, not the expanded
// quartic: its rounding is that of the shape, so only rays that dip less than about 1e-15 of the size can be missed.
#include "scene/shape_kind.h"

#define STEPS_MOST 80
#define CLOSE 1e-15     // of R + r: as near as doubles get

typedef struct torus { double ring, tube; lr_vec3 o, d; } torus;

static double g_at(const torus *k, double s, double *slope)
{
    const lr_vec3 p = lr_mad(k->o, s, k->d);
    const double rho = sqrt(p.x*p.x + p.y*p.y), in = rho - k->ring;
    const double turn = rho > 0.0 ? (p.x*k->d.x + p.y*k->d.y)/rho : 0.0;
    *slope = 2.0*(in*turn + p.z*k->d.z);
    return in*in + (p.z - k->tube)*(p.z + k->tube);
}

// Root in [a, b], where g changes sign. Newton, halving whenever it would leave the bracket or crawl. It starts from the parabola through both ends
// whose vertex is the one inside: there g is least, or nearly so, and bends little else.
static double root_between(const torus *k, double a, double ga, double b, double gb)
{
    const double close = CLOSE*(k->ring + k->tube), inside = fmin(ga, gb), way = (b - a)*sqrt(inside/(inside - fmax(ga, gb)));
    double s = ga < gb ? a + way : b - way, last_width = b - a;
    for (int i = 0; i < STEPS_MOST; ++i) {
        double slope;
        const double g = g_at(k, s, &slope);
        if (g == 0.0)
            return s;
        if ((g > 0.0) == (ga > 0.0)) a = s; else b = s;
        double next = s - g/slope;
        const int slow = (i & 3) == 3 && b - a > 0.5*last_width;  // four steps must at least halve the bracket
        if ((i & 3) == 3) last_width = b - a;
        if (!(next > a && next < b) || (slow && fabs(next - s) > close))
            next = 0.5*(a + b);
        if (fabs(next - s) <= close || b - a <= close)
            return next;
        s = next;
    }
    return s;
}

// Places that split the ray into pieces on which f rises or falls: the roots of s^3 + p s + q and, as harmless extras
// that make nearly double roots safe, its own turning points. Returns how many.
static int turning_points(double p, double q, double out[5])
{
    int count = 0;
    if (fabs(p)*p*p <= 1e-24*q*q) {  // next to nothing, zero included: the quotients below would lose it
        out[count++] = cbrt(-q);
        return count;
    }
    if (p < 0.0) {
        const double m = sqrt(-p/3.0), c = -0.5*q/(m*m*m);  // s = 2 m cos(angle)
        out[count++] = -m;
        out[count++] = m;
        if (fabs(c) <= 1.0) {
            const double third = acos(c)/3.0, ahead = -m*cos(third), aside = m*sqrt(3.0)*sin(third);
            out[count++] = -2.0*ahead;   // the three lie a third of a turn apart
            out[count++] = ahead + aside;
            out[count++] = ahead - aside;
        } else {
            out[count++] = copysign(2.0*m*cosh(acosh(fabs(c))/3.0), c);
        }
        return count;
    }
    const double u = cbrt(0.5*fabs(q) + sqrt(0.25*q*q + p*p*p/27.0)), v = p/(3.0*u);   // u^3 - v^3 = |q|, u v = p/3: the root is -+(u - v)
    out[count++] = -q/(u*u + u*v + v*v);
    return count;
}

static void sort(double *x, int count)
{
    for (int i = 1; i < count; ++i)
        for (int j = i; j > 0 && x[j] < x[j - 1]; --j) {
            const double kept = x[j];
            x[j] = x[j - 1];
            x[j - 1] = kept;
        }
}

static void torus_cross(const lr_curved *curved, const lr_shape_ray *ray, lr_shape_cross *best)
{
    const double ring = curved->radius, tube = curved->radius2, reach = (ring + tube)*(1.0 + 1e-9);
    const lr_vec3 o = ray->o, d = ray->d;
    const double away2 = lr_dot(o, o);
    if (!(away2 < reach*reach))
        return;
    double lo = -sqrt(reach*reach - away2), hi = -lo;  // inside the ball around it all
    if (d.z != 0.0) {                                  // and between the planes z = -tube, +tube
        const double middle = -o.z/d.z, half = fabs(tube*(1.0 + 1e-9)/d.z);
        lo = fmax(lo, middle - half);
        hi = fmin(hi, middle + half);
    } else if (fabs(o.z) > tube) {
        return;
    }
    hi = fmin(hi, ray->hi);  // later crossings do not matter; the sign at hi tells nothing then, which is fine
    if (!(lo < hi))
        return;
    // The distance from the axis is largest at an end: a ray with both in the hole meets nothing.
    const double hole = fmax(0.0, (ring - tube)*(1.0 - 1e-9)), flat = d.x*d.x + d.y*d.y, mixed = o.x*d.x + o.y*d.y, out = o.x*o.x + o.y*o.y;
    if (out + lo*(2.0*mixed + lo*flat) < hole*hole && out + hi*(2.0*mixed + hi*flat) < hole*hole)
        return;

    const double m = away2 + (ring - tube)*(ring + tube);
    double place[7];
    int count = turning_points(m - 2.0*ring*ring*flat, -2.0*ring*ring*mixed, place);
    place[count++] = hi;
    sort(place, count);

    const torus k = {ring, tube, o, d};
    double a = lo, slope, ga = g_at(&k, a, &slope);
    for (int i = 0; i < count && a < hi; ++i) {
        const double b = place[i];
        if (!(b > a))
            continue;
        const double gb = g_at(&k, b, &slope);
        if ((ga > 0.0) != (gb > 0.0) && b > ray->lo)  // where is for those to know who want the nearest
            lr_shape_keep(ray, ray->any && a > ray->lo ? 0.5*(a + b) : root_between(&k, a, ga, b, gb), 0, best);
        if (best->s < HUGE_VAL)
            return;  // pieces come in order
        a = b;
        ga = gb;
    }
}

static lr_status torus_check(const lr_curved *curved, lr_error *err)
{
    LR_TRY(lr_shape_size("tube_m", curved->radius2, 0.0, err));
    if (!(curved->radius2 < curved->radius))
        return lr_fail(err, LR_ERR_RANGE, "tube_m: %g is not below radius_m = %g", curved->radius2, curved->radius);
    return LR_OK;
}

static lr_box3 torus_bounds(const lr_curved *curved)
{
    const double r = curved->radius + curved->radius2, z = curved->radius2;
    return (lr_box3){{-r, -r, -z}, {r, r, z}};
}

static double torus_area(const lr_curved *curved) { return 4.0*LR_PI*LR_PI*curved->radius*curved->radius2; }

static void torus_surface(const lr_curved *curved, lr_vec3 p, int part, lr_curved_hit *hit)
{
    (void)part;
    const double rho = sqrt(p.x*p.x + p.y*p.y), in = rho - curved->radius;
    hit->normal = lr_unit(lr_v3(in*p.x/rho, in*p.y/rho, p.z));
    hit->u = lr_shape_turn(p.x, p.y);
    hit->v = lr_shape_turn(in, p.z);
}

static void torus_uv_size(const lr_curved *curved, double size_m[2])
{
    size_m[0] = 2.0*LR_PI*curved->radius;
    size_m[1] = 2.0*LR_PI*curved->radius2;
}

// Area grows as R + r cos(phi) around the tube: phi solves phi + (r/R) sin(phi) = 2 pi v, a rising function.
static lr_vec3 torus_sample(const lr_curved *curved, double u, double v, double w, int *part)
{
    (void)w, (void)part;
    const double ratio = curved->radius2/curved->radius, want = 2.0*LR_PI*v, a = 2.0*LR_PI*u;
    double lo = 0.0, hi = 2.0*LR_PI, phi = want;
    for (int i = 0; i < STEPS_MOST && hi - lo > 1e-15; ++i) {
        const double miss = phi + ratio*sin(phi) - want;
        if (miss > 0.0) hi = phi; else lo = phi;
        double next = phi - miss/(1.0 + ratio*cos(phi));
        if (!(next >= lo && next <= hi))
            next = 0.5*(lo + hi);
        if (fabs(next - phi) < 1e-15)
            break;
        phi = next;
    }
    const double rho = curved->radius + curved->radius2*cos(phi);
    return lr_v3(rho*cos(a), rho*sin(a), curved->radius2*sin(phi));
}

const lr_shape_kind lr_shape_torus = {"torus", torus_check, torus_bounds, torus_area, torus_cross, torus_surface, torus_uv_size,
                                      torus_sample};
