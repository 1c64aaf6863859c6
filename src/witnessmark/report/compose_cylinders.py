"""The cylinders beside each other: work taken in compression, work given while running, as one table."""

from __future__ import annotations

from witnessmark.engine.model import CylinderResult
from witnessmark.report.model import Analysis, Table

DASH = "–"


def cylinder_tables(analysis: Analysis) -> tuple[Table, ...]:
    """One row a cylinder, or an event of the cycle where it cannot be named; none where nothing was measured."""
    results = analysis.engine.cylinder_results
    if not results:
        return ()
    columns = ("Cylinder", "Firing TDC", "Compression", "Contribution", "Cycles without burn", "From")
    caption = (
        "Each against the median of the others (1 is equal), with one standard deviation. Compression is the work "
        "taken while cranking, contribution that given while running. What repeats half a number of cylinders times a "
        "turn is the same for the engine and for an error of its wheel and is not told apart."
    )
    return (Table("cylinders", columns, tuple(_row(r) for r in results), (), caption),)


def _row(r: CylinderResult) -> tuple[str, ...]:
    return (
        DASH if r.cylinder is None else str(r.cylinder),
        f"{r.at_deg:.0f}°",
        _value(r.compression_rel, r.compression_sd),
        _value(r.contribution_rel, r.contribution_sd),
        DASH if r.misfires is None else f"{r.misfires} of {r.run_cycles}",
        ", ".join(f"{name} {value:.2f}" for name, value, _ in r.sources) or DASH,
    )


def _value(value: float | None, sd: float | None) -> str:
    return DASH if value is None else f"{value:.2f} ± {sd or 0.0:.2f}"
