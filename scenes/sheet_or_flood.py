#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Sheet against flood: the same head, laser power and places, once with the laser as a sheet in the line plane, once spread over the field.

Prints what share of the laser light that the cameras detect came indirectly, and laser over ambient light, both by expected electrons summed
over all pixels of a few lines. Needs nothing but Python and the built program.
  python3 scenes/sheet_or_flood.py [HEAD] [FOLDER]
"""
import array
import json
import os
import subprocess
import sys

PLACES = [  # what, room, rotor angles of `pocket`, which turns clockwise
    ("corner", "bare", "37,40"),
    ("polished tanks", "plant", "250,264"),
    ("in sun", "courtyard", "270,273"),
]
SETTINGS = ["--quality", "draft", "--indirect-samples", "32", "--set", "head.spin.lines_per_rev=300", "--truth", "light", "--no-preview", "--force", "--quiet"]


def electrons(folder):
    """Sum of each part of the light over all cameras."""
    with open(f"{folder}/scan.json", encoding="utf-8") as file:
        modules = json.load(file)["inputs"]["head"]["modules"]
    total = {}
    for module in modules:
        for camera in module["cameras"]:
            for part in ("direct", "indirect", "sun", "sky", "lamp"):
                with open(f"{folder}/truth/{module['name']}/{camera['name']}.{part}.npy", "rb") as file:
                    values = array.array("f", file.read()[128:])  # plain arrays begin at byte 128
                if sys.byteorder == "big":
                    values.byteswap()
                total[part] = total.get(part, 0.0) + sum(values)
    return total


def main():
    tree = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    head = sys.argv[1] if len(sys.argv) > 1 else f"{tree}/scenes/heads/pocket.json"
    out = sys.argv[2] if len(sys.argv) > 2 else f"{tree}/out/sheet_or_flood"
    print("| place | indirect share, sheet | flood | laser/ambient, sheet | flood |\n| --- | --- | --- | --- | --- |")
    for what, room, sector in PLACES:
        share, ratio = [], []
        for mode in ("sheet", "flood"):
            folder = f"{out}/{room}_{mode}"
            subprocess.run([f"{tree}/build/lanternroom", "scan", f"{tree}/scenes/{room}.json", head, "-o", folder, "--sector", sector,
                            "--set", f"head.modules.*.lasers.*.mode={mode}"] + SETTINGS, check=True)
            e = electrons(folder)
            share.append(100*e["indirect"]/(e["direct"] + e["indirect"]))
            ratio.append((e["direct"] + e["indirect"])/(e["sun"] + e["sky"] + e["lamp"]))
        print(f"| {what} (`{room}`, {sector} deg) | {share[0]:.2f} % | {share[1]:.1f} % | {ratio[0]:.3g} | {ratio[1]:.2g} |", flush=True)


main()
