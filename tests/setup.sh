#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Installs what building and testing need on Debian 12, only where it is missing. Root or sudo.
#   sh tests/setup.sh build    compiler, libraries
#   sh tests/setup.sh test     also what the tests use
set -eu

build="gcc g++ make cmake ninja-build pkg-config libembree-dev libcjson-dev libassimp-dev libstb-dev librandom123-dev libpng-dev libssl-dev gnuplot-nox"
test="libcmocka-dev python3 python3-numpy python3-opencv opencv-doc pcl-tools netpbm python3-jsonschema clang libclang-rt-14-dev"

case "${1:-build}" in
    build) wanted=$build ;;
    test) wanted="$build $test" ;;
    *) echo "setup.sh: wanted: build or test" >&2; exit 2 ;;
esac

missing=""
for package in $wanted; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q '^install ok installed$' || missing="$missing $package"
done
[ -z "$missing" ] && exit 0

if [ "$(id -u)" = 0 ]; then as_root=""; else as_root="sudo"; fi
echo "installing:$missing" >&2
export DEBIAN_FRONTEND=noninteractive
$as_root apt-get update -qq
# shellcheck disable=SC2086
$as_root apt-get install -y -qq --no-install-recommends $missing >&2
