// SPDX-License-Identifier: Apache-2.0
#include "scan/scan_folder.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

static lr_status fault(const char *path, const char *what, lr_error *err)
{
    return lr_fail(err, LR_ERR_IO, "%.300s: %s: %s", path, what, strerror(errno));
}

static int is_ours_in_progress(const char *name)
{
    static const char *const starts[] = {"lock", "plan.json", "shard-", "draft"};
    for (size_t i = 0; i < sizeof starts/sizeof *starts; i++)
        if (strncmp(name, starts[i], strlen(starts[i])) == 0)
            return 1;
    return 0;
}

static int is_dots(const char *name) { return strcmp(name, ".") == 0 || strcmp(name, "..") == 0; }

// 1 if every name in the folder passes; a folder that is not there has no names. -1: cannot be read.
static int all_names(const char *path, int (*pass)(const char *name))
{
    DIR *folder = opendir(path);
    if (!folder)
        return errno == ENOENT ? 1 : -1;
    int good = 1;
    for (const struct dirent *entry; (entry = readdir(folder));)
        good = good && (is_dots(entry->d_name) || pass(entry->d_name));
    closedir(folder);
    return good;
}

static int is_progress(const char *name) { return strcmp(name, "progress") == 0; }

lr_status lr_folder_look(const char *folder, lr_folder_kind *kind, lr_error *err)
{
    char scan[LR_PATH_MAX], plan[LR_PATH_MAX], progress[LR_PATH_MAX];
    LR_TRY(lr_path_join(scan, folder, "scan.json", err));
    LR_TRY(lr_path_join(progress, folder, "progress", err));
    LR_TRY(lr_path_join(plan, folder, "progress/plan.json", err));
    if (lr_path_exists(scan))
        *kind = LR_FOLDER_FINISHED;
    else if (lr_path_exists(plan))
        *kind = LR_FOLDER_UNFINISHED;
    else {
        const int top = all_names(folder, is_progress), inside = top > 0 ? all_names(progress, is_ours_in_progress) : top;
        if (inside < 0)
            return fault(folder, "cannot be read", err);
        *kind = inside ? LR_FOLDER_FREE : LR_FOLDER_FOREIGN;
    }
    return LR_OK;
}

static int same_file(int fd, const char *path)
{
    struct stat a, b;
    return fstat(fd, &a) == 0 && stat(path, &b) == 0 && a.st_dev == b.st_dev && a.st_ino == b.st_ino;
}

lr_status lr_folder_lock(const char *folder, int *fd, lr_error *err)
{
    char progress[LR_PATH_MAX], path[LR_PATH_MAX];
    LR_TRY(lr_path_join(progress, folder, "progress", err));
    LR_TRY(lr_path_join(path, progress, "lock", err));
    for (;;) {
        LR_TRY(lr_make_folders(progress, err));
        *fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0666);
        if (*fd < 0 && errno == ENOENT)
            continue;  // whoever finished the scan took the folder away in between
        if (*fd < 0)
            return fault(path, "cannot be opened", err);
        while (flock(*fd, LOCK_EX) != 0) {
            if (errno == EINTR)
                continue;
            close(*fd);
            *fd = -1;
            return fault(path, "cannot be locked", err);
        }
        if (same_file(*fd, path))
            return LR_OK;
        close(*fd);  // the lock of a folder that has gone
    }
}

void lr_folder_unlock(int fd)
{
    if (fd >= 0)
        close(fd);
}

lr_status lr_folder_make_parents(const char *folder, const char *path, lr_error *err)
{
    char whole[LR_PATH_MAX], parent[LR_PATH_MAX];
    LR_TRY(lr_path_join(whole, folder, path, err));
    lr_path_folder(parent, whole);
    return lr_make_folders(parent, err);
}

void lr_folder_sync(const char *folder, const char *path)
{
    char part[LR_PATH_MAX];
    if (lr_path_join(part, folder, path, NULL) != LR_OK)
        return;
    for (size_t least = strlen(folder); strlen(part) > least;) {
        char parent[LR_PATH_MAX];
        lr_path_folder(parent, part);
        const int fd = open(parent, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
        if (fd >= 0) {
            (void)fsync(fd);
            close(fd);
        }
        memcpy(part, parent, sizeof part);
    }
}

lr_status lr_folder_write(const char *folder, const char *path, const void *data, size_t length, lr_error *err)
{
    char draft[LR_PATH_MAX], whole[LR_PATH_MAX];
    LR_TRY(lr_path_join(draft, folder, "progress/draft", err));
    LR_TRY(lr_path_join(whole, folder, path, err));
    LR_TRY(lr_folder_make_parents(folder, path, err));
    LR_TRY(lr_file_write(draft, data, length, err));
    if (rename(draft, whole) != 0)
        return fault(whole, "cannot be written", err);
    lr_folder_sync(folder, path);
    return LR_OK;
}

lr_status lr_folder_reopen(const char *folder, lr_error *err)
{
    char scan[LR_PATH_MAX], plan[LR_PATH_MAX];
    LR_TRY(lr_path_join(scan, folder, "scan.json", err));
    LR_TRY(lr_path_join(plan, folder, "progress/plan.json", err));
    if (rename(scan, plan) != 0)
        return fault(scan, "cannot be taken back", err);
    lr_folder_sync(folder, "progress/plan.json");
    return LR_OK;
}

static lr_status remove_file(const char *folder, const char *path, lr_error *err)
{
    char whole[LR_PATH_MAX];
    LR_TRY(lr_path_join(whole, folder, path, err));
    if (unlink(whole) != 0 && errno != ENOENT && errno != ENOTDIR)
        return fault(whole, "cannot be removed", err);
    return LR_OK;
}

// What we made in progress/; `keep`: but for the plan and the lock. The plan goes late: without it, and before scan.json is
// there, the folder would count as someone else's.
static void drop_progress(const char *folder, int keep)
{
    char progress[LR_PATH_MAX], path[LR_PATH_MAX];
    if (lr_path_join(progress, folder, "progress", NULL) != LR_OK)
        return;
    DIR *names = opendir(progress);
    if (!names)
        return;
    for (const struct dirent *entry; (entry = readdir(names));)
        if (is_ours_in_progress(entry->d_name) && strcmp(entry->d_name, "plan.json") != 0 && strcmp(entry->d_name, "lock") != 0 &&
            lr_path_join(path, progress, entry->d_name, NULL) == LR_OK)
            (void)unlink(path);
    closedir(names);
    if (keep)
        return;
    (void)remove_file(folder, "progress/plan.json", NULL);
    (void)remove_file(folder, "progress/lock", NULL);
    (void)rmdir(progress);
}

static int remove_any(const char *path, const struct stat *info, int kind, struct FTW *place)
{
    (void)info, (void)kind, (void)place;
    return remove(path);
}

lr_status lr_folder_clear(const char *folder, const lr_scan *scan, lr_error *err)
{
    char whole[LR_PATH_MAX];
    LR_TRY(remove_file(folder, "sha256sums.txt", err));
    LR_TRY(remove_file(folder, "calibration.json", err));
    for (int i = 0; i < scan->array_count; i++) {
        LR_TRY(remove_file(folder, scan->array[i].path, err));
        LR_TRY(lr_path_join(whole, folder, scan->array[i].path, err));
        char *slash = strrchr(whole, '/');
        if (slash && (size_t)(slash - whole) > strlen(folder)) {
            *slash = '\0';
            (void)rmdir(whole);  // stays while anything is in it
        }
    }
    LR_TRY(lr_path_join(whole, folder, "truth", err));  // all of it is ours
    if (nftw(whole, remove_any, 16, FTW_DEPTH | FTW_PHYS) != 0 && errno != ENOENT)
        return fault(whole, "cannot be removed", err);
    drop_progress(folder, 1);
    return LR_OK;
}

void lr_folder_drop_progress(const char *folder) { drop_progress(folder, 0); }
