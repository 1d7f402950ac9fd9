// SPDX-License-Identifier: Apache-2.0
#include "trace/sun_mirror.h"

#include <math.h>
#include <stdlib.h>

#include "core/anglef.h"
#include "trace/facets.h"
#include "trace/work.h"

#define LEAST_AREA_M2 1e-3      // as the sun sees it: a smaller one's patch is hardly brighter than what is around it
#define PROBES 256              // places on a mirror where the sun is looked for
#define TRIED 4096              // so many of the largest are tried
#define NEAREST_M 8.0f          // the grid reaches so far from the eye, at least and at most
#define FARTHEST_M 64.0f
#define MARGIN_M 1e-3f

typedef struct candidate { lr_sun_mirror mirror; double worth; } candidate;   // worth: area that the sun sees
typedef struct pool { int count, room; candidate *of; } pool;

// ---- finding them -----------------------------------------------------------------------------------------------------------------

static int mirrors(const lr_surface *s) { return s->specular && s->texture < 0; }

// Keeps it if the sun is before it and it is large. Solid glass mirrors on its outside only, as far as this goes.
static lr_status consider(pool *p, lr_sun_mirror m, double area_m2, lr_vec3f to_sun, lr_error *err)
{
    float facing = lr_dotf(m.normal, to_sun);
    if (facing < 0.0f && m.surface->kind != LR_MATERIAL_GLASS) {
        m.normal = lr_mulf(m.normal, -1.0f);
        facing = -facing;
    }
    const double worth = area_m2*(double)facing;
    if (!(worth >= LEAST_AREA_M2))
        return LR_OK;
    if (p->count == p->room) {
        const int room = 2*p->room + 64;
        candidate *of = realloc(p->of, (size_t)room*sizeof *of);
        if (!of)
            return lr_fail(err, LR_ERR_MEMORY, "sun: out of memory");
        p->of = of;
        p->room = room;
    }
    p->of[p->count++] = (candidate){m, worth};
    return LR_OK;
}

static lr_status consider_triangle(pool *p, const lr_facets *f, int64_t k, const lr_surface *surface, lr_vec3f to_sun, lr_error *err)
{
    const float *c[3] = {f->corner[f->triangle[k][0]], f->corner[f->triangle[k][1]], f->corner[f->triangle[k][2]]};
    const lr_vec3 at = lr_v3((double)c[0][0], (double)c[0][1], (double)c[0][2]);
    const lr_vec3 u = lr_sub(lr_v3((double)c[1][0], (double)c[1][1], (double)c[1][2]), at), v = lr_sub(lr_v3((double)c[2][0], (double)c[2][1], (double)c[2][2]), at);
    const lr_vec3 n = lr_cross(u, v);
    const double n2 = lr_dot(n, n);
    if (!(n2 > 0.0))
        return LR_OK;
    const lr_sun_mirror m = {.object = f->facet[k].object, .primitive = f->facet[k].primitive, .surface = surface, .corner = lr_v3f_of(at), .normal = lr_v3f_of(lr_unit(n)),
                             .edge = {lr_v3f_of(u), lr_v3f_of(v)}, .across = {lr_v3f_of(lr_mul(lr_cross(v, n), 1.0/n2)), lr_v3f_of(lr_mul(lr_cross(n, u), 1.0/n2))}};
    return consider(p, m, 0.5*sqrt(n2), to_sun, err);
}

static lr_status consider_triangles(pool *p, const lr_scene *scene, const lr_facets *f, lr_vec3f to_sun, lr_error *err)
{
    for (int64_t k = 0; k < f->count; k++) {
        int material;
        lr_texels texels;
        const lr_surface *surface = lr_scene_find_surface(scene, f->facet[k].object, f->facet[k].primitive, 0.0f, 0.0f, &texels, &material);
        if (mirrors(surface))
            LR_TRY(consider_triangle(p, f, k, surface, to_sun, err));
    }
    return LR_OK;
}

static lr_status consider_discs(pool *p, const lr_scene *scene, lr_vec3f to_sun, lr_error *err)
{
    for (int k = 0; k < scene->object_count; k++) {
        const lr_object *o = &scene->object[k];
        if (o->mesh || o->motion || o->curved.kind != LR_CURVED_DISC || !mirrors(&scene->surface[o->material[0]]))
            continue;
        const lr_sun_mirror m = {.object = k, .primitive = 0, .surface = &scene->surface[o->material[0]], .corner = lr_v3f_of(o->pose.origin), .normal = lr_v3f_of(o->pose.rotation.z),
                                 .outer2 = (float)(o->curved.radius*o->curved.radius), .inner2 = (float)(o->curved.radius2*o->curved.radius2)};
        LR_TRY(consider(p, m, lr_curved_area(&o->curved), to_sun, err));
    }
    return LR_OK;
}

// ---- which of them the sun reaches -------------------------------------------------------------------------------------------------

static lr_vec3f place_on(const lr_sun_mirror *m, float u, float v)
{
    if (m->outer2 > 0.0f) {
        const lr_frame3f frame = lr_frame_aroundf(m->normal);
        const float r = sqrtf(m->inner2 + u*(m->outer2 - m->inner2)), turn = 2.0f*(float)LR_PI*v;
        return lr_madf(lr_madf(m->corner, r*cosf(turn), frame.x), r*sinf(turn), frame.y);
    }
    const float root = sqrtf(u);
    return lr_madf(lr_madf(m->corner, root*(1.0f - v), m->edge[0]), root*v, m->edge[1]);
}

static int any_sun(const lr_bvh *bvh, const lr_sun_mirror *m, lr_vec3f to_sun, lr_rays *rays)
{
    rays->count = PROBES;
    for (int i = 0; i < PROBES; i++) {
        float u, v;
        lr_sobol2((uint32_t)i, 0x73756e6du, &u, &v);
        lr_rays_set(rays, i, lr_madf(place_on(m, u, v), LR_OFFSET_M, m->normal), to_sun, 0.0f, INFINITY, 0.0f);
    }
    lr_bvh_occluded(bvh, rays, LR_RAYS_INCOHERENT);
    for (int i = 0; i < PROBES; i++)
        if (!rays->blocked[i])
            return 1;
    return 0;
}

static int larger(const void *a, const void *b)
{
    const candidate *x = a, *y = b;
    if (x->worth != y->worth)
        return x->worth < y->worth ? 1 : -1;
    return x->mirror.object != y->mirror.object ? x->mirror.object - y->mirror.object : x->mirror.primitive - y->mirror.primitive;
}

static lr_status keep_sunny(pool *p, const lr_bvh *bvh, lr_vec3f to_sun, lr_sun_mirrors *out, lr_error *err)
{
    lr_rays rays = {0};
    LR_TRY(lr_rays_create(PROBES, &rays, err));
    qsort(p->of, (size_t)p->count, sizeof *p->of, larger);
    for (int k = 0; k < p->count && k < TRIED && out->count < LR_SUN_MIRRORS; k++)
        if (any_sun(bvh, &p->of[k].mirror, to_sun, &rays))
            out->mirror[out->count++] = p->of[k].mirror;
    lr_rays_destroy(&rays);
    return LR_OK;
}

// ---- where their light may be ---------------------------------------------------------------------------------------------------------

static float length(lr_vec3f v) { return sqrtf(lr_dotf(v, v)); }

static float reach_of(const lr_sun_mirror *m)   // from the corner
{
    return m->outer2 > 0.0f ? sqrtf(m->outer2) : lr_maxf(length(m->edge[0]), length(m->edge[1]));
}

// Whether light by way of it may get within `radius` of p: looked at from p, the mirrored middle of the sun lies in the mirror or near it.
static int may_reach(const lr_sun_mirror *m, lr_vec3f p, float radius, lr_vec3f to_sun, float sine)
{
    const float facing = lr_dotf(m->normal, to_sun), height = lr_dotf(m->normal, lr_subf(p, m->corner));
    if (height < -radius)
        return 0;
    const lr_vec3f wi = lr_madf(to_sun, -2.0f*facing, m->normal), to = lr_subf(lr_madf(p, height/facing, wi), m->corner);
    const float least = lr_maxf(facing - sine, 0.01f), margin = (radius + (lr_maxf(height, 0.0f) + radius)*2.0f*sine/least)/least + MARGIN_M;
    if (m->outer2 > 0.0f)
        return length(to) <= sqrtf(m->outer2) + margin;
    const float u = lr_dotf(m->across[0], to), v = lr_dotf(m->across[1], to), mu = margin*length(m->across[0]), mv = margin*length(m->across[1]);
    return u >= -mu && v >= -mv && u + v <= 1.0f + mu + mv;
}

static lr_status lay_grid(lr_vec3 eye, const lr_lights *lights, lr_sun_mirrors *m, lr_error *err)
{
    float half_m = NEAREST_M;
    for (int k = 0; k < m->count; k++) {
        const lr_vec3f to = lr_subf(m->mirror[k].corner, lr_v3f_of(eye));
        half_m = lr_maxf(half_m, lr_minf(2.0f*(length(to) + reach_of(&m->mirror[k])), FARTHEST_M));
    }
    const float cell = 2.0f*half_m/LR_SUN_MIRROR_CELLS, radius = 0.87f*cell + MARGIN_M;   // half a cell's diagonal
    m->low = lr_subf(lr_v3f_of(eye), lr_v3f(half_m, half_m, half_m));
    m->per_m = 1.0f/cell;
    m->near = calloc(LR_SUN_MIRROR_CELLS, sizeof *m->near);
    if (!m->near)
        return lr_fail(err, LR_ERR_MEMORY, "sun: out of memory");
    for (int z = 0; z < LR_SUN_MIRROR_CELLS; z++)
        for (int y = 0; y < LR_SUN_MIRROR_CELLS; y++)
            for (int x = 0; x < LR_SUN_MIRROR_CELLS; x++) {
                const lr_vec3f p = lr_madf(m->low, cell, lr_v3f((float)x + 0.5f, (float)y + 0.5f, (float)z + 0.5f));
                for (int k = 0; k < m->count; k++)
                    if (may_reach(&m->mirror[k], p, radius, lights->sun_frame.z, lights->sun_sine))
                        m->near[z][y][x] |= UINT64_C(1) << k;
            }
    return LR_OK;
}

// ---- all of it ------------------------------------------------------------------------------------------------------------------------

static lr_status find_all(const lr_scene *scene, const lr_bvh *bvh, const lr_lights *lights, pool *p, lr_sun_mirrors *out, lr_error *err)
{
    const lr_vec3f to_sun = lights->sun_frame.z;
    for (int layer = 0; layer < LR_LAYERS; layer++)
        LR_TRY(consider_triangles(p, scene, lr_bvh_facets(bvh, (lr_layer)layer), to_sun, err));
    LR_TRY(consider_discs(p, scene, to_sun, err));
    if (p->count == 0)
        return LR_OK;
    out->mirror = malloc(LR_SUN_MIRRORS*sizeof *out->mirror);
    if (!out->mirror)
        return lr_fail(err, LR_ERR_MEMORY, "sun: out of memory");
    return keep_sunny(p, bvh, to_sun, out, err);
}

lr_status lr_sun_mirrors_create(const lr_scene *scene, const lr_bvh *bvh, const lr_lights *lights, lr_vec3 eye, lr_sun_mirrors *out, lr_error *err)
{
    pool p = {0};
    *out = (lr_sun_mirrors){0};
    lr_status status = find_all(scene, bvh, lights, &p, out, err);
    free(p.of);
    if (status == LR_OK && out->count > 0)
        status = lay_grid(eye, lights, out, err);
    if (status != LR_OK)
        lr_sun_mirrors_destroy(out);
    return status;
}

void lr_sun_mirrors_destroy(lr_sun_mirrors *m)
{
    free(m->mirror);
    free(m->near);
    *m = (lr_sun_mirrors){0};
}

int lr_sun_mirrors_have(const lr_sun_mirrors *m, int object, int primitive)
{
    for (int k = 0; k < m->count; k++)
        if (m->mirror[k].object == object && m->mirror[k].primitive == primitive)
            return 1;
    return 0;
}

int lr_sun_mirror_look(const lr_sun_mirror *m, lr_vec3f p, lr_vec3f to_sun, lr_sun_picture *out)
{
    const float facing = lr_dotf(m->normal, to_sun), height = lr_dotf(m->normal, lr_subf(p, m->corner));
    if (!(facing > 0.0f && height > LR_OFFSET_M))
        return 0;
    *out = (lr_sun_picture){.wi = lr_madf(to_sun, -2.0f*facing, m->normal), .distance = height/facing, .cosine = facing};
    out->place = lr_madf(p, out->distance, out->wi);
    const lr_vec3f to = lr_subf(out->place, m->corner);
    if (m->outer2 > 0.0f) {
        const float d2 = lr_dotf(to, to);
        return d2 <= m->outer2 && d2 >= m->inner2;
    }
    const float u = lr_dotf(m->across[0], to), v = lr_dotf(m->across[1], to);
    return u >= 0.0f && v >= 0.0f && u + v <= 1.0f;
}
