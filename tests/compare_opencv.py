# SPDX-License-Identifier: Apache-2.0
# Depth recovery held against the semi-global matcher of OpenCV (8 paths, at its best of several settings) in the demo rooms, in sun
# and in the dark, side by side. Both are judged on the rectified grid, over pixels that both cameras see and that get some light; a pixel
# without an answer is bad. And whether confidence means what it says in rooms it was not fitted to. The library matches the rectified pair that `lanternroom export` writes; `lanternroom depth` matches the raw lines.
#   python3 tests/compare_opencv.py build/lanternroom WORK [--from DEG] [--width DEG] [--quality WORD] [--rooms LIST] [--assert]
import argparse
import json
import os
import subprocess
import sys

import cv2
import numpy as np

ROOMS = ['workshop', 'kitchen', 'hall', 'plant', 'stairwell', 'courtyard']
THRESHOLDS = (0.5, 1, 2, 4)
# Where the pair alone is known to be behind, at 1, 2, 4 pixels: wood at a grazing angle and brass beside a window, a hundredth of the pixels.
# Shown there as well: with the laser's known dots (--mode both), which the library has no use for.
# And on these 1.2 degrees of the sunlit courtyard in draft quality at 1 pixel, 2.2 against 1.9 %; on 3 degrees at standard quality it is ahead.
BEHIND = {('kitchen', False): (1, 2, 3), ('kitchen', True): (1, 2, 3), ('courtyard', False): (1,)}
MOST_BEHIND = 1.8   # times the library's, even there; measured 1.05 to 1.65
HELD_OUT = ('kitchen', 'plant', 'courtyard')  # sim/depth/confidence.c was fitted to the others
CALIBRATED = 0.05  # a confidence of 0.9 that means 0.85 to 0.95; measured 0.02 to 0.03


def run(*words):
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)


def to_bytes(dn, offset):
    """Levelled by the square root, which makes shot noise even; the brightest 0.2 % saturate."""
    level = np.sqrt(np.maximum(dn.astype(np.float32) - offset, 0))
    return np.clip(level*(255/max(np.percentile(level, 99.8), 1)), 0, 255).astype(np.uint8)


def library(upper, lower, most):
    """Disparity by every setting; the caller keeps the best. The library leaves out as many columns at the left as it has candidates:
    so many are put before the pictures. Small penalties (P2 = 32 block^2, its usual advice) never were the best here."""
    count = (int(most) + 16)//16*16
    wide = [cv2.copyMakeBorder(p, 0, 0, count, 0, cv2.BORDER_REPLICATE) for p in (upper, lower)]
    for block in (3, 5, 7, 9):
        for large in (192, 384):
            matcher = cv2.StereoSGBM_create(minDisparity=0, numDisparities=count, blockSize=block, P1=8*block*block, P2=large*block*block,
                                            disp12MaxDiff=1, uniquenessRatio=0, preFilterCap=31, mode=cv2.STEREO_SGBM_MODE_HH)
            disparity = matcher.compute(*wide)[:, count:].astype(np.float32)/16
            yield f'{block}/{large}', np.where(disparity < 0, np.inf, disparity)


def judge(disparity, truth, asked):
    with np.errstate(invalid='ignore'):
        error = np.abs(disparity[asked] - truth[asked])
    bad = [100*np.mean(~(error <= t)) for t in THRESHOLDS]
    close = error[error < 1]
    return bad + [np.sqrt(np.mean(close**2)) if close.size else np.nan]


def bright(scan, width):
    """Pixels of the grid that get three times the read noise of 3 electrons and more: without light no matcher knows anything."""
    store = cv2.FileStorage(f'{scan}/true/front_rectified.yml', cv2.FILE_STORAGE_READ)
    focal, centre = (store.getNode(n).real() for n in ('focal_px', 'centre_px'))
    light = sum(np.load(f'{scan}/truth/front/upper.{part}.npy') for part in ('direct', 'indirect', 'sun', 'sky', 'lamp'))
    pixels = light.shape[1]
    at = (pixels - 1)/2 - focal*np.arctan((centre - np.arange(width))/focal)  # wide120 is equidistant and not pitched
    return light[:, np.clip(np.rint(at).astype(int), 0, pixels - 1)] >= 9


def calibration_of(program, scan):
    """Mean distance between the confidence of both cameras and what came true, by pixels; and their number."""
    score = json.loads(subprocess.run([program, 'score', scan, '--json'], check=True, capture_output=True, text=True).stdout)
    bins = np.zeros((10, 3))
    for camera in score['cameras']:
        for k, one in enumerate(camera['confidence']):
            bins[k] += one['pixels'], one['pixels']*one['said'] if one['pixels'] else 0, one['pixels']*one['right'] if one['pixels'] else 0
    return bins


def compare(program, work, room, dark, args):
    scan = f'{work}/{room}_{"dark" if dark else "sun"}'
    lights = ['--set', 'scene.lights=[]'] if dark else []
    if not os.path.exists(scan + '/scan.json'):
        run(program, 'scan', f'scenes/{room}.json', 'scenes/heads/wide120.json', '-o', scan, '--quality', args.quality, '-q', '--no-preview',
            '--sector', f'{args.start:g},{args.start + args.width:g}', *lights)
    run(program, 'depth', scan, '-q')
    run(program, 'export', scan, '-q', '--what', 'rectified', '--source', 'truth', '-o', scan + '/true')
    run(program, 'export', scan, '-q', '--what', 'rectified', '--source', 'depth', '--confidence', '0', '-o', scan + '/ours')
    read = lambda name: cv2.imread(f'{scan}/{name}', cv2.IMREAD_UNCHANGED)
    upper, lower, truth, ours = (read(n) for n in ('true/front_upper_rectified.png', 'true/front_lower_rectified.png',
                                                   'true/front_disparity.pfm', 'ours/front_disparity.pfm'))
    asked = (read('true/front_mask.png') == 255) & np.isfinite(truth) & bright(scan, truth.shape[1])
    most = 391  # what `lanternroom depth` looks for, too: f B / 0.5 m
    def with_dots():
        run(program, 'depth', scan, '-q', '--mode', 'both')
        run(program, 'export', scan, '-q', '--what', 'rectified', '--source', 'depth', '--confidence', '0', '-o', scan + '/both')
        return judge(read('both/front_disparity.pfm'), truth, asked)
    tried = [(judge(d, truth, asked), name) for name, d in library(to_bytes(upper, 60), to_bytes(lower, 60), most)]
    return judge(ours, truth, asked), min(tried, key=lambda t: t[0][1]), calibration_of(program, scan), with_dots() if (room, dark) in BEHIND else None


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument('program')
    parser.add_argument('work')
    parser.add_argument('--from', dest='start', type=float, default=0)
    parser.add_argument('--width', type=float, default=4)
    parser.add_argument('--quality', default='draft')
    parser.add_argument('--rooms', default=','.join(ROOMS))
    parser.add_argument('--assert', dest='strict', action='store_true', help='fail unless better everywhere, and confidence calibrated')
    args = parser.parse_args()
    os.makedirs(args.work, exist_ok=True)
    print(f'OpenCV {cv2.__version__}, StereoSGBM, 8 paths, the best of 8 settings (block/P2 by block^2); wide120, {args.width:g} degrees, {args.quality}')
    print('bad or missing %, beyond px    0.5             1             2             4        rms px of those under 1')
    print('                           ours  library ours  library ours  library ours  library  ours   library  setting')
    worse, every, bins = 0, [], np.zeros((10, 3))
    for room in args.rooms.split(','):
        for dark in (False, True):
            ours, (theirs, name), seen, both = compare(args.program, args.work, room, dark, args)
            pairs = ' '.join(f'{a:6.2f} {b:6.2f}' for a, b in zip(ours[:4], theirs[:4]))
            print(f'{room:>18} {"dark" if dark else "sun ":4}   {pairs}   {ours[4]:6.3f} {theirs[4]:6.3f}    {name}', flush=True)
            if both:
                print(f'{"with the dots":>23}   ' + '        '.join(f'{b:6.2f}' for b in both[:4]) + f'          {both[4]:6.3f}')
            behind = BEHIND.get((room, dark), ())
            worse += sum(not a < (MOST_BEHIND if k in behind else 1)*b for k, (a, b) in enumerate(zip(ours, theirs)))
            every.append((ours, theirs))
            bins += seen if room in HELD_OUT else 0
    mean = np.mean(every, axis=0)
    worse += int(np.sum(~(mean[0] < mean[1])))
    print(f'{"mean":>23}   ' + ' '.join(f'{a:6.2f} {b:6.2f}' for a, b in mean.T[:4]) + f'   {mean[0][4]:6.3f} {mean[1][4]:6.3f}')
    print(f'{worse} figures are not better than the library\'s, beside those known')
    used = bins[bins[:, 0] > 0]
    off = np.sum(np.abs(used[:, 1] - used[:, 2]))/np.sum(used[:, 0]) if len(used) else 0
    print('confidence, rooms it was not fitted to: said / right / pixels ', '  '.join(f'{s/n:.2f} / {r/n:.2f} / {n:.0f}' for n, s, r in used))
    print(f'mean distance between the two: {off:.3f}')
    return 1 if args.strict and (worse or off > CALIBRATED) else 0


if __name__ == '__main__':
    sys.exit(main())
