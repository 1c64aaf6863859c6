#!/bin/sh
# The report is tested in chromium: install Debian's where that is possible, else say that those tests are skipped.
for name in chromium chromium-browser google-chrome; do
    if command -v "$name" >/dev/null 2>&1; then exit 0; fi
done
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
    echo "witnessmark: installing chromium for the browser tests" >&2
    if apt-get update -qq >/dev/null && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq chromium >/dev/null; then
        exit 0
    fi
fi
echo "witnessmark: no chromium here: the browser tests are skipped (install chromium to run them)" >&2
