// SPDX-License-Identifier: Apache-2.0
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli/cli.h"
#include "core/file.h"
#include "page/preview.h"
#include "run/run.h"

#define MOST_SHARDS 1000000

typedef struct scan_options {
    cli_common common;
    lr_run_def def;
    int quality;
    const char *out, *truth, *shard;
    int no_preview;
} scan_options;

static int show(void *context, const char *stage, int64_t done, int64_t total)
{
    cli_progress *progress = context;
    if (strcmp(progress->what, stage) != 0) {  // each stage has a time left of its own
        progress->what = stage;
        progress->start_s = cli_now_s();
    }
    return cli_progress_show(progress, done, total);
}

static void warn(void *context, const char *line)
{
    (void)context;
    fprintf(stderr, "lanternroom: warning: %s\n", line);
}

static lr_status take_shard(scan_options *o, lr_error *err)
{
    if (!o->shard)
        return LR_OK;
    char *end;
    const long k = strtol(o->shard, &end, 10), n = *end == '/' ? strtol(end + 1, &end, 10) : 0;   // both saturate
    if (*end || k < 1 || n < k || n > MOST_SHARDS)
        return lr_fail(err, LR_ERR_RANGE, "--shard: \"%s\" is not K/N with 1 <= K <= N <= %d", o->shard, MOST_SHARDS);
    o->def.shard = (int)k;
    o->def.shard_count = (int)n;
    return LR_OK;
}

static int64_t rays_total(const lr_trace_count *count)
{
    int64_t sum = 0;
    for (int k = 0; k < LR_RAY_KINDS; k++)
        sum += count->rays[k];
    return sum;
}

static void print_json(const scan_options *o, const lr_run_report *r, double seconds)
{
    lr_text text = {0};
    lr_text_add(&text, "{\"folder\": ");
    lr_text_quote(&text, o->out);
    lr_text_add(&text, ", \"finished\": %s, \"lines\": %" PRId64 ", \"pixels\": %" PRId64 ", \"seconds\": %.3f, \"load_s\": %.3f, \"gather_s\": %.3f, \"trace_s\": %.3f, "
                "\"finish_s\": %.3f, \"peak_memory_mb\": %.1f, \"gather_rays\": %" PRId64 ", \"rays\": {", r->finished ? "true" : "false", r->lines, r->pixels, seconds,
                r->load_s, r->gather_s, r->trace_s, r->finish_s, cli_peak_memory_mb(), rays_total(&r->gathering));
    for (int k = 0; k < LR_RAY_KINDS; k++)
        lr_text_add(&text, "%s\"%s\": %" PRId64, k ? ", " : "", lr_ray_kind_names[k], r->count.rays[k]);
    lr_text_add(&text, "}");
    if (r->ambient.present) {
        lr_text_add(&text, ", \"ambient\": ");
        lr_ambient_json(&r->ambient, &text);
    }
    if (r->light_error.pixels > 0) {
        lr_text_add(&text, ", \"light_error\": ");
        lr_light_error_json(&r->light_error, &text);
    }
    printf("%s}\n", text.data ? text.data : "{");
    lr_text_free(&text);
}

static void say_ambient(const lr_run_report *r)
{
    lr_text text = {0};
    lr_ambient_words(&r->ambient_asked, &r->ambient, &text);
    fprintf(stderr, "%s\n", text.data ? text.data : "");
    lr_text_free(&text);
}

static void print_light_error(const lr_light_error *e)
{
    printf("error of the light: below a quarter of the sensor's noise in %.1f %% of pixels (%" PRId64 " lines rendered twice); rms error/noise", 100.0*lr_light_error_share(e), e->lines);
    for (int part = 0; lr_light_error_parts[part]; part++)
        printf("%s %s %.3f", part ? "," : "", lr_light_error_parts[part], lr_light_error_rms(e, part));
    printf("\n");
}

static void print_words(const scan_options *o, const lr_run_report *r)
{
    if (r->was_complete) {
        printf("%s: complete already; nothing to do (--force renders it again)\n", o->out);
        return;
    }
    printf("%s: %s%" PRId64 " lines, %.2f Mpixel in %.1f s: %.3f Mpixel/s, %.1f Mray/s, peak memory %.0f MB\n", o->out,
           r->resumed ? "resumed, " : "", r->lines, 1e-6*(double)r->pixels, r->load_s + r->gather_s + r->trace_s + r->finish_s,
           r->trace_s > 0.0 ? 1e-6*(double)r->pixels/r->trace_s : 0.0, r->trace_s > 0.0 ? 1e-6*(double)rays_total(&r->count)/r->trace_s : 0.0, cli_peak_memory_mb());
    if (r->light_error.pixels > 0)
        print_light_error(&r->light_error);
    if (!r->finished)
        printf("%s: other shards still have lines to render\n", o->out);
}

static lr_status scan(scan_options *o, const char *scene_path, const char *head_path, lr_run_report *report, lr_error *err)
{
    static const char *const prefixes[] = {"scene", "head", NULL};
    cli_input scene = {0}, head = {0};
    cli_progress progress;
    lr_status s = cli_check_sets(&o->common, prefixes, err);
    if (s == LR_OK) s = take_shard(o, err);
    if (s == LR_OK) s = lr_truth_parse(o->truth, &o->def.truth, err);
    if (s == LR_OK) s = cli_input_load(scene_path, "scene", &o->common, &scene, err);
    if (s == LR_OK) s = cli_input_load(head_path, "head", &o->common, &head, err);
    if (s == LR_OK) {
        cli_catch_interrupt();   // not sooner: reading a pipe that nobody writes to would go on
        const lr_run_input scene_input = {scene.path, scene.verbatim, scene.json}, head_input = {head.path, head.verbatim, head.json};
        cli_progress_start(&progress, "scan", o->common.quiet);
        s = lr_run(&scene_input, &head_input, &o->def, show, &progress, report, err);
        cli_progress_end(&progress);
    }
    if (s == LR_OK && (report->finished || report->was_complete) && !o->no_preview)
        s = lr_preview_write(o->out, o->def.threads, err);
    cli_input_free(&scene);
    cli_input_free(&head);
    return s;
}

int cmd_scan(int argc, char **argv)
{
    scan_options o = {.def = lr_run_def_default(), .truth = "all"};
    o.common.seed = o.def.seed;
    o.quality = (int)o.def.quality;
    const cli_command command = {"scan", "SCENE HEAD",
        "Renders the raw lines that a head records while it turns in a room, with truth beside them, into a folder.\n"
        "An unfinished scan of the same inputs in that folder is resumed. The folder is described in out/README.md.", 2, 2};
    const cli_option options[] = {
        {CLI_KIND_TEXT, 'o', "out", "DIR", &o.out, 0, 0, 0, "folder to write; without it out/NAME, after the scene file"},
        {CLI_KIND_CHOICE, 0, "quality", "WORD", &o.quality, lr_quality_names, 0, 0, "how many light paths"},
        {CLI_KIND_PAIR, 0, "sector", "FROM,TO", o.def.sector_deg, 0, 0, 0, "only these rotor angles in degrees, within 0,360"},
        {CLI_KIND_TEXT, 0, "truth", "LIST", &o.truth, 0, 0, 0, "truth arrays to keep: all, none, light, or names with commas"},
        {CLI_KIND_INT, 0, "samples", "N", &o.def.samples, 0, 0, 65536, "parts of a pixel, 1 or even, each with a light path; 0: as the quality says"},
        {CLI_KIND_NUMBER, 0, "noise-ratio", "R", &o.def.noise_ratio, 0, 0, 100, "cut pixels into more parts where light is off by more than R of the sensor's noise; 0: nowhere;\n"
         "                              without it as the quality says"},
        {CLI_KIND_INT, 0, "indirect-samples", "N", &o.def.indirect_samples, 0, -1, 65536, "light paths a pixel for indirect laser light; 0: none; -1: as the quality says"},
        {CLI_KIND_TEXT, 0, "shard", "K/N", &o.shard, 0, 0, 0, "render only every Nth block of lines, from the Kth"},
        {CLI_KIND_FLAG, 0, "force", 0, &o.def.force, 0, 0, 0, "replace the scan that is there"},
        {CLI_KIND_FLAG, 0, "no-preview", 0, &o.no_preview, 0, 0, 0, "leave out preview/ and cloud.ply"},
        CLI_COMMON(&o.common, CLI_USES_SET | CLI_USES_SEED | CLI_USES_THREADS),
    };
    const char *words[2];
    int count;
    const int code = cli_parse(&command, options, argc, argv, words, &count);
    if (code != CLI_GO)
        return code;

    char folder[LR_PATH_MAX];
    if (!o.out) {
        const char *base = strrchr(words[0], '/') ? strrchr(words[0], '/') + 1 : words[0];
        snprintf(folder, sizeof folder, "out/%.*s", (int)strcspn(base, "."), base);
        o.out = folder;
    }
    o.def.version = LR_VERSION;
    o.def.folder = o.out;
    o.def.seed = o.common.seed;
    o.def.threads = o.common.threads;
    o.def.quality = (lr_quality)o.quality;
    o.def.warn = o.common.quiet ? NULL : warn;
    const double start = cli_now_s();
    lr_run_report report = {0};
    lr_error err = {0};
    const lr_status s = scan(&o, words[0], words[1], &report, &err);
    if (s != LR_OK)
        return cli_exit(s, &err);
    const double seconds = cli_now_s() - start;
    if (report.ambient.present && !o.common.quiet)
        say_ambient(&report);
    if (o.common.json)
        print_json(&o, &report, seconds);
    else if (!o.common.quiet)
        print_words(&o, &report);
    cli_closing_line(argc, argv, seconds, o.common.quiet);
    return CLI_FINE;
}
