"""The first seconds of a record against the plan: is each line there, alive, the right way round, in scale, fast?"""

from __future__ import annotations

from witnessmark.findings.model import Finding
from witnessmark.plan.amounts import deg_per_sample
from witnessmark.plan.model import Checked, Hookup, Plan, PlannedLine, Problem
from witnessmark.report.model import Analysis
from witnessmark.signals.model import Line

# A clock this much below what was planned is too slow; a rounded one is let pass.
SLOW = 0.8  # estimate, no source
RATIOS = (10.0, 0.1, 100.0, 0.01)  # those of probes and clamps, and the wrong way round (common practice, no source)
MOVES = frozenset({"crank", "cam", "coil", "injector", "starter-current", "cylinder-pressure", "second-tap"})
COMMANDS = frozenset({"coil", "injector"})
# What the analysis says of the record itself, in the words of a hookup.
FROM_FINDINGS: dict[str, Problem] = {
    "record-clipped": "clipped", "record-ac-coupled": "wrong-coupling", "record-thinned": "thinned",
    "record-rate-low": "too-slow", "record-scale-doubtful": "wrong-ratio", "polarity-reversed": "wrong-polarity",
}  # fmt: skip
DO: dict[Problem, str] = {
    "missing": "Hook it up, or name its channel in the setup.",
    "dead": "Check tip, pin, ground and the recorder's input before cranking on; if all are right it is a finding.",
    "wrong-polarity": "Turn the leads or the clamp round (or the recorder's invert off), and note which it was.",
    "wrong-ratio": "Set the probe's or clamp's ratio in the recorder as it is on the lead.",
    "too-slow": "Raise the sample rate, or record fewer lines.",
    "clipped": "Take the next larger input range.",
    "wrong-coupling": "Set the input to direct coupling.",
    "thinned": "Have the recorder keep every sample.",
}


def check(plan: Plan, analysis: Analysis) -> Hookup:
    """Hold the analysis of the first seconds against the plan, line by line.

    While nothing turns only resting levels and rates can be told; a line that must move is then left open (ok None).
    """
    turning = analysis.in_motion is True
    taken: set[str] = set()
    out = []
    for planned in plan.lines:
        line = _line_of(planned, analysis, taken)
        if line is not None:
            taken.add(line.name)
        out.append(_checked(planned, line, analysis, plan, turning))
    return Hookup(plan, tuple(out), turning)


def _line_of(planned: PlannedLine, analysis: Analysis, taken: set[str]) -> Line | None:
    """The channel that carries a planned line; of supplies and grounds, that of the same sensor where it is said."""
    lines = [line for line in analysis.signals.by_role(planned.role) if line.name not in taken]
    roles = {line.name: line.role for line in analysis.signals.lines}
    same = [line for line in lines if not planned.of or not line.of or roles.get(line.of) == planned.of]
    return same[0] if same else None


def _checked(planned: PlannedLine, line: Line | None, analysis: Analysis, plan: Plan, turning: bool) -> Checked:
    if line is None:
        if planned.role == "other":
            return Checked("other", None, None, None, f"{planned.label}: not checked, any channel may carry it.")
        return _wrong(planned, None, "missing", f"No channel carries the {planned.label}.")
    for judge in (_dead, _scaled, _turned_round, _slow, _by_findings):
        found = judge(planned, line, analysis, plan, turning)
        if found is not None:
            return found
    moving = planned.role in MOVES and not turning
    if moving:
        text = f"{_named(planned, line)} rests at {line.levels.high:.3g} {line.info.unit}: told when the engine turns."
        return Checked(planned.role, line.name, None, None, text)
    return Checked(planned.role, line.name, True, None, f"{_named(planned, line)} {_levels(line)}: as it should be.")


def _named(planned: PlannedLine, line: Line) -> str:
    return f"{planned.label[0].upper()}{planned.label[1:]} (channel {line.name})"


def _levels(line: Line) -> str:
    return f"goes from {line.levels.minimum:.3g} to {line.levels.maximum:.3g} {line.info.unit}".rstrip()


def _wrong(planned: PlannedLine, line: Line | None, problem: Problem, text: str) -> Checked:
    return Checked(planned.role, None if line is None else line.name, False, problem, text, DO[problem])


def _dead(planned: PlannedLine, line: Line, analysis: Analysis, plan: Plan, turning: bool) -> Checked | None:
    """A line that does not move while others show that the engine turns."""
    if planned.role not in MOVES or not turning or line.levels.moving:
        return None
    text = f"{_named(planned, line)} does not move while the engine turns."
    if planned.role in COMMANDS:
        text = f"{_named(planned, line)} shows nothing while the engine turns: no command, or no hookup."
    return _wrong(planned, line, "dead", text)


def _scaled(planned: PlannedLine, line: Line, analysis: Analysis, plan: Plan, turning: bool) -> Checked | None:
    """A size that would be right with another ratio."""
    expected = planned.working if turning else planned.resting
    if expected is None or not line.scale_known or line.info.unit not in ("", planned.unit):
        return None
    low, high = expected
    size = max(abs(line.levels.minimum), abs(line.levels.maximum)) if turning else line.levels.high
    if turning and line.sensor == "hall" and planned.role in ("crank", "cam"):
        size = line.levels.swing
    if low <= size <= high or size == 0.0:
        return None
    for ratio in RATIOS:
        if low <= size * ratio <= high and (turning or low > 0.0):
            text = (
                f"{_named(planned, line)} {_levels(line)}; {ratio:g} times that would be usual ({low:g} to {high:g})."
            )
            return _wrong(planned, line, "wrong-ratio", text)
    return None


def _turned_round(planned: PlannedLine, line: Line, analysis: Analysis, plan: Plan, turning: bool) -> Checked | None:
    """A one-sided line that goes down; a variable-reluctance crank line whose steep crossing goes the wrong way."""
    if planned.role == "crank" and line.sensor == "vr" and line.name == analysis.wheel.channel:
        if analysis.wheel.polarity == "reversed":
            why = analysis.wheel.polarity_reason.rstrip(".")
            text = f"{_named(planned, line)} is the wrong way round ({why}): the leads of the probe or of the sensor."
            return _wrong(planned, line, "wrong-polarity", text)
        return None
    down, up = -line.levels.minimum, line.levels.maximum
    working = planned.working or (0.0, 0.0)
    if planned.one_sided and down > max(up, 0.25 * working[0]) and down > 10.0 * line.levels.noise:
        return _wrong(planned, line, "wrong-polarity", f"{_named(planned, line)} {_levels(line)}: the wrong way round.")
    return None


def _slow(planned: PlannedLine, line: Line, analysis: Analysis, plan: Plan, turning: bool) -> Checked | None:
    """A clock below what the question needs."""
    rate = line.info.rate_hz
    if rate is None or rate >= SLOW * planned.rate_hz:
        return None
    fine = deg_per_sample(rate, plan.up_to_rpm)
    text = (
        f"{_named(planned, line)} is recorded at {rate:g} Hz, {fine:.2g} degrees a sample at {plan.up_to_rpm:.0f} rpm; "
        f"{planned.rate_hz:g} Hz or more are needed."
    )
    return _wrong(planned, line, "too-slow", text)


def _by_findings(planned: PlannedLine, line: Line, analysis: Analysis, plan: Plan, turning: bool) -> Checked | None:
    """What the analysis states about the record of this line."""
    mine: list[Finding] = [
        f for f in analysis.findings.found if f.stated and f.channel == line.name and f.kind in FROM_FINDINGS
    ]
    if not mine:
        return None
    first = max(mine, key=lambda f: f.confidence)
    return _wrong(planned, line, FROM_FINDINGS[first.kind], f"{first.statement.rstrip('.')}.")
