"""A plan as a page to take to the vehicle: what to pick up, how, for how long, cautions, pictures to expect."""

from __future__ import annotations

from witnessmark.plan.draw import expected_picture
from witnessmark.plan.model import Expected, Plan, PlannedLine
from witnessmark.plan.terminal import amounts_words, edges_words, head
from witnessmark.report.html import html
from witnessmark.report.model import Document, Picture, Section, Sentence, Table
from witnessmark.report.words import local_once, plural

KICKER = "What to record"
MARKS = ("k: general knowledge of the trade and simulated pictures, not read from a record of this vehicle.",)


def _known(text: str) -> Sentence:
    return Sentence(text, basis="knowledge")


def plan_html(plan: Plan, title: str = "") -> str:
    """The page as HTML text."""
    return html(compose(plan, title), tone="unknown", source="the setup and the catalogue of tests", kicker=KICKER)


def compose(plan: Plan, title: str = "") -> Document:
    """The page as a renderer-neutral document."""
    sections = [
        Section(
            "cautions", "Before anything is touched", tuple(_known(f"Caution: {c}") for c in local_once(plan.cautions))
        ),
        _lines(plan),
        Section("amounts", "How fast and how long", tuple(_known(t) for t in amounts_words(plan))),
        Section("do", "What is done meanwhile", tuple(_known(t) for t in plan.do)),
        _pictures(plan),
        Section("assumed", "What was assumed", tuple(_known(f"{t[0].upper()}{t[1:]}.") for t in plan.assumed)),
        Section("basis", "Appendix: what the marks say", tuple(_known(m) for m in MARKS)),
    ]
    kept = tuple(s for s in sections if s.sentences or s.pictures or s.tables)
    facts = {"Test": plan.test.replace("-", " ")}
    if plan.equipment:
        facts["It takes"] = ", ".join(plan.equipment)
    return Document(title or plan.test.replace("-", " ").capitalize(), _known(head(plan)), kept, facts)


def _lines(plan: Plan) -> Section:
    rows = tuple(_row(n, line) for n, line in enumerate(plan.lines, start=1))
    columns = ("Input", "Line", "For", "Where", "Lead", "Range", "Rate, at least")
    left = tuple(_known(f"Left out: {t}.") for t in plan.left_out)
    tables = (Table("planned-lines", columns, rows),) if rows else ()
    return (
        Section("lines", f"{plural(len(rows), 'line')} to pick up", left, (), tables) if rows else Section("lines", "")
    )


def _row(number: int, line: PlannedLine) -> tuple[str, ...]:
    span = f"{line.low:g} to {line.high:g} {line.unit}"
    return (str(number), line.label, line.why, line.pick_up, line.lead, span, f"{rate_words(line.rate_hz)}")


def rate_words(rate_hz: float) -> str:
    """A rate in Hz, kHz or MHz."""
    for size, unit in ((1e6, "MHz"), (1e3, "kHz")):
        if rate_hz >= size:
            return f"{rate_hz / size:g} {unit}"
    return f"{rate_hz:g} Hz"


def _pictures(plan: Plan) -> Section:
    drawn, without = [], []
    for n, expected in enumerate(plan.pictures):
        svg = expected_picture(expected, n)
        if svg is None:
            without.append(_known(f"{caption(expected)} No picture: {expected.why_none.rstrip('.')}."))
        else:
            drawn.append(Picture(f"expected-{n}", svg, _known(caption(expected))))
    return Section("expected", "What it should look like", tuple(without), tuple(drawn))


def caption(expected: Expected) -> str:
    """What a picture shows, in a sentence; always said to be simulated."""
    speed = f" at {expected.rpm:.0f} rpm" if expected.rpm is not None else ""
    counts = [
        f"{s.label} {edges_words(s.edges_per_turn)} a turn" for s in expected.strips if s.edges_per_turn is not None
    ]
    numbers = f" ({', '.join(counts)})" if counts and expected.cause is None else ""
    what = "Healthy" if expected.cause is None else f"If it is {expected.name}"
    return f"{what}{speed}, simulated: {expected.look_for}{numbers}."
