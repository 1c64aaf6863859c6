"""The table of commands: counted and folded by hand."""

from dataclasses import replace

import pytest

from witnessmark.engine.model import Output, OutputEvent
from witnessmark.report.compose_outputs import outputs_tables

from . import fixtures


def with_events(*events, role="coil", **phase):
    analysis = fixtures.weak_tooth()
    output = Output("coil 1", role, 1, True, tuple(events))
    engine = replace(analysis.engine, outputs=(output,), phase=replace(analysis.engine.phase, **phase))
    return replace(analysis, engine=engine)


def row(analysis):
    (table,) = outputs_tables(analysis)
    return dict(zip(table.columns, table.rows[0], strict=True))


def test_sparks_about_tdc_are_averaged_around_the_circle():
    """Ends at 716, 2 and 718 degrees of 720: median 718, not the mean of the numbers (479); lengths 3, 4 and 5 ms."""
    ends = (716.0, 2.0, 718.0)
    events = [OutputEvent(1.0 + i, 1.0 + i + 0.003 + 0.001 * i, 700.0, end) for i, end in enumerate(ends)]
    got = row(with_events(*events))
    assert got["Spark at"].startswith("718° ±")
    assert got["Dwell from"] == "700° ± 0°"
    assert (got["Sparks"], got["First s"], got["Last s"]) == ("3", "1.000", "3.000")
    # quantiles 0.16 and 0.84 of 3, 4, 5 by linear interpolation: 3.32 and 4.68
    assert got["Dwell ms"] == "4.00 ± 0.68"


def test_without_phase_angles_count_within_one_turn_and_say_from_where():
    events = [OutputEvent(float(i), i + 0.002, 355.0 + 5.0 * i - 360.0 * (i > 0), None) for i in range(3)]
    analysis = with_events(*events, known=False, turn_known=False, reference="crank degrees from slot 1, 0 to 360")
    got = row(analysis)
    assert got["Dwell from"].startswith("0° ±")
    assert got["Spark at"] == "–"
    assert "from slot 1" in outputs_tables(analysis)[0].caption


@pytest.mark.parametrize("role", ["coil", "injector"])
def test_a_line_without_commands_is_listed_with_none(role):
    got = row(with_events(role=role))
    assert got["Sparks" if role == "coil" else "Injections"] == "0"
    assert set(list(got.values())[3:]) == {"–"}


def test_no_lines_no_table():
    analysis = fixtures.weak_tooth()
    assert outputs_tables(replace(analysis, engine=replace(analysis.engine, outputs=()))) == ()
