"""The summary in the terminal: verdict first, short, plain."""

from dataclasses import replace

import pytest

from witnessmark.report import collect, phrases
from witnessmark.report.terminal import _also, _attempt, summary

from . import fixtures, odd


@pytest.fixture(params=list(fixtures.ALL))
def text(request):
    return summary(fixtures.ALL[request.param]())


def test_short_narrow_and_plain(text):
    lines = text.splitlines()
    assert 8 <= len(lines) <= 30
    assert max(map(len, lines)) <= 100
    assert lines[0].startswith("Verdict")
    assert text.encode("latin-1").decode("latin-1") == text
    assert "\x1b" not in text
    assert "\xa0" not in text


def test_weak_tooth_has_all_a_reader_needs():
    text = " ".join(summary(fixtures.weak_tooth()).split())
    for part in (
        "slot 23 of the 60-2 wheel",
        "(91 %)",
        "slot 1 is the first tooth after the longest gap",
        "bar the engine 132° in its normal direction",
        "48° from cylinder 1 at TDC",
        "never by a cam bolt",
        "Key out, battery negative off",
        "no start",
        "Hints only: F3",
        "Not assessable, no starter current was recorded",
    ):
        assert part in text, part


def test_healthy_gives_the_numbers_looked_at():
    text = " ".join(summary(fixtures.healthy()).split())
    assert "Nothing wrong is seen" in text
    assert "2707 edges seen in 2707 passages of 58 teeth" in text
    assert "Look " not in text


def test_undecodable_says_why():
    assert "could not be decoded" in " ".join(summary(fixtures.undecodable()).split())


def test_what_only_some_attempts_show_says_how_many():
    finding = fixtures.weak_tooth().findings.found[0]
    some = replace(finding, id="F9", kind="spark-absent", evidence={"attempts": 2, "of_attempts": 3})
    assert _also("spark-absent", [some]) == "no spark is commanded in 2 of 3 attempts (F9)"
    every = replace(some, evidence={"attempts": 3, "of_attempts": 3})
    assert _also("spark-absent", [every]) == "no spark is commanded (F9)"


def test_an_attempts_speed_is_said_to_be_that_of_cranking():
    attempt = fixtures.weak_tooth().engine.attempts[0]
    assert "cranked at 240 rpm" in _attempt(1, replace(attempt, cranking_rpm=240.0))


def test_a_displaced_tooth_has_one_error_in_finding_and_table():
    base = odd.displaced()
    finding = next(f for f in base.findings.found if f.kind == "tooth-displaced")
    found = replace(finding, value=-1.25, evidence={"standard_error_deg": 0.04})
    wheel = collect.as_found(base.wheel, (found,))
    tooth = next(t for t in wheel.teeth if t.slot == finding.slot)
    assert (tooth.error_deg, tooth.error_se_deg) == (-1.25, 0.04)
    others = [(a, b) for a, b in zip(wheel.teeth, base.wheel.teeth, strict=True) if a.slot != finding.slot]
    assert all(a.slot == b.slot and a.present == b.present for a, b in others)
    # the others' own errors do not hang on what was found
    plain = {t.slot: t.error_deg for t in collect.as_found(base.wheel, ()).teeth}
    assert all(a.error_deg == plain[a.slot] for a, _ in others)


def test_what_a_gap_does_to_its_neighbours_is_no_error_of_theirs():
    analysis = fixtures.healthy()
    slots = {t.slot for t in phrases.plain_teeth(analysis)}
    assert len(slots) == 56
    assert not slots & {1, 58}


def test_the_verdict_says_the_findings_own_number():
    base = fixtures.weak_tooth()
    finding = base.findings.found[0]
    told = replace(finding, evidence={**finding.evidence, "relative_amplitude": 0.37, "missed": 0})
    assert "37 % of its neighbours'" in phrases.tooth_words(base, told)
