// SPDX-License-Identifier: Apache-2.0
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "cli/cli.h"
#include "core/file.h"
#include "head/head.h"
#include "scan/scan_reader.h"
#include "scene/scene.h"
#include "study/study.h"

typedef struct check_options { cli_common common; const char *schema; } check_options;

static lr_status check_scene(const lr_json *json, const char *folder, lr_error *err)
{
    lr_scene *scene;
    LR_TRY(lr_scene_from_json(json, folder, "", &scene, err));
    lr_scene_destroy(scene);
    return LR_OK;
}

static lr_status check_head(const lr_json *json, const char *folder, lr_error *err)
{
    lr_head *head;
    lr_bins bins;
    LR_TRY(lr_head_from_json(json, folder, &head, err));
    const lr_status s = lr_head_bins(head, &bins, err);
    lr_head_destroy(head);
    return s;
}

static lr_status check_material(const char *path, lr_error *err)
{
    lr_material_def def;
    LR_TRY(lr_material_load(path, &def, err));
    lr_material_def_free(&def);
    return LR_OK;
}

static lr_status check_study(const lr_json *json, const char *folder, lr_error *err)
{
    lr_study study;
    LR_TRY(lr_study_from_json(json, folder, &study, err));
    lr_study_free(&study);
    return LR_OK;
}

// A JSON file says itself what it is.
static lr_status check_file(const char *path, const cli_common *common, lr_error *err)
{
    char folder[LR_PATH_MAX];
    cli_input input = {0};
    lr_path_folder(folder, path);
    lr_status s = cli_input_load(path, "scene", common, &input, err);
    if (s == LR_OK) {
        const lr_node *node = lr_node_kind(lr_json_root(input.json)) == LR_JSON_OBJECT ? lr_node_get(lr_json_root(input.json), "format") : NULL;
        const char *format = node && lr_node_kind(node) == LR_JSON_TEXT ? lr_node_text(node) : "";
        if (!strncmp(format, "lanternroom-scene/", 18))
            s = check_scene(input.json, folder, err);
        else if (!strncmp(format, "lanternroom-head/", 17))
            s = check_head(input.json, folder, err);
        else if (!strncmp(format, "lanternroom-material/", 21))
            s = check_material(path, err);
        else if (!strncmp(format, "lanternroom-study/", 18))
            s = check_study(input.json, folder, err);
        else
            s = lr_fail(err, LR_ERR_PARSE, "%s: format: \"%.80s\" is none of lanternroom-scene/1, -head/1, -material/1, -study/1", path, format);
    }
    cli_input_free(&input);
    return s;
}

static void print_fault(void *context, const char *line)
{
    (void)context;
    fprintf(stderr, "lanternroom: %s\n", line);
}

static lr_status check_one(const char *path, const cli_common *common, lr_error *err)
{
    struct stat info;
    if (stat(path, &info) == 0 && S_ISDIR(info.st_mode))
        return lr_scan_check(path, common->threads, print_fault, NULL, err);
    return check_file(path, common, err);
}

static int print_schema(const char *name)
{
    lr_text text = {0};
    if (!strcmp(name, "scene"))
        lr_scene_schema(&text);
    else if (!strcmp(name, "head"))
        lr_head_schema(&text);
    else if (!strcmp(name, "material"))
        lr_material_schema(&text);
    else if (!strcmp(name, "study"))
        lr_study_schema(&text);
    else {
        fprintf(stderr, "lanternroom check: --schema: \"%s\" is not one of scene, head, material, study\n", name);
        return CLI_WRONG;
    }
    const int failed = text.failed || !text.data;
    if (!failed)
        fputs(text.data, stdout);
    lr_text_free(&text);
    return failed ? CLI_FAILED : CLI_FINE;
}

int cmd_check(int argc, char **argv)
{
    check_options o = {0};
    const cli_command command = {"check", "FILE...",
        "Reads scene, head, material and study files and says for each whether it is right, or what is wrong and where.\n"
        "Given a scan folder, verifies its arrays and checksums. Exit code 2 if anything is wrong.", 0, 4096};
    const cli_option options[] = {
        {CLI_KIND_TEXT, 0, "schema", "WORD", &o.schema, 0, 0, 0, "print the JSON Schema of one kind of file: scene, head, material, study"},
        CLI_COMMON(&o.common),
    };
    const char **words = calloc((size_t)argc + 1, sizeof *words);
    if (!words)
        return CLI_FAILED;
    int count, worst = CLI_FINE;
    const int code = cli_parse(&command, options, argc, argv, words, &count);
    if (code == CLI_GO && o.schema)
        worst = print_schema(o.schema);
    else if (code == CLI_GO && count == 0)
        worst = fprintf(stderr, "lanternroom check: wanted: FILE...; see 'lanternroom check --help'\n") < 0 ? CLI_FAILED : CLI_WRONG;
    for (int i = 0; code == CLI_GO && !o.schema && i < count; i++) {
        lr_error err = {0};
        const lr_status s = check_one(words[i], &o.common, &err);
        const int exit_code = cli_exit(s, &err);
        if (s == LR_OK && !o.common.quiet)
            printf("%s: ok\n", words[i]);
        worst = exit_code > worst ? exit_code : worst;
    }
    free(words);
    return code == CLI_GO ? worst : code;
}
