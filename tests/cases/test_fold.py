"""The state of a case is a fold over its log; what cannot have come about is refused."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from witnessmark.cases import codec
from witnessmark.cases.bodies import (
    KINDS,
    Analysed,
    ChosenTest,
    Closed,
    Correction,
    Decision,
    Disabled,
    Observation,
    Opened,
    Outcome,
    RecordingAdded,
    Reopened,
    Restored,
    Retraction,
    Verified,
    Work,
)
from witnessmark.cases.fold import fold, folded
from witnessmark.cases.words import LONGEST_TEXT, MOST_ENTRIES
from witnessmark.errors import BadCase

ID = "abcdefgh"
HASH = "0" * 64


def begin():
    return fold([codec.made(ID, 1, "R. Test", Opened("cranks long"), "")])


def then(case, *bodies):
    for body in bodies:
        case = folded(case, codec.made(ID, case.last + 1, "R. Test", body, case.head))
    return case


def refused(case, body, *words):
    with pytest.raises(BadCase) as caught:
        then(case, body)
    said = str(caught.value)
    assert "\n" not in said
    for word in words:
        assert word in said
    return said


def test_the_hash_is_sha256_over_the_canonical_parts():
    """Reference: hashlib (FIPS 180-4) over the list written out by hand."""
    e = codec.made(ID, 1, "R. Test", Opened("cranks long"), "", at_utc="2026-01-02T03:04:05.678Z")
    text = '{"codes":[],"complaint":"cranks long","customer":"","vehicle":"","vin":"","vin_file":null}'
    assert e.text == text
    whole = f'["abcdefgh",1,"2026-01-02T03:04:05.678Z","R. Test","opened",{json.dumps(text)},""]'
    assert e.hash == hashlib.sha256(whole.encode()).hexdigest()


def test_every_kind_goes_to_json_and_back():
    examples = [
        Opened("x", codes=("P0336",)), Observation("y", "wipe-the-sensor", "clean"), Disabled("coil 1"), Restored(2),
        Analysed(2, HASH, "witnessmark 0"), Correction(1, {"complaint": "z"}, "said so"), Decision("d", (1, 2)),
    ]  # fmt: skip
    for body in examples:
        whole = codec.checked(body)
        assert (
            codec.body_from(codec.KIND_OF[type(body)], codec.canonical(codec.body_data(body)), "here") == whole == body
        )
    assert len(set(KINDS.values())) == len(KINDS)


def test_corrections_stay_beside_what_they_correct():
    case = then(begin(), Observation("pulse is low at slot 32"), Correction(2, {"text": "… at slot 23"}, "misread"))
    assert case.log[1].body == Observation("… at slot 23")
    assert case.log[1].entry.body == Observation("pulse is low at slot 32")
    assert case.log[1].corrected_by == (3,)
    case = then(case, Correction(2, {"outcome": "low"}, "added"), Retraction(3, "it was 32 after all"))
    assert case.log[1].body == Observation("pulse is low at slot 32", outcome="low")
    assert case.log[1].corrected_by == (4,)
    assert case.log[2].withdrawn_by == 5
    case = then(case, Retraction(5, "no, 23"))
    assert case.log[1].body == Observation("… at slot 23", outcome="low")


def test_what_rests_on_a_withdrawn_entry_counts_no_more():
    case = then(begin(), RecordingAdded("/a.npz", HASH, 1), Analysed(2, HASH, "p"), ChosenTest("t", "look", analysis=3),
                Retraction(2, "wrong vehicle"))  # fmt: skip
    assert [e.withdrawn_by for e in case.log] == [None, 5, 5, 5, None]
    assert case.of(Analysed) == ()
    assert case.tests_open == ()
    refused(case, Outcome(4, "broken"), "withdrawn by entry 5")
    assert then(case, Retraction(5, "right vehicle")).of(Analysed) != ()


def test_disabled_items_are_confirmed_one_by_one():
    """Common practice, no source: what was disabled is listed, and each item confirmed, before the job ends."""
    case = then(begin(), Disabled("fuel pump relay"), Disabled("coil 1 connector"), Restored(2))
    assert [d.item for _, d in case.to_restore] == ["coil 1 connector"]
    refused(case, Closed("done"), "still to restore", "3 coil 1 connector")
    refused(case, Retraction(3, "never was"), "case restore")
    refused(case, Restored(2), "already")
    refused(case, Restored(1), "not a disabled item")
    case = then(case, Restored(3))
    assert not then(case, Closed("done", "trigger-wheel-tooth", "23")).is_open
    case = then(case, Retraction(5, "confirmed by mistake"))
    refused(case, Closed("done"), "3 coil 1 connector")


def test_a_closed_case_takes_nothing_but_its_reopening():
    case = then(begin(), Closed("done"))
    refused(case, Observation("late"), "closed", "reopen")
    refused(case, Retraction(2, "late"), "closed")
    refused(begin(), Reopened("why"), "open already")
    assert then(case, Reopened("back again"), Observation("again")).is_open


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (Opened("again"), ("opened once",)),
        (Restored(9), ("no entry 9",)),
        (Outcome(2, "x"), ("not a chosen test",)),
        (Decision("x", (2, 7)), ("no entry 7",)),
        (Correction(1, {"colour": "red"}, "x"), ('"colour"', "complaint")),
        (Correction(1, {"complaint": ""}, "x"), ("empty",)),
        (Correction(1, {"complaint": 4}, "x"), ("complaint",)),
        (Correction(1, {"complaint": "cranks long"}, "x"), ("changes nothing",)),
        (Correction(1, {"vin": "1M8GDM9AXKP042788"}, "x"), ("vin",)),
        (Correction(3, {"sha256": "1" * 64}, "x"), ("fixed",)),
        (Correction(4, {"recording": 2}, "x"), ("takes no correction",)),
        (Retraction(1, "x"), ("cannot be withdrawn",)),
        (Verified(3, 3, HASH, "repaired", "x"), ("same recording",)),
        (Verified(3, 2, HASH, "repaired", "x"), ("not a recording",)),
    ],
)
def test_what_cannot_be_is_refused(body, words):
    case = then(begin(), Observation("o"), RecordingAdded("/a.npz", HASH, 1), Analysed(3, HASH, "p"))
    refused(case, body, *words)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (Observation("  \n "), ("empty",)),
        (Observation("x" * (LONGEST_TEXT + 1)), ("longer",)),
        (Observation("red \x1b[31m"), ("control",)),
        (Observation("\ud800"), ("control",)),
        (Observation("nul \x00"), ("control",)),
        (Restored(0), ("greater than or equal to 1",)),
        (RecordingAdded("/a", "zz", 1), ("sha256",)),
        (Observation(3), ("text",)),  # type: ignore[arg-type]
    ],
)
def test_what_is_no_text_or_number_is_refused(body, words):
    said = refused(begin(), body, *words)
    assert "\x1b" not in said


@pytest.mark.parametrize("by", ["", "  ", "x" * 201, "a\x1bb"])
def test_who_writes_must_be_named(by):
    with pytest.raises(BadCase, match="--by"):
        codec.made(ID, 1, by, Opened("x"), "")


def test_a_log_with_a_hole_or_a_change_is_refused():
    log = [e.entry for e in then(begin(), Observation("a"), Observation("b")).log]
    for wrong in ([log[0], log[2]], [log[1]], [log[0], log[0]], [*log[:2], replace(log[2], previous=HASH)],
                  [*log[:2], replace(log[2], case_id="other234")]):  # fmt: skip
        with pytest.raises(BadCase):
            fold(wrong)
    row = {"case_id": ID, "number": 2, "at_utc": log[1].at_utc, "by": "Somebody else", "kind": "observation",
           "text": log[1].text, "previous": log[1].previous, "hash": log[1].hash}  # fmt: skip
    with pytest.raises(BadCase, match="not as it was written"):
        codec.restored(row, "here")


def test_a_case_has_an_end():
    first = begin().log[0].entry
    with pytest.raises(BadCase, match=str(MOST_ENTRIES)):
        fold([first, replace(first, number=MOST_ENTRIES + 1)])


@settings(max_examples=40)
@given(st.lists(st.tuples(st.sampled_from(["note", "disable", "restore", "withdraw", "correct", "close", "reopen"]),
                          st.integers(1, 12)), max_size=24))  # fmt: skip
def test_any_history_keeps_its_promises(steps):
    """The log only grows, nothing closes with something disabled, the fold of the log is the state."""
    case = begin()
    bodies = {
        "note": lambda n: Observation(f"note {n}"), "disable": lambda n: Disabled(f"item {n}"),
        "restore": Restored, "withdraw": lambda n: Retraction(n, "why"),
        "correct": lambda n: Correction(n, {"text": f"other {n}"}, "why"), "close": lambda n: Closed("done"),
        "reopen": lambda n: Reopened("why"),
    }  # fmt: skip
    for what, n in steps:
        was = [e.entry for e in case.log]
        try:
            case = then(case, bodies[what](n))
        except BadCase:
            continue
        assert [e.entry for e in case.log][: len(was)] == was
        assert case.last == len(was) + 1
        if what == "close":
            assert case.to_restore == ()
        assert fold([e.entry for e in case.log]) == case
    assert case.is_open or case.to_restore == ()


def repaired(*more):
    """A wheel was changed (entry 4) and the recording after it (5) checked against the one before (2)."""
    other = "1" * 64
    return then(begin(), RecordingAdded("/a", HASH, 1), Analysed(2, HASH, "p"), Work("part", "wheel"),
                RecordingAdded("/b", other, 1), Analysed(5, HASH, "p"), Verified(2, 5, HASH, "repaired", "gone"),
                *more)  # fmt: skip


@pytest.mark.parametrize(
    "later",
    [
        (Work("part", "another sensor"),),
        (Closed("done"), Reopened("it is back")),
        (RecordingAdded("/c", "2" * 64, 1), Analysed(8, HASH, "p")),
    ],
)
def test_a_check_of_the_repair_holds_until_the_vehicle_is_another(later):
    assert repaired().verification[0] == 7
    assert repaired().verdict[0] == 3
    case = repaired(*later)
    assert case.verification is None
    assert case.outdated[0] == 7
    assert case.verdict[0] == case.of(Analysed)[-1][0]
    case = then(case, RecordingAdded("/d", "3" * 64, 1), Verified(2, case.last + 1, HASH, "not-repaired", "back"))
    assert case.verification[1].overall == "not-repaired"
    assert case.outdated is None


@pytest.mark.parametrize("later", [Observation("idles well"), Work("part", "battery", earlier=True)])
def test_what_leaves_the_vehicle_as_it_is_leaves_the_check(later):
    assert repaired(later).verification[0] == 7


def test_a_recording_older_than_the_repair_proves_nothing():
    case = repaired(Work("part", "another sensor"))
    refused(case, Verified(2, 5, HASH, "repaired", "gone"), "recording 5 is older than entry 8 (work)")
    again = then(case, RecordingAdded("/copy", "1" * 64, 1))  # the same content under another name
    refused(again, Verified(2, 9, HASH, "repaired", "gone"), "recording 5 is older")
    back = repaired(Closed("done"), Reopened("it is back"))
    refused(back, Verified(2, 5, HASH, "repaired", "gone"), "older than entry 9 (reopened)")


def test_a_long_history_of_corrections_is_read_in_time():
    """Twice the entries, four times the work at most (the slack is for the clock)."""
    import time

    def spent(many):
        case, log = begin(), []
        previous = case.head
        for n in range(2, many + 2):
            what = n % 4
            body = (Observation(f"a {n}") if what == 2 else Correction(n - 1, {"text": f"b {n}"}, "why") if what == 3
                    else Retraction(n - 1, "why") if what == 0 else Disabled("x"))  # fmt: skip
            log.append(codec.made(ID, n, "R. Test", body, previous))
            previous = log[-1].hash
        began = time.perf_counter()
        found = fold([case.log[0].entry, *log])
        took = time.perf_counter() - began
        assert found.log[1].body == Observation("a 2")
        return took

    spent(100)
    assert spent(1600) < 4 * 2.5 * spent(800)
    assert spent(1600) < 5.0


def test_corrections_of_one_entry_are_checked_once_each(monkeypatch):
    checks = []
    monkeypatch.setattr(
        "witnessmark.cases.fold.codec.body_from", lambda *a, f=codec.body_from: checks.append(1) or f(*a)
    )
    bodies = [Observation("a"), *(Correction(2, {"text": f"b {n}"}, "why") for n in range(100))]
    case, log = begin(), []
    for n, body in enumerate(bodies, 2):
        log.append(codec.made(ID, n, "R. Test", body, log[-1].hash if log else case.head))
    checks.clear()
    found = fold([case.log[0].entry, *log])
    assert found.log[1].body == Observation("b 99")
    assert found.log[1].corrected_by == tuple(range(3, 103))
    assert len(checks) <= 2 * 100
