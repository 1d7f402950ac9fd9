// SPDX-License-Identifier: Apache-2.0
#include "scene/mesh_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

#define FILE_MOST_BYTES (512ll << 20)
#define HEADER_MOST_BYTES 65536

static const char *const endings[] = {"obj", "ply", "stl", "gltf", "glb", NULL};

static const char *ending_of(const char *path)
{
    const char *dot = strrchr(path, '.');
    for (int i = 0; dot && endings[i]; ++i)
        if (strcasecmp(dot + 1, endings[i]) == 0)
            return endings[i];
    return NULL;
}

// One line of a PLY header: its format, the count of an element, or anything else that is allowed there.
// Source: G. Turk, The PLY Polygon File Format, 1994: element NAME COUNT; property TYPE NAME or list TYPE TYPE NAME.
static lr_status check_ply_line(const char *path, const char *line, long long size, int *elements, lr_error *err)
{
    char name[64], end;
    long long count;
    if (strncmp(line, "element", 7) == 0) {
        if (sscanf(line, "element %63s %lld %c", name, &count, &end) != 2 || count < 0)
            return lr_fail(err, LR_ERR_PARSE, "%s: not an element of a PLY header: \"%.60s\"", path, line);
        if (count > size)  // each takes at least a byte
            return lr_fail(err, LR_ERR_PARSE, "%s: %lld of \"%s\" cannot be in %lld bytes", path, count, name, size);
        ++*elements;
        return LR_OK;
    }
    if (strncmp(line, "property", 8) == 0) {
        const int fine = sscanf(line, "property list %63s %63s %63s", name, name, name) == 3 ||
                         (strncmp(line, "property list", 13) != 0 && sscanf(line, "property %63s %63s", name, name) == 2);
        return fine && *elements > 0 ? LR_OK : lr_fail(err, LR_ERR_PARSE, "%s: not a property of a PLY header: \"%.60s\"", path, line);
    }
    if (line[0] == '\0' || strncmp(line, "ply", 3) == 0 || strncmp(line, "format ", 7) == 0 || strncmp(line, "comment", 7) == 0 || strncmp(line, "obj_info", 8) == 0)
        return LR_OK;
    return lr_fail(err, LR_ERR_PARSE, "%s: not a line of a PLY header: \"%.60s\"", path, line);
}

static lr_status check_ply_header(const char *path, char *header, long long size, lr_error *err)
{
    int elements = 0;
    if (strncmp(header, "ply", 3) != 0 || (header[3] != '\n' && header[3] != '\r'))
        return lr_fail(err, LR_ERR_PARSE, "%s: does not begin with \"ply\"", path);
    for (char *line = header, *next; line; line = next) {
        next = strpbrk(line, "\r\n");
        if (next)
            *next++ = '\0';
        for (const char *c = line; *c; ++c)
            if ((unsigned char)*c < ' ' && *c != '\t')
                return lr_fail(err, LR_ERR_PARSE, "%s: its PLY header is not text", path);
        if (next && strcmp(line, "end_header") == 0)
            return elements > 0 ? LR_OK : lr_fail(err, LR_ERR_PARSE, "%s: its PLY header has no elements", path);
        if (next)
            LR_TRY(check_ply_line(path, line, size, &elements, err));
    }
    return lr_fail(err, LR_ERR_PARSE, "%s: its PLY header has no end", path);
}

static lr_status check_ply(const char *path, long long size, lr_error *err)
{
    FILE *file = fopen(path, "rb");
    if (!file)
        return lr_fail(err, LR_ERR_MISSING, "%s: cannot be read", path);
    char *header = malloc(HEADER_MOST_BYTES + 1);
    const size_t length = header ? fread(header, 1, HEADER_MOST_BYTES, file) : 0;
    fclose(file);
    if (!header)
        return lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", path);
    header[length] = '\0';
    const lr_status status = check_ply_header(path, header, size, err);
    free(header);
    return status;
}

lr_status lr_mesh_file_check(const char *path, lr_error *err)
{
    const char *ending = ending_of(path);
    struct stat info;
    if (!ending)
        return lr_fail(err, LR_ERR_RANGE, "%s: its name does not end in .obj, .ply, .stl, .gltf or .glb", path);
    if (stat(path, &info) != 0 || !S_ISREG(info.st_mode))
        return lr_fail(err, LR_ERR_MISSING, "%s: no such mesh file", path);
    if (info.st_size > FILE_MOST_BYTES)
        return lr_fail(err, LR_ERR_RANGE, "%s: %lld bytes are above %lld", path, (long long)info.st_size, FILE_MOST_BYTES);
    if (info.st_size == 0)
        return lr_fail(err, LR_ERR_PARSE, "%s: the mesh file is empty", path);
    return strcmp(ending, "ply") == 0 ? check_ply(path, (long long)info.st_size, err) : LR_OK;
}
