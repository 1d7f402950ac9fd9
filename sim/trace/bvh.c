// SPDX-License-Identifier: Apache-2.0
// The only file that sees Embree (3.12 and later, or 4). Two layers, opaque and panes; in each, up to three scenes kept apart,
// since one scene with several kinds of geometry is slower for all of them:
//   triangles  all meshes at rest, in world coordinates, as one geometry
//   instances  large meshes that several objects share
//   bodies     curved shapes and all that moves: user geometry, intersected here in double
// Every packet visits the scenes in that order, each with the distance found so far as its far end.
#if __has_include(<embree4/rtcore.h>)
#include <embree4/rtcore.h>
#else
#include <embree3/rtcore.h>
#endif

#include "trace/bvh.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "trace/body.h"
#include "trace/facets.h"

#define PANE_CROSSINGS 64
#define PANE_STEP_M 1e-5f     // past a pane: more than the rounding of a distance up to 80 m
#define FAR_M 1e18f           // beyond it squares overflow in float
#define REST_M 1e9f

enum { LANES_MOST = 16, SCENES = 3*LR_LAYERS };

// geomID of a hit tells where to look: the triangles of a layer, a mesh tree, or a body (then plus the object's index).
#define GEOM_TREE ((unsigned)LR_LAYERS)
#define GEOM_BODY 0x40000000u

// Packets as Embree's RTCRayHit16 and RTCRay16 (or 8) lay them out: of n lanes, field k of lane i is word n k + i.
enum field { OX, OY, OZ, NEAR, DX, DY, DZ, TIME, FAR, MASK, ID, FLAGS, NX, NY, NZ, U, V, PRIM, GEOM, INST, FIELDS };
typedef union word { float f; uint32_t u; } word;
typedef struct packet { _Alignas(64) word w[sizeof(struct RTCRayHit16)/sizeof(word)]; } packet;
_Static_assert(sizeof(struct RTCRayHit16) >= FIELDS*LANES_MOST*sizeof(word), "a packet as Embree lays it out");

typedef struct mesh_tree { const lr_mesh *mesh; int whole; lr_facets facets; RTCScene scene; } mesh_tree;

typedef struct body_set { const lr_bvh *bvh; int count; lr_body *body; } body_set;

struct lr_bvh {
    const lr_scene *scene;
    RTCDevice device;
    int lanes;                    // of a packet: 16, or 8 where the machine has no more
    RTCScene traced[SCENES];      // those not empty; opaque ones first
    int opaque_count, traced_count;
    lr_facets facets[LR_LAYERS];
    int tree_count;
    mesh_tree *tree;              // (tree_count) room for two an object
    body_set bodies[LR_LAYERS];
    uint8_t *may_be_pane;         // (objects)
};

// What goes along with a call: Embree hands `context` back to our callbacks, which find the rest behind it.
typedef struct query {
#if RTC_VERSION_MAJOR >= 4
    struct RTCRayQueryContext context;
    struct RTCIntersectArguments intersect;
    struct RTCOccludedArguments occluded;
#else
    struct RTCIntersectContext context;
#endif
    const float *time_s;  // of the packet's rays, found by ray id; Embree's own time is for its motion blur and stays 0
} query;

static void query_init(query *q, lr_ray_order order, const float *time_s)
{
#if RTC_VERSION_MAJOR >= 4
    const enum RTCRayQueryFlags flags = order == LR_RAYS_COHERENT ? RTC_RAY_QUERY_FLAG_COHERENT : RTC_RAY_QUERY_FLAG_INCOHERENT;
    rtcInitRayQueryContext(&q->context);
    rtcInitIntersectArguments(&q->intersect);
    rtcInitOccludedArguments(&q->occluded);
    q->intersect.flags = q->occluded.flags = flags;
    q->intersect.context = q->occluded.context = &q->context;
#else
    rtcInitIntersectContext(&q->context);
    q->context.flags = order == LR_RAYS_COHERENT ? RTC_INTERSECT_CONTEXT_FLAG_COHERENT : RTC_INTERSECT_CONTEXT_FLAG_INCOHERENT;
#endif
    q->time_s = time_s;
}

// Coherent packets of 16 shadow rays now and then do not return, whatever their directions (3.13.5 with AVX-512): it keeps the lanes left to do
// in 16 bits of a word and waits for all 64 to be 0. The others hold what lay there before.
static lr_ray_order shadow_order(lr_ray_order order, int lanes) { return lanes == 16 ? LR_RAYS_INCOHERENT : order; }

// Embree 4 takes the query last, Embree 3 before the rays.
#if RTC_VERSION_MAJOR >= 4
#define INTERSECT_ARGS(q, rays) (rays), &(q)->intersect
#define OCCLUDED_ARGS(q, rays) (rays), &(q)->occluded
#else
#define INTERSECT_ARGS(q, rays) &(q)->context, (rays)
#define OCCLUDED_ARGS(q, rays) &(q)->context, (rays)
#endif

static inline void intersect_packet(const int *valid, RTCScene scene, query *q, packet *p, int lanes)
{
    if (lanes == 8)
        rtcIntersect8(valid, scene, INTERSECT_ARGS(q, (struct RTCRayHit8 *)(void *)p->w));
    else
        rtcIntersect16(valid, scene, INTERSECT_ARGS(q, (struct RTCRayHit16 *)(void *)p->w));
}

static inline void occluded_packet(const int *valid, RTCScene scene, query *q, packet *p, int lanes)
{
    if (lanes == 8)
        rtcOccluded8(valid, scene, OCCLUDED_ARGS(q, (struct RTCRay8 *)(void *)p->w));
    else
        rtcOccluded16(valid, scene, OCCLUDED_ARGS(q, (struct RTCRay16 *)(void *)p->w));
}

// ---- bodies -------------------------------------------------------------------------------------------------------------

typedef struct body_hit { double t; lr_vec3 normal; float u, v; uint32_t primitive; } body_hit;

static struct RTCRay local_ray(const lr_body_ray *ray, float t_near, float t_far)
{
    return (struct RTCRay){.org_x = (float)ray->origin.x, .org_y = (float)ray->origin.y, .org_z = (float)ray->origin.z,
                           .dir_x = (float)ray->direction.x, .dir_y = (float)ray->direction.y, .dir_z = (float)ray->direction.z,
                           .tnear = t_near, .tfar = t_far, .mask = 0xffffffffu};
}

static int mesh_hit(const mesh_tree *tree, const lr_body_ray *ray, float t_near, float t_far, body_hit *hit)
{
    query q;
    query_init(&q, LR_RAYS_INCOHERENT, NULL);
    struct RTCRayHit r = {.ray = local_ray(ray, t_near, t_far), .hit = {.geomID = RTC_INVALID_GEOMETRY_ID}};
    rtcIntersect1(tree->scene, INTERSECT_ARGS(&q, &r));
    if (r.hit.geomID == RTC_INVALID_GEOMETRY_ID)
        return 0;
    const lr_facet *f = &tree->facets.facet[r.hit.primID];
    *hit = (body_hit){.t = (double)r.ray.tfar, .u = r.hit.u, .v = r.hit.v, .primitive = (uint32_t)f->primitive};
    hit->normal = lr_rotate(ray->pose.rotation, lr_v3((double)f->nx, (double)f->ny, (double)f->nz));
    return 1;
}

static int curved_hit(const lr_body *body, const lr_body_ray *ray, float t_near, float t_far, body_hit *hit)
{
    lr_curved_hit c;
    if (!lr_curved_intersect(&body->object->curved, ray->origin, ray->direction, (double)t_near, (double)t_far, &c))
        return 0;
    *hit = (body_hit){.t = c.t, .u = (float)c.u, .v = (float)c.v, .normal = lr_rotate(ray->pose.rotation, c.normal)};
    return 1;
}

static inline lr_body_ray lane_ray(const lr_body *body, const query *q, const word *w, unsigned n, unsigned i)
{
    const lr_vec3 origin = lr_v3((double)w[OX*n + i].f, (double)w[OY*n + i].f, (double)w[OZ*n + i].f);
    const lr_vec3 direction = lr_v3((double)w[DX*n + i].f, (double)w[DY*n + i].f, (double)w[DZ*n + i].f);
    return lr_body_ray_at(body, origin, direction, (double)q->time_s[w[ID*n + i].u]);
}

// Lanes that may meet the body, a bit each.
static unsigned lanes_near(const lr_body *body, const word *w, unsigned n, const int *valid)
{
    const lr_body_lanes rays = {{&w[OX*n].f, &w[OY*n].f, &w[OZ*n].f}, {&w[DX*n].f, &w[DY*n].f, &w[DZ*n].f}, &w[NEAR*n].f, &w[FAR*n].f};
    return lr_body_gate_keep(&body->gate, &rays, (int)n, valid);
}

static void bodies_intersect(const struct RTCIntersectFunctionNArguments *args)
{
    const body_set *set = args->geometryUserPtr;
    const lr_body *body = &set->body[args->primID];
    const query *q = (const query *)(const void *)args->context;
    const unsigned n = args->N;
    word *w = (word *)(void *)args->rayhit;
    for (unsigned near_by = lanes_near(body, w, n, args->valid); near_by; near_by &= near_by - 1) {
        const unsigned i = (unsigned)__builtin_ctz(near_by);
        const lr_body_ray ray = lane_ray(body, q, w, n, i);
        body_hit hit;
        if (!(body->tree < 0 ? curved_hit(body, &ray, w[NEAR*n + i].f, w[FAR*n + i].f, &hit)
                             : mesh_hit(&set->bvh->tree[body->tree], &ray, w[NEAR*n + i].f, w[FAR*n + i].f, &hit)))
            continue;
        w[FAR*n + i].f = (float)hit.t;
        w[NX*n + i].f = (float)hit.normal.x;
        w[NY*n + i].f = (float)hit.normal.y;
        w[NZ*n + i].f = (float)hit.normal.z;
        w[U*n + i].f = hit.u;
        w[V*n + i].f = hit.v;
        w[PRIM*n + i].u = hit.primitive;
        w[GEOM*n + i].u = GEOM_BODY + (uint32_t)body->index;
        w[INST*n + i].u = RTC_INVALID_GEOMETRY_ID;
    }
}

static int mesh_blocks(const mesh_tree *tree, const lr_body_ray *ray, float t_near, float t_far)
{
    query q;
    query_init(&q, LR_RAYS_INCOHERENT, NULL);
    struct RTCRay r = local_ray(ray, t_near, t_far);
    rtcOccluded1(tree->scene, OCCLUDED_ARGS(&q, &r));
    return r.tfar < 0.0f;
}

static void bodies_occluded(const struct RTCOccludedFunctionNArguments *args)
{
    const body_set *set = args->geometryUserPtr;
    const lr_body *body = &set->body[args->primID];
    const query *q = (const query *)(const void *)args->context;
    const unsigned n = args->N;
    word *w = (word *)(void *)args->ray;
    for (unsigned near_by = lanes_near(body, w, n, args->valid); near_by; near_by &= near_by - 1) {
        const unsigned i = (unsigned)__builtin_ctz(near_by);
        const lr_body_ray ray = lane_ray(body, q, w, n, i);
        if (body->tree < 0 ? lr_curved_intersect(&body->object->curved, ray.origin, ray.direction, (double)w[NEAR*n + i].f, (double)w[FAR*n + i].f, NULL)
                           : mesh_blocks(&set->bvh->tree[body->tree], &ray, w[NEAR*n + i].f, w[FAR*n + i].f))
            w[FAR*n + i].f = -INFINITY;
    }
}

static void bodies_bounds(const struct RTCBoundsFunctionArguments *args)
{
    const body_set *set = args->geometryUserPtr;
    float lo[3], hi[3];
    lr_body_padded(&set->body[args->primID], lo, hi);
    *args->bounds_o = (struct RTCBounds){.lower_x = lo[0], .lower_y = lo[1], .lower_z = lo[2], .upper_x = hi[0], .upper_y = hi[1], .upper_z = hi[2]};
}

// ---- building -----------------------------------------------------------------------------------------------------------

static lr_status device_status(RTCDevice device, lr_error *err)
{
    const enum RTCError code = rtcGetDeviceError(device);
    if (code == RTC_ERROR_NONE)
        return LR_OK;
    if (code == RTC_ERROR_OUT_OF_MEMORY)
        return lr_fail(err, LR_ERR_MEMORY, "ray tracer: out of memory");
    return lr_fail(err, LR_ERR_EMBREE, "ray tracer: Embree reports error %d", (int)code);
}

static RTCScene new_scene(RTCDevice device)
{
    RTCScene scene = rtcNewScene(device);
    // Never COMPACT: with it, coherent packets of shadow rays do not return (3.13.5).
    rtcSetSceneFlags(scene, RTC_SCENE_FLAG_ROBUST);
    rtcSetSceneBuildQuality(scene, RTC_BUILD_QUALITY_MEDIUM);
    return scene;
}

static void attach(RTCScene scene, RTCGeometry geometry, unsigned id)
{
    rtcSetGeometryMask(geometry, 0xffffffffu);
    rtcCommitGeometry(geometry);
    rtcAttachGeometryByID(scene, geometry, id);
    rtcReleaseGeometry(geometry);
}

static RTCScene triangle_scene(RTCDevice device, const lr_facets *f, unsigned id)
{
    RTCScene scene = new_scene(device);
    RTCGeometry g = rtcNewGeometry(device, RTC_GEOMETRY_TYPE_TRIANGLE);
    rtcSetSharedGeometryBuffer(g, RTC_BUFFER_TYPE_VERTEX, 0, RTC_FORMAT_FLOAT3, f->corner, 0, sizeof *f->corner, (size_t)f->corner_count);
    rtcSetSharedGeometryBuffer(g, RTC_BUFFER_TYPE_INDEX, 0, RTC_FORMAT_UINT3, f->triangle, 0, sizeof *f->triangle, (size_t)f->count);
    attach(scene, g, id);
    rtcCommitScene(scene);
    return scene;
}

static RTCScene body_scene(RTCDevice device, body_set *set)
{
    RTCScene scene = new_scene(device);
    RTCGeometry g = rtcNewGeometry(device, RTC_GEOMETRY_TYPE_USER);
    rtcSetGeometryUserPrimitiveCount(g, (unsigned)set->count);
    rtcSetGeometryUserData(g, set);
    rtcSetGeometryBoundsFunction(g, bodies_bounds, set);
    rtcSetGeometryIntersectFunction(g, bodies_intersect);
    rtcSetGeometryOccludedFunction(g, bodies_occluded);
    attach(scene, g, 0);
    rtcCommitScene(scene);
    return scene;
}

static RTCGeometry instance_of(RTCDevice device, RTCScene of, const lr_object *object)
{
    const lr_mat3 r = object->pose.rotation;
    const lr_vec3 o = object->pose.origin;
    const double s = object->scale;
    const float columns[12] = {(float)(s*r.x.x), (float)(s*r.x.y), (float)(s*r.x.z), (float)(s*r.y.x), (float)(s*r.y.y), (float)(s*r.y.z),
                               (float)(s*r.z.x), (float)(s*r.z.y), (float)(s*r.z.z), (float)o.x, (float)o.y, (float)o.z};
    RTCGeometry g = rtcNewGeometry(device, RTC_GEOMETRY_TYPE_INSTANCE);
    rtcSetGeometryInstancedScene(g, of);
    rtcSetGeometryTransform(g, 0, RTC_FORMAT_FLOAT3X4_COLUMN_MAJOR, columns);
    return g;
}

// The tree of the object's mesh in this layer, shared where the whole mesh lies in one layer; made if need be. -1: failed.
static int tree_of(lr_bvh *bvh, int index, lr_layer layer, lr_error *err)
{
    const lr_object *object = &bvh->scene->object[index];
    const int whole = lr_layer_count(bvh->scene, object, layer) == object->mesh->triangle_count;
    for (int k = 0; whole && k < bvh->tree_count; k++)
        if (bvh->tree[k].mesh == object->mesh && bvh->tree[k].whole)
            return k;
    mesh_tree *tree = &bvh->tree[bvh->tree_count];
    if (lr_facets_reserve(&tree->facets, object->mesh->vertex_count, object->mesh->triangle_count, err) != LR_OK)
        return -1;
    lr_facets_add(&tree->facets, bvh->scene, index, layer, 0);
    tree->mesh = object->mesh;
    tree->whole = whole;
    tree->scene = triangle_scene(bvh->device, &tree->facets, GEOM_TREE + (unsigned)bvh->tree_count);
    return bvh->tree_count++;
}

static void trace_also(lr_bvh *bvh, lr_layer layer, RTCScene scene)
{
    bvh->traced[bvh->traced_count++] = scene;
    if (layer == LR_LAYER_OPAQUE)
        bvh->opaque_count = bvh->traced_count;
}

static lr_status build_triangles(lr_bvh *bvh, lr_layer layer, lr_error *err)
{
    lr_facets *facets = &bvh->facets[layer];
    int64_t corners = 0, triangles = 0;
    for (int k = 0; k < bvh->scene->object_count; k++) {
        if (lr_holding_of(bvh->scene, k, layer) != LR_HELD_AS_TRIANGLES)
            continue;
        corners += bvh->scene->object[k].mesh->vertex_count;
        triangles += lr_layer_count(bvh->scene, &bvh->scene->object[k], layer);
    }
    if (triangles == 0)
        return LR_OK;
    LR_TRY(lr_facets_reserve(facets, corners, triangles, err));
    for (int k = 0; k < bvh->scene->object_count; k++)
        if (lr_holding_of(bvh->scene, k, layer) == LR_HELD_AS_TRIANGLES)
            lr_facets_add(facets, bvh->scene, k, layer, 1);
    trace_also(bvh, layer, triangle_scene(bvh->device, facets, (unsigned)layer));
    return device_status(bvh->device, err);
}

static lr_status build_instances(lr_bvh *bvh, lr_layer layer, lr_error *err)
{
    RTCScene scene = NULL;
    for (int k = 0; k < bvh->scene->object_count; k++) {
        if (lr_holding_of(bvh->scene, k, layer) != LR_HELD_AS_INSTANCE)
            continue;
        const int tree = tree_of(bvh, k, layer, err);
        if (tree < 0)
            return LR_ERR_MEMORY;
        if (!scene) {
            scene = new_scene(bvh->device);
            trace_also(bvh, layer, scene);
        }
        attach(scene, instance_of(bvh->device, bvh->tree[tree].scene, &bvh->scene->object[k]), (unsigned)k);
    }
    if (scene)
        rtcCommitScene(scene);
    return device_status(bvh->device, err);
}

static lr_status build_bodies(lr_bvh *bvh, lr_layer layer, lr_error *err)
{
    body_set *set = &bvh->bodies[layer];
    set->bvh = bvh;
    for (int k = 0; k < bvh->scene->object_count; k++) {
        if (lr_holding_of(bvh->scene, k, layer) != LR_HELD_AS_BODY)
            continue;
        const int tree = bvh->scene->object[k].mesh ? tree_of(bvh, k, layer, err) : -1;
        if (bvh->scene->object[k].mesh && tree < 0)
            return LR_ERR_MEMORY;
        set->body[set->count++] = lr_body_of(bvh->scene, k, tree);
    }
    if (set->count > 0)
        trace_also(bvh, layer, body_scene(bvh->device, set));
    return device_status(bvh->device, err);
}

// Without AVX-512 Embree cuts packets of 16 in two. Asking for 8 at once was 11 % faster for camera rays, 5 % for laser shadows,
// 2 % for bounces, and half as much again for batches of one (AVX2, 100 k triangles, 300 curved shapes).
static int packet_lanes(RTCDevice device)
{
    return !rtcGetDeviceProperty(device, RTC_DEVICE_PROPERTY_NATIVE_RAY16_SUPPORTED) &&
           rtcGetDeviceProperty(device, RTC_DEVICE_PROPERTY_NATIVE_RAY8_SUPPORTED) ? 8 : 16;
}

static lr_status build(lr_bvh *bvh, int threads, lr_error *err)
{
    const size_t objects = (size_t)bvh->scene->object_count;
    char config[32];
    snprintf(config, sizeof config, "threads=%d", threads > 0 ? threads : 1);
    bvh->device = rtcNewDevice(config);
    if (!bvh->device)
        return device_status(NULL, err) == LR_OK ? lr_fail(err, LR_ERR_EMBREE, "ray tracer: Embree gives no device") : LR_ERR_EMBREE;
    bvh->lanes = packet_lanes(bvh->device);
    bvh->tree = calloc(LR_LAYERS*objects + 1, sizeof *bvh->tree);
    bvh->may_be_pane = calloc(objects + 1, 1);
    if (!bvh->tree || !bvh->may_be_pane)
        return lr_fail(err, LR_ERR_MEMORY, "ray tracer: out of memory");
    for (size_t k = 0; k < objects; k++)
        bvh->may_be_pane[k] = lr_holding_of(bvh->scene, (int)k, LR_LAYER_PANES) != LR_HELD_NOT;
    for (int layer = 0; layer < LR_LAYERS; layer++) {
        bvh->bodies[layer].body = calloc(objects + 1, sizeof *bvh->bodies[layer].body);
        if (!bvh->bodies[layer].body)
            return lr_fail(err, LR_ERR_MEMORY, "ray tracer: out of memory");
        LR_TRY(build_triangles(bvh, (lr_layer)layer, err));
        LR_TRY(build_instances(bvh, (lr_layer)layer, err));
        LR_TRY(build_bodies(bvh, (lr_layer)layer, err));
    }
    return LR_OK;
}

lr_status lr_bvh_create(const lr_scene *scene, int threads, lr_bvh **out, lr_error *err)
{
    assert(scene && out);
    *out = NULL;
    lr_bvh *bvh = calloc(1, sizeof *bvh);
    if (!bvh)
        return lr_fail(err, LR_ERR_MEMORY, "ray tracer: out of memory");
    bvh->scene = scene;
    const lr_status status = build(bvh, threads, err);
    if (status != LR_OK) {
        lr_bvh_destroy(bvh);
        return status;
    }
    *out = bvh;
    return LR_OK;
}

void lr_bvh_destroy(lr_bvh *bvh)
{
    if (!bvh)
        return;
    for (int k = 0; k < bvh->traced_count; k++)
        rtcReleaseScene(bvh->traced[k]);
    for (int k = 0; k < bvh->tree_count; k++) {
        rtcReleaseScene(bvh->tree[k].scene);
        lr_facets_free(&bvh->tree[k].facets);
    }
    if (bvh->device)
        rtcReleaseDevice(bvh->device);
    for (int layer = 0; layer < LR_LAYERS; layer++) {
        lr_facets_free(&bvh->facets[layer]);
        free(bvh->bodies[layer].body);
    }
    free(bvh->tree);
    free(bvh->may_be_pane);
    free(bvh);
}

// ---- tracing ------------------------------------------------------------------------------------------------------------

// The functions below are compiled once for 8 and once for 16 lanes.
#define EACH_WIDTH static inline __attribute__((always_inline))

EACH_WIDTH int lanes_at(const lr_rays *rays, int first, int n)
{
    return rays->count - first < n ? rays->count - first : n;
}

// A lane that is off must still hold a ray, far from everything: Debian's 3.13.5 asserts that all lanes hold numbers, which
// ends the program, and where AVX2 splits a packet in two its incoherent calls trace lanes that are off.
static void lane_rest(packet *p, int lane, int n)
{
    for (int k = OX; k <= FAR; k++)
        p->w[k*n + lane].f = 0.0f;
    p->w[OZ*n + lane].f = REST_M;
    p->w[DZ*n + lane].f = 1.0f;
}

// Switches on the lanes that hold rays. A ray that is not finite or has nothing to search stays off, and so hits nothing.
EACH_WIDTH void packet_switch(packet *p, int *valid, int count, int n)
{
    const word *w = p->w;
    for (int i = 0; i < n; i++) {
        const float sum = fabsf(w[OX*n + i].f) + fabsf(w[OY*n + i].f) + fabsf(w[OZ*n + i].f) + fabsf(w[DX*n + i].f) +
                          fabsf(w[DY*n + i].f) + fabsf(w[DZ*n + i].f);
        valid[i] = -((i < count) & (sum < FAR_M) & (w[NEAR*n + i].f < w[FAR*n + i].f));
    }
    for (int i = 0; i < n; i++)
        if (!valid[i])
            lane_rest(p, i, n);
}

EACH_WIDTH void packet_fill(packet *p, int *valid, const lr_rays *rays, int first, int n)
{
    const float *const from[] = {[OX] = rays->ox, [OY] = rays->oy, [OZ] = rays->oz, [NEAR] = rays->t_near,
                                 [DX] = rays->dx, [DY] = rays->dy, [DZ] = rays->dz, [FAR] = rays->t_far};
    for (int k = OX; k <= FAR; k++)
        if (k != TIME)
            memcpy(&p->w[k*n], from[k] + first, (size_t)n*sizeof(float));
    for (int i = 0; i < n; i++) {
        p->w[TIME*n + i].f = 0.0f;
        p->w[MASK*n + i].u = 0xffffffffu;
        p->w[ID*n + i].u = (uint32_t)i;
        p->w[FLAGS*n + i].u = 0;
        p->w[GEOM*n + i].u = RTC_INVALID_GEOMETRY_ID;
    }
    packet_switch(p, valid, lanes_at(rays, first, n), n);
}

typedef struct answer { lr_vec3f normal; int32_t object, primitive; } answer;

static answer answer_of(const lr_bvh *bvh, uint32_t geometry, uint32_t instance, uint32_t primitive, lr_vec3f ng)
{
    if (geometry >= GEOM_BODY)
        return (answer){ng, (int32_t)(geometry - GEOM_BODY), (int32_t)primitive};
    const lr_facet *f = geometry < GEOM_TREE ? &bvh->facets[geometry].facet[primitive]
                                             : &bvh->tree[geometry - GEOM_TREE].facets.facet[primitive];
    const lr_vec3f normal = lr_v3f(f->nx, f->ny, f->nz);
    if (instance == RTC_INVALID_GEOMETRY_ID)
        return (answer){normal, f->object, f->primitive};
    const lr_vec3 local = lr_v3((double)f->nx, (double)f->ny, (double)f->nz);
    return (answer){lr_v3f_of(lr_rotate(bvh->scene->object[instance].pose.rotation, local)), (int32_t)instance, f->primitive};
}

EACH_WIDTH void lane_store(const lr_bvh *bvh, const packet *p, int lane, int valid, lr_rays *rays, int k, int n)
{
    const word *w = p->w + lane;
    if (!valid || w[GEOM*n].u == RTC_INVALID_GEOMETRY_ID) {
        rays->t[k] = INFINITY;
        rays->nx[k] = rays->ny[k] = rays->nz[k] = rays->u[k] = rays->v[k] = 0.0f;
        rays->object[k] = rays->primitive[k] = -1;
        return;
    }
    const answer a = answer_of(bvh, w[GEOM*n].u, w[INST*n].u, w[PRIM*n].u,
                               lr_v3f(w[NX*n].f, w[NY*n].f, w[NZ*n].f));
    rays->t[k] = w[FAR*n].f;
    rays->nx[k] = a.normal.x;
    rays->ny[k] = a.normal.y;
    rays->nz[k] = a.normal.z;
    rays->u[k] = w[U*n].f;
    rays->v[k] = w[V*n].f;
    rays->object[k] = a.object;
    rays->primitive[k] = a.primitive;
}

EACH_WIDTH void intersect_all(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order, int n)
{
    query q;
    query_init(&q, order, NULL);
    packet p;
    int valid[LANES_MOST] __attribute__((aligned(64)));
    for (int first = 0; first < rays->count; first += n) {
        const int lanes = lanes_at(rays, first, n);
        packet_fill(&p, valid, rays, first, n);
        q.time_s = rays->time_s + first;
        for (int s = 0; s < bvh->traced_count; s++)
            intersect_packet(valid, bvh->traced[s], &q, &p, n);
        for (int i = 0; i < lanes; i++)
            lane_store(bvh, &p, i, valid[i], rays, first + i, n);
    }
}

// `panes`: also which of the rays that are not blocked meet a pane.
EACH_WIDTH void occluded_all(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order, int panes, int n)
{
    query q;
    query_init(&q, shadow_order(order, n), NULL);
    packet p;
    int valid[LANES_MOST] __attribute__((aligned(64)));
    for (int first = 0; first < rays->count; first += n) {
        const int lanes = lanes_at(rays, first, n);
        int open = 0;
        packet_fill(&p, valid, rays, first, n);
        q.time_s = rays->time_s + first;
        for (int s = 0; s < bvh->opaque_count; s++)
            occluded_packet(valid, bvh->traced[s], &q, &p, n);
        for (int i = 0; i < lanes; i++) {
            rays->blocked[first + i] = valid[i] && p.w[FAR*n + i].f < 0.0f;
            open |= valid[i] && !rays->blocked[first + i];
        }
        for (int s = bvh->opaque_count; panes && open && s < bvh->traced_count; s++)
            occluded_packet(valid, bvh->traced[s], &q, &p, n);
        for (int i = 0; panes && i < lanes; i++)
            rays->panes[first + i] = valid[i] && !rays->blocked[first + i] && p.w[FAR*n + i].f < 0.0f;
    }
}

void lr_bvh_intersect(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order)
{
    if (bvh->lanes == 8)
        intersect_all(bvh, rays, order, 8);
    else
        intersect_all(bvh, rays, order, 16);
}

static void occluded(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order, int panes)
{
    if (bvh->lanes == 8)
        occluded_all(bvh, rays, order, panes, 8);
    else
        occluded_all(bvh, rays, order, panes, 16);
}

void lr_bvh_occluded(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order) { occluded(bvh, rays, order, 0); }
void lr_bvh_occluded_panes(const lr_bvh *bvh, lr_rays *rays, lr_ray_order order) { occluded(bvh, rays, order, 1); }

int lr_bvh_may_be_pane(const lr_bvh *bvh, int object) { return bvh->may_be_pane[object]; }

const lr_facets *lr_bvh_facets(const lr_bvh *bvh, lr_layer layer) { return &bvh->facets[layer]; }

int lr_bvh_has_panes(const lr_bvh *bvh)
{
    return bvh->traced_count > bvh->opaque_count;
}

static answer pane_answer(const lr_bvh *bvh, const struct RTCRayHit *r)
{
    return answer_of(bvh, r->hit.geomID, r->hit.instID[0], r->hit.primID, lr_v3f(r->hit.Ng_x, r->hit.Ng_y, r->hit.Ng_z));
}

void lr_bvh_pane_transmittance(const lr_bvh *bvh, lr_vec3f origin, lr_vec3f direction, float t_near, float t_far, float time_s,
                               float transmittance[LR_MAX_BINS])
{
    query q;
    query_init(&q, LR_RAYS_INCOHERENT, &time_s);
    for (int crossing = 0; crossing < PANE_CROSSINGS && t_near < t_far; crossing++) {
        struct RTCRayHit r = {.ray = {.org_x = origin.x, .org_y = origin.y, .org_z = origin.z, .tnear = t_near, .dir_x = direction.x,
                                      .dir_y = direction.y, .dir_z = direction.z, .tfar = t_far, .mask = 0xffffffffu},
                              .hit = {.geomID = RTC_INVALID_GEOMETRY_ID, .instID = {RTC_INVALID_GEOMETRY_ID}}};
        for (int s = bvh->opaque_count; s < bvh->traced_count; s++)
            rtcIntersect1(bvh->traced[s], INTERSECT_ARGS(&q, &r));
        if (r.hit.geomID == RTC_INVALID_GEOMETRY_ID)
            return;
        const answer a = pane_answer(bvh, &r);
        float scale, through[LR_MAX_BINS];
        int material;
        const lr_surface *surface = lr_scene_surface(bvh->scene, a.object, a.primitive, r.hit.u, r.hit.v, &scale, &material);
        lr_surface_pane_transmittance(surface, fminf(fabsf(lr_dotf(a.normal, direction)), 1.0f), through);
        for (int b = 0; b < surface->bin_count; b++)
            transmittance[b] *= through[b];
        t_near = r.ray.tfar + PANE_STEP_M;
    }
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

enum { BLOCK = 32 };  // packets filled ahead while the clock stands: few enough to stay in the nearest caches
typedef struct block { packet p[BLOCK]; int valid[BLOCK][LANES_MOST] __attribute__((aligned(64))); } block;

static int some_open(const packet *p, const int *valid, int lanes)
{
    int open = 0;
    for (int i = 0; i < lanes; i++)
        open |= valid[i] & -(p->w[FAR*lanes + i].f >= 0.0f);
    return open;
}

static void trace_bare(const lr_bvh *bvh, block *b, int count, const float *time_s, query *q, lr_ray_question question)
{
    for (int k = 0; k < count; k++) {
        packet *p = &b->p[k];
        const int *valid = b->valid[k];
        q->time_s = time_s + k*bvh->lanes;
        for (int s = 0; question == LR_ASK_NEAREST && s < bvh->traced_count; s++)
            intersect_packet(valid, bvh->traced[s], q, p, bvh->lanes);
        for (int s = 0; question != LR_ASK_NEAREST && s < bvh->opaque_count; s++)
            occluded_packet(valid, bvh->traced[s], q, p, bvh->lanes);
        if (question == LR_ASK_BLOCKED_PANES && lr_bvh_has_panes(bvh) && some_open(p, valid, bvh->lanes))
            for (int s = bvh->opaque_count; s < bvh->traced_count; s++)
                occluded_packet(valid, bvh->traced[s], q, p, bvh->lanes);
    }
}

static int block_fill(const lr_bvh *bvh, block *b, const lr_rays *rays, int first)
{
    int count = 0;
    for (; count < BLOCK && first < rays->count; count++, first += bvh->lanes)
        packet_fill(&b->p[count], b->valid[count], rays, first, bvh->lanes);
    return count;
}

double lr_bvh_bare_seconds(const lr_bvh *bvh, const lr_rays *rays, lr_ray_order order, lr_ray_question question)
{
    block b;
    query q;
    query_init(&q, question == LR_ASK_NEAREST ? order : shadow_order(order, bvh->lanes), NULL);
    double seconds = 0;
    for (int first = 0; first < rays->count; first += BLOCK*bvh->lanes) {
        const int count = block_fill(bvh, &b, rays, first);
        const double start = now_s();
        trace_bare(bvh, &b, count, rays->time_s + first, &q, question);
        seconds += now_s() - start;
    }
    return seconds;
}
