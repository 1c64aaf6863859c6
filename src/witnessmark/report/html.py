"""The document as one self-contained HTML file: no request leaves it, and it prints on A4 and Letter."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Literal

from witnessmark import __version__
from witnessmark.output import write_all
from witnessmark.report import collect, phrases
from witnessmark.report.compose import compose
from witnessmark.report.model import Analysis, Document, Picture, Section, Sentence, Table
from witnessmark.spans import Evidence

if TYPE_CHECKING:
    from jinja2 import Template
    from markupsafe import Markup

SPLIT_ROWS = 18  # a longer narrow table is set in two columns, so that a wheel's 58 teeth fill half a page
WIDEST_SPLIT = 7  # columns of a table that still fit twice side by side
WHOLE = ("provenance", "channels", "entries", "used")  # tables of long texts, never set side by side
BRIEF_ROWS = 12  # a table up to this long stays on one printed page with its caption
SHOWN_ROWS = 80  # rows of sample ranges on the page; the rest unfolds on request
MOST_RANGES = 200  # stretches written at one sentence; its finding's list in the appendix is always whole
Tone = Literal["fault", "clear", "unknown"]
_LETTERS = {"measurement": "m", "record": "r", "knowledge": "k"}
_SHARE = re.compile(r"((?:under |over )?(\d+) %) (.*)", re.S)


@dataclass(frozen=True)
class Line:
    """A sentence as the template writes it."""

    text: str
    findings: str
    ranges: str
    basis: str
    links: tuple[tuple[str, str, str], ...]
    style: str = ""
    lead: str = ""
    share: int | None = None
    id: str = ""


@dataclass(frozen=True)
class Figure:
    """A picture as the template writes it."""

    id: str
    svg: Markup
    caption: Line


@dataclass(frozen=True)
class Grid:
    """A table as the template writes it: parts stand side by side, ``more`` unfolds."""

    id: str
    columns: tuple[str, ...]
    parts: list[list[tuple[bool, tuple[str, ...]]]]
    more: list[tuple[bool, tuple[str, ...]]]
    caption: str
    style: str
    led_to: bool = False  # each row, by the name in its first cell


@dataclass(frozen=True)
class Part:
    """A section as the template writes it."""

    id: str
    title: str
    style: str
    sentences: list[Line] = field(default_factory=list)
    pictures: list[Figure] = field(default_factory=list)
    tables: list[Grid] = field(default_factory=list)


def html(
    document: Document,
    *,
    tone: Tone = "fault",
    source: str = "",
    kicker: str = "Crank-signal report",
    heading: str = "Verdict",
    style: str = "",
) -> str:
    """The document as HTML text.

    ``tone`` marks the verdict's frame, ``heading`` stands over it; ``source`` names the recording in the footer;
    ``kicker`` says what page it is; ``style`` is a class for the whole page.
    """
    first = next((s.id for s in document.sections if s.title.startswith("Appendix")), "")
    return _template().render(
        title=document.title,
        facts=list(document.facts.items()),
        verdict=_line(document.verdict),
        tone=tone,
        sections=[_part(s, first) for s in document.sections],
        css=_css(),
        version=__version__,
        source=source or "a recording",
        kicker=kicker,
        heading=heading,
        style=style,
    )


def report_html(analysis: Analysis) -> str:
    """The whole report of an analysis as HTML text."""
    name = phrases.file_name(analysis)
    tone: Tone = "clear" if analysis.wheel.layout is not None else "unknown"
    return html(compose(analysis), tone="fault" if collect.stated(analysis) else tone, source=name)


def write_report(analysis: Analysis, path: str | os.PathLike[str]) -> None:
    """Write the report; the file appears whole or not at all (BadOutput of one line where it cannot)."""
    write_all({os.fspath(path): report_html(analysis)})


@cache
def _template() -> Template:
    from jinja2 import Environment, PackageLoader

    return Environment(
        loader=PackageLoader("witnessmark.report"), autoescape=True, keep_trailing_newline=True
    ).get_template("report.html")


def _css() -> Markup:
    from markupsafe import Markup

    return Markup(files("witnessmark.report").joinpath("templates", "report.css").read_text(encoding="utf-8"))


def range_text(stretch: Evidence) -> str:
    """One stretch as ``channel:start-stop`` in samples, spaces in the name escaped, with its turn if it has one."""
    name = stretch.channel.replace("%", "%25").replace(" ", "%20").replace("|", "%7C")
    turn = "" if stretch.turn is None else f"@{stretch.turn}"
    return f"{name}:{stretch.start_sample}-{stretch.stop_sample}{turn}"


def _evenly(ranges: tuple[Evidence, ...]) -> tuple[Evidence, ...]:
    unique = tuple(dict.fromkeys(ranges))
    return unique[:: -(-len(unique) // MOST_RANGES)] if len(unique) > MOST_RANGES else unique


def _line(sentence: Sentence, section: str = "") -> Line:
    ranges = _evenly(sentence.ranges)
    links = [(f, f, f"rests on {'entry' if f.startswith('E') else 'finding'} {f}") for f in sentence.findings]
    if sentence.basis in _LETTERS:
        where = "; ".join(f"{r.channel} {r.start_s:.3f}–{r.end_s:.3f} s" for r in ranges[:3])
        tip = f"basis: {sentence.basis}" + (f" ({where})" if where else "")
        letter = _LETTERS[sentence.basis]
        links.append((f"basis-{letter}", letter, tip))
    text, lead, style, share = _styled(sentence.text, section)
    anchor = ""
    if section == "basis":
        anchor = f"basis-{sentence.text[0].lower()}"
    return Line(
        text.replace(" %", "\u00a0%"),
        " ".join(sentence.findings),
        " ".join(range_text(r) for r in ranges),
        sentence.basis,
        tuple(links),
        style,
        lead,
        share,
        anchor,
    )


def _styled(text: str, section: str) -> tuple[str, str, str, int | None]:
    """(text, bold lead, style, share for a bar) by how a sentence begins."""
    share = _SHARE.fullmatch(text) if section == "causes" else None
    if share:
        return share[3], share[1], "share", int(share[2])
    if text.startswith("Caution:"):
        return text[len("Caution:") :].strip(), "Caution:", "caution", None
    if text.startswith("In numbers:"):
        return text, "", "numbers", None
    if text.startswith("Hint only"):
        return text, "", "hint", None
    return text, "", "", None


def _part(section: Section, first_appendix: str) -> Part:
    style = "appendix" if section.title.startswith("Appendix") else section.id
    style += " first" if section.id == first_appendix else ""
    return Part(
        section.id,
        section.title,
        style,
        [_line(s, section.id) for s in section.sentences],
        [_figure(p) for p in section.pictures],
        [_grid(t) for t in section.tables],
    )


def _figure(picture: Picture) -> Figure:
    from markupsafe import Markup

    return Figure(f"figure-{picture.id}", Markup(picture.svg), _line(picture.caption))


def _grid(table: Table) -> Grid:
    rows = [(i in table.marked, row) for i, row in enumerate(table.rows)]
    finding = re.fullmatch(r"(before-|after-)?F\d+(-numbers)?", table.id) is not None
    entries = table.id == "entries"  # its rows are led to, by the name in their first cell
    shown, more = (rows[:SHOWN_ROWS], rows[SHOWN_ROWS:]) if finding else (rows, [])
    narrow = len(table.columns) <= WIDEST_SPLIT and len(shown) > SPLIT_ROWS and table.id not in WHOLE
    half = -(-len(shown) // 2)
    parts = [shown[:half], shown[half:]] if narrow else [shown]
    identity = table.id if finding else f"table-{table.id}"
    style = ("finding" if finding else "grid") + (" brief" if len(rows) <= BRIEF_ROWS else "")
    return Grid(identity, table.columns, parts, more, table.caption, style, entries)
