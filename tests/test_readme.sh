#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Runs the examples of README.md as written, in order, in a copy of the tree; and follows its links and those of its neighbours.
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"
mkdir -p "$work/tree/build" "$work/tree/out"
fail() { echo "$*" >&2; exit 1; }
root=$(pwd)
program=$(realpath "$program") work=$(realpath "$work")
cp -r README.md DEVELOPERS.md LICENSE scenes materials "$work/tree/"
cp out/README.md "$work/tree/out/"
ln -s "$program" "$work/tree/build/lanternroom"

# Every example has a language, so that none is passed over; those in sh and python become scripts 01.sh, 02.python, ...
awk -v work="$work" '
    /^```/ && !inside { inside = 1; word = substr($0, 4); if (word == "") { print "README.md:" NR ": a block without a language"; bad = 1 }
                        runs = word == "sh" || word == "python"; file = sprintf("%s/%02d.%s", work, ++count, word); next }
    /^```/ { inside = 0; if (runs) close(file); next }
    inside && runs { print > file }
    END { exit bad }' README.md || fail "blocks need a language"
[ "$(ls "$work"/*.sh | wc -l)" -ge 6 ] && [ "$(ls "$work"/*.python | wc -l)" -ge 1 ] || fail "hardly any example was found"

cd "$work/tree"
export PATH="/usr/bin:$PATH"
# The two commands that install and build are run by .ci/run itself. In place of the demo, a small scan into the same folder.
for line in "sh scenes/demo.sh" "sh tests/run.sh"; do
    grep -q "^$line" "$work/01.sh" && grep -q "$line" "$root/.ci/run" || fail "$line is not both in README.md and in .ci/run"
done
[ "$(grep -vc '^sh ' "$work/01.sh")" = 0 ] || fail "the first block holds more than the two commands"
rm "$work/01.sh"
build/lanternroom scan scenes/workshop.json scenes/heads/wide120.json -o out/workshop --quality draft --sector 0,3 -q ||
    fail "the scan in place of the demo failed"
grep -q "out=out/workshop\$" scenes/demo.sh || fail "the demo writes elsewhere"

for script in "$work"/[0-9]*; do
    case $script in
        *.sh) sh -eu "$script" >"$script.out" 2>"$script.err" || fail "$(cat "$script" "$script.err")" ;;
        *.python) "$python" "$script" >"$script.out" 2>"$script.err" || fail "$(cat "$script" "$script.err")" ;;
    esac
done
for name in front_upper front_lower front_upper_range front_upper_laser front_upper_ambient; do
    [ -s "out/workshop/preview/$name.png" ] || fail "no preview/$name.png, which README.md names"
done
for file in out/workshop/cloud.ply out/bare/scan.json out/bright/scan.json out/shared/scan.json out/mine/scan/scan.json; do
    [ -s "$file" ] || fail "the examples leave no $file"
done
[ ! -e out/raw_only/truth/front/upper.range.npy ] && [ -s out/ranges/truth/front/upper.flags.npy ] || fail "--truth is not as told"

# The table of sheet against flood is what its script prints, within what that says of its error.
grep -l sheet_or_flood.py "$work"/*.sh >"$work/which" || fail "sheet_or_flood.py is not run"
"$python" - "$(cat "$work/which").out" <<'PY' || fail "README.md's table of sheet and flood is not what the script prints"
import re, sys
def rows(path):
    return {m[1]: [float(x) for x in re.findall(r"[|] ([0-9.e-]+)", m[2])] for m in re.finditer(r"(?m)^([|] .* deg\)) (.*)$", open(path).read())}
said, seen = rows("README.md"), rows(sys.argv[1])
assert said.keys() == seen.keys() and len(said) == 3, (said, seen)
for place in said:
    assert len(said[place]) == 4 and all(abs(a/b - 1) < 0.3 for a, b in zip(said[place], seen[place])), (place, said[place], seen[place])
    assert seen[place][0] < 0.1*seen[place][1] and seen[place][2] > 100*seen[place][3]   # what the sheet is for
PY

# Links within the tree lead somewhere.
for page in README.md DEVELOPERS.md scenes/README.md scenes/heads/README.md materials/README.md out/README.md; do
    [ -s "$root/$page" ] || fail "$page is missing"
    grep -o '](\([^)#]*\))' "$root/$page" | sed 's/^](//; s/)$//' | while read -r link; do
        case $link in *://*) continue ;; esac
        [ -e "$root/$(dirname "$page")/$link" ] || fail "$page: $link leads nowhere"
    done
done
# Every command has its row.
"$program" --help | sed -n '/^commands:/,/^$/s/^  \([a-z]*\) .*/\1/p' | while read -r name; do
    grep -q "^| \`lanternroom $name" "$root/README.md" || fail "README.md's table of commands lacks $name"
done
echo fine
