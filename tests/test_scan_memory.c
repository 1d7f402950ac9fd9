// SPDX-License-Identifier: Apache-2.0
// Every allocation made to fail once while a scan is written, read and verified: MEMORY is said, nothing crashes, and the
// folder goes on to the same bytes. The linker sends malloc, calloc, realloc, strdup and free of our code through the
// functions below; those inside libcjson and the C library it cannot.
#include <string.h>

#include "close.h"
#include "scan/scan_reader.h"
#include "scan_job.h"

void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__real_realloc(void *old, size_t size);
char *__real_strdup(const char *text);
void __real_free(void *memory);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t count, size_t size);
void *__wrap_realloc(void *old, size_t size);
char *__wrap_strdup(const char *text);
void __wrap_free(void *memory);

static long countdown;  // fails the allocation that brings it to 0; 0: never
static int failed;
static long live;       // allocated and not yet freed

static int fails(void)
{
    if (countdown == 0 || --countdown > 0)
        return 0;
    failed = 1;
    return 1;
}

static void *count(void *memory)
{
    live += memory != NULL;
    return memory;
}

void *__wrap_malloc(size_t size) { return fails() ? NULL : count(__real_malloc(size)); }
void *__wrap_calloc(size_t n, size_t size) { return fails() ? NULL : count(__real_calloc(n, size)); }
char *__wrap_strdup(const char *text) { return fails() ? NULL : count(__real_strdup(text)); }
void *__wrap_realloc(void *old, size_t size)
{
    if (fails())
        return NULL;
    void *memory = __real_realloc(old, size);
    live += !old && memory;
    return memory;
}
void __wrap_free(void *memory)
{
    live -= memory != NULL;
    __real_free(memory);
}

int fsync(int fd) { return fd < 0; }      // waiting for the disk is not what is tested here
int fdatasync(int fd) { return fd < 0; }

static lr_status write_and_read(job *j, const char *folder)
{
    int finished = 0;
    lr_scan_reader *reader = NULL;
    LR_TRY(run(j, 1, &finished, NULL));
    LR_TRY(lr_scan_reader_open(folder, &reader, NULL));
    lr_scan_reader_close(reader);
    return lr_scan_check(folder, 1, NULL, NULL, NULL);
}

static void no_failed_allocation_is_missed(void **state)
{
    (void)state;
    char top[LR_PATH_MAX], folder[LR_PATH_MAX];
    fixture_folder(top);
    inside(folder, top, "scan");
    job *j = job_create(folder);
    j->def.block_lines = LINES;
    const long before = live;
    assert_int_equal(write_and_read(j, folder), LR_OK);
    assert_int_equal(live, before);          // nothing leaks when all goes well
    char *want = fixture_digest(folder);

    long n = 1;
    for (;; n++) {
        fixture_remove(folder);
        const long had = live;               // listing folders frees what the C library allocated
        failed = 0;
        countdown = n;
        const lr_status status = write_and_read(j, folder);
        countdown = 0;
        assert_int_equal(live, had);         // nor when it does not
        if (!failed)
            break;
        assert_int_equal(status, LR_ERR_MEMORY);
        if (n % 16 == 0) {
            assert_int_equal(write_and_read(j, folder), LR_OK);
            char *got = fixture_digest(folder);
            assert_string_equal(got, want);
            free(got);
        }
    }
    assert_true(n > 100);                    // the sweep did meet the allocations it is about
    free(want);
    job_destroy(j);
    fixture_remove(top);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(no_failed_allocation_is_missed)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
