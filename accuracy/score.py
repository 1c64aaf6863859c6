"""One case run and judged against its truth."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from accuracy.cases import Case
from accuracy.measures import Measures, measure
from accuracy.memory import recording_of
from witnessmark.findings.model import Finding
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.setup import Setup, load_setup
from witnessmark.report.model import Analysis
from witnessmark.simulate.run import Simulated, simulate
from witnessmark.simulate.truth import setup_toml
from witnessmark.wheel.model import Layout

TOOTH_KINDS = ("tooth-absent", "tooth-weak", "tooth-displaced", "tooth-extra")


@dataclass
class Score:
    """What came out for one case. None where a question does not apply."""

    id: str
    kind: str
    severity: float
    value: float
    truth: str
    first: str
    probability: float
    cause_right: bool
    layout_right: bool | None
    layout: str
    slot_right: bool | None
    slots: list[int]
    stated: list[str] = field(default_factory=list)
    hints: list[str] = field(default_factory=list)
    note: str = ""
    with_setup: bool = False
    where: str = ""
    nothing: float = 0.0  # share of "nothing wrong seen"
    others: list[float] = field(default_factory=list)  # shares of the causes behind the first
    measures: Measures = field(default_factory=Measures)


class Judged(Protocol):
    """What a case must say of itself to be judged."""

    @property
    def id(self) -> str:
        """Name of the case."""
        ...

    @property
    def kind(self) -> str:
        """Row of the table."""
        ...

    @property
    def severity(self) -> float:
        """1 plain to 0 barely visible."""
        ...

    @property
    def value(self) -> float:
        """The same in the kind's own unit."""
        ...

    @property
    def with_setup(self) -> bool:
        """Whether the program is told the engine."""
        ...

    @property
    def undecidable(self) -> bool:
        """Whether the record alone cannot tell design from damage."""
        ...

    @property
    def slot_modulo(self) -> int | None:
        """A slot is known only modulo this."""
        ...


def setup_of(simulated: Simulated) -> Setup:
    """The simulated engine's setup, read back as a user's file would be."""
    with tempfile.NamedTemporaryFile("w", suffix=".toml", delete=False, encoding="utf-8") as file:
        file.write(setup_toml(simulated.setup))
    try:
        return load_setup(file.name)
    finally:
        os.unlink(file.name)


def run(case: Case) -> Score:
    """Simulate, analyse and judge."""
    made = simulate(case.scenario)
    analysis = analyze_recording(recording_of(made), setup_of(made) if case.with_setup else Setup())
    return judge(case, made.truth | case.truth, analysis)


def judge(case: Judged, truth: dict[str, Any], analysis: Analysis) -> Score:
    """Compare an analysis with the truth of its case."""
    first = analysis.verdict.causes[0]
    found = analysis.findings.found
    layout = analysis.wheel.layout
    slots = [f.slot for f in found if f.kind in TOOTH_KINDS and f.stated and f.slot is not None]
    causes = [str(c) for c in truth.get("causes") or [truth["cause"]]]
    return Score(
        id=case.id,
        kind=case.kind,
        severity=case.severity,
        value=case.value,
        truth=" + ".join(causes),
        first=first.id,
        probability=first.probability,
        nothing=sum(c.probability for c in analysis.verdict.causes if c.id == "none-found"),
        others=[c.probability for c in analysis.verdict.causes[1:] if c.id != "none-found"],
        cause_right=cause_right(causes, analysis) or (case.undecidable and _named(analysis, causes[0])),
        layout_right=_layout_right(case, truth["fitted"], analysis),
        layout=layout.name if layout else f"none ({analysis.wheel.why_not})",
        slot_right=None if _twin(truth, found) else _slot_right(case, truth, slots),
        slots=slots,
        stated=[f"{f.kind}{'' if f.slot is None else ' ' + str(f.slot)} {f.confidence:.2f}" for f in found if f.stated],
        hints=[
            f"{f.kind}{'' if f.slot is None else ' ' + str(f.slot)} {f.confidence:.2f}" for f in found if not f.stated
        ],
        note=analysis.wheel.undecidable,
        with_setup=case.with_setup,
        measures=measure(truth, analysis),
    )


# Causes that one record cannot part where everything is withheld though all inputs are good: either first is right when
# the other is named with it.
LOOK_ALIKE = ({"security-lockout", "control-unit"},)
# Exchanged leads and an exchanged probe give the same record unless what the control unit does is recorded too.
PROBE_ALIKE = {"sensor-polarity", "measurement-fault"}
NAMED = 0.15


def cause_right(causes: list[str], analysis: Analysis) -> bool:
    """One cause: it is first, alone or in a pair, or a look-alike is that no record parts from it, and it is named too.

    Two causes: the first entry names one of them, and the other stands in it or comes next.
    """
    entries = analysis.verdict.causes
    members = [{e.id, e.with_} - {None} for e in entries]
    if len(causes) == 2:
        both = set(causes)
        if members[0] == both:
            return True
        return len(members) > 1 and members[0] <= both and bool((members[1] - members[0]) & both)
    if entries[0].id == causes[0]:
        return True
    unseen = not any(o.role == "coil" and o.events for o in analysis.engine.outputs)
    for alike in (*LOOK_ALIKE, *([PROBE_ALIKE] if unseen else [])):
        if causes[0] in alike and entries[0].id in alike:
            return any(e.id == causes[0] and e.probability >= NAMED for e in entries)
    return False


def _named(analysis: Analysis, cause: str) -> bool:
    """Undecidable cases are right when the truth is kept alive: among the causes, or the design is said to be open."""
    others = [c for c in analysis.verdict.causes if c.id == cause and c.probability > 0.02]
    return bool(others) or bool(analysis.wheel.undecidable) or any(a.damaged_slots for a in analysis.wheel.alternatives)


def same(layout: Layout, fitted: dict[str, Any]) -> bool:
    """Whether a layout is the fitted one: slots and gaps, or the cyclic order of unequal teeth within 2 degrees."""
    if layout.regular and not fitted.get("teeth_deg"):
        return layout.slots == fitted["slots"] and list(layout.missing) == list(fitted["missing"])
    teeth = fitted.get("teeth_deg") or []
    if len(teeth) != len(layout.teeth_deg):
        return False
    a = np.diff(np.append(layout.teeth_deg, layout.teeth_deg[0] + 360.0))
    b = np.diff(np.append(teeth, teeth[0] + 360.0))
    return any(np.allclose(np.roll(a, k), b, atol=2.0) for k in range(len(a)))


def _layout_right(case: Judged, fitted: dict[str, Any], analysis: Analysis) -> bool | None:
    """None where no record could tell: an even wheel with neither setup nor cam, or a stated ambiguity kept open."""
    layout = analysis.wheel.layout
    even = not fitted.get("teeth_deg") and not fitted["missing"]
    if even and not case.with_setup and not analysis.signals.by_role("cam"):
        return None
    if layout is None:
        return False
    if same(layout, fitted):
        return True
    if case.undecidable and any(same(a.layout, fitted) for a in analysis.wheel.alternatives):
        return None
    return False


def _twin(truth: dict[str, Any], found: tuple[Finding, ...]) -> bool:
    """The one slot named is said to be one of two, of which either one gone leaves the same edges, and the other is it.

    Nothing in the crank line tells them apart (on a wheel with a gap of one any tooth lost makes a second such gap).
    """
    named = [f for f in found if f.stated and f.kind in TOOTH_KINDS and f.slot is not None]
    true = truth.get("slots") or []
    return len(named) == 1 and len(true) == 1 and named[0].evidence.get("or_slot") == true[0]


def _slot_right(case: Judged, truth: dict[str, Any], slots: list[int]) -> bool | None:
    """Every true slot named and no other; None where the case has none or the record cannot tell."""
    true = [int(s) for s in truth.get("slots") or []]
    if truth.get("kind") not in TOOTH_KINDS or not true or case.undecidable:
        return None
    if not slots:
        return False
    modulo = case.slot_modulo
    if modulo:
        return {s % modulo for s in slots} == {s % modulo for s in true}
    return set(slots) == set(true)
