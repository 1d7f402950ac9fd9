// SPDX-License-Identifier: Apache-2.0
// The library in one header, in the order data flows: load a room and a head, render a scan, read it, recover range, score it; or ask in
// closed form what a head can do. C17, no globals, nothing printed, no exit; every call that can fail returns an lr_status and fills an lr_error.
#ifndef LR_LANTERNROOM_H
#define LR_LANTERNROOM_H

#include "core/json.h"
#include "core/status.h"
#include "depth/depth.h"
#include "head/head.h"
#include "page/preview.h"
#include "run/run.h"
#include "scan/scan_reader.h"
#include "scene/scene.h"
#include "score/score.h"
#include "study/budget.h"
#include "study/study.h"
#include "truth/truth.h"

#endif
