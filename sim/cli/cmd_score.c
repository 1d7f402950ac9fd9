// SPDX-License-Identifier: Apache-2.0
#include <stdio.h>

#include "cli/cli.h"
#include "core/file.h"
#include "page/error_picture.h"
#include "score/score.h"

static lr_status score(const char *folder, const cli_common *common, lr_text *json, lr_text *table, lr_error *err)
{
    static const char *const prefixes[] = {NULL};
    char path[LR_PATH_MAX];
    lr_score result = {0};
    lr_status s = cli_check_sets(common, prefixes, err);
    if (s == LR_OK) s = lr_score_run(folder, common->threads, &result, err);
    if (s == LR_OK) s = lr_score_write_json(&result, json, err);
    if (s == LR_OK) lr_score_write_table(&result, table);
    if (s == LR_OK) s = lr_path_join(path, folder, "score.json", err);
    if (s == LR_OK) s = lr_file_write(path, json->data, json->length, err);
    if (s == LR_OK) s = lr_error_pictures_write(folder, err);
    lr_score_free(&result);
    return s;
}

int cmd_score(int argc, char **argv)
{
    cli_common common = {0};
    const cli_command command = {"score", "DIR",
        "Holds the ranges in DIR/depth, from 'lanternroom depth' or any other program, against the truth of the scan.\n"
        "Writes score.json and preview/MODULE_CAMERA_error.png; what depth/ must hold is told in out/README.md.", 1, 1};
    const cli_option options[] = {CLI_COMMON(&common, CLI_USES_THREADS)};
    const char *words[1];
    int count;
    const int code = cli_parse(&command, options, argc, argv, words, &count);
    if (code != CLI_GO)
        return code;
    const double start = cli_now_s();
    lr_text json = {0}, table = {0};
    lr_error err = {0};
    const lr_status s = score(words[0], &common, &json, &table, &err);
    if (s == LR_OK && common.json)
        fputs(json.data, stdout);
    else if (s == LR_OK && !common.quiet && table.data)
        fputs(table.data, stdout);
    lr_text_free(&json);
    lr_text_free(&table);
    if (s != LR_OK)
        return cli_exit(s, &err);
    cli_closing_line(argc, argv, cli_now_s() - start, common.quiet);
    return CLI_FINE;
}
