#!/bin/sh
# Make .venv if it is missing, broken or too old; with WHAT, install that with the pinned versions and touch STAMP.
# Usage: scripts/venv.sh [WHAT STAMP]
set -eu
python=${PYTHON:-python3}

say() { printf 'witnessmark: %s\n' "$*" >&2; }
new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; }

if ! new_enough .venv/bin/python; then
    if ! new_enough "$python"; then
        say "$python is missing or older than 3.11; install Python 3.11 or newer, or name one: make PYTHON=python3.12"
        exit 1
    fi
    say "making .venv"
    "$python" -m venv --clear .venv || {
        say "this Python cannot make a virtual environment (on Debian: apt-get install python3-venv)"
        exit 1
    }
fi
[ $# = 2 ] || exit 0

say "installing $1 (first time: some minutes)"
.venv/bin/python -m pip --version >/dev/null 2>&1 || .venv/bin/python -m ensurepip --upgrade >/dev/null
.venv/bin/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e "$1" || {
    say "the packages could not be installed; the lines above say why (is there a connection to a package index?)"
    exit 1
}
# installed in place, the sources are not compiled by pip; where Python may not keep bytecode each start would pay for it
.venv/bin/python -m compileall -q src || true
touch "$2"
