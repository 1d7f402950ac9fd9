// SPDX-License-Identifier: Apache-2.0
#include "trace/sun_shade.h"

#include <math.h>
#include <stdlib.h>

#include "core/pages.h"

#define SQUARES 512         // a side: a table of 2 MB, which stays in the second-level cache
#define NEAR 0.5            // of half the side: how far pieces reach down
#define FAR 2.0
#define CLEAR_M 1e-3        // for the rounding of points, and this share of how far they are from the origin
#define CLEAR_REL 1e-5
#define SHARE 0.95          // of all corners lie inside the squares: a wide ground outside makes them no coarser
#define SAMPLES 4096        // corners that tell

typedef struct view { lr_frame3f frame; double lo[2], size_m, half_m; } view;   // half_m: of a square and what is around it
typedef struct line { double x, y, d; } line;   // inside: x px + y py >= d, (x, y) of unit length

static void corner_seen(const view *v, const float p[3], double out[3])
{
    const lr_vec3f axis[3] = {v->frame.x, v->frame.y, v->frame.z};
    for (int k = 0; k < 3; k++)
        out[k] = (double)axis[k].x*(double)p[0] + (double)axis[k].y*(double)p[1] + (double)axis[k].z*(double)p[2];
}

static int compare(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

// Half the side of the square around `middle` that holds most corners.
static lr_status find_side(const lr_facets *facets, const view *v, const double middle[3], double *half_side_m, lr_error *err)
{
    const int64_t apart = facets->corner_count/SAMPLES + 1;
    double *away = malloc((SAMPLES + 1)*sizeof *away);
    if (!away)
        return lr_fail(err, LR_ERR_MEMORY, "sun: out of memory");
    size_t count = 0;
    for (int64_t i = 0; i < facets->corner_count; i += apart) {
        double p[3];
        corner_seen(v, facets->corner[i], p);
        away[count++] = fmax(fabs(p[0] - middle[0]), fabs(p[1] - middle[1]));
    }
    qsort(away, count, sizeof *away, compare);
    *half_side_m = count > 0 ? away[(size_t)(SHARE*(double)(count - 1))] : 0.0;
    free(away);
    return LR_OK;
}

// The edge from p to q with the inside to its left (turn 1) or right (-1), moved in so that squares whose middle is inside lie inside whole.
static line edge_of(const double p[3], const double q[3], double turn, double half_m)
{
    const double dx = q[0] - p[0], dy = q[1] - p[1], length = sqrt(dx*dx + dy*dy);
    line e = {-turn*dy/length, turn*dx/length, 0};
    e.d = e.x*p[0] + e.y*p[1] + half_m*(fabs(e.x) + fabs(e.y));
    return e;
}

// Along a row of squares at y, where all three edges are met.
static void clip(const line edge[3], double y, double *from, double *to)
{
    for (int k = 0; k < 3; k++) {
        const double rest = edge[k].d - edge[k].y*y;
        if (edge[k].x > 0.0)
            *from = fmax(*from, rest/edge[k].x);
        else if (edge[k].x < 0.0)
            *to = fmin(*to, rest/edge[k].x);
        else if (rest > 0.0)
            *to = (double)-INFINITY;
    }
}

static int square_of(double at, double lo, double size_m, int up)   // first (up) or last whose middle is inside
{
    const double i = (at - lo)/size_m - 0.5;
    return (int)fmin(fmax(up ? ceil(i) : floor(i), -1.0), SQUARES);
}

static void cover(const view *v, double p[3][3], int which, float (*top)[2])
{
    const double ax = p[1][0] - p[0][0], ay = p[1][1] - p[0][1], bx = p[2][0] - p[0][0], by = p[2][1] - p[0][1], twice = ax*by - ay*bx;
    const double low = fmin(p[0][1], fmin(p[1][1], p[2][1])), high = fmax(p[0][1], fmax(p[1][1], p[2][1]));
    if (!(fabs(twice) > 4.0*v->half_m*v->half_m))   // most: smaller than any square
        return;
    const double az = p[1][2] - p[0][2], bz = p[2][2] - p[0][2], rise_x = (az*by - bz*ay)/twice, rise_y = (bz*ax - az*bx)/twice;
    const double lowest = p[0][2] - v->half_m*(fabs(rise_x) + fabs(rise_y));
    line edge[3];
    for (int k = 0; k < 3; k++)
        edge[k] = edge_of(p[k], p[(k + 1)%3], twice > 0.0 ? 1.0 : -1.0, v->half_m);
    const int first = square_of(low + v->half_m, v->lo[1], v->size_m, 1), last = square_of(high - v->half_m, v->lo[1], v->size_m, 0);
    for (int j = first < 0 ? 0 : first; j <= last && j < SQUARES; j++) {
        const double y = v->lo[1] + (j + 0.5)*v->size_m;
        double from = v->lo[0], to = v->lo[0] + SQUARES*v->size_m;
        clip(edge, y, &from, &to);
        const int begin = square_of(from, v->lo[0], v->size_m, 1), end = square_of(to, v->lo[0], v->size_m, 0);
        const double z = lowest + rise_y*(y - p[0][1]) + rise_x*(v->lo[0] + 0.5*v->size_m - p[0][0]), step = rise_x*v->size_m;
        float (*row)[2] = top + (size_t)j*SQUARES;
        for (int i = begin < 0 ? 0 : begin; i <= end && i < SQUARES; i++) {
            const float here = (float)(z + step*i);
            row[i][which] = here > row[i][which] ? here : row[i][which];
        }
    }
}

static void cover_all(const lr_facets *facets, const view *v, int which, float (*top)[2])
{
    for (int i = 0; i < SQUARES*SQUARES; i++)
        top[i][which] = -INFINITY;
    for (int64_t k = 0; k < facets->count; k++) {
        double p[3][3];
        for (int c = 0; c < 3; c++)
            corner_seen(v, facets->corner[facets->triangle[k][c]], p[c]);
        cover(v, p, which, top);
    }
}

lr_status lr_sun_shade_create(const lr_facets *facets, lr_frame3f frame, float sine, lr_vec3 eye, lr_sun_shade *out, lr_error *err)
{
    *out = (lr_sun_shade){0};
    view v = {.frame = frame};
    double middle[3], half_side_m = 0.0;
    corner_seen(&v, (float[3]){(float)eye.x, (float)eye.y, (float)eye.z}, middle);
    LR_TRY(find_side(facets, &v, middle, &half_side_m, err));
    if (!(half_side_m > 0.0))
        return LR_OK;
    const double clear_m = CLEAR_M + CLEAR_REL*(fabs(middle[0]) + fabs(middle[1]) + fabs(middle[2]) + 2.0*FAR*half_side_m);
    v.lo[0] = middle[0] - half_side_m;
    v.lo[1] = middle[1] - half_side_m;
    v.size_m = 2.0*half_side_m/SQUARES;
    *out = (lr_sun_shade){.squares = SQUARES, .frame = frame, .x0 = (float)v.lo[0], .y0 = (float)v.lo[1], .per_m = (float)(1.0/v.size_m), .clear_m = (float)clear_m,
                          .reach_m = {(float)(NEAR*half_side_m), (float)(FAR*half_side_m)}, .top = lr_pages_alloc((size_t)SQUARES*SQUARES*sizeof *out->top)};
    if (!out->top) {
        *out = (lr_sun_shade){0};
        return lr_fail(err, LR_ERR_MEMORY, "sun: out of memory");
    }
    for (int k = 0; k < 2; k++) {
        v.half_m = 0.5*v.size_m + (double)(sine*out->reach_m[k]) + clear_m;
        cover_all(facets, &v, k, out->top);
    }
    return LR_OK;
}

void lr_sun_shade_destroy(lr_sun_shade *shade)
{
    free(shade->top);
    *shade = (lr_sun_shade){0};
}
