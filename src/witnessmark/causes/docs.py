"""The knowledge as a page for people, made from the TOML so that the two cannot part."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from witnessmark.causes.catalogue import CauseRow, Knowledge, LikelihoodRow, OutcomeRow, TestRow, load_knowledge
from witnessmark.causes.worth import price_of

HEAD = """# What Witnessmark knows about causes and tests

This page is made from `src/witnessmark/causes/knowledge/*.toml` by `python -m witnessmark.causes.docs`; edit those
files, not this one. To use your own numbers put edited copies into a folder and name it in the environment variable
`WITNESSMARK_KNOWLEDGE`; a file that the folder lacks is taken from the delivered set. Every row carries a source mark:
*published*, *common practice* (no source), *memory* (not re-read), *derived* (worked out here) or *measured* (here).

How it is used: the share of "nothing wrong seen" falls with the confidence of every stated finding that accuses the
vehicle; what is left is shared among the causes in proportion to prior weight times likelihood of each finding, with
"measurement fault" and "none of these" always kept. Hints move figures a little, never the first cause. Tests are
compared by the expected cost of repair before and after them (Heckerman, Breese & Rommelse, Communications of the ACM
38(3), 1995); [the next test](next-test.md) says how.
"""


def knowledge_page(knowledge: Knowledge | None = None) -> str:
    """The page in Markdown."""
    known = knowledge or load_knowledge()
    parts = [HEAD, _causes(known), _likelihoods(known), _history(known), _tests(known), _cautions(known)]
    return "\n".join(parts)


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join("---" for _ in head) + " |"]
    lines += ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _causes(known: Knowledge) -> str:
    def cells(c: CauseRow) -> tuple[str, ...]:
        cost = f"{c.repair_minutes:g} + {c.parts_minutes:g} / {c.opening}"
        return (f"`{c.id}`", c.name, f"{c.prior:g}", f"{c.silent:g}", cost, c.about, f"{c.mark}: {c.source}")

    head = ("cause", "in words", "prior weight", "silent", "minutes + parts / opening", "habit", "source")
    intro = (
        f"## Causes\n\nWhere nothing is stated, `none-found` has {known.none_found:g}, and {known.none_unjudged:g} "
        "where the crank signal could not be judged (not decoded, or half of the rotation and more not). *Silent*: "
        "chance that the cause leaves no stated finding in an ordinary record. Where more than symptoms is stated, the "
        f"shares of the causes are raised to {known.sharpness:g} (measured: least log loss on simulated cases) before "
        "they are made to sum to what is left.\n\n"
    )
    return intro + _table(head, [cells(c) for c in known.cause])


def _when(row: LikelihoodRow) -> str:
    parts = []
    if row.lock:
        parts.append("lock " + "/".join(row.lock))
    if row.sensor:
        parts.append("sensor " + "/".join(row.sensor))
    if row.beside:
        parts.append("beside " + ", ".join(row.beside))
    for name, value in (
        ("whole record", row.whole_record),
        ("crank judged", row.crank_judged),
        ("wheel from setup", row.setup_wheel),
    ):
        if value is not None:
            parts.append(name if value else f"not {name}")
    for name, bound in row.evidence.items():
        low = f"{name} >= {bound.at_least:g}" if bound.at_least is not None else ""
        high = f"{name} <= {bound.at_most:g}" if bound.at_most is not None else ""
        parts.append(" and ".join(p for p in (low, high) if p))
    return "; ".join(parts) or "else"


def _likelihoods(known: Knowledge) -> str:
    rows = []
    for r in known.row:
        ranked = sorted(r.likelihood.items(), key=lambda item: (-item[1], item[0]))
        chances = ", ".join(f"{cause} {value:g}" for cause, value in ranked)
        chances = f"{chances}, others {r.others:g}" if chances else f"all {r.others:g}"
        rows.append((f"`{r.kind}`", _when(r), f"{r.accuses:g}", chances, r.reason, f"{r.mark}: {r.source}"))
    head = ("finding", "when", "accuses", "chance under each cause (relative)", "reason", "source")
    return "## What a finding says\n\nThe first row whose conditions hold is used.\n\n" + _table(head, rows)


def _history(known: Knowledge) -> str:
    rows = []
    for r in known.history:
        when = f"complaint matches `{r.words}`" if r.words else "code " + ", ".join(r.codes or [])
        factors = ", ".join(f"{cause} x {value:g}" for cause, value in r.factor.items())
        rows.append((when, factors, r.reason, f"{r.mark}: {r.source}"))
    return "## What the history adds\n\n" + _table(("when", "factor on the prior", "reason", "source"), rows)


def _tests(known: Knowledge) -> str:
    def block(t: TestRow) -> str:
        lines = [f"### `{t.id}`\n", t.statement + "\n"]
        lines += [f"On engines with {w.engine.words()}: {w.statement}\n" for w in t.wording]
        lines.append(f"{_price(t, known)} {t.mark.capitalize()}: {t.source}.")
        lines.append(f"With {', '.join(known.equipment[e] for e in t.equipment)}. For {', '.join(t.faults)}.")
        if t.cautions:
            lines.append(f"Cautions: {', '.join(t.cautions)}.")
        if t.running:
            lines.append("Only where the engine runs.")
        if t.engine is not None:
            lines.append(f"Only on engines with {t.engine.words()}.")
        lines.append("")
        lines += [f"- *{o.result}*: {o.then}{_seen(o)}" for o in t.outcomes]
        chances = {**t.chance, "others": t.others}
        lines.append(
            f"\nChances of these outcomes ({t.chance_mark}): "
            + "; ".join(f"{c} {_numbers(v)}" for c, v in chances.items())
            + "."
        )
        lines.append(f"Sensitivity and specificity: {_told(t)}.\n")
        return "\n".join(lines)

    return "## Tests\n\n" + "\n".join(block(t) for t in known.test)


def _price(test: TestRow, known: Knowledge) -> str:
    """What it costs, part by part."""
    price = price_of(test, known)
    extra = {
        "risk": price.risk, "what cannot be taken back": price.irreversible, "material": price.material,
    }  # fmt: skip
    more = "".join(f", {name} {minutes:g}" for name, minutes in extra.items() if minutes)
    return (
        f"{test.minutes} minutes, invasiveness {test.invasiveness}; costs {price.total:g} min in all (opening "
        f"{price.opening:g}, precautions {price.precautions:g}{more})."
    )


def _seen(outcome: OutcomeRow) -> str:
    seen = f" (Seen at the part: {', '.join(outcome.sees)}.)" if outcome.sees else ""
    return seen + (" (The recording says so itself: entered by hand it weighs nothing.)" if outcome.by_record else "")


def _told(test: TestRow) -> str:
    """Sensitivity and specificity by cause."""
    told = {c: test.sensitivity(c) for c in test.chance}
    parts = [f"{c} {pair[0]:.2f} and {pair[1]:.2f}" for c, pair in told.items() if pair is not None]
    return "; ".join(parts) or "none of its outcomes speaks for one cause"


def _numbers(values: list[float]) -> str:
    return "/".join(f"{v:g}" for v in values)


def _cautions(known: Knowledge) -> str:
    rows = [
        (f"`{c.id}`", "any" if c.engine is None else c.engine.words(), c.text, f"{c.mark}: {c.source}")
        for c in known.caution
    ]
    return "## Cautions\n\n" + _table(("caution", "on engines with", "text", "source"), rows)


def main() -> None:
    """Write docs/knowledge.md of the source tree this module lies in."""
    target = Path(__file__).resolve().parents[3] / "docs" / "knowledge.md"
    target.parent.mkdir(exist_ok=True)
    target.write_text(knowledge_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
