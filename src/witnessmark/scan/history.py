"""Codes that are stored, what was erased, and which self-tests have not run."""

from __future__ import annotations

from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.scan.meanings import meaning
from witnessmark.scan.measured import Family, Heard, Outcome, finding, source_of
from witnessmark.scan.model import ControlUnit, FreezeFrame
from witnessmark.scan.parameters import quantities
from witnessmark.scan.readiness import NAMES

# Confidences: estimate, no source; what a control unit itself confirmed is as good as certain.
CONFIRMED, COUNTERS_AGREE, COUNTERS_DIFFER = 0.98, 0.9, 0.3
NOT_READY, ONE_NOT_READY = 0.9, 0.3
_COUNTERS = (
    ("warm-ups-since-erased", "erased.warm_ups", "warm-ups"),
    ("distance-since-erased", "erased.distance_km", "km"),
    ("time-since-erased", "erased.time_min", "minutes of running"),
)
_ONE = {"warm-ups": "warm-up", "minutes of running": "minute of running"}
_LAST_VALUES = ("warm-ups-since-erased", "distance-since-erased", "time-since-erased")
ABOUT_CRANK = ("crank-circuit", "crank-pattern", "speed-input")  # groups that accuse the crank wheel and its line
CRANKING_BELOW_RPM = 450.0  # running as the project counts it
_TOLD = ("engine-speed", "coolant-temperature", "vehicle-speed", "load", "run-time")


def find(heard: Heard) -> Outcome:
    """code-stored, codes-erased and readiness-incomplete over all control units."""
    units = heard.snapshot.units
    codes = [f for u in units for f in _codes(heard, u)]
    out = Outcome(tuple(codes), _unread(units))
    return out + _erased(heard) + _readiness(heard)


# --- codes ------------------------------------------------------------------------------------------------------------


def _codes(heard: Heard, unit: ControlUnit) -> list[Finding]:
    out = []
    for code, lists in unit.codes.items():
        said = meaning(code)
        certain = set(lists) & {"stored", "permanent"}
        frame = next((f for f in unit.freeze_frames if f.code == code), None)
        statement = f"{unit.called} holds {code} ({said.words}), {joined(lists)}{_froze(frame)}."
        about_crank = float(said.group is not None and said.group.id in ABOUT_CRANK)
        confidence = heard.limits["code.stored"] if certain else heard.limits["code.pending"]
        out.append(
            finding(
                unit, "code-stored", statement, confidence, None, "",
                code=code, lists=list(lists), meaning=said.words, group=said.group.id if said.group else None,
                about_crank=about_crank,
                freeze_frame={v.key.replace("-", "_"): v.last for v in frame.values} if frame else None,
            )
        )  # fmt: skip
    return out


def joined(words: tuple[str, ...]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else "".join(words)


def _froze(frame: FreezeFrame | None) -> str:
    """What the engine did when the code was stored, in words."""
    if frame is None:
        return ""
    shown = {v.key: v for v in frame.values if v.last is not None}
    words = [
        f"{s.name} {quantities()[k][1].words(s.last)}"
        for k in _TOLD
        if (s := shown.get(k)) is not None and s.last is not None
    ]
    speed = shown.get("engine-speed")
    rpm = speed.last if speed is not None else None
    when = "" if not rpm else ", so while cranking" if rpm < CRANKING_BELOW_RPM else ", so with the engine running"
    return f"; it froze {', '.join(words)}{when}" if words else ""


def _unread(units: tuple[ControlUnit, ...]) -> tuple[NotAssessed, ...]:
    out = []
    for u in units:
        asked = [kind for kind, codes in (("stored", u.stored), ("pending", u.pending)) if codes is None]
        if asked:
            question = f"Does {u.called} hold {' or '.join(asked)} codes?"
            out.append(NotAssessed(question, "it was not asked or did not answer", "services 03 and 07 read from it"))
        announced = u.readiness.codes if u.readiness is not None else None
        if announced is not None and u.stored is not None and announced != len(u.stored):
            out.append(NotAssessed(f"Which codes does {u.called} hold?",
                                   f"it announces {announced} and lists {len(u.stored)}",
                                   "its codes read again, all control units alone"))  # fmt: skip
    return tuple(out)


# --- erased -----------------------------------------------------------------------------------------------------------


def _erased(heard: Heard) -> Outcome:
    """One finding for the vehicle, from the unit that says most: codes are erased in all units at once."""
    told = [f for u in heard.snapshot.units if (f := _erased_in(heard, u)) is not None]
    return Outcome((max(told, key=lambda f: f.confidence),)) if told else Outcome()


def _erased_in(heard: Heard, unit: ControlUnit) -> Finding | None:
    gone = f"; gone with it: {', '.join(unit.earlier)}" if unit.earlier else ""
    if unit.erased_s:
        return finding(
            unit, "codes-erased",
            f"{unit.called} confirmed {unit.erased_s[-1]:.1f} s into the log that it erased its codes, freeze frames, "
            f"readiness and trims{gone}.",
            CONFIRMED, unit.erased_s[-1], "s", earlier=list(unit.earlier),
        )  # fmt: skip
    values = [(s.last, limit, words) for key, limit, words in _COUNTERS if (s := unit.one(key)) is not None]
    read = [(v, limit, words) for v, limit, words in values if v is not None]
    low = [v < heard.limits[limit] for v, limit, _ in read]
    if not any(low):
        return _permanent_only(heard, unit)
    said = ", ".join(f"{v:g} {_ONE.get(words, words) if v == 1.0 else words}" for v, _, words in read)
    agreed = COUNTERS_AGREE if len(low) > 1 else heard.limits["erased.one_counter"]
    confidence = agreed if all(low) else COUNTERS_DIFFER
    but = "" if all(low) else " (the counters do not agree, one of them may never count)"
    return finding(
        unit, "codes-erased",
        f"{unit.called}: codes were erased, or its memory lost its supply, {said} ago{but}: what stood there before is "
        "gone, and no code now says little.",
        confidence, read[0][0], read[0][2], earlier=list(unit.earlier), **source_of(unit, *_LAST_VALUES),
    )  # fmt: skip


def _permanent_only(heard: Heard, unit: ControlUnit) -> Finding | None:
    """Permanent codes that are not stored any more: erasing leaves exactly that, healing takes both."""
    left = [c for c in unit.permanent or () if c not in (unit.stored or ())]
    if not left or unit.stored is None:
        return None
    return finding(
        unit, "codes-erased",
        f"{unit.called} holds {joined(tuple(left))} as permanent and not as stored any more: the stored codes were "
        "erased and the fault has not yet been seen to be gone.",
        heard.limits["erased.permanent_only"], float(len(left)), "codes", permanent_only=left,
    )  # fmt: skip


# --- readiness --------------------------------------------------------------------------------------------------------


def _readiness(heard: Heard) -> Outcome:
    out = Outcome()
    for unit in heard.snapshot.units:
        state = unit.readiness
        if state is None or not state.incomplete:
            continue
        names = [NAMES[n] for n in state.incomplete]
        allowed = int(heard.limits["readiness.allowed"])
        confidence = NOT_READY if len(names) > allowed else ONE_NOT_READY
        out += Outcome((
            finding(
                unit, "readiness-incomplete",
                f"{unit.called}: {len(names)} of {len(state.monitors)} self-tests have not run to their end: "
                f"{', '.join(names)}. Faults that only these tests see cannot have a code yet.",
                confidence, float(len(names)), "self-tests", incomplete=list(state.incomplete),
                supported=[m.name for m in state.monitors],
            ),
        ))  # fmt: skip
    if heard.snapshot.units and all(u.readiness is None for u in heard.snapshot.units):
        out += Outcome(not_assessed=(NotAssessed("Have the self-tests run since codes were erased?",
                                                 "readiness was not read", "parameter 01 of service 01"),))  # fmt: skip
    return out


FAMILY = Family(
    "history",
    ("code-stored", "codes-erased", "readiness-incomplete"),
    ("codes", "freeze frames", "readiness", *_LAST_VALUES),
    (
        "code.stored",
        "code.pending",
        "erased.warm_ups",
        "erased.distance_km",
        "erased.time_min",
        "erased.one_counter",
        "erased.permanent_only",
        "readiness.allowed",
    ),
    "SAE J1979 services 01, 02, 03, 07, 0A, as cited; the limits are trade experience",
    find,
)
