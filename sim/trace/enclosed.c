// SPDX-License-Identifier: Apache-2.0
// From where a camera or a laser is, rays go all round. One that first meets the inner side of something solid has started inside of it. More than a
// quarter of them must: then who stands in a room inside a box, and sees the box through the room's openings, is not inside. All of them would be
// too many: other things may be in there, or share a side with it, and of two sides in one place rays meet either. Who is outside of all rooms looks into
// one all the same, if as many rays end on something in it.
#include "trace/enclosed.h"

#include <math.h>
#include <stdlib.h>

#include "trace/work.h"

#define SLACK_M 0.01   // what hangs on the outer side of a wall is not in the room; a pane in the wall is

enum { RAYS = 32, ENOUGH = RAYS/4 + 1, LINES = 64 };

typedef enum solidity { NOT_ASKED, SOLID, HOLLOW } solidity;

typedef struct search {
    const lr_bvh *bvh;
    const lr_rig *rig;
    int64_t first_line, line_count;
    lr_rays rays;        // RAYS of each line looked at
    uint8_t *solidity;   // (objects)
    int first_room;      // object, -1: there is none
} search;

static int64_t line_at(const search *s, int k, int lines) { return s->first_line + s->line_count*k/lines; }

// Even over the sphere, on a spiral; along no axis, as most edges are.
static lr_vec3 direction_of(int k)
{
    const double up = 1.0 - (2.0*k + 1.0)/RAYS, across = sqrt(1.0 - up*up), turn = 2.399963229728653*k + 0.3;   // pi (3 - sqrt 5)
    return lr_v3(across*cos(turn), across*sin(turn), up);
}

static void send(search *s, int module, const lr_pose *in_module, int lines)
{
    lr_rays *r = &s->rays;
    r->count = lines*RAYS;
    for (int i = 0; i < r->count; i++) {
        const double time_s = lr_spin_line_time(&s->rig->head->spin, line_at(s, i/RAYS, lines));
        const lr_vec3 from = lr_pose_mul(lr_rig_at(s->rig, module, time_s).pose, *in_module).origin, d = direction_of(i % RAYS);
        lr_rays_set(r, i, lr_v3f_of(from), lr_v3f_of(d), 0.0f, INFINITY, (float)time_s);
    }
    lr_bvh_intersect(s->bvh, r, LR_RAYS_INCOHERENT);
}

static int meets_back(const search *s, int ray)
{
    const lr_rays *r = &s->rays;
    return r->object[ray] >= 0 && lr_dotf(lr_rays_normal(r, ray), lr_rays_direction(r, ray)) > 0.0f && !lr_bvh_may_be_pane(s->bvh, r->object[ray]);
}

static lr_status ask_solid(search *s, int object, int *solid, lr_error *err)
{
    const lr_object *o = &s->rig->scene->object[object];
    if (s->solidity[object] == NOT_ASKED) {
        *solid = lr_curved_is_solid(&o->curved);
        if (o->mesh)
            LR_TRY(lr_mesh_is_solid(o->mesh, solid, err));
        s->solidity[object] = *solid ? SOLID : HOLLOW;
    }
    *solid = s->solidity[object] == SOLID;
    return LR_OK;
}

// What the rays from `first` on are inside of, or -1: of several things the one that most of them meet.
static lr_status judge(search *s, int first, int *inside, lr_error *err)
{
    int backs = 0, solids = 0, most = 0;
    *inside = -1;
    for (int i = first; i < first + RAYS; i++)
        backs += meets_back(s, i);
    if (backs < ENOUGH)   // what follows takes time, and is rarely needed
        return LR_OK;
    for (int i = first; i < first + RAYS; i++) {
        int solid, same = 0;
        if (!meets_back(s, i))
            continue;
        LR_TRY(ask_solid(s, s->rays.object[i], &solid, err));
        if (!solid)
            continue;
        solids++;
        for (int k = first; k < first + RAYS; k++)
            same += s->rays.object[k] == s->rays.object[i] && meets_back(s, k);
        if (same > most) {
            most = same;
            *inside = s->rays.object[i];
        }
    }
    if (solids < ENOUGH)
        *inside = -1;
    return LR_OK;
}

// Box of the room's mesh, which has a corner at least on each of its sides.
static lr_box3 size_of(const lr_mesh *mesh)
{
    lr_box3 box = {{HUGE_VAL, HUGE_VAL, HUGE_VAL}, {-HUGE_VAL, -HUGE_VAL, -HUGE_VAL}};
    for (int k = 0; k < mesh->vertex_count; k++) {
        const float *p = mesh->position[k];
        box.lo = lr_v3(fmin(box.lo.x, (double)p[0]), fmin(box.lo.y, (double)p[1]), fmin(box.lo.z, (double)p[2]));
        box.hi = lr_v3(fmax(box.hi.x, (double)p[0]), fmax(box.hi.y, (double)p[1]), fmax(box.hi.z, (double)p[2]));
    }
    return box;
}

static int in_some_room(const search *s, lr_vec3f at, double time_s, double slack_m)
{
    const lr_scene *scene = s->rig->scene;
    for (int k = s->first_room; k >= 0 && k < scene->object_count; k++) {
        const lr_object *o = &scene->object[k];
        if (!o->is_room)
            continue;
        const lr_vec3 p = lr_mul(lr_pose_point_back(lr_object_pose_at(o, time_s), lr_v3((double)at.x, (double)at.y, (double)at.z)), 1.0/o->scale);
        const lr_box3 box = size_of(o->mesh);
        const double slack = slack_m/o->scale;
        if (p.x >= box.lo.x - slack && p.y >= box.lo.y - slack && p.z >= box.lo.z - slack && p.x <= box.hi.x + slack && p.y <= box.hi.y + slack && p.z <= box.hi.z + slack)
            return 1;
    }
    return 0;
}

// Whether the rays from `first` on start outside of all rooms, and few of them look into one.
static int is_outside(const search *s, int first)
{
    const lr_rays *r = &s->rays;
    if (s->first_room < 0 || in_some_room(s, lr_rays_origin(r, first), (double)r->time_s[first], 0.0))
        return 0;
    int within = 0;
    for (int i = first; i < first + RAYS; i++) {
        const int outer_side = r->object[i] >= 0 && s->rig->scene->object[r->object[i]].is_room && lr_dotf(lr_rays_normal(r, i), lr_rays_direction(r, i)) > 0.0f;
        within += r->object[i] >= 0 && !outer_side && in_some_room(s, lr_rays_point(r, i), (double)r->time_s[i], SLACK_M);
    }
    return within < ENOUGH;
}

// In how many lines, and the object of the first of them.
typedef struct lines_found { int lines, object; } lines_found;

static void note(lines_found *f, int object)
{
    if (object < 0)
        return;
    f->lines++;
    f->object = f->lines == 1 ? object : f->object;
}

static void tell(lr_enclosed *out, const lines_found *f, int lines, int outside, int module, int camera, int laser)
{
    if (f->lines == 0 || (out->count > 0 && out->outside != outside))
        return;
    if (out->count++ == 0)
        *out = (lr_enclosed){1, outside, module, camera, laser, f->object, f->lines == lines};
}

static lr_status look(search *s, int module, int camera, int laser, lr_enclosed *out, lr_error *err)
{
    const lr_rig_module *m = &s->rig->module[module];
    const int lines = s->line_count < LINES ? (int)s->line_count : LINES;
    lines_found inside = {0, -1}, outside = {0, -1};
    send(s, module, camera >= 0 ? &m->camera[camera].in_module : &m->laser[laser].in_module, lines);
    for (int k = 0; k < lines; k++) {
        int object;
        LR_TRY(judge(s, k*RAYS, &object, err));
        note(&inside, object);
        note(&outside, object < 0 && is_outside(s, k*RAYS) ? s->first_room : -1);
    }
    tell(out, &inside, lines, 0, module, camera, laser);
    tell(out, &outside, lines, 1, module, camera, laser);
    return LR_OK;
}

static int first_room(const lr_scene *scene)
{
    for (int k = 0; k < scene->object_count; k++)
        if (scene->object[k].is_room)
            return k;
    return -1;
}

static lr_status look_at_all(search *s, lr_enclosed *out, lr_error *err)
{
    LR_TRY(lr_rays_create(LINES*RAYS, &s->rays, err));
    s->solidity = calloc((size_t)s->rig->scene->object_count + 1, sizeof *s->solidity);
    if (!s->solidity)
        return lr_fail(err, LR_ERR_MEMORY, "head: out of memory");
    for (int m = 0; m < s->rig->module_count; m++) {
        for (int c = 0; c < s->rig->module[m].camera_count; c++)
            LR_TRY(look(s, m, c, -1, out, err));
        for (int l = 0; l < s->rig->module[m].laser_count; l++)
            if (s->rig->module[m].laser[l].def->mode != LR_LASER_OFF)
                LR_TRY(look(s, m, -1, l, out, err));
    }
    return LR_OK;
}

lr_status lr_enclosed_find(const lr_bvh *bvh, const lr_rig *rig, int64_t first_line, int64_t line_count, lr_enclosed *out, lr_error *err)
{
    search s = {.bvh = bvh, .rig = rig, .first_line = first_line, .line_count = line_count, .first_room = first_room(rig->scene)};
    *out = (lr_enclosed){0};
    const lr_status status = look_at_all(&s, out, err);
    lr_rays_destroy(&s.rays);
    free(s.solidity);
    return status;
}

void lr_enclosed_words(const lr_rig *rig, const lr_enclosed *e, lr_text *out)
{
    const lr_module_def *m = &rig->head->module[e->module];
    const int sees = e->camera >= 0, others = e->count - 1;
    lr_text_add(out, "%s %s.%s lies %s ", sees ? "camera" : "laser", m->name, sees ? m->camera[e->camera].name : m->laser[e->laser].name, e->outside ? "outside of" : "inside");
    lr_text_quote(out, rig->scene->object[e->object].name);
    lr_text_add(out, "%s: it %s its %s", e->always ? "" : ", in some lines", sees ? "sees" : "lights", e->outside ? "walls from behind, if at all" : "inside");
    if (others > 0)
        lr_text_add(out, "; %d more of the head's cameras and lasers %s %s as well", others, others == 1 ? "lies" : "lie", e->outside ? "outside" : "inside something");
}
