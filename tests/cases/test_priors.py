"""The shop's own closed cases as priors: shown, set back for good, taken back; the same on both databases."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from sqlalchemy import create_engine, insert, text
from sqlalchemy.exc import DBAPIError

from witnessmark.cases import codec, tables
from witnessmark.cases.archive import write_zip
from witnessmark.cases.bodies import Closed, Opened, Reopened
from witnessmark.cases.database import _url, open_engine
from witnessmark.cases.history import Reset, history, holding, reset, resets, take_back
from witnessmark.cases.phrases import closed_words
from witnessmark.cases.store import Cases
from witnessmark.causes.catalogue import load_knowledge
from witnessmark.errors import BadCase

from .story import opened, refused, run, said, state

BY = "R. Test"
CIRCUIT, STARTER = "crank-circuit", "cranking-system"


def closed(place, cause: str) -> str:
    case = opened(place)
    said(place, "close", case, "done", "--cause", cause)
    return case


def moved(place, *more) -> dict[str, int]:
    """Closed cases by cause that move priors now."""
    return {p["cause"]: p["cases"] for p in state(place, "priors", *more)["priors"] if p["cases"]}


def test_a_reset_leaves_out_what_was_closed_before_it_and_lasts(place):
    first = closed(place, CIRCUIT)
    closed(place, CIRCUIT)
    before = state(place, "priors")
    assert (before["closed_cases"], before["left_out"], before["since_utc"], before["resets"]) == (2, 0, None, [])
    found = state(place, "priors", "--reset", "--why", "another kind of fleet", "--yes")
    assert (found["closed_cases"], found["left_out"], found["priors"]) == (0, 2, [])
    (row,) = found["resets"]
    assert (row["by"], row["why"], row["holds"]) == (BY, "another kind of fleet", True)
    assert found["since_utc"] == row["at_utc"]
    text_ = " ".join(said(place, "priors").split())
    assert "another kind of fleet [R. Test]; 2 closed cases before it left out" in text_
    assert "the priors are those delivered" in text_
    closed(place, STARTER)
    assert moved(place) == {STARTER: 1}
    assert moved(place, "--since-begin") == {CIRCUIT: 2, STARTER: 1}
    assert moved(place) == {STARTER: 1}  # the other was a look only
    said(place, "reopen", first, "--why", "back again")
    said(place, "close", first, "done", "--cause", CIRCUIT)  # closed again, and now after the reset
    assert moved(place) == {STARTER: 1, CIRCUIT: 1}


def test_the_mean_after_a_reset_is_that_of_a_fresh_start(place):
    """Reference: the mean of a Dirichlet posterior, (prior_cases x share + count) / (prior_cases + all counts)."""
    closed(place, CIRCUIT)
    said(place, "priors", "--reset", "--why", "x", "--yes")
    closed(place, STARTER)
    knowledge = load_knowledge()
    weight, strength = sum(c.prior for c in knowledge.cause), knowledge.prior_cases
    used = {p["cause"]: p["used"] for p in state(place, "priors")["priors"]}
    for row in knowledge.cause:
        count = 1 if row.id == STARTER else 0
        assert used[row.id] == pytest.approx((strength * row.prior / weight + count) / (strength + 1))


def test_resets_are_taken_back_one_by_one(place):
    closed(place, CIRCUIT)
    said(place, "priors", "--reset", "--why", "one", "--yes")
    closed(place, STARTER)
    said(place, "priors", "--reset", "--why", "two", "--yes")
    assert moved(place) == {}
    said(place, "priors", "--take-back", "--why", "too early", "--yes")
    assert moved(place) == {STARTER: 1}
    assert "taken back" in said(place, "priors")
    found = state(place, "priors", "--take-back", "--why", "all count", "--yes")
    assert found["since_utc"] is None
    assert moved(place) == {STARTER: 1, CIRCUIT: 1}
    assert [(r["number"], r["takes_back"], r["holds"]) for r in found["resets"]] == [
        (1, None, False), (2, None, False), (3, 2, False), (4, 1, False),
    ]  # fmt: skip
    assert "none to take back" in refused(place, "priors", "--take-back", "--why", "x", "--yes")


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--reset",), "--why"),
        (("--why", "x"), "--why"),
        (("--take-back",), "--why"),
        (("--reset", "--take-back", "--why", "x"), "give one of them"),
        (("--reset", "--since-begin", "--why", "x"), "give one of them"),
        (("--reset", "--why", " ", "--yes"), "--why: is empty"),
        (("--reset", "--why", "x\x1b", "--yes"), "control characters"),
        (("--reset", "--why", "x"), "--yes"),  # nobody at a terminal
        (("--take-back", "--why", "x", "--yes"), "none to take back"),
        (("--reset", "--why", "x", "--yes", "--by", ""), "--by"),
    ],
)
def test_a_refused_reset_is_one_line_and_changes_nothing(fresh, args, words):
    place = fresh()
    closed(place, CIRCUIT)
    assert words in refused(place, "priors", *args)
    assert state(place, "priors")["resets"] == []


def test_it_is_asked_first(fresh, monkeypatch):
    place = fresh()
    closed(place, CIRCUIT)
    monkeypatch.setattr("witnessmark.cases.cli_priors.on_terminal", lambda: True)
    result = run(place, "priors", "--reset", "--why", "x", "--json", input="n\n")
    assert result.exit_code == 2
    assert "Leave 1 closed case out" in result.stderr
    assert (result.stdout, moved(place)) == ("", {CIRCUIT: 1})
    assert run(place, "priors", "--reset", "--why", "x", "--json", input="y\n").exit_code == 0
    assert moved(place) == {}
    assert (
        "1 closed case from before the reset" in run(place, "priors", "--take-back", "--why", "x", input="n\n").stderr
    )
    assert moved(place) == {}


def test_an_analysis_says_since_when_closed_cases_counted(fresh, job, tmp_path):
    place = fresh()
    closed(place, CIRCUIT)
    said(place, "priors", "--reset", "--why", "x", "--yes")
    case = opened(place)
    none = state(place, "add", "recording", case, job / "before.npz")["entries"][1]["body"]
    assert (none["closed_cases"], none["closed_since"]) == (0, "")
    closed(place, STARTER)
    since = state(place, "priors")["since_utc"]
    body = state(place, "analyze", case)["entries"][0]["body"]
    assert (body["closed_cases"], body["closed_since"]) == (1, since)
    words = f"1 closed case (closed since the priors were reset, {since[:10]} {since[11:16]} UTC)"
    assert f"with your {words}" in " ".join(said(place, "show", case).split())
    said(place, "report", case, "--shop", tmp_path / "shop.html")
    assert words in " ".join((tmp_path / "shop.html").read_text(encoding="utf-8").split())


def test_an_analysis_from_before_there_were_resets_is_read_as_it_was():
    text_ = codec.canonical({"recording": 2, "file": "0" * 64, "program": "p", "closed_cases": 3})
    body = codec.body_from("analysis", text_, "entry 3")
    assert (body.closed_cases, body.closed_since) == (3, "")
    assert closed_words(body) == "3 closed cases"


def test_the_case_that_is_judged_does_not_count_itself_nor_does_it_as_left_out(store):
    cases = [store.new(Opened("x"), BY) for _ in range(2)]
    for case in cases:
        store.add(case.id, Closed("done", CIRCUIT), BY)
    reset(store, BY, "x")
    store.add(cases[0].id, Reopened("again"), BY)
    assert history(store, cases[0].id).left_out == 1
    assert history(store, cases[1].id).left_out == 0
    assert history(store).since_utc == resets(store)[0].at_utc


def test_a_case_taken_in_later_counts_by_when_it_was_closed(store, fresh, tmp_path):
    from witnessmark.cases.archive import import_zip

    other = Cases.open(str(fresh("other.db")))
    case = other.new(Opened("x"), BY)
    case = other.add(case.id, Closed("done", CIRCUIT), BY)
    write_zip(other, case, str(tmp_path / "c.zip"))
    reset(store, BY, "x")
    import_zip(store, str(tmp_path / "c.zip"))
    assert (history(store).counts, history(store).left_out) == ({}, 1)


# ---- the table


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE prior_resets SET why = 'y'",
        "DELETE FROM prior_resets",
        "INSERT INTO prior_resets VALUES (3, 'now', 'x', 'x', NULL)",
        "INSERT INTO prior_resets VALUES (2, 'now', 'x', 'x', 2)",
        "INSERT INTO prior_resets VALUES (2, 'now', 'x', 'x', 7)",
        "INSERT INTO prior_resets VALUES (1, 'now', 'x', 'y', NULL)",
    ],
)
def test_the_database_itself_keeps_every_reset(store, statement):
    made = reset(store, BY, "x")
    replaced = statement.replace("INSERT", "INSERT OR REPLACE" if store.engine.dialect.name == "sqlite" else "INSERT")
    for way in {statement, replaced}:
        with pytest.raises(DBAPIError), store.writes() as connection:
            connection.execute(text(way))
    assert resets(store) == (made,)


def test_many_at_once_are_numbered_and_one_takes_back(place, store):
    reset(store, BY, "first")
    said_: list[object] = []

    def attempt(n: int) -> None:
        own = Cases.open(place)
        try:
            said_.append(take_back(own, BY, f"{n}") if n % 2 else reset(own, BY, f"{n}"))
        except BadCase as error:
            said_.append(error)

    threads = [threading.Thread(target=attempt, args=(n,)) for n in range(8)]
    for one in threads:
        one.start()
    for one in threads:
        one.join(60)
    rows = resets(store)
    assert [r.number for r in rows] == list(range(1, len(rows) + 1))
    back = [r.takes_back for r in rows if r.takes_back is not None]
    assert len(back) == len(set(back))
    assert len(rows) - 1 + sum(isinstance(s, BadCase) for s in said_) == 8


def test_which_reset_holds():
    one, two = Reset(1, "a", BY, "x"), Reset(2, "b", BY, "x")
    back, both = Reset(3, "c", BY, "x", 2), Reset(4, "d", BY, "x", 1)
    assert holding(()) is None
    assert holding((one, two)) == two
    assert holding((one, two, back)) == one
    assert holding((one, two, back, both)) is None


def test_a_database_of_the_first_revision_is_brought_up_to_date_with_its_cases(bare_place):
    from alembic import command
    from alembic.config import Config

    migrations = Path(tables.__file__).parent / "migrations"
    entry = codec.made("k3v9x2mt", 1, BY, Opened("cranks long"), "")
    engine = create_engine(_url(bare_place))
    config = Config()
    config.set_main_option("script_location", str(migrations))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        connection.execute(insert(tables.cases), {"id": entry.case_id})
        connection.execute(
            insert(tables.entries),
            {"case_id": entry.case_id, "number": 1, "at_utc": entry.at_utc, "by": BY, "kind": entry.kind,
             "corrects": None, "text": entry.text, "previous": "", "hash": entry.hash},
        )  # fmt: skip
    engine.dispose()
    store = Cases.open(bare_place)
    assert [c.opened.complaint for c in store.read_all()] == ["cranks long"]
    assert resets(store) == ()
    assert reset(store, BY, "x").number == 1
    assert Cases.open(bare_place).read(entry.case_id).last == 1


def test_a_revision_of_ours_over_tables_of_another_program_is_not_touched(bare_place):
    engine = create_engine(_url(bare_place))
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE beer (cold int)"))
        connection.execute(text("CREATE TABLE alembic_version (version_num varchar(32))"))
        connection.execute(text("INSERT INTO alembic_version VALUES ('0001')"))
    engine.dispose()
    with pytest.raises(BadCase, match="another program"):
        open_engine(bare_place)
