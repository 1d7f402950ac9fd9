#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# One camera against the laser's dots, both ways fused, and passive stereo without any laser, held against the truth.
#   sh test_depth_modes.sh PROGRAM WORK PYTHON
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"; mkdir -p "$work"
scan() { room=$1 name=$2; shift 2; "$program" scan "scenes/$room.json" scenes/heads/wide120.json -o "$work/$name" --quality draft -q --no-preview "$@"; }
scan stairwell lit --sector 20,21.5 --set 'scene.lights=[]'
single=$("$python" -c "import json; print(json.dumps(json.load(open('scenes/heads/wide120.json'))['modules'][0]['cameras'][:1]))")
scan stairwell one --sector 20,21.5 --set 'scene.lights=[]' --set "head.modules.0.cameras=$single"
scan courtyard passive --sector 20,21.5 --set 'head.modules.*.lasers=[]'     # sun and sky on bark, stone and grass
for mode in both pattern stereo; do
    "$program" depth "$work/lit" -q --mode $mode
    "$program" score "$work/lit" --json >"$work/$mode.json" 2>/dev/null
done
for name in one passive; do
    "$program" depth "$work/$name" -q     # auto: dots for one camera, stereo for two
    "$program" score "$work/$name" --json >"$work/$name.json" 2>/dev/null
done
"$python" - "$work" <<'END'
import json
import sys
import numpy as np
work = sys.argv[1]
def group(name, want, camera=0):
    return {g['name']: g for g in json.load(open(f'{work}/{name}.json'))['cameras'][camera]['groups']}[want]
stereo, pattern, both = (group(m, 'lit') for m in ('stereo', 'pattern', 'both'))
for name, g in (('stereo', stereo), ('pattern', pattern), ('both', both)):
    print(f'{name:8} complete {g["complete"]:.4f} bad beyond a pixel {g["bad_1_px"]:.4f} median error {1e3*g["median_m"]:.2f} mm')
# A wall at 2 m: a pixel is 21 mm between the cameras, 42 mm between camera and laser, so a median error of 4 mm is a tenth of that pixel.
assert pattern['complete'] > 0.9 and pattern['bad_1_px'] < 0.03 and pattern['median_m'] < 4e-3
# Two answers are better than either.
assert both['complete'] >= max(stereo['complete'], pattern['complete'])
assert both['bad_1_px'] < min(stereo['bad_1_px'], pattern['bad_1_px'])
assert both['median_m'] <= 1.02*min(stereo['median_m'], pattern['median_m'])
# Expected error against achieved, of stereo: pixels that both see, lit, away from edges, believed. The robust deviation is to be within 20 %.
truth, depth, confidence, sigma, flags = (np.load(f'{work}/lit/{n}.npy') for n in ('truth/front/upper.range', 'depth/front/upper', 'depth/front/upper.confidence',
                                                                                  'depth/front/upper.sigma', 'truth/front/upper.flags'))
plain = ((flags & 7) == 3) & np.isfinite(depth) & np.isfinite(truth) & (confidence > 0.9)
z = (depth[plain] - truth[plain])/sigma[plain]
ratio = 1.4826*np.median(np.abs(z - np.median(z)))
print('achieved over expected error', ratio, 'of', plain.sum(), 'pixels')
assert plain.sum() > 10000 and 0.8 < ratio < 1.2
# One camera alone: no disparity to count in, so range itself.
truth, depth, confidence, flags = (np.load(f'{work}/one/{n}.npy') for n in ('truth/front/upper.range', 'depth/front/upper', 'depth/front/upper.confidence', 'truth/front/upper.flags'))
lit = (flags & 1 > 0) & np.isfinite(truth)
near = np.abs(depth[lit]/truth[lit] - 1) < 0.02
print('one camera: within 2 % of range', near.mean(), 'of the sure', near[confidence[lit] > 0.9].mean())
assert near.mean() > 0.9 and near[confidence[lit] > 0.9].mean() > 0.97
# No laser at all.
truth, depth, confidence, flags = (np.load(f'{work}/passive/{n}.npy') for n in ('truth/front/upper.range', 'depth/front/upper', 'depth/front/upper.confidence', 'truth/front/upper.flags'))
assert not (flags & 1).any()
seen = (flags & 2 > 0) & np.isfinite(truth)
sure = seen & np.isfinite(depth) & (confidence > 0.9)
g = group('passive', 'seen by both')
print('passive: bad beyond a pixel', g['bad_1_px'], 'sure', sure.sum()/seen.sum(), 'of them within 5 %', np.mean(np.abs(depth[sure]/truth[sure] - 1) < 0.05))
assert g['bad_1_px'] < 0.25 and sure.sum() > 0.3*seen.sum() and np.mean(np.abs(depth[sure]/truth[sure] - 1) < 0.05) > 0.9
END
