// SPDX-License-Identifier: Apache-2.0
// Small vectors, rotations and rigid poses in double. Right-handed. All inline, nothing can fail.
#ifndef LR_CORE_VEC_H
#define LR_CORE_VEC_H

#include <math.h>

#define LR_PI 3.14159265358979323846
#define LR_DEG (LR_PI/180.0)  // radians in a degree

typedef struct lr_vec3 { double x, y, z; } lr_vec3;
typedef struct lr_mat3 { lr_vec3 x, y, z; } lr_mat3;             // columns: images of the axes
typedef struct lr_pose { lr_mat3 rotation; lr_vec3 origin; } lr_pose;  // p_parent = rotation p_child + origin
typedef struct lr_box3 { lr_vec3 lo, hi; } lr_box3;

static inline lr_vec3 lr_v3(double x, double y, double z) { return (lr_vec3){x, y, z}; }
static inline lr_vec3 lr_add(lr_vec3 a, lr_vec3 b) { return lr_v3(a.x + b.x, a.y + b.y, a.z + b.z); }
static inline lr_vec3 lr_sub(lr_vec3 a, lr_vec3 b) { return lr_v3(a.x - b.x, a.y - b.y, a.z - b.z); }
static inline lr_vec3 lr_mul(lr_vec3 a, double s) { return lr_v3(a.x*s, a.y*s, a.z*s); }
static inline lr_vec3 lr_mad(lr_vec3 a, double s, lr_vec3 b) { return lr_v3(a.x + s*b.x, a.y + s*b.y, a.z + s*b.z); }
static inline double lr_dot(lr_vec3 a, lr_vec3 b) { return a.x*b.x + a.y*b.y + a.z*b.z; }
static inline lr_vec3 lr_cross(lr_vec3 a, lr_vec3 b)
{
    return lr_v3(a.y*b.z - a.z*b.y, a.z*b.x - a.x*b.z, a.x*b.y - a.y*b.x);
}
static inline double lr_length(lr_vec3 a) { return sqrt(lr_dot(a, a)); }
static inline lr_vec3 lr_unit(lr_vec3 a) { return lr_mul(a, 1.0/lr_length(a)); }

static inline lr_mat3 lr_mat3_identity(void)
{
    return (lr_mat3){{1, 0, 0}, {0, 1, 0}, {0, 0, 1}};
}
static inline lr_vec3 lr_rotate(lr_mat3 m, lr_vec3 v)
{
    return lr_mad(lr_mad(lr_mul(m.x, v.x), v.y, m.y), v.z, m.z);
}
static inline lr_vec3 lr_rotate_back(lr_mat3 m, lr_vec3 v)  // by the transpose
{
    return lr_v3(lr_dot(m.x, v), lr_dot(m.y, v), lr_dot(m.z, v));
}
static inline lr_mat3 lr_mat3_mul(lr_mat3 a, lr_mat3 b)  // first b, then a
{
    return (lr_mat3){lr_rotate(a, b.x), lr_rotate(a, b.y), lr_rotate(a, b.z)};
}
static inline lr_mat3 lr_mat3_transpose(lr_mat3 m)
{
    return (lr_mat3){{m.x.x, m.y.x, m.z.x}, {m.x.y, m.y.y, m.z.y}, {m.x.z, m.y.z, m.z.z}};
}
static inline lr_mat3 lr_rotation_x(double a)
{
    return (lr_mat3){{1, 0, 0}, {0, cos(a), sin(a)}, {0, -sin(a), cos(a)}};
}
static inline lr_mat3 lr_rotation_y(double a)
{
    return (lr_mat3){{cos(a), 0, -sin(a)}, {0, 1, 0}, {sin(a), 0, cos(a)}};
}
static inline lr_mat3 lr_rotation_z(double a)
{
    return (lr_mat3){{cos(a), sin(a), 0}, {-sin(a), cos(a), 0}, {0, 0, 1}};
}
// `rotate_deg: [x, y, z]` of the files: about x first, then y, then z, each about the fixed parent axis.
static inline lr_mat3 lr_rotation_xyz(lr_vec3 rad)
{
    return lr_mat3_mul(lr_rotation_z(rad.z), lr_mat3_mul(lr_rotation_y(rad.y), lr_rotation_x(rad.x)));
}
// Rodrigues' formula; axis of unit length.
static inline lr_mat3 lr_rotation_about(lr_vec3 k, double a)
{
    const double c = cos(a), s = sin(a), t = 1.0 - c;
    return (lr_mat3){{t*k.x*k.x + c, t*k.x*k.y + s*k.z, t*k.x*k.z - s*k.y},
                     {t*k.x*k.y - s*k.z, t*k.y*k.y + c, t*k.y*k.z + s*k.x},
                     {t*k.x*k.z + s*k.y, t*k.y*k.z - s*k.x, t*k.z*k.z + c}};
}

static inline lr_pose lr_pose_identity(void) { return (lr_pose){lr_mat3_identity(), {0, 0, 0}}; }
static inline lr_vec3 lr_pose_point(lr_pose p, lr_vec3 v) { return lr_add(lr_rotate(p.rotation, v), p.origin); }
static inline lr_vec3 lr_pose_point_back(lr_pose p, lr_vec3 v)
{
    return lr_rotate_back(p.rotation, lr_sub(v, p.origin));
}
static inline lr_pose lr_pose_mul(lr_pose a, lr_pose b)  // child b inside parent a
{
    return (lr_pose){lr_mat3_mul(a.rotation, b.rotation), lr_pose_point(a, b.origin)};
}
static inline lr_pose lr_pose_inverse(lr_pose p)
{
    const lr_mat3 r = lr_mat3_transpose(p.rotation);
    return (lr_pose){r, lr_mul(lr_rotate(r, p.origin), -1.0)};
}

// Two axes that make a right-handed frame with the unit normal n.
// Source: Duff et al., Building an Orthonormal Basis, Revisited, JCGT 6(1), 2017.
static inline lr_mat3 lr_frame_around(lr_vec3 n)
{
    const double sign = n.z >= 0.0 ? 1.0 : -1.0, a = -1.0/(sign + n.z), b = n.x*n.y*a;
    return (lr_mat3){{1.0 + sign*n.x*n.x*a, sign*b, -sign*n.x}, {b, sign + n.y*n.y*a, -n.y}, n};
}

static inline lr_box3 lr_box3_empty(void)
{
    return (lr_box3){{(double)INFINITY, (double)INFINITY, (double)INFINITY}, {-(double)INFINITY, -(double)INFINITY, -(double)INFINITY}};
}
static inline lr_box3 lr_box3_add(lr_box3 b, lr_vec3 p)
{
    return (lr_box3){{fmin(b.lo.x, p.x), fmin(b.lo.y, p.y), fmin(b.lo.z, p.z)},
                     {fmax(b.hi.x, p.x), fmax(b.hi.y, p.y), fmax(b.hi.z, p.z)}};
}

#endif
