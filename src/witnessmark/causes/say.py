"""The words of the verdict. They say where the signal is wrong and how probable each cause is; no more than that.

A waveform locates, it does not see metal: nothing here tells anybody to put in a part.
"""

from __future__ import annotations

from witnessmark.causes.catalogue import Knowledge
from witnessmark.causes.ids import MEASUREMENT, NONE_FOUND, NONE_OF_THESE
from witnessmark.causes.model import Cause
from witnessmark.causes.weigh import Balance, Context, Entry
from witnessmark.findings.model import Finding, Findings

TOOTH = "trigger-wheel-tooth"
TOOTH_KINDS = ("tooth-absent", "tooth-weak", "tooth-displaced", "tooth-extra")
BY_CYLINDER = ("cylinder-compression", "cylinder-misfire", "ignition-output", "fuel-output")
WHOLE_ENGINE = {"no-start", "late-sync"}
# A finding supports a cause when the cause makes it at least this fraction as likely as its best cause does.
SUPPORTS = 0.25
MOST_TIMES = 1e7  # beyond it a ratio of estimates says no more than "very many"


def words(entry: Entry, balance: Balance, findings: Findings, context: Context, knowledge: Knowledge) -> Cause:
    """The entry as a cause with its sentence, its target and the findings it rests on."""
    first = entry is balance.entries[0]
    if entry.id == NONE_FOUND:
        return Cause(NONE_FOUND, entry.probability, _nothing(first, findings, context), ())
    support = supporting(entry, balance, findings, knowledge)
    if first and not support:
        support = tuple(sorted((f for f in findings.found if f.stated), key=lambda f: (-f.confidence, f.id)))
    target = _target(entry.id, _placed(entry.id, support, balance, context))
    text = _first(entry, support, findings, knowledge) if first else _other(entry, knowledge)
    return Cause(entry.id, entry.probability, text, tuple(f.id for f in support), target, entry.with_)


def supporting(entry: Entry, balance: Balance, findings: Findings, knowledge: Knowledge) -> tuple[Finding, ...]:
    """Findings that speak for the entry, the most confident first (alike findings come along with the one weighed)."""
    if entry.id in (NONE_FOUND, NONE_OF_THESE):
        return ()
    rows = [
        w.row
        for w in balance.weighed
        if any(
            w.row.likelihood.get(m, 0.0) >= SUPPORTS * max(w.row.likelihood.values(), default=w.row.others)
            for m in entry.members
        )
        and w.row.accuses > 0.0
    ]
    kinds = {(r.kind, tuple(r.lock or ())) for r in rows}
    chosen = [f for f in findings.found if any(f.kind == k and (not locks or f.lock in locks) for k, locks in kinds)]
    direct = {r.kind for r in rows if not r.consequence}
    return tuple(sorted(chosen, key=lambda f: (f.kind not in direct, not f.stated, -f.confidence, f.slot or 0, f.id)))


def _placed(cause: str, support: tuple[Finding, ...], balance: Balance, context: Context) -> tuple[Finding, ...]:
    """The findings whose line is a place where the cause may be.

    A start that fails is noticed on no line of its own. What only follows from a wrong crank signal (no spark on a
    coil's line) is no place of the fault behind it. On the crank line itself both are.
    """
    follows = {w.row.kind for w in balance.weighed if w.row.consequence} if _of_crank_line(cause) else set()
    nowhere = follows | WHOLE_ENGINE
    return tuple(f for f in support if f.kind not in nowhere or (f.channel and f.channel == context.crank_channel))


def _of_crank_line(cause: str) -> bool:
    return cause.startswith(("trigger-wheel-", "crank-", "sensor-")) or cause == "electrical-interference"


def _target(cause: str, support: tuple[Finding, ...]) -> int | str | None:
    """Slot of the strongest tooth finding, else cylinder, else the channel concerned."""
    if cause in (NONE_OF_THESE, NONE_FOUND, MEASUREMENT) and not support:
        return None
    if cause == TOOTH:
        slots = [f.slot for f in support if f.kind in TOOTH_KINDS and f.slot is not None]
        return slots[0] if slots else None
    if cause in BY_CYLINDER:
        cylinders = [f.cylinder for f in support if f.cylinder is not None]
        if cylinders:
            return cylinders[0]
    channels = [f.channel for f in support if f.channel]
    return channels[0] if channels else None


def name_of(entry: Entry | Cause, knowledge: Knowledge) -> str:
    """The entry in words."""
    if entry.id == NONE_FOUND:
        return "nothing wrong seen"
    first = knowledge.cause_row(entry.id).name
    return first if entry.with_ is None else f"{first}, together with {knowledge.cause_row(entry.with_).name}"


def share(probability: float) -> str:
    """A probability as written in sentences: two decimals, never a plain 1 or 0."""
    if probability > 0.995:
        return "above 0.99"
    return f"{probability:.2f}" if probability >= 0.005 else "below 0.01"


def times_words(ratio: float) -> str:
    """How many times over: as many digits as the estimates behind it may bear."""
    if ratio < 10.0:
        return f"{ratio:.1f}"
    if ratio > MOST_TIMES:
        return f"over {MOST_TIMES / 1e6:.0f} million"
    return f"{float(f'{ratio:.2g}'):,.0f}".replace(",", " ")


def _sentence(text: str) -> str:
    text = text.strip().rstrip(".")
    return text[:1].upper() + text[1:]


def _first(entry: Entry, support: tuple[Finding, ...], findings: Findings, knowledge: Knowledge) -> str:
    seen = [f for f in support if f.stated] or [f for f in findings.found if f.stated]
    facts = ". ".join(dict.fromkeys(_sentence(f.statement) for f in seen[:3]))
    left = len(seen) - 3
    more = f" (and {left} more finding{'s' if left > 1 else ''})" if left > 0 else ""
    names = [knowledge.cause_row(m).name for m in entry.members]
    at = {f.slot: f.evidence.get("or_slot") for f in seen if f.kind in TOOTH_KINDS and f.slot is not None}
    if TOOTH in entry.members and at:
        names[entry.members.index(TOOTH)] += f" at {slot_words(sorted(at))}"
        twin = next(iter(at.values()))
        if len(at) == 1 and isinstance(twin, int):
            names[entry.members.index(TOOTH)] += f" or slot {twin}"
    name = ", together with ".join(names)
    strength = (
        "the most probable cause" if entry.probability >= 0.5 else "the most probable single cause, not a proven one"
    )
    return f"{facts}{more}. {_sentence(name)} is {strength} ({share(entry.probability)})."


def slot_words(slots: list[int]) -> str:
    """Slots in words: "slot 23", "slots 23 and 31"."""
    if len(slots) == 1:
        return f"slot {slots[0]}"
    return f"slots {', '.join(str(s) for s in slots[:-1])} and {slots[-1]}"


def _other(entry: Entry, knowledge: Knowledge) -> str:
    row = knowledge.cause_row(entry.id)
    if entry.with_ is not None:
        return f"{_sentence(name_of(entry, knowledge))} ({share(entry.probability)}): two faults at once."
    return f"{_sentence(row.name)} ({share(entry.probability)}). {row.about}"


def _nothing(first: bool, findings: Findings, context: Context) -> str:
    if context.motion is False:
        return "Nothing turns in this record, so nothing can be told from it."
    if not first:
        return "Nothing wrong: the findings would then be accidents of this record."
    text = "Nothing wrong was seen in what this record lets be judged"
    if context.crank_judged is False or (
        context.crank_judged is None and context.roles and "crank" not in context.roles
    ):
        text = "Nothing wrong was seen, but the crank signal itself could not be judged"
    elif context.worth_of_silence < 1.0 and context.judged is not None:
        text += f"; the crank signal could be judged over {100.0 * context.judged:.0f} % of the rotation only"
    if findings.not_assessed:
        n = len(findings.not_assessed)
        text += f"; {n} question{'s' if n > 1 else ''} could not be judged"
    if context.turns:
        text += f"; {context.turns:.0f} turns were decoded"
    if context.worth_of_silence < 1.0:
        return text + ". What could not be judged is not cleared."
    return text + ". A clean record clears nothing that comes and goes."


def what_would_change(balance: Balance, causes: tuple[Cause, ...], findings: Findings, knowledge: Knowledge) -> str:
    """What it would take for another cause to come first."""
    first = causes[0]
    if first.id == NONE_FOUND:
        return "A record of the engine while the complaint is present would change this, as would any stated finding."
    rivals = [c for c in causes[1:] if c.id not in (NONE_FOUND, NONE_OF_THESE)]
    if not rivals or rivals[0].probability <= 0.0:
        return "Only evidence for something not in the list would change this."
    rival = rivals[0]
    ratio = first.probability / rival.probability
    needed = times_words(ratio)
    row = knowledge.cause_row(rival.id)
    if rival.with_ is not None or first.with_ is not None:
        what = f"{_sentence(name_of(rival, knowledge))} ({share(rival.probability)})"
        return (
            f"{what} would come before {name_of(first, knowledge)} ({share(first.probability)}) "
            f"on evidence that favours it {needed} times over."
        )
    return (
        f"{_sentence(row.name)} ({share(rival.probability)}) would come before {name_of(first, knowledge)} "
        f"({share(first.probability)}) if {row.first_if}: evidence that favours it {needed} times over is enough."
    )
