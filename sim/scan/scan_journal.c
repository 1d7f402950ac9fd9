// SPDX-License-Identifier: Apache-2.0
#include "scan/scan_journal.h"

#include <assert.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/rng.h"

#define DIGITS 16
#define RECORD 26  // bytes: DIGITS of the block, a space, 8 of the check, a newline; hexadecimal

int64_t lr_journal_blocks(const lr_scan *scan)
{
    assert(scan->block_lines > 0);
    return (scan->line_count - 1)/scan->block_lines + 1;
}

static uint32_t key_of(const lr_scan *scan)
{
    uint32_t key = lr_hash((uint32_t)scan->block_lines, (uint32_t)(scan->block_lines >> 32));
    for (const char *at = scan->fingerprint; *at; at++)
        key = lr_hash(key, (uint32_t)(unsigned char)*at);
    return key;
}

static void make_record(uint32_t key, int64_t block, char out[RECORD + 1])
{
    const uint32_t check = lr_hash(lr_hash(key, (uint32_t)block), (uint32_t)(block >> 32));
    snprintf(out, RECORD + 1, "%016" PRIx64 " %08" PRIx32 "\n", (uint64_t)block, check);
}

// Walks the good records from the start; returns their bytes. The first bad one ends the journal.
static int64_t walk(const char *text, size_t length, uint32_t key, int64_t blocks, uint8_t *done)
{
    size_t at = 0;
    for (; at + RECORD <= length; at += RECORD) {
        char want[RECORD + 1];
        int64_t block = 0;
        for (size_t i = 0; i < DIGITS; i++) {
            static const char digits[] = "0123456789abcdef";
            const char *found = memchr(digits, text[at + i], sizeof digits - 1);
            if (!found || block >= blocks)
                return (int64_t)at;
            block = 16*block + (found - digits);
        }
        make_record(key, block, want);
        if (block >= blocks || memcmp(text + at, want, RECORD) != 0)
            return (int64_t)at;
        if (done)
            done[block] = 1;
    }
    return (int64_t)at;
}

static lr_status fault(const lr_journal *journal, const char *what, lr_error *err)
{
    return lr_fail(err, LR_ERR_IO, "%.300s: %s: %s", journal->path, what, strerror(errno));
}

static lr_status cut_and_reserve(lr_journal *journal, const lr_scan *scan, int64_t room, lr_error *err)
{
    char *text = NULL;
    size_t length = 0;
    LR_TRY(lr_file_read(journal->path, SIZE_MAX/4, &text, &length, err));
    journal->used = walk(text, length, journal->key, lr_journal_blocks(scan), NULL);
    free(text);
    if (ftruncate(journal->fd, journal->used) != 0)
        return fault(journal, "cannot be cut", err);
    // Taken now, so that a disk that fills up later cannot keep finished blocks from being marked. The room reads as zeros.
    errno = room > 0 ? posix_fallocate(journal->fd, journal->used, room*RECORD) : 0;
    if (errno != 0)
        return fault(journal, "no room to mark finished blocks", err);
    return fsync(journal->fd) == 0 ? LR_OK : fault(journal, "cannot be put on disk", err);
}

lr_status lr_journal_open(const char *progress, int shard, int shard_count, const lr_scan *scan, int64_t room, lr_journal *out, lr_error *err)
{
    *out = (lr_journal){.fd = -1, .key = key_of(scan)};
    char name[48];
    snprintf(name, sizeof name, "shard-%d-of-%d", shard, shard_count);
    LR_TRY(lr_path_join(out->path, progress, name, err));
    out->fd = open(out->path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0666);
    if (out->fd < 0)
        return fault(out, "cannot be opened", err);
    lr_status status = LR_OK;
    if (flock(out->fd, LOCK_EX | LOCK_NB) != 0)
        status = errno == EWOULDBLOCK ? lr_fail(err, LR_ERR_RANGE, "%.300s: another process is writing this part of the scan", out->path)
                                      : fault(out, "cannot be locked", err);
    if (status == LR_OK)
        status = cut_and_reserve(out, scan, room, err);
    if (status != LR_OK)
        lr_journal_close(out);
    return status;
}

void lr_journal_close(lr_journal *journal)
{
    if (journal->fd >= 0)
        close(journal->fd);
    journal->fd = -1;
}

lr_status lr_journal_append(lr_journal *journal, int64_t count, const int64_t *block, lr_error *err)
{
    const size_t bytes = (size_t)count*RECORD;
    char *text = malloc(bytes + 1);
    if (!text)
        return lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", journal->path);
    for (int64_t i = 0; i < count; i++)
        make_record(journal->key, block[i], text + i*RECORD);

    size_t written = 0;
    while (written < bytes) {
        const ssize_t n = pwrite(journal->fd, text + written, bytes - written, journal->used + (int64_t)written);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            break;
        written += (size_t)n;
    }
    free(text);
    if (written < bytes || fdatasync(journal->fd) != 0)
        return fault(journal, "finished blocks cannot be marked", err);
    journal->used += (int64_t)bytes;
    return LR_OK;
}

// Calls `visit` for every journal in the folder; a folder that is not there has none.
typedef lr_status (*visitor)(const char *path, void *context, lr_error *err);

static lr_status for_each(const char *progress, visitor visit, void *context, lr_error *err)
{
    DIR *folder = opendir(progress);
    if (!folder)
        return errno == ENOENT ? LR_OK : lr_fail(err, LR_ERR_IO, "%.300s: cannot be read: %s", progress, strerror(errno));
    lr_status status = LR_OK;
    for (const struct dirent *entry; status == LR_OK && (entry = readdir(folder));) {
        char path[LR_PATH_MAX];
        if (strncmp(entry->d_name, "shard-", 6) != 0)
            continue;
        status = lr_path_join(path, progress, entry->d_name, err);
        if (status == LR_OK)
            status = visit(path, context, err);
    }
    closedir(folder);
    return status;
}

typedef struct collector { const lr_scan *scan; uint8_t *done; } collector;

static lr_status collect(const char *path, void *context, lr_error *err)
{
    const collector *c = context;
    char *text = NULL;
    size_t length = 0;
    const lr_status status = lr_file_read(path, SIZE_MAX/4, &text, &length, err);
    if (status == LR_ERR_MISSING)
        return LR_OK;  // the scan has just been finished
    if (status == LR_OK)
        walk(text, length, key_of(c->scan), lr_journal_blocks(c->scan), c->done);
    free(text);
    return status;
}

lr_status lr_journal_collect(const char *progress, const lr_scan *scan, uint8_t *done, lr_error *err)
{
    collector c = {scan, done};
    return for_each(progress, collect, &c, err);
}

static lr_status see_idle(const char *path, void *context, lr_error *err)
{
    (void)context;
    const int fd = open(path, O_RDONLY | O_CLOEXEC);
    const int held = fd >= 0 && flock(fd, LOCK_EX | LOCK_NB) != 0 && errno == EWOULDBLOCK;
    if (fd >= 0)
        close(fd);
    return held ? lr_fail(err, LR_ERR_RANGE, "%.300s: another process is writing this scan", path) : LR_OK;
}

lr_status lr_journal_idle(const char *progress, lr_error *err)
{
    return for_each(progress, see_idle, NULL, err);
}
