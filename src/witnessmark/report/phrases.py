"""The sentences every output shares: the verdict, and measured numbers in the words of the trade."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from witnessmark.causes.model import Cause
from witnessmark.findings.model import Finding
from witnessmark.report import collect
from witnessmark.report.model import Analysis, Sentence
from witnessmark.report.where import slot_angle_deg
from witnessmark.report.words import (
    CAUSES,
    CRANK_KINDS,
    KINDS,
    ROLES,
    SYMPTOM_KINDS,
    TOOTH_KINDS,
    degrees,
    listed,
    output_words,
    percent,
    uncapitalised,
    wheel_words,
)
from witnessmark.wheel.model import Tooth

NAMED_CAUSES = 3
WORTH_NAMING = 0.02  # a cause below this is summed up: it would not change what is done next

CLAIMED = 0.5  # "nothing wrong" is not said to be so below this: the record could not be judged
MOSTLY_JUDGED = 0.9  # what start-up edges and run-downs leave out of sound records is not worth a word

STILL = "Nothing turns in this record: no line shows rotation, so nothing can be told from it."

_UNITS = {"_deg": "°", "_rpm": " rpm", "_s": " s", "_v": " V", "_hz": " Hz", "_a": " A", "_ms": " ms", "_us": " µs"}


def verdict(analysis: Analysis) -> Sentence:
    """One sentence: where the signal is wrong, and how probable each cause is."""
    if analysis.in_motion is False:
        return Sentence(STILL, (), collect.whole_record(analysis), "record")
    main = _main_findings(analysis)
    more = _besides(analysis, main)
    besides = "".join(f", and {KINDS[f.kind]}" for f in more)
    odds = _odds(analysis)
    if main and isinstance(main[0].evidence.get("or_slot"), int):
        odds = odds.replace(f"at slot {main[0].slot} (", "at one of the two (")
    text = f"{_where(analysis, main)}{besides}; {odds}{_contradicted(analysis)}."
    main = [*main, *more]
    text = text[0].upper() + text[1:]
    if main:
        ranges = tuple(r for f in main for r in f.ranges)
        return Sentence(text, tuple(f.id for f in main), ranges)
    if analysis.wheel.layout is not None:
        return Sentence(text, (), collect.decoded_ranges(analysis), "measurement")
    return Sentence(text, (), collect.whole_record(analysis, analysis.wheel.channel), "record")


def _contradicted(analysis: Analysis) -> str:
    """What was seen at the part where it speaks against the first cause; "" where nothing does."""
    if not analysis.verdict.causes:
        return ""
    first = analysis.verdict.causes[0]
    against = [o for o in analysis.verdict.observed if {first.id, first.with_} & set(o.against)]
    if not against or any({first.id, first.with_} & set(o.sees) for o in analysis.verdict.observed):
        return ""
    seen = listed([f"{uncapitalised(o.result).rstrip('.')}" for o in against])
    doubt = "slot reference and hookup" if first.id == "trigger-wheel-tooth" else "hookup"
    return f"; but what was seen at the part contradicts this ({seen}): doubt {doubt} first"


def wheel_source(analysis: Analysis) -> str:
    """Where the believed wheel comes from, in words."""
    if analysis.wheel.source != "setup":
        return f"inferred, probability {analysis.wheel.belief:.2f}"
    learnt = analysis.setup.learnt
    origin = "" if learnt is None or not learnt.recording else f", learnt from {learnt.recording}"
    return f"named by the setup{origin}"


def _main_findings(analysis: Analysis) -> list[Finding]:
    """What the verdict names: up to three places on the wheel, or the weightiest of what else is wrong."""
    found = collect.stated(analysis)
    if not found:
        return []
    first = found[0]
    same = [f for f in found[1:] if f.kind in TOOTH_KINDS and f.slot is not None]
    return [first, *same[:2]] if first.kind in TOOTH_KINDS and first.slot is not None else [first]


def _besides(analysis: Analysis, main: list[Finding]) -> list[Finding]:
    """What else is wrong with a signal and belongs to the first cause: one finding of each kind, two at most."""
    because = analysis.verdict.causes[0].because if analysis.verdict.causes else ()
    out: dict[str, Finding] = {}
    for finding in collect.stated(analysis):
        odd = finding.kind in SYMPTOM_KINDS or finding.kind.startswith("record-")
        if finding.id in because and not odd and all(finding.kind != f.kind for f in main):
            out.setdefault(finding.kind, finding)
    return [f for f in out.values() if f.kind not in TOOTH_KINDS][:2]


def _where(analysis: Analysis, main: list[Finding]) -> str:
    wheel = analysis.wheel
    if not main:
        return _nothing(analysis)
    first = main[0]
    if first.kind in TOOTH_KINDS and first.slot is not None and wheel.layout is not None:
        return _at_slots(analysis, main)
    undecoded = (
        f", and the wheel could not be decoded: {wheel.why_not}" if wheel.layout is None and wheel.why_not else ""
    )
    if first.kind in CRANK_KINDS:
        return f"the crank signal is wrong: {KINDS[first.kind]}{undecoded}"
    if first.kind.startswith("record-"):
        limits = f"{KINDS[first.kind]} ({line_name(analysis, first.channel)})"
        return f"{limits}{undecoded}" if wheel.layout is None else f"{_nothing(analysis)}, though {limits}"
    if first.kind.startswith("cam-"):
        return f"{line_name(analysis, first.channel)} is wrong: {KINDS[first.kind]}{undecoded}"
    good = f"the crank signal is good over {turns(analysis)}, but " if wheel.layout is not None else ""
    return f"{good}{output_words(first.kind, first.cylinder, first.channel, first.evidence)}{undecoded}"


def _nothing(analysis: Analysis) -> str:
    wheel = analysis.wheel
    if wheel.channel is None:
        return "no crank signal was found among the channels, so wheel and sensor cannot be judged"
    if wheel.layout is None:
        why = wheel.why_not or "no wheel pattern stands out"
        return f"the crank signal could not be decoded ({why}), so wheel and sensor cannot be judged"
    return f"nothing wrong is seen in the crank signal over {turns(analysis)}{_unjudged(analysis)}"


def _unjudged(analysis: Analysis) -> str:
    """How much of the rotation nothing is said about, where it is much."""
    share = collect.judged_share(analysis.wheel, analysis.engine)
    if share is None or share >= MOSTLY_JUDGED:
        return ""
    return f" ({percent(share)} of the rotation; the rest could not be decoded)"


def _at_slots(analysis: Analysis, main: list[Finding]) -> str:
    layout = analysis.wheel.layout
    assert layout is not None
    slots = sorted({f.slot for f in main if f.slot is not None})
    place = f"slot {slots[0]}" if len(slots) == 1 else "slots " + listed([str(s) for s in slots])
    angles = listed([degrees(slot_angle_deg(layout, s)) for s in slots])
    told = [(f.slot, tooth_words(analysis, f)) for f in sorted(main, key=lambda f: f.slot or 0)]
    wheel = wheel_words(layout.name)
    twin = main[0].evidence.get("or_slot")
    if len(slots) == 1 and isinstance(twin, int):
        both = "either of which leaves the same pattern when it is gone"
        return f"the crank signal is wrong at {place} or slot {twin} of the {wheel}, {both} ({_together(told)})"
    return f"the crank signal is wrong at {place} of the {wheel}, {angles} after slot 1 ({_together(told)})"


_COUNTED = re.compile(r"(.* in) (\d+ of \d+) (turns.*)")


def _together(told: list[tuple[int | None, str]]) -> str:
    """What is wrong at each slot; the same thing is said once with the counts in the order of the slots."""
    if len({slot for slot, _ in told}) == 1:
        return "; ".join(words for _, words in told)
    counted = [_COUNTED.fullmatch(words) for _, words in told]
    if all(counted) and len({(m[1], m[3]) for m in counted if m}) == 1 and counted[0]:
        return f"{counted[0][1]} {listed([m[2] for m in counted if m])} {counted[0][3]}"
    return "; ".join(f"slot {slot}: {words}" for slot, words in told)


def tooth_of(analysis: Analysis, slot: int | None) -> Tooth | None:
    """The measured slot."""
    return next((t for t in analysis.wheel.teeth if t.slot == slot), None)


def plain_teeth(analysis: Analysis) -> list[Tooth]:
    """Teeth whose error says something of themselves.

    A variable-reluctance sensor shifts the edges beside a gap, or beside a tooth that gives less, by its own flux.
    """
    wheel = analysis.wheel
    layout = wheel.layout
    measured = [t for t in wheel.teeth if t.expected and t.error_deg is not None]
    line = next((c for c in analysis.signals.lines if c.name == wheel.channel), None)
    if layout is None or line is None or line.sensor != "vr" or not layout.regular:
        return measured
    off = set(layout.missing) | set(collect.suspects(analysis))
    beside = {(s - 1 + way) % layout.slots + 1 for s in off for way in (-1, 1)}
    kept = [t for t in measured if t.slot not in beside or t.slot in collect.suspects(analysis)]
    return kept or measured


def tooth_words(analysis: Analysis, finding: Finding) -> str:
    """What is wrong at one slot, counted: by the finding's own numbers, else by the slot's."""
    tooth, told = tooth_of(analysis, finding.slot), finding.evidence
    if finding.kind == "tooth-extra":
        hit, of = told.get("turns_hit"), told.get("turns")
        if hit is None and tooth is not None and not tooth.expected and tooth.passages:
            hit, of = tooth.seen, tooth.passages
        count = f" in {hit} of {of} turns" if hit is not None else ""
        return f"an edge{count} where the wheel has no tooth"
    if tooth is None or not tooth.passages:
        return KINDS[finding.kind]
    if finding.kind == "tooth-displaced":
        return _late(tooth, finding)
    missed, passages = _missed(analysis, tooth, finding)
    if missed:
        return f"no edge in {missed} of {passages} turns"
    unseen = told.get("unseen_by_nominal_unit")
    left = told.get("relative_amplitude", tooth.amplitude)
    size = f"its pulse is {percent(left)} of its neighbours'" if isinstance(left, int | float) else "a weak pulse"
    return f"{size}, too weak for a control unit in {unseen} of {passages} turns" if unseen else size


def _missed(analysis: Analysis, tooth: Tooth, finding: Finding) -> tuple[object, object]:
    """(passages without an edge, passages): a pulse that is there but small is not a missing one."""
    if "missed" in finding.evidence:
        return finding.evidence["missed"], finding.evidence.get("passages", tooth.passages)
    layout, passes = analysis.wheel.layout, analysis.wheel.passes
    if layout is None or tooth.slot not in layout.tooth_slots:
        return tooth.passages - tooth.seen, tooth.passages
    mine = passes.used & (passes.tooth == layout.tooth_slots.index(tooth.slot))
    return int((mine & (passes.edge < 0)).sum()), int(mine.sum())


def _late(tooth: Tooth, finding: Finding) -> str:
    error = tooth.error_deg if tooth.error_deg is not None else finding.value
    if error is None:
        return KINDS[finding.kind]
    return f"its edge comes {degrees(abs(error), 2)} {'late' if error > 0 else 'early'}"


def turns(analysis: Analysis) -> str:
    """Decoded turns in words."""
    count = analysis.wheel.angle.turns
    return f"{count:.0f} turns" if count >= 10 else f"{count:.1f} turns"


def line_name(analysis: Analysis, channel: str) -> str:
    """A channel as the user calls it, with its role."""
    for line in analysis.signals.lines:
        if line.name == channel:
            label = line.label or channel
            role = ROLES.get(line.role, line.role)
            return label if label.lower() in role or role in label.lower() else f"{label} ({role})"
    return channel


def cause_words(cause: Cause) -> str:
    """A cause with its partner and target: ``tooth of the trigger wheel (slot 23)``."""
    words = CAUSES.get(cause.id, cause.id)
    if isinstance(cause.target, int):
        words += f" at slot {cause.target}" if cause.id.startswith("trigger-wheel") else f", cylinder {cause.target}"
    return f"{words} together with {CAUSES.get(cause.with_, cause.with_)}" if cause.with_ else words


def clears_nothing(analysis: Analysis) -> bool:
    """Whether nothing wrong was seen because there was too little to see."""
    causes = analysis.verdict.causes
    return bool(causes) and causes[0].id == "none-found" and causes[0].probability < CLAIMED


def _odds(analysis: Analysis) -> str:
    """How probable each cause is; a record that could not be judged says that it clears nothing instead."""
    causes = analysis.verdict.causes
    if clears_nothing(analysis):
        share = percent(causes[0].probability)
        return f"this clears nothing: nothing wrong ({share}), or a fault that could not show here"
    return f"most probable: {_probabilities(causes)}"


def _probabilities(causes: tuple[Cause, ...]) -> str:
    ordered = sorted(causes, key=lambda c: -c.probability)
    if not ordered:
        return "no cause was weighed"
    named = [c for c in ordered[:NAMED_CAUSES] if c.probability >= WORTH_NAMING] or ordered[:1]
    texts = [f"{cause_words(c)} ({percent(c.probability)})" for c in named]
    rest = 1.0 - math.fsum(c.probability for c in named)
    tail = f", all others {percent(rest)}" if rest >= 0.005 else ""
    if len(texts) == 1:
        return f"{texts[0]}{tail}"
    return f"{texts[0]}, then {listed(texts[1:])}{tail}"


def with_unit(name: str, value: float | int, unit: str = "") -> str:
    """A measured number as text: ``lost below 420 rpm`` from ``lost_below_rpm``."""
    label, ending = name, unit
    for suffix, text in _UNITS.items():
        if name.endswith(suffix):
            label, ending = name[: -len(suffix)], text
            break
    label = label.replace("_", " ").replace("bayes", "Bayes")
    shown = f"{value:,}".replace(",", " ") if isinstance(value, int) else f"{value:.4g}"
    return f"{label} {shown}{ending}"


def numbers(finding: Finding, most: int = 7) -> str:
    """The scalar evidence of a finding as one line; empty where there is none."""
    scalars = [
        with_unit(k, v if isinstance(v, int) else float(v))
        for k, v in finding.evidence.items()
        if isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v)
    ]
    return "; ".join(scalars[:most])


def hint(finding: Finding) -> str:
    """The statement; a hint says that it is one."""
    if finding.stated:
        return finding.statement
    return f"Hint only (confidence {finding.confidence:.2f}): {finding.statement}"


LOCAL = "Local rules and licensed practice come first."


def local_once(cautions: Sequence[str]) -> list[str]:
    """Cautions that stand under one another: what each of them ends with is said once, at the end."""
    if sum(c.endswith(LOCAL) for c in cautions) < 2:
        return list(cautions)
    return [*(c.removesuffix(LOCAL).rstrip() for c in cautions), LOCAL]


def opening(caution: str) -> str:
    """A caution's first sentence; where it is shortened, the report and the JSON carry the whole of it elsewhere."""
    return caution.split(". ")[0].rstrip(".") + "."


def file_name(analysis: Analysis) -> str:
    """The recording's name without its folders."""
    return analysis.recording.path.replace("\\", "/").split("/")[-1]
