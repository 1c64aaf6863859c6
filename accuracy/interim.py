"""What ``follow`` says while a record grows, on the named cases: python -m accuracy.interim [--kind KIND] [--every N].

Every case is looked at as it would be in a workshop: it grows by a second a second, a look takes 0.3 s. Counted are
the records in which something was stated meanwhile that the whole record does not state: a false interim line.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from dataclasses import dataclass

from accuracy.cases import HEALTHY, PER_KIND, Case, of_kind
from witnessmark.follow.frames import RawFile
from witnessmark.follow.schedule import Schedule
from witnessmark.follow.watch import Watch
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.open import usable
from witnessmark.recording.setup import Setup, load_setup
from witnessmark.recording.write import write_recording
from witnessmark.simulate.run import Simulated, simulate
from witnessmark.simulate.truth import setup_toml

STEP_S = 0.25  # how often it is asked whether a look is due
LOOK_S = 0.3  # how long a look is taken to last


@dataclass(frozen=True)
class Followed:
    """One case: looks made, kinds stated meanwhile, and at the end."""

    id: str
    looks: int
    meanwhile: tuple[str, ...]
    at_end: tuple[str, ...]

    @property
    def false(self) -> tuple[str, ...]:
        """What was stated meanwhile and is not stated of the whole."""
        return tuple(k for k in dict.fromkeys(self.meanwhile) if k not in self.at_end)


def follow(case: Case) -> Followed:
    """Follow one case to its end."""
    made = simulate(case.scenario)
    with tempfile.TemporaryDirectory(prefix="witnessmark-") as folder:
        path = _written(made, folder)
        setup = Setup()
        if case.with_setup:
            place = os.path.join(folder, "setup.toml")
            with open(place, "w", encoding="utf-8") as file:
                file.write(setup_toml(made.setup))
            setup = load_setup(place)
        return _followed(case.id, RawFile(path), setup)


def _written(made: Simulated, folder: str) -> str:
    path = os.path.join(folder, "case.raw")
    gains = {n: gain for n, (gain, _) in made.gains.items()}
    offsets = {n: offset for n, (_, offset) in made.gains.items()}
    write_recording(path, made.channels, made.rate_hz, units=made.units, gains=gains, offsets=offsets)
    return path


def _followed(name: str, stream: RawFile, setup: Setup) -> Followed:
    stream.poll()
    watch, schedule, now_s, looks, said = Watch(), Schedule(), 0.0, 0, []
    while now_s + STEP_S < stream.length_s:
        now_s += STEP_S
        stretch = schedule.due(0.0, now_s, now_s, watch.in_doubt)
        if stretch is None:
            continue
        with stream.window(*stretch) as part:
            changes = watch.look(analyze_recording(usable(part, setup), setup), *stretch)
        said += [c.finding.kind for c in changes if c.what in ("stated", "again")]
        schedule.looked(stretch, 0.0, now_s, now_s + LOOK_S)
        looks += 1
    with stream.window(0.0, stream.length_s) as part:
        whole = analyze_recording(usable(part, setup), setup)
    return Followed(name, looks, tuple(said), tuple(f.kind for f in whole.findings.found if f.stated))


def main() -> int:
    """Follow a sample of one kind of cases and print what came out."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--kind", default="healthy")
    parser.add_argument("--every", type=int, default=13, metavar="N", help="only every Nth case")
    options = parser.parse_args()
    number = HEALTHY if options.kind == "healthy" else PER_KIND
    done = [follow(c) for c in of_kind(options.kind, number, numbers=range(0, number, options.every))]
    for one in done:
        print(f"{one.id}: {one.looks} looks, stated {', '.join(one.meanwhile) or 'nothing'}", flush=True)
    false = [f"{d.id} ({', '.join(d.false)})" for d in done if d.false]
    print(f"{len(done)} records, {sum(d.looks for d in done)} looks; stated meanwhile but not of the whole: ", end="")
    print(", ".join(false) or "none")
    return 1 if false and options.kind == "healthy" else 0


if __name__ == "__main__":
    raise SystemExit(main())
