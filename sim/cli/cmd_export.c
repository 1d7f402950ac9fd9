// SPDX-License-Identifier: Apache-2.0
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#include "cli/cli.h"
#include "page/export.h"

typedef struct export_options {
    cli_common common;
    lr_export_def def;
    const char *what, *confidence;
    int source, frame;
} export_options;

static lr_status take_options(export_options *o, lr_error *err)
{
    static const char *const prefixes[] = {NULL};
    LR_TRY(cli_check_sets(&o->common, prefixes, err));
    if (lr_export_parse(o->what, &o->def.what, err) != LR_OK)
        return lr_fail_prefix(err, LR_ERR_RANGE, "--what");
    if (o->confidence) {
        char *end;
        o->def.confidence = strtod(o->confidence, &end);
        if (end == o->confidence || *end || !(o->def.confidence >= 0.0 && o->def.confidence <= 1.0))
            return lr_fail(err, LR_ERR_RANGE, "--confidence: \"%s\" is not a number from 0 to 1", o->confidence);
    }
    o->def.source = (lr_export_source)o->source;
    o->def.frame = (lr_export_frame)o->frame;
    return LR_OK;
}

int cmd_export(int argc, char **argv)
{
    export_options o = {.def = lr_export_def_default(), .what = "all"};
    const cli_command command = {"export", "DIR",
        "Writes a scan in other open formats, for programs that know nothing of this one: 16-bit PNG, PFM, rectified pairs with a\n"
        "calibration, PLY and PCD clouds, red-cyan pictures and panoramas of all modules together. Described in out/README.md.", 1, 1};
    const cli_option options[] = {
        {CLI_KIND_TEXT, 'o', "out", "DIR", &o.def.out, 0, 0, 0, "folder to write; without it DIR/export"},
        {CLI_KIND_TEXT, 0, "what", "LIST", &o.what, 0, 0, 0, "all, or names with commas: png, pfm, rectified, ply, pcd, anaglyph, equirect"},
        {CLI_KIND_CHOICE, 0, "source", "WORD", &o.source, lr_export_source_names, 0, 0, "where ranges come from; auto: depth/ if it is there"},
        {CLI_KIND_CHOICE, 0, "frame", "WORD", &o.frame, lr_export_frame_names, 0, 0, "of clouds; world takes the head's true pose"},
        {CLI_KIND_TEXT, 0, "confidence", "P", &o.confidence, 0, 0, 0, "leave out ranges less sure than this; without it 0.5"},
        {CLI_KIND_INT, 0, "every", "N", &o.def.every, 0, 0, 10000, "take every Nth line and pixel in clouds; 0: up to 2 million points"},
        CLI_COMMON(&o.common, CLI_USES_NONE),
    };
    const char *words[1];
    int count;
    const int code = cli_parse(&command, options, argc, argv, words, &count);
    if (code != CLI_GO)
        return code;
    o.def.folder = words[0];
    const double start = cli_now_s();
    lr_export_report report = {0};
    lr_error err = {0};
    lr_status s = take_options(&o, &err);
    if (s == LR_OK)
        s = lr_export_run(&o.def, &report, &err);
    if (s != LR_OK)
        return cli_exit(s, &err);
    if (o.common.json)
        printf("{\"files\": %d, \"points\": %" PRId64 "}\n", report.files, report.points);
    else if (!o.common.quiet)
        printf(report.points ? "%s: %d files, %" PRId64 " points in clouds\n" : "%s: %d files\n", words[0], report.files, report.points);
    cli_closing_line(argc, argv, cli_now_s() - start, o.common.quiet);
    return CLI_FINE;
}
