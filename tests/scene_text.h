// SPDX-License-Identifier: Apache-2.0
// Scenes from a few words of JSON, as if they stood in room.json in the test's folder, which is the material folder too.
#ifndef LR_TESTS_SCENE_TEXT_H
#define LR_TESTS_SCENE_TEXT_H

#include "close.h"
#include "scene/scene.h"
#include "scene_folder.h"

// `objects`: what stands between the brackets; `more`: further members of the file, or "".
static inline lr_status scene_try(const char *objects, const char *more, lr_scene **out, lr_error *err)
{
    lr_text text = {0};
    lr_json *json = NULL;
    lr_text_add(&text, "{\"format\": \"lanternroom-scene/1\", \"objects\": [%s]%s%s}", objects, more[0] ? ", " : "", more);
    *out = NULL;
    lr_status status = lr_json_parse("room.json", text.data, text.length, &json, err);
    if (status == LR_OK)
        status = lr_scene_from_json(json, folder, folder, out, err);
    lr_json_free(json);
    lr_text_free(&text);
    return status;
}

static inline lr_scene *scene_of(const char *objects, const char *more)
{
    lr_scene *scene;
    lr_error err = {""};
    if (scene_try(objects, more, &scene, &err) != LR_OK)
        fail_msg("%s", err.text);
    return scene;
}

// `text`: the whole message; a %s in it stands for the test's folder.
static inline void expect_fault(const char *objects, const char *more, const char *text)
{
    lr_scene *scene = NULL;
    lr_error err = {""}, want = {""};
    const char *mark = strstr(text, "%s");
    if (mark)
        snprintf(want.text, sizeof want.text, "%.*s%.200s%s", (int)(mark - text), text, folder, mark + 2);
    else
        snprintf(want.text, sizeof want.text, "%s", text);
    assert_true(lr_status_is_input(scene_try(objects, more, &scene, &err)));
    assert_null(scene);
    assert_string_equal(err.text, want.text);
}

#endif
