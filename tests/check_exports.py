# SPDX-License-Identifier: Apache-2.0
# Reads score.json and exported files back with libraries that are not ours (NumPy, OpenCV, netpbm) and holds them
# against the arrays of the scan: head wide120, a sector from 20 degrees.   check_exports.py SCAN TRUE_EXPORT
import json
import re
import shutil
import subprocess
import sys

import cv2
import numpy as np

scan, true = sys.argv[1:3]
out = scan + '/export'
load = lambda name: np.load(f'{scan}/{name}.npy')
raw, depth, confidence, sigma = load('front/upper'), load('depth/front/upper'), load('depth/front/upper.confidence'), load('depth/front/upper.sigma')
truth, flags, partner_true = load('truth/front/upper.range'), load('truth/front/upper.flags'), load('truth/front/upper.partner').astype(float)
camera = json.load(open(scan + '/calibration.json'))['modules'][0]['cameras'][0]
pixels, focal = raw.shape[1], camera['lens']['focal_m']/camera['pitch_m']
angle = -(np.arange(pixels) - (pixels - 1)/2)/focal

# ---- depth/: the contract, and right where it is sure
assert depth.shape == raw.shape and depth.dtype == confidence.dtype == sigma.dtype == np.dtype('<f4')
assert ((confidence >= 0) & (confidence <= 1)).all() and np.array_equal(np.isnan(depth), confidence == 0)
sure = np.isfinite(depth) & np.isfinite(truth) & (flags & 2 > 0) & (confidence > 0.9)
assert sure.mean() > 0.5, sure.mean()
assert np.mean(np.abs(depth - truth)[sure] < 0.02*truth[sure]) > 0.95

# ---- score.json against NumPy
score = json.load(open(scan + '/score.json'))
groups = {g['name']: g for g in score['cameras'][0]['groups']}
every, hit = groups['all'], np.isfinite(truth)
found = hit & np.isfinite(depth) & (depth > 0)
with np.errstate(all='ignore'):
    error = np.abs(depth.astype(float) - truth)
    place = (pixels - 1)/2 - focal*np.arctan(np.tan(angle) + 0.2/(depth.astype(float)*np.cos(angle)))
assert score['format'] == 'lanternroom-score/1' and every['pixels'] == hit.sum()
assert abs(every['complete'] - found.sum()/hit.sum()) < 1e-12
for key, share in (('bad_1_percent', 0.01), ('bad_5_percent', 0.05)):
    assert abs(every[key] - np.mean(~(found & (error <= share*truth.astype(float)))[hit])) < 1e-12, key
assert abs(every['rms_m']/np.sqrt(np.mean(error[found]**2)) - 1) < 1e-9
assert abs(every['median_m']/np.median(error[found]) - 1) < 0.03   # cells of the histogram are 2.3 % wide
placed = hit & np.isfinite(partner_true)
for key, most in (('bad_0p5_px', 0.5), ('bad_1_px', 1), ('bad_2_px', 2), ('bad_4_px', 4)):
    want = np.mean(~(found & (np.abs(place - partner_true) <= most))[placed])
    assert abs(every[key] - want) < 2e-4, (key, every[key], want)  # a few pixels lie within rounding of the limit
for kind in ('elevation', 'range'):
    assert sum(g['pixels'] for n, g in groups.items() if n.startswith(kind)) == hit.sum(), kind

# ---- Clouds
def ply(path):
    head, body = open(path, 'rb').read().split(b'end_header\n', 1)
    points = np.frombuffer(body, '<f4').reshape(-1, len(re.findall(rb'property float', head)))
    assert b'binary_little_endian 1.0' in head and len(points) == int(re.search(rb'element vertex (\d+)', head).group(1))
    return points

def pcd(path):
    head, body = open(path, 'rb').read().split(b'DATA binary\n', 1)
    fields = {line.split()[0]: line.split()[1:] for line in head.decode().splitlines() if line[0] != '#'}
    points = np.frombuffer(body, '<f4').reshape(-1, len(fields['FIELDS']))
    assert len(points) == int(fields['POINTS'][0]) == int(fields['WIDTH'][0]) and fields['HEIGHT'] == ['1'] and set(fields['SIZE']) == {'4'}
    return points

for folder in (out, true):
    assert np.array_equal(ply(folder + '/cloud.ply'), pcd(folder + '/cloud.pcd'))
points, kept = ply(out + '/cloud.ply'), np.isfinite(depth) & (depth > 0) & (confidence >= 0.5)
line, pixel = np.nonzero(kept)
turn, r = np.radians(np.load(scan + '/front/lines.npy')['azimuth_deg'])[line], depth[kept].astype(float)
x, z = 0.04 + r*np.cos(angle[pixel]), 0.1 + r*np.sin(angle[pixel])
by_hand = np.stack([x*np.cos(turn), x*np.sin(turn), z], axis=1)
assert len(points) == kept.sum() and np.abs(points[:, :3] - by_hand).max() < 1e-6*np.abs(by_hand).max()  # float32
assert np.array_equal(points[:, 7], confidence[kept])
world = ply(true + '/cloud.ply')
have = np.linalg.norm(world[:, 3:6], axis=1) > 0
assert len(world) == hit.sum() and have.mean() > 0.5
assert np.median(np.sum(world[have, 3:6]*load('truth/front/upper.normal')[hit][have], axis=1)) > 0.999
assert np.array_equal(world[:, 8], load('truth/front/upper.object')[hit])

# ---- Pictures
read = lambda path: cv2.imread(path, cv2.IMREAD_UNCHANGED)
shown = np.where(kept, depth, np.inf)[::-1].T                      # counter-clockwise: azimuth rises to the left
assert np.array_equal(read(out + '/front_upper_raw.png'), raw[::-1].T)
assert np.array_equal(read(out + '/front_upper_range.pfm'), shown)
millimetres, near = read(out + '/front_upper_range_mm.png'), shown < 65
assert millimetres.dtype == np.uint16 and np.abs(millimetres[near] - 1000*shown[near]).max() <= 0.51 and (millimetres[np.isinf(shown)] == 0).all()
store = cv2.FileStorage(true + '/front_rectified.yml', cv2.FILE_STORAGE_READ)
q, (width, f, centre) = store.getNode('Q').mat(), (store.getNode(n).real() for n in ('image_width', 'focal_px', 'centre_px'))
disparity, upper, mask = read(true + '/front_disparity.pfm'), read(true + '/front_upper_rectified.png'), read(true + '/front_mask.png')
assert upper.shape == disparity.shape == mask.shape == (len(raw), int(width)) and upper.dtype == np.uint16
good = np.isfinite(disparity)
space = cv2.reprojectImageTo3D(np.where(good, disparity, 0).astype(np.float32), q)
at = np.clip(np.rint((pixels - 1)/2 - focal*np.arctan((centre - np.arange(int(width)))/f)).astype(int), 0, pixels - 1)
assert np.abs(space[..., 2][good]/(truth*np.cos(angle))[:, at][good] - 1).max() < 1e-5
assert set(np.unique(mask)) <= {0, 128, 255}
colours = read(out + '/front_anaglyph.png')
assert colours.shape == raw.shape + (3,) and np.array_equal(colours[..., 0], colours[..., 1]) and not np.array_equal(colours[..., 0], colours[..., 2])
panorama, modules = read(out + '/equirect_range.pfm'), read(out + '/equirect_modules.png')
assert panorama.shape == modules.shape == (1800, 3600) and np.array_equal(np.isfinite(panorama), modules > 0) and modules.max() == 1
heading = (0.5 - (np.nonzero(modules)[1] + 0.5)/3600)*360
assert heading.min() > 19.5 and heading.max() < 23, (heading.min(), heading.max())   # the sector

# ---- netpbm reads PNG, too
if shutil.which('pngtopam'):
    def netpbm(*words):  # as PGM of two bytes
        picture = subprocess.run(words, check=True, capture_output=True).stdout
        picture = subprocess.run(['pamtopnm'], input=picture, check=True, capture_output=True).stdout
        size = re.match(rb'P5\s+(\d+)\s+(\d+)\s+(\d+)\s', picture)
        return np.frombuffer(picture[size.end():], '>u2').reshape(int(size[2]), int(size[1]))
    assert np.array_equal(netpbm('pngtopam', out + '/front_upper_raw.png'), raw[::-1].T)
    millimetres = np.where(kept & (depth < 65.535), depth, 0)[::-1].T*1000.0
    assert np.abs(netpbm('pngtopam', out + '/front_upper_range_mm.png') - millimetres).max() <= 0.51
else:
    print('check_exports: no netpbm here')
print('check_exports: ok')
