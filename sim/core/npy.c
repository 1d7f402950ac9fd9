// SPDX-License-Identifier: Apache-2.0
#include "core/npy.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/file.h"
#include "core/npy_header.h"

enum { PREFIX_1 = 10, PREFIX_2 = 12, MOST_HEADER = 1024 };  // magic, version, length of the header in 2 or 4 bytes

#define AROUND 65536u   // bytes that the system maps at once around a page that is read; a multiple of its pages, or less than one

static const uint8_t magic[6] = {0x93, 'N', 'U', 'M', 'P', 'Y'};

static size_t type_bytes(const char *descr)
{
    static const struct { const char *descr; size_t bytes; } types[] = {
        {"|b1", 1}, {"|u1", 1}, {"|i1", 1}, {"<u2", 2}, {"<i2", 2}, {"<f2", 2}, {"<u4", 4}, {"<i4", 4}, {"<f4", 4},
        {"<u8", 8}, {"<i8", 8}, {"<f8", 8}, {"<c8", 8}, {"<c16", 16},
    };
    for (size_t i = 0; i < sizeof types/sizeof *types; i++)
        if (strcmp(descr, types[i].descr) == 0)
            return types[i].bytes;
    return 0;
}

size_t lr_npy_item_bytes(const lr_npy_info *info)
{
    if (info->field_count == 0)
        return type_bytes(info->descr);
    size_t sum = 0;
    for (int i = 0; i < info->field_count; i++) {
        const size_t bytes = type_bytes(info->field[i].descr);
        if (bytes == 0)
            return 0;
        sum += bytes;
    }
    return sum;
}

int64_t lr_npy_items(const lr_npy_info *info)
{
    int64_t product = 1;
    for (int i = 0; i < info->dims; i++)
        if (info->shape[i] == 0)  // first: the other sizes may be anything then
            return 0;
    for (int i = 0; i < info->dims; i++)
        product *= info->shape[i];
    return product;
}

// Dimensions, type and the size in bytes without overflow. 0 if anything is wrong.
static int data_bytes(const lr_npy_info *info, size_t *bytes)
{
    if (info->dims < 0 || info->dims > LR_NPY_MAX_DIMS)
        return 0;
    int64_t product = (int64_t)lr_npy_item_bytes(info);
    int empty = product == 0;
    if (empty)
        return 0;
    for (int i = 0; i < info->dims; i++) {
        if (info->shape[i] < 0)
            return 0;
        empty |= info->shape[i] == 0;
    }
    for (int i = 0; i < info->dims && !empty; i++)
        if (__builtin_mul_overflow(product, info->shape[i], &product))
            return 0;
    *bytes = empty ? 0 : (size_t)product;
    return *bytes <= SIZE_MAX/2;
}

// ---- Writing ----

typedef struct line { char text[MOST_HEADER]; size_t used; int failed; } line;

__attribute__((format(printf, 2, 3)))
static void add(line *l, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    const int more = vsnprintf(l->text + l->used, sizeof l->text - l->used, format, arguments);
    va_end(arguments);
    if (more < 0 || (size_t)more >= sizeof l->text - l->used)
        l->failed = 1;
    else
        l->used += (size_t)more;
}

static void write_dictionary(const lr_npy_info *info, line *l)
{
    if (info->field_count == 0)
        add(l, "{'descr': '%s', ", info->descr);
    else {
        for (int i = 0; i < info->field_count; i++)
            add(l, "%s('%s', '%s')", i ? ", " : "{'descr': [", info->field[i].name, info->field[i].descr);
        add(l, "], ");
    }
    add(l, "'fortran_order': False, 'shape': (");
    for (int i = 0; i < info->dims; i++)
        add(l, "%s%lld", i ? ", " : "", (long long)info->shape[i]);
    add(l, info->dims == 1 ? ",), }" : "), }");  // a tuple of one needs its comma
}

static int names_are_plain(const lr_npy_info *info)
{
    for (int i = 0; i < info->field_count; i++) {
        const char *name = info->field[i].name;
        if (!name[0] || name[strspn(name, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_")])
            return 0;
    }
    return 1;
}

lr_status lr_npy_header(const lr_npy_info *info, uint8_t *out, size_t capacity, size_t *size, lr_error *err)
{
    assert(info && out && size && info->field_count >= 0 && info->field_count <= LR_NPY_MAX_FIELDS);
    line dictionary = {"", 0, 0};
    size_t bytes = 0;
    if (!data_bytes(info, &bytes) || !names_are_plain(info))
        return lr_fail(err, LR_ERR_RANGE, "NPY: an array of this type or shape cannot be written");
    write_dictionary(info, &dictionary);
    size_t total = LR_NPY_DATA;
    while (total < dictionary.used + PREFIX_1 + 1)
        total += 64;
    if (dictionary.failed || total > MOST_HEADER || total > capacity)
        return lr_fail(err, LR_ERR_RANGE, "NPY: the header does not fit into %zu bytes", capacity < MOST_HEADER ? capacity : (size_t)MOST_HEADER);

    const size_t header = total - PREFIX_1;
    memcpy(out, magic, sizeof magic);
    out[6] = 1;
    out[7] = 0;
    out[8] = (uint8_t)(header & 0xff);
    out[9] = (uint8_t)(header >> 8);
    memset(out + PREFIX_1, ' ', header);
    memcpy(out + PREFIX_1, dictionary.text, dictionary.used);
    out[total - 1] = '\n';
    *size = total;
    return LR_OK;
}

lr_status lr_npy_save(const char *path, const lr_npy_info *info, const void *data, lr_error *err)
{
    uint8_t header[MOST_HEADER];
    size_t header_size, bytes = 0;
    LR_TRY(lr_npy_header(info, header, sizeof header, &header_size, err));
    data_bytes(info, &bytes);
    lr_file_draft draft;
    LR_TRY(lr_draft_open(path, &draft, err));
    lr_status status = lr_draft_write(&draft, header, header_size, err);
    if (status == LR_OK)
        status = lr_draft_write(&draft, data, bytes, err);
    if (status != LR_OK) {
        lr_draft_drop(&draft);
        return status;
    }
    return lr_draft_finish(&draft, err);
}

// ---- Reading ----

lr_status lr_npy_parse(const char *name, const uint8_t *bytes, size_t length, lr_npy_info *info, size_t *data_offset, lr_error *err)
{
    *info = (lr_npy_info){0};
    *data_offset = 0;
    if (length < PREFIX_2 || memcmp(bytes, magic, sizeof magic) != 0)
        return lr_fail(err, LR_ERR_PARSE, "%.300s: not an NPY file", name);
    const int version = bytes[6];
    if ((version != 1 && version != 2) || bytes[7] != 0)
        return lr_fail(err, LR_ERR_PARSE, "%.300s: NPY version %d.%d is neither 1.0 nor 2.0", name, version, bytes[7]);
    const size_t prefix = version == 1 ? PREFIX_1 : PREFIX_2;
    size_t header = bytes[8] | (size_t)bytes[9] << 8;
    if (version == 2)
        header |= (size_t)bytes[10] << 16 | (size_t)bytes[11] << 24;
    if (header > length - prefix)
        return lr_fail(err, LR_ERR_PARSE, "%.300s: the NPY header is cut off", name);
    if ((prefix + header) % 16 != 0)  // NumPy has always padded; without it the data could not be used in place
        return lr_fail(err, LR_ERR_PARSE, "%.300s: NPY data do not begin at a multiple of 16", name);
    LR_TRY(lr_npy_parse_dictionary(name, (const char *)bytes + prefix, header, info, err));
    size_t data_size = 0;
    if (!data_bytes(info, &data_size))
        return lr_fail(err, LR_ERR_PARSE, "%.300s: NPY array of a type we do not read, or too large", name);
    *data_offset = prefix + header;
    return LR_OK;
}

static lr_status check_map(const char *path, lr_npy_map *map, lr_error *err)
{
    size_t offset, bytes = 0;
    LR_TRY(lr_npy_parse(path, map->base, map->size, &map->info, &offset, err));
    data_bytes(&map->info, &bytes);
    if (map->size - offset != bytes)
        return lr_fail(err, LR_ERR_PARSE, "%.300s: %zu bytes of data where the header says %zu", path, map->size - offset, bytes);
    map->data = (const char *)map->base + offset;
    return LR_OK;
}

static lr_status map_file(int fd, const char *path, lr_npy_map *map, lr_error *err)
{
    struct stat info;
    if (fstat(fd, &info) != 0)
        return lr_fail(err, LR_ERR_IO, "%.300s: cannot be read: %s", path, strerror(errno));
    if (!S_ISREG(info.st_mode) || info.st_size == 0)
        return lr_fail(err, LR_ERR_PARSE, "%.300s: not an NPY file", path);
    void *base = mmap(NULL, (size_t)info.st_size, PROT_READ, MAP_PRIVATE, fd, 0);
    if (base == MAP_FAILED)
        return lr_fail(err, errno == ENOMEM ? LR_ERR_MEMORY : LR_ERR_IO, "%.300s: cannot be mapped: %s", path, strerror(errno));
    map->base = base;
    map->size = (size_t)info.st_size;
    return LR_OK;
}

lr_status lr_npy_open(const char *path, lr_npy_map *map, lr_error *err)
{
    *map = (lr_npy_map){0};
    const int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0)
        return lr_fail(err, LR_ERR_MISSING, "%.300s: cannot be opened: %s", path, strerror(errno));
    lr_status status = map_file(fd, path, map, err);
    close(fd);
    if (status == LR_OK)
        status = check_map(path, map, err);
    if (status != LR_OK)
        lr_npy_close(map);
    return status;
}

void lr_npy_close(lr_npy_map *map)
{
    if (map->base)
        munmap(map->base, map->size);
    *map = (lr_npy_map){0};
}

// All of AROUND that the rows lie in, since as much comes in around whatever is read.
void lr_npy_let_go(const lr_npy_map *map, int64_t first, int64_t count)
{
    if (!map->base || map->info.dims < 1 || map->info.shape[0] < 1)
        return;
    const uintptr_t page = (uintptr_t)sysconf(_SC_PAGESIZE), around = page > AROUND ? page : AROUND;
    const uintptr_t row = (uintptr_t)(lr_npy_items(&map->info)/map->info.shape[0])*lr_npy_item_bytes(&map->info);
    const uintptr_t base = (uintptr_t)map->base, end = (base + map->size + page - 1)/page*page, data = (uintptr_t)map->data;
    const uintptr_t low = (data + (uintptr_t)first*row)/around*around, high = (data + (uintptr_t)(first + count)*row + around - 1)/around*around;
    const uintptr_t from = low > base ? low : base, to = high < end ? high : end;
    if (to > from)
        (void)madvise((void *)from, to - from, MADV_DONTNEED);
}
