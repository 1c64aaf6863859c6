"""The number of cylinders, with where it comes from and how they fire."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:  # the fit compiles; what is only read from its result does not
    from witnessmark.wheel.firing import Place


@dataclass(frozen=True, slots=True)
class Count:
    """The number of cylinders and where it comes from: source "setup", "inferred" or "" (not known, see because).

    firing_deg: firing TDCs after cylinder 1's over one cycle where the setup gives them, else of the pattern that the
    ripple shows; empty where not known. places: where the ripple puts that pattern, per stretch.
    """

    cylinders: int | None
    source: str
    certainty: float
    because: str
    firing_deg: tuple[float, ...] = ()
    cycle_deg: float = 720.0
    places: tuple[Place, ...] = ()

    @property
    def even(self) -> bool:
        """Whether the cylinders fire at equal distances, as far as known."""
        n = len(self.firing_deg)
        steps = np.diff([*sorted(self.firing_deg), self.cycle_deg]) if n else np.empty(0)
        return n > 0 and bool(np.allclose(steps, self.cycle_deg / max(n, 1), atol=2.0))

    @property
    def of_even(self) -> int | None:
        """The number, where the cylinders fire at equal distances."""
        return self.cylinders if self.even else None

    @property
    def window_deg(self) -> float:
        """Angle over which the ripple averages out: whole repeats of the firing pattern, 120 degrees or more.

        One turn where nothing is known: it holds whole events of two, four, six and eight cylinders.
        """
        if not self.firing_deg:
            return 360.0
        at = np.sort(np.asarray(self.firing_deg))
        n = len(at)
        repeat = next(
            self.cycle_deg * k / n
            for k in range(1, n + 1)
            if n % k == 0 and np.allclose(np.sort((at + self.cycle_deg * k / n) % self.cycle_deg), at, atol=2.0)
        )
        return float(repeat * max(1.0, np.ceil(120.0 / repeat - 1e-9)))
