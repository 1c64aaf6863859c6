"""The page of what the scan stage knows: codes, parameters, limits, each with its source (docs/scan-tables.md)."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from witnessmark.scan.judge import default_limits
from witnessmark.scan.meanings import code_rows, group_rows
from witnessmark.scan.parameters import Quantity, parameters

HEAD = """# What the scan stage knows

Made from `src/witnessmark/scan/knowledge/` by `make docs`; do not edit. Each row says where it comes from. Rows from
memory are to be checked against the bought standard before anything rests on them. [How it is used](scan.md).
"""


def tables_page() -> str:
    """The whole page."""
    return "\n".join((HEAD, _groups(), _codes(), _parameters(), _limits()))


def _table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    names = list(head)
    lines = [names, ["---"] * len(names), *(list(r) for r in rows)]
    return "\n".join(f"| {' | '.join(cell.replace('|', '/') for cell in line)} |" for line in lines) + "\n"


def _groups() -> str:
    rows = [
        (f"`{g.id}`", g.name, ", ".join(g.roles) or "none", ", ".join(g.agrees) or "none", g.hint) for g in group_rows()
    ]
    text = (
        "## Groups of codes\n\nLines that a recording must hold to try such a code, the findings that bear it out, and "
        "what the trade reads from it (common practice, no publication).\n\n"
    )
    return text + _table(("group", "about", "lines", "borne out by", "read as"), rows)


def _codes() -> str:
    rows = [(c.code, c.meaning, f"`{c.group}`", c.mark) for c in code_rows()]
    text = "## Codes\n\nIn our own words, as SAE J2012-DA is remembered.\n\n"
    return text + _table(("code", "meaning", "group", "mark"), rows)


def _parameters() -> str:
    rows = [(p.pid, f"`{v.key}`", v.name, _formula(v), v.unit, p.mark) for p in parameters().values() for v in p.values]
    text = (
        "## Parameters of services 01 and 02\n\n`A`, `B`, ... are the data bytes; unit `1` is a plain number. The keys "
        "are those of a typed-in snapshot.\n\n"
    )
    return text + _table(("number", "key", "meaning", "value", "unit", "mark"), rows)


def _formula(v: Quantity) -> str:
    """The formula as it is usually written."""
    letters = "ABCDEFGH"[v.first : v.first + v.size]
    out = letters if v.size == 1 else f"256 {letters[0]} + {letters[1]}" if v.size == 2 else letters
    plain = v.multiply == 1 and v.divide == 1
    if v.size > 1 and not plain:
        out = f"({out})"
    out += f" * {v.multiply:g}" if v.multiply != 1 else ""
    out += f" / {v.divide:g}" if v.divide != 1 else ""
    out += f" {'+' if v.add > 0 else '-'} {abs(v.add):g}" if v.add else ""
    out += ", signed" if v.signed else ""
    return out + (f" ({'; '.join(f'{k}: {w}' for k, w in v.states.items())})" if v.states else "")


def _limits() -> str:
    rows = [
        (f"`{r.name}`", f"{r.value:g}", r.unit, f"{r.mark}: {r.source}", r.reason)
        for r in default_limits().rows.values()
    ]
    return "## Limits of the findings\n\n" + _table(("limit", "value", "unit", "source", "why"), rows)


def main() -> None:
    """Write docs/scan-tables.md of the source tree this module lies in."""
    target = Path(__file__).resolve().parents[3] / "docs" / "scan-tables.md"
    target.write_text(tables_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
