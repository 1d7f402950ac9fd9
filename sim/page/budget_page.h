// SPDX-License-Identifier: Apache-2.0
// A budget for people and programs: a table, one JSON object, plots. All carry the caution on laser safety where they tell of it.
#ifndef LR_PAGE_BUDGET_PAGE_H
#define LR_PAGE_BUDGET_PAGE_H

#include "core/json.h"
#include "study/budget.h"

void lr_budget_words(const lr_budget *budget, lr_text *out);
void lr_budget_json(const lr_budget *budget, lr_text *out);
// Writes section, map, photons, elevation and trade as CSV, script, SVG and PNG, and budget.json, into the folder, which is made.
// *drawn is 0 if gnuplot is not there: CSV files and scripts are. IO, MEMORY
lr_status lr_budget_plots(const lr_budget *budget, const char *folder, int *drawn, lr_error *err);

#endif
