// SPDX-License-Identifier: Apache-2.0
// The scan's folder: what goes in beside the arrays, and what is summed up at the end.
#include <stdlib.h>
#include <string.h>

#include "core/file.h"
#include "run/cut.h"
#include "run/run_state.h"

// What other files the inputs drew on, by content: a scan must not go on with a changed mesh, material or dot list.
static lr_status write_contents(const lr_run_state *r, lr_text *text, lr_error *err)
{
    char hex[65];
    LR_TRY(lr_scene_digest(r->scene, hex, err));
    lr_text_add(text, ", \"scene_sha256\": \"%s\", \"dots_sha256\": [", hex);
    int count = 0;
    for (int m = 0; m < r->head->module_count; m++)
        for (int l = 0; l < r->head->module[m].laser_count; l++) {
            const char *file = r->head->module[m].laser[l].dots.file;
            char path[LR_PATH_MAX];
            if (!file[0])
                continue;
            LR_TRY(lr_path_join(path, r->head->folder, file, err));
            LR_TRY(lr_file_sha256(path, hex, err));
            lr_text_add(text, "%s\"%s\"", count++ ? ", " : "", hex);
        }
    lr_text_add(text, "]}");
    return LR_OK;
}

static void write_settings(const lr_run_state *r, lr_text *text)
{
    const lr_trace_def trace = lr_run_trace_def(r->def);
    char truth[128];
    lr_truth_print(r->def->truth, truth);
    lr_text_add(text, "{\"quality\": ");
    lr_text_quote(text, lr_quality_names[r->def->quality]);
    lr_text_add(text, ", \"samples\": %d, \"most_samples\": %d, \"indirect_samples\": %d, \"curve_rays\": %d, \"noise_ratio\": ",
                trace.samples, trace.most_samples, trace.indirect_samples, trace.curve_rays);
    lr_text_number(text, trace.noise_ratio);
    lr_text_add(text, ", \"bounce_share\": ");
    lr_text_number(text, trace.bounce_share);
    lr_text_add(text, ", \"first_line\": %lld, \"truth\": ", (long long)r->first_line);
    lr_text_quote(text, truth);
    if (r->ambient->present) {
        lr_text_add(text, ", \"ambient\": ");
        lr_ambient_json(r->ambient, text);
    }
}

static void write_labels(const lr_run_state *r, lr_text *text)
{
    lr_text_add(text, "{\"objects\": [");
    for (int i = 0; i < r->scene->label_count; i++) {
        lr_text_add(text, "%s\n  {\"id\": %d, \"name\": ", i ? "," : "", i + 1);
        lr_text_quote(text, r->scene->label[i]);
        lr_text_add(text, "}");
    }
    lr_text_add(text, "],\n \"materials\": [");
    for (int i = 0; i < r->scene->material_count; i++) {
        lr_text_add(text, "%s\n  {\"id\": %d, \"name\": ", i ? "," : "", i + 1);
        lr_text_quote(text, r->scene->material[i].name);
        lr_text_add(text, "}");
    }
    lr_text_add(text, "]}\n");
}

// Read back from the folder, so that it is the same whoever rendered the lines, and when.
static lr_status sum_errors(void *context, const lr_scan_writer *writer, lr_text *out, lr_error *err)
{
    const lr_run_state *r = context;
    *r->light_error = (lr_light_error){0};
    for (int c = 0; c < r->camera_count; c++)
        for (int64_t first = 0; first < r->line_count; first += LR_BLOCK_LINES) {
            lr_truth_error record[LR_BLOCK_LINES];
            const int64_t count = r->line_count - first < LR_BLOCK_LINES ? r->line_count - first : LR_BLOCK_LINES;
            LR_TRY(lr_scan_writer_read(writer, r->camera[c].error, first, count, record, err));
            for (int64_t k = 0; k < count; k++)
                lr_light_error_add(r->light_error, &record[k]);
        }
    lr_text_add(out, "{\"light_error\": ");
    lr_light_error_json(r->light_error, out);
    lr_text_add(out, "}");
    return LR_OK;
}

lr_status lr_run_open(lr_run_state *r, const lr_run_input *scene, const lr_run_input *head, lr_error *err)
{
    lr_calibration nominal = {0}, built = {0};
    lr_text settings = {0}, as_built = {0}, labels = {0};
    char *scene_text = lr_json_print(scene->json), *head_text = lr_json_print(head->json);
    lr_status status = scene_text && head_text ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
    if (status == LR_OK) status = lr_cut_calibration(r->head, 0, &nominal, err);
    if (status == LR_OK) status = lr_cut_calibration(r->head, 1, &built, err);
    if (status == LR_OK) status = lr_calibration_write(&built, &as_built, err);
    write_settings(r, &settings);
    if (status == LR_OK) status = write_contents(r, &settings, err);
    write_labels(r, &labels);
    if (status == LR_OK && (settings.failed || labels.failed))
        status = lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
    if (status == LR_OK) {
        const lr_scan_file files[] = {
            {"truth/as_built.json", as_built.data, as_built.length},
            {"truth/labels.json", labels.data, labels.length},
            {"truth/inputs/scene.json", scene->verbatim, strlen(scene->verbatim)},
            {"truth/inputs/head.json", head->verbatim, strlen(head->verbatim)},
        };
        lr_scan_writer_def def = lr_scan_writer_def_default();
        def.folder = r->def->folder;
        def.version = r->def->version;
        def.seed = r->def->seed;
        def.settings = settings.data;
        def.scene = scene_text;
        def.head = head_text;
        def.calibration = &nominal;
        def.file_count = (int)(sizeof files/sizeof *files);
        def.file = files;
        def.line_count = r->line_count;
        def.block_lines = LR_BLOCK_LINES;
        def.array_count = r->array_count;
        def.array = r->array;
        def.force = r->def->force;
        def.shard = r->def->shard;
        def.shard_count = r->def->shard_count;
        def.threads = r->threads;
        def.results = sum_errors;
        def.results_context = r;
        status = lr_scan_writer_open(&def, &r->writer, err);
    }
    free(scene_text);
    free(head_text);
    lr_text_free(&settings);
    lr_text_free(&as_built);
    lr_text_free(&labels);
    lr_calibration_free(&nominal);
    lr_calibration_free(&built);
    return status;
}
