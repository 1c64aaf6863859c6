"""The summary in the terminal: verdict first, short, plain."""

import pytest

from witnessmark.report.terminal import summary

from . import fixtures


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
