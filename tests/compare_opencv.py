# SPDX-License-Identifier: Apache-2.0
# Depth recovery held against the semi-global matcher of OpenCV (8 paths, at its best of several settings) in the demo rooms, in sun
# and in the dark, side by side. Both are judged on the rectified grid, over pixels that both cameras see; a pixel without an answer
# is bad. The library matches the rectified pair that `lanternroom export` writes; `lanternroom depth` matches the raw lines.
#   python3 tests/compare_opencv.py build/lanternroom WORK [--from DEG] [--width DEG] [--quality WORD] [--rooms LIST] [--assert]
import argparse
import os
import subprocess
import sys
import time

import cv2
import numpy as np

ROOMS = ['workshop', 'kitchen', 'hall', 'plant', 'stairwell', 'courtyard']
THRESHOLDS = (0.5, 1, 2, 4)


def run(*words):
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)


def to_bytes(dn, offset):
    """Levelled by the square root, which makes shot noise even; the brightest 0.2 % saturate."""
    level = np.sqrt(np.maximum(dn.astype(np.float32) - offset, 0))
    return np.clip(level*(255/max(np.percentile(level, 99.8), 1)), 0, 255).astype(np.uint8)


def library(upper, lower, most):
    """Every setting's disparity; the caller keeps the best."""
    count = (int(most) + 16)//16*16
    for block in (3, 5, 7, 9):
        for unique in (0, 10):
            matcher = cv2.StereoSGBM_create(minDisparity=0, numDisparities=count, blockSize=block, P1=8*block*block, P2=32*block*block,
                                            disp12MaxDiff=1, uniquenessRatio=unique, preFilterCap=31, mode=cv2.STEREO_SGBM_MODE_HH)
            start = time.process_time()
            disparity = matcher.compute(upper, lower).astype(np.float32)/16
            yield f'{block}/{unique}', np.where(disparity < 0, np.inf, disparity), time.process_time() - start


def judge(disparity, truth, seen):
    error = np.abs(disparity[seen] - truth[seen])
    bad = [100*np.mean(~(error <= t)) for t in THRESHOLDS]
    close = error[error < 1]
    return bad + [np.sqrt(np.mean(close**2)) if close.size else np.nan]


def compare(program, work, room, dark, args):
    scan = f'{work}/{room}_{"dark" if dark else "sun"}'
    lights = ['--set', 'scene.lights=[]'] if dark else []
    if not os.path.exists(scan + '/scan.json'):
        run(program, 'scan', f'scenes/{room}.json', 'scenes/heads/wide120.json', '-o', scan, '--quality', args.quality, '-q', '--no-preview',
            '--sector', f'{args.start},{args.start + args.width}', *lights)
    run(program, 'depth', scan, '-q')
    run(program, 'export', scan, '-q', '--what', 'rectified', '--source', 'truth', '-o', scan + '/true')
    run(program, 'export', scan, '-q', '--what', 'rectified', '--source', 'depth', '--confidence', '0', '-o', scan + '/ours')
    read = lambda name: cv2.imread(f'{scan}/{name}', cv2.IMREAD_UNCHANGED)
    upper, lower, truth, ours = (read(n) for n in ('true/front_upper_rectified.png', 'true/front_lower_rectified.png',
                                                   'true/front_disparity.pfm', 'ours/front_disparity.pfm'))
    seen = (read('true/front_mask.png') == 255) & np.isfinite(truth)
    most = 391  # what `lanternroom depth` looks for, too: f B / 0.5 m
    tried = [(judge(d, truth, seen), name, seconds) for name, d, seconds in library(to_bytes(upper, 60), to_bytes(lower, 60), most)]
    best = min(tried, key=lambda t: t[0][1])
    return judge(ours, truth, seen), best


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument('program')
    parser.add_argument('work')
    parser.add_argument('--from', dest='start', type=float, default=0)
    parser.add_argument('--width', type=float, default=4)
    parser.add_argument('--quality', default='draft')
    parser.add_argument('--rooms', default=','.join(ROOMS))
    parser.add_argument('--assert', dest='strict', action='store_true', help='fail unless better everywhere')
    args = parser.parse_args()
    os.makedirs(args.work, exist_ok=True)
    print(f'OpenCV {cv2.__version__}, StereoSGBM, 8 paths, best of 8 settings (block size/uniqueness); wide120, {args.width:g} degrees, {args.quality} quality')
    print('bad or missing %, beyond px    0.5             1             2             4        rms px of those under 1')
    print('                           ours  library ours  library ours  library ours  library  ours   library  setting')
    worse = 0
    for room in args.rooms.split(','):
        for dark in (False, True):
            ours, (theirs, name, _) = compare(args.program, args.work, room, dark, args)
            pairs = ' '.join(f'{a:6.2f} {b:6.2f}' for a, b in zip(ours[:4], theirs[:4]))
            print(f'{room:>18} {"dark" if dark else "sun ":4}   {pairs}   {ours[4]:6.3f} {theirs[4]:6.3f}    {name}', flush=True)
            worse += sum(not a < b for a, b in zip(ours, theirs))
    print(f'{worse} figures are not better than the library\'s')
    return 1 if args.strict and worse else 0


if __name__ == '__main__':
    sys.exit(main())
