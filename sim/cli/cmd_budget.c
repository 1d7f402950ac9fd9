// SPDX-License-Identifier: Apache-2.0
#include <stdio.h>
#include <stdlib.h>

#include "cli/cli.h"
#include "core/file.h"
#include "core/thread.h"
#include "page/budget_page.h"
#include "run/ambient.h"

typedef struct budget_options {
    cli_common common;
    lr_budget_def def;
    int light;
    const char *out, *reflectance, *range, *window;
} budget_options;

static const char *const light_words[] = {"auto", "dark", "office", "halogen", "overcast", "sun", "required", "scene", NULL};   // auto, then lr_budget_light

static lr_status take_number(const char *option, const char *word, double *value, lr_error *err)
{
    char *end;
    if (!word)
        return LR_OK;
    *value = strtod(word, &end);
    if (end == word || *end)
        return lr_fail(err, LR_ERR_RANGE, "--%s: \"%s\" is not a number", option, word);
    return LR_OK;
}

static lr_status take_def(budget_options *o, lr_error *err)
{
    o->def.light = o->light - 1;
    LR_TRY(take_number("reflectance", o->reflectance, &o->def.reflectance, err));
    LR_TRY(take_number("range", o->range, &o->def.range_m, err));
    return take_number("window", o->window, &o->def.window_px, err);
}

static lr_status load_scene(const budget_options *o, const char *path, cli_input *input, lr_scene **scene, lr_error *err)
{
    char folder[LR_PATH_MAX];
    if (!path)
        return LR_OK;
    LR_TRY(cli_input_load(path, "scene", &o->common, input, err));
    lr_path_folder(folder, path);
    lr_ambient ambient;
    LR_TRY(lr_scene_from_json(input->json, folder, "", scene, err));
    const lr_status settled = lr_ambient_settle(*scene, o->common.threads > 0 ? o->common.threads : lr_thread_default(), &ambient, err);
    return settled == LR_OK ? settled : lr_fail_prefix(err, settled, path);
}

static lr_status budget(budget_options *o, const char *const *words, int count, lr_budget **out, lr_error *err)
{
    static const char *const prefixes[] = {"head", "scene", NULL};
    cli_input head_input = {0}, scene_input = {0};
    lr_head *head = NULL;
    lr_scene *scene = NULL;
    char folder[LR_PATH_MAX];
    lr_status s = cli_check_sets(&o->common, prefixes, err);
    if (s == LR_OK) s = take_def(o, err);
    if (s == LR_OK) s = cli_input_load(words[0], "head", &o->common, &head_input, err);
    if (s == LR_OK) {
        lr_path_folder(folder, words[0]);
        s = lr_head_from_json(head_input.json, folder, &head, err);
    }
    if (s == LR_OK) s = load_scene(o, count > 1 ? words[1] : NULL, &scene_input, &scene, err);
    o->def.scene = scene;
    if (s == LR_OK) s = lr_budget_create(head, &o->def, out, err);
    lr_scene_destroy(scene);
    lr_head_destroy(head);
    cli_input_free(&scene_input);
    cli_input_free(&head_input);
    return s;
}

static lr_status report(const budget_options *o, const lr_budget *b, lr_error *err)
{
    lr_text text = {0};
    if (o->common.json)
        lr_budget_json(b, &text);
    else
        lr_budget_words(b, &text);
    const lr_status s = text.failed ? lr_fail(err, LR_ERR_MEMORY, "budget: out of memory") : LR_OK;
    if (s == LR_OK && (o->common.json || !o->common.quiet))
        fputs(text.data, stdout);
    lr_text_free(&text);
    return s;
}

int cmd_budget(int argc, char **argv)
{
    budget_options o = {.def = lr_budget_def_default()};
    const cli_command command = {"budget", "HEAD [SCENE]",
        "Says in closed form what a head can do: coverage, resolution, range noise, photons, eye safety, link, and which parameter\n"
        "buys most; holds it against the head's requirements. With a scene its size and light are looked at too. Eye-safety\n"
        "figures are estimates for design: classification is for a competent person under the standard in force and local rules.", 1, 2};
    const cli_option options[] = {
        {CLI_KIND_TEXT, 'o', "out", "DIR", &o.out, 0, 0, 0, "folder for plots (SVG, PNG, by gnuplot), their CSV and budget.json"},
        {CLI_KIND_CHOICE, 0, "light", "WORD", &o.light, light_words, 0, 0, "light to judge by; auto: the scene's, else the required one, else an office;\n"
         "                              one of"},
        {CLI_KIND_TEXT, 0, "reflectance", "SHARE", &o.reflectance, 0, 0, 0, "of the target, above 0, up to 1; 0.5 unless given"},
        {CLI_KIND_TEXT, 0, "range", "M", &o.range, 0, 0, 0, "where noise is quoted; that of the requirement or 3 unless given"},
        {CLI_KIND_TEXT, 0, "window", "PIXELS", &o.window, 0, 0, 0, "length of line that a match is made on; 15 unless given"},
        CLI_COMMON(&o.common, CLI_USES_SET | CLI_USES_THREADS),
    };
    const char *words[2];
    int count, drawn = 1;
    const int code = cli_parse(&command, options, argc, argv, words, &count);
    if (code != CLI_GO)
        return code;
    const double start = cli_now_s();
    lr_budget *b = NULL;
    lr_error err = {0};
    lr_status s = budget(&o, words, count, &b, &err);
    if (s == LR_OK && o.out) s = lr_budget_plots(b, o.out, &drawn, &err);
    if (s == LR_OK) s = report(&o, b, &err);
    lr_budget_destroy(b);
    if (s != LR_OK)
        return cli_exit(s, &err);
    if (!drawn)
        fprintf(stderr, "lanternroom: gnuplot is not installed: %s holds scripts (.gp) and numbers (.csv), no pictures\n", o.out);
    cli_closing_line(argc, argv, cli_now_s() - start, o.common.quiet);
    return CLI_FINE;
}
