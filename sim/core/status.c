// SPDX-License-Identifier: Apache-2.0
#include "core/status.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

lr_status lr_fail(lr_error *err, lr_status status, const char *format, ...)
{
    if (err) {
        va_list arguments;
        va_start(arguments, format);
        vsnprintf(err->text, sizeof err->text, format, arguments);
        va_end(arguments);
    }
    return status;
}

lr_status lr_fail_prefix(lr_error *err, lr_status status, const char *prefix)
{
    if (err) {
        lr_error old = *err;
        snprintf(err->text, sizeof err->text, "%s: %.400s", prefix, old.text);
    }
    return status;
}

int lr_status_is_input(lr_status status)
{
    return status == LR_ERR_RANGE || status == LR_ERR_PARSE || status == LR_ERR_MISSING;
}
