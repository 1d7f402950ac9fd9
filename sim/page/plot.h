// SPDX-License-Identifier: Apache-2.0
// Plots by gnuplot, run as a separate program. What is drawn stays beside the picture: NAME.csv holds the numbers, NAME.gp the
// script, so that a plot can be drawn again or changed by hand.
#ifndef LR_PAGE_PLOT_H
#define LR_PAGE_PLOT_H

#include "core/json.h"

typedef struct lr_plot {
    const char *name;        // of the files
    const char *settings;    // gnuplot lines before the plot: titles, axes
    const char *command;     // "plot ..." or "splot ...": one statement, without final newline. May read 'NAME.csv'.
    int width, height;       // of the picture [pixels]
} lr_plot;

// Writes NAME.csv and NAME.gp into the folder. IO
lr_status lr_plot_write(const char *folder, const lr_plot *plot, const lr_text *csv, lr_error *err);
// Draws NAME.svg and NAME.png by running gnuplot in the folder. *drawn is 0 if there is no gnuplot: the script and its numbers
// are still there. IO: gnuplot failed.
lr_status lr_plot_draw(const char *folder, const char *name, int *drawn, lr_error *err);

void lr_csv_number(lr_text *csv, double value);   // seven figures; nan where not finite

#endif
