// SPDX-License-Identifier: Apache-2.0
// From where a camera or a laser is, rays go all round. One that first meets the inner side of something solid has started inside of it. More than a
// quarter of them must: then who stands in a room inside a box, and sees the box through the room's openings, is not inside. All of them would be
// too many: other things may be in there, or share a side with it, and of two sides in one place rays meet either.
#include "trace/enclosed.h"

#include <stdlib.h>

#include "trace/work.h"

enum { RAYS = 32, ENOUGH = RAYS/4 + 1, LINES = 64 };

typedef enum solidity { NOT_ASKED, SOLID, HOLLOW } solidity;

typedef struct search {
    const lr_bvh *bvh;
    const lr_rig *rig;
    int64_t first_line, line_count;
    lr_rays rays;        // RAYS of each line looked at
    uint8_t *solidity;   // (objects)
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

static lr_status look(search *s, int module, int camera, int laser, lr_enclosed *out, lr_error *err)
{
    const lr_rig_module *m = &s->rig->module[module];
    const int lines = s->line_count < LINES ? (int)s->line_count : LINES;
    int inside = 0, object = -1;
    send(s, module, camera >= 0 ? &m->camera[camera].in_module : &m->laser[laser].in_module, lines);
    for (int k = 0; k < lines; k++) {
        int found;
        LR_TRY(judge(s, k*RAYS, &found, err));
        inside += found >= 0;
        object = object < 0 ? found : object;
    }
    if (inside > 0 && out->count++ == 0)
        *out = (lr_enclosed){1, module, camera, laser, object, inside == lines};
    return LR_OK;
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
    search s = {.bvh = bvh, .rig = rig, .first_line = first_line, .line_count = line_count};
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
    lr_text_add(out, "%s %s.%s lies inside ", sees ? "camera" : "laser", m->name, sees ? m->camera[e->camera].name : m->laser[e->laser].name);
    lr_text_quote(out, rig->scene->object[e->object].name);
    lr_text_add(out, "%s: it %s its inside", e->always ? "" : ", in some lines", sees ? "sees" : "lights");
    if (others > 0)
        lr_text_add(out, "; %d more of the head's cameras and lasers %s inside something as well", others, others == 1 ? "lies" : "lie");
}
