"""The control-unit replay in the report: shown where a start was late or failed, or a tooth is suspected."""

from __future__ import annotations

from typing import Any

from witnessmark.findings.replay_model import Replay, ReplayedRule
from witnessmark.report.compose_parts import measured
from witnessmark.report.model import Analysis, Section, Sentence, Table
from witnessmark.report.plain import number, share

DASH = "–"
TITLE = "Would a control unit find its place?"
ABOUT = (
    "Replayed are generic rules (find the gap, count the teeth, believe the place when the count fits), not those of "
    "this vehicle's control unit: the range over them tells what the crank signal allows."
)


def replay_section(analysis: Analysis) -> Section:
    """Turns to find the place as recorded and with the suspect teeth put right, beside those observed."""
    replay = analysis.findings.replay
    odd = {f.kind for f in analysis.findings.found if f.stated} & {"late-sync", "no-start", "spark-absent"}
    if replay is None or not (replay.suspects or odd):
        return Section("replay", TITLE)
    sentences = [measured(analysis, replay.sentence), *_observed(analysis, replay), Sentence(ABOUT, basis="knowledge")]
    rows = tuple(_row(rule) for rule in replay.rules)
    columns = ("Rules", "Starts", "Turns as recorded", "Find it", "Wrong first", "Turns put right", "Find it then")
    caption = (
        "Every tooth in the cranking with turns enough behind it as a start position. Turns: median to the first right "
        f"place; {DASH} where half of the starts or more never find it in the record."
    )
    return Section("replay", TITLE, tuple(sentences), (), (Table("replay", columns, rows, (), caption),))


def _observed(analysis: Analysis, replay: Replay) -> list[Sentence]:
    out = []
    for a in replay.attempts[:3]:
        seen = "no correctly timed spark was recorded" if a.observed_turns is None else (
            f"the first correctly timed spark came after {a.observed_turns:.1f} turns"
        )  # fmt: skip
        known = [t for t in a.from_start_turns if t is not None]
        never = len(a.from_start_turns) - len(known)
        span = f"{min(known):.1f} to {max(known):.1f} turns" if known else "no place at all"
        rest = f", {never} of {len(a.from_start_turns)} rule sets never" if never and known else ""
        out.append(measured(analysis, f"Attempt {a.number}: {seen}; from its own start the replay needs {span}{rest}."))
    return out


def _row(rule: ReplayedRule) -> tuple[str, ...]:
    def turns(value: float | None) -> str:
        return DASH if value is None else f"{value:.1f}"

    return (
        rule.words, str(rule.starts), turns(rule.median_turns), f"{rule.synced:.0%}".replace("%", " %"),
        f"{rule.wrong:.0%}".replace("%", " %"), turns(rule.median_turns_restored),
        f"{rule.synced_restored:.0%}".replace("%", " %"),
    )  # fmt: skip


def replay_json(replay: Replay | None) -> dict[str, Any] | None:
    """The replay as plain data; None where nothing could be replayed."""
    if replay is None:
        return None
    return {
        "suspects": list(replay.suspects),
        "turns_low": number(replay.range_recorded[0], 3),
        "turns_high": number(replay.range_recorded[1], 3),
        "turns_low_restored": number(replay.range_restored[0], 3),
        "turns_high_restored": number(replay.range_restored[1], 3),
        "explains": replay.explains,
        "statement": replay.sentence,
        "attempts": [
            {
                "number": a.number,
                "turns": number(a.turns, 3),
                "observed_turns": number(a.observed_turns, 3),
                "predicted_turns": [number(t, 3) for t in a.from_start_turns],
            }
            for a in replay.attempts
        ],
        "rules": [
            {
                "id": r.id,
                "words": r.words,
                "starts": r.starts,
                "median_turns": number(r.median_turns, 3),
                "synced": share(r.synced),
                "wrong_first": share(r.wrong),
                "median_turns_restored": number(r.median_turns_restored, 3),
                "synced_restored": share(r.synced_restored),
            }
            for r in replay.rules
        ],
    }
