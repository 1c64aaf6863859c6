#!/bin/sh
# The demo: simulate the bakery's van into OUT, analyse the recording with its setup, write JSON and report; then the van
# after its repair, held against it.
# Usage: scripts/demo.sh OUT
set -eu
out=$1
mkdir -p "$out"
.venv/bin/witnessmark simulate examples/bakery-van.toml "$out/bakery-van.npz"
echo
.venv/bin/witnessmark analyze "$out/bakery-van.npz" --setup "$out/bakery-van.setup.toml" \
    --json "$out/bakery-van.json" --report "$out/bakery-van.html"
echo
echo "Analysis (JSON): $out/bakery-van.json"
echo "Report to open in a browser: $(cd "$out" && pwd)/bakery-van.html"
echo
echo "After the repair, the wheel replaced:"
.venv/bin/witnessmark simulate examples/bakery-van-repaired.toml "$out/bakery-van-repaired.npz"
echo
.venv/bin/witnessmark compare "$out/bakery-van.npz" "$out/bakery-van-repaired.npz" \
    --setup "$out/bakery-van.setup.toml" --report "$out/bakery-van-repaired.html"
echo
echo "Before and after: $(cd "$out" && pwd)/bakery-van-repaired.html"
echo "To see and touch it in a browser: .venv/bin/witnessmark workbench $out/bakery-van.npz"
[ -z "${CI:-}" ] || exit 0
if [ "$(uname)" = Darwin ]; then
    open "$out/bakery-van.html"
elif [ -n "${DISPLAY:-}${WAYLAND_DISPLAY:-}" ] && command -v xdg-open >/dev/null; then
    xdg-open "$out/bakery-van.html" >/dev/null 2>&1 &
fi
