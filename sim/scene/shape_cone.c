// SPDX-License-Identifier: Apache-2.0
// Cylinder, cone and disc. A cylinder is the cone that does not narrow: radius(z) = middle + slope z, and the side is
//   x^2 + y^2 - radius(z)^2 = 0    ->    a s^2 + 2 b s + c = 0,
// with a and c as products of sums and differences, the roots as q/a and c/q, and one Newton step on the distance itself.
#include "scene/shape_kind.h"

enum { PART_SIDE = 0, PART_BOTTOM = 1, PART_TOP = 2 };

#define SEAM 1e-12        // caps reach this much (relative) over their rim, so that no ray slips between cap and side
#define GRAZING 1e-4      // Newton is left out where the ray climbs slower than this out of the surface

typedef struct cone { double low, high, height, middle, slope; int open; } cone;

static cone cone_of(const lr_curved *curved)
{
    const double low = curved->radius, high = curved->kind == LR_CURVED_CONE ? curved->radius2 : low, h = curved->height;
    return (cone){low, high, h, 0.5*(low + high), (high - low)/h, curved->open};
}

static double polished(const cone *k, const lr_shape_ray *ray, double s)
{
    const lr_vec3 p = lr_mad(ray->o, s, ray->d);
    const double rho = sqrt(p.x*p.x + p.y*p.y);
    const double rate = (p.x*ray->d.x + p.y*ray->d.y)/rho - k->slope*ray->d.z;
    if (!(fabs(rate) > GRAZING))  // also at the tip, where rho is 0
        return s;
    return s - (rho - k->middle - k->slope*p.z)/rate;
}

static void cross_side(const cone *k, const lr_shape_ray *ray, lr_shape_cross *best)
{
    const lr_vec3 o = ray->o, d = ray->d;
    const double run = sqrt(d.x*d.x + d.y*d.y), rise = k->slope*d.z, away = sqrt(o.x*o.x + o.y*o.y), radius = k->middle + k->slope*o.z;
    const double a = (run - rise)*(run + rise), b = o.x*d.x + o.y*d.y - rise*radius, c = (away - radius)*(away + radius);
    const double square = b*b - a*c;
    if (!(square >= 0.0))
        return;
    const double q = -(b + copysign(sqrt(square), b));
    const double root[2] = {q/a, q != 0.0 ? c/q : q/a};  // an infinite or undefined one fails the test of z
    for (int i = 0; i < 2; ++i)
        if (fabs(o.z + root[i]*d.z) <= 0.5*k->height)
            lr_shape_keep(ray, polished(k, ray, root[i]), PART_SIDE, best);
}

static void cross_flat(const lr_shape_ray *ray, double z, double inner, double outer, int part, lr_shape_cross *best)
{
    const double s = (z - ray->o.z)/ray->d.z, x = ray->o.x + s*ray->d.x, y = ray->o.y + s*ray->d.y, rho2 = x*x + y*y;
    if (rho2 <= outer*outer*(1.0 + 2.0*SEAM) && rho2 >= inner*inner)
        lr_shape_keep(ray, s, part, best);
}

static void cone_cross(const lr_curved *curved, const lr_shape_ray *ray, lr_shape_cross *best)
{
    const cone k = cone_of(curved);
    cross_side(&k, ray, best);
    if (k.open || ray->d.z == 0.0)
        return;
    cross_flat(ray, -0.5*k.height, 0.0, k.low, PART_BOTTOM, best);
    cross_flat(ray, 0.5*k.height, 0.0, fmax(k.high, SEAM*k.low), PART_TOP, best);  // closes a tip too
}

static lr_status cylinder_check(const lr_curved *curved, lr_error *err)
{
    return lr_shape_size("height_m", curved->height, 0.0, err);
}

static lr_status cone_check(const lr_curved *curved, lr_error *err)
{
    if (!(curved->radius2 >= 0.0))
        return lr_fail(err, LR_ERR_RANGE, "radius2_m: %g is below 0", curved->radius2);
    if (curved->radius2 > 0.0)
        LR_TRY(lr_shape_size("radius2_m", curved->radius2, 0.0, err));
    return lr_shape_size("height_m", curved->height, 0.0, err);
}

static lr_box3 cone_bounds(const lr_curved *curved)
{
    const cone k = cone_of(curved);
    const double r = fmax(k.low, k.high), z = 0.5*k.height;
    return (lr_box3){{-r, -r, -z}, {r, r, z}};
}

static double slant(const cone *k) { return sqrt((k->high - k->low)*(k->high - k->low) + k->height*k->height); }

static double side_area(const cone *k) { return LR_PI*(k->low + k->high)*slant(k); }

static double cone_area(const lr_curved *curved)
{
    const cone k = cone_of(curved);
    return side_area(&k) + (k.open ? 0.0 : LR_PI*(k.low*k.low + k.high*k.high));
}

static void cone_uv_size(const lr_curved *curved, double size_m[2])
{
    const cone k = cone_of(curved);
    size_m[0] = 2.0*LR_PI*fmax(k.low, k.high);
    size_m[1] = slant(&k);
}

static void cone_surface(const lr_curved *curved, lr_vec3 p, int part, lr_curved_hit *hit)
{
    const cone k = cone_of(curved);
    double size_m[2];
    cone_uv_size(curved, size_m);
    if (part != PART_SIDE) {
        hit->normal = lr_v3(0, 0, part == PART_TOP ? 1 : -1);
        hit->u = lr_shape_wrap(p.x/size_m[0] + 0.5);
        hit->v = lr_shape_wrap(p.y/size_m[1] + 0.5);
        return;
    }
    const double rho = sqrt(p.x*p.x + p.y*p.y), outwards = k.height/size_m[1];
    hit->normal = rho > 0.0 ? lr_v3(p.x/rho*outwards, p.y/rho*outwards, -k.slope*outwards)
                            : lr_v3(0, 0, k.slope < 0.0 ? 1 : -1);  // the tip
    hit->u = lr_shape_turn(p.x, p.y);
    hit->v = fmax(0.0, fmin(1.0, p.z/k.height + 0.5));
}

static lr_vec3 cone_sample(const lr_curved *curved, double u, double v, double w, int *part)
{
    const cone k = cone_of(curved);
    const double a = 2.0*LR_PI*u, side = side_area(&k), bottom = LR_PI*k.low*k.low, at = w*cone_area(curved);
    *part = k.open || at < side ? PART_SIDE : at < side + bottom || !(k.high > 0.0) ? PART_BOTTOM : PART_TOP;
    if (*part != PART_SIDE) {
        const double r = (*part == PART_TOP ? k.high : k.low)*sqrt(v);
        return lr_v3(r*cos(a), r*sin(a), *part == PART_TOP ? 0.5*k.height : -0.5*k.height);
    }
    // The square of the radius is uniform along the side; written so that a cylinder divides nothing by 0.
    const double r = sqrt(k.low*k.low + (k.high*k.high - k.low*k.low)*v), up = v > 0.0 ? (k.low + k.high)*v/(r + k.low) : 0.0;
    return lr_v3(r*cos(a), r*sin(a), k.height*(up - 0.5));
}

const lr_shape_kind lr_shape_cylinder = {"cylinder", cylinder_check, cone_bounds, cone_area, cone_cross, cone_surface,
                                         cone_uv_size, cone_sample};
const lr_shape_kind lr_shape_cone = {"cone", cone_check, cone_bounds, cone_area, cone_cross, cone_surface, cone_uv_size, cone_sample};

// ---- Disc: radius, with a hole of radius2

static lr_status disc_check(const lr_curved *curved, lr_error *err)
{
    if (!(curved->radius2 >= 0.0 && curved->radius2 < curved->radius))
        return lr_fail(err, LR_ERR_RANGE, "hole_m: %g is not in [0, radius_m = %g)", curved->radius2, curved->radius);
    return LR_OK;
}

static lr_box3 disc_bounds(const lr_curved *curved)
{
    const double r = curved->radius;
    return (lr_box3){{-r, -r, 0}, {r, r, 0}};
}

static double disc_area(const lr_curved *curved)
{
    return LR_PI*(curved->radius - curved->radius2)*(curved->radius + curved->radius2);
}

static void disc_cross(const lr_curved *curved, const lr_shape_ray *ray, lr_shape_cross *best)
{
    if (ray->d.z != 0.0)
        cross_flat(ray, 0.0, curved->radius2, curved->radius, PART_TOP, best);
}

static void disc_uv_size(const lr_curved *curved, double size_m[2]) { size_m[0] = size_m[1] = 2.0*curved->radius; }

static void disc_surface(const lr_curved *curved, lr_vec3 p, int part, lr_curved_hit *hit)
{
    (void)part;
    hit->normal = lr_v3(0, 0, 1);
    hit->u = fmax(0.0, fmin(1.0, 0.5*p.x/curved->radius + 0.5));
    hit->v = fmax(0.0, fmin(1.0, 0.5*p.y/curved->radius + 0.5));
}

static lr_vec3 disc_sample(const lr_curved *curved, double u, double v, double w, int *part)
{
    (void)w, (void)part;
    const double inner2 = curved->radius2*curved->radius2, a = 2.0*LR_PI*u;
    const double r = sqrt(inner2 + (curved->radius*curved->radius - inner2)*v);
    return lr_v3(r*cos(a), r*sin(a), 0.0);
}

const lr_shape_kind lr_shape_disc = {"disc", disc_check, disc_bounds, disc_area, disc_cross, disc_surface, disc_uv_size, disc_sample};
