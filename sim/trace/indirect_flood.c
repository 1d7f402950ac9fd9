// SPDX-License-Identifier: Apache-2.0
// A flood's light by way of mirrors and glass: a grid of rays even in azimuth and elevation, as the flood's power is, and patches
// between neighbours of one chain. What lands straight away is left to the shadow rays of the camera's paths.
#include <math.h>
#include <stdlib.h>

#include "trace/indirect.h"

#define SIDE_MOST 64            // cells along azimuth and elevation; half as many where there is no room for all their patches,
#define SIDE_LEAST 8            // but not fewer: then they are thinned

static void start_grid(lr_fan *fan)
{
    lr_indirect *in = fan->job->work->indirect;
    const int side = fan->steps;
    const double elevation = fan->laser->def->fan_rad, azimuth = fan->laser->def->flood_rad;
    // Each line shifts its grid; the cells at the edges are cut or stretched in turn, which their power follows.
    const double du = (double)lr_uniform(lr_hash(fan->seed, 0x666c7830u)) - 0.5, dv = (double)lr_uniform(lr_hash(fan->seed, 0x666c7831u)) - 0.5;
    in->rays.count = 0;
    for (int j = 0; j <= side; j++)
        for (int i = 0; i <= side; i++) {
            const double a = azimuth*((i == 0 || i == side ? (double)i : i + du)/side - 0.5);
            const double e = elevation*((j == 0 || j == side ? (double)j : j + dv)/side - 0.5);
            const int slot = in->rays.count++;
            const lr_vec3 d = lr_rotate(fan->pose.rotation, lr_v3(cos(e)*cos(a), cos(e)*sin(a), sin(e)));
            in->fan_ray[slot] = (lr_fan_ray){.step = j*(side + 1) + i, .medium = -1, .weight = 1.0f, .u = (float)(a/azimuth), .v = (float)(e/elevation)};
            lr_rays_set(&in->rays, slot, lr_v3f_of(fan->pose.origin), lr_v3f_of(d), 0.0f, INFINITY, (float)fan->job->moment.time_s);
        }
    for (int k = 0; k <= side; k++) {
        fan->u[k] = in->fan_ray[k].u;
        fan->u[side + 1 + k] = in->fan_ray[k*(side + 1)].v;
    }
}

static int one_surface(const lr_lit_point *a, const lr_lit_point *b)
{
    return b && a->object == b->object && lr_dotf(a->normal, b->normal) > 0.9f;
}

// A quarter of each cell belongs to each of its corners: a patch round p, as far as its neighbours lie on one surface. Returns whether there was room.
static int add_patch(const lr_fan *fan, const lr_lit_point *p, const lr_lit_point *beside, const lr_lit_point *above, float cell)
{
    lr_lit_piece *piece = lr_fan_piece(fan);
    if (!piece)
        return 0;
    const lr_vec3f none = {0.0f, 0.0f, 0.0f};
    *piece = (lr_lit_piece){.a = p->point, .normal = p->normal, .in0 = lr_mulf(p->direction, -1.0f), .in1 = lr_mulf(p->direction, -1.0f), .r0 = 1.0f, .r1 = 1.0f,
                            .power_w = (float)fan->laser->def->power_w*cell*p->ray.weight, .laser = fan->index, .chained = 1, .patch = 1,
                            .object = p->object, .surface = p->surface, .scale = p->scale};
    piece->e = one_surface(p, beside) ? lr_mulf(lr_subf(beside->point, p->point), 0.5f) : none;
    piece->across = one_surface(p, above) ? lr_mulf(lr_subf(above->point, p->point), 0.5f) : none;
    fan->job->work->indirect->curve.chained = 1;
    return 1;
}

static float cell_side(float a, float b) { return 0.5f*fabsf(a - b); }

// Four quarters round each point. Towards a side where the chain ends, the neighbour on the other side is mirrored.
static int quarters(const lr_fan *fan, const lr_lit_point *p)
{
    const lr_indirect *in = fan->job->work->indirect;
    const int side = fan->steps, i = p->ray.step%(side + 1), j = p->ray.step/(side + 1);
    for (int quarter = 0; quarter < 4; quarter++) {
        const int di = quarter & 1 ? 1 : -1, dj = quarter & 2 ? 1 : -1;
        if (i + di < 0 || i + di > side || j + dj < 0 || j + dj > side)
            continue;
        const float u = fan->u[i + di], v = fan->u[side + 1 + j + dj];
        lr_lit_point beside, above;
        const lr_lit_point *b = lr_fan_find(in, p->ray.chain, p->ray.step + di), *a = lr_fan_find(in, p->ray.chain, p->ray.step + dj*(side + 1));
        const lr_lit_point *b2 = lr_fan_find(in, p->ray.chain, p->ray.step - di), *a2 = lr_fan_find(in, p->ray.chain, p->ray.step - dj*(side + 1));
        if (!one_surface(p, b) && one_surface(p, b2) && i - di >= 0 && i - di <= side) {
            beside = *b2;
            beside.point = lr_madf(p->point, -1.0f, lr_subf(b2->point, p->point));
            b = &beside;
        }
        if (!one_surface(p, a) && one_surface(p, a2)) {
            above = *a2;
            above.point = lr_madf(p->point, -1.0f, lr_subf(a2->point, p->point));
            a = &above;
        }
        const float cell = cell_side(u, p->ray.u)*cell_side(v, p->ray.v);
        if (cell > 0.0f && !add_patch(fan, p, b, a, cell))
            return 0;
    }
    return 1;
}

static int patches(const lr_fan *grid)
{
    const lr_indirect *in = grid->job->work->indirect;
    for (int k = 0; k < in->lit_count; k++)
        if (in->lit[k].ray.chained && !quarters(grid, &in->lit[k]))
            return 0;
    return 1;
}

void lr_flood_patches(const lr_fan *fan)
{
    lr_indirect *in = fan->job->work->indirect;
    const int first = in->curve.count;
    lr_fan grid = *fan;
    grid.steps = 2*SIDE_MOST;
    do {
        in->curve.count = first;
        if (grid.steps > SIDE_LEAST) {
            grid.steps /= 2;
            start_grid(&grid);
            lr_fan_follow(&grid);
        } else {
            lr_fan_thin(&grid);
        }
    } while (!patches(&grid));
}
