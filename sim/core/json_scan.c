// SPDX-License-Identifier: Apache-2.0
// Recursive descent over the text, one function for each rule of the grammar. Nothing is built here.
#include "core/json_scan.h"

#include <stdint.h>
#include <string.h>

#define MAX_NUMBER 63  // characters of one number; the parser behind has room for no more

typedef struct scan {
    const char *name;
    const unsigned char *begin, *at, *end;
    int depth, values;
    lr_error *err;
} scan;

static lr_status scan_value(scan *s);

static lr_status fault(const scan *s, const unsigned char *where, const char *message)
{
    int line = 1;
    const unsigned char *line_begin = s->begin;
    for (const unsigned char *p = s->begin; p < where; p++)
        if (*p == '\n') {
            line++;
            line_begin = p + 1;
        }
    return lr_fail(s->err, LR_ERR_PARSE, "%.300s:%d:%d: %s", s->name, line, (int)(where - line_begin) + 1, message);
}

int lr_utf8_length(const unsigned char *text, size_t left)
{
    const unsigned char c = text[0];
    const int length = c < 0x80 ? 1 : c < 0xc2 ? 0 : c < 0xe0 ? 2 : c < 0xf0 ? 3 : c < 0xf5 ? 4 : 0;
    if (length == 0 || (size_t)length > left)
        return 0;
    for (int i = 1; i < length; i++)
        if ((text[i] & 0xc0) != 0x80)
            return 0;
    if ((c == 0xe0 && text[1] < 0xa0) || (c == 0xed && text[1] > 0x9f) ||
        (c == 0xf0 && text[1] < 0x90) || (c == 0xf4 && text[1] > 0x8f))
        return 0;
    return length;
}

static void skip_space(scan *s)
{
    while (s->at < s->end && (*s->at == ' ' || *s->at == '\t' || *s->at == '\n' || *s->at == '\r'))
        s->at++;
}

static int next_is(const scan *s, char c) { return s->at < s->end && *s->at == (unsigned char)c; }

static int is_digit(const scan *s) { return s->at < s->end && *s->at >= '0' && *s->at <= '9'; }

// Four hexadecimal digits at `at`; -1 if they are not there.
static int32_t hex4(const unsigned char *at, const unsigned char *end)
{
    if (end - at < 4)
        return -1;
    int32_t value = 0;
    for (int i = 0; i < 4; i++) {
        const unsigned char c = at[i];
        const int digit = c >= '0' && c <= '9' ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10
                        : c >= 'A' && c <= 'F' ? c - 'A' + 10 : -1;
        if (digit < 0)
            return -1;
        value = value*16 + digit;
    }
    return value;
}

// At the backslash. Moves behind the escape.
static lr_status scan_escape(scan *s)
{
    const unsigned char *begin = s->at;
    s->at++;
    if (s->at >= s->end || *s->at == '\0' || !strchr("\"\\/bfnrtu", *s->at))
        return fault(s, begin, "unknown escape in a text");
    if (*s->at++ != 'u')
        return LR_OK;
    const int32_t first = hex4(s->at, s->end);
    if (first < 0)
        return fault(s, begin, "\\u wants four hexadecimal digits");
    s->at += 4;
    if (first == 0)
        return fault(s, begin, "NUL inside a text");
    if (first < 0xd800 || first > 0xdfff)
        return LR_OK;
    int32_t second = -1;
    if (s->end - s->at >= 6 && s->at[0] == '\\' && s->at[1] == 'u')
        second = hex4(s->at + 2, s->end);
    if (first > 0xdbff || second < 0xdc00 || second > 0xdfff)
        return fault(s, begin, "half of a surrogate pair");
    s->at += 6;
    return LR_OK;
}

static lr_status scan_text(scan *s)
{
    const unsigned char *begin = s->at++;
    while (s->at < s->end && *s->at != '"') {
        if (*s->at == '\\') {
            LR_TRY(scan_escape(s));
            continue;
        }
        if (*s->at < 0x20)
            return fault(s, s->at, *s->at == '\n' ? "the text is not closed on its line" : "control character inside a text");
        const int length = lr_utf8_length(s->at, (size_t)(s->end - s->at));
        if (length == 0)
            return fault(s, s->at, "not valid UTF-8");
        s->at += length;
    }
    if (s->at >= s->end)
        return fault(s, begin, "the text is never closed");
    s->at++;
    return LR_OK;
}

static lr_status scan_digits(scan *s, const char *message)
{
    if (!is_digit(s))
        return fault(s, s->at, message);
    while (is_digit(s))
        s->at++;
    return LR_OK;
}

static lr_status scan_number(scan *s)
{
    const unsigned char *begin = s->at;
    if (next_is(s, '-'))
        s->at++;
    const int zero = next_is(s, '0');
    LR_TRY(scan_digits(s, next_is(s, 'I') || next_is(s, 'N') ? "digits are missing: JSON has no NaN and no Infinity, only finite numbers" : "digits are missing"));
    if (zero && s->at - begin > (*begin == '-' ? 2 : 1))
        return fault(s, begin, "a number must not begin with a needless 0");
    if (next_is(s, '.')) {
        s->at++;
        LR_TRY(scan_digits(s, "digits are missing behind the point"));
    }
    if (next_is(s, 'e') || next_is(s, 'E')) {
        s->at++;
        if (next_is(s, '+') || next_is(s, '-'))
            s->at++;
        LR_TRY(scan_digits(s, "digits are missing in the exponent"));
    }
    if (s->at - begin > MAX_NUMBER)
        return fault(s, begin, "a number of more than 63 characters");
    return LR_OK;
}

static lr_status scan_member_key(scan *s)
{
    skip_space(s);
    if (next_is(s, '}'))
        return fault(s, s->at, "a comma stands before the closing brace");
    if (!next_is(s, '"'))
        return fault(s, s->at, "a key in double quotes is missing");
    LR_TRY(scan_text(s));
    skip_space(s);
    if (!next_is(s, ':'))
        return fault(s, s->at, "a colon is missing behind the key");
    s->at++;
    return LR_OK;
}

// A list (open '[') or an object (open '{').
static lr_status scan_container(scan *s, char open, char close)
{
    if (++s->depth > LR_JSON_MAX_DEPTH)
        return fault(s, s->at, "more than 64 lists and objects inside one another");
    s->at++;
    skip_space(s);
    if (next_is(s, close)) {
        s->at++;
        s->depth--;
        return LR_OK;
    }
    for (;;) {
        if (open == '{')
            LR_TRY(scan_member_key(s));
        LR_TRY(scan_value(s));
        skip_space(s);
        if (next_is(s, close))
            break;
        if (!next_is(s, ','))
            return fault(s, s->at, open == '{' ? "a comma or the closing brace is missing" : "a comma or the closing bracket is missing");
        s->at++;
        skip_space(s);
        if (open == '[' && next_is(s, ']'))
            return fault(s, s->at, "a comma stands before the closing bracket");
    }
    s->at++;
    s->depth--;
    return LR_OK;
}

static lr_status scan_word(scan *s)
{
    static const char *const words[] = {"true", "false", "null"};
    for (int i = 0; i < 3; i++) {
        const size_t length = strlen(words[i]);
        if ((size_t)(s->end - s->at) >= length && memcmp(s->at, words[i], length) == 0) {
            s->at += length;
            return LR_OK;
        }
    }
    if (next_is(s, 'N') || next_is(s, 'I') || next_is(s, 'n') || next_is(s, 'i'))
        return fault(s, s->at, "a value is missing: JSON has no NaN and no Infinity, only finite numbers");
    return fault(s, s->at, "a value is missing");
}

static lr_status scan_value(scan *s)
{
    skip_space(s);
    if (++s->values > LR_JSON_MAX_VALUES)
        return fault(s, s->at, "more than 2097152 values in one file");
    if (s->at >= s->end)
        return fault(s, s->at, "the file ends where a value is wanted");
    switch (*s->at) {
    case '{': return scan_container(s, '{', '}');
    case '[': return scan_container(s, '[', ']');
    case '"': return scan_text(s);
    case '/':
    case '#': return fault(s, s->at, "JSON has no comments; use a \"comment\" key");
    default: break;
    }
    return next_is(s, '-') || is_digit(s) ? scan_number(s) : scan_word(s);
}

lr_status lr_json_scan(const char *name, const char *text, size_t length, lr_error *err)
{
    const unsigned char *begin = (const unsigned char *)text;
    scan s = {.name = name, .begin = begin, .at = begin, .end = begin + length, .err = err};
    LR_TRY(scan_value(&s));
    skip_space(&s);
    if (s.at < s.end)
        return fault(&s, s.at, "text behind the end of the value");
    return LR_OK;
}
