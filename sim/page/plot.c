// SPDX-License-Identifier: Apache-2.0
#include "page/plot.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <spawn.h>
#include <stdio.h>
#include <string.h>
#include <sys/wait.h>

#include "core/file.h"

extern char **environ;

static lr_status write_text(const char *folder, const char *name, const char *ending, const lr_text *text, lr_error *err)
{
    char file[256], path[LR_PATH_MAX];
    if (text->failed)
        return lr_fail(err, LR_ERR_MEMORY, "%s%s: out of memory", name, ending);
    snprintf(file, sizeof file, "%s%s", name, ending);
    LR_TRY(lr_path_join(path, folder, file, err));
    return lr_file_write(path, text->data ? text->data : "", text->length, err);
}

// Told apart by people who see colours differently, and on paper.
static const char colours[] =
    "set linetype 1 lc rgb '#1f5a93'\nset linetype 2 lc rgb '#c8553d'\nset linetype 3 lc rgb '#2d8659'\nset linetype 4 lc rgb '#8a5a9e'\n"
    "set linetype 5 lc rgb '#b8862b'\nset linetype 6 lc rgb '#3b9db3'\nset linetype 7 lc rgb '#6b6b6b'\nset linetype 8 lc rgb '#a83263'\n";

lr_status lr_plot_write(const char *folder, const lr_plot *plot, const lr_text *csv, lr_error *err)
{
    lr_text script = {0};
    lr_text_add(&script, "# Draws %s.svg and %s.png: gnuplot %s.gp\n", plot->name, plot->name, plot->name);
    lr_text_add(&script, "set datafile separator comma\nset datafile missing 'nan'\nset encoding utf8\nset grid lc rgb '#d0d0d0'\n%s%s", colours, plot->settings);
    lr_text_add(&script, "set terminal svg size %d,%d dynamic background rgb 'white'\nset output '%s.svg'\n%s\n", plot->width, plot->height, plot->name, plot->command);
    lr_text_add(&script, "set terminal pngcairo size %d,%d\nset output '%s.png'\n%s\n", plot->width, plot->height, plot->name, plot->command);
    lr_status s = write_text(folder, plot->name, ".csv", csv, err);
    if (s == LR_OK) s = write_text(folder, plot->name, ".gp", &script, err);
    lr_text_free(&script);
    return s;
}

// In the folder itself, its talk thrown away. Returns the exit code, or -1 if it could not be started.
static int run_gnuplot(const char *folder, const char *script)
{
    char *const words[] = {(char *)"gnuplot", (char *)script, NULL};
    posix_spawn_file_actions_t actions;
    pid_t child;
    int status = -1;
    if (posix_spawn_file_actions_init(&actions))
        return -1;
    if (!posix_spawn_file_actions_addchdir_np(&actions, folder) &&
        !posix_spawn_file_actions_addopen(&actions, 0, "/dev/null", O_RDONLY, 0) &&
        !posix_spawn_file_actions_addopen(&actions, 1, "/dev/null", O_WRONLY, 0) &&
        !posix_spawn_file_actions_addopen(&actions, 2, "/dev/null", O_WRONLY, 0) && !posix_spawnp(&child, words[0], &actions, NULL, words, environ)) {
        pid_t done;
        while ((done = waitpid(child, &status, 0)) < 0 && errno == EINTR)
            ;
        status = done == child && WIFEXITED(status) ? WEXITSTATUS(status) : 126;
    }
    posix_spawn_file_actions_destroy(&actions);
    return status == 127 ? -1 : status;   // 127: some systems find out in the child only
}

lr_status lr_plot_draw(const char *folder, const char *name, int *drawn, lr_error *err)
{
    char script[256];
    snprintf(script, sizeof script, "%s.gp", name);
    const int code = run_gnuplot(folder, script);
    *drawn = code == 0;
    if (code > 0)
        return lr_fail(err, LR_ERR_IO, "%s/%s: gnuplot could not draw it (exit code %d)", folder, script, code);
    return LR_OK;
}

void lr_csv_number(lr_text *csv, double value)
{
    if (isfinite(value))
        lr_text_add(csv, "%.7g", value);
    else
        lr_text_add(csv, "nan");
}
