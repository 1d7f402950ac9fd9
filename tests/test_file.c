// SPDX-License-Identifier: Apache-2.0
#include "core/file.h"

#include <dirent.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "close.h"

static char folder[] = "/tmp/lr_test_file_XXXXXX";

static int make_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static int remove_folder(void **state)
{
    (void)state;
    char command[64];
    snprintf(command, sizeof command, "rm -r %s", folder);
    return system(command);
}

static const char *inside(const char *name)
{
    static char path[LR_PATH_MAX];
    assert_int_equal(lr_path_join(path, folder, name, NULL), LR_OK);
    return path;
}

static int count_entries(void)
{
    int count = -2;  // . and ..
    DIR *directory = opendir(folder);
    assert_non_null(directory);
    while (readdir(directory))
        count++;
    closedir(directory);
    return count;
}

static void paths(void **state)
{
    (void)state;
    char out[LR_PATH_MAX], longest[LR_PATH_MAX];
    assert_int_equal(lr_path_join(out, "a", "b", NULL), LR_OK);
    assert_string_equal(out, "a/b");
    assert_int_equal(lr_path_join(out, "a/", "b", NULL), LR_OK);
    assert_string_equal(out, "a/b");
    assert_int_equal(lr_path_join(out, "", "b", NULL), LR_OK);
    assert_string_equal(out, "b");
    memset(longest, 'x', sizeof longest);
    longest[LR_PATH_MAX - 2] = '\0';
    assert_int_equal(lr_path_join(out, "a", longest, NULL), LR_ERR_RANGE);  // 2 + 1022 bytes and a NUL
    assert_int_equal(lr_path_join(out, "a", longest + 1, NULL), LR_OK);
    assert_int_equal(strlen(out), LR_PATH_MAX - 1);
    lr_path_folder(out, "a/b.json");
    assert_string_equal(out, "a");
    lr_path_folder(out, "b.json");
    assert_string_equal(out, ".");
    lr_path_folder(out, "/b.json");
    assert_string_equal(out, "/");
}

static void folders_with_parents(void **state)
{
    (void)state;
    lr_error err;
    const char *path = inside("p/q/r");
    assert_false(lr_path_exists(path));
    assert_int_equal(lr_make_folders(path, &err), LR_OK);
    assert_true(lr_path_exists(path));
    assert_int_equal(lr_make_folders(path, &err), LR_OK);
    assert_int_equal(lr_make_folders(inside("s/t/"), &err), LR_OK);
    assert_int_equal(lr_file_write(inside("p/file"), "x", 1, &err), LR_OK);
    assert_int_equal(lr_make_folders(inside("p/file/z"), &err), LR_ERR_IO);
    char want[300];
    snprintf(want, sizeof want, "%s/p/file: cannot make this folder: File exists", folder);
    assert_string_equal(err.text, want);
    assert_int_equal(lr_make_folders("", &err), LR_ERR_IO);
}

static void writing_and_reading(void **state)
{
    (void)state;
    char *data;
    size_t length;
    lr_error err = {0};
    const char *path = inside("data");
    char large[20000];
    for (size_t i = 0; i < sizeof large; i++)
        large[i] = (char)(i*7);
    const int before = count_entries();
    assert_int_equal(lr_file_write(path, large, sizeof large, &err), LR_OK);
    assert_int_equal(lr_file_write(path, large, sizeof large, &err), LR_OK);  // over itself
    assert_int_equal(count_entries(), before + 1);                            // nothing left beside
    assert_int_equal(lr_file_read(path, sizeof large, &data, &length, &err), LR_OK);
    assert_int_equal(length, sizeof large);
    assert_memory_equal(data, large, sizeof large);
    assert_int_equal(data[length], 0);
    free(data);
    assert_int_equal(lr_file_read(path, sizeof large - 1, &data, &length, &err), LR_ERR_RANGE);
    assert_null(data);
    assert_int_equal(lr_file_write(path, "", 0, &err), LR_OK);
    assert_int_equal(lr_file_read(path, 10, &data, &length, &err), LR_OK);
    assert_int_equal(length, 0);
    free(data);
    assert_int_equal(lr_file_read("/no/such/file", 10, &data, &length, &err), LR_ERR_MISSING);
    assert_string_equal(err.text, "/no/such/file: cannot be opened: No such file or directory");
}

// A pipe tells no size, so the buffer has to grow.
static void reading_a_pipe(void **state)
{
    (void)state;
    char command[2*LR_PATH_MAX], *data;
    size_t length;
    lr_error err = {0};
    const char *path = inside("pipe");
    assert_int_equal(mkfifo(path, 0600), 0);
    snprintf(command, sizeof command, "head -c 20000 /dev/zero >%s &", path);
    assert_int_equal(system(command), 0);
    assert_int_equal(lr_file_read(path, 1 << 20, &data, &length, &err), LR_OK);
    assert_int_equal(length, 20000);
    free(data);
    assert_int_equal(system(command), 0);
    assert_int_equal(lr_file_read(path, 10000, &data, &length, &err), LR_ERR_RANGE);
    assert_null(data);
}

static void a_failed_write_leaves_the_old_file(void **state)
{
    (void)state;
    lr_error err;
    char *data;
    size_t length;
    const char *path = inside("kept");
    assert_int_equal(lr_file_write(path, "old", 3, &err), LR_OK);
    lr_file_draft draft;
    assert_int_equal(lr_draft_open(path, &draft, &err), LR_OK);
    assert_int_equal(lr_draft_write(&draft, "new", 3, &err), LR_OK);
    lr_draft_drop(&draft);
    lr_draft_drop(&draft);
    assert_int_equal(lr_file_read(path, 10, &data, &length, &err), LR_OK);
    assert_string_equal(data, "old");
    free(data);

    assert_int_equal(lr_file_write("/dev/full", "x", 1, &err), LR_ERR_IO);  // the kernel's own full disk
    assert_string_equal(err.text, "/dev/full: cannot be written: No space left on device");
    assert_int_equal(lr_file_write("/no/such/folder/x", "x", 1, &err), LR_ERR_IO);
    assert_string_equal(err.text, "/no/such/folder/x: cannot be written: No such file or directory");
    assert_int_equal(lr_file_write(folder, "x", 1, &err), LR_ERR_IO);
    assert_int_equal(lr_file_write("/dev/null", "x", 1, &err), LR_OK);
}

// Source: the examples of FIPS 180-2 appendix B (one block, two blocks, a million 'a'), and the hash of nothing.
static void sha256(void **state)
{
    (void)state;
    char hex[65];
    lr_error err;
    lr_sha256("abc", 3, hex);
    assert_string_equal(hex, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    lr_sha256("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq", 56, hex);
    assert_string_equal(hex, "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
    lr_sha256("", 0, hex);
    assert_string_equal(hex, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    char *million = malloc(1000000);
    assert_non_null(million);
    memset(million, 'a', 1000000);
    const char *path = inside("million");
    assert_int_equal(lr_file_write(path, million, 1000000, &err), LR_OK);
    free(million);
    assert_int_equal(lr_file_sha256(path, hex, &err), LR_OK);
    assert_string_equal(hex, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
    assert_int_equal(lr_file_sha256(inside("none"), hex, &err), LR_ERR_MISSING);
    assert_string_equal(hex, "");
    assert_int_equal(lr_file_sha256(folder, hex, &err), LR_ERR_IO);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(paths),
        cmocka_unit_test(folders_with_parents),
        cmocka_unit_test(writing_and_reading),
        cmocka_unit_test(reading_a_pipe),
        cmocka_unit_test(a_failed_write_leaves_the_old_file),
        cmocka_unit_test(sha256),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
