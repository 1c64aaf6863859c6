#!/bin/sh
# Make .venv if it is missing or broken and install WHAT with the pinned versions; touch STAMP when done.
# Usage: scripts/venv.sh WHAT STAMP
set -eu
what=$1 stamp=$2
python=${PYTHON:-python3}

say() { printf 'witnessmark: %s\n' "$*" >&2; }

if ! .venv/bin/python -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
    if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        say "$python is missing or older than 3.11; install Python 3.11 or newer, or name one: make PYTHON=python3.12"
        exit 1
    fi
    say "making .venv"
    "$python" -m venv --clear .venv || {
        say "this Python cannot make a virtual environment (on Debian: apt-get install python3-venv)"
        exit 1
    }
fi
.venv/bin/python -m pip --version >/dev/null 2>&1 || .venv/bin/python -m ensurepip --upgrade >/dev/null
say "installing $what (first time: some minutes)"
.venv/bin/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e "$what" || {
    say "the packages could not be installed; the lines above say why (is there a connection to a package index?)"
    exit 1
}
touch "$stamp"
