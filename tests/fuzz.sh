#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# sh tests/fuzz.sh BUILD SECONDS: builds and runs every tests/fuzz_*.c for SECONDS each, from our own files as seeds.
set -eu
build=$1 seconds=$2
seeds=$(mktemp -d) && trap 'rm -rf "$seeds"' EXIT
passed=0 failed=0
for source in tests/fuzz_*.c; do
    name=$(basename "$source" .c)
    ninja -C "$build" --quiet "$name"
    mkdir -p "$seeds/$name"
    cp scenes/*.json scenes/heads/*.json materials/*.json "$seeds/$name/" 2>/dev/null || true
    if "$build/tests/$name" -max_total_time="$seconds" -rss_limit_mb=4096 -timeout=20 -verbosity=0 -print_final_stats=0 \
        -artifact_prefix="$build/" "$seeds/$name" >"$build/$name.log" 2>&1; then
        echo "fuzz $name: $seconds s, no fault"; passed=$((passed + 1))
    else
        echo "fuzz $name: FAULT"; tail -40 "$build/$name.log"; failed=$((failed + 1))
    fi
done
echo "fuzz: $passed passed, $failed failed"
[ "$failed" = 0 ]
