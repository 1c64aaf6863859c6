"""The report's middle parts: teeth, start attempts, causes, what cannot be told, where to look, cautions."""

from __future__ import annotations

from witnessmark.causes.model import Cause
from witnessmark.engine.model import Attempt
from witnessmark.report import collect, phrases, where
from witnessmark.report.figures import Pictures
from witnessmark.report.model import Analysis, Section, Sentence, Table, Whereabouts
from witnessmark.report.words import ROLES, degrees, listed, percent
from witnessmark.spans import Evidence
from witnessmark.wheel.model import Alternative, Tooth

DASH = "–"
MOST_ATTEMPTS = 6  # attempts told in a sentence each; beyond that the table tells them better
TOLD = 0.005  # a cause below half a per cent is named, not told: it changes nothing that is done next


def measured(analysis: Analysis, text: str) -> Sentence:
    """A sentence on all decoded turns, or on the record where nothing was decoded."""
    ranges = collect.decoded_ranges(analysis)
    if ranges:
        return Sentence(text, (), ranges, "measurement")
    return Sentence(text, (), collect.whole_record(analysis, analysis.wheel.channel), "record")


def known_ids(analysis: Analysis, ids: tuple[str, ...]) -> tuple[str, ...]:
    """Those of the ids that exist, in order, once."""
    known = {f.id for f in analysis.findings.found}
    return tuple(dict.fromkeys(i for i in ids if i in known))


def ranges_of(analysis: Analysis, ids: tuple[str, ...]) -> tuple[Evidence, ...]:
    """All stretches of these findings."""
    return tuple(r for f in analysis.findings.found if f.id in ids for r in f.ranges)


# --- teeth -----------------------------------------------------------------------------------------------------------


def teeth_section(analysis: Analysis) -> Section:
    """Every slot as the sensor saw it, the suspects marked."""
    layout = analysis.wheel.layout
    if layout is None or not analysis.wheel.teeth:
        return Section("teeth", "Tooth by tooth")
    suspects = collect.suspects(analysis)
    amplitude = any(t.amplitude is not None for t in analysis.wheel.teeth)
    margin = any(t.arm_margin is not None for t in analysis.wheel.teeth)
    columns = [
        "Slot",
        "Angle",
        "Seen",
        "Error",
        "Spread",
        *(["Ampl."] if amplitude else []),
        *(["Margin"] if margin else []),
    ]
    rows = tuple(_tooth_row(analysis, t, amplitude, margin) for t in analysis.wheel.teeth)
    marked = tuple(i for i, t in enumerate(analysis.wheel.teeth) if t.slot in suspects)
    notes = ["angle after slot 1", "error of the edge, positive late, with its spread between turns"]
    notes += ["beside a gap a pick-up shifts the edges by itself"] if amplitude and layout.missing else []
    notes += ["amplitude over speed against the median tooth"] if amplitude else []
    notes += ["margin over the arming threshold of a nominal control unit (below 1: not seen by it)"] if margin else []
    notes += ["* no tooth there by design"] if not all(t.expected for t in analysis.wheel.teeth) else []
    caption = f"Slots in the order in which they pass the sensor: {'; '.join(notes)}."
    table = Table("teeth", tuple(columns), rows, marked, caption)
    sentences = (
        [measured(analysis, f"Numbering: {analysis.wheel.slot_reference.rstrip('.')}.")]
        if analysis.wheel.slot_reference
        else []
    )
    for slot in suspects[:3]:
        sentences += _suspect_sentence(analysis, slot)
    return Section("teeth", "Tooth by tooth", tuple(sentences), (), (table,))


def _suspect_sentence(analysis: Analysis, slot: int) -> list[Sentence]:
    tooth = phrases.tooth_of(analysis, slot)
    ids = tuple(f.id for f in collect.stated(analysis) if f.slot == slot)
    if tooth is None or tooth.amplitude is None or not tooth.expected:
        return []
    text = f"Slot {slot}'s amplitude over speed is {tooth.amplitude:.2f} of the median tooth's."
    return [Sentence(text, ids, ranges_of(analysis, ids))]


def _tooth_row(analysis: Analysis, tooth: Tooth, amplitude: bool, margin: bool) -> tuple[str, ...]:
    layout = analysis.wheel.layout
    assert layout is not None
    out = [
        f"{tooth.slot}" if tooth.expected else f"{tooth.slot}*",
        degrees(where.slot_angle_deg(layout, tooth.slot)),
        f"{tooth.seen} of {tooth.passages}" if tooth.passages else DASH,
        DASH if tooth.error_deg is None else f"{tooth.error_deg:+.3f}°",
        DASH if tooth.error_sd_deg is None else f"{tooth.error_sd_deg:.3f}°",
    ]
    if amplitude:
        out.append(DASH if tooth.amplitude is None else f"{tooth.amplitude:.2f}")
    if margin:
        out.append(DASH if tooth.arm_margin is None else f"{tooth.arm_margin:.1f}")
    return tuple(out)


# --- attempts --------------------------------------------------------------------------------------------------------


def attempts_section(analysis: Analysis, drawn: Pictures) -> Section:
    """The record's start attempts in numbers and as a picture."""
    attempts = analysis.engine.attempts
    shown = (drawn.attempts,) if drawn.attempts is not None else ()
    if not attempts:
        text = "The record holds no start attempt." if analysis.wheel.angle.segments else ""
        said = (measured(analysis, text),) if text else ()
        return Section("attempts", "The start attempts", said, shown)
    sentences = [_attempt_range(analysis, a, attempt_text(n, a)) for n, a in enumerate(attempts, start=1)]
    if len(attempts) > MOST_ATTEMPTS:
        ran = sum(a.started for a in attempts)
        text = f"Of {len(attempts)} start attempts {ran} ran; the table lists each."
        sentences = [Sentence(text, (), tuple(r for s in sentences for r in s.ranges), "measurement")]
    return Section("attempts", "The start attempts", tuple(sentences), shown, _attempt_table(attempts))


def _attempt_range(analysis: Analysis, attempt: Attempt, text: str) -> Sentence:
    channel = analysis.wheel.channel or analysis.recording.channels[0].name
    info = analysis.recording.info(channel)
    start, stop = collect.samples_between(analysis, channel, attempt.start_s, attempt.end_s)
    end_s = min(attempt.end_s, analysis.recording.end_s)
    return Sentence(text, (), (Evidence(info.name, attempt.start_s, end_s, start, stop, None),), "measurement")


def attempt_text(number: int, attempt: Attempt) -> str:
    """One attempt in one sentence."""
    rpm = f", cranked at {attempt.cranking_rpm:.0f} rpm" if attempt.cranking_rpm is not None else ""
    head = f"Attempt {number}, {attempt.start_s:.2f} to {attempt.end_s:.2f} s: {attempt.turns:.1f} turns{rpm}"
    if attempt.started:
        sync = (
            f", first correctly timed spark after {attempt.turns_to_sync:.1f} turns"
            if attempt.turns_to_sync is not None
            else ""
        )
        runs = f", running from {attempt.running_s:.2f} s" if attempt.running_s is not None else ", it ran"
        return f"{head}{sync}{runs}."
    spark = (
        f", first correctly timed spark after {attempt.turns_to_sync:.1f} turns"
        if attempt.turns_to_sync is not None
        else ""
    )
    return f"{head}{spark}; it did not start."


def _attempt_table(attempts: tuple[Attempt, ...]) -> tuple[Table, ...]:
    def text(value: float | int | None, form: str) -> str:
        return DASH if value is None else format(value, form)

    every: list[tuple[str, str, str]] = [
        ("Turns", "turns", ".1f"),
        ("Cranking rpm", "cranking_rpm", ".0f"),
        ("First fuel s", "first_fuel_s", ".2f"),
        ("First spark s", "first_spark_s", ".2f"),
        ("In time s", "sync_s", ".2f"),
        ("Turns to it", "turns_to_sync", ".1f"),
        ("Runs s", "running_s", ".2f"),
        ("Battery V at rest", "battery_rest_v", ".1f"),
        ("V cranking", "battery_cranking_v", ".1f"),
        ("V lowest", "battery_min_v", ".1f"),
        ("Starter A", "starter_current_a", ".0f"),
    ]
    used = [e for e in every if any(getattr(a, e[1]) is not None for a in attempts)]
    rows = tuple(
        (
            str(n),
            f"{a.start_s:.2f}–{a.end_s:.2f}",
            *(text(getattr(a, name), form) for _, name, form in used),
            "yes" if a.started else "no",
        )
        for n, a in enumerate(attempts, start=1)
    )
    columns = ("No.", "Time s", *(label for label, _, _ in used), "Started")
    return (
        Table(
            "attempt-table", columns, rows, (), "Times on the recording's clock; – where the record does not hold it."
        ),
    )


# --- causes ----------------------------------------------------------------------------------------------------------


def causes_section(analysis: Analysis) -> Section:
    """Every cause with its probability and what it rests on; other designs the wheel could have."""
    ordered = sorted(analysis.verdict.causes, key=lambda c: -c.probability)
    sentences = [_cause(analysis, c) for i, c in enumerate(ordered) if i < 2 or c.probability >= TOLD]
    rest = [c for c in ordered[2:] if c.probability < TOLD]
    if rest:
        names = listed([phrases.cause_words(c) for c in rest])
        sentences.append(Sentence(f"Weighed too, each under {100 * TOLD:g} %: {names}.", basis="knowledge"))
    if analysis.verdict.what_would_change:
        first = known_ids(analysis, analysis.verdict.causes[0].because) if analysis.verdict.causes else ()
        sentences.append(
            Sentence(
                analysis.verdict.what_would_change,
                first,
                ranges_of(analysis, first),
                "finding" if first else "knowledge",
            )
        )
    sentences += [measured(analysis, _alternative(a)) for a in analysis.wheel.alternatives if a.probability >= 0.0005]
    if analysis.wheel.undecidable:
        sentences.append(measured(analysis, analysis.wheel.undecidable))
    return Section("causes", "How probable each cause is", tuple(sentences))


def _cause(analysis: Analysis, cause: Cause) -> Sentence:
    ids = known_ids(analysis, cause.because)
    text = f"{percent(cause.probability)} {cause.statement or phrases.cause_words(cause)}"
    return Sentence(text, ids, ranges_of(analysis, ids), "finding" if ids else "knowledge")


def _alternative(other: Alternative) -> str:
    reason = f": {other.because.rstrip('.')}" if other.because else ""
    damage = (
        f"; slots {listed([str(s) for s in other.damaged_slots])} would be damaged then" if other.damaged_slots else ""
    )
    return f"The design could also be {other.layout.name} ({percent(other.probability)}){reason}{damage}."


# --- what cannot be told ---------------------------------------------------------------------------------------------


def not_assessed_section(analysis: Analysis) -> Section:
    """Questions this record cannot answer, why, and what would."""
    out = []
    for item in analysis.findings.not_assessed:
        needs = f" Needed: {item.needs.rstrip('.')}." if item.needs else ""
        text = f"{item.question} Not assessable: {item.reason.rstrip('.')}.{needs}"
        out.append(Sentence(text, (), collect.whole_record(analysis, analysis.wheel.channel), "record"))
    return Section("not-assessed", "What this record cannot tell", tuple(out))


def bounds_section(analysis: Analysis) -> Section:
    """What "nothing seen" is worth."""
    return Section(
        "bounds", "What “nothing seen” is worth", tuple(measured(analysis, b) for b in analysis.findings.bounds)
    )


# --- where to look ---------------------------------------------------------------------------------------------------


def where_lines(analysis: Analysis) -> tuple[Sentence, ...]:
    """One sentence for each suspect slot: degrees and direction to bar, from each reference known."""
    out = []
    suspects = collect.suspects(analysis)

    def rank(spot: Whereabouts) -> int:
        meant = spot.slot if spot.instead_of is None else spot.instead_of
        return suspects.index(meant) if meant in suspects else len(suspects)

    for spot in sorted(analysis.whereabouts, key=rank):
        meant = spot.slot if spot.instead_of is None else spot.instead_of
        ids = tuple(f.id for f in analysis.findings.found if f.slot == meant)
        text = where_text(spot)
        if ids:
            out.append(Sentence(text, ids, ranges_of(analysis, ids)))
        else:
            out.append(measured(analysis, text))
    return tuple(out)


def where_text(spot: Whereabouts) -> str:
    """The barring guide of one slot in one sentence."""
    (first, bar), *others = spot.guides
    goal = f"To bring slot {spot.slot} to the sensor"
    if spot.instead_of is not None:
        goal = f"If it is slot {spot.slot} instead of slot {spot.instead_of}, to bring it to the sensor"
    text = f"{goal}, bar the engine {degrees(bar)} in its normal direction from {first}"
    return text + "".join(f", or {degrees(bar)} from {reference}" for reference, bar in others) + "."


def where_section(analysis: Analysis, drawn: Pictures) -> Section:
    """The wheel drawn to angle, the barring guide and the cautions beside it."""
    shown = (drawn.wheel,) if drawn.wheel is not None else ()
    lines = where_lines(analysis)
    out = list(lines)
    for spot in analysis.whereabouts:
        out += _counting(analysis, spot)
    if lines:
        out += [Sentence(f"Caution: {c}", basis="knowledge") for c in where.CAUTIONS]
    return Section("where", "Where to look" if lines else "The wheel", tuple(out), shown)


def _counting(analysis: Analysis, spot: Whereabouts) -> list[Sentence]:
    """Teeth instead of degrees: what can be counted through the sensor hole."""
    layout = analysis.wheel.layout
    count = where.tooth_number(layout, spot.slot) if layout is not None else None
    if count is None or count == 1 or layout is None or not layout.missing or spot.instead_of is not None:
        return []
    if spot.guides[0][0] not in (where.FROM_GAP, where.FROM_FIRST):
        return []  # the first tooth is gone itself: counting would be off by one
    ids = tuple(f.id for f in analysis.findings.found if f.slot == spot.slot)
    text = f"Counted through the sensor hole, it is tooth {count}, the first after the gap being 1."
    if spot.angle_atdc_deg is not None:
        text = text[:-1] + f"; it passes the sensor {degrees(spot.angle_atdc_deg)} after cylinder 1's TDC."
    return [Sentence(text, ids, ranges_of(analysis, ids), "finding" if ids else "knowledge")]


# --- cautions --------------------------------------------------------------------------------------------------------


def cautions_section(analysis: Analysis) -> Section:
    """Cautions for the work ahead, and reservations about the record itself."""
    work = set(analysis.verdict.cautions)
    out = []
    for text in collect.cautions(analysis):
        if text in work:
            out.append(Sentence(text, basis="knowledge"))
        else:
            out.append(Sentence(text, (), collect.whole_record(analysis), "record"))
    return Section("cautions", "Cautions", tuple(out))


def channel_rows(analysis: Analysis) -> tuple[tuple[str, ...], ...]:
    """Every channel with its role and where the role comes from."""
    out = []
    for line in analysis.signals.lines:
        rate = DASH if line.info.rate_hz is None else f"{line.info.rate_hz:g}"
        source = "setup" if line.role_source == "setup" else f"inferred ({line.role_confidence:.2f})"
        out.append(
            (
                line.name,
                line.label,
                ROLES.get(line.role, line.role),
                source,
                line.sensor,
                f"{line.info.samples}",
                rate,
                f"{len(line.edges)}",
            )
        )
    return tuple(out)
