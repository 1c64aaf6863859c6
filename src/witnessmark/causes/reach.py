"""What the program can and cannot tell, fault by fault, and the page made of it."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator

from witnessmark.causes.catalogue import HOME, Row, known
from witnessmark.causes.ids import CAUSES
from witnessmark.findings.kinds import FINDING_KINDS
from witnessmark.knowledge import load
from witnessmark.recording.setup import Role

FILE = "reach.toml"
Text = Annotated[str, Field(min_length=3)]


class FaultRow(Row):
    """One fault: how it shows, through which findings it is named, and which lines must be in the record.

    ``verdict``: "found"; "with more lines" (``needs`` says what has to be recorded or stated, and the report asks for
    it); "out of reach" (``needs`` says which measurement would tell). ``cases``: kinds of ``make accuracy``.
    """

    id: Text
    name: Text
    shows: Text
    causes: Annotated[list[str], Field(min_length=1)]
    kinds: list[str]
    lines: list[str]
    verdict: Literal["found", "with more lines", "out of reach"]
    told_by: Text
    needs: Text
    cases: list[str]

    @model_validator(mode="after")
    def _lists(self) -> Self:
        known(self.causes, CAUSES, "cause")
        known(self.kinds, FINDING_KINDS, "finding kind")
        known(self.lines, get_args(Role), "channel role")
        if self.verdict == "found" and not self.cases:
            raise ValueError("what is said to be found must be measured: name the accuracy cases")
        return self


class Reach(BaseModel):
    """All faults, and every cause of the closed list by at least one of them."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    fault: list[FaultRow]

    @model_validator(mode="after")
    def _whole(self) -> Self:
        names = [f.id for f in self.fault]
        if len(set(names)) != len(names):
            raise ValueError("a fault stands twice")
        return self


@lru_cache(maxsize=1)
def load_reach() -> Reach:
    """The delivered table. Raises BadKnowledge (one line) when the file fails its schema."""
    return load(Reach, HOME / FILE)


HEAD = """# What it can and cannot tell

This page is made from `src/witnessmark/causes/knowledge/reach.toml` by `make docs`; edit that file, not this one.

- **Found**: from the lines that a first recording usually has.
- **With more lines**: what stands under "where it is not enough" has to be recorded, or stated in a setup. Until then
  the report says "not assessed" and asks for it.
- **Out of reach**: no finding names it; the measurement that would is given.

How often each is right is measured by `make accuracy` on the cases named ([accuracy](accuracy.md)).
"""
ORDER = ("found", "with more lines", "out of reach")


def reach_page(reach: Reach | None = None) -> str:
    """The page in Markdown."""
    table = reach or load_reach()
    groups = {verdict: [f for f in table.fault if f.verdict == verdict] for verdict in ORDER}
    counts = ", ".join(f"{len(rows)} {verdict}" for verdict, rows in groups.items())
    parts = [HEAD, f"Of {len(table.fault)} faults: {counts}.\n"]
    for verdict, rows in groups.items():
        parts.append(f"## {verdict.capitalize()}\n")
        parts.append("| fault | lines; named by | told from its look-alikes | where it is not enough | measured on |")
        parts.append("| --- | --- | --- | --- | --- |")
        parts += [_row(f) for f in rows]
        parts.append("")
    return "\n".join(parts).rstrip() + "\n"


def _row(fault: FaultRow) -> str:
    named = f"{', '.join(fault.lines)}; {_code(fault.kinds) or 'nothing'} -> {_code(fault.causes)}"
    cells = (f"**{fault.name}**: {fault.shows}", named, fault.told_by, fault.needs, _code(fault.cases) or "-")
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _code(names: list[str]) -> str:
    return ", ".join(f"`{n}`" for n in names)


def main() -> None:
    """Write docs/reach.md of the source tree this module lies in."""
    target = Path(__file__).resolve().parents[3] / "docs" / "reach.md"
    target.parent.mkdir(exist_ok=True)
    target.write_text(reach_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
