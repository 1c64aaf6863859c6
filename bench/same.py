"""The analyses of the examples, the open recordings and a sample of accuracy cases, written as JSON into a folder.

For changes that must change nothing but speed: run it before and after, then hold the folders against each other with
``diff -r``. Open recordings are found as the tests find them (WITNESSMARK_OPEN_DATA) and left out where absent.
Usage: python bench/same.py FOLDER [every how many accuracy cases]      default every 20th
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from pathlib import Path

from witnessmark.startup import quick_imports

with quick_imports():  # as the command line starts
    from witnessmark.pipeline import analyze, analyze_recording
    from witnessmark.report.analysis_json import analysis_json
    from witnessmark.report.model import Analysis
    from witnessmark.simulate.run import simulate, write_simulation

ROOT = Path(__file__).parents[1]


def kept(folder: Path, name: str, analysis: Analysis) -> None:
    """Write one analysis."""
    text = json.dumps(analysis_json(analysis), indent=1, ensure_ascii=False)
    (folder / f"{name}.json").write_text(text + "\n", encoding="utf-8")


def examples(folder: Path) -> None:
    """The examples with and without their setups, named by paths that are the same wherever this runs."""
    for scenario in sorted((ROOT / "examples").glob("*.toml")):
        recording, _, setup = write_simulation(scenario, f"{scenario.stem}.npz")
        kept(folder, scenario.stem, analyze(recording))
        kept(folder, f"{scenario.stem}-setup", analyze(recording, setup))


def open_recordings(folder: Path) -> None:
    """What was measured on real engines."""
    where = os.environ.get("WITNESSMARK_OPEN_DATA")
    for path in sorted(Path(where).glob("*.csv")) if where else ():
        kept(folder, path.stem, analyze(path))


def cases(folder: Path, every: int) -> None:
    """A sample of the accuracy cases."""
    sys.path.insert(0, str(ROOT))
    from accuracy.cases import cases as drawn
    from accuracy.memory import recording_of
    from accuracy.score import setup_of
    from witnessmark.recording.setup import Setup

    for case in drawn("all")[::every]:
        made = simulate(case.scenario)
        kept(folder, case.id, analyze_recording(recording_of(made), setup_of(made) if case.with_setup else Setup()))


def main() -> None:
    """Write them all."""
    folder = Path(sys.argv[1]).absolute()
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        os.chdir(scratch)
        examples(folder)
        open_recordings(folder)
        cases(folder, int(sys.argv[2]) if len(sys.argv) > 2 else 20)
    print(f"{len(list(folder.glob('*.json')))} analyses in {folder}")


if __name__ == "__main__":
    main()
