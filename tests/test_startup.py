"""How a process of our own begins: what libraries read when loaded is set by then, and the user's word stays."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

LOOK = """
import sys, witnessmark.cli
assert "numpy" not in sys.modules
from witnessmark import startup
with startup.quick_imports():
    import witnessmark.pipeline
import os, re
print(os.environ["OPENBLAS_NUM_THREADS"], re.search(r"Threads:\\s*(\\d+)", open("/proc/self/status").read())[1])
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="counts threads as Linux tells them")
@pytest.mark.parametrize("said", [None, "2"])
def test_linear_algebra_starts_no_threads_of_its_own_unless_asked_to(said):
    around = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"}
    around |= {} if said is None else {"OPENBLAS_NUM_THREADS": said}
    done = subprocess.run([sys.executable, "-c", LOOK], capture_output=True, text=True, env=around, check=False)
    assert done.returncode == 0, done.stderr
    asked, threads = done.stdout.split()
    assert asked == (said or "1")
    if said is None:
        assert threads == "1"
