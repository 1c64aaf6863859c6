"""The accuracy table: python -m accuracy [--quick] [--only KIND] [--jobs N] [--gate]."""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from typing import Literal

from accuracy import edited, table
from accuracy.cases import Case, cases
from accuracy.edited import EditedCase
from accuracy.score import Score, run


def _one(case: Case | EditedCase) -> Score:
    try:
        return edited.run(case) if isinstance(case, EditedCase) else run(case)
    except Exception as wrong:  # a crash is a failed case, not the end of the table
        truth = edited.cause_of(case) if isinstance(case, EditedCase) else str(case.truth.get("cause"))
        return Score(
            case.id, case.kind, case.severity, case.value, truth, "crash", 0.0, False, False,
            "crash", False, [], note=f"{type(wrong).__name__}: {wrong}", with_setup=case.with_setup,
        )  # fmt: skip


def main() -> int:
    """Run the cases, print the table; exit 1 when worse than reached before, with --gate when a goal is missed."""
    parser = argparse.ArgumentParser(description="Accuracy on simulated truth and on edited real recordings.")
    parser.add_argument("--quick", action="store_true", help="a sample")
    parser.add_argument("--only", default="", help="one kind of case, or the beginning of its name (real)")
    parser.add_argument(
        "--gate", action="store_true", help="exit 1 when a goal is missed, not only when worse than before"
    )
    parser.add_argument("--jobs", type=int, default=2)
    chosen = parser.parse_args()
    which: Literal["quick", "all"] = "quick" if chosen.quick else "all"
    everything: list[Case | EditedCase] = [*cases(which), *edited.edited_cases(which)]
    todo = [c for c in everything if c.kind.startswith(chosen.only)]
    absent = edited.why_absent()
    began = time.monotonic()
    if chosen.jobs > 1:
        with ProcessPoolExecutor(chosen.jobs) as pool:
            scores = list(pool.map(_one, todo, chunksize=4))
    else:
        scores = [_one(c) for c in todo]
    print(table.text(scores, quick=chosen.quick))
    real = sum(isinstance(c, EditedCase) for c in todo)
    print(f"{len(scores) - real} simulated cases and {real} real recordings in {time.monotonic() - began:.0f} s")
    if absent:
        print(f"no real recordings: {absent}")
    if chosen.only:
        return 0
    held, goals = (table.QUICK_HELD, table.QUICK_GOALS) if chosen.quick else (table.HELD, table.GOALS)
    if not table.reached(scores, held):
        print("worse than what was reached before: this fails")
        return 1
    return 1 if chosen.gate and not table.reached(scores, goals) else 0


if __name__ == "__main__":
    sys.exit(main())
