// SPDX-License-Identifier: Apache-2.0
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#include "cli/cli.h"
#include "depth/depth.h"

typedef struct depth_options {
    cli_common common;
    lr_depth_def def;
    int mode;
    const char *near;
} depth_options;

static int show(void *context, int64_t done, int64_t total) { return cli_progress_show(context, done, total); }

static lr_status take_near(depth_options *o, lr_error *err)
{
    if (!o->near)
        return LR_OK;
    char *end;
    o->def.match.near_m = strtod(o->near, &end);
    return end != o->near && *end == '\0' ? LR_OK : lr_fail(err, LR_ERR_RANGE, "--near: \"%s\" is not a number", o->near);
}

static void print_result(const depth_options *o, const lr_depth_report *r, double seconds)
{
    const double share = r->pixels ? (double)r->found/(double)r->pixels : 0.0;
    if (o->common.json) {
        lr_text text = {0};
        lr_text_quote(&text, o->def.folder);
        printf("{\"folder\": %s, \"lines\": %" PRId64 ", \"ready\": %" PRId64 ", \"pixels\": %" PRId64 ", \"found\": %" PRId64 ", \"seconds\": %.3f, "
               "\"ns_per_candidate\": %.3f, \"peak_memory_mb\": %.1f}\n", text.data ? text.data : "\"\"", r->lines, r->ready, r->pixels, r->found, seconds,
               r->candidates ? 1e9*seconds/(double)r->candidates : 0.0, cli_peak_memory_mb());
        lr_text_free(&text);
        return;
    }
    if (o->common.quiet)
        return;
    printf("%s: %" PRId64 " lines, %.2f Mpixel, range for %.1f %% in %.1f s: %.2f Mpixel/s, %.2f ns a candidate, peak memory %.0f MB\n", o->def.folder, r->ready,
           1e-6*(double)r->pixels, 100.0*share, seconds, 1e-6*(double)r->pixels/seconds, r->candidates ? 1e9*seconds/(double)r->candidates : 0.0,
           cli_peak_memory_mb());
    if (r->ready < r->lines)
        printf("%s: %" PRId64 " lines are not recorded yet\n", o->def.folder, r->lines - r->ready);
}

int cmd_depth(int argc, char **argv)
{
    depth_options o = {.def = lr_depth_def_default()};
    const cli_command command = {"depth", "DIR",
        "Recovers range from the raw lines of a scan alone, with calibration.json; truth/ is never opened. For each camera it writes\n"
        "range, confidence (probability that the disparity is right within a pixel) and expected error into DIR/depth.", 1, 1};
    const cli_option options[] = {
        {CLI_KIND_CHOICE, 0, "mode", "WORD", &o.mode, lr_depth_mode_names, 0, 0, "cameras against one another, against the laser's dots, or both"},
        {CLI_KIND_TEXT, 0, "near", "M", &o.near, 0, 0, 0, "least distance from the head to look for; without it 0.5"},
        CLI_COMMON(&o.common, CLI_USES_THREADS),
    };
    static const char *const prefixes[] = {NULL};
    const char *words[1];
    int count;
    const int code = cli_parse(&command, options, argc, argv, words, &count);
    if (code != CLI_GO)
        return code;
    o.def.folder = words[0];
    o.def.mode = (lr_depth_mode)o.mode;
    o.def.threads = o.common.threads;
    cli_catch_interrupt();
    const double start = cli_now_s();
    cli_progress progress;
    lr_depth_report report = {0};
    lr_error err = {0};
    lr_status s = cli_check_sets(&o.common, prefixes, &err);
    if (s == LR_OK) s = take_near(&o, &err);
    if (s == LR_OK) {
        cli_progress_start(&progress, "depth", o.common.quiet);
        s = lr_depth_run(&o.def, show, &progress, &report, &err);
        cli_progress_end(&progress);
    }
    if (s != LR_OK)
        return cli_exit(s, &err);
    const double seconds = cli_now_s() - start;
    print_result(&o, &report, seconds);
    cli_closing_line(argc, argv, seconds, o.common.quiet);
    return CLI_FINE;
}
