#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# An open lane with the sky above it: where a disparity cannot be told from none there is no range, and what is near keeps its own.
#   sh test_depth_sky.sh PROGRAM WORK PYTHON
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"; mkdir -p "$work"
"$program" scan scenes/courtyard.json scenes/heads/wide120.json -o "$work/lane" --sector 262,265 --quality draft -q --no-preview
"$program" depth "$work/lane" -q
"$python" - "$work/lane" <<'END'
import sys
import numpy as np
scan = sys.argv[1]
both = lambda ending: np.concatenate([np.load(f'{scan}/{ending.format(camera)}.npy') for camera in ('upper', 'lower')])
truth, depth, confidence, sigma = (both(n) for n in ('truth/front/{}.range', 'depth/front/{}', 'depth/front/{}.confidence', 'depth/front/{}.sigma'))
found, sky, far, near = np.isfinite(depth), np.isinf(truth), np.isfinite(truth) & (truth > 64), truth < 16
assert sky.sum() > 10000 and far.sum() > 100 and near.sum() > 50000
# What has no range has no confidence and no error either; +Inf would say that there is no surface, which two cameras cannot know.
assert not np.isinf(depth).any() and np.isnan(sigma[~found]).all() and not confidence[~found].any()
# One over a disparity of d +- s is a range only if d is well above s.
ratio = depth[found]/sigma[found]
print('range over its expected error: least', ratio.min(), 'farthest range', depth[found].max(), 'm')
assert ratio.min() >= 2.999
# The least error is 0.02 pixels, of calibration and sampling; a pixel of disparity is 195 m.
assert depth[found].max() < 195.5/(3*0.02)
share = lambda which: found[which].mean()
error = np.abs(depth - np.where(sky, np.nan, truth))/truth
print(f'range for {share(sky):.4f} of the sky, {share(far):.4f} beyond 64 m, {share(near):.4f} within 16 m, there off by {np.median(error[near & found]):.5f} (median)')
rms = np.sqrt(np.mean(np.subtract(depth, truth, where=found & ~sky, out=np.zeros(truth.shape))[found & ~sky]**2))
print(f'rms error of all {rms:.2f} m')
assert share(near) > 0.96 and np.median(error[near & found]) < 0.0025   # as without the rule: 0.968, 0.0018
sure = lambda which, least: np.mean(confidence[which] > least)
print(f'confidence above 0.5, 0.9: sky {sure(sky, 0.5):.4f}, {sure(sky, 0.9):.5f}; within 16 m {sure(near, 0.5):.4f}, {sure(near, 0.9):.4f}')
assert sure(sky, 0.5) < 0.005 and sure(near, 0.5) > 0.94 and sure(near, 0.9) > 0.8   # without what is around: 0.025, 0.946, 0.790
assert share(far) < 0.1 and rms < 20                                   # without it 0.99 and 42 km
END
