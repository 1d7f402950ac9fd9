// SPDX-License-Identifier: Apache-2.0
// Flat shapes as triangles: box, rectangle, and the room with its openings.
// A room's faces are cut on one grid: every edge of every opening, as a plane through the whole room, cuts all faces it
// meets. Then triangles of one face meet only along whole edges, and those of neighbouring faces too, with corners that
// are the same floats: nothing for a ray to slip through.
#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "scene/shape.h"

const char *const lr_face_names[] = {"east", "west", "north", "south", "ceiling", "floor", NULL};

// A face: the axis it is across, its side of it, and the two axes along it (horizontal first, as openings are given).
typedef struct face { int across, side, first, second; } face;
static const face faces[LR_FACES] = {
    [LR_FACE_EAST] = {0, 1, 1, 2},  [LR_FACE_WEST] = {0, -1, 1, 2},   [LR_FACE_NORTH] = {1, 1, 0, 2},
    [LR_FACE_SOUTH] = {1, -1, 0, 2}, [LR_FACE_CEILING] = {2, 1, 0, 1}, [LR_FACE_FLOOR] = {2, -1, 0, 1},
};

void lr_mesh_destroy(lr_mesh *mesh)
{
    if (!mesh)
        return;
    free(mesh->position);
    free(mesh->uv);
    free(mesh->triangle);
    free(mesh->slot);
    free(mesh);
}

static lr_vec3 corner(const lr_mesh *mesh, uint32_t vertex)
{
    const float *p = mesh->position[vertex];
    return lr_v3((double)p[0], (double)p[1], (double)p[2]);
}

double lr_mesh_area(const lr_mesh *mesh)
{
    double area = 0.0;
    for (int i = 0; i < mesh->triangle_count; ++i) {
        const uint32_t *t = mesh->triangle[i];
        const lr_vec3 a = corner(mesh, t[0]);
        area += 0.5*lr_length(lr_cross(lr_sub(corner(mesh, t[1]), a), lr_sub(corner(mesh, t[2]), a)));
    }
    return area;
}

lr_box3 lr_mesh_bounds(const lr_mesh *mesh)
{
    lr_box3 box = lr_box3_empty();
    for (int i = 0; i < mesh->vertex_count; ++i)
        box = lr_box3_add(box, corner(mesh, (uint32_t)i));
    return box;
}

// ---- Building from rectangles

static lr_status mesh_with_room(int quads, int slot_count, lr_mesh **out, lr_error *err)
{
    lr_mesh *mesh = calloc(1, sizeof *mesh);
    *out = mesh;
    if (!mesh)
        return lr_fail(err, LR_ERR_MEMORY, "mesh: out of memory");
    const size_t n = (size_t)quads + (quads == 0);
    mesh->position = malloc(4*n*sizeof *mesh->position);
    mesh->uv = malloc(4*n*sizeof *mesh->uv);
    mesh->triangle = malloc(2*n*sizeof *mesh->triangle);
    mesh->slot = malloc(2*n*sizeof *mesh->slot);
    mesh->slot_count = slot_count;
    mesh->uv_metres = 1;
    if (mesh->position && mesh->uv && mesh->triangle && mesh->slot)
        return LR_OK;
    lr_mesh_destroy(mesh);
    *out = NULL;
    return lr_fail(err, LR_ERR_MEMORY, "mesh: out of memory");
}

// Corners [lo, hi] along a face's two axes at `place` across it; `way` +1: normal along the positive axis across.
static void add_quad(lr_mesh *mesh, const face *f, float place, const float lo[2], const float hi[2], int way, int slot)
{
    const int base = mesh->vertex_count;
    for (int k = 0; k < 4; ++k) {  // around: (lo, lo) (hi, lo) (hi, hi) (lo, hi)
        const float a = k == 1 || k == 2 ? hi[0] : lo[0], b = k >= 2 ? hi[1] : lo[1];
        float *p = mesh->position[base + k];
        p[f->across] = place;
        p[f->first] = a;
        p[f->second] = b;
        mesh->uv[base + k][0] = a;
        mesh->uv[base + k][1] = b;
    }
    mesh->vertex_count += 4;
    // first x second points along +across, except for y, where x x z is -y.
    const int turn = (f->across == 1 ? -1 : 1)*way;
    for (int k = 0; k < 2; ++k) {
        uint32_t *t = mesh->triangle[mesh->triangle_count];
        const uint32_t b = (uint32_t)base, one = b + (k ? 2 : 1), two = b + (k ? 3 : 2);
        t[0] = b;
        t[1] = turn > 0 ? one : two;
        t[2] = turn > 0 ? two : one;
        mesh->slot[mesh->triangle_count++] = (uint16_t)slot;
    }
}

static lr_status check_sizes(const double *size_m, int count, lr_error *err)
{
    for (int i = 0; i < count; ++i)
        if (!(size_m[i] >= 1e-6 && size_m[i] <= 1e6))
            return lr_fail(err, LR_ERR_RANGE, "size_m[%d]: %g is not in [1e-06, 1e+06]", i, size_m[i]);
    return LR_OK;
}

lr_status lr_mesh_box(const double size_m[3], lr_mesh **out, lr_error *err)
{
    assert(size_m && out);
    *out = NULL;
    LR_TRY(check_sizes(size_m, 3, err));
    lr_mesh *mesh;
    LR_TRY(mesh_with_room(LR_FACES, LR_FACES, &mesh, err));
    for (int i = 0; i < LR_FACES; ++i) {
        const face *f = &faces[i];
        const float hi[2] = {(float)(0.5*size_m[f->first]), (float)(0.5*size_m[f->second])}, lo[2] = {-hi[0], -hi[1]};
        add_quad(mesh, f, (float)(0.5*f->side*size_m[f->across]), lo, hi, f->side, i);
    }
    *out = mesh;
    return LR_OK;
}

lr_status lr_mesh_rectangle(const double size_m[2], lr_mesh **out, lr_error *err)
{
    assert(size_m && out);
    *out = NULL;
    LR_TRY(check_sizes(size_m, 2, err));
    LR_TRY(mesh_with_room(1, 1, out, err));
    const float hi[2] = {(float)(0.5*size_m[0]), (float)(0.5*size_m[1])}, lo[2] = {-hi[0], -hi[1]};
    add_quad(*out, &faces[LR_FACE_CEILING], 0.0f, lo, hi, 1, 0);
    return LR_OK;
}

// ---- Openings

// Ends of an opening along the two axes of its face, in the room's frame (heights on walls count from the floor).
static void opening_ends(const double size_m[3], const lr_opening *opening, double lo[2], double hi[2])
{
    const face *f = &faces[opening->face];
    for (int k = 0; k < 2; ++k) {
        const int axis = k ? f->second : f->first;
        const double middle = opening->center_m[k] - (axis == 2 ? 0.5*size_m[2] : 0.0);
        lo[k] = middle - 0.5*opening->size_m[k];
        hi[k] = middle + 0.5*opening->size_m[k];
    }
}

static lr_status check_opening(const double size_m[3], const lr_opening *opening, lr_error *err)
{
    if (opening->face < 0 || opening->face >= LR_FACES)
        return lr_fail(err, LR_ERR_RANGE, "face: %d is not a face", opening->face);
    double lo[2], hi[2];
    opening_ends(size_m, opening, lo, hi);
    for (int k = 0; k < 2; ++k) {
        const face *f = &faces[opening->face];
        const int axis = k ? f->second : f->first;
        const double end = 0.5*size_m[axis], slack = 1e-9*size_m[axis];  // so that "to the floor" survives rounding
        if (!(opening->size_m[k] >= 1e-3))
            return lr_fail(err, LR_ERR_RANGE, "size_m[%d]: %g is below 0.001", k, opening->size_m[k]);
        if (!(lo[k] >= -end - slack && hi[k] <= end + slack))
            return lr_fail(err, LR_ERR_RANGE, "center_m[%d]: %g leaves the %s face: it reaches from %g to %g, the face from %g to %g", k,
                           opening->center_m[k], lr_face_names[opening->face], lo[k] + (axis == 2 ? end : 0.0),
                           hi[k] + (axis == 2 ? end : 0.0), axis == 2 ? 0.0 : -end, axis == 2 ? 2.0*end : end);
    }
    return LR_OK;
}

lr_status lr_openings_check(const double size_m[3], const lr_opening *openings, int count, int *which, lr_error *err)
{
    *which = 0;
    if (count > LR_OPENINGS_MAX)
        return lr_fail(err, LR_ERR_RANGE, "%d openings are above %d", count, LR_OPENINGS_MAX);
    for (int i = 0; i < count; ++i) {
        *which = i;
        LR_TRY(check_opening(size_m, &openings[i], err));
        double lo[2], hi[2], other_lo[2], other_hi[2];
        opening_ends(size_m, &openings[i], lo, hi);
        for (int j = 0; j < i; ++j) {
            if (openings[j].face != openings[i].face)
                continue;
            opening_ends(size_m, &openings[j], other_lo, other_hi);
            const double shared[2] = {fmin(hi[0], other_hi[0]) - fmax(lo[0], other_lo[0]), fmin(hi[1], other_hi[1]) - fmax(lo[1], other_lo[1])};
            if (shared[0] > 1e-9 && shared[1] > 1e-9)
                return lr_fail(err, LR_ERR_RANGE, "center_m: (%g, %g) overlaps openings[%d]", openings[i].center_m[0], openings[i].center_m[1], j);
        }
    }
    return LR_OK;
}

void lr_opening_place(const double size_m[3], const lr_opening *opening, lr_vec3 *corner_m, lr_vec3 *u, lr_vec3 *v)
{
    const face *f = &faces[opening->face];
    double lo[2], hi[2], at[3], along[2][3] = {{0}};
    opening_ends(size_m, opening, lo, hi);
    at[f->across] = 0.5*f->side*size_m[f->across];
    at[f->first] = lo[0];
    at[f->second] = lo[1];
    along[0][f->first] = hi[0] - lo[0];
    along[1][f->second] = hi[1] - lo[1];
    const int first_then_second = ((f->across == 1 ? -1 : 1)*-f->side) > 0;  // u x v into the room
    const double *a = along[first_then_second ? 0 : 1], *b = along[first_then_second ? 1 : 0];
    *corner_m = lr_v3(at[0], at[1], at[2]);
    *u = lr_v3(a[0], a[1], a[2]);
    *v = lr_v3(b[0], b[1], b[2]);
}

// ---- The room

#define CUTS_MOST (2*LR_OPENINGS_MAX + 2)
typedef struct cuts { int count; float at[CUTS_MOST]; } cuts;  // rising, along one axis

static int by_value(const void *a, const void *b)
{
    const float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

static float clamp_cut(double value, double end) { return (float)fmax(-end, fmin(end, value)); }

// Ends of the opening as they become cuts, so that comparing them with cuts is exact.
static void opening_cuts(const double size_m[3], const lr_opening *opening, float lo[2], float hi[2])
{
    const face *f = &faces[opening->face];
    double from[2], to[2];
    opening_ends(size_m, opening, from, to);
    for (int k = 0; k < 2; ++k) {
        const double end = 0.5*size_m[k ? f->second : f->first];
        // An edge within a thousandth of a millimetre of the face's end is meant to be there.
        lo[k] = from[k] < -end + 1e-6 ? (float)-end : clamp_cut(from[k], end);
        hi[k] = to[k] > end - 1e-6 ? (float)end : clamp_cut(to[k], end);
    }
}

static void find_cuts(const double size_m[3], const lr_opening *openings, int count, cuts axis[3])
{
    for (int a = 0; a < 3; ++a)
        axis[a] = (cuts){2, {(float)(-0.5*size_m[a]), (float)(0.5*size_m[a])}};
    for (int i = 0; i < count; ++i) {
        float lo[2], hi[2];
        opening_cuts(size_m, &openings[i], lo, hi);
        for (int k = 0; k < 2; ++k) {
            cuts *c = &axis[k ? faces[openings[i].face].second : faces[openings[i].face].first];
            c->at[c->count++] = lo[k];
            c->at[c->count++] = hi[k];
        }
    }
    for (int a = 0; a < 3; ++a) {
        qsort(axis[a].at, (size_t)axis[a].count, sizeof(float), by_value);
        int kept = 1;
        for (int i = 1; i < axis[a].count; ++i)
            if (axis[a].at[i] > axis[a].at[kept - 1])
                axis[a].at[kept++] = axis[a].at[i];
        axis[a].count = kept;
    }
}

static int is_open(const double size_m[3], const lr_opening *openings, int count, int face_index, const float lo[2], const float hi[2])
{
    for (int i = 0; i < count; ++i) {
        float from[2], to[2];
        if (openings[i].face != face_index)
            continue;
        opening_cuts(size_m, &openings[i], from, to);
        if (from[0] <= lo[0] && hi[0] <= to[0] && from[1] <= lo[1] && hi[1] <= to[1])
            return 1;
    }
    return 0;
}

lr_status lr_mesh_room(const double size_m[3], const lr_opening *openings, int count, lr_mesh **out, lr_error *err)
{
    assert(size_m && out && (openings || count == 0));
    *out = NULL;
    int which;
    LR_TRY(check_sizes(size_m, 3, err));
    LR_TRY(lr_openings_check(size_m, openings, count, &which, err));
    cuts axis[3];
    find_cuts(size_m, openings, count, axis);
    int quads = 0;
    for (int i = 0; i < LR_FACES; ++i)
        quads += (axis[faces[i].first].count - 1)*(axis[faces[i].second].count - 1);
    lr_mesh *mesh;
    LR_TRY(mesh_with_room(quads, LR_FACES, &mesh, err));
    for (int i = 0; i < LR_FACES; ++i) {
        const face *f = &faces[i];
        const cuts *a = &axis[f->first], *b = &axis[f->second];
        const float place = (float)(0.5*f->side*size_m[f->across]);
        for (int j = 0; j + 1 < a->count; ++j)
            for (int k = 0; k + 1 < b->count; ++k) {
                const float lo[2] = {a->at[j], b->at[k]}, hi[2] = {a->at[j + 1], b->at[k + 1]};
                if (!is_open(size_m, openings, count, i, lo, hi))
                    add_quad(mesh, f, place, lo, hi, -f->side, i);
            }
    }
    if (mesh->triangle_count == 0) {
        lr_mesh_destroy(mesh);
        return lr_fail(err, LR_ERR_RANGE, "openings: they leave nothing of the room");
    }
    *out = mesh;
    return LR_OK;
}
