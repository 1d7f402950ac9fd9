// SPDX-License-Identifier: Apache-2.0
// Reads {'descr': '<f4', 'fortran_order': False, 'shape': (3, 4), } with its keys in any order. Only what NumPy writes
// for plain arrays and for packed records of plain numbers; the bytes may come from anyone.
#include "core/npy_header.h"

#include <stdint.h>
#include <string.h>

typedef struct cursor {
    const char *name, *at, *end;
    lr_error *err;
} cursor;

static lr_status fault(const cursor *c, const char *message)
{
    return lr_fail(c->err, LR_ERR_PARSE, "%.300s: NPY header: %s", c->name, message);
}

static void skip_space(cursor *c)
{
    while (c->at < c->end && (*c->at == ' ' || *c->at == '\n' || *c->at == '\t' || *c->at == '\r'))
        c->at++;
}

// Takes `ch` if it comes next.
static int take(cursor *c, char ch)
{
    skip_space(c);
    if (c->at >= c->end || *c->at != ch)
        return 0;
    c->at++;
    return 1;
}

// A quoted text without escapes that fits into `out` with its NUL.
static lr_status take_text(cursor *c, char *out, size_t capacity)
{
    const char quote = take(c, '\'') ? '\'' : take(c, '"') ? '"' : '\0';
    if (!quote)
        return fault(c, "a text is missing");
    const char *begin = c->at;
    while (c->at < c->end && *c->at != quote) {
        if ((unsigned char)*c->at < 0x20 || (unsigned char)*c->at > 0x7e || *c->at == '\\')
            return fault(c, "a text with characters beyond plain ASCII");
        c->at++;
    }
    if (c->at >= c->end)
        return fault(c, "a text is not closed");
    const size_t length = (size_t)(c->at++ - begin);
    if (length >= capacity)
        return fault(c, "a text is too long");
    memcpy(out, begin, length);
    out[length] = '\0';
    return LR_OK;
}

// ('name', '<f8'), ... ]
static lr_status take_fields(cursor *c, lr_npy_info *info)
{
    while (!take(c, ']')) {
        if (info->field_count == LR_NPY_MAX_FIELDS)
            return fault(c, "a record of too many fields");
        lr_npy_field *field = &info->field[info->field_count++];
        if (!take(c, '('))
            return fault(c, "a field of the record is missing");
        LR_TRY(take_text(c, field->name, sizeof field->name));
        if (!take(c, ','))
            return fault(c, "a comma is missing");
        LR_TRY(take_text(c, field->descr, sizeof field->descr));
        take(c, ',');
        if (!take(c, ')'))
            return fault(c, "a field of the record is not a plain number");
        if (!take(c, ',') && !(c->at < c->end && *c->at == ']'))
            return fault(c, "a comma is missing");
    }
    return info->field_count > 0 ? LR_OK : fault(c, "a record without fields");
}

static lr_status take_whole(cursor *c, int64_t *out)
{
    int64_t value = 0;
    skip_space(c);
    const char *begin = c->at;
    while (c->at < c->end && *c->at >= '0' && *c->at <= '9')
        if (__builtin_mul_overflow(value, 10, &value) || __builtin_add_overflow(value, *c->at++ - '0', &value))
            return fault(c, "a size too large");
    if (c->at == begin)
        return fault(c, "a size is missing");
    take(c, 'L');  // as Python 2 wrote long numbers
    *out = value;
    return LR_OK;
}

static lr_status take_shape(cursor *c, lr_npy_info *info)
{
    if (!take(c, '('))
        return fault(c, "the shape is not a tuple");
    while (!take(c, ')')) {
        if (info->dims == LR_NPY_MAX_DIMS)
            return fault(c, "an array of too many dimensions");
        LR_TRY(take_whole(c, &info->shape[info->dims++]));
        if (!take(c, ',') && !(c->at < c->end && *c->at == ')'))
            return fault(c, "a comma is missing in the shape");
    }
    return LR_OK;
}

static lr_status take_order(cursor *c, int *fortran)
{
    skip_space(c);
    const size_t left = (size_t)(c->end - c->at);
    if (left >= 5 && memcmp(c->at, "False", 5) == 0)
        c->at += 5;
    else if (left >= 4 && memcmp(c->at, "True", 4) == 0) {
        c->at += 4;
        *fortran = 1;
    } else
        return fault(c, "fortran_order is neither True nor False");
    return LR_OK;
}

static lr_status take_entry(cursor *c, lr_npy_info *info, unsigned *seen, int *fortran)
{
    static const char *const keys[] = {"descr", "fortran_order", "shape"};
    char key[16];
    LR_TRY(take_text(c, key, sizeof key));
    unsigned which = 0;
    while (which < 3 && strcmp(key, keys[which]) != 0)
        which++;
    if (which == 3)
        return fault(c, "an unknown key");
    if (*seen & 1u << which)
        return fault(c, "a key is given twice");
    *seen |= 1u << which;
    if (!take(c, ':'))
        return fault(c, "a colon is missing");
    if (which == 1)
        return take_order(c, fortran);
    if (which == 2)
        return take_shape(c, info);
    return take(c, '[') ? take_fields(c, info) : take_text(c, info->descr, sizeof info->descr);
}

lr_status lr_npy_parse_dictionary(const char *name, const char *text, size_t length, lr_npy_info *info, lr_error *err)
{
    cursor c = {.name = name, .at = text, .end = text + length, .err = err};
    unsigned seen = 0;
    int fortran = 0;
    if (!take(&c, '{'))
        return fault(&c, "it is not a dictionary");
    while (!take(&c, '}')) {
        LR_TRY(take_entry(&c, info, &seen, &fortran));
        if (!take(&c, ',') && !(c.at < c.end && *c.at == '}'))
            return fault(&c, "a comma is missing");
    }
    skip_space(&c);
    if (c.at != c.end)
        return fault(&c, "something behind the dictionary");
    if (seen != 7u)
        return fault(&c, "descr, fortran_order or shape is missing");
    if (fortran && info->dims > 1)
        return fault(&c, "the array is in Fortran order; save it in C order");
    return LR_OK;
}
