// SPDX-License-Identifier: Apache-2.0
// A line in chunks of pixels; in each chunk first hits, then laser, then ambient light, all in batches of rays.
#include "trace/tracer.h"

#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/anglef.h"
#include "trace/gather.h"
#include "trace/gloss.h"
#include "trace/indirect.h"

#define MOST_SAMPLES 65536

const char *const lr_ray_kind_names[LR_RAY_KINDS] = {"camera", "partner", "laser", "bounce", "sun", "sky", "lamp", "connect"};

lr_trace_def lr_trace_def_default(void)
{
    return (lr_trace_def){.seed = 1, .samples = 4, .most_samples = 4, .indirect_samples = 1, .curve_rays = 256, .bounce_share = 1.0,
                          .gather_rows = 0, .gather_paths = 64};
}

lr_status lr_trace_def_check(const lr_trace_def *def, lr_error *err)
{
    if (!(def->samples >= 1 && def->samples <= MOST_SAMPLES && (def->samples == 1 || def->samples % 2 == 0)))
        return lr_fail(err, LR_ERR_RANGE, "samples: %d is not 1 or an even number in [2, %d]", def->samples, MOST_SAMPLES);
    if (!(def->most_samples >= def->samples && def->most_samples <= MOST_SAMPLES))
        return lr_fail(err, LR_ERR_RANGE, "most samples: %d is not in [%d, %d]", def->most_samples, def->samples, MOST_SAMPLES);
    if (!(def->noise_ratio >= 0.0 && def->noise_ratio <= 100.0))
        return lr_fail(err, LR_ERR_RANGE, "noise ratio: %g is not in [0, 100]", def->noise_ratio);
    if (!(def->indirect_samples >= 0 && def->indirect_samples <= 65536))
        return lr_fail(err, LR_ERR_RANGE, "indirect samples: %d is not in [0, 65536]", def->indirect_samples);
    if (!(def->curve_rays >= 16 && def->curve_rays <= 1024))
        return lr_fail(err, LR_ERR_RANGE, "curve rays: %d is not in [16, 1024]", def->curve_rays);
    if (!(def->bounce_share > 0.0 && def->bounce_share <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "bounce share: %g is not in (0, 1]", def->bounce_share);
    if (!(def->faint_ratio >= 0.0 && def->faint_ratio <= 100.0))
        return lr_fail(err, LR_ERR_RANGE, "faint ratio: %g is not in [0, 100]", def->faint_ratio);
    if (!(def->indirect_ratio >= 0.0 && def->indirect_ratio <= 100.0))
        return lr_fail(err, LR_ERR_RANGE, "indirect ratio: %g is not in [0, 100]", def->indirect_ratio);
    if (!(def->gather_rows == 0 || (def->gather_rows >= 8 && def->gather_rows <= 8192)))
        return lr_fail(err, LR_ERR_RANGE, "gather rows: %d is not 0 or in [8, 8192]", def->gather_rows);
    if (!(def->gather_paths >= 2 && def->gather_paths <= LR_CHUNK_RAYS && def->gather_paths % 2 == 0))
        return lr_fail(err, LR_ERR_RANGE, "gather paths: %d is not an even number in [2, %d]", def->gather_paths, LR_CHUNK_RAYS);
    return LR_OK;
}

static lr_surface blunted(const lr_surface *surface)
{
    lr_surface s = *surface;
    if (s.alpha_x > 0.0f) {
        s.alpha_x = lr_maxf(s.alpha_x, LR_BLUNT_ALPHA);
        s.alpha_y = lr_maxf(s.alpha_y, LR_BLUNT_ALPHA);
    }
    return s;
}

lr_status lr_tracer_create(const lr_trace_def *def, const lr_scene *scene, const lr_bvh *bvh, const lr_rig *rig, lr_tracer **out, lr_error *err)
{
    *out = NULL;
    LR_TRY(lr_trace_def_check(def, err));
    lr_tracer *tracer = calloc(1, sizeof *tracer);
    if (!tracer)
        return lr_fail(err, LR_ERR_MEMORY, "light paths: out of memory");
    *tracer = (lr_tracer){.def = *def, .scene = scene, .bvh = bvh, .rig = rig};
    tracer->white = (lr_surface){.kind = LR_MATERIAL_DIFFUSE, .bin_count = LR_MAX_BINS, .texture = -1};
    for (int b = 0; b < LR_MAX_BINS; b++)
        tracer->white.reflectance[b] = (float)LR_PI;
    const size_t materials = (size_t)scene->material_count;
    tracer->lobe = malloc((materials + 1)*sizeof *tracer->lobe);
    tracer->blunt = malloc((materials + 1)*sizeof *tracer->blunt);
    lr_status status = tracer->lobe && tracer->blunt ? lr_lights_create(scene, &rig->bins, &tracer->lights, err) : lr_fail(err, LR_ERR_MEMORY, "light paths: out of memory");
    if (status == LR_OK && scene->sun.present)
        status = lr_sun_shade_create(lr_bvh_facets(bvh, LR_LAYER_OPAQUE), tracer->lights.sun_frame, tracer->lights.sun_sine, rig->head_pose.origin, &tracer->sun_shade, err);
    if (status == LR_OK && scene->sun.present)
        status = lr_sun_mirrors_create(scene, bvh, &tracer->lights, rig->head_pose.origin, &tracer->sun_mirrors, err);
    if (status != LR_OK) {
        lr_tracer_destroy(tracer);
        return status;
    }
    for (size_t k = 0; k < materials; k++) {
        tracer->lobe[k] = scene->surface[k];
        tracer->lobe[k].lobe_only = lr_surface_has_base(&scene->surface[k]);
        tracer->blunt[k] = blunted(&scene->surface[k]);
    }
    *out = tracer;
    return LR_OK;
}

lr_tracer lr_tracer_again(const lr_tracer *tracer)
{
    lr_tracer again = *tracer;
    again.def.seed ^= 0x9e3779b97f4a7c15u;
    again.gather_error = -1.41421356f;
    return again;
}

void lr_tracer_destroy(lr_tracer *tracer)
{
    if (!tracer)
        return;
    lr_lights_destroy(&tracer->lights);
    lr_sun_shade_destroy(&tracer->sun_shade);
    lr_sun_mirrors_destroy(&tracer->sun_mirrors);
    lr_gather_destroy(tracer->gather);
    lr_gloss_destroy(tracer->gloss);
    free(tracer->lobe);
    free(tracer->blunt);
    free(tracer);
}

lr_status lr_tracer_gather(lr_tracer *tracer, int threads, int (*progress)(void *, int64_t, int64_t), void *context, lr_error *err)
{
    const int sources = tracer->scene->source_count;
    if (tracer->def.gather_rows == 0 || sources == 0)
        return LR_OK;
    LR_TRY(lr_gather_create(tracer, threads, progress, context, &tracer->gather, err));
    return tracer->gather ? lr_gloss_create(tracer, threads, progress, context, &tracer->gloss, err) : LR_OK;
}

static lr_status make_path_state(lr_path_state *p)
{
    const size_t n = LR_CHUNK_RAYS;
    p->pixel = malloc(n*sizeof *p->pixel);
    p->seed = malloc(n*sizeof *p->seed);
    p->sample = malloc(n*sizeof *p->sample);
    p->pdf = malloc(n*sizeof *p->pdf);
    p->lamp_weight = malloc(n*sizeof *p->lamp_weight);
    p->vx = malloc(n*sizeof *p->vx);
    p->vy = malloc(n*sizeof *p->vy);
    p->vz = malloc(n*sizeof *p->vz);
    p->throughput = malloc(n*LR_MAX_AMBIENT_BINS*sizeof *p->throughput);
    p->per_m = malloc(n*sizeof *p->per_m);
    p->straight = malloc(n);
    p->blurred = malloc(n);
    p->by_mirror = malloc(n);
    p->medium = malloc(n*sizeof *p->medium);
    return p->pixel && p->seed && p->sample && p->pdf && p->lamp_weight && p->vx && p->vy && p->vz && p->throughput && p->per_m && p->straight && p->blurred && p->by_mirror && p->medium
        ? LR_OK : LR_ERR_MEMORY;
}

static void free_path_state(lr_path_state *p)
{
    free(p->pixel);
    free(p->seed);
    free(p->sample);
    free(p->pdf);
    free(p->lamp_weight);
    free(p->vx);
    free(p->vy);
    free(p->vz);
    free(p->throughput);
    free(p->per_m);
    free(p->straight);
    free(p->blurred);
    free(p->by_mirror);
    free(p->medium);
}

static lr_status make_queue(lr_shadow_queue *q, lr_error *err)
{
    q->per_m = malloc(LR_CHUNK_RAYS*sizeof *q->per_m);
    q->path = malloc(LR_CHUNK_RAYS*sizeof *q->path);
    q->source = malloc(LR_CHUNK_RAYS*sizeof *q->source);
    q->legs = malloc(LR_CHUNK_RAYS);
    q->weight = malloc(LR_CHUNK_RAYS*LR_MAX_AMBIENT_BINS*sizeof *q->weight);
    if (!q->per_m || !q->path || !q->source || !q->legs || !q->weight)
        return LR_ERR_MEMORY;
    return lr_rays_create(LR_CHUNK_RAYS, &q->rays, err);
}

static void free_queue(lr_shadow_queue *q)
{
    free(q->per_m);
    free(q->path);
    free(q->source);
    free(q->legs);
    free(q->weight);
    lr_rays_destroy(&q->rays);
}

static lr_status make_arrays(lr_work *w, lr_error *err)
{
    LR_TRY(lr_rays_create(LR_CHUNK_RAYS, &w->rays, err));
    LR_TRY(lr_rays_create(LR_CHUNK_RAYS, &w->next, err));
    LR_TRY(lr_rays_create(LR_CHUNK_RAYS, &w->again, err));
    LR_TRY(lr_rays_create(LR_CHUNK_RAYS, &w->shadow, err));
    LR_TRY(make_queue(&w->sun, err));
    LR_TRY(make_queue(&w->sky, err));
    LR_TRY(make_queue(&w->lamp, err));
    LR_TRY(make_path_state(&w->path));
    LR_TRY(make_path_state(&w->path_next));
    w->again_index = malloc(LR_CHUNK_RAYS*sizeof *w->again_index);
    w->shadow_index = malloc(LR_CHUNK_RAYS*sizeof *w->shadow_index);
    w->shadow_value = malloc(LR_CHUNK_RAYS*sizeof *w->shadow_value);
    w->pass = malloc(LR_CHUNK_RAYS*LR_MAX_BINS*sizeof *w->pass);
    w->behind = malloc(LR_CHUNK_RAYS);
    w->lit = malloc(LR_CHUNK_PIXELS*sizeof *w->lit);
    w->part.pixel = malloc(LR_CHUNK_PIXELS*sizeof *w->part.pixel);
    w->part.along = malloc(LR_CHUNK_PIXELS*sizeof *w->part.along);
    w->part.across = malloc(LR_CHUNK_PIXELS*sizeof *w->part.across);
    w->part.pupil = malloc(LR_CHUNK_PIXELS*sizeof *w->part.pupil);
    w->met = malloc(LR_CHUNK_PIXELS*sizeof *w->met);
    w->sums = malloc(LR_PARTS*LR_CHUNK_PIXELS*sizeof *w->sums);
    return w->again_index && w->shadow_index && w->shadow_value && w->pass && w->behind && w->lit && w->met && w->sums &&
           w->part.pixel && w->part.along && w->part.across && w->part.pupil ? LR_OK : LR_ERR_MEMORY;
}

lr_status lr_work_create(const lr_tracer *tracer, lr_work **out, lr_error *err)
{
    *out = NULL;
    lr_work *work = calloc(1, sizeof *work);
    lr_status status = work ? make_arrays(work, err) : LR_ERR_MEMORY;
    if (status == LR_OK)
        status = lr_indirect_create(tracer, &work->indirect, err);
    if (status != LR_OK) {
        lr_work_destroy(work);
        return lr_fail(err, status, "light paths: out of memory");
    }
    work->count.measure = tracer->measure;
    *out = work;
    return LR_OK;
}

void lr_work_destroy(lr_work *work)
{
    if (!work)
        return;
    lr_indirect_destroy(work->indirect);
    lr_rays_destroy(&work->rays);
    lr_rays_destroy(&work->next);
    lr_rays_destroy(&work->again);
    lr_rays_destroy(&work->shadow);
    free_queue(&work->sun);
    free_queue(&work->sky);
    free_queue(&work->lamp);
    free_path_state(&work->path);
    free_path_state(&work->path_next);
    free(work->again_index);
    free(work->shadow_index);
    free(work->shadow_value);
    free(work->pass);
    free(work->behind);
    free(work->lit);
    free(work->part.pixel);
    free(work->part.along);
    free(work->part.across);
    free(work->part.pupil);
    free(work->met);
    free(work->sums);
    free(work);
}

void lr_trace_count_add(lr_trace_count *sum, const lr_trace_count *one)
{
    for (int k = 0; k < LR_RAY_KINDS; k++) {
        sum->rays[k] += one->rays[k];
        sum->bare_s[k] += one->bare_s[k];
    }
    sum->aside_s += one->aside_s;
}

lr_trace_count *lr_work_count(lr_work *work) { return &work->count; }

// ---- rays -----------------------------------------------------------------------------------------------------------

void lr_rays_copy(lr_rays *target, int to, const lr_rays *source, int from)
{
    lr_rays_set(target, to, lr_rays_origin(source, from), lr_rays_direction(source, from), source->t_near[from],
                source->t_far[from], source->time_s[from]);
}

static double thread_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

void lr_rays_copy_answer(lr_rays *target, int to, const lr_rays *source, int from)
{
    target->t[to] = source->t[from];
    target->nx[to] = source->nx[from];
    target->ny[to] = source->ny[from];
    target->nz[to] = source->nz[from];
    target->u[to] = source->u[from];
    target->v[to] = source->v[from];
    target->object[to] = source->object[from];
    target->primitive[to] = source->primitive[from];
}

static void count_rays(const lr_line_job *job, const lr_rays *rays, lr_ray_order order, lr_ray_kind kind, lr_ray_question question)
{
    lr_trace_count *count = &job->work->count;
    count->rays[kind] += rays->count;
    if (!count->measure)
        return;
    const double start = thread_s();
    count->bare_s[kind] += lr_bvh_bare_seconds(job->tracer->bvh, rays, order, question);
    count->aside_s += thread_s() - start;
}

void lr_work_intersect(const lr_line_job *job, lr_rays *rays, lr_ray_order order, lr_ray_kind kind)
{
    lr_bvh_intersect(job->tracer->bvh, rays, order);
    count_rays(job, rays, order, kind, LR_ASK_NEAREST);
}

void lr_work_occluded(const lr_line_job *job, lr_rays *rays, lr_ray_order order, lr_ray_kind kind)
{
    lr_bvh_occluded(job->tracer->bvh, rays, order);
    count_rays(job, rays, order, kind, LR_ASK_BLOCKED);
}

void lr_work_occluded_panes(const lr_line_job *job, lr_rays *rays, lr_ray_order order, lr_ray_kind kind)
{
    lr_bvh_occluded_panes(job->tracer->bvh, rays, order);
    count_rays(job, rays, order, kind, LR_ASK_BLOCKED_PANES);
}

static int is_pane(const lr_line_job *job, const lr_rays *rays, int i, const lr_surface **surface)
{
    if (rays->object[i] < 0 || !lr_bvh_may_be_pane(job->tracer->bvh, rays->object[i]))
        return 0;
    const lr_object *object = &job->tracer->scene->object[rays->object[i]];  // panes have no texture to look up
    *surface = &job->tracer->scene->surface[object->material[object->mesh && object->mesh->slot ? object->mesh->slot[rays->primitive[i]] : 0]];
    return (*surface)->clear;
}

// Rays that met a pane are collected in work->again, set to start just behind it.
static void collect_panes(const lr_line_job *job, lr_rays *rays)
{
    lr_work *work = job->work;
    work->again.count = 0;
    for (int i = 0; i < rays->count; i++) {
        const lr_surface *surface;
        if (!is_pane(job, rays, i, &surface))
            continue;
        float pass[LR_MAX_BINS];
        lr_surface_pane_transmittance(surface, fabsf(lr_dotf(lr_rays_normal(rays, i), lr_rays_direction(rays, i))), pass);
        for (int b = 0; b < surface->bin_count; b++)
            work->pass[b*LR_CHUNK_RAYS + i] *= pass[b];
        work->behind[i] = 1;
        const int slot = work->again.count++;
        work->again_index[slot] = i;
        lr_rays_copy(&work->again, slot, rays, i);
        work->again.t_near[slot] = rays->t[i] + LR_OFFSET_M;
    }
}

static void take_answers(const lr_line_job *job, lr_rays *rays)
{
    const lr_work *work = job->work;
    for (int k = 0; k < work->again.count; k++)
        lr_rays_copy_answer(rays, work->again_index[k], &work->again, k);
}

void lr_work_look_through(const lr_line_job *job, lr_rays *rays, lr_ray_order order)
{
    lr_work *work = job->work;
    memset(work->behind, 0, (size_t)rays->count);
    if (!lr_bvh_has_panes(job->tracer->bvh))
        return;  // nobody reads work->pass then
    const int bins = job->tracer->rig->bins.ambient_count + job->tracer->rig->bins.line_count;
    for (int k = 0; k < bins; k++)
        for (int i = 0; i < rays->count; i++)
            work->pass[k*LR_CHUNK_RAYS + i] = 1.0f;
    for (int depth = 0; depth < LR_MAX_PANES; depth++) {
        collect_panes(job, rays);
        if (work->again.count == 0)
            return;
        lr_work_intersect(job, &work->again, order, LR_RAY_CAMERA);
        take_answers(job, rays);
    }
}

// A small turn by `a` about a unit axis, to second order: at 2 mrad off by 1e-9.
static lr_vec3f turn(lr_vec3f v, lr_vec3f axis, float a)
{
    const lr_vec3f once = lr_crossf(axis, v), twice = lr_crossf(axis, once);
    return lr_madf(lr_madf(v, a, once), 0.5f*a*a, twice);
}

lr_job_pose lr_job_pose_at(const lr_line_job *job, float dt_s)
{
    const float angle = job->rate*dt_s;
    lr_job_pose pose = {.origin = lr_addf(job->pivot, turn(job->arm, job->axis, angle)), .time_s = job->time + dt_s};
    for (int k = 0; k < 3; k++)
        pose.column[k] = turn(job->to_world[k], job->axis, angle);
    return pose;
}

static lr_vec3f posed(const lr_job_pose *pose, lr_vec3f v)
{
    return lr_madf(lr_madf(lr_mulf(pose->column[0], v.x), v.y, pose->column[1]), v.z, pose->column[2]);
}

lr_vec3f lr_job_pupil(const lr_line_job *job, int pixel, float u, float v)
{
    if (!job->camera->pupil)
        return lr_v3f(0.0f, 0.0f, 0.0f);
    float c, s;
    lr_turnf(v, &c, &s);
    const float radius = sqrtf(u);
    return lr_madf(lr_mulf(job->camera->pupil[2*pixel], radius*c), radius*s, job->camera->pupil[2*pixel + 1]);
}

void lr_job_pupil_ray(const lr_line_job *job, lr_rays *rays, int slot, lr_vec3f direction, lr_vec3f pupil, const lr_job_pose *pose)
{
    lr_vec3f origin = pose->origin;
    if (job->camera->pupil)
        origin = lr_addf(origin, posed(pose, pupil));
    lr_rays_set(rays, slot, origin, lr_unitf(posed(pose, lr_job_bent(job, direction, pupil))), 0.0f, INFINITY, pose->time_s);
}

// ---- a line -----------------------------------------------------------------------------------------------------------

static void copy_part(float *target, const lr_line_job *job, int part)
{
    if (target)
        memcpy(target + job->first, job->work->sums + part*LR_CHUNK_PIXELS, (size_t)job->count*sizeof *target);
}

static lr_line_truth truth_from(const lr_line_truth *t, int first)
{
    return (lr_line_truth){
        .range_m = t->range_m ? t->range_m + first : NULL,
        .normal = t->normal ? t->normal + 3*(size_t)first : NULL,
        .object = t->object ? t->object + first : NULL,
        .material = t->material ? t->material + first : NULL,
        .partner = t->partner ? t->partner + first : NULL,
        .flags = t->flags ? t->flags + first : NULL,
    };
}

void lr_trace_line(const lr_tracer *tracer, lr_work *work, int module, int camera, int partner, int64_t line,
                   const lr_line_truth *truth, const lr_line_light *light)
{
    const lr_rig_module *m = &tracer->rig->module[module];
    lr_line_job job = {.tracer = tracer, .work = work, .module = m, .camera = &m->camera[camera],
                       .partner = partner >= 0 ? &m->camera[partner] : NULL};
    job.moment = lr_rig_at(tracer->rig, module, lr_spin_line_time(&tracer->rig->head->spin, line));
    job.origin = lr_v3f_of(job.camera->in_module.origin);
    job.to_world[0] = lr_v3f_of(job.moment.pose.rotation.x);
    job.to_world[1] = lr_v3f_of(job.moment.pose.rotation.y);
    job.to_world[2] = lr_v3f_of(job.moment.pose.rotation.z);
    job.axis = lr_v3f_of(job.moment.axis);
    job.pivot = lr_v3f_of(job.moment.pivot);
    job.arm = lr_v3f_of(lr_sub(lr_pose_point(job.moment.pose, job.camera->in_module.origin), job.moment.pivot));
    job.known = tracer->gather;
    job.sunlit = tracer->gather && tracer->scene->motion_count == 0 ? tracer->gather->sunlit : NULL;   // the places are those of one moment
    if (tracer->gloss)
        job.gloss = tracer->gloss->view + tracer->gloss->first[module] + LR_GLOSS_SIDES*camera;
    job.ahead = lr_crossf(lr_v3f_of(lr_rotate(job.moment.pose.rotation, job.camera->in_module.rotation.y)), job.axis);
    job.rate = (float)job.moment.rate_rad_s;
    job.time = (float)job.moment.time_s;
    job.seed = lr_hash(lr_hash((uint32_t)tracer->def.seed, (uint32_t)(tracer->def.seed >> 32)),
                       lr_hash((uint32_t)(module*LR_MAX_CAMERAS + camera), lr_hash((uint32_t)line, (uint32_t)(line >> 32))));
    for (int first = 0; first < job.camera->pixels; first += LR_CHUNK_PIXELS) {
        job.first = first;
        job.count = job.camera->pixels - first < LR_CHUNK_PIXELS ? job.camera->pixels - first : LR_CHUNK_PIXELS;
        const lr_line_truth here = truth_from(truth, first);
        lr_first_hits(&job);
        lr_store_truth(&job, &here);
        lr_render_parts(&job);
        lr_store_lit(&job, &here);
        if (light->indirect && tracer->def.indirect_samples > 0)
            lr_indirect_laser(&job);
        copy_part(light->direct, &job, LR_PART_DIRECT);
        copy_part(light->indirect, &job, LR_PART_INDIRECT);
        copy_part(light->sun, &job, LR_PART_SUN);
        copy_part(light->sky, &job, LR_PART_SKY);
        copy_part(light->lamp, &job, LR_PART_LAMP);
    }
}
