// SPDX-License-Identifier: Apache-2.0
// Unknown keys, and the known one that was probably meant.
#include <stdlib.h>
#include <string.h>

#include "core/fields_walk.h"

enum { MOST_LETTERS = 63 };

static int least(int a, int b) { return a < b ? a : b; }

// Insertions, deletions, replacements and swaps of neighbours that turn a into b.
// Source: Damerau, A technique for computer detection and correction of spelling errors, CACM 7(3), 1964.
static int edit_distance(const char *a, const char *b)
{
    const int n = (int)strlen(a), m = (int)strlen(b);
    int row[3][MOST_LETTERS + 1] = {{0}};  // the last three rows of the table of distances between beginnings
    for (int j = 0; j <= m; j++)
        row[0][j] = j;
    for (int i = 1; i <= n; i++) {
        int *now = row[i % 3], *before = row[(i + 2) % 3], *earlier = row[(i + 1) % 3];
        now[0] = i;
        for (int j = 1; j <= m; j++) {
            now[j] = least(least(before[j], now[j - 1]) + 1, before[j - 1] + (a[i - 1] != b[j - 1]));
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
                now[j] = least(now[j], earlier[j - 2] + 1);
        }
    }
    return row[n % 3][m];
}

// "focal" for "focal_mm": one begins with the other.
static int one_begins_the_other(const char *a, const char *b)
{
    const size_t n = strlen(a), m = strlen(b), shorter = n < m ? n : m;
    return shorter >= 3 && strncmp(a, b, shorter) == 0;
}

const char *lr_nearest_word(const char *word, const char *const *known)
{
    const size_t length = strlen(word);
    if (length == 0 || length > MOST_LETTERS)
        return NULL;
    const int allowed = length < 3 ? 1 : (int)length/3;
    const char *best = NULL;
    int best_distance = allowed + 1;
    for (; *known; known++) {
        if (strlen(*known) > MOST_LETTERS)
            continue;
        int distance = edit_distance(word, *known);
        if (distance > allowed && one_begins_the_other(word, *known))
            distance = allowed;
        if (distance < best_distance && distance < (int)length) {
            best = *known;
            best_distance = distance;
        }
    }
    return best;
}

lr_status lr_field_known(const lr_json *json, const lr_node *member, const char *const *known, lr_error *err)
{
    const char *key = lr_node_key(member);
    for (int i = 0; known[i]; i++)
        if (strcmp(key, known[i]) == 0)
            return LR_OK;
    const char *nearest = lr_nearest_word(key, known);
    if (nearest)
        return lr_json_fault(json, member, err, "unknown key \"%.60s\"; did you mean \"%s\"?", key, nearest);
    return lr_json_fault(json, member, err, "unknown key \"%.60s\"", key);
}

static int has_key(const lr_field *fields, const char *key)
{
    for (const lr_field *field = fields; field && field->kind != LR_FIELD_END; field++)
        if (strcmp(field->key, key) == 0)
            return 1;
    return 0;
}

static int count_fields(const lr_field *fields)
{
    int count = 0;
    while (fields && fields[count].kind != LR_FIELD_END)
        count++;
    return count;
}

// Everything the object may hold, for the search of the nearest word. Caller frees the array. NULL: no memory.
static const char **known_keys(const lr_field_set *set, const lr_field *more, int top)
{
    const int count = count_fields(set->fields) + count_fields(more) + 5;
    const char **keys = calloc((size_t)count, sizeof *keys);
    if (!keys)
        return NULL;
    int n = 0;
    if (set->variant_key)
        keys[n++] = set->variant_key;
    for (const lr_field *field = set->fields; field->kind != LR_FIELD_END; field++)
        keys[n++] = field->key;
    for (const lr_field *field = more; field && field->kind != LR_FIELD_END; field++)
        keys[n++] = field->key;
    if (set->format)
        keys[n++] = "format";
    keys[n++] = "comment";
    if (top)
        keys[n++] = "$schema";
    return keys;
}

// A key of another variant is no slip of the pen: say so.
static lr_status check_other_variants(const lr_json *json, const lr_node *member, const lr_field_set *set, int chosen, lr_error *err)
{
    const char *key = lr_node_key(member);
    for (int i = 0; set->variant_key && set->variants[i].name; i++)
        if (i != chosen && has_key(set->variants[i].fields, key))
            return lr_json_fault(json, member, err, "\"%s\" does not go with %s \"%s\"", key, set->variant_key,
                                 chosen >= 0 ? set->variants[chosen].name : "");
    return LR_OK;
}

static lr_status check_key(const lr_json *json, const lr_node *member, const lr_field_set *set, const lr_field *more, int chosen, int top,
                           lr_error *err)
{
    const char *key = lr_node_key(member);
    if (has_key(set->fields, key) || has_key(more, key) || (set->variant_key && strcmp(key, set->variant_key) == 0))
        return LR_OK;
    if (set->format && strcmp(key, "format") == 0)
        return LR_OK;
    if (strcmp(key, "comment") == 0 || (top && strcmp(key, "$schema") == 0))
        return lr_node_kind(member) == LR_JSON_TEXT ? LR_OK : lr_json_fault(json, member, err, "this is not a text");
    LR_TRY(check_other_variants(json, member, set, chosen, err));
    const char **known = known_keys(set, more, top);
    if (!known)
        return lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", lr_json_name(json));
    const lr_status status = lr_field_known(json, member, known, err);
    free(known);
    return status;
}

lr_status lr_fields_check_keys(const lr_json *json, const lr_node *object, const lr_field_set *set, const void *record, lr_error *err)
{
    const lr_field *more = lr_variant_fields(set, record);
    const int top = object == lr_json_root(json);
    int chosen = -1;
    if (set->variant_key)
        memcpy(&chosen, (const char *)record + set->variant_offset, sizeof chosen);
    for (const lr_node *member = lr_node_first(object); member; member = lr_node_next(member))
        LR_TRY(check_key(json, member, set, more, chosen, top, err));
    return LR_OK;
}
