// SPDX-License-Identifier: Apache-2.0
// Status and message: found once, said once, passed up.
#ifndef LR_CORE_STATUS_H
#define LR_CORE_STATUS_H

typedef enum lr_status {
    LR_OK = 0,
    LR_ERR_RANGE,      // a value outside its allowed set: the user's input
    LR_ERR_PARSE,      // a file that cannot be understood: the user's input
    LR_ERR_MISSING,    // an input file that is not there or cannot be read: the user's input
    LR_ERR_IO,         // writing or reading failed on the way
    LR_ERR_MEMORY,
    LR_ERR_EMBREE,
    LR_ERR_CANCELLED,  // stopped by the caller; what was finished is kept
} lr_status;

typedef struct lr_error {
    char text[512];  // one line for a person, without a final newline
} lr_error;

// Writes the message (if err is not NULL) and returns `status`.
lr_status lr_fail(lr_error *err, lr_status status, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

// Puts `prefix: ` in front of the message already there; returns `status`.
lr_status lr_fail_prefix(lr_error *err, lr_status status, const char *prefix);

// True for statuses caused by what the user gave us (exit code 2).
int lr_status_is_input(lr_status status);

#define LR_TRY(expression)                       \
    do {                                         \
        const lr_status lr_try_ = (expression);  \
        if (lr_try_ != LR_OK)                    \
            return lr_try_;                      \
    } while (0)

#endif
