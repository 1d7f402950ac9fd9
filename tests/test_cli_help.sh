#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# --help of every command is, to the letter, the text in tests/expected/. With --renew those files are written anew.
set -eu
program=$1 work=$2
. tests/cli.sh
rm -rf "$work"
mkdir -p "$work"

"$program" --help >"$work/help.txt" 2>"$work/stderr"
commands=$(sed -n '/^commands:/,/^$/s/^  \([a-z]*\) .*/\1/p' "$work/help.txt")
[ "$(echo "$commands" | wc -l)" -ge 3 ] || fail "no commands in --help"
for name in $commands; do
    "$program" "$name" --help >"$work/help_$name.txt" 2>>"$work/stderr" || fail "$name --help fails"
    "$program" help "$name" | cmp -s - "$work/help_$name.txt" || fail "help $name is not $name --help"
    "$program" "$name" -h | cmp -s - "$work/help_$name.txt" || fail "$name -h is not $name --help"
done
[ ! -s "$work/stderr" ] || fail "help talks on stderr: $(cat "$work/stderr")"
"$program" help | cmp -s - "$work/help.txt" && "$program" -h | cmp -s - "$work/help.txt" || fail "help, -h and --help differ"

if [ "${4:-}" = --renew ]; then
    rm -f tests/expected/help*.txt
    cp "$work"/help*.txt tests/expected/
fi
for file in "$work"/help*.txt; do
    [ -e "tests/expected/$(basename "$file")" ] || fail "tests/expected/$(basename "$file") is missing: run tests/test_cli_help.sh with --renew, look, commit"
    diff -u "tests/expected/$(basename "$file")" "$file" >&2 || fail "$(basename "$file") differs: if you mean it, run tests/test_cli_help.sh with --renew"
done
[ "$(ls tests/expected/help*.txt | wc -l)" = "$(ls "$work"/help*.txt | wc -l)" ] || fail "tests/expected holds help of a command that is gone"

# Wide enough for a terminal of 150 columns, never a tab or a space at the end.
! grep -n "$(printf '\t')\| \$" "$work"/help*.txt || fail "white space"
! "$program" --version | grep -vx 'lanternroom [0-9]*\.[0-9]*\.[0-9]*' || fail "--version"
echo fine
