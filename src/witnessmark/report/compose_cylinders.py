"""The cylinders beside each other: work taken in compression, work given while running, and how it was measured."""

from __future__ import annotations

from witnessmark.engine.model import CylinderResult
from witnessmark.report.compose_parts import measured
from witnessmark.report.model import Analysis, Section, Sentence, Table
from witnessmark.report.words import listed, plural

DASH = "–"
TITLE = "The cylinders beside each other"
# Said wherever an order that wheel and engine share limits what was measured (Moskwa 2001, cited from memory).
IDENTIFIABLE = (
    "What repeats half a number of cylinders times a turn (and its multiples) is the same for the engine and for an "
    "error of its wheel: the two are not told apart, so cylinders are only compared with each other."
)


def cylinders_section(analysis: Analysis) -> Section:
    """Compression and contribution with how they were measured; empty where neither was."""
    return Section("cylinders", TITLE, tuple(_sentences(analysis)), (), cylinder_tables(analysis))


def _sentences(analysis: Analysis) -> list[Sentence]:
    results = analysis.engine.cylinder_results
    out = []
    pressed = {_which(r): r.compression_rel for r in results if r.compression_rel is not None}
    if pressed:
        lines = list(dict.fromkeys(name for r in results for name, _, _ in r.sources))
        cycles = max(r.cycles for r in results)
        text = f"Relative compression from {listed(lines) or 'crank speed'} over {plural(cycles, 'cycle')} of cranking"
        out.append(measured(analysis, f"{text}: {_span(pressed)} of the others."))
    gave = {_which(r): r.contribution_rel for r in results if r.contribution_rel is not None}
    if gave:
        first = next(r for r in results if r.contribution_rel is not None)
        when = "" if first.run_start_s is None else f" from {first.run_start_s:.1f} to {first.run_end_s:.1f} s"
        text = f"Contribution from crank speed within {plural(first.run_cycles, 'cycle')} of steady running{when}"
        out.append(measured(analysis, f"{text}: {_span(gave)} of the others."))
    if results:
        out.append(Sentence(IDENTIFIABLE, basis="knowledge"))
    if results and all(r.cylinder is None for r in results):
        text = "Which event belongs to which cylinder is not known: that takes TDC, the turn and the firing order."
        out.append(measured(analysis, text))
    return out


def _span(values: dict[str, float]) -> str:
    low, high = min(values, key=lambda k: values[k]), max(values, key=lambda k: values[k])
    return f"{values[low]:.2f} ({low}) to {values[high]:.2f} ({high})"


def _which(r: CylinderResult) -> str:
    return f"the event at {r.at_deg:.0f}°" if r.cylinder is None else f"cylinder {r.cylinder}"


def cylinder_tables(analysis: Analysis) -> tuple[Table, ...]:
    """One row a cylinder, or an event of the cycle where it cannot be named; none where nothing was measured."""
    results = analysis.engine.cylinder_results
    if not results:
        return ()
    pressed = any(r.compression_rel is not None for r in results)
    gave = any(r.contribution_rel is not None for r in results)
    rough = any(r.roughness_per_s2 is not None for r in results)
    named = any(r.cylinder is not None for r in results)
    columns = [
        "Cylinder" if named else "Event",
        "Firing TDC" if named else "After the first",
        *(["Compression", "By each line"] if pressed else []),
        *(["Contribution", "Cycles without burn"] if gave else []),
        *(["Unevenness 1/s²"] if rough else []),
    ]
    caption = "Each against the median of the others (1 is equal), with one standard deviation, in firing order."
    caption += " Compression: the work taken while cranking." if pressed else ""
    caption += " Contribution: the work given while running." if gave else ""
    if rough:
        caption += (
            " Unevenness: how much longer its segment (firing TDC to the next) takes than the one before, over the "
            "third power of that time, mean over the cycles; positive: slower; an error of the wheel is in it."
        )
    rows = tuple(_row(n, r, named, pressed, gave) for n, r in enumerate(results, start=1))
    if rough:
        rows = tuple((*row, _rough(r)) for row, r in zip(rows, results, strict=True))
    return (Table("cylinders", tuple(columns), rows, (), caption),)


def _row(number: int, r: CylinderResult, named: bool, pressed: bool, gave: bool) -> tuple[str, ...]:
    out = [DASH if r.cylinder is None else str(r.cylinder)] if named else [str(number)]
    out.append(f"{r.at_deg:.0f}°")
    if pressed:
        out.append(_value(r.compression_rel, r.compression_sd))
        out.append(", ".join(f"{name} {value:.2f}" for name, value, _ in r.sources) or DASH)
    if gave:
        out.append(_value(r.contribution_rel, r.contribution_sd))
        out.append(DASH if r.misfires is None else f"{r.misfires} of {r.run_cycles}")
    return tuple(out)


def _rough(r: CylinderResult) -> str:
    if r.roughness_per_s2 is None:
        return DASH
    return f"{r.roughness_per_s2:+.1f} ± {r.roughness_sd or 0.0:.1f}"


def _value(value: float | None, sd: float | None) -> str:
    if value is None:
        return DASH
    return f"{value:.2f}" if sd is None else f"{value:.2f} ± {sd:.2f}"
