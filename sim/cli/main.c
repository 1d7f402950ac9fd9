// SPDX-License-Identifier: Apache-2.0
// lanternroom COMMAND: finds the command; everything else is in cmd_*.c.
#include <stdio.h>
#include <string.h>

#include "cli/cli.h"
#include "core/fields.h"

typedef struct command { const char *name; int (*run)(int argc, char **argv); const char *about; } command;

static const command commands[] = {
    {"scan", cmd_scan, "render the raw lines that a head records in a room, with truth"},
    {"budget", cmd_budget, "what a head can do, in closed form: coverage, range, photons, link, eye safety"},
    {"depth", cmd_depth, "recover range from the raw lines of a scan alone"},
    {"score", cmd_score, "hold recovered range against the truth"},
    {"export", cmd_export, "write a scan in other open formats"},
    {"check", cmd_check, "validate input files, or verify a scan's checksums"},
};
enum { COMMANDS = sizeof commands/sizeof *commands };

static void print_usage(FILE *to)
{
    fprintf(to, "lanternroom: what a spinning line-camera scanner head would record in a room\n\nusage: lanternroom COMMAND [words] [options]\n\ncommands:\n");
    for (int i = 0; i < COMMANDS; i++)
        fprintf(to, "  %-9s%s\n", commands[i].name, commands[i].about);
    fprintf(to, "\n'lanternroom COMMAND --help' tells the rest; --version the version.\n");
}

static int unknown(const char *word)
{
    const char *names[COMMANDS + 1] = {0};
    for (int i = 0; i < COMMANDS; i++)
        names[i] = commands[i].name;
    const char *near = lr_nearest_word(word, names);
    fprintf(stderr, "lanternroom: unknown command \"%s\"", word);
    fprintf(stderr, near ? "; did you mean \"%s\"?\n" : "; see 'lanternroom --help'\n", near);
    return CLI_WRONG;
}

int main(int argc, char **argv)
{
    if (argc < 2) {
        print_usage(stderr);
        return CLI_WRONG;
    }
    const char *word = argv[1];
    if (!strcmp(word, "--version") || !strcmp(word, "-V")) {
        printf("lanternroom %s\n", LR_VERSION);
        return CLI_FINE;
    }
    const int help = !strcmp(word, "help");
    if (!strcmp(word, "--help") || !strcmp(word, "-h") || (help && argc == 2)) {
        print_usage(stdout);
        return CLI_FINE;
    }
    char *help_argv[] = {argv[2], "--help", NULL};
    for (int i = 0; i < COMMANDS; i++) {
        if (help && !strcmp(argv[2], commands[i].name))
            return commands[i].run(2, help_argv);
        if (!strcmp(word, commands[i].name))
            return commands[i].run(argc - 1, argv + 1);
    }
    return unknown(help ? argv[2] : word);
}
