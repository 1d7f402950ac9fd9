// SPDX-License-Identifier: Apache-2.0
// The lit curve of one line, found from the laser: a fan of rays even in power, their chains, and the straight pieces between them.
// Where two neighbours land on two planes that meet in between, the pieces end at the crease; else half way.
#include <math.h>
#include <string.h>

#include "trace/indirect.h"

#define FLAT_M 5e-6f            // neighbours this near each other's planes lie on one
#define SMOOTH 0.9f             // cosine between the normals of neighbours on one bent surface
#define STRETCH 4.0f            // a plane is followed at most this many lengths out and in
#define LEAN_MOST 20.0f         // on a slanting surface the sheet is spread at most this much

float lr_fan_angle(const lr_fan_table *fan, float u)
{
    const float x = fminf(fmaxf(u, 0.0f), 1.0f)*(float)LR_FAN_NODES;
    const int i = x < (float)(LR_FAN_NODES - 1) ? (int)x : LR_FAN_NODES - 1;
    return fan->alpha_rad[i] + (x - (float)i)*(fan->alpha_rad[i + 1] - fan->alpha_rad[i]);
}

static lr_vec3f fan_direction(const lr_fan *fan, float u)
{
    const int module = (int)(fan->job->module - fan->job->tracer->rig->module);
    const double alpha = (double)lr_fan_angle(&fan->job->work->indirect->fan[module][fan->index], u);
    return lr_v3f_of(lr_rotate(fan->pose.rotation, lr_v3(cos(alpha), 0.0, sin(alpha))));
}

// Beside each ray that meets a mirror or glass goes one a sigma off: what lies between them where they end is how wide the sheet is
// there, whatever bent it.
static void add_rays_beside(const lr_fan *fan)
{
    lr_indirect *in = fan->job->work->indirect;
    const lr_scene *scene = fan->job->tracer->scene;
    const int count = in->rays.count;
    const lr_vec3f origin = lr_v3f_of(fan->pose.origin), side = lr_v3f_of(fan->pose.rotation.y);
    lr_work_intersect(fan->job, &in->rays, LR_RAYS_COHERENT, LR_RAY_LASER);
    for (int i = 0; i < count; i++) {
        if (in->rays.object[i] < 0)
            continue;
        int material;
        float scale;
        const lr_surface *s = lr_scene_surface(scene, in->rays.object[i], in->rays.primitive[i], in->rays.u[i], in->rays.v[i], &scale, &material);
        if (!lr_surface_is_smooth(s))
            continue;
        const int slot = in->rays.count++;
        const lr_vec3f from = lr_madf(origin, (float)lr_sheet_sigma_m(fan->laser->sheet, 0.0), side);
        const lr_vec3f to = lr_madf(lr_rays_point(&in->rays, i), (float)lr_sheet_sigma_m(fan->laser->sheet, (double)in->rays.t[i]), side);
        in->fan_ray[slot] = in->fan_ray[i];
        in->fan_ray[slot].step += LR_FAN_BESIDE;
        lr_rays_set(&in->rays, slot, from, lr_unitf(lr_subf(to, from)), 0.0f, INFINITY, in->rays.time_s[i]);
    }
}

static void start_fan(lr_fan *fan)
{
    lr_indirect *in = fan->job->work->indirect;
    const float shift = lr_uniform(lr_hash(fan->seed, 0x6c696e65u)) - 0.5f;
    const lr_vec3f origin = lr_v3f_of(fan->pose.origin), side = lr_v3f_of(fan->pose.rotation.y);
    in->rays.count = 0;
    for (int i = 0; i <= fan->steps; i++) {
        fan->u[i] = i == 0 ? 0.0f : i == fan->steps ? 1.0f : ((float)i + shift)/(float)fan->steps;
        const int slot = in->rays.count++;
        in->fan_ray[slot] = (lr_fan_ray){.step = i, .medium = -1, .weight = 1.0f, .u = fan->u[i], .side = side};
        lr_rays_set(&in->rays, slot, origin, fan_direction(fan, fan->u[i]), 0.0f, INFINITY, (float)fan->job->moment.time_s);
    }
    if (in->has_smooth)
        add_rays_beside(fan);
}

// ---- pieces -----------------------------------------------------------------------------------------------------------

typedef struct lr_pencil { lr_vec3f apex, d, apex_step, d_step; } lr_pencil;  // the rays from one neighbour (0) to the other (1)

static lr_vec3f apex_of(const lr_lit_point *p) { return lr_madf(p->point, -p->length, p->direction); }

static lr_pencil pencil_between(const lr_lit_point *a, lr_vec3f apex, lr_vec3f direction)
{
    const lr_vec3f from = apex_of(a);
    return (lr_pencil){from, a->direction, lr_subf(apex, from), lr_subf(direction, a->direction)};
}

// Distance along the ray at `t` to the plane of p, kept within STRETCH; *inside tells if it had to be.
static float depth_at(const lr_pencil *pencil, const lr_lit_point *p, float t, int *inside)
{
    const lr_vec3f q = lr_madf(pencil->apex, t, pencil->apex_step), d = lr_madf(pencil->d, t, pencil->d_step);
    const float depth = lr_dotf(p->normal, lr_subf(p->point, q))/lr_dotf(p->normal, d);
    *inside = depth >= p->length/STRETCH && depth <= p->length*STRETCH;
    return *inside ? depth : depth > 0.0f && depth < p->length ? p->length/STRETCH : p->length*STRETCH;
}

static lr_vec3f place_at(const lr_pencil *pencil, float t, float depth)
{
    return lr_madf(lr_madf(pencil->apex, t, pencil->apex_step), depth, lr_madf(pencil->d, t, pencil->d_step));
}

// One sigma across the sheet, laid along the ray onto the surface.
static lr_vec3f across_of(const lr_fan *fan, const lr_lit_point *p, lr_vec3f normal)
{
    const lr_lit_point *beside = p->ray.chained ? lr_fan_find(fan->job->work->indirect, p->ray.chain, p->ray.step + LR_FAN_BESIDE) : NULL;
    if (beside && beside->object == p->object && lr_dotf(beside->normal, p->normal) > SMOOTH) {
        const lr_vec3f off = lr_subf(beside->point, p->point);
        return lr_madf(off, -lr_dotf(off, normal), normal);
    }
    const float sigma = (float)lr_sheet_sigma_m(fan->laser->sheet, (double)p->length);
    float lean = lr_dotf(normal, p->ray.side)/lr_dotf(normal, p->direction);
    lean = fminf(fmaxf(lean, -LEAN_MOST), LEAN_MOST);
    return lr_mulf(lr_madf(p->ray.side, -lean, p->direction), sigma);
}

static void finish_piece(const lr_fan *fan, lr_lit_piece *piece, const lr_lit_point *p, float u0, float u1, float weight)
{
    lr_lit_curve *curve = &fan->job->work->indirect->curve;
    piece->across = across_of(fan, p, piece->normal);
    piece->u0 = u0;
    piece->u1 = u1;
    piece->laser = fan->index;
    piece->chained = p->ray.chained;
    piece->object = p->object;
    piece->surface = p->surface;
    piece->scale = p->scale;
    piece->power_w = (float)fan->laser->def->power_w*fabsf(u1 - u0)*weight;
    curve->chained |= p->ray.chained;
}

lr_lit_piece *lr_fan_piece(const lr_fan *fan)
{
    lr_lit_curve *curve = &fan->job->work->indirect->curve;
    if (curve->count >= fan->end)
        return NULL;
    lr_lit_piece *piece = &curve->piece[curve->count++];
    *piece = (lr_lit_piece){0};   // nothing stays of the line before
    return piece;
}

static lr_lit_piece *new_piece(const lr_fan *fan, float u0, float u1) { return u0 != u1 ? lr_fan_piece(fan) : NULL; }

// The piece on p's plane between t0 and t1 of the pencil, which carries the shares u0 .. u1.
static void add_piece(const lr_fan *fan, const lr_pencil *pencil, const lr_lit_point *p, float t0, float t1, float u0, float u1)
{
    int inside;
    lr_lit_piece *piece = new_piece(fan, u0, u1);
    if (!piece)
        return;
    piece->normal = p->normal;
    piece->r0 = depth_at(pencil, p, t0, &inside);
    piece->r1 = depth_at(pencil, p, t1, &inside);
    piece->a = place_at(pencil, t0, piece->r0);
    piece->e = lr_subf(place_at(pencil, t1, piece->r1), piece->a);
    piece->e = lr_madf(piece->e, -lr_dotf(piece->e, p->normal), p->normal);
    piece->in0 = lr_mulf(lr_unitf(lr_madf(pencil->d, t0, pencil->d_step)), -1.0f);
    piece->in1 = lr_mulf(lr_unitf(lr_madf(pencil->d, t1, pencil->d_step)), -1.0f);
    finish_piece(fan, piece, p, u0, u1, p->ray.weight);
}

// The straight piece from one neighbour to the other.
static void add_chord(const lr_fan *fan, const lr_lit_point *a, const lr_lit_point *b)
{
    lr_lit_piece *piece = new_piece(fan, a->ray.u, b->ray.u);
    if (!piece)
        return;
    const lr_vec3f n = lr_addf(a->normal, b->normal), e = lr_subf(b->point, a->point);
    const float e2 = lr_dotf(e, e);
    piece->a = a->point;
    piece->e = e;
    piece->normal = lr_unitf(e2 > 0.0f ? lr_madf(n, -lr_dotf(n, e)/e2, e) : n);
    piece->r0 = a->length;
    piece->r1 = b->length;
    piece->in0 = lr_mulf(a->direction, -1.0f);
    piece->in1 = lr_mulf(b->direction, -1.0f);
    finish_piece(fan, piece, a, a->ray.u, b->ray.u, 0.5f*(a->ray.weight + b->ray.weight));
    const lr_vec3f other = across_of(fan, b, piece->normal);
    piece->scale = 0.5f*(a->scale + b->scale);
    piece->across = lr_mulf(lr_addf(piece->across, lr_dotf(piece->across, other) >= 0.0f ? other : lr_mulf(other, -1.0f)), 0.5f);
}

static float share_at(const lr_fan *fan, float u0, float u1, float t)  // share of power below the ray at t; angles are even in t
{
    const int module = (int)(fan->job->module - fan->job->tracer->rig->module);
    const lr_fan_table *table = &fan->job->work->indirect->fan[module][fan->index];
    const float want = lr_fan_angle(table, u0) + t*(lr_fan_angle(table, u1) - lr_fan_angle(table, u0));
    return (float)lr_dots_cumulative(fan->laser->dots, (double)want);
}

// Where the two planes meet within the pencil; 0.5 if they do not.
static float crease(const lr_pencil *pencil, const lr_lit_point *a, const lr_lit_point *b)
{
    int in_a, in_b;
    float lo = 0.0f, hi = 1.0f;
    const float start = a->length - depth_at(pencil, b, 0.0f, &in_b), end = depth_at(pencil, a, 1.0f, &in_a) - b->length;
    if (!(in_a || in_b) || !(start*end < 0.0f))
        return 0.5f;
    for (int i = 0; i < 24; i++) {
        const float mid = 0.5f*(lo + hi);
        const float gap = depth_at(pencil, a, mid, &in_a) - depth_at(pencil, b, mid, &in_b);
        if (gap*start > 0.0f)
            lo = mid;
        else
            hi = mid;
    }
    return 0.5f*(lo + hi);
}

// How neighbours hang together: on one plane, or on one surface bent towards the light, a chord stays clear of it; on one bent away, and
// at a crease, it is their planes that do.
static void join(const lr_fan *fan, const lr_lit_point *a, const lr_lit_point *b)
{
    const lr_pencil pencil = pencil_between(a, apex_of(b), b->direction);
    const lr_vec3f between = lr_subf(b->point, a->point);
    const float above_a = lr_dotf(a->normal, between), above_b = -lr_dotf(b->normal, between), u0 = a->ray.u, u1 = b->ray.u;
    const int smooth = a->object == b->object && lr_dotf(a->normal, b->normal) > SMOOTH;
    const int flat = fabsf(above_a) <= FLAT_M && fabsf(above_b) <= FLAT_M, hollow = above_a > 0.0f && above_b > 0.0f;
    const int alike = a->surface == b->surface;
    if (alike && smooth && (flat || hollow)) {
        add_chord(fan, a, b);
        return;
    }
    const float t = flat ? 0.5f : crease(&pencil, a, b), u = fminf(fmaxf(share_at(fan, u0, u1, t), u0), u1);
    add_piece(fan, &pencil, a, 0.0f, t, u0, u);
    add_piece(fan, &pencil, b, t, 1.0f, u, u1);
}

// Half a step on alone, from p towards the fan's ray `other`, which went elsewhere. `last`: p's neighbour on the other side or NULL.
static void half_step(const lr_fan *fan, const lr_lit_point *p, int other, const lr_lit_point *last)
{
    lr_vec3f apex = apex_of(p), d = p->direction;
    const float u1 = fan->u[other], u = fminf(fmaxf(share_at(fan, p->ray.u, u1, 0.5f), fminf(p->ray.u, u1)), fmaxf(p->ray.u, u1));
    if (!p->ray.chained) {
        d = fan_direction(fan, u1);
    } else if (last) {
        const lr_vec3f was = apex_of(last);
        apex = lr_addf(apex, lr_subf(apex, was));
        d = lr_unitf(lr_addf(d, lr_subf(d, last->direction)));
    }
    const lr_pencil pencil = pencil_between(p, apex, d);
    add_piece(fan, &pencil, p, 0.0f, 0.5f, p->ray.u, u);
}

static int neighbours(const lr_lit_point *a, const lr_lit_point *b) { return a->ray.chain == b->ray.chain && b->ray.step == a->ray.step + 1; }

static void pieces_of(const lr_fan *fan)
{
    lr_indirect *in = fan->job->work->indirect;
    for (int i = 0; i < in->lit_count && in->curve.count < fan->end; i++) {
        const lr_lit_point *p = &in->lit[i];
        if (p->ray.step >= LR_FAN_BESIDE)
            continue;
        const lr_lit_point *before = i > 0 && neighbours(p - 1, p) ? p - 1 : NULL;
        const lr_lit_point *after = i + 1 < in->lit_count && neighbours(p, p + 1) ? p + 1 : NULL;
        if (after)
            join(fan, p, after);
        else if (p->ray.step < fan->steps)
            half_step(fan, p, p->ray.step + 1, before);
        if (!before && p->ray.step > 0)
            half_step(fan, p, p->ray.step - 1, after);
    }
}

// What fills all room may have wanted more of it.
static void make_pieces(const lr_fan *fan)
{
    lr_indirect *in = fan->job->work->indirect;
    const int first = in->curve.count;
    for (pieces_of(fan); in->curve.count >= fan->end; pieces_of(fan)) {
        lr_fan_thin(fan);
        in->curve.count = first;
    }
}

// ---- the curve ----------------------------------------------------------------------------------------------------------

static void set_glow(lr_glow_table *t, int k, lr_vec3f middle, lr_vec3f half, lr_vec3f normal, lr_vec3f in)
{
    t->mx[k] = middle.x; t->my[k] = middle.y; t->mz[k] = middle.z;
    t->hx[k] = half.x; t->hy[k] = half.y; t->hz[k] = half.z;
    t->nx[k] = normal.x; t->ny[k] = normal.y; t->nz[k] = normal.z;
    t->ix[k] = in.x; t->iy[k] = in.y; t->iz[k] = in.z;
    t->reach2[k] = 16.0f*lr_dotf(half, half);
}

static void tabulate(lr_lit_curve *curve, int first, int bin)
{
    lr_glow_table *t = &curve->glow;
    for (int k = first; k < curve->count; k++) {
        const lr_lit_piece *p = &curve->piece[k];
        const lr_vec3f half = lr_mulf(p->e, 0.5f), middle = lr_madf(lr_addf(p->a, half), p->patch ? 0.5f : 0.0f, p->across);
        const lr_vec3f in = lr_unitf(lr_addf(p->in0, p->in1));
        const lr_look look = lr_look_of(p->surface, p->scale, bin);
        set_glow(t, k, middle, half, p->normal, in);
        t->glow[k] = p->power_w*look.matte;
        t->lobe[k] = p->power_w*look.lobe/(4.0f*fmaxf(lr_dotf(in, p->normal), 0.05f));
        t->alpha2[k] = look.alpha2;
        t->reach2[k] += p->patch ? 4.0f*lr_dotf(p->across, p->across) : 0.0f;
        t->held[k] = p->held;
    }
}

static int same_plane(const lr_lit_piece *a, const lr_lit_piece *b)
{
    return !a->patch && !b->patch && a->chained == b->chained && lr_dotf(a->normal, b->normal) > 0.999999f &&
           fabsf(lr_dotf(a->normal, lr_subf(b->a, a->a))) < 1e-4f;
}

static lr_vec3f end_of(const lr_lit_piece *p) { return lr_addf(p->a, p->e); }

// Pieces `first` .. `last` as one.
static void add_group(lr_lit_curve *c, int first, int last)
{
    const int g = c->group_count++;
    const lr_vec3f half = lr_mulf(lr_subf(end_of(&c->piece[last]), c->piece[first].a), 0.5f);
    const lr_glow_table *t = &c->glow;
    lr_vec3f middle = lr_addf(c->piece[first].a, half);
    if (first == last)
        middle = lr_v3f(t->mx[first], t->my[first], t->mz[first]);
    set_glow(&c->group, g, middle, half, c->piece[first].normal, lr_unitf(lr_addf(c->piece[first].in0, c->piece[last].in1)));
    float glow = 0.0f, lobe = 0.0f, alpha2 = 1.0f;
    for (int i = first; i <= last; i++) {
        glow += t->glow[i];
        lobe += t->lobe[i];
        if (t->lobe[i] > 0.0f)
            alpha2 = fminf(alpha2, t->alpha2[i]);
    }
    c->group.glow[g] = glow;
    c->group.lobe[g] = lobe;
    c->group.alpha2[g] = alpha2;
    c->group.held[g] = t->held[first];
    c->group.reach2[g] = fmaxf(c->group.reach2[g], t->reach2[first]);
    c->shiny[g] = lobe > 0.0f;
    c->first_piece[g] = first;
    c->first_piece[g + 1] = last + 1;
}

static void group_pieces(lr_lit_curve *c, int first, int end)
{
    for (int i = first; i < end; ) {
        int last = i;
        while (last + 1 < end && last - i < 15 && same_plane(&c->piece[i], &c->piece[last + 1]) &&
               lr_dotf(lr_subf(c->piece[last + 1].a, end_of(&c->piece[last])), lr_subf(c->piece[last + 1].a, end_of(&c->piece[last]))) < 1e-6f)
            last++;
        add_group(c, i, last);
        i = last + 1;
    }
}

static void add_laser(const lr_line_job *job, int index)
{
    lr_indirect *in = job->work->indirect;
    const lr_rig_laser *laser = &job->module->laser[index];
    lr_fan fan = {.job = job, .laser = laser, .index = index, .steps = job->tracer->def.curve_rays};
    const int most = LR_CURVE_PIECES/(4*job->module->laser_count);
    fan.steps = fan.steps < most ? fan.steps : most;
    // Each laser has room for four pieces a ray of its sheet: one chain makes up to two, and second landings are up to one.
    const int first = in->curve.count, end = first + (LR_CURVE_PIECES - first)/(job->module->laser_count - index);
    fan.end = laser->def->mode == LR_LASER_SHEET ? end - fan.steps : end;
    uint64_t when;
    memcpy(&when, &job->moment.time_s, sizeof when);
    fan.seed = lr_hash(lr_hash((uint32_t)job->tracer->def.seed, (uint32_t)(when ^ (when >> 32))), (uint32_t)(in->module*LR_MAX_LASERS + index));
    fan.pose = lr_pose_mul(job->moment.pose, laser->in_module);
    if (laser->def->mode == LR_LASER_FLOOD) {
        lr_flood_patches(&fan);
    } else {
        start_fan(&fan);
        lr_fan_follow(&fan);
        make_pieces(&fan);
    }
    const int second = in->curve.count;
    fan.end = end;
    if (laser->def->mode == LR_LASER_SHEET)
        lr_second_landings(&fan, first);
    tabulate(&in->curve, first, laser->bin);
    group_pieces(&in->curve, first, second);
    in->curve.second_group[index] = in->curve.group_count;
    group_pieces(&in->curve, second, in->curve.count);
}

void lr_lit_curve_make(const lr_line_job *job)
{
    lr_indirect *in = job->work->indirect;
    lr_lit_curve *curve = &in->curve;
    const int module = (int)(job->module - job->tracer->rig->module);
    if (in->module == module && in->time_s == job->moment.time_s && in->seed == job->tracer->def.seed)
        return;
    in->module = module;
    in->seed = job->tracer->def.seed;
    in->time_s = job->moment.time_s;
    in->draws = 0;
    curve->count = curve->group_count = curve->chained = 0;
    for (int l = 0; l < job->module->laser_count; l++) {
        const lr_laser_def *def = job->module->laser[l].def;
        curve->first_group[l] = curve->second_group[l] = curve->group_count;
        if (def->power_w > 0.0 && (def->mode == LR_LASER_SHEET || (def->mode == LR_LASER_FLOOD && in->has_smooth)))
            add_laser(job, l);
    }
    for (int l = job->module->laser_count; l <= LR_MAX_LASERS; l++)
        curve->first_group[l] = curve->group_count;
}
