"""What docs/scan.md shows of a bad bus is what is printed, and the tests it names are there."""

from __future__ import annotations

import re
from pathlib import Path

from click.testing import CliRunner

from witnessmark.cli import BAD_INPUT, main

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "scan.md").read_text(encoding="utf-8")
PART = PAGE[PAGE.index("## A bad bus") : PAGE.index("## Typed in by hand")]


def shown(command: str) -> list[str]:
    """What the page says that a command prints."""
    return PART.split(f"$ {command}\n")[1].split("```")[0].splitlines()


def test_the_log_of_the_page_is_read_as_it_says(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    log = PART.split("# broken.log\n")[1].split("```")[0]
    Path("broken.log").write_text(log, encoding="utf-8")
    result = CliRunner().invoke(main, ["scan", "read", "broken.log"])
    assert result.exit_code == 0, result.output
    lines = shown("witnessmark scan read broken.log")
    assert len(lines) == 5
    assert [line for line in result.stdout.splitlines() if line in lines] == lines


def test_the_silent_bus_of_the_page_says_so():
    result = CliRunner().invoke(main, ["scan", "read", "--interface", "virtual", "--channel", "nobody"])
    assert result.exit_code == BAD_INPUT
    assert result.stderr.splitlines() == shown("witnessmark scan read --interface virtual --channel nobody")


def test_the_tests_that_the_pages_name_are_there():
    for page, folder in (("scan.md", "scan"), ("case.md", "cases")):
        named = set(re.findall(r"`(test_\w+)`", (ROOT / "docs" / page).read_text(encoding="utf-8")))
        there = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "tests" / folder).glob("test_*.py"))
        assert named, page
        assert {n for n in named if f"def {n}(" not in there} == set(), page
