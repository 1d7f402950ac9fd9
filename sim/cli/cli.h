// SPDX-License-Identifier: Apache-2.0
// What all commands share: one table that parses options, prints help and shows defaults; input files with overrides;
// messages and exit codes. Results go to stdout, everything else to stderr.
#ifndef LR_CLI_CLI_H
#define LR_CLI_CLI_H

#include <stdint.h>

#include "core/json.h"
#include "core/status.h"

enum { CLI_FINE = 0, CLI_FAILED = 1, CLI_WRONG = 2, CLI_INTERRUPTED = 130, CLI_GO = -1 };

typedef enum cli_kind { CLI_KIND_END, CLI_KIND_FLAG, CLI_KIND_INT, CLI_KIND_NUMBER, CLI_KIND_SEED, CLI_KIND_TEXT, CLI_KIND_CHOICE, CLI_KIND_PAIR, CLI_KIND_SET } cli_kind;

typedef struct cli_option {
    cli_kind kind;
    char letter;                 // 0: none
    const char *name;            // without dashes
    const char *argument;        // word for help
    void *value;                 // int, uint64_t, const char *, int (choice), double[2]; its present content is the default
    const char *const *choices;
    double lo, hi;               // INT
    const char *about;           // NULL: taken, but not in the help
} cli_option;

#define CLI_MAX_SETS 256
typedef struct cli_common {      // options of every command
    int set_count;
    const char *set[CLI_MAX_SETS];
    uint64_t seed;
    int threads;
    int quiet, json;
} cli_common;

// The rows every command ends its table with. All of them are taken everywhere, so that one set of words does for every command;
// help lists those of `uses` (CLI_USES_...), which change something.
enum { CLI_USES_NONE = 0, CLI_USES_SET = 1, CLI_USES_SEED = 2, CLI_USES_THREADS = 4 };
#define CLI_COMMON(c, uses)                                                                                                        \
    {CLI_KIND_SET, 0, "set", "PATH=VALUE", (c), 0, 0, 0, (uses) & CLI_USES_SET ? "override an input value, for example head.spin.rev_per_s=4; may be repeated" : 0}, \
    {CLI_KIND_SEED, 0, "seed", "N", &(c)->seed, 0, 0, 0, (uses) & CLI_USES_SEED ? "seed of all random numbers" : 0},                 \
    {CLI_KIND_INT, 0, "threads", "N", &(c)->threads, 0, 0, 4096, (uses) & CLI_USES_THREADS ? "worker threads; 0: as many as this process may use" : 0}, \
    {CLI_KIND_FLAG, 'q', "quiet", 0, &(c)->quiet, 0, 0, 0, "say nothing but errors"},                                                \
    {CLI_KIND_FLAG, 0, "json", 0, &(c)->json, 0, 0, 0, "results as one JSON object on stdout"},                                      \
    {CLI_KIND_END, 0, 0, 0, 0, 0, 0, 0, 0}

typedef struct cli_command {
    const char *name, *words, *about;   // "scan", "SCENE HEAD", one paragraph for help
    int least, most;                    // number of words
} cli_command;

// Fills values and words[]. CLI_GO, or the exit code after --help (0) and wrong use (2).
int cli_parse(const cli_command *command, const cli_option *options, int argc, char **argv, const char **words, int *count);

// An input file with the overrides that begin with `prefix` ("scene"; NULL: none) applied. Free with cli_input_free.
typedef struct cli_input { const char *path; char *verbatim; lr_json *json; } cli_input;
lr_status cli_input_load(const char *path, const char *prefix, const cli_common *common, cli_input *out, lr_error *err);
void cli_input_free(cli_input *input);
lr_status cli_apply_sets(const cli_common *common, const char *prefix, lr_json *json, lr_error *err);
// RANGE if an override begins with none of the prefixes (ends in NULL; none: the command reads a scan, whose inputs are settled).
lr_status cli_check_sets(const cli_common *common, const char *const *prefixes, lr_error *err);

// One line on stderr for a failure; the exit code.
int cli_exit(lr_status status, const lr_error *err);

// A bar on stderr, only when that is a terminal and not `quiet`. Returns non-zero once the user has pressed Ctrl-C.
typedef struct cli_progress { int shown; const char *what; double start_s, last_s; int64_t first; } cli_progress;
void cli_progress_start(cli_progress *progress, const char *what, int quiet);
int cli_progress_show(cli_progress *progress, int64_t done, int64_t total);
void cli_progress_end(cli_progress *progress);

void cli_catch_interrupt(void);   // first Ctrl-C asks to stop, the second stops at once
double cli_now_s(void);
double cli_peak_memory_mb(void);  // of this process so far
// "lanternroom 0.1.0: COMMAND LINE: 12.3 s, 312 MB" on stderr unless quiet.
void cli_closing_line(int argc, char **argv, double seconds, int quiet);

int cmd_scan(int argc, char **argv);
int cmd_budget(int argc, char **argv);
int cmd_check(int argc, char **argv);
int cmd_depth(int argc, char **argv);
int cmd_score(int argc, char **argv);
int cmd_export(int argc, char **argv);

#endif
