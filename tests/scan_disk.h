// SPDX-License-Identifier: Apache-2.0
// The disk under the tests of scan writing. pwrite, fsync, fdatasync and posix_fallocate are defined here in place of the
// C library's, to see the order in which things reach the disk and to fail at will.
#ifndef LR_TESTS_SCAN_DISK_H
#define LR_TESTS_SCAN_DISK_H

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/syscall.h>

#include "close.h"
#include "scan/scan_reader.h"
#include "scan_job.h"

// ---- Between the writer and the system ----

enum { MOST_FDS = 256 };
static struct {
    int watching;
    long clock, journal_records;
    long wrote[MOST_FDS], synced[MOST_FDS];   // when each file was last written, put on disk
    long out_of_order;                        // records written while an array had data not on disk
    long fail_pwrite, fail_sync, fail_room;   // countdowns: the call that brings one to 0 fails; 0: never
} disk;

static inline int is_journal(int fd)
{
    char link[64], name[LR_PATH_MAX] = "";
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    const ssize_t length = readlink(link, name, sizeof name - 1);
    return length > 0 && strstr(name, "/progress/shard-") != NULL;
}

static inline int now_fails(long *countdown, int number)
{
    if (*countdown == 0 || --*countdown > 0)
        return 0;
    errno = number;
    return 1;
}

ssize_t pwrite(int fd, const void *data, size_t length, off_t offset)
{
    if (now_fails(&disk.fail_pwrite, ENOSPC))
        return -1;
    if (disk.watching && fd < MOST_FDS) {
        if (is_journal(fd)) {
            disk.journal_records++;
            for (int i = 0; i < MOST_FDS; i++)
                disk.out_of_order += disk.wrote[i] > disk.synced[i] && !is_journal(i);
        }
        disk.wrote[fd] = ++disk.clock;
    }
    return syscall(SYS_pwrite64, fd, data, length, offset);
}

int fdatasync(int fd)
{
    if (now_fails(&disk.fail_sync, EIO))
        return -1;
    if (disk.watching && fd < MOST_FDS)
        disk.synced[fd] = ++disk.clock;
    return 0;  // a kill does not need the disk, and waiting for it takes most of the time of these tests
}

int fsync(int fd)
{
    (void)fd;
    return 0;
}

int posix_fallocate(int fd, off_t offset, off_t length)
{
    if (now_fails(&disk.fail_room, ENOSPC))
        return ENOSPC;
    return syscall(SYS_fallocate, fd, 0, offset, length) == 0 ? 0 : errno;
}

// Folder names for a test, and the digest of a run nothing disturbed.
typedef struct place { char top[LR_PATH_MAX], plain[LR_PATH_MAX], other[LR_PATH_MAX]; char *want; } place;

static inline int set_up(void **state)
{
    place *p = calloc(1, sizeof *p);
    memset(&disk, 0, sizeof disk);
    fixture_folder(p->top);
    inside(p->plain, p->top, "plain");
    inside(p->other, p->top, "deep/other");
    run_well(p->plain, 1, BLOCK_LINES);
    p->want = fixture_digest(p->plain);
    *state = p;
    return 0;
}

static inline int tear_down(void **state)
{
    place *p = *state;
    fixture_remove(p->top);
    free(p->want);
    free(p);
    return 0;
}

static inline void same_as_plain(const place *p, const char *folder)
{
    char *got = fixture_digest(folder);
    assert_string_equal(got, p->want);
    free(got);
}

// Blocks the journal calls finished must hold their rows, whatever happened.
static inline int64_t ready_blocks_are_right(const char *folder)
{
    lr_scan_reader *reader = NULL;
    job *j = job_create(folder);
    int64_t ready = 0;
    if (lr_scan_reader_open(folder, &reader, NULL) == LR_OK) {
        for (int a = 0; a < ARRAYS; a++) {
            lr_npy_map map;
            uint8_t row[1024];
            const size_t bytes = row_bytes(&j->array[a]);
            if (lr_scan_reader_array(reader, j->array[a].path, &map, NULL) != LR_OK) {  // killed while it set up
                for (int64_t l = 0; l < LINES; l++)
                    assert_false(lr_scan_reader_ready(reader, l, 1));
                continue;
            }
            for (int64_t l = 0; l < LINES; l++) {
                if (!lr_scan_reader_ready(reader, l, 1))
                    continue;
                make_row(a, l, row, bytes);
                assert_memory_equal((const uint8_t *)map.data + (size_t)l*bytes, row, bytes);
                ready += a == 0;
            }
            lr_npy_close(&map);
        }
    }
    lr_scan_reader_close(reader);
    job_destroy(j);
    return ready;
}

#endif
