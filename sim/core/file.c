// SPDX-License-Identifier: Apache-2.0
#include "core/file.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <openssl/evp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

lr_status lr_path_join(char out[LR_PATH_MAX], const char *folder, const char *name, lr_error *err)
{
    const size_t length = strlen(folder);
    const char *between = length == 0 || folder[length - 1] == '/' ? "" : "/";
    const int wanted = snprintf(out, LR_PATH_MAX, "%s%s%s", folder, between, name);
    if (wanted < 0 || wanted >= LR_PATH_MAX)
        return lr_fail(err, LR_ERR_RANGE, "%.100s...: path of more than %d bytes", folder, LR_PATH_MAX - 1);
    return LR_OK;
}

void lr_path_folder(char out[LR_PATH_MAX], const char *path)
{
    const char *slash = strrchr(path, '/');
    if (!slash) {
        strcpy(out, ".");
        return;
    }
    size_t length = (size_t)(slash - path);
    if (length == 0)
        length = 1;  // "/a" lies in "/"
    if (length > LR_PATH_MAX - 1)
        length = LR_PATH_MAX - 1;
    memcpy(out, path, length);
    out[length] = '\0';
}

int lr_path_exists(const char *path)
{
    struct stat info;
    return stat(path, &info) == 0;
}

static int is_folder(const char *path)
{
    struct stat info;
    return stat(path, &info) == 0 && S_ISDIR(info.st_mode);
}

lr_status lr_make_folders(const char *path, lr_error *err)
{
    char part[LR_PATH_MAX];
    const size_t length = strlen(path);
    if (length == 0 || length >= sizeof part)
        return lr_fail(err, LR_ERR_IO, "%.100s: not a usable folder name", path);
    memcpy(part, path, length + 1);
    for (size_t i = 1; i <= length; i++) {
        if (part[i] != '/' && part[i] != '\0')
            continue;
        const char kept = part[i];
        part[i] = '\0';
        // Another process may make the same folder between the test and the call: EEXIST is fine if it is a folder.
        if (!is_folder(part) && mkdir(part, 0777) != 0 && !(errno == EEXIST && is_folder(part)))
            return lr_fail(err, LR_ERR_IO, "%.300s: cannot make this folder: %s", part, strerror(errno));
        part[i] = kept;
    }
    return LR_OK;
}

// Reads from `fd` until it ends, in a buffer that doubles: a pipe has no size to ask for.
static lr_status read_all(int fd, const char *path, size_t most, char **data, size_t *length, lr_error *err)
{
    struct stat info;
    size_t capacity = 4096, used = 0;
    if (fstat(fd, &info) == 0 && S_ISREG(info.st_mode) && info.st_size > 0 && (size_t)info.st_size <= most)
        capacity = (size_t)info.st_size + 2;
    char *buffer = malloc(capacity);
    for (;;) {
        if (!buffer)
            return lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", path);
        const ssize_t got = read(fd, buffer + used, capacity - 1 - used);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0) {
            const lr_status status = errno == EISDIR ? LR_ERR_MISSING : LR_ERR_IO;
            free(buffer);
            return lr_fail(err, status, "%.300s: cannot be read: %s", path, strerror(errno));
        }
        used += (size_t)got;
        if (used > most) {
            free(buffer);
            return lr_fail(err, LR_ERR_RANGE, "%.300s: more than %zu bytes", path, most);
        }
        if (got == 0)
            break;
        if (used + 1 >= capacity) {
            char *larger = realloc(buffer, capacity *= 2);
            if (!larger)
                free(buffer);
            buffer = larger;
        }
    }
    buffer[used] = '\0';
    *data = buffer;
    *length = used;
    return LR_OK;
}

lr_status lr_file_read(const char *path, size_t most, char **data, size_t *length, lr_error *err)
{
    assert(path && data && length);
    *data = NULL;
    *length = 0;
    const int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0)
        return lr_fail(err, LR_ERR_MISSING, "%.300s: cannot be opened: %s", path, strerror(errno));
    const lr_status status = read_all(fd, path, most, data, length, err);
    close(fd);
    return status;
}

static lr_status draft_fault(const lr_file_draft *draft, int number, lr_error *err)
{
    return lr_fail(err, LR_ERR_IO, "%.300s: cannot be written: %s", draft->path, strerror(number));
}

lr_status lr_draft_open(const char *path, lr_file_draft *draft, lr_error *err)
{
    assert(path && draft);
    draft->fd = -1;
    draft->temporary[0] = '\0';
    const size_t length = strlen(path);
    if (length == 0 || length >= sizeof draft->path)
        return lr_fail(err, LR_ERR_IO, "%.100s: not a usable file name", path);
    memcpy(draft->path, path, length + 1);

    struct stat info;
    const int direct = stat(path, &info) == 0 && !S_ISREG(info.st_mode);  // a folder fails in open
    if (direct) {
        draft->fd = open(path, O_WRONLY | O_CLOEXEC);
    } else {
        // The process in the name: shards that write the same file do not write into each other's draft.
        snprintf(draft->temporary, sizeof draft->temporary, "%s.%ld.partial", path, (long)getpid());
        draft->fd = open(draft->temporary, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, 0666);
    }
    return draft->fd < 0 ? draft_fault(draft, errno, err) : LR_OK;
}

lr_status lr_draft_write(lr_file_draft *draft, const void *data, size_t length, lr_error *err)
{
    const char *next = data;
    while (length > 0) {
        const ssize_t done = write(draft->fd, next, length);
        if (done < 0 && errno == EINTR)
            continue;
        if (done <= 0)
            return draft_fault(draft, done < 0 ? errno : ENOSPC, err);
        next += done;
        length -= (size_t)done;
    }
    return LR_OK;
}

// So that the new name survives a power cut too. Not every file system can; the data are safe either way.
static void flush_folder(const char *path)
{
    char folder[LR_PATH_MAX];
    lr_path_folder(folder, path);
    const int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return;
    (void)fsync(fd);
    close(fd);
}

lr_status lr_draft_finish(lr_file_draft *draft, lr_error *err)
{
    const int direct = draft->temporary[0] == '\0';
    int fault = 0;
    if (!direct && fsync(draft->fd) != 0)
        fault = errno;
    if (close(draft->fd) != 0 && !fault)
        fault = errno;
    draft->fd = -1;
    if (!fault && !direct && rename(draft->temporary, draft->path) != 0)
        fault = errno;
    if (fault) {
        lr_draft_drop(draft);
        return draft_fault(draft, fault, err);
    }
    if (!direct)
        flush_folder(draft->path);
    return LR_OK;
}

void lr_draft_drop(lr_file_draft *draft)
{
    if (draft->fd >= 0)
        close(draft->fd);
    if (draft->temporary[0])
        unlink(draft->temporary);
    draft->fd = -1;
    draft->temporary[0] = '\0';
}

lr_status lr_file_write(const char *path, const void *data, size_t length, lr_error *err)
{
    lr_file_draft draft;
    LR_TRY(lr_draft_open(path, &draft, err));
    const lr_status status = lr_draft_write(&draft, data, length, err);
    if (status != LR_OK) {
        lr_draft_drop(&draft);
        return status;
    }
    return lr_draft_finish(&draft, err);
}

static void write_hex(const unsigned char digest[32], char hex[65])
{
    for (int i = 0; i < 32; i++)
        snprintf(hex + 2*i, 3, "%02x", digest[i]);
}

void lr_sha256(const void *data, size_t length, char hex[65])
{
    unsigned char digest[EVP_MAX_MD_SIZE];
    hex[0] = '\0';
    if (EVP_Digest(data, length, digest, NULL, EVP_sha256(), NULL) == 1)
        write_hex(digest, hex);
}

static lr_status hash_stream(int fd, const char *path, EVP_MD_CTX *hash, lr_error *err)
{
    unsigned char buffer[1 << 16];
    for (;;) {
        const ssize_t got = read(fd, buffer, sizeof buffer);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return lr_fail(err, LR_ERR_IO, "%.300s: cannot be read: %s", path, strerror(errno));
        if (got == 0)
            return LR_OK;
        if (EVP_DigestUpdate(hash, buffer, (size_t)got) != 1)
            return lr_fail(err, LR_ERR_MEMORY, "%.300s: checksum failed", path);
    }
}

lr_status lr_file_sha256(const char *path, char hex[65], lr_error *err)
{
    unsigned char digest[EVP_MAX_MD_SIZE];
    hex[0] = '\0';
    const int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0)
        return lr_fail(err, LR_ERR_MISSING, "%.300s: cannot be opened: %s", path, strerror(errno));

    EVP_MD_CTX *hash = EVP_MD_CTX_new();
    lr_status status = LR_OK;
    if (!hash || EVP_DigestInit_ex(hash, EVP_sha256(), NULL) != 1)
        status = lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", path);
    if (status == LR_OK)
        status = hash_stream(fd, path, hash, err);
    if (status == LR_OK && EVP_DigestFinal_ex(hash, digest, NULL) != 1)
        status = lr_fail(err, LR_ERR_MEMORY, "%.300s: checksum failed", path);
    if (status == LR_OK)
        write_hex(digest, hex);
    EVP_MD_CTX_free(hash);
    close(fd);
    return status;
}
