// SPDX-License-Identifier: Apache-2.0
// Files and folders: whole-file writes by rename, folders with parents, checksums.
#ifndef LR_CORE_FILE_H
#define LR_CORE_FILE_H

#include <stddef.h>
#include <stdint.h>

#include "core/status.h"

#define LR_PATH_MAX 1024

// "a/b" joined into out; RANGE if too long.
lr_status lr_path_join(char out[LR_PATH_MAX], const char *folder, const char *name, lr_error *err);
void lr_path_folder(char out[LR_PATH_MAX], const char *path);      // "a/b.json" -> "a", "b.json" -> "."
int lr_path_exists(const char *path);
lr_status lr_make_folders(const char *path, lr_error *err);        // with parents; fine if there. IO
// Reads a whole file or pipe, NUL added after the end (not counted). Caller frees. MISSING, MEMORY, IO, or RANGE above `most` bytes.
lr_status lr_file_read(const char *path, size_t most, char **data, size_t *length, lr_error *err);
// Writes beside, flushes to disk, renames over. The old file survives any failure. IO
lr_status lr_file_write(const char *path, const void *data, size_t length, lr_error *err);
// SHA-256 in hexadecimal of a whole file (FIPS 180-4, by libcrypto). IO, MISSING
lr_status lr_file_sha256(const char *path, char hex[65], lr_error *err);
void lr_sha256(const void *data, size_t length, char hex[65]);  // "" if libcrypto runs out of memory

// A file written piece by piece under a temporary name (PATH.PID.partial) and renamed when finished. A device or a
// pipe is written directly. After open, call exactly one of finish or drop.
typedef struct lr_file_draft {
    int fd;
    char path[LR_PATH_MAX], temporary[LR_PATH_MAX + 32];  // temporary empty: written directly
} lr_file_draft;
lr_status lr_draft_open(const char *path, lr_file_draft *draft, lr_error *err);                        // IO
lr_status lr_draft_write(lr_file_draft *draft, const void *data, size_t length, lr_error *err);        // IO
lr_status lr_draft_finish(lr_file_draft *draft, lr_error *err);  // flush to disk, rename; on failure dropped. IO
void lr_draft_drop(lr_file_draft *draft);

#endif
