// SPDX-License-Identifier: Apache-2.0
// Sphere and capsule. A ray meets a sphere at foot -/+ sqrt((r - h)(r + h)), h its distance from the centre: no
// difference of large squares, so grazing rays are right to the last digits.
#include "scene/shape_kind.h"

enum { PART_BALL = 0, PART_SIDE = 1 };

// Crossings with the ball around (0, 0, z) at which `above`*(p.z - z) >= -slack; above 0: all.
static void cross_ball(const lr_shape_ray *ray, double radius, double z, double above, lr_shape_cross *best)
{
    const lr_vec3 o = lr_v3(ray->o.x, ray->o.y, ray->o.z - z);
    const double foot = -lr_dot(o, ray->d), away = lr_length(lr_mad(o, foot, ray->d));
    const double square = (radius - away)*(radius + away);
    if (!(square >= 0.0))
        return;
    const double half = sqrt(square), slack = 1e-12*radius;  // the seams to the side must not leak
    for (int i = 0; i < 2; ++i) {
        const double s = i ? foot + half : foot - half;
        if (above*(o.z + s*ray->d.z) >= -slack)
            lr_shape_keep(ray, s, PART_BALL, best);
    }
}

static lr_vec3 sphere_point(double radius, double u, double v)
{
    const double c = 1.0 - 2.0*v, s = 2.0*sqrt(v*(1.0 - v)), a = 2.0*LR_PI*u;
    return lr_v3(radius*s*cos(a), radius*s*sin(a), radius*c);
}

// ---- Sphere

static lr_status sphere_check(const lr_curved *curved, lr_error *err)
{
    (void)curved, (void)err;
    return LR_OK;
}

static lr_box3 sphere_bounds(const lr_curved *curved)
{
    const double r = curved->radius;
    return (lr_box3){{-r, -r, -r}, {r, r, r}};
}

static double sphere_area(const lr_curved *curved) { return 4.0*LR_PI*curved->radius*curved->radius; }

static void sphere_cross(const lr_curved *curved, const lr_shape_ray *ray, lr_shape_cross *best)
{
    cross_ball(ray, curved->radius, 0.0, 0.0, best);
}

static void sphere_surface(const lr_curved *curved, lr_vec3 p, int part, lr_curved_hit *hit)
{
    (void)curved, (void)part;
    hit->normal = lr_unit(p);
    hit->u = lr_shape_turn(p.x, p.y);
    hit->v = 0.5 + asin(fmax(-1.0, fmin(1.0, hit->normal.z)))/LR_PI;
}

static void sphere_uv_size(const lr_curved *curved, double size_m[2])
{
    size_m[0] = 2.0*LR_PI*curved->radius;
    size_m[1] = LR_PI*curved->radius;
}

static lr_vec3 sphere_sample(const lr_curved *curved, double u, double v, double w, int *part)
{
    (void)w, (void)part;
    return sphere_point(curved->radius, u, v);
}

const lr_shape_kind lr_shape_sphere = {"sphere", sphere_check, sphere_bounds, sphere_area, sphere_cross, sphere_surface,
                                       sphere_uv_size, sphere_sample};

// ---- Capsule: two half balls around z = -h/2 and +h/2, and the side between

static lr_status capsule_check(const lr_curved *curved, lr_error *err)
{
    return lr_shape_size("height_m", curved->height, 0.0, err);
}

static lr_box3 capsule_bounds(const lr_curved *curved)
{
    const double r = curved->radius, z = 0.5*curved->height + r;
    return (lr_box3){{-r, -r, -z}, {r, r, z}};
}

static double capsule_area(const lr_curved *curved)
{
    return sphere_area(curved) + 2.0*LR_PI*curved->radius*curved->height;
}

static void cross_side(const lr_curved *curved, const lr_shape_ray *ray, lr_shape_cross *best)
{
    const lr_vec3 o = ray->o, d = ray->d;
    const double across = d.x*d.x + d.y*d.y;
    if (!(across > 0.0))
        return;
    const double foot = -(o.x*d.x + o.y*d.y)/across, away = fabs(o.x*d.y - o.y*d.x)/sqrt(across);
    const double square = (curved->radius - away)*(curved->radius + away)/across;
    if (!(square >= 0.0))
        return;
    const double half = sqrt(square), end = 0.5*curved->height;
    for (int i = 0; i < 2; ++i) {
        const double s = i ? foot + half : foot - half;
        if (fabs(o.z + s*d.z) <= end)
            lr_shape_keep(ray, s, PART_SIDE, best);
    }
}

static void capsule_cross(const lr_curved *curved, const lr_shape_ray *ray, lr_shape_cross *best)
{
    const double end = 0.5*curved->height;
    cross_side(curved, ray, best);
    cross_ball(ray, curved->radius, end, 1.0, best);
    cross_ball(ray, curved->radius, -end, -1.0, best);
}

static void capsule_uv_size(const lr_curved *curved, double size_m[2])
{
    size_m[0] = 2.0*LR_PI*curved->radius;
    size_m[1] = curved->height + LR_PI*curved->radius;
}

static void capsule_surface(const lr_curved *curved, lr_vec3 p, int part, lr_curved_hit *hit)
{
    (void)part;
    const double end = 0.5*curved->height, z = fmax(-end, fmin(end, p.z));  // nearest point of the axis
    double size_m[2];
    capsule_uv_size(curved, size_m);
    hit->normal = lr_unit(lr_v3(p.x, p.y, p.z - z));
    hit->u = lr_shape_turn(p.x, p.y);
    hit->v = 0.5 + (z + curved->radius*asin(fmax(-1.0, fmin(1.0, hit->normal.z))))/size_m[1];
}

static lr_vec3 capsule_sample(const lr_curved *curved, double u, double v, double w, int *part)
{
    const double end = 0.5*curved->height, a = 2.0*LR_PI*u;
    *part = w*capsule_area(curved) < sphere_area(curved) ? PART_BALL : PART_SIDE;
    if (*part == PART_SIDE)
        return lr_v3(curved->radius*cos(a), curved->radius*sin(a), curved->height*(v - 0.5));
    lr_vec3 p = sphere_point(curved->radius, u, v);
    p.z += p.z >= 0.0 ? end : -end;
    return p;
}

const lr_shape_kind lr_shape_capsule = {"capsule", capsule_check, capsule_bounds, capsule_area, capsule_cross, capsule_surface,
                                        capsule_uv_size, capsule_sample};
