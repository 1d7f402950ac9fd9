#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# test_export.sh PROGRAM WORKDIR PYTHON: exported points lie as far from the head as the recovered range says, read back by NumPy alone.
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"
mkdir -p "$work"
"$program" scan scenes/bare.json scenes/heads/pocket.json -o "$work/scan" --quality draft --sector 0,8 --quiet --no-preview
"$program" depth "$work/scan" --quiet
"$program" export "$work/scan" --quiet
"$python" - "$work/scan" <<'END'
import sys
import numpy as np
folder = sys.argv[1]
ply = open(folder + '/export/cloud.ply', 'rb').read()
head, body = ply.split(b'end_header\n', 1)
count = int(head.split(b'element vertex ')[1].split()[0])
points = np.frombuffer(body, np.uint8).reshape(count, -1)[:, :12].copy().view('<f4')
ranges = np.concatenate([np.load(f'{folder}/depth/front/{camera}.npy').ravel() for camera in ('upper', 'lower')])
ranges = ranges[np.isfinite(ranges)]
far = np.linalg.norm(points.astype(float), axis=1)
print(count, 'points, median distance from the head', np.median(far), 'm, median range', np.median(ranges), 'm')
# The eyes stand a few centimetres from the head's origin, and the cloud may leave out doubtful points: 10 % of the median holds both.
assert count > 1000 and abs(np.median(far) - np.median(ranges)) < 0.1*np.median(ranges)
END
# A limit told as a decimal number holds the pixels that are stored as just that much: the first whose float lies below its own shortest decimals.
limit=$("$python" - "$work/scan" <<'END'
import sys
import numpy as np
sure = np.load(sys.argv[1] + '/depth/front/upper.confidence.npy').ravel()
print(next(str(c) for c in sure if 0.5 < c < 1 and float(c) < float(str(c))))
END
)
"$program" export "$work/scan" --quiet --what ply --confidence "$limit" --every 1 -o "$work/limit"
"$python" - "$work" "$limit" <<'END'
import sys
import numpy as np
work, limit = sys.argv[1], np.float32(sys.argv[2])
count = int(open(work + '/limit/cloud.ply', 'rb').read().split(b'element vertex ')[1].split()[0])
depth, sure = (np.load(f'{work}/scan/depth/front/upper{name}.npy') for name in ('', '.confidence'))
kept = np.isfinite(depth) & (sure >= limit)
print(count, 'points of at least', limit, 'with', (kept & (sure == limit)).sum(), 'of just that much')
assert count == kept.sum() > 100 and (kept & (sure == limit)).any()
END
