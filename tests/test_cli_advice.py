"""The command line's options for what was seen by hand, and the list of tests."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from witnessmark.cli import BAD_INPUT, main


@pytest.fixture(scope="module")
def analysed(cranking):
    """The cranking lines' analysis, made once for the commands that start from it."""
    from witnessmark.pipeline import analyze

    return analyze(cranking)


@pytest.fixture
def ready(cranking, analysed, monkeypatch):
    """The same recording; the commands get its analysis without making it again."""
    monkeypatch.setattr("witnessmark.pipeline.analyze", lambda *_, **__: analysed)
    return cranking


def run(*args):
    return CliRunner().invoke(main, [str(a) for a in args])


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (("--observed", "look-at-the-toth=1"), "look-at-the-tooth"),
        (("--observed", "look-at-the-tooth"), "TEST=OUTCOME"),
        (("--observations", "gone.toml"), "gone.toml"),
        (("--closed-cases", "gone.toml"), "gone.toml"),
    ],
)
def test_what_cannot_be_used_is_one_line_before_the_recording_is_read(options, word):
    result = run("analyze", "no-such-recording.csv", *options)
    assert result.exit_code == BAD_INPUT
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1
    assert word in result.stderr


def test_the_tests_are_listed():
    result = run("tests")
    assert result.exit_code == 0
    assert "look-at-the-tooth" in result.stdout
    page = run("tests", "look-at-the-tooth")
    assert "look-at-the-tooth=1:" in page.stdout
    assert run("tests", "nothing").exit_code == BAD_INPUT


def test_the_list_of_tests_is_grouped_by_what_is_measured():
    from witnessmark.causes.catalogue import load_knowledge

    text = run("tests").stdout
    groups = {part.splitlines()[0]: part for part in text.split("\n\n")}
    assert list(groups)[:3] == ["Wheel", "Crank line", "Supply and starter"]
    assert "voltage-while-cranking" in groups["Supply and starter"]
    assert "leak-down" in groups["Cylinders"]
    tests = load_knowledge().test
    assert "else" not in {t.measures for t in tests}
    assert sum(len(g.splitlines()) > 1 for g in groups.values()) == len({t.measures for t in tests})
    assert all(text.count(f"  {t.id} ") == 1 for t in tests)


def test_an_observation_reaches_the_analysis(bakery, tmp_path):
    closed = tmp_path / "closed.toml"
    closed.write_text("[closed]\ntrigger-wheel-tooth = 2\n", encoding="utf-8")
    result = run(
        "analyze", bakery.recording, "--setup", bakery.setup, "--json", "-", "--closed-cases", closed,
        "--observed", "look-at-the-tooth=1",
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    data = json.loads(result.stdout)
    assert data["observed"][0]["test"] == "look-at-the-tooth"
    assert data["advice"]["actions"][0]["cause"] == "trigger-wheel-tooth"
    assert any(p["cases"] == 2 for p in data["priors"])


def test_a_plan_for_the_next_test_of_a_recording(ready, tmp_path):
    page = tmp_path / "plan.html"
    result = run("plan", ready, "--json", tmp_path / "plan.json", "--page", page)
    assert result.exit_code == 0, result.stderr
    data = json.loads((tmp_path / "plan.json").read_text(encoding="utf-8"))
    assert data["schema"] == "witnessmark.plan/1"
    assert data["cautions"]
    assert "Test" in result.stdout
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_a_plan_needs_a_test_or_a_recording(tmp_path):
    for args, word in [
        (("plan",), "--test"),
        (("plan", "--test", "nothing"), "no test of the catalogue"),
        (("plan", "--test", "coil-current", "--page", "-"), "page"),
        (("plan", tmp_path / "gone.csv"), "gone.csv"),
        (("hookup", tmp_path / "gone.csv", "--test", "coil-current"), "gone.csv"),
        (("pool", tmp_path / "gone.csv"), "gone.csv"),
    ]:
        result = run(*args)
        assert result.exit_code == BAD_INPUT, args
        assert len(result.stderr.splitlines()) == 1
        assert word in result.stderr


def test_a_hookup_is_checked(ready):
    result = run("hookup", ready, "--test", "cam-with-crank", "--json", "-")
    assert result.exit_code == 0, result.stderr
    data = json.loads(result.stdout)
    assert data["turning"]
    problems = {c["role"]: c["problem"] for c in data["lines"]}
    assert problems["crank"] is None
    assert problems["sensor-ground"] == "missing"


def test_recordings_are_pooled(ready, tmp_path):
    result = run("pool", ready, "--json", tmp_path / "pool.json")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("Pooled    1 recording")
    assert json.loads((tmp_path / "pool.json").read_text(encoding="utf-8"))["schema"] == "witnessmark.pooled/1"


def test_a_plan_that_needs_no_recording_names_the_next_that_does(ready, analysed, monkeypatch):
    import dataclasses

    first = analysed.verdict.next_tests[0]
    assert first.id == "look-at-the-tooth"
    more = (first, dataclasses.replace(first, id="leak-down"), dataclasses.replace(first, id="both-ends-of-the-line"))
    for tests, words in ((more, "the next test that does is both-ends-of-the-line (--test both-ends-of-the-line)"),
                         (more[:2], "It needs no recording.")):  # fmt: skip
        made = dataclasses.replace(analysed, verdict=dataclasses.replace(analysed.verdict, next_tests=tests))
        monkeypatch.setattr("witnessmark.pipeline.analyze", lambda *_, made=made, **__: made)
        told = " ".join(run("plan", ready).stdout.split())
        assert words in told
    assert "the next test" not in told
