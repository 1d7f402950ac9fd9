// SPDX-License-Identifier: Apache-2.0
// A folder of small files for tests of what is loaded from disk.
#ifndef LR_TESTS_SCENE_FOLDER_H
#define LR_TESTS_SCENE_FOLDER_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/file.h"

static char folder[LR_PATH_MAX];

static inline int folder_make(void **state)
{
    (void)state;
    const char *base = getenv("TMPDIR");
    snprintf(folder, sizeof folder, "%.900s/lr_scene_XXXXXX", base && *base ? base : "/tmp");
    return mkdtemp(folder) ? 0 : -1;
}

static inline int folder_remove(void **state)
{
    (void)state;
    char command[LR_PATH_MAX + 16];
    snprintf(command, sizeof command, "rm -r '%s'", folder);
    return system(command);
}

static inline const char *folder_path(const char *name)
{
    static char path[LR_PATH_MAX];
    if (lr_path_join(path, folder, name, NULL) != LR_OK)
        abort();
    return path;
}

static inline const char *folder_write_bytes(const char *name, const void *bytes, size_t length)
{
    const char *path = folder_path(name);
    if (lr_file_write(path, bytes, length, NULL) != LR_OK)
        abort();
    return path;
}

static inline const char *folder_write(const char *name, const char *text) { return folder_write_bytes(name, text, strlen(text)); }

#endif
