// SPDX-License-Identifier: Apache-2.0
#include "scene/mesh_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

#define FILE_MOST_BYTES (512ll << 20)
#define HEADER_MOST_LINES 1000

static const char *const endings[] = {"obj", "ply", "stl", "gltf", "glb", NULL};

static const char *ending_of(const char *path)
{
    const char *dot = strrchr(path, '.');
    for (int i = 0; dot && endings[i]; ++i)
        if (strcasecmp(dot + 1, endings[i]) == 0)
            return endings[i];
    return NULL;
}

// ---- PLY: header and body walked through, nothing kept --------------------------------------------------------------
// Source: G. Turk, The PLY Polygon File Format, 1994: element NAME COUNT; property TYPE NAME or list TYPE TYPE NAME.

#define ELEMENTS_MOST 16
#define PROPERTIES_MOST 64
#define LIST_MOST 65536  // entries of one list: corners of a face

typedef struct property { int count_type, type; } property;  // indices into types; count_type -1: not a list
typedef struct element { char name[64]; long long count; int property_count; property property[PROPERTIES_MOST]; } element;
typedef enum ply_form { PLY_NONE, PLY_ASCII, PLY_LITTLE, PLY_BIG } ply_form;
typedef struct ply { const char *path; ply_form form; int element_count; element element[ELEMENTS_MOST]; } ply;

static const struct { const char *name, *other; int bytes, whole; } types[] = {
    {"char", "int8", 1, 1}, {"uchar", "uint8", 1, 1}, {"short", "int16", 2, 1},   {"ushort", "uint16", 2, 1},
    {"int", "int32", 4, 1}, {"uint", "uint32", 4, 1}, {"float", "float32", 4, 0}, {"double", "float64", 8, 0}};

static int type_of(const char *name)
{
    for (int i = 0; i < (int)(sizeof types/sizeof types[0]); ++i)
        if (strcmp(name, types[i].name) == 0 || strcmp(name, types[i].other) == 0)
            return i;
    return -1;
}

static int read_property(const char *line, property *out)
{
    char count_type[16], type[16], name[64], end;
    if (sscanf(line, "property list %15s %15s %63s %c", count_type, type, name, &end) == 3) {
        *out = (property){type_of(count_type), type_of(type)};
        return out->count_type >= 0 && types[out->count_type].whole && out->type >= 0;
    }
    *out = (property){-1, -1};
    if (sscanf(line, "property %15s %63s %c", type, name, &end) != 2)
        return 0;
    out->type = type_of(type);
    return out->type >= 0;
}

static lr_status read_ply_line(ply *p, const char *line, long long size, lr_error *err)
{
    char end;
    element *e = p->element_count > 0 ? &p->element[p->element_count - 1] : NULL;
    if (strncmp(line, "element ", 8) == 0 && p->element_count < ELEMENTS_MOST) {
        e = &p->element[p->element_count++];
        if (sscanf(line, "element %63s %lld %c", e->name, &e->count, &end) == 2 && e->count >= 0) {
            if (e->count > size)  // each takes at least a byte
                return lr_fail(err, LR_ERR_PARSE, "%s: %lld of \"%s\" cannot be in %lld bytes", p->path, e->count, e->name, size);
            return LR_OK;
        }
    } else if (strncmp(line, "property ", 9) == 0 && e && e->property_count < PROPERTIES_MOST) {
        if (read_property(line, &e->property[e->property_count++]))
            return LR_OK;
    } else if (strncmp(line, "format ", 7) == 0) {
        p->form = strcmp(line, "format ascii 1.0") == 0                  ? PLY_ASCII
                  : strcmp(line, "format binary_little_endian 1.0") == 0 ? PLY_LITTLE
                  : strcmp(line, "format binary_big_endian 1.0") == 0    ? PLY_BIG
                                                                         : PLY_NONE;
        if (p->form != PLY_NONE)
            return LR_OK;
    } else if (strncmp(line, "comment", 7) == 0 || strncmp(line, "obj_info", 8) == 0) {
        return LR_OK;
    }
    return lr_fail(err, LR_ERR_PARSE, "%s: not a line of a PLY header: \"%.60s\"", p->path, line);
}

// Next line of the file without its end; 0 when there is none or it is not text.
static int next_line(FILE *file, char *line, size_t capacity)
{
    if (!fgets(line, (int)capacity, file))
        return 0;
    const size_t length = strcspn(line, "\r\n");
    if (!line[length] || line[length + (line[length] == '\r')] != '\n')
        return 0;
    line[length] = '\0';
    for (const char *c = line; *c; ++c)
        if ((unsigned char)*c < ' ' && *c != '\t')
            return 0;
    return 1;
}

static lr_status read_ply_header(ply *p, FILE *file, long long size, lr_error *err)
{
    char line[1024];
    if (!next_line(file, line, sizeof line) || strcmp(line, "ply") != 0)
        return lr_fail(err, LR_ERR_PARSE, "%s: does not begin with \"ply\"", p->path);
    for (int i = 0; i < HEADER_MOST_LINES && next_line(file, line, sizeof line); ++i) {
        if (strcmp(line, "end_header") != 0)
            LR_TRY(read_ply_line(p, line, size, err));
        else if (p->form == PLY_NONE || p->element_count == 0)
            return lr_fail(err, LR_ERR_PARSE, "%s: its PLY header has no %s", p->path, p->form == PLY_NONE ? "format" : "elements");
        else
            return LR_OK;
    }
    return lr_fail(err, LR_ERR_PARSE, "%s: its PLY header has no end", p->path);
}

// One number of the body; 0 at the end of the file. Only whole numbers are told, others only passed.
static int next_number(const ply *p, FILE *file, int type, long long *value)
{
    *value = 0;
    if (p->form == PLY_ASCII) {
        double number;
        if (fscanf(file, "%lf", &number) != 1)
            return 0;
        *value = number >= -1e15 && number <= 1e15 ? (long long)number : -1;
        return 1;
    }
    unsigned char bytes[8];
    const size_t count = (size_t)types[type].bytes;
    if (fread(bytes, 1, count, file) != count)
        return 0;
    for (size_t i = 0; i < count && count < 8; ++i)
        *value = *value << 8 | bytes[p->form == PLY_BIG ? i : count - 1 - i];
    return 1;
}

static lr_status walk_element(const ply *p, const element *e, FILE *file, lr_error *err)
{
    long long count, value;
    for (long long row = 0; row < e->count; ++row)
        for (int k = 0; k < e->property_count; ++k) {
            const property *q = &e->property[k];
            count = 1;
            if (q->count_type >= 0) {
                if (!next_number(p, file, q->count_type, &count))
                    return lr_fail(err, LR_ERR_PARSE, "%s: it ends in %s %lld", p->path, e->name, row);
                if (!(count >= 0 && count <= LIST_MOST))
                    return lr_fail(err, LR_ERR_PARSE, "%s: %s %lld: a list of %lld, not 0 to %d", p->path, e->name, row, count, LIST_MOST);
            }
            while (count-- > 0)
                if (!next_number(p, file, q->type, &value))
                    return lr_fail(err, LR_ERR_PARSE, "%s: it ends in %s %lld", p->path, e->name, row);
        }
    return LR_OK;
}

static lr_status check_ply(const char *path, long long size, lr_error *err)
{
    FILE *file = fopen(path, "rb");
    if (!file)
        return lr_fail(err, LR_ERR_MISSING, "%s: cannot be read", path);
    ply *p = calloc(1, sizeof *p);
    lr_status status = p ? LR_OK : lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", path);
    if (status == LR_OK) {
        p->path = path;
        status = read_ply_header(p, file, size, err);
    }
    for (int i = 0; status == LR_OK && i < p->element_count; ++i)
        status = p->element[i].property_count > 0 || p->element[i].count == 0 ? walk_element(p, &p->element[i], file, err)
                 : lr_fail(err, LR_ERR_PARSE, "%s: element \"%s\" has no properties", path, p->element[i].name);
    free(p);
    fclose(file);
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
