"""The knowledge files: closed lists, source marks, one-line errors, the page made of them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from witnessmark.causes.catalogue import FILES, FOLDER_VARIABLE, HOME, load_knowledge
from witnessmark.causes.docs import knowledge_page
from witnessmark.causes.ids import CAUSES
from witnessmark.causes.weigh import Context, weigh
from witnessmark.errors import BadKnowledge
from witnessmark.findings.kinds import FINDING_KINDS, LOCKS
from witnessmark.findings.model import Findings

from .made import finding, verdict

ROOT = Path(__file__).parents[2]


def test_closed_lists_are_whole() -> None:
    assert len(CAUSES) == len(set(CAUSES)) == 27
    assert len(FINDING_KINDS) == len(set(FINDING_KINDS)) == 41
    assert set(LOCKS) == {"wheel", "cam", "cycle", "speed", "time", "event", "none"}


def test_every_row_stays_within_the_closed_lists() -> None:
    known = load_knowledge()
    assert {c.id for c in known.cause} == set(CAUSES) - {"none-found"}
    assert {r.kind for r in known.row} == set(FINDING_KINDS)
    for row in known.row:
        assert set(row.likelihood) <= set(CAUSES)
        assert set(row.lock or ()) <= set(LOCKS)
        assert {*(row.beside or ()), *row.explained_by} <= set(FINDING_KINDS)
    for test in known.test:
        assert {*test.chance, *test.observes} <= set(CAUSES)


def test_every_row_has_mark_source_and_reason() -> None:
    known = load_knowledge()
    for row in [*known.cause, *known.row, *known.history, *known.test, *known.caution]:
        assert row.mark in {"published", "common practice", "memory", "derived", "measured"}
        assert len(row.source) > 10
    assert all(len(r.reason) > 10 for r in known.row)


def test_none_of_these_keeps_its_prior() -> None:
    known = load_knowledge()
    share = known.cause_row("none-of-these").prior / sum(c.prior for c in known.cause)
    assert 0.04 <= share <= 0.10


def test_a_row_without_conditions_comes_last() -> None:
    known = load_knowledge()
    for kind in FINDING_KINDS:
        rows = [r for r in known.row if r.kind == kind]
        assert [r.conditions for r in rows] == [True] * (len(rows) - 1) + [False]


def test_cautions_defer_to_local_rules() -> None:
    assert all("licensed practice" in c.text for c in load_knowledge().caution)


def test_work_that_turns_the_engine_warns() -> None:
    for test in load_knowledge().test:
        if any(word in test.statement.lower() for word in ("crank", "bar the engine")) and test.invasiveness > 0:
            hurts = {"rotation", "battery", "evidence", "ignition", "fuel"}
            assert hurts & set(test.cautions), test.id
        if "bar the engine" in test.statement.lower():
            assert {"rotation", "inspection-hole"} <= set(test.cautions)
        if "fuel and ignition disabled" in test.statement.lower():
            assert {"fuel", "ignition", "put-back"} <= set(test.cautions)


def _copy(tmp_path: Path) -> Path:
    for name in FILES:
        shutil.copy(HOME / name, tmp_path / name)
    return tmp_path


BREAKS = [
    ("causes.toml", "prior = 16.0", "prior = -1.0", ["causes.toml", "trigger-wheel-tooth", "prior"]),
    ("causes.toml", 'id = "crank-sensor"', 'id = "crank-thing"', ["causes.toml", "crank-thing", "not a cause"]),
    ("causes.toml", "none_found = 0.96", "none_found = 2", ["causes.toml", "none_found"]),
    ("causes.toml", 'mark = "common practice"', 'mark = "rumour"', ["causes.toml", "mark"]),
    (
        "likelihood.toml",
        'kind = "tooth-absent"',
        'kind = "tooth-gone"',
        ["likelihood.toml", "tooth-gone", "finding kind"],
    ),
    ("likelihood.toml", 'lock = ["wheel", "speed"]', 'lock = ["moon"]', ["likelihood.toml", "moon", "lock"]),
    ("likelihood.toml", "others = 0.0004", "other = 0.0004", ["likelihood.toml", "tooth-absent", "other"]),
    ("likelihood.toml", "trigger-wheel-tooth = 1.0", "none-found = 1.0", ["likelihood.toml", "none-found"]),
    ("tests.toml", "others = [0.03, 0.97]", "others = [0.03, 0.9]", ["tests.toml", "look-at-the-tooth", "sum to 1"]),
    ("tests.toml", "minutes = 20", 'minutes = "long"', ["tests.toml", "look-at-the-tooth", "minutes"]),
    ("tests.toml", '"inspection-hole"', '"black-hole"', ["black-hole", "caution"]),
    ("cautions.toml", 'text = "', "text = ", ["cautions.toml", "TOML"]),
]


@pytest.mark.parametrize(("file", "old", "new", "words"), BREAKS)
def test_a_broken_file_gives_one_line(tmp_path: Path, file: str, old: str, new: str, words: list[str]) -> None:
    path = _copy(tmp_path) / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(BadKnowledge) as caught:
        load_knowledge(tmp_path)
    message = str(caught.value)
    assert "\n" not in message
    for word in words:
        assert word in message


def test_a_kind_without_a_row_is_an_error(tmp_path: Path) -> None:
    path = _copy(tmp_path) / "likelihood.toml"
    blocks = path.read_text(encoding="utf-8").split("[[row]]")
    path.write_text("[[row]]".join(b for b in blocks if 'kind = "line-faulty"' not in b), encoding="utf-8")
    with pytest.raises(BadKnowledge, match="line-faulty"):
        load_knowledge(tmp_path)


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadKnowledge, match="no such knowledge folder"):
        load_knowledge(tmp_path / "nowhere")


def test_own_numbers_take_effect_and_missing_files_are_the_delivered_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (HOME / "causes.toml").read_text(encoding="utf-8")
    own = text.replace("prior = 19.0", "prior = 190.0")
    assert own != text
    (tmp_path / "causes.toml").write_text(own, encoding="utf-8")
    assert verdict(finding("edges-dropped")).causes[0].id == "crank-sensor"
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path))
    assert verdict(finding("edges-dropped")).causes[0].id == "crank-circuit"


def test_conditions_on_evidence(tmp_path: Path) -> None:
    path = _copy(tmp_path) / "likelihood.toml"
    row = """[[row]]
kind = "signal-lost"
evidence = { steps = { at_least = 3, at_most = 9 } }
others = 0.001
likelihood = { crank-sensor = 1.0 }
reason = "made for this test"
mark = "memory"
source = "made for this test"

"""
    path.write_text(row + path.read_text(encoding="utf-8"), encoding="utf-8")
    known = load_knowledge(tmp_path)

    def first(**evidence: object) -> str:
        found = Findings((finding("signal-lost", evidence=evidence),), ())
        return weigh(found, Context(sensor="hall"), known).causes[0].id

    assert first(steps=5) == "crank-sensor"
    assert first(steps=2) == first(steps=20) == first() == first(steps="5") == "crank-circuit"


def test_the_page_is_current() -> None:
    page = (ROOT / "docs" / "knowledge.md").read_text(encoding="utf-8")
    assert page == knowledge_page(load_knowledge(HOME)), "run python -m witnessmark.causes.docs"


def test_the_page_shows_every_row() -> None:
    page = knowledge_page()
    known = load_knowledge()
    for identifier in [*(c.id for c in known.cause), *(t.id for t in known.test), *(c.id for c in known.caution)]:
        assert f"`{identifier}`" in page
    assert page.count("| `tooth-absent` |") == 3
