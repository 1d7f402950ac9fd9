// SPDX-License-Identifier: Apache-2.0
#include "trace/sunlit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core/anglef.h"
#include "core/pages.h"
#include "core/wide.h"
#include "trace/gather.h"
#include "trace/surface_eval.h"

#define LINK_TRUST 4.0f          // a link is worth so many paths: it was chosen
#define WITNESSES 4              // points of a piece that say what the places are worth, at most
#define PIECE_OF_WITNESS 8       // records, about
#define UNSEEN 0.1f              // of a leaf that no witness sees, beside one for each that does
#define EVEN_SHARE 0.1           // of the choice: what no witness sees
#define EVEN_LOBE 0.25f          // of what a lobe sends: to whom it may concern
#define LINK_SHARE 1             // paths of a point for each place that it asks
#define MOST_LEVELS 10           // leaves: 1024
#define LEAST_USES 8             // pilot paths of a leaf
#define PER_LEAF 8               // rays
#define BEAM_DRAWS 16            // of a place's surface, to know how much it sends back
#define BEAM_ARRAYS 8            // of lr_sunlit_beams
#define LANES 8                  // sums made side by side: LEAST_USES << 1 uses make as many places
#define LEAST_SIDE_M 1e-3f       // of a leaf: no pilot tells more
#define STEP_BACK_M 0.05f        // a ray from far away finds its place, one from here says exactly where

// Where a ray towards the sun meets the plane.
static void project(const lr_sunlit_plane *plane, lr_vec3f point, lr_vec3f to_sun, float at[2])
{
    const lr_vec3f from = lr_frame_fromf(plane->frame, lr_subf(point, plane->center)), d = lr_frame_fromf(plane->frame, to_sun);
    at[0] = from.x - from.z*d.x/d.z;
    at[1] = from.y - from.z*d.y/d.z;
}

void lr_sunlit_note(lr_sunlit_notes *notes, lr_vec3f point, lr_vec3f to_sun, float weight)
{
    float at[2];
    project(&notes->plane, point, to_sun, at);
    notes->use[notes->count++] = (lr_sunlit_use){at[0], at[1], weight};
}

int lr_sunlit_links(int paths) { return paths/LINK_SHARE/2*2; }

// ---- the tree ------------------------------------------------------------------------------------------------------------------

static int by_x(const void *a, const void *b)
{
    const lr_sunlit_use *p = a, *q = b;
    return p->x != q->x ? (p->x > q->x) - (p->x < q->x) : p->y != q->y ? (p->y > q->y) - (p->y < q->y) : (p->weight > q->weight) - (p->weight < q->weight);
}

static int by_y(const void *a, const void *b)
{
    const lr_sunlit_use *p = a, *q = b;
    return p->y != q->y ? (p->y > q->y) - (p->y < q->y) : by_x(a, b);
}

// Index of the first use of the heavier half, at least 1 and below count.
static int half_way(const lr_sunlit_use *use, int count)
{
    double total = 0.0, sum = 0.0;
    int k = 0;
    for (int i = 0; i < count; i++)
        total += (double)use[i].weight;
    while (k < count - 1 && sum + (double)use[k].weight <= 0.5*total)
        sum += (double)use[k++].weight;
    return k > 0 ? k : 1;
}

static void split(lr_sunlit *s, int node, int level, lr_sunlit_use *use, int count, const float low[2], const float high[2])
{
    if (level == s->levels) {
        s->density[node - (1 << s->levels)] = 1.0f/((float)(1 << s->levels)*(high[0] - low[0])*(high[1] - low[1]));
        return;
    }
    const int axis = high[0] - low[0] >= high[1] - low[1] ? 0 : 1;
    float at = 0.5f*(low[axis] + high[axis]);
    int k = 0;
    if (count > 1) {
        qsort(use, (size_t)count, sizeof *use, axis == 0 ? by_x : by_y);
        k = half_way(use, count);
        at = axis == 0 ? 0.5f*(use[k - 1].x + use[k].x) : 0.5f*(use[k - 1].y + use[k].y);
    }
    const float margin = lr_minf(LEAST_SIDE_M, 0.25f*(high[axis] - low[axis]));
    at = lr_minf(lr_maxf(at, low[axis] + margin), high[axis] - margin);
    s->node[node].at = at;
    s->node[node].axis = axis;
    const float middle_high[2] = {axis == 0 ? at : high[0], axis == 0 ? high[1] : at}, middle_low[2] = {axis == 0 ? at : low[0], axis == 0 ? low[1] : at};
    split(s, 2*node, level + 1, use, k, low, middle_high);
    split(s, 2*node + 1, level + 1, use + k, count - k, middle_low, high);
}

static void make_box(lr_sunlit *s, const lr_sunlit_use *use, int count)
{
    for (int k = 0; k < 2; k++) {
        s->low[k] = INFINITY;
        s->high[k] = -INFINITY;
    }
    for (int i = 0; i < count; i++) {
        const float p[2] = {use[i].x, use[i].y};
        for (int k = 0; k < 2; k++) {
            s->low[k] = lr_minf(s->low[k], p[k] - LEAST_SIDE_M);
            s->high[k] = lr_maxf(s->high[k], p[k] + LEAST_SIDE_M);
        }
    }
}

// Leaf of the rays that a place is found by; -1: none comes this way.
static int leaf_at(const lr_sunlit *s, lr_vec3f point, lr_vec3f to_sun)
{
    float p[2];
    int node = 1;
    project(&s->plane, point, to_sun, p);
    if (!(p[0] >= s->low[0] && p[0] < s->high[0] && p[1] >= s->low[1] && p[1] < s->high[1]))
        return -1;
    for (int level = 0; level < s->levels; level++)
        node = 2*node + (p[s->node[node].axis] >= s->node[node].at);
    return node - (1 << s->levels);
}

static int has_lobe(const lr_surface *s) { return !lr_surface_is_matte(s) && !s->specular; }

// ---- the places -----------------------------------------------------------------------------------------------------------------

static void leaf_box(const lr_sunlit *s, int leaf, float low[2], float high[2])
{
    int node = 1;
    for (int k = 0; k < 2; k++) {
        low[k] = s->low[k];
        high[k] = s->high[k];
    }
    for (int level = s->levels - 1; level >= 0; level--) {
        const int up = leaf >> level & 1, axis = s->node[node].axis;
        (up ? low : high)[axis] = s->node[node].at;
        node = 2*node + up;
    }
}

// A ray of leaf i/PER_LEAF from `far_m` above the plane. Layers go on where those before ended, so that all together are spread evenly.
static void aim(const lr_line_job *job, const lr_sunlit *s, lr_sunlit_place *p, int i, int set, float far_m, int slot)
{
    const lr_lights *lights = &job->tracer->lights;
    float low[2], high[2], u, v, a, b, c, t;
    const uint32_t key = lr_hash(lr_hash(job->seed, 0x73756eu + (uint32_t)(set % 2)), (uint32_t)(i/PER_LEAF)), number = (uint32_t)(set/2*PER_LEAF + i % PER_LEAF);
    leaf_box(s, i/PER_LEAF, low, high);
    lr_sobol2(number, key, &u, &v);
    lr_sobol2(number, lr_hash(key, 1), &a, &b);
    lr_turnf(b, &c, &t);
    const float radius = lights->sun_sine*sqrtf(a);
    p->to_sun = lr_unitf(lr_frame_tof(s->plane.frame, lr_v3f(radius*c, radius*t, 1.0f)));
    p->density = s->density[i/PER_LEAF];
    const lr_vec3f on_plane = lr_addf(s->plane.center, lr_frame_tof(s->plane.frame, lr_v3f(low[0] + u*(high[0] - low[0]), low[1] + v*(high[1] - low[1]), 0.0f)));
    lr_rays_set(&job->work->rays, slot, lr_madf(on_plane, far_m, p->to_sun), lr_mulf(p->to_sun, -1.0f), 0.0f, INFINITY, 0.0f);
}

// What the ray of `slot` ends on, and the panes it came through.
static void land(const lr_line_job *job, lr_sunlit_place *p, int slot, float far_m)
{
    const lr_scene *scene = job->tracer->scene;
    const lr_rays *rays = &job->work->rays;
    p->surface = NULL;
    if (rays->object[slot] < 0)
        return;
    int material;
    const lr_vec3f n = lr_rays_normal(rays, slot);
    p->surface = lr_scene_surface(scene, rays->object[slot], rays->primitive[slot], rays->u[slot], rays->v[slot], &p->scale, &material);
    p->point = lr_rays_point(rays, slot);
    p->normal = lr_dotf(n, p->to_sun) >= 0.0f ? n : lr_mulf(n, -1.0f);
    if (p->surface->specular) {
        p->surface = NULL;   // its light is that of a mirror's path, not of this place
        return;
    }
    p->surface = &job->tracer->blunt[p->surface - scene->surface];
    for (int b = 0; b < LR_MAX_BINS; b++)
        p->pass[b] = 1.0f;
    if (lr_bvh_has_panes(job->tracer->bvh))
        lr_bvh_pane_transmittance(job->tracer->bvh, lr_madf(p->point, LR_OFFSET_M, p->normal), p->to_sun, 0.0f, 2.0f*far_m, 0.0f, p->pass);
}

// Rays see panes; only what is behind them is a place.
static void trace_places(const lr_line_job *job, lr_sunlit_place *place, int count, float far_m)
{
    lr_rays *rays = &job->work->rays;
    rays->count = count;
    lr_work_intersect(job, rays, LR_RAYS_COHERENT, LR_RAY_SUN);
    lr_work_look_through(job, rays, LR_RAYS_COHERENT);
    for (int k = 0; k < count; k++) {
        const lr_vec3f near = rays->object[k] >= 0 ? lr_madf(lr_rays_point(rays, k), STEP_BACK_M, place[k].to_sun) : lr_rays_origin(rays, k);
        lr_rays_set(rays, k, near, lr_rays_direction(rays, k), 0.0f, INFINITY, 0.0f);
    }
    lr_work_intersect(job, rays, LR_RAYS_COHERENT, LR_RAY_SUN);
    lr_work_look_through(job, rays, LR_RAYS_COHERENT);
    for (int k = 0; k < count; k++)
        land(job, &place[k], k, far_m);
}

static void find_places(const lr_line_job *job, lr_sunlit *s, int set)
{
    const lr_box3 box = job->tracer->scene->bounds;
    const lr_vec3f low = lr_subf(lr_v3f_of(box.lo), s->plane.center), high = lr_subf(lr_v3f_of(box.hi), s->plane.center);
    const float far_m = 2.0f*sqrtf(lr_maxf(lr_dotf(low, low), lr_dotf(high, high))) + 1.0f;
    for (int first = 0; first < s->place_count; first += LR_CHUNK_PIXELS) {
        const int count = s->place_count - first < LR_CHUNK_PIXELS ? s->place_count - first : LR_CHUNK_PIXELS;
        for (int k = 0; k < count; k++)
            aim(job, s, &s->place[set][first + k], first + k, set, far_m, k);
        trace_places(job, s->place[set] + first, count, far_m);
    }
}

// ---- asking them ------------------------------------------------------------------------------------------------------------------

// Density of links over the place's own area.
static float links_over(float plane_density, float facing_sun) { return LINK_TRUST/LINK_SHARE*plane_density*facing_sun; }

// Of links and of paths that leave with `pdf` and meet the place `d2` away: the links' share by these densities.
static float share_of_links(float plane_density, float facing_sun, float pdf, float facing_path, float d2)
{
    const float by_links = links_over(plane_density, facing_sun);
    return by_links/(by_links + pdf*facing_path/d2);
}

float lr_sunlit_found(const lr_sunlit *s, const lr_sunlit_choice *choice, int half, lr_vec3f from, float pdf, lr_vec3f place, lr_vec3f normal, lr_vec3f to_sun)
{
    const lr_vec3f to = lr_subf(place, from);
    const float d2 = lr_dotf(to, to);
    const int leaf = leaf_at(s, place, to_sun);
    if (leaf < 0)
        return 1.0f;
    return 1.0f - share_of_links(s->density[leaf]*(choice ? choice->often[half][leaf] : 1.0f), fabsf(lr_dotf(normal, to_sun)), pdf, fabsf(lr_dotf(normal, to))/sqrtf(d2), d2);
}

const lr_sunlit_place *lr_sunlit_evenly(const lr_sunlit *s, int set, float u)
{
    const int k = (int)(u*(float)s->place_count);
    return &s->place[set][k < s->place_count ? k : s->place_count - 1];
}

// All of a link but its light. 0: neither sees the other.
static int aim_link(const lr_sunlit_place *p, lr_vec3f point, lr_vec3f normal, lr_sunlit_link *out)
{
    if (!p->surface)
        return 0;
    const float side = lr_dotf(normal, lr_subf(p->point, point)) >= 0.0f ? 1.0f : -1.0f;
    out->start = lr_madf(point, side*LR_OFFSET_M, normal);
    const lr_vec3f to = lr_subf(lr_madf(p->point, LR_OFFSET_M, p->normal), out->start);
    const float d2 = lr_dotf(to, to), here = side*lr_dotf(normal, to);
    if (!(d2 > 16.0f*LR_OFFSET_M*LR_OFFSET_M && here > 0.0f && lr_dotf(p->normal, to) < 0.0f))
        return 0;
    out->distance = sqrtf(d2);
    out->wi = lr_mulf(to, 1.0f/out->distance);
    out->here = here/out->distance;
    out->there = -lr_dotf(p->normal, out->wi);
    return 1;
}

int lr_sunlit_reach(const lr_sunlit_place *p, lr_vec3f point, lr_vec3f normal, lr_sunlit_link *out)
{
    if (!aim_link(p, point, normal, out))
        return 0;
    lr_surface_eval_world(p->surface, p->scale, p->normal, p->to_sun, lr_mulf(out->wi, -1.0f), out->light);   // holds the cosine there
    for (int b = 0; b < p->surface->bin_count; b++)
        out->light[b] *= p->pass[b]/(out->distance*out->distance*p->density);
    return 1;
}

float lr_sunlit_share(const lr_sunlit_place *p, float often, const lr_sunlit_link *link, float pdf)
{
    return share_of_links(often*p->density, lr_dotf(p->normal, p->to_sun), pdf, link->there, link->distance*link->distance);
}

int lr_sunlit_connect(const lr_sunlit_place *p, float often, lr_vec3f point, lr_vec3f normal, int bins, lr_sunlit_link *out)
{
    if (!lr_sunlit_reach(p, point, normal, out) || lr_dotf(normal, out->wi) <= 0.0f)
        return 0;
    const float factor = out->here*lr_sunlit_share(p, often, out, out->here*LR_INV_PI_F);
    for (int b = 0; b < bins; b++)
        out->light[b] *= factor;
    return 1;
}

// About what place after place would send to a point.
LR_WIDE static void find_worth(const lr_sunlit_beams *beams, int count, lr_vec3f point, lr_vec3f normal, float *restrict worth)
{
    const float *restrict x = beams->x, *restrict y = beams->y, *restrict z = beams->z, *restrict nx = beams->nx, *restrict ny = beams->ny, *restrict nz = beams->nz;
    const float *restrict light = beams->light, *restrict links = beams->links;
    for (int i = 0; i < count; i++) {
        const float dx = x[i] - point.x, dy = y[i] - point.y, dz = z[i] - point.z, d2 = dx*dx + dy*dy + dz*dz + LR_OFFSET_M*LR_OFFSET_M;
        const float here = dx*normal.x + dy*normal.y + dz*normal.z, there = -(dx*nx[i] + dy*ny[i] + dz*nz[i]);
        const float g = (here > 0.0f ? here : 0.0f)*(there > 0.0f ? there : 0.0f)/(d2*d2);   // over it the place's own area is seen, both cosines taken
        worth[i] = light[i]*g*links[i]/(links[i] + LR_INV_PI_F*g);
    }
}

// Sum of `count` values, a power of two from LANES on.
LR_WIDE static double sum_of(const float *restrict value, int count)
{
    float lane[LANES] = {0.0f};
    double total = 0.0;
    for (int i = 0; i < count; i += LANES)
        for (int k = 0; k < LANES; k++)
            lane[k] += value[i + k];
    for (int k = 0; k < LANES; k++)
        total += (double)lane[k];
    return total;
}

LR_WIDE static void add_times(float *restrict sum, const float *restrict value, float factor, int count)
{
    for (int i = 0; i < count; i++)
        sum[i] += value[i]*factor;
}

// The same of those that a lobe sends from, where that goes; a part of it as if even, as other points will see another part of the lobe.
static void find_lobe_worth(const lr_sunlit *s, int set, lr_vec3f point, lr_vec3f normal, int bins, float *worth)
{
    const lr_sunlit_beams *beams = &s->beams[set];
    for (int k = 0; k < beams->lobe_count; k++) {
        const int i = beams->lobe[k];
        lr_sunlit_link link;
        worth[i] *= EVEN_LOBE;
        for (int b = 0, sees = lr_sunlit_connect(&s->place[set][i], 1.0f, point, normal, bins, &link); sees && b < bins; b++)
            worth[i] += (1.0f - EVEN_LOBE)*link.light[b];
    }
}

// Adds what place after place would send to a point, as shares of it all.
static void add_worth(float *worth, const lr_sunlit *s, int set, const lr_gather_record *r, int bins, float *scratch)
{
    find_worth(&s->beams[set], s->place_count, r->point, r->normal, scratch);
    find_lobe_worth(s, set, r->point, r->normal, bins, scratch);
    const double total = sum_of(scratch, s->place_count);
    if (total > 0.0)
        add_times(worth, scratch, (float)(1.0/total), s->place_count);
}

// How many of the leaf's places, one for each witness, can be seen by it: into seen, of those that might into asked (leaves).
static void look_at_leaves(const lr_line_job *job, const lr_sunlit_choice *choice, const lr_gather_record *witness, int number, uint8_t *seen, uint8_t *asked)
{
    const lr_sunlit *s = choice->sunlit;
    const lr_sunlit_place *place = s->place[2*choice->layer + number % 2];
    lr_rays *rays = &job->work->rays;
    const int leaves = 1 << s->levels;
    int leaf_of[LR_CHUNK_PIXELS];
    for (int leaf = 0; leaf < leaves;) {
        lr_sunlit_link link;
        rays->count = 0;
        for (; leaf < leaves && rays->count < LR_CHUNK_PIXELS; leaf++) {
            if (!aim_link(&place[leaf*PER_LEAF + number/2 % PER_LEAF], witness->point, witness->normal, &link) || lr_dotf(witness->normal, link.wi) <= 0.0f)
                continue;
            leaf_of[rays->count] = leaf;
            lr_rays_set(rays, rays->count++, link.start, link.wi, 0.0f, link.distance*(1.0f - 1e-5f) - 0.5f*LR_OFFSET_M, 0.0f);
        }
        lr_work_occluded(job, rays, LR_RAYS_INCOHERENT, LR_RAY_SUN);
        for (int k = 0; k < rays->count; k++) {
            asked[leaf_of[k]]++;
            seen[leaf_of[k]] = (uint8_t)(seen[leaf_of[k]] + !rays->blocked[k]);
        }
    }
}

// From what places are worth to running sums of their chances, and the guide to them.
static void sum_up(lr_sunlit_choice *choice, int set, const uint8_t *seen, const uint8_t *asked)
{
    const int count = choice->sunlit->place_count;
    float *sum = choice->sum[set], by_leaf = 0.0f;
    double running = 0.0;
    for (int i = 0; i < count; i++) {  // by the root of how many see it: least variance where a place is seen by some only
        if (i % PER_LEAF == 0)
            by_leaf = sqrtf((UNSEEN + (float)seen[i/PER_LEAF])/(UNSEEN + (float)asked[i/PER_LEAF]));
        sum[i] *= by_leaf;
    }
    const double total = sum_of(sum, count), even = total > 0.0 ? EVEN_SHARE/count : 1.0/count, rest = total > 0.0 ? (1.0 - EVEN_SHARE)/total : 0.0;
    for (int i = 0, next = 0; i < count; i++) {
        sum[i] = (float)(running += even + rest*(double)sum[i]);
        for (; next < count && (float)next < sum[i]*(float)count; next++)
            choice->guide[set][next] = (uint16_t)i;
        if (i % PER_LEAF == PER_LEAF - 1)
            choice->often[set][i/PER_LEAF] = (sum[i] - (i >= PER_LEAF ? sum[i - PER_LEAF] : 0.0f))*(float)(count/PER_LEAF);
        if (i == count - 1)
            for (; next < count; next++)
                choice->guide[set][next] = (uint16_t)i;
    }
}

void lr_sunlit_weigh(const lr_line_job *job, lr_sunlit_choice *choice, const lr_gather_record *record, int count)
{
    const lr_sunlit *s = choice->sunlit;
    uint8_t seen[1 << MOST_LEVELS] = {0}, asked[1 << MOST_LEVELS] = {0};
    choice->layer = (int)(lr_hash(job->seed, record->tile) % LR_SUNLIT_LAYERS);
    const int witnesses = 1 + count/PIECE_OF_WITNESS < WITNESSES ? 1 + count/PIECE_OF_WITNESS : WITNESSES;
    for (int k = 0; k < witnesses; k++)
        look_at_leaves(job, choice, &record[(2*k + 1)*count/(2*witnesses)], k, seen, asked);
    for (int set = 0; set < 2; set++) {
        memset(choice->sum[set], 0, (size_t)s->place_count*sizeof *choice->sum[set]);
        for (int k = 0; k < witnesses; k++)
            add_worth(choice->sum[set], s, 2*choice->layer + set, &record[(2*k + 1)*count/(2*witnesses)], job->tracer->rig->bins.ambient_count, choice->scratch);
        sum_up(choice, set, seen, asked);
    }
}

const lr_sunlit_place *lr_sunlit_choose(const lr_sunlit_choice *choice, int half, float u, float *chance, float *often)
{
    const lr_sunlit *s = choice->sunlit;
    const float *sum = choice->sum[half];
    const int last = s->place_count - 1, near = (int)(u*(float)s->place_count);   // exact: a power of two
    int k = choice->guide[half][near < last ? near : last];
    while (k < last && !(u < sum[k]))
        k++;
    *chance = (sum[k] - (k > 0 ? sum[k - 1] : 0.0f))*(float)s->place_count;
    *often = choice->often[half][k/PER_LEAF];
    return &s->place[2*choice->layer + half][k];
}

lr_status lr_sunlit_choice_create(const lr_sunlit *sunlit, lr_sunlit_choice *out, lr_error *err)
{
    const size_t count = (size_t)sunlit->place_count;
    const size_t leaves = count/PER_LEAF;
    float *block = calloc(3*count + 2*leaves, sizeof *block);
    uint16_t *guide = calloc(2*count, sizeof *guide);
    *out = (lr_sunlit_choice){.sunlit = sunlit, .sum = {block, block + count}, .scratch = block + 2*count, .often = {block + 3*count, block + 3*count + leaves}, .guide = {guide, guide + count}};
    if (block && guide)
        return LR_OK;
    lr_sunlit_choice_destroy(out);
    *out = (lr_sunlit_choice){0};
    return lr_fail(err, LR_ERR_MEMORY, "sunlit places: out of memory");
}

void lr_sunlit_choice_destroy(lr_sunlit_choice *choice)
{
    free(choice->sum[0]);
    free(choice->guide[0]);
}

// ---- making -----------------------------------------------------------------------------------------------------------------------

// Mean over the half space of what a place in the light of its ray sends, sum over bins.
static float mean_light(const lr_sunlit_place *p, int bins)
{
    const lr_frame3f frame = lr_frame_aroundf(p->normal);
    const lr_vec3f to_sun = lr_frame_fromf(frame, p->to_sun);
    float sum = 0.0f, u, v, w, unused;
    for (int k = 0; k < BEAM_DRAWS; k++) {
        lr_surface_sample sample;
        lr_sobol2((uint32_t)k, 1, &u, &v);
        lr_sobol2((uint32_t)k, 2, &w, &unused);
        if (!lr_surface_draw(p->surface, p->scale, to_sun, u, v, w, &sample))
            continue;
        for (int b = 0; b < bins; b++)
            sum += sample.weight[b]*p->pass[b];
    }
    return sum*lr_maxf(0.0f, to_sun.z)*LR_INV_PI_F/((float)BEAM_DRAWS*p->density);
}

static lr_status make_beams(lr_sunlit *s, int set, int bins, lr_error *err)
{
    const size_t count = (size_t)s->place_count;
    float *block = calloc(BEAM_ARRAYS*count, sizeof *block);
    if (!block)
        return lr_fail(err, LR_ERR_MEMORY, "sunlit places: out of memory");
    lr_sunlit_beams b = {block, block + count, block + 2*count, block + 3*count, block + 4*count, block + 5*count, block + 6*count, block + 7*count, 0, s->lobe + (size_t)set*count};
    for (int i = 0; i < s->place_count; i++) {
        const lr_sunlit_place *p = &s->place[set][i];
        b.links[i] = 1.0f;
        if (!p->surface)
            continue;
        b.x[i] = p->point.x;
        b.y[i] = p->point.y;
        b.z[i] = p->point.z;
        b.nx[i] = p->normal.x;
        b.ny[i] = p->normal.y;
        b.nz[i] = p->normal.z;
        b.light[i] = mean_light(p, bins);
        b.links[i] = links_over(p->density, lr_dotf(p->normal, p->to_sun)) + 1e-9f;
        if (has_lobe(p->surface))
            b.lobe[b.lobe_count++] = (uint16_t)i;
    }
    s->beams[set] = b;
    return LR_OK;
}

lr_status lr_sunlit_create(const lr_line_job *job, const lr_sunlit_notes *notes, lr_sunlit **out, lr_error *err)
{
    const int count = notes->count;
    *out = NULL;
    if (count < 2*LEAST_USES)
        return LR_OK;
    lr_sunlit *s = calloc(1, sizeof *s);
    if (!s)
        return lr_fail(err, LR_ERR_MEMORY, "sunlit places: out of memory");
    s->plane = notes->plane;
    while (s->levels < MOST_LEVELS && LEAST_USES << (s->levels + 1) <= count)
        s->levels++;
    s->place_count = PER_LEAF << s->levels;
    s->node = calloc((size_t)1 << s->levels, sizeof *s->node);
    s->density = calloc((size_t)1 << s->levels, sizeof *s->density);
    s->place[0] = lr_pages_alloc(2*LR_SUNLIT_LAYERS*(size_t)s->place_count*sizeof *s->place[0]);
    s->lobe = calloc(2*LR_SUNLIT_LAYERS*(size_t)s->place_count, sizeof *s->lobe);
    if (!s->node || !s->density || !s->place[0] || !s->lobe) {
        lr_sunlit_destroy(s);
        return lr_fail(err, LR_ERR_MEMORY, "sunlit places: out of memory");
    }
    make_box(s, notes->use, count);
    split(s, 1, 0, notes->use, count, s->low, s->high);
    for (int set = 0; set < 2*LR_SUNLIT_LAYERS; set++) {
        s->place[set] = s->place[0] + (size_t)set*(size_t)s->place_count;
        find_places(job, s, set);
        if (make_beams(s, set, job->tracer->rig->bins.ambient_count, err) != LR_OK) {
            lr_sunlit_destroy(s);
            return LR_ERR_MEMORY;
        }
    }
    *out = s;
    return LR_OK;
}

void lr_sunlit_destroy(lr_sunlit *s)
{
    if (!s)
        return;
    free(s->node);
    free(s->density);
    free(s->place[0]);
    free(s->lobe);
    for (int set = 0; set < 2*LR_SUNLIT_LAYERS; set++)
        free(s->beams[set].x);
    free(s);
}
