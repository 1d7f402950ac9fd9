// SPDX-License-Identifier: Apache-2.0
// Connecting a surface to the lit curve: which piece, where on it, and how much would arrive.
#include <math.h>

#include "core/rng.h"
#include "core/wide.h"
#include "trace/indirect.h"
#include "trace/surface_eval.h"

#define BLOCK 16                // pieces weighed together; LR_CHOICE_BLOCKS counts on it
#define NEAR_PIXELS 16.0f       // within so many pixel widths the place across the pixel matters
#define CANDIDATES 4            // pieces to choose among where the surface does not shine evenly
#define MOST_PLACES 16          // places to choose among on a piece where it or the surface does not, and
#define PLACES_A_LOBE 3.0f      // about so many in what the narrower lobe sees of it
#define FACING_LEAST 1e-4f
#define IN_PLANE_M 2e-6f        // rounding of a distance from a plane
#define SHARE_PIXELS 2.0f       // points within so many pixel widths may share one choice
#define SHARE_APART 4.0f        // unless pieces within this many times the distance
#define SHARE_NEAR 0.02f        // make up more than this share of the light

// ---- worth of pieces ----------------------------------------------------------------------------------------------------

typedef struct lr_line_view {   // a piece, its sheet offset taken, as seen from a point
    lr_vec3f to, unit;          // to its start; along it
    float length, foot, gap2;   // foot: place nearest to the point; gap2: distance there, squared
} lr_line_view;

static lr_line_view view_line(const lr_lit_piece *p, float offset_sigma, lr_vec3f point)
{
    lr_line_view v = {.to = lr_subf(lr_madf(p->a, offset_sigma, p->across), point), .length = sqrtf(lr_dotf(p->e, p->e))};
    v.unit = v.length > 0.0f ? lr_mulf(p->e, 1.0f/v.length) : lr_v3f(0.0f, 0.0f, 0.0f);
    v.foot = -lr_dotf(v.to, v.unit);
    v.gap2 = fmaxf(lr_dotf(v.to, v.to) - v.foot*v.foot, 1e-14f);
    return v;
}

// Integral of (a + b x)/(x^2 + h^2)^2 over x0 .. x1.
static float line_integral(float a, float b, float h2, float x0, float x1)
{
    const float h = sqrtf(h2), q0 = 1.0f/(x0*x0 + h2), q1 = 1.0f/(x1*x1 + h2);
    return a*(0.5f*(x1*q1 - x0*q0)/h2 + 0.5f*(atanf(x1/h) - atanf(x0/h))/(h2*h)) - 0.5f*b*(q1 - q0);
}

// Unshadowed worth of a near piece by its closed form for two matte surfaces. `soft2`: spread of the point itself, squared.
static float near_worth(const lr_lit_piece *p, float glow, float offset_sigma, const lr_receiver *x, float soft2)
{
    const lr_line_view v = view_line(p, offset_sigma, x->point);
    const float out = -lr_dotf(p->normal, v.to), slope = lr_dotf(x->normal, v.unit), at_foot = lr_dotf(x->normal, v.to) + slope*v.foot;
    if (!(out > 0.0f))
        return 0.0f;
    if (!(v.length > 1e-6f)) {
        const float d2 = lr_dotf(v.to, v.to) + soft2 + 1e-10f;
        return glow*fmaxf(0.0f, lr_dotf(x->normal, v.to))*out/(d2*d2);
    }
    float x0 = -v.foot, x1 = v.length - v.foot;
    if (slope != 0.0f) {           // only where the surface faces it
        const float edge = -at_foot/slope;
        if (slope > 0.0f)
            x0 = fmaxf(x0, edge);
        else
            x1 = fminf(x1, edge);
    } else if (!(at_foot > 0.0f)) {
        return 0.0f;
    }
    return x1 > x0 ? fmaxf(0.0f, glow*out*line_integral(at_foot, slope, v.gap2 + soft2, x0, x1)/v.length) : 0.0f;
}

// The share of each way that a connection holds. Of a way over d from the curve and then b, with C = LR_NEAR_M and K = LR_CLOSE_M, the second
// landing holds C^2/(d^2 + C^2) (b^2 + held)/(b^2 + C^2), held = C^2 K^2/(d^2 + K^2). It lives by the first factor; its connection, over b, counts by
// the second. The path's connection, over d, holds the rest: d^2/(d^2 + K^2) (d^2 + K^2 + C^4/(b^2 + C^2))/(d^2 + C^2).
// K is 0 for ways to later surfaces of a path than its first, where landings right beside such a surface would be too bright in their turn, and where
// the landing or the surface that it lights has a lobe. Then held is 0 and nothing else changes: the shares add up to one for any K.
typedef struct lr_ramp { float add, below, close2, hold; } lr_ramp;   // of a connection over d: (d^2 + add + hold held) d^2/((d^2 + below) (d^2 + close2))

static lr_ramp ramp_of(const lr_receiver *x, int second)
{
    const float c2 = LR_NEAR_M*LR_NEAR_M, b2 = x->before_m*x->before_m, close2 = x->place == LR_NEXT && lr_surface_is_matte(x->surface) ? LR_CLOSE_M*LR_CLOSE_M : 0.0f;
    if (second)
        return (lr_ramp){0.0f, c2, 0.0f, x->place == LR_FIRST && lr_surface_is_matte(x->surface) ? 1.0f : 0.0f};
    return b2 > 0.0f ? (lr_ramp){close2 + c2*c2/(b2 + c2), c2, close2, 0.0f} : (lr_ramp){0.0f, 0.0f, 0.0f, 0.0f};
}

static float ramp_at(lr_ramp r, float held, float d2) { return (d2 + r.add + r.hold*held)*d2/((d2 + r.below)*(d2 + r.close2)); }

// Worths of BLOCK pieces from k on, of which `count` are there, seen from x or anywhere within `slack` of it on its plane; returns 1 if one that matters is within its own
// reach and `near2`. What lies in the plane of x up to rounding sends nothing.
LR_WIDE static int weigh_block(const lr_glow_table *restrict c, const lr_receiver *restrict x, int k, int count, float factor, float near2, float slack, lr_ramp ramp, float *restrict worth)
{
    const float px = x->point.x, py = x->point.y, pz = x->point.z, nx = x->normal.x, ny = x->normal.y, nz = x->normal.z;
    int near = 0;
    for (int j = 0; j < BLOCK; j++) {
        const int i = k + j;
        const float dx = c->mx[i] - px, dy = c->my[i] - py, dz = c->mz[i] - pz;
        const float d2 = dx*dx + dy*dy + dz*dz + 1e-10f, reach = d2 - c->reach2[i];
        const float in = nx*dx + ny*dy + nz*dz + fabsf(nx*c->hx[i] + ny*c->hy[i] + nz*c->hz[i]) - IN_PLANE_M;
        const float out = slack - (c->nx[i]*dx + c->ny[i]*dy + c->nz[i]*dz);
        worth[j] = factor*c->glow[i]*(in + fabsf(in))*(out + fabsf(out))*(d2 + ramp.add + ramp.hold*c->held[i])/(4.0f*d2*(d2 + ramp.below)*(d2 + ramp.close2));  // below 0: 0
        near |= (j < count) & (reach < near2) & (worth[j] > 0.0f);
    }
    return near;
}

// The same where lobes are in play, on the lit piece or on the surface itself: facets' density D between the two ways, with the lobe
// widened by how large the piece is seen. f cos of a lobe is about D/4 over the cosine of the way in. The half way h need not be unit:
// h2 is its square, up that of its share along the normal.
static inline float facets(float up, float h2, float alpha2)
{
    const float a2 = alpha2 + 1e-6f, q = up*(a2 - 1.0f) + h2, share = h2/q;
    return a2*share*share;  // times pi, as the matte share is
}

LR_WIDE static int weigh_shiny_block(const lr_glow_table *restrict c, const lr_receiver *restrict x, lr_look look, int k, int count, float factor, float near2, lr_ramp ramp, float *restrict worth)
{
    int near = 0;
    const float px = x->point.x, py = x->point.y, pz = x->point.z, nx = x->normal.x, ny = x->normal.y, nz = x->normal.z;
    const float wx = x->wo.x, wy = x->wo.y, wz = x->wo.z, cos_o = fmaxf(nx*wx + ny*wy + nz*wz, 0.05f), lobe = look.lobe/(4.0f*cos_o);
    for (int j = 0; j < BLOCK; j++) {
        const int i = k + j;
        const float dx = c->mx[i] - px, dy = c->my[i] - py, dz = c->mz[i] - pz;
        const float d2 = dx*dx + dy*dy + dz*dz + 1e-10f, d = sqrtf(d2), inverse = 1.0f/d;
        const float inverse2 = inverse*inverse, size2 = (c->hx[i]*c->hx[i] + c->hy[i]*c->hy[i] + c->hz[i]*c->hz[i])*inverse2;
        const float in = nx*dx + ny*dy + nz*dz + fabsf(nx*c->hx[i] + ny*c->hy[i] + nz*c->hz[i]);
        const float out = -(c->nx[i]*dx + c->ny[i]*dy + c->nz[i]*dz);
        const float ax = c->ix[i] - dx*inverse, ay = c->iy[i] - dy*inverse, az = c->iz[i] - dz*inverse;  // half way, at the piece
        const float an = ax*c->nx[i] + ay*c->ny[i] + az*c->nz[i], bx = wx + dx*inverse, by = wy + dy*inverse, bz = wz + dz*inverse;
        const float bn = bx*nx + by*ny + bz*nz;
        const float there = facets(an*an, ax*ax + ay*ay + az*az + 1e-12f, c->alpha2[i] + size2)*c->lobe[i];
        const float here = facets(bn*bn, bx*bx + by*by + bz*bz + 1e-12f, look.alpha2 + size2)*lobe;
        const float sides = (in > 0.0f ? 1.0f : 0.0f)*(out > 0.0f ? 1.0f : 0.0f);
        worth[j] = factor*sides*(in*look.matte + here*d)*(c->glow[i]*out + there*d)*inverse2*((d2 + ramp.add + ramp.hold*c->held[i])/((d2 + ramp.below)*(d2 + ramp.close2)));
        near |= (j < count) & (d2 - c->reach2[i] < near2) & (worth[j] > 0.0f) & (in > IN_PLANE_M);
    }
    return near;
}

lr_look lr_look_of(const lr_surface *s, float scale, int bin)
{
    switch (s->kind) {
    case LR_MATERIAL_METAL: return (lr_look){0.05f*scale, 0.9f*scale, s->alpha_x*s->alpha_y};
    case LR_MATERIAL_COATED: return (lr_look){s->base[bin]*scale + 0.01f, s->alpha_x > 0.0f ? 0.1f : 0.0f, s->alpha_x*s->alpha_x};
    default: return (lr_look){s->reflectance[bin]*scale, 0.0f, 1.0f};
    }
}

static float offset_on(const lr_lit_piece *p, const lr_worths *w) { return p->patch ? w->offset_patch : w->offset_sigma; }

static float distance2(const lr_glow_table *t, int k, lr_vec3f p)
{
    const float dx = t->mx[k] - p.x, dy = t->my[k] - p.y, dz = t->mz[k] - p.z;
    return dx*dx + dy*dy + dz*dz + 1e-10f;
}

// Whether some of group k may be nearer than `distance`.
static int within(const lr_glow_table *t, int k, lr_vec3f p, float distance)
{
    const float half = sqrtf(t->hx[k]*t->hx[k] + t->hy[k]*t->hy[k] + t->hz[k]*t->hz[k]) + distance;
    return distance2(t, k, p) < half*half;
}

// Worths of the pieces of group g; returns their sum.
static float weigh_pieces(const lr_worths *w, int g, int laser, int second, float worth[BLOCK])
{
    const lr_lit_curve *c = w->curve;
    const lr_receiver *x = w->x;
    const lr_look look = w->look[laser];
    const lr_ramp ramp = ramp_of(x, second);
    const int first = c->first_piece[g], count = c->first_piece[g + 1] - first;
    const float factor = x->factor[laser];
    const int shiny = look.lobe > 0.0f || c->shiny[g];
    const int near = shiny ? weigh_shiny_block(&c->glow, x, look, first, count, factor, w->near2, ramp, worth)
                           : weigh_block(&c->glow, x, first, count, factor*look.matte, w->near2, 0.0f, ramp, worth);
    float sum = 0.0f;
    for (int j = 0; j < count; j++) {
        const int i = first + j;
        const float d2 = near ? distance2(&c->glow, i, x->point) : INFINITY;
        if (d2 < c->glow.reach2[i] + w->near2) {
            const float close = factor*look.matte*near_worth(&c->piece[i], c->glow.glow[i], offset_on(&c->piece[i], w), x, w->soft2)*ramp_at(ramp, c->glow.held[i], d2);
            worth[j] = shiny ? fmaxf(close, worth[j]) : close;
        }
        sum += worth[j];
    }
    return sum;
}

static void weigh_groups(lr_worths *w, int from, int to, int laser, int second)
{
    const lr_lit_curve *c = w->curve;
    const lr_ramp ramp = ramp_of(w->x, second);
    const lr_look look = w->look[laser];
    const float factor = w->x->factor[laser];
    float one[BLOCK];
    for (int k = from; k < to; k += BLOCK) {
        const int end = k + BLOCK < to ? k + BLOCK : to, b = w->blocks++;
        int shiny = look.lobe > 0.0f;
        for (int g = k; g < end; g++)
            shiny |= c->shiny[g];
        const int near = shiny ? weigh_shiny_block(&c->group, w->x, look, k, end - k, factor, w->near2, ramp, w->worth + k)
                               : weigh_block(&c->group, w->x, k, end - k, factor*look.matte, w->near2, w->slack_m, ramp, w->worth + k);
        float sum = 0.0f;
        for (int g = k; g < end; g++) {
            if (near && w->worth[g] > 0.0f && distance2(&c->group, g, w->x->point) < c->group.reach2[g] + w->near2) {
                w->worth[g] = weigh_pieces(w, g, laser, second, one);
                w->near += within(&c->group, g, w->x->point, SHARE_APART*w->slack_m) ? w->worth[g] : 0.0f;
            }
            sum += w->worth[g];
        }
        w->block[b] = sum;
        w->start[b] = k;
        w->end[b] = end;
        w->laser[b] = laser;
        w->second[b] = second;
        w->total += sum;
    }
}

static void weigh(lr_worths *w, const lr_rig_module *module)
{
    const lr_lit_curve *c = w->curve;
    w->blocks = 0;
    w->total = w->near = 0.0f;
    for (int l = 0; l < module->laser_count; l++) {
        if (!(w->x->factor[l] > 0.0f))
            continue;
        w->look[l] = lr_look_of(w->x->surface, w->x->scale, module->laser[l].bin);
        weigh_groups(w, c->first_group[l], c->second_group[l], l, 0);
        weigh_groups(w, c->second_group[l], c->first_group[l + 1], l, 1);
    }
}

// A group by its worth, then a piece of it by its own; `u` in [0, 1). *chance 0: none.
static int pick(const lr_worths *w, float u, float *chance, int *second)
{
    float rest = u*w->total, one[BLOCK];
    int b = 0;
    while (b + 1 < w->blocks && rest >= w->block[b])
        rest -= w->block[b++];
    int g = w->start[b];
    while (g + 1 < w->end[b] && rest >= w->worth[g])
        rest -= w->worth[g++];
    const int first = w->curve->first_piece[g], count = w->curve->first_piece[g + 1] - first;
    *second = w->second[b];
    *chance = w->worth[g]/w->total;
    if (count == 1)
        return first;
    const float sum = weigh_pieces(w, g, w->laser[b], w->second[b], one);
    rest = fminf(fmaxf(rest/w->worth[g], 0.0f), 0.9999999f)*sum;
    int k = 0;
    while (k + 1 < count && rest >= one[k])
        rest -= one[k++];
    *chance = sum > 0.0f ? *chance*one[k]/sum : 0.0f;
    return first + k;
}

// ---- a place on a piece -----------------------------------------------------------------------------------------------

typedef struct lr_lit_place { lr_vec3f point, in; float s, power_w; } lr_lit_place;  // power over the density of its choice

static float share_between(const lr_lit_piece *p, float t) { return t*p->r0/(t*p->r0 + (1.0f - t)*p->r1); }  // of angle, to of length

static lr_lit_place place_at(const lr_lit_piece *p, float s, float t, float offset_sigma, float power_w)
{
    const lr_vec3f on = lr_madf(lr_madf(p->a, s, p->e), offset_sigma, p->across);
    return (lr_lit_place){on, lr_unitf(lr_madf(lr_mulf(p->in0, 1.0f - t), t, p->in1)), s, power_w};
}

static lr_lit_place place_by_power(const lr_lit_piece *p, const lr_fan_table *fan, float u, float offset_sigma)
{
    const float a0 = lr_fan_angle(fan, p->u0), a1 = lr_fan_angle(fan, p->u1);
    const float t = fminf(fmaxf((lr_fan_angle(fan, p->u0 + u*(p->u1 - p->u0)) - a0)/(a1 - a0), 0.0f), 1.0f);
    return place_at(p, share_between(p, t), t, offset_sigma, p->power_w);
}

void lr_lit_piece_place(const lr_lit_piece *p, const lr_fan_table *fan, float u, float sigmas, lr_vec3f *point, lr_vec3f *in)
{
    const lr_lit_place place = place_by_power(p, fan, u, sigmas);
    *point = place.point;
    *in = place.in;
}

// How much denser places even in power lie at s than places even in the angle that the piece is seen under.
static float power_over_angle(const lr_lit_piece *p, const lr_fan_table *fan, const lr_dots *dots, const lr_line_view *v, float s)
{
    const float gap = sqrtf(v->gap2), x = s*v->length - v->foot, angle = atanf((v->length - v->foot)/gap) - atanf(-v->foot/gap);
    const float density = v->length*gap/(angle*(x*x + v->gap2));              // over s
    const float below = s*p->r1 + (1.0f - s)*p->r0, t = s*p->r1/below, t_per_s = p->r0*p->r1/(below*below);
    const float a0 = lr_fan_angle(fan, p->u0), a1 = lr_fan_angle(fan, p->u1);
    return (float)lr_dots_density(dots, (double)(a0 + t*(a1 - a0)))*(a1 - a0)/(p->u1 - p->u0)*t_per_s/density;
}

static lr_lit_place place_by_angle(const lr_lit_piece *p, const lr_fan_table *fan, const lr_dots *dots, lr_vec3f point, float u, float offset_sigma)
{
    const lr_line_view v = view_line(p, offset_sigma, point);
    const float gap = sqrtf(v.gap2), from = atanf(-v.foot/gap), to = atanf((v.length - v.foot)/gap);
    const float s = fminf(fmaxf((gap*tanf(from + u*(to - from)) + v.foot)/v.length, 0.0f), 1.0f), t = s*p->r1/(s*p->r1 + (1.0f - s)*p->r0);
    return place_at(p, s, t, offset_sigma, p->power_w*power_over_angle(p, fan, dots, &v, s));
}

// One way or the other: where a lobe asks for the far end, places even in angle are too few there.
static lr_lit_place place_either_way(const lr_lit_piece *p, const lr_fan_table *fan, const lr_dots *dots, lr_vec3f point, float u, float offset_sigma)
{
    const lr_line_view v = view_line(p, offset_sigma, point);
    lr_lit_place place = u < 0.5f ? place_by_angle(p, fan, dots, point, 2.0f*u, offset_sigma) : place_by_power(p, fan, 2.0f*u - 1.0f, offset_sigma);
    const float ratio = power_over_angle(p, fan, dots, &v, place.s);
    place.power_w = p->power_w*2.0f*ratio/(1.0f + ratio);
    return place;
}

// Moves the point across its pixel to where 1/d^2 of the line asks for it; returns 1/density.
static float shift_across(const lr_receiver *x, const lr_lit_piece *p, float offset_sigma, float u, lr_vec3f *point)
{
    const lr_line_view v = view_line(p, offset_sigma, x->point);
    const lr_vec3f gap = lr_madf(v.to, v.foot, v.unit);                        // from the point straight to the line
    const lr_vec3f step = lr_madf(x->pixel_across, -lr_dotf(x->pixel_across, v.unit), v.unit);
    const float step2 = lr_dotf(step, step);
    if (!(step2 > 1e-16f))
        return 1.0f;
    const float best = lr_dotf(gap, step)/step2;                               // relative to at_across
    const float h = sqrtf(fmaxf(lr_dotf(gap, gap) - best*best*step2, 1e-12f)/step2);
    const float lo = atanf((-0.5f - x->at_across - best)/h), hi = atanf((0.5f - x->at_across - best)/h);
    if (!(hi - lo > 1e-6f))
        return 1.0f;
    const float y = h*tanf(lo + u*(hi - lo));
    *point = lr_madf(x->point, best + y, x->pixel_across);
    return (hi - lo)*(y*y + h*h)/h;
}

// ---- one connection -----------------------------------------------------------------------------------------------------

static lr_vec3f clear_of(lr_vec3f point, lr_vec3f normal) { return lr_madf(point, LR_OFFSET_M, normal); }

static float response_towards(const lr_lit_piece *p, const lr_lit_place *y, lr_vec3f wi, int bin)
{
    float f[LR_MAX_BINS];
    lr_surface_eval_world(p->surface, p->scale, p->normal, y->in, wi, f);
    return f[bin];
}

typedef struct lr_trial {       // of a piece
    const lr_indirect *in;
    const lr_rig_module *module;
    const lr_receiver *x;
    const lr_worths *w;
    int piece, second, places;  // second: a landing; places: to choose among
} lr_trial;

// More places the wider the piece looks beside the lobes that play a part.
static int places_on(const lr_trial *t)
{
    const lr_glow_table *glow = &t->in->curve.glow;
    const lr_lit_piece *p = &t->in->curve.piece[t->piece];
    const lr_look look = t->w->look[p->laser];
    const float here = look.lobe > 0.0f ? look.alpha2 : 1.0f, there = glow->lobe[t->piece] > 0.0f ? glow->alpha2[t->piece] : 1.0f;
    const float alpha2 = fminf(here, there), size2 = lr_dotf(p->e, p->e) + lr_dotf(p->across, p->across);
    if (!(alpha2 < 1.0f))
        return 1;
    return (int)fminf(1.0f + PLACES_A_LOBE*sqrtf(fminf(size2/distance2(glow, t->piece, t->x->point), 4.0f)/(alpha2 + 1e-6f)), (float)MOST_PLACES);
}

static lr_lit_place place_on(const lr_trial *t, lr_vec3f point, float u, float offset_sigma)
{
    const lr_lit_piece *p = &t->in->curve.piece[t->piece];
    const lr_fan_table *fan = &t->in->fan[t->in->module][p->laser];
    const lr_dots *dots = t->module->laser[p->laser].dots;
    const lr_vec3f middle = lr_subf(lr_madf(p->a, 0.5f, p->e), t->x->point);
    const float e2 = lr_dotf(p->e, p->e);
    if (p->patch)
        return place_at(p, u, 0.0f, t->w->offset_patch, p->power_w);
    if (!(lr_dotf(middle, middle) < e2 && e2 > 1e-12f))
        return place_by_power(p, fan, u, offset_sigma);
    return t->places == 1 ? place_by_angle(p, fan, dots, point, u, offset_sigma) : place_either_way(p, fan, dots, point, u, offset_sigma);
}

// One place: what would arrive, over the density of its choice. `across`, `along` in [0, 1): where in the pixel and on the piece.
static float try_place(const lr_trial *t, float across, float along, float offset_sigma, lr_connection *out)
{
    const lr_receiver *x = t->x;
    const lr_lit_piece *p = &t->in->curve.piece[t->piece];
    const lr_glow_table *glow = &t->in->curve.glow;
    const int bin = t->module->laser[p->laser].bin;
    const lr_vec3f middle = lr_subf(lr_madf(p->a, 0.5f, p->e), x->point);
    lr_vec3f point = x->point;
    float weight = 1.0f, f[LR_MAX_BINS];
    if (t->w->near2 > 0.0f && lr_dotf(middle, middle) < glow->reach2[t->piece] + t->w->near2)
        weight = shift_across(x, p, p->patch ? t->w->offset_patch : offset_sigma, across, &point);
    const lr_lit_place y = place_on(t, point, along, offset_sigma);
    const lr_vec3f to = lr_subf(y.point, point);
    const float distance2 = lr_dotf(to, to);
    if (!(distance2 > 1e-14f))
        return 0.0f;
    const lr_vec3f wi = lr_mulf(to, 1.0f/sqrtf(distance2));
    if (!(lr_dotf(x->normal, wi) > 0.0f && lr_dotf(p->normal, wi) < 0.0f))
        return 0.0f;
    lr_surface_eval_world(x->surface, x->scale, x->normal, x->wo, wi, f);
    out->from = clear_of(x->point, x->normal);  // not the shifted point, which may lie within a bent surface
    out->to = clear_of(y.point, p->normal);
    out->laser = p->laser;
    return x->factor[p->laser]*f[bin]*response_towards(p, &y, lr_mulf(wi, -1.0f), bin)*y.power_w*weight/distance2*ramp_at(ramp_of(x, t->second), glow->held[t->piece], distance2);
}

// Whether the choice in hand serves x as well: the same flat surface without a lobe, and near enough to where it was made.
static int serves(const lr_worths *w, const lr_receiver *x)
{
    const lr_vec3f off = lr_subf(x->point, w->made_at);
    return w->slack_m > 0.0f && x->object == w->object && x->surface == w->made_on && lr_dotf(x->normal, w->normal) > 0.999999f &&
           lr_dotf(off, off) <= w->slack_m*w->slack_m && fabsf(lr_dotf(off, x->normal)) < 1e-4f;
}

static void make_choice(lr_worths *w, const lr_receiver *x, const lr_rig_module *module)
{
    const float width2 = lr_dotf(x->pixel_across, x->pixel_across);
    w->slack_m = lr_look_of(x->surface, x->scale, 0).lobe > 0.0f ? 0.0f : SHARE_PIXELS*sqrtf(width2);
    w->made_at = x->point;
    w->normal = x->normal;
    w->object = x->object;
    w->made_on = x->surface;
    weigh(w, module);
    if (!(w->near <= SHARE_NEAR*w->total))
        w->slack_m = 0.0f;
}

static float normal_of(float u, float v) { return sqrtf(-2.0f*logf(1.0f - u))*cosf(2.0f*(float)LR_PI*v); }

// Of candidates in a row, whose values are `sum` with the newest, one is kept by its value.
static void keep_one(lr_connection *kept, const lr_connection *newest, float value, float sum, float u)
{
    if (value > 0.0f && u*sum <= value)
        *kept = *newest;
}

// One of some places on the piece; returns the mean of what they would send.
static float try_piece(lr_trial *t, float across, float along, uint32_t key, lr_connection *kept)
{
    t->places = places_on(t);
    float sum = 0.0f;
    for (int q = 0; q < t->places; q++) {
        const uint32_t own = lr_hash(key, (uint32_t)q);
        const float u = q == 0 ? across : lr_uniform(lr_hash(own, 0)), v = q == 0 ? along : lr_uniform(lr_hash(own, 1));
        const float sigmas = q == 0 ? t->w->offset_sigma : normal_of(lr_uniform(lr_hash(own, 2)), lr_uniform(lr_hash(own, 3)));
        lr_connection one = *kept;
        const float value = try_place(t, u, ((float)q + v)/(float)t->places, sigmas, &one);
        sum += value;
        keep_one(kept, &one, value, sum, q == 0 ? 0.0f : lr_uniform(lr_hash(own, 4)));
    }
    return sum/(float)t->places;
}

int lr_lit_curve_connect(lr_indirect *in, const lr_rig_module *module, const lr_receiver *x, const float random[6], uint32_t key, lr_connection *out)
{
    const float width2 = lr_dotf(x->pixel_across, x->pixel_across);
    const int tries = lr_surface_is_matte(x->surface) ? 1 : CANDIDATES;
    lr_worths *w = &in->worths;
    out->value = out->expected = 0.0f;
    if (in->curve.count == 0)
        return 0;
    w->curve = &in->curve;
    w->x = x;
    w->near2 = NEAR_PIXELS*NEAR_PIXELS*width2;
    w->soft2 = width2/16.0f;
    w->offset_patch = random[5];
    w->offset_sigma = normal_of(random[3], random[4]);
    if (!serves(w, x))
        make_choice(w, x, module);
    if (!(w->total > 0.0f))
        return 0;
    out->expected = w->total*LR_INV_PI_F*LR_INV_PI_F;
    float sum = 0.0f;
    for (int j = 0; j < tries; j++) {
        const float across = j == 0 ? random[1] : lr_uniform(lr_hash(key, (uint32_t)(2*j))), along = j == 0 ? random[2] : lr_uniform(lr_hash(key, (uint32_t)(2*j + 1)));
        float chance;
        lr_trial trial = {.in = in, .module = module, .x = x, .w = w};
        trial.piece = pick(w, ((float)j + random[0])/(float)tries, &chance, &trial.second);
        if (!(chance > 0.0f))
            continue;
        lr_connection one = *out;
        const float value = try_piece(&trial, across, along, lr_hash(key, 0x20000u + (uint32_t)j), &one)/(chance*(float)tries);
        sum += value;
        keep_one(out, &one, value, sum, j == 0 ? 0.0f : lr_uniform(lr_hash(key, 0x10000u + (uint32_t)j)));
    }
    out->value = sum;
    return sum > 0.0f;
}

// ---- light of a chain right at a point ------------------------------------------------------------------------------------

static float det(lr_vec3f n, lr_vec3f a, lr_vec3f b) { return lr_dotf(n, lr_crossf(a, b)); }

// Bounds of the way across the pixel where a place that starts at s and goes by ds stays in 0 .. 1.
static void clip(float s, float ds, float *lo, float *hi)
{
    if (fabsf(ds) > 1e-12f) {
        *lo = fmaxf(*lo, fminf(-s/ds, (1.0f - s)/ds));
        *hi = fminf(*hi, fmaxf(-s/ds, (1.0f - s)/ds));
    } else if (!(s >= 0.0f && s < 1.0f)) {
        *hi = *lo;
    }
}

static float gauss_over(float q, float dq, float lo, float hi)  // integral of exp(-(q + t dq)^2/2)/sqrt(2 pi)
{
    if (fabsf(dq)*(hi - lo) < 1e-2f) {
        const float at = q + 0.5f*(lo + hi)*dq;
        return 0.398942280f*(hi - lo)*expf(-0.5f*at*at);
    }
    return 0.5f/fabsf(dq)*fabsf(erff(0.707106781f*(q + hi*dq)) - erff(0.707106781f*(q + lo*dq)));
}

// The piece's power per area at the point, or its mean over the pixel's width.
static float strip_irradiance(const lr_lit_piece *p, const lr_receiver *x, int over_pixel, float spread_m)
{
    const float own = sqrtf(lr_dotf(p->across, p->across));
    const lr_vec3f v = p->patch ? p->across : lr_mulf(p->across, sqrtf(own*own + spread_m*spread_m)/own), r = lr_subf(x->point, p->a);
    const float area = det(p->normal, p->e, v), size = sqrtf(lr_dotf(p->e, p->e)) + 4.0f*sqrtf(lr_dotf(v, v));
    if (!(fabsf(area) > 1e-14f) || !(fabsf(lr_dotf(p->normal, r)) < 0.1f*size + 1e-4f))
        return 0.0f;
    const float s = det(p->normal, r, v)/area, q = det(p->normal, p->e, r)/area, even_share = p->power_w/fabsf(area);
    const float ds = det(p->normal, x->pixel_across, v)/area, dq = det(p->normal, p->e, x->pixel_across)/area;
    float lo = over_pixel ? -0.5f - x->at_across : 0.0f, hi = over_pixel ? 0.5f - x->at_across : 1.0f;
    clip(s, over_pixel ? ds : 0.0f, &lo, &hi);
    if (p->patch)
        clip(q, over_pixel ? dq : 0.0f, &lo, &hi);
    if (!(hi > lo))
        return 0.0f;
    return even_share*(p->patch ? hi - lo : gauss_over(q, over_pixel ? dq : 0.0f, lo, hi));
}

float lr_lit_curve_at(const lr_indirect *in, const lr_rig_module *module, const lr_receiver *x, int over_pixel, float spread_m)
{
    const lr_lit_curve *c = &in->curve;
    float sum = 0.0f, f[LR_MAX_BINS];
    for (int k = 0; c->chained && k < c->count; k++) {
        const lr_lit_piece *p = &c->piece[k];
        if (!p->chained || p->object != x->object || !(lr_dotf(p->normal, x->normal) > 0.5f))
            continue;
        const float e = strip_irradiance(p, x, over_pixel, spread_m);
        const float cosine = lr_dotf(p->in0, x->normal);
        if (!(e > 0.0f && cosine > FACING_LEAST))
            continue;
        lr_surface_eval_world(x->surface, x->scale, x->normal, x->wo, p->in0, f);
        sum += x->factor[p->laser]*f[module->laser[p->laser].bin]/cosine*e;
    }
    return sum;
}
