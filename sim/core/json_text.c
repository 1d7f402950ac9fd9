// SPDX-License-Identifier: Apache-2.0
// The growing text behind every JSON file we write.
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/json.h"
#include "core/json_scan.h"

// Room for `more` bytes and a NUL. Once memory has run out, everything later is dropped.
static int make_room(lr_text *text, size_t more)
{
    if (text->failed)
        return 0;
    if (more >= SIZE_MAX/2 - text->length) {
        text->failed = 1;
        return 0;
    }
    const size_t wanted = text->length + more + 1;
    if (wanted <= text->capacity)
        return 1;
    const size_t capacity = wanted < 256 ? 256 : wanted + wanted/2;
    char *data = realloc(text->data, capacity);
    if (!data) {
        text->failed = 1;
        return 0;
    }
    text->data = data;
    text->capacity = capacity;
    return 1;
}

static void append(lr_text *text, const char *bytes, size_t length)
{
    if (!make_room(text, length))
        return;
    memcpy(text->data + text->length, bytes, length);
    text->length += length;
    text->data[text->length] = '\0';
}

void lr_text_add(lr_text *text, const char *format, ...)
{
    va_list arguments, again;
    va_start(arguments, format);
    va_copy(again, arguments);
    const int length = vsnprintf(NULL, 0, format, arguments);
    va_end(arguments);
    if (length < 0)
        text->failed = 1;
    else if (make_room(text, (size_t)length)) {
        vsnprintf(text->data + text->length, (size_t)length + 1, format, again);
        text->length += (size_t)length;
    }
    va_end(again);
}

static void append_escaped(lr_text *text, unsigned char c)
{
    static const char plain[] = "\"\\\n\t\r\b\f", letter[] = "\"\\ntrbf";
    const char *found = strchr(plain, c);
    char escape[8];
    if (found)
        snprintf(escape, sizeof escape, "\\%c", letter[found - plain]);
    else
        snprintf(escape, sizeof escape, "\\u%04x", c);
    append(text, escape, strlen(escape));
}

void lr_text_quote(lr_text *text, const char *value)
{
    append(text, "\"", 1);
    const unsigned char *at = (const unsigned char *)value;
    size_t left = strlen(value);
    while (left > 0) {
        const int length = lr_utf8_length(at, left);
        if (length == 0)
            append(text, "\xef\xbf\xbd", 3);  // U+FFFD in the place of a byte that is not UTF-8 (file names can hold any)
        else if (length == 1 && (*at < 0x20 || *at == '"' || *at == '\\' || *at == 0x7f))
            append_escaped(text, *at);
        else
            append(text, (const char *)at, (size_t)length);
        const size_t step = length == 0 ? 1 : (size_t)length;
        at += step;
        left -= step;
    }
    append(text, "\"", 1);
}

void lr_text_number(lr_text *text, double value)
{
    if (!isfinite(value)) {
        append(text, "null", 4);
        return;
    }
    char number[40];
    for (int digits = 15; digits <= 17; digits++) {
        snprintf(number, sizeof number, "%.*g", digits, value);
        if (strtod(number, NULL) == value)
            break;
    }
    char *comma = strchr(number, ',');  // a program around us may have set such a locale
    if (comma)
        *comma = '.';
    append(text, number, strlen(number));
}

void lr_text_free(lr_text *text)
{
    free(text->data);
    *text = (lr_text){0};
}
