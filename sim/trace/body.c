// SPDX-License-Identifier: Apache-2.0
#include "trace/body.h"

#include "core/wide.h"

// Wider than float rounds: of the distance from the shape, and at least.
#define SLACK_REL 1e-6f
#define SLACK_M 1e-5f
// Across the axis more: how near a ray comes to it is known from where it does, to about SLACK_REL of the distance over the root of STEEP.
#define ACROSS 10.0f
#define STEEP 1e-2f           // square of the sine to the axis below which that place is not known, and the ray taken as wide as it may turn out
#define BODY_PAD_REL 1e-6     // bounds in float must hold shapes in double
#define BODY_PAD_M 1e-6

static lr_box3 local_bounds(const lr_object *object)
{
    const lr_box3 box = object->mesh ? lr_mesh_bounds(object->mesh) : lr_curved_bounds(&object->curved);
    return (lr_box3){lr_mul(box.lo, object->scale), lr_mul(box.hi, object->scale)};
}

static void put3(float to[3], lr_vec3 v)
{
    to[0] = (float)v.x;
    to[1] = (float)v.y;
    to[2] = (float)v.z;
}

// Curved shapes turn about their z axis. Only a ring and a disc leave a hole that no ray through it can meet: all else is closed, or met from inside.
static lr_body_gate gate_of(const lr_object *object)
{
    const lr_box3 box = local_bounds(object);
    const lr_curved *c = &object->curved;
    lr_body_gate gate = {.half = INFINITY, .outer = INFINITY};
    put3(gate.center, lr_pose_point(object->pose, lr_mul(lr_add(box.lo, box.hi), 0.5)));
    put3(gate.axis[0], object->pose.rotation.x);
    put3(gate.axis[1], object->pose.rotation.y);
    put3(gate.axis[2], object->pose.rotation.z);
    if (object->motion || object->mesh)
        return gate;
    gate.half = (float)(0.5*(box.hi.z - box.lo.z));
    gate.outer = (float)(0.5*(box.hi.x - box.lo.x));
    gate.hole = (float)(object->scale*(c->kind == LR_CURVED_TORUS ? c->radius - c->radius2 : c->kind == LR_CURVED_DISC ? c->radius2 : 0.0));
    return gate;
}

lr_body lr_body_of(const lr_scene *scene, int object, int tree)
{
    const lr_object *o = &scene->object[object];
    return (lr_body){.object = o, .index = object, .tree = tree, .pose = o->pose, .inverse_scale = 1.0/o->scale, .gate = gate_of(o)};
}

// Square of the distance from the axis, t along the ray.
static inline float away2(float x, float y, float dx, float dy, float t)
{
    const float u = x + t*dx, v = y + t*dy;
    return u*u + v*v;
}

LR_WIDE_WHOLE unsigned lr_body_gate_keep(const lr_body_gate *gate, const lr_body_lanes *rays, int count, const int *valid)
{
    const lr_body_gate g = *gate;
    const float *ax = g.axis[0], *ay = g.axis[1], *az = g.axis[2];
    unsigned keep = 0;
    for (int i = 0; i < count; i++) {
        const float wx = rays->origin[0][i] - g.center[0], wy = rays->origin[1][i] - g.center[1], wz = rays->origin[2][i] - g.center[2];
        const float vx = rays->direction[0][i], vy = rays->direction[1][i], vz = rays->direction[2][i];
        const float x = wx*ax[0] + wy*ax[1] + wz*ax[2], y = wx*ay[0] + wy*ay[1] + wz*ay[2], z = wx*az[0] + wy*az[1] + wz*az[2];
        const float dx = vx*ax[0] + vy*ax[1] + vz*ax[2], dy = vx*ay[0] + vy*ay[1] + vz*ay[2], dz = vx*az[0] + vy*az[1] + vz*az[2];
        const float slack = SLACK_M + SLACK_REL*(fabsf(wx) + fabsf(wy) + fabsf(wz) + fabsf(rays->t_near[i]));
        const float half = g.half*(1.0f + SLACK_REL) + slack, once = 1.0f/dz, t0 = (-half - z)*once, t1 = (half - z)*once;
        const float enter = t0 < t1 ? t0 : t1, leave = t0 < t1 ? t1 : t0;
        float lo = rays->t_near[i] - slack, hi = rays->t_far[i]*(1.0f + SLACK_REL) + slack;
        lo = enter > lo ? enter : lo;   // what is not a number, across the axis, leaves it as it is
        hi = leave < hi ? leave : hi;
        const float steep = dx*dx + dy*dy, nearest = -(x*dx + y*dy)/steep, later = nearest > lo ? nearest : lo, t = later < hi ? later : hi;
        const float beside = ACROSS*slack + (steep < STEEP ? sqrtf(STEEP)*(hi - lo) : 0.0f), outer = g.outer*(1.0f + SLACK_REL) + beside;
        const float hole = g.hole*(1.0f - SLACK_REL) - ACROSS*slack, hole2 = hole > 0.0f ? hole*hole : 0.0f;
        // The distance from the axis is largest at an end.
        const int past = away2(x, y, dx, dy, t) > outer*outer, through = (int)(away2(x, y, dx, dy, lo) < hole2) & (int)(away2(x, y, dx, dy, hi) < hole2);
        keep |= ((unsigned)valid[i] & !(lo > hi) & !past & !through) << i;
    }
    return keep;
}

static double farthest(double a, double b) { return fmax(fabs(a), fabs(b)); }

static lr_box3 joined(lr_box3 a, lr_box3 b) { return lr_box3_add(lr_box3_add(a, b.lo), b.hi); }

static lr_box3 around(lr_vec3 centre, lr_vec3 half) { return (lr_box3){lr_sub(centre, half), lr_add(centre, half)}; }

static double reach_of_box(double x, double y, double z, lr_vec3 half) { return fabs(x)*half.x + fabs(y)*half.y + fabs(z)*half.z; }

static lr_box3 mesh_box(lr_box3 local, lr_pose pose)
{
    const lr_vec3 half = lr_mul(lr_sub(local.hi, local.lo), 0.5), middle = lr_mul(lr_add(local.lo, local.hi), 0.5);
    const lr_mat3 r = pose.rotation;
    return around(lr_pose_point(pose, middle), lr_v3(reach_of_box(r.x.x, r.y.x, r.z.x, half), reach_of_box(r.x.y, r.y.y, r.z.y, half),
                                                     reach_of_box(r.x.z, r.y.z, r.z.z, half)));
}

// Along a world axis that makes an angle of cosine `cosine` with the cylinder's.
static double reach_of_cylinder(double cosine, double radius, double half)
{
    return radius*sqrt(fmax(0.0, 1.0 - cosine*cosine)) + half*fabs(cosine);
}

// Curved shapes turn about their z axis, so each lies in the cylinder about it that its box spans.
static lr_box3 curved_box(lr_box3 local, lr_pose pose)
{
    const double half = 0.5*(local.hi.z - local.lo.z), radius = fmax(farthest(local.lo.x, local.hi.x), farthest(local.lo.y, local.hi.y));
    const lr_vec3 z = pose.rotation.z, centre = lr_mad(pose.origin, 0.5*(local.lo.z + local.hi.z), z);
    return around(centre, lr_v3(reach_of_cylinder(z.x, radius, half), reach_of_cylinder(z.y, radius, half), reach_of_cylinder(z.z, radius, half)));
}

static lr_box3 box_in(const lr_object *object, lr_box3 local, lr_pose pose)
{
    return object->mesh ? mesh_box(local, pose) : curved_box(local, pose);
}

// ---- how far motion carries a point -------------------------------------------------------------------------------------

typedef struct travel { double shift_m, turn_rad; } travel;

static double sum_abs(lr_vec3 v) { return fabs(v.x) + fabs(v.y) + fabs(v.z); }

// Length of the way its keys go between two times. Turning by three angles turns by at most their sum.
static travel travel_between(const lr_motion *motion, double from_s, double to_s)
{
    travel sum = {0, 0};
    for (int k = 1; k < motion->key_count; k++) {
        const lr_motion_key *a = &motion->key[k - 1], *b = &motion->key[k];
        const double lo = fmax(from_s, a->time_s), hi = fmin(to_s, b->time_s), span = b->time_s - a->time_s;
        if (hi < lo)
            continue;
        const double share = span > 0 ? (hi - lo)/span : 1.0;
        sum.shift_m += share*lr_length(lr_sub(b->offset, a->offset));
        sum.turn_rad += share*sum_abs(lr_sub(b->rotate_rad, a->rotate_rad));
    }
    return sum;
}

// Farthest that the motion takes a point `arm_m` from its pivot away from where it is at rest.
static double farthest_from_rest(const lr_motion *motion, double arm_m)
{
    double shift_m = 0, turn_rad = 0;
    for (int k = 0; k < motion->key_count; k++) {
        shift_m = fmax(shift_m, lr_length(motion->key[k].offset));
        turn_rad = fmax(turn_rad, sum_abs(motion->key[k].rotate_rad));
    }
    return shift_m + fmin(2.0, turn_rad)*arm_m;
}

// Farthest that any point of the ball (centre, radius: the body at rest) goes between two times. An outer motion carries what
// the inner ones have already moved: each adds its own way, about its own pivot, with an arm long enough for both.
static double farthest_between(const lr_body *body, lr_vec3 centre, double radius_m, double from_s, double to_s)
{
    double way_m = 0, moved_m = 0;
    for (const lr_motion *m = body->object->motion; m; m = m->outer) {
        const double arm_m = lr_length(lr_sub(centre, m->frame.origin)) + radius_m + moved_m;
        const travel t = travel_between(m, from_s, to_s);
        way_m += t.shift_m + fmin(2.0, t.turn_rad)*arm_m;
        moved_m += farthest_from_rest(m, arm_m);
    }
    return way_m;
}

static lr_box3 swept_box(const lr_body *body, lr_box3 local)
{
    enum { MOMENTS = 256 };
    const lr_vec3 centre = lr_pose_point(body->pose, lr_mul(lr_add(local.lo, local.hi), 0.5));
    const double radius_m = 0.5*lr_length(lr_sub(local.hi, local.lo));
    double first_s, last_s;
    lr_object_motion_span(body->object, &first_s, &last_s);
    lr_box3 box = lr_box3_empty();
    for (int k = 0; k < MOMENTS; k++) {
        const double from_s = first_s + (last_s - first_s)*k/MOMENTS, to_s = first_s + (last_s - first_s)*(k + 1)/MOMENTS;
        const lr_box3 moment = box_in(body->object, local, lr_object_pose_at(body->object, 0.5*(from_s + to_s)));
        const double way_m = farthest_between(body, centre, radius_m, from_s, to_s);
        box = joined(box, (lr_box3){lr_sub(moment.lo, lr_v3(way_m, way_m, way_m)), lr_add(moment.hi, lr_v3(way_m, way_m, way_m))});
    }
    return box;
}

lr_box3 lr_body_bounds(const lr_body *body)
{
    const lr_box3 local = local_bounds(body->object);
    return body->object->motion ? swept_box(body, local) : box_in(body->object, local, body->pose);
}

static float rounded_out(double x, float towards)
{
    return nextafterf((float)(x + copysign(BODY_PAD_REL*fabs(x) + BODY_PAD_M, (double)towards)), towards);
}

void lr_body_padded(const lr_body *body, float lo[3], float hi[3])
{
    const lr_box3 box = lr_body_bounds(body);
    const double low[3] = {box.lo.x, box.lo.y, box.lo.z}, high[3] = {box.hi.x, box.hi.y, box.hi.z};
    for (int k = 0; k < 3; k++) {
        lo[k] = rounded_out(low[k], -INFINITY);
        hi[k] = rounded_out(high[k], INFINITY);
    }
}
