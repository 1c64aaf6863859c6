"""Which exponent on the causes' shares makes the stated probabilities come true: ``python -m accuracy.sharpness``.

The likelihoods are estimates rounded towards doubt, and findings are weighed as if each stood alone; one exponent on
the result puts both right on the whole (temperature scaling: Guo et al., On calibration of modern neural networks,
2017). Fitted on cases of a seed of their own, not on those of the accuracy table.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np

from accuracy import cases, whole
from accuracy.score import Score, run
from accuracy.table import calibration
from witnessmark.causes.catalogue import load_knowledge

SEED = 20261127
EXPONENTS = (0.8, 1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.3, 2.6, 3.0)
EACH, SOUND = 4, 48


def sharpened(score: Score, exponent: float) -> Score:
    """The score as it would be with another exponent; one whose first is "nothing wrong seen" stays."""
    if score.first == "none-found":
        return score
    shares = np.array([score.probability, *score.others])
    raised = shares**exponent
    return replace(score, probability=float((1.0 - score.nothing) * raised[0] / raised.sum()))


def log_loss(scores: list[Score]) -> float:
    """Mean negative log of what was said of what is so: the first cause is right, or is not."""
    p = np.clip([s.probability if s.cause_right else 1.0 - s.probability for s in scores], 1e-3, 1.0)
    return float(-np.mean(np.log(p)))


def drawn(each: int, sound: int) -> list[cases.Case]:
    """Fresh cases of every kind over its severities, and sound engines of both sorts."""
    out: list[cases.Case] = []
    for kind in cases.MAKERS:
        out += cases.of_kind(kind, each, SEED)
    for kind in whole.MAKERS:
        out += cases.of_whole(kind, each, SEED)
    half = cases.SOUND_WHEELS
    out += cases.of_kind("healthy", cases.HEALTHY, SEED, [*range(sound // 2), *range(half, half + sound - sound // 2)])
    return out


def main() -> None:
    """Print the calibration error and the log loss for each exponent, beside the one in use."""
    parser = argparse.ArgumentParser(description="Exponent that makes the stated probabilities come true.")
    parser.add_argument("--each", type=int, default=EACH, help="cases a kind")
    parser.add_argument("--sound", type=int, default=SOUND, help="sound engines")
    args = parser.parse_args()
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        scores = list(pool.map(run, drawn(args.each, args.sound)))
    now = load_knowledge().sharpness
    faulty = [s for s in scores if s.kind != "healthy"]
    wrong = [s for s in scores if s.kind == "healthy" and s.first != "none-found"]
    print(
        f"{len(scores)} fresh cases, seed {SEED}: first cause right {np.mean([s.cause_right for s in faulty]):.1%} of "
    )
    print(f"{len(faulty)} faulty, {len(wrong)} of {len(scores) - len(faulty)} sound accused; sharpness in use {now:g}")
    for s in scores:
        if not s.cause_right or (s.kind == "healthy" and s.stated):
            print(
                f"  {s.id} ({s.severity:.2f}) said {s.first} {s.probability:.2f}, true {s.truth}, stated {s.stated[:3]}"
            )
    for exponent in EXPONENTS:
        made = [sharpened(s, exponent / now) for s in scores]
        print(f"sharpness {exponent:.1f}  calibration error {calibration(made):.3f}  log loss {log_loss(made):.3f}")


if __name__ == "__main__":
    main()
