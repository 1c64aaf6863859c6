"""Healthy engines drawn with other seeds than the accuracy table's: nothing may be stated against them."""

from __future__ import annotations

import pytest

from accuracy.cases import HEALTHY, of_kind
from accuracy.score import run

# An engine that did not start within the record is said not to have started, a recorder that ran into its range to have
# done so: that is so, and accuses nothing.
ALLOWED = ("no-start", "record-clipped")

# Sound engines that were accused when drawn first: numbers by seed, half of the draw plain wheels, half whole engines.
MENDED = {
    880101: (29,), 880102: (9, 22, 186), 880103: (33, 40, 42), 880105: (12, 42), 880106: (41, 152, 198),
    880107: (21,), 880108: (157,), 880109: (36,), 880110: (166,),
    770106: (20,),
}  # fmt: skip


def accused(seed: int, n: int, numbers: tuple[int, ...] | None = None) -> dict[str, list[str]]:
    stated = {case.id: run(case).stated for case in of_kind("healthy", n, seed=seed, numbers=numbers)}
    return {name: found for name, found in stated.items() if any(not f.startswith(ALLOWED) for f in found)}


@pytest.mark.slow
@pytest.mark.parametrize("seed", [77, 78, 79, 80, 501, 502])
def test_no_healthy_engine_of_another_seed_is_accused(seed: int) -> None:
    assert not accused(seed, 40)


@pytest.mark.slow
@pytest.mark.parametrize("seed", MENDED)
def test_no_engine_once_accused_is_accused_again(seed: int) -> None:
    assert not accused(seed, HEALTHY, MENDED[seed])
