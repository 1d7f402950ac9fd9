#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Sets up, builds with warnings as errors, and runs every test: once as shipped, once under address and undefined-behaviour
# sanitizers, then the fuzz targets for a short while each. LR_FUZZ_SECONDS sets how long (default 10).
set -eu
cd "$(dirname "$0")/.."
sh tests/setup.sh test
jobs=$(nproc)

echo "== build and test"
cmake -S . -B build -G Ninja -DLR_TESTS=ON -DLR_WERROR=ON >/dev/null
ninja -C build -j "$jobs" --quiet
(cd build && ctest --output-on-failure -j "$jobs")

echo "== build and test under sanitizers"
cmake -S . -B build-sanitize -G Ninja -DLR_WERROR=ON -DLR_SANITIZE=address,undefined >/dev/null
ninja -C build-sanitize -j "$jobs" --quiet
# An allocation that is too large returns NULL there, too: tests ask for what is told then.
(cd build-sanitize && ASAN_OPTIONS="allocator_may_return_null=1${ASAN_OPTIONS:+:$ASAN_OPTIONS}" ctest --output-on-failure -j "$jobs" -LE slow)

echo "== fuzz"
cmake -S . -B build-fuzz -G Ninja -DCMAKE_C_COMPILER=clang -DLR_WERROR=ON -DLR_FUZZ=ON -DLR_SANITIZE=address,undefined >/dev/null
sh tests/fuzz.sh build-fuzz "${LR_FUZZ_SECONDS:-10}"
