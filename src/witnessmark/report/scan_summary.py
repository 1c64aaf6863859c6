"""The human summary of a scan snapshot: what is stored, what it says, what it does not, what must not be lost."""

from __future__ import annotations

from witnessmark.causes.catalogue import load_knowledge
from witnessmark.findings.model import Findings
from witnessmark.report.blocks import block
from witnessmark.report.words import opening, plural
from witnessmark.scan.against import Agreement
from witnessmark.scan.history import joined
from witnessmark.scan.meanings import meaning
from witnessmark.scan.model import ControlUnit, ScanSnapshot, Series
from witnessmark.scan.parameters import quantities
from witnessmark.scan.readiness import NAMES
from witnessmark.scan.vin import masked

OPEN_SHOWN = 3
NOTES_SHOWN = 3
SIMULATED = "Simulated control units: nothing here was read from a vehicle."


def summary(
    snapshot: ScanSnapshot,
    findings: Findings,
    agreements: tuple[Agreement, ...] = (),
    show_vin: bool = False,
    full: bool = True,
) -> str:
    """About 20 to 40 lines on the snapshot, without a line break at the end; vehicle numbers masked unless shown.

    full: with every live value, what the codes point at, what could not be told, and cautions by more than their first
    sentence; what is left out is counted.
    """
    lines = block("Read", [source_line(snapshot), *([SIMULATED] if snapshot.simulated else [])])
    for unit in snapshot.units:
        lines += block("Unit", unit_lines(unit, show_vin))
    lines += block("Found", [f"{f.id}: {f.statement}" for f in findings.found if f.stated] or ["Nothing stated."])
    lines += block("Hints", [f"{f.id}: {f.statement}" for f in findings.found if not f.stated])
    lines += block("Recorded", [f"{a.verdict.replace('-', ' ').upper()}: {a.statement}" for a in agreements])
    open_ = [f"{n.question} {n.reason[:1].upper()}{n.reason[1:]}; needed: {n.needs}."
             for n in findings.not_assessed[:OPEN_SHOWN]]  # fmt: skip
    if full:
        lines += block("Meaning", _hints(snapshot))
        lines += block("Values", value_lines(snapshot))
        lines += block("Not told", open_)
    lines += block("Not used", _notes(snapshot))
    lines += block("Cautions", [c if full else opening(c) for c in cautions(snapshot, findings)])
    if not full:
        values = plural(sum(1 for u in snapshot.units for s in u.series if s.values), "live value")
        questions = plural(len(findings.not_assessed), "question")
        lines += block("More", [f"{values}, what the codes point at and {questions} left open: --full."])
    return "\n".join(lines)


def cautions(snapshot: ScanSnapshot, findings: Findings) -> list[str]:
    """What is read must not be lost; where the engine was cranked, or is to be, what can hurt then."""
    crank = snapshot.source.engine == "cranking" or any("--engine cranking" in n.needs for n in findings.not_assessed)
    ids = ("evidence", *(("rotation", "battery") if crank else ()))
    return [load_knowledge().caution_text(i) for i in ids]


def source_line(snapshot: ScanSnapshot) -> str:
    """Where it comes from and how much it is."""
    s = snapshot.source
    what = {"live": "from the bus", "log": "log", "hand": "typed in", "simulated": "from the bus"}[s.kind]
    parts = [
        f"{what} {s.path or ''}".strip(),
        f"{plural(s.frames, 'frame')}" if s.frames is not None else "",
        f"{plural(s.messages, 'answer')}" if s.messages is not None else "",
        f"over {s.duration_s:.1f} s" if s.duration_s else "",
        f"taken {s.taken}" if s.taken else "",
        f"engine {s.engine} meanwhile" if s.engine else "",
    ]
    return ", ".join(p for p in parts if p) + "."


def unit_lines(unit: ControlUnit, show_vin: bool) -> list[str]:
    """One control unit: who it is, its codes, its lamp and self-tests, what it refused."""
    out = [f"{unit.called}: {_codes(unit)}."]
    if unit.vin is not None:
        check = {"does not fit": " (the check digit does not fit; outside North America it need not)",
                 "not well formed": " (not well formed)"}.get(unit.vin_check or "", "")  # fmt: skip
        out.append(f"vehicle number {unit.vin if show_vin else masked(unit.vin)}{check}")
    if unit.calibrations:
        checks = f", verification {', '.join(unit.verifications)}" if unit.verifications else ""
        out.append(f"calibration {', '.join(unit.calibrations)}{checks}")
    if unit.readiness is not None and unit.readiness.monitors:
        left = unit.readiness.incomplete
        lamp = {True: "lamp on, ", False: "lamp off, ", None: ""}[unit.readiness.lamp]
        of = f"{len(unit.readiness.monitors) - len(left)} of {len(unit.readiness.monitors)} self-tests complete"
        out.append(f"{lamp}{of}{': open are ' + ', '.join(NAMES[n] for n in left) if left else ''}")
    failed = [t for t in unit.tests if not t.passed]
    if unit.tests:
        names = "; ".join(f"{t.name}: {t.value:g} {t.unit}, allowed {t.low:g} to {t.high:g}" for t in failed)
        result = f"{len(failed)} failed: {names}" if failed else "none failed"
        out.append(f"{plural(len(unit.tests), 'on-board test')}, {result}")
    if unit.refusals:
        out.append("refused: " + "; ".join(f"service {r.service}, {r.reason}" for r in unit.refusals))
    return out


def _codes(unit: ControlUnit) -> str:
    said = [f"{code} {joined(kinds)}" for code, kinds in unit.codes.items()]
    if said:
        return "; ".join(said)
    return "codes not read" if unit.stored is None else "no codes"


def value_lines(snapshot: ScanSnapshot) -> list[str]:
    """The live values of each unit, the last of each and the span where it moved."""
    out = []
    for unit in snapshot.units:
        shown = [value_words(s) for s in unit.series if s.values]
        if shown:
            out.append(f"{unit.address or 'unit'}: {'; '.join(shown)}.")
    return out


def value_words(series: Series) -> str:
    """One value in words: ``engine speed 204 rpm (0 rpm to 210 rpm in 24 answers)``."""
    known = quantities().get(series.key)
    words = known[1].words if known is not None else lambda value: f"{value:.5g} {series.unit}"
    low, high = min(series.values), max(series.values)
    span = f"{words(low)} to {words(high)} in {len(series.values)} answers"
    return f"{series.name} {words(series.values[-1])}{f' ({span})' if high > low else ''}"


def _hints(snapshot: ScanSnapshot) -> list[str]:
    """What the trade reads from the groups of the codes that are there, each once."""
    said = [meaning(c) for u in snapshot.units for c in u.codes]
    by_group = {m.group.name: m.hint for m in said if m.group is not None and m.hint}
    return [f"{name}: {hint}" for name, hint in by_group.items()]


def _notes(snapshot: ScanSnapshot) -> list[str]:
    shown = []
    for n in snapshot.notes[:NOTES_SHOWN]:
        where = f"{n.where}: " if n.where else ""
        shown.append(f"{where}{n.text}{f' ({n.time_s:.3f} s)' if n.time_s is not None else ''}")
    more = len(snapshot.notes) - NOTES_SHOWN
    return shown + ([f"and {more} more, in the JSON"] if more > 0 else [])
