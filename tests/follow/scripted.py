"""Time that passes only when somebody waits, with things that happen meanwhile, and looks that cost nothing."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np

from witnessmark.findings.model import Finding
from witnessmark.follow.marks import Marks
from witnessmark.follow.run import Clock
from witnessmark.recording.write import write_recording

RATE_HZ = 1000.0


class Script:
    """A clock; ``steps`` are done in order, one each time somebody waits."""

    def __init__(self, *steps: Callable[[], object], marks: Marks | None = None):
        self.now_s, self.steps, self.marks = 0.0, list(steps), marks
        self.clock = Clock(now=lambda: self.now_s, sleep=self.sleep)

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds
        if self.steps:
            self.steps.pop(0)()
        elif self.marks is not None:
            self.marks.stop = True


def finding(kind="signal-lost", at=(3.0, 3.5), confidence=0.9, **more) -> Finding:
    return Finding(
        "F1", kind, more.pop("channel", "crank"), more.pop("lock", "none"), f"The statement of {kind}.", confidence, (),
        start_s=at[0], end_s=at[1], **more,
    )  # fmt: skip


def analysis(*found, turns=((0.0, 10.0, 40.0),), attempts=(), lines=(), recording=None):
    """As much of an analysis as the watch looks at. turns: (start, end, turns) of decoded stretches."""
    segments = tuple(SimpleNamespace(start_s=a, end_s=b, turns=n) for a, b, n in turns)

    def by_role(role):
        return tuple(line for line in lines if line.role == role)

    return SimpleNamespace(
        findings=SimpleNamespace(found=found),
        wheel=SimpleNamespace(layout="60-2", angle=SimpleNamespace(segments=segments, rpm=lambda t: t * np.nan)),
        engine=SimpleNamespace(attempts=attempts),
        signals=SimpleNamespace(by_role=by_role, lines=lines),
        recording=recording,
    )


def attempt(turning_at_end=True, started=False):
    return SimpleNamespace(turning_at_end=turning_at_end, started=started)


def ramp(samples=1000, channels=2) -> dict[str, np.ndarray]:
    """Samples that say which they are."""
    return {f"line {c}": (np.arange(samples) + 1000 * c).astype(np.int16) for c in range(1, channels + 1)}


def whole(path, samples=1000):
    """A recording of the ramp, as another program would leave it when it is done."""
    if path.name == "rate.csv":
        rows = zip(*ramp(samples).values(), strict=True)
        path.write_text(f"# rate_hz: {RATE_HZ}\nline 1,line 2\n" + "".join(f"{a},{b}\n" for a, b in rows))
    else:
        write_recording(path, ramp(samples), RATE_HZ)
    return path.read_bytes()
