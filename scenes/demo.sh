#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Installs what is missing, builds, renders the workshop with the 120-degree head, and says where to look.
# LR_DEMO_SMALL=1 renders a sector of draft quality instead, in a few seconds.
set -eu
cd "$(dirname "$0")/.."
sh tests/setup.sh build
cmake -S . -B build -G Ninja -DLR_TESTS=OFF >/dev/null
ninja -C build --quiet lanternroom_cli

out=out/workshop
if [ "${LR_DEMO_SMALL:-}" ]; then
    out=out/workshop_small
    build/lanternroom scan scenes/workshop.json scenes/heads/wide120.json -o $out --quality draft --sector 0,30 --force
else
    build/lanternroom scan scenes/workshop.json scenes/heads/wide120.json -o $out
fi

cat <<END

The scan is in $out:
  preview/*.png   what each camera recorded, true range, laser light and ambient light alone: panoramas, turning left goes left
  cloud.ply       true points in colour; any point-cloud viewer opens it
  out/README.md   describes every array

Try next:
  build/lanternroom check $out                      (verify every checksum)
  build/lanternroom scan scenes/courtyard.json scenes/heads/pocket.json -o out/courtyard
  build/lanternroom scan scenes/workshop.json scenes/heads/wide120.json -o out/dim --set 'head.modules.0.lasers.*.power_mw=50'
  build/lanternroom --help
END
