"""The ripple of the speed from one compression to the next, and teeth set where they would pass at an even speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel.lattice_kernel import MAX_SKIP_TEETH


@dataclass(frozen=True, slots=True)
class Ripple:
    """Share of a period's time that each of its equal steps of angle takes [steps], and variance of its log [steps].

    period_deg: crank degrees from one compression to the next; phase 0 is at slot 1 of the first turn.
    """

    period_deg: float
    share: tuple[float, ...]
    variance: tuple[float, ...]

    @property
    def turns(self) -> int:
        """Turns after which teeth meet the same ripple: one, or two with an odd number of compressions a cycle."""
        return 1 if abs(360.0 / self.period_deg - round(360.0 / self.period_deg)) < 1e-6 else 2

    def evened(self, angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        """Angles at which these would pass, did the crank turn evenly (deg; whole periods stay where they are)."""
        steps = len(self.share)
        done = np.concatenate(([0.0], np.cumsum(self.share))) * self.period_deg
        whole = np.floor(angle_deg / self.period_deg)
        within = np.interp(angle_deg - whole * self.period_deg, np.arange(steps + 1) * self.period_deg / steps, done)
        return np.asarray(whole * self.period_deg + within)

    def rough(self, teeth_deg: NDArray[np.float64], whole_deg: float) -> NDArray[np.float64]:
        """Variance of the log time of each stride from each tooth [n, MAX_SKIP_TEETH + 1]; whole_deg: the circle."""
        steps = len(self.share)
        n = teeth_deg.size
        step = self.period_deg / steps
        # time and its variance up to every step's edge, then by angle: strides are differences
        ahead = np.arange(n)[:, None] + np.arange(MAX_SKIP_TEETH + 1)[None, :]
        ends = teeth_deg[ahead % n] + whole_deg * (ahead // n)
        reach = int(np.ceil(ends.max() / step)) + 2
        share = np.asarray(self.share)[np.arange(reach) % steps]
        spread = np.asarray(self.variance)[np.arange(reach) % steps] * share**2
        edges = np.arange(reach + 1) * step
        time = np.interp(ends, edges, np.concatenate(([0.0], np.cumsum(share))))
        var = np.interp(ends, edges, np.concatenate(([0.0], np.cumsum(spread))))
        took = time - time[:, :1]
        return np.asarray((var - var[:, :1]) / np.maximum(took, 1e-12) ** 2)
