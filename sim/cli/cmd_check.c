// SPDX-License-Identifier: Apache-2.0
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "cli/cli.h"
#include "core/fields.h"
#include "core/file.h"
#include "head/head.h"
#include "scan/scan_reader.h"
#include "scene/material_json.h"
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

static lr_status check_material(const lr_json *json, const char *folder, lr_error *err)
{
    (void)folder;
    lr_material_def def;
    LR_TRY(lr_material_from_json(json, &def, err));
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

// What each kind of file is called: in "format", in --set and in --schema; and what judges it.
static const struct kind {
    const char *word;
    lr_status (*check)(const lr_json *json, const char *folder, lr_error *err);
    void (*schema)(lr_text *out);
} kinds[] = {
    {"scene", check_scene, lr_scene_schema},
    {"head", check_head, lr_head_schema},
    {"material", check_material, lr_material_schema},
    {"study", check_study, lr_study_schema},
};
enum { KINDS = sizeof kinds/sizeof *kinds };

// A JSON file says itself what it is.
static lr_status find_kind(const lr_json *json, const struct kind **out, lr_error *err)
{
    const lr_node *root = lr_json_root(json), *node = lr_node_kind(root) == LR_JSON_OBJECT ? lr_node_get(root, "format") : NULL;
    const char *format = node && lr_node_kind(node) == LR_JSON_TEXT ? lr_node_text(node) : "";
    for (int i = 0; i < KINDS; i++) {
        char start[40];
        const int n = snprintf(start, sizeof start, "lanternroom-%s/", kinds[i].word);
        if (!strncmp(format, start, (size_t)n)) {
            *out = &kinds[i];
            return LR_OK;
        }
    }
    return lr_fail(err, LR_ERR_PARSE, "%s: format: \"%.80s\" is none of lanternroom-scene/1, -head/1, -material/1, -study/1", lr_json_name(json), format);
}

static lr_status check_file(const char *path, const cli_common *common, lr_error *err)
{
    char folder[LR_PATH_MAX];
    cli_input input = {0};
    const struct kind *kind = NULL;
    lr_path_folder(folder, path);
    lr_status s = cli_input_load(path, NULL, common, &input, err);
    if (s == LR_OK) s = find_kind(input.json, &kind, err);
    if (s == LR_OK) s = cli_apply_sets(common, kind->word, input.json, err);
    if (s == LR_OK) s = kind->check(input.json, folder, err);
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

static int print_schema(const char *word)
{
    const char *words[KINDS + 1] = {0};
    for (int i = 0; i < KINDS; i++) {
        words[i] = kinds[i].word;
        if (strcmp(word, kinds[i].word))
            continue;
        lr_text text = {0};
        kinds[i].schema(&text);
        const int failed = text.failed || !text.data || fputs(text.data, stdout) < 0;
        lr_text_free(&text);
        return failed ? CLI_FAILED : CLI_FINE;
    }
    const char *near = lr_nearest_word(word, words);
    fprintf(stderr, "lanternroom check: --schema: \"%s\" is not one of scene, head, material, study", word);
    fprintf(stderr, near ? "; did you mean \"%s\"?\n" : "\n", near);
    return CLI_WRONG;
}

// One line or one member of a list for each word; the worst exit code.
static int check_all(const char *const *words, int count, const cli_common *common)
{
    int worst = CLI_FINE;
    lr_text list = {0};
    for (int i = 0; i < count; i++) {
        lr_error err = {0};
        const lr_status s = check_one(words[i], common, &err);
        const int exit_code = cli_exit(s, &err);
        worst = exit_code > worst ? exit_code : worst;
        if (s == LR_OK && !common->quiet && !common->json)
            printf("%s: ok\n", words[i]);
        lr_text_add(&list, "%s{\"path\": ", i ? ", " : "");
        lr_text_quote(&list, words[i]);
        lr_text_add(&list, ", \"ok\": %s", s == LR_OK ? "true" : "false");
        if (s != LR_OK) {
            lr_text_add(&list, ", \"fault\": ");
            lr_text_quote(&list, err.text);
        }
        lr_text_add(&list, "}");
    }
    if (common->json)
        printf("{\"files\": [%s]}\n", list.data ? list.data : "");
    if (common->json && list.failed)
        worst = CLI_FAILED;
    lr_text_free(&list);
    return worst;
}

static int wanted_files(void)
{
    fprintf(stderr, "lanternroom check: wanted: FILE...; see 'lanternroom check --help'\n");
    return CLI_WRONG;
}

static int wants_no_files(const char *word)
{
    fprintf(stderr, "lanternroom check: --schema prints a schema and checks nothing: \"%s\" is one word too many\n", word);
    return CLI_WRONG;
}

int cmd_check(int argc, char **argv)
{
    check_options o = {0};
    const cli_command command = {"check", "FILE...",
        "Reads scene, head, material and study files and says for each whether it is right, or what is wrong and where.\n"
        "Given a scan folder, verifies its arrays and checksums. Exit code 2 if anything is wrong.", 0, 4096};
    const cli_option options[] = {
        {CLI_KIND_TEXT, 0, "schema", "WORD", &o.schema, 0, 0, 0, "print the JSON Schema of one kind of file: scene, head, material, study"},
        CLI_COMMON(&o.common, CLI_USES_SET | CLI_USES_THREADS),
    };
    const char **words = calloc((size_t)argc + 1, sizeof *words);
    if (!words)
        return CLI_FAILED;
    int count;
    static const char *const prefixes[] = {"scene", "head", "material", "study", NULL};
    lr_error err = {0};
    int code = cli_parse(&command, options, argc, argv, words, &count);
    if (code == CLI_GO) {
        const lr_status s = cli_check_sets(&o.common, prefixes, &err);
        code = s != LR_OK ? cli_exit(s, &err) : o.schema && count > 0 ? wants_no_files(words[0]) : o.schema ? print_schema(o.schema) : count == 0 ? wanted_files() : check_all(words, count, &o.common);
    }
    free(words);
    return code;
}
