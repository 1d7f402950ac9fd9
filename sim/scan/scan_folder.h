// SPDX-License-Identifier: Apache-2.0
// A scan's folder as such: whose it is, one writer setting it up at a time, files that appear whole or not at all.
// While a scan is unfinished, progress/ holds plan.json (scan.json without checksums), a lock, journals and drafts: a
// kill leaves its debris there only, and it goes with the folder. Private to the writer of scans.
#ifndef LR_SCAN_SCAN_FOLDER_H
#define LR_SCAN_SCAN_FOLDER_H

#include <stddef.h>

#include "core/file.h"
#include "scan/scan.h"

typedef enum lr_folder_kind {
    LR_FOLDER_FREE,        // empty, or left by a writer that was killed before it had begun
    LR_FOLDER_UNFINISHED,  // has progress/plan.json and no scan.json
    LR_FOLDER_FINISHED,    // has scan.json
    LR_FOLDER_FOREIGN,     // anything else
} lr_folder_kind;

lr_status lr_folder_look(const char *folder, lr_folder_kind *kind, lr_error *err);  // IO

// Makes progress/ and waits for its lock; *fd is released by lr_folder_unlock. IO
lr_status lr_folder_lock(const char *folder, int *fd, lr_error *err);
void lr_folder_unlock(int fd);

// Writes folder/path with its parents by way of progress/, on disk when it returns. Under the lock. IO
lr_status lr_folder_write(const char *folder, const char *path, const void *data, size_t length, lr_error *err);
lr_status lr_folder_make_parents(const char *folder, const char *path, lr_error *err);  // IO
void lr_folder_sync(const char *folder, const char *path);  // the names of folder/path and of its parents, as far as the file system can

// Turns a finished scan into an unfinished one in one step (scan.json becomes the plan). Under the lock. IO
lr_status lr_folder_reopen(const char *folder, lr_error *err);
// Removes every file of the scan that `scan` describes, but for progress/plan.json and the lock. Under the lock. Other files stay. IO
lr_status lr_folder_clear(const char *folder, const lr_scan *scan, lr_error *err);
// Removes progress/ (what we made in it). Under the lock.
void lr_folder_drop_progress(const char *folder);

#endif
