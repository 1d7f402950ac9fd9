// SPDX-License-Identifier: Apache-2.0
#include "cli/cli.h"

#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/resource.h>
#include <time.h>
#include <unistd.h>

#include "core/fields.h"
#include "core/file.h"

#define HELP_COLUMN 30
#define MOST_OPTIONS 48

// ---- help ----------------------------------------------------------------------------------------------------------------

static void print_default(const cli_option *o)
{
    const double *pair = o->value;
    const char *text;
    switch (o->kind) {
    case CLI_KIND_INT: printf(" [%d]", *(const int *)o->value); break;
    case CLI_KIND_SEED: printf(" [%" PRIu64 "]", *(const uint64_t *)o->value); break;
    case CLI_KIND_CHOICE: printf(" [%s]", o->choices[*(const int *)o->value]); break;
    case CLI_KIND_PAIR: if (pair[0] != 0.0 || pair[1] != 0.0) printf(" [%g,%g]", pair[0], pair[1]); break;
    case CLI_KIND_TEXT: text = *(const char *const *)o->value; if (text) printf(" [%s]", text); break;
    default: break;
    }
}

static void print_help(const cli_command *command, const cli_option *options)
{
    printf("usage: lanternroom %s %s [options]\n\n%s\n\noptions:\n", command->name, command->words, command->about);
    for (const cli_option *o = options; o->kind != CLI_KIND_END; o++) {
        char left[64];
        if (!o->about)
            continue;
        const int n = o->letter ? snprintf(left, sizeof left, "  -%c, --%s", o->letter, o->name) : snprintf(left, sizeof left, "      --%s", o->name);
        if (o->argument)
            snprintf(left + n, sizeof left - (size_t)n, " %s", o->argument);
        printf("%-*s%s", HELP_COLUMN, left, strlen(left) >= HELP_COLUMN ? "\n                              " : "");
        printf("%s", o->about);
        for (int i = 0; o->choices && o->choices[i]; i++)
            printf("%s%s", i ? ", " : ": ", o->choices[i]);
        print_default(o);
        printf("\n");
    }
    printf("%-*s%s\n", HELP_COLUMN, "  -h, --help", "this page");
}

// ---- parsing --------------------------------------------------------------------------------------------------------------

static int wrong(const cli_command *command, const char *format, const char *a, const char *b)
{
    fprintf(stderr, "lanternroom %s: ", command->name);
    fprintf(stderr, format, a, b);
    fprintf(stderr, "; see 'lanternroom %s --help'\n", command->name);
    return CLI_WRONG;
}

static int take_int(const cli_command *command, const cli_option *o, const char *text)
{
    char *end;
    errno = 0;
    const long value = strtol(text, &end, 10);
    char rule[80];
    snprintf(rule, sizeof rule, "a whole number in [%.0f, %.0f]", o->lo, o->hi);
    if (end == text || *end || errno || (double)value < o->lo || (double)value > o->hi) {
        fprintf(stderr, "lanternroom %s: --%s: %s is not %s\n", command->name, o->name, text, rule);
        return CLI_WRONG;
    }
    *(int *)o->value = (int)value;
    return CLI_GO;
}

static int take_number(const cli_command *command, const cli_option *o, const char *text)
{
    char *end;
    const double value = strtod(text, &end);
    if (end == text || *end || !(value >= o->lo && value <= o->hi)) {
        fprintf(stderr, "lanternroom %s: --%s: %s is not a number in [%g, %g]\n", command->name, o->name, text, o->lo, o->hi);
        return CLI_WRONG;
    }
    *(double *)o->value = value;
    return CLI_GO;
}

static int take_seed(const cli_command *command, const cli_option *o, const char *text)
{
    char *end;
    errno = 0;
    const unsigned long long value = strtoull(text, &end, 10);
    if (end == text || *end || errno || text[0] == '-')
        return wrong(command, "--%s: %s is not a whole number from 0 to 2^64-1", o->name, text);
    *(uint64_t *)o->value = value;
    return CLI_GO;
}

static int take_choice(const cli_command *command, const cli_option *o, const char *text)
{
    for (int i = 0; o->choices[i]; i++)
        if (!strcmp(o->choices[i], text)) {
            *(int *)o->value = i;
            return CLI_GO;
        }
    const char *near = lr_nearest_word(text, o->choices);
    fprintf(stderr, "lanternroom %s: --%s: \"%s\" is not one of", command->name, o->name, text);
    for (int i = 0; o->choices[i]; i++)
        fprintf(stderr, "%s %s", i ? "," : "", o->choices[i]);
    fprintf(stderr, near ? "; did you mean \"%s\"?\n" : "\n", near);
    return CLI_WRONG;
}

static int take_pair(const cli_command *command, const cli_option *o, const char *text)
{
    char *end;
    double *pair = o->value;
    pair[0] = strtod(text, &end);
    if (end != text && *end == ',') {
        const char *second = end + 1;
        pair[1] = strtod(second, &end);
        if (end != second && !*end && isfinite(pair[0]) && isfinite(pair[1]))
            return CLI_GO;
    }
    return wrong(command, "--%s: \"%s\" is not two numbers with a comma", o->name, text);
}

static int take_set(const cli_command *command, const cli_option *o, const char *text)
{
    cli_common *common = o->value;
    if (!strchr(text, '='))
        return wrong(command, "--%s: \"%s\" is not PATH=VALUE", o->name, text);
    if (common->set_count == CLI_MAX_SETS)
        return wrong(command, "--%s: too many overrides at \"%s\"", o->name, text);
    common->set[common->set_count++] = text;
    return CLI_GO;
}

static int take(const cli_command *command, const cli_option *o, const char *text)
{
    switch (o->kind) {
    case CLI_KIND_FLAG: *(int *)o->value = 1; return CLI_GO;
    case CLI_KIND_INT: return take_int(command, o, text);
    case CLI_KIND_NUMBER: return take_number(command, o, text);
    case CLI_KIND_SEED: return take_seed(command, o, text);
    case CLI_KIND_TEXT: *(const char **)o->value = text; return CLI_GO;
    case CLI_KIND_CHOICE: return take_choice(command, o, text);
    case CLI_KIND_PAIR: return take_pair(command, o, text);
    default: return take_set(command, o, text);
    }
}

// getopt_long's tables from ours. Option i returns 256 + i.
static int fill_tables(const cli_option *options, struct option *longs, char *letters)
{
    int count = 0;
    char *s = letters;
    *s++ = ':';
    *s++ = 'h';
    for (; options[count].kind != CLI_KIND_END; count++) {
        const cli_option *o = &options[count];
        longs[count] = (struct option){o->name, o->kind == CLI_KIND_FLAG ? no_argument : required_argument, NULL, 256 + count};
        if (o->letter) {
            *s++ = o->letter;
            if (o->kind != CLI_KIND_FLAG)
                *s++ = ':';
        }
    }
    *s = 0;
    longs[count] = (struct option){"help", no_argument, NULL, 'h'};
    return count;
}

static int unknown_option(const cli_command *command, const cli_option *options, int count, const char *word)
{
    const char *known[MOST_OPTIONS + 1];
    for (int i = 0; i < count; i++)
        known[i] = options[i].name;
    known[count] = NULL;
    char name[64];
    snprintf(name, sizeof name, "%.*s", (int)strcspn(word + strspn(word, "-"), "="), word + strspn(word, "-"));
    const char *near = lr_nearest_word(name, known);
    return near ? wrong(command, "unknown option %s; did you mean --%s?", word, near) : wrong(command, "unknown option %s%s", word, "");
}

int cli_parse(const cli_command *command, const cli_option *options, int argc, char **argv, const char **words, int *count)
{
    struct option longs[MOST_OPTIONS + 2] = {{0}};
    char letters[2*MOST_OPTIONS + 4];
    const int known = fill_tables(options, longs, letters);
    optind = 1;
    opterr = 0;
    for (int c; (c = getopt_long(argc, argv, letters, longs, NULL)) != -1;) {
        if (c == 'h') {
            print_help(command, options);
            return CLI_FINE;
        }
        if (c == ':')
            return wrong(command, "%s needs a value%s", argv[optind - 1], "");
        if (c == '?')
            return unknown_option(command, options, known, argv[optind - 1]);
        int i = c - 256;
        for (int k = 0; c < 256 && k < known; k++)
            if (options[k].letter == c)
                i = k;
        const int code = take(command, &options[i], optarg);
        if (code != CLI_GO)
            return code;
    }
    *count = argc - optind;
    if (*count < command->least)
        return wrong(command, "wanted: %s%s", command->words, "");
    if (*count > command->most)
        return wrong(command, "\"%s\" is one word too many; wanted: %s", argv[optind + command->most], command->words);
    for (int i = 0; i < *count; i++)
        words[i] = argv[optind + i];
    return CLI_GO;
}

// ---- inputs ------------------------------------------------------------------------------------------------------------------

lr_status cli_apply_sets(const cli_common *common, const char *prefix, lr_json *json, lr_error *err)
{
    const size_t n = strlen(prefix);
    for (int i = 0; i < common->set_count; i++) {
        const char *set = common->set[i], *equals = strchr(set, '=');
        if (strncmp(set, prefix, n) || set[n] != '.')
            continue;
        char path[512];
        if ((size_t)(equals - set) - n - 1 >= sizeof path)
            return lr_fail(err, LR_ERR_RANGE, "--set %.60s...: the path is too long", set);
        snprintf(path, sizeof path, "%.*s", (int)(equals - set - (ptrdiff_t)n - 1), set + n + 1);
        if (lr_json_override(json, path, equals + 1, err) != LR_OK) {
            char where[600];
            snprintf(where, sizeof where, "--set %.*s", (int)(equals - set), set);
            return lr_fail_prefix(err, LR_ERR_RANGE, where);
        }
    }
    return LR_OK;
}

lr_status cli_input_load(const char *path, const char *prefix, const cli_common *common, cli_input *out, lr_error *err)
{
    size_t length;
    *out = (cli_input){.path = path};
    LR_TRY(lr_file_read(path, LR_JSON_MAX_BYTES, &out->verbatim, &length, err));
    LR_TRY(lr_json_parse(path, out->verbatim, length, &out->json, err));
    return prefix ? cli_apply_sets(common, prefix, out->json, err) : LR_OK;
}

void cli_input_free(cli_input *input)
{
    free(input->verbatim);
    lr_json_free(input->json);
    *input = (cli_input){0};
}

lr_status cli_check_sets(const cli_common *common, const char *const *prefixes, lr_error *err)
{
    for (int i = 0; i < common->set_count; i++) {
        int known = 0;
        for (int k = 0; prefixes[k]; k++) {
            const size_t n = strlen(prefixes[k]);
            known |= !strncmp(common->set[i], prefixes[k], n) && common->set[i][n] == '.';
        }
        if (known)
            continue;
        if (!prefixes[0])
            return lr_fail(err, LR_ERR_RANGE, "--set %.200s: the inputs of a scan are settled; give it to 'lanternroom scan'", common->set[i]);
        char list[128] = "";
        for (int k = 0; prefixes[k]; k++)
            snprintf(list + strlen(list), sizeof list - strlen(list), "%s%s.", k ? " or " : "", prefixes[k]);
        return lr_fail(err, LR_ERR_RANGE, "--set %.200s: a path begins with %s", common->set[i], list);
    }
    return LR_OK;
}

// ---- talk ----------------------------------------------------------------------------------------------------------------------

int cli_exit(lr_status status, const lr_error *err)
{
    if (status == LR_OK)
        return CLI_FINE;
    fprintf(stderr, "lanternroom: %s\n", err->text);
    return status == LR_ERR_CANCELLED ? CLI_INTERRUPTED : lr_status_is_input(status) ? CLI_WRONG : CLI_FAILED;
}

static volatile sig_atomic_t interrupted;

static void on_interrupt(int number)
{
    interrupted = 1;
    signal(number, SIG_DFL);
}

void cli_catch_interrupt(void)
{
    signal(SIGINT, on_interrupt);
    signal(SIGTERM, on_interrupt);
}

double cli_now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

double cli_peak_memory_mb(void)
{
    struct rusage usage;
    getrusage(RUSAGE_SELF, &usage);
    return (double)usage.ru_maxrss/1024.0;
}

void cli_closing_line(int argc, char **argv, double seconds, int quiet)
{
    fflush(stdout);   // results first, also where both go into one file
    if (quiet)
        return;
    fprintf(stderr, "lanternroom %s:", LR_VERSION);
    for (int i = 0; i < argc; i++)
        fprintf(stderr, " %s", argv[i]);
    fprintf(stderr, ": %.1f s, peak memory %.0f MB\n", seconds, cli_peak_memory_mb());
}

void cli_progress_start(cli_progress *progress, const char *what, int quiet)
{
    *progress = (cli_progress){.shown = !quiet && isatty(STDERR_FILENO), .what = what, .start_s = cli_now_s(), .first = -1};
}

static int terminal_width(void)
{
    struct winsize size;
    return ioctl(STDERR_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col > 0 ? size.ws_col : 80;
}

int cli_progress_show(cli_progress *progress, int64_t done, int64_t total)
{
    const double now = cli_now_s();
    if (!progress->shown || (now - progress->last_s < 0.15 && done < total))
        return interrupted;
    progress->last_s = now;
    const double share = total > 0 ? (double)done/(double)total : 1.0, left_s = done > 0 ? (now - progress->start_s)*(1.0 - share)/share : 0.0;
    int width = terminal_width() - (int)strlen(progress->what) - 24;
    width = width < 10 ? 10 : width > 60 ? 60 : width;
    const int full = (int)(share*width);
    fprintf(stderr, "\r%s [", progress->what);
    for (int i = 0; i < width; i++)
        fputc(i < full ? '#' : '.', stderr);
    fprintf(stderr, "] %3.0f %% %4.0f s left", 100.0*share, left_s);
    fflush(stderr);
    return interrupted;
}

void cli_progress_end(cli_progress *progress)
{
    if (progress->shown)
        fprintf(stderr, "\r%*s\r", terminal_width() - 1, "");
}
