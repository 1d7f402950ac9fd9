#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Head trio: two modules back to back and one looking up. Its cloud and panorama hold all of them; front and back see each wall half a
# turn apart, and agree where both do. Points are read back by PCL where its tools are installed.
#   sh test_export_trio.sh PROGRAM WORK PYTHON
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"; mkdir -p "$work"
"$program" scan scenes/bare.json scenes/heads/trio.json -o "$work/scan" --quality draft -q --no-preview --set head.spin.lines_per_rev=240 \
    --set 'head.modules.*.cameras.*.sensor.pixels=384' --set 'head.modules.*.cameras.*.sensor.pitch_um=20'
"$program" depth "$work/scan" -q
for frame in head world; do "$program" export "$work/scan" -q --what ply,pcd,equirect --source depth --confidence 0.9 --frame $frame --every 1 -o "$work/$frame"; done
pcl=no
if command -v pcl_pcd2ply >/dev/null && command -v pcl_convert_pcd_ascii_binary >/dev/null; then
    pcl=yes
    pcl_convert_pcd_ascii_binary "$work/head/cloud.pcd" "$work/by_pcl.pcd" 0 >/dev/null 2>&1     # to text
    pcl_ply2pcd "$work/head/cloud.ply" "$work/ply_by_pcl.pcd" >/dev/null 2>&1
fi
"$python" - "$work" $pcl <<'END'
import json
import re
import sys
import numpy as np
work, pcl = sys.argv[1], sys.argv[2] == 'yes'
def cloud(frame):
    head, body = open(f'{work}/{frame}/cloud.ply', 'rb').read().split(b'end_header\n', 1)
    return np.frombuffer(body, '<f4').reshape(-1, len(re.findall(rb'property float', head)))
head, world = cloud('head'), cloud('world')
module = head[:, 9].astype(int)
modules = json.load(open(f'{work}/scan/calibration.json'))['modules']
assert [m['name'] for m in modules] == ['front', 'back', 'top'] and set(module) == {0, 1, 2}
# As many points of each module as its upper camera has ranges sure enough.
for k, m in enumerate(modules):
    name = f"{work}/scan/depth/{m['name']}/{m['cameras'][0]['name']}"
    depth, confidence = np.load(name + '.npy'), np.load(name + '.confidence.npy')
    assert (module == k).sum() == (np.isfinite(depth) & (confidence >= 0.9)).sum() > 5000
# The head stands still and upright: the world's points are the head's, shifted. Encoder and true angle differ by half a count at most and its jitter,
# a Gaussian number a line; coordinates are floats. Each point is held against its own range: the sky's come near infinity.
spin = json.load(open('scenes/heads/trio.json'))['spin']
angle = np.pi/spin['encoder_counts_per_rev'] + 5*np.radians(spin['encoder_jitter_deg'])
shift, r = (world[:, :3] - head[:, :3]).astype(float), np.linalg.norm(head[:, :3].astype(float), axis=1)
off = np.linalg.norm(shift - np.median(shift, axis=0), axis=1)
print('world and head differ by', np.max(off/(angle*r + 1e-6*(r + 10))), 'of what encoder and rounding may do')
assert (off < angle*r + 1e-6*(r + 10)).all()
# Front and back meet in the same cells of a grid of directions, and say the same there.
def cells(points):
    azimuth, r = np.arctan2(points[:, 1], points[:, 0]), np.linalg.norm(points[:, :3], axis=1)
    elevation = np.arcsin(points[:, 2]/r)
    key = np.floor(np.degrees(azimuth + np.pi)/1.5).astype(int)*1000 + np.floor(np.degrees(elevation + np.pi/2)/1.0).astype(int)
    return {k: np.median(r[key == k]) for k in np.unique(key)}
front, back, top = (cells(head[module == k]) for k in range(3))
shared = sorted(front.keys() & back.keys())
ratio = np.array([front[k]/back[k] for k in shared])
print(len(front), len(back), len(top), 'cells;', len(shared), 'shared, median ratio', np.median(ratio), 'within 5 %', np.mean(np.abs(ratio - 1) < 0.05), 'within 10 %', np.mean(np.abs(ratio - 1) < 0.1))
# Lines stand 1.5 degrees apart here and the pupils 35 mm from the axis: cells at steps in range differ.
assert len(shared) > 0.8*min(len(front), len(back)) and abs(np.median(ratio) - 1) < 2e-3 and np.mean(np.abs(ratio - 1) < 0.05) > 0.93
assert max(k % 1000 for k in top) > 170 > max(k % 1000 for k in front)       # only the third looks at the zenith (cells of a degree from -90)
if pcl:
    text = open(f'{work}/by_pcl.pcd').read().split('DATA ascii\n', 1)[1]
    points = np.array([line.split() for line in text.splitlines()], float)
    assert points.shape == head.shape and np.allclose(points[:, :3], head[:, :3], rtol=1e-5, atol=1e-5)
    header = open(f'{work}/ply_by_pcl.pcd', 'rb').read(1000)
    assert int(re.search(rb'POINTS (\d+)', header).group(1)) == len(head) and b'intensity' in header
else:
    print('no pcl-tools here: PCD and PLY are read by NumPy alone')
import cv2
panorama, count = (cv2.imread(f'{work}/head/equirect_{n}', cv2.IMREAD_UNCHANGED) for n in ('range.pfm', 'modules.png'))
assert panorama.shape == count.shape == (120, 240) and np.array_equal(np.isfinite(panorama), count > 0) and count.max() in (2, 3)
level = count[55:65]                                                            # near the horizon
gap = (count[:, 1:-1] == 0) & (count[:, :-2] > 0) & (count[:, 2:] > 0)          # empty between full ones
print('empty between full ones', gap.sum()/np.sum(count > 0))
assert gap.sum() < 0.01*np.sum(count > 0)                                       # a cell is a line wide, lines lie on the edges of cells
print('near the horizon', np.mean(level >= 2), 'seen twice; above 80 degrees', np.mean(count[:6] >= 1), 'seen')
assert np.mean(level >= 2) > 0.5 and np.mean(count[2:6] >= 1) > 0.5
END
