"""Completion in bash, zsh and fish, as docs/case.md says how to switch it on.

Reference: click's own completion classes and scripts (a library's; the words and their explanations are ours).
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.cases import story
from witnessmark.cases.bodies import Analysed, ChosenTest, Possible, RecordingAdded
from witnessmark.cases.store import Cases
from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.ids import CAUSES
from witnessmark.cli import main

ROOT = Path(__file__).parents[1]
SHELLS = ("bash", "zsh", "fish")
TESTS = [t.id for t in load_knowledge().test]
LOOKS = {t for t in TESTS if t.startswith("look")}
LOOK = next(t for t in load_knowledge().test if t.id == "look-at-the-tooth")


def environment(shell: str, words: str, place) -> dict[str, str]:
    """What the shell's script sets. words: the line; it ends with a blank where a new word begins."""
    whole = words.split()
    begun = "" if words.endswith(" ") else whole[-1]
    at = begun if shell == "fish" else str(len(whole) - (1 if begun else 0))
    return {"WITNESSMARK_CASES": str(place), "_WITNESSMARK_COMPLETE": f"{shell}_complete", "COMP_WORDS": words,
            "COMP_CWORD": at}  # fmt: skip


def offered(shell: str, words: str, place) -> dict[str, str]:
    """What is offered for the last word, each with what it is (bash shows none)."""
    result = CliRunner().invoke(main, env=environment(shell, words, place), prog_name="witnessmark")
    assert result.exception is None or isinstance(result.exception, SystemExit), result.output
    lines = result.stdout.splitlines() if result.stdout.strip() else []
    if shell == "bash":
        return {line.partition(",")[2]: "" for line in lines}
    if shell == "zsh":
        return dict(zip(lines[1::3], lines[2::3], strict=True))
    if lines and lines[0] in ("plain", "file", "dir"):  # click from 8.3 on: three lines a word
        return dict(zip(lines[1::3], lines[2::3], strict=True))
    return {w: h for w, _, h in (line.partition(",")[2].partition("\t") for line in lines)}


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> tuple[str, str]:
    """(database, case): a test chosen (entry 2), a part disabled (3), a recording (4)."""
    path = tmp_path_factory.mktemp("completion") / "cases.db"
    case = story.opened(path, "--vehicle", "a bakery's delivery van")
    store = Cases.open(str(path))
    store.add(case, ChosenTest(LOOK.id, "look", outcomes=tuple(Possible(o.result, o.then) for o in LOOK.outcomes)), "x")
    story.said(path, "disable", case, "fuse 12")
    store.add(case, lambda c: (RecordingAdded("/van.npz", "0" * 64, 1), Analysed(c.last + 1, "0" * 64, "p")), "x")
    return str(path), case


@pytest.mark.parametrize("shell", SHELLS)
@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ("witnessmark ", {"case", "scan", "analyze"}),
        ("witnessmark case ", {"new", "restore", "priors"}),
        ("witnessmark case add ", {"recording", "photo", "snapshot"}),
        ("witnessmark case priors --", {"--reset", "--take-back", "--why", "--since-begin"}),
        ("witnessmark case show ", {"CASE"}),
        ("witnessmark case test CASE ", set(TESTS)),
        ("witnessmark case test CASE look-", LOOKS),
        ("witnessmark case note CASE low --test ", set(TESTS)),
        ("witnessmark case note CASE low --test look-at-the-tooth --outcome ", {"1", "2"}),
        ("witnessmark case outcome CASE ", {"2"}),
        ("witnessmark case outcome CASE 2 ", {"1", "2"}),
        ("witnessmark case restore CASE ", {"3"}),
        ("witnessmark case analyze CASE ", {"4"}),
        ("witnessmark case verify CASE x.npz --before ", {"4"}),
        ("witnessmark case retract CASE ", {"1", "2", "3", "4", "5"}),
        ("witnessmark case correct CASE ", {"1", "2", "3", "4", "5"}),
        ("witnessmark case decide CASE x --because ", {"1", "2", "3", "4", "5"}),
        ("witnessmark case close CASE x --cause ", set(CAUSES)),
        ("witnessmark case close CASE x --cause trigger-", {c for c in CAUSES if c.startswith("trigger-")}),
        ("witnessmark tests look", LOOKS),
        ("witnessmark plan --test look", LOOKS),
        ("witnessmark hookup x.npz --test look", LOOKS),
        ("witnessmark analyze x.npz --observed look", {f"{t}=" for t in LOOKS}),
        ("witnessmark analyze x.npz --observed look-at-the-tooth=", {"look-at-the-tooth=1", "look-at-the-tooth=2"}),
        ("witnessmark scan ", {"read", "show", "clear", "simulate"}),
        ("witnessmark scan read --engine ", {"off", "cranking", "running"}),
    ],
)
def test_what_is_offered(place, shell, words, wanted):
    path, case = place
    found = offered(shell, words.replace("CASE", case), path)
    wanted = {case if w == "CASE" else w for w in wanted}
    exact = not words.endswith((" --", "witnessmark ", "case "))
    assert set(found) == wanted if exact else wanted <= set(found)


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_numbers_are_explained_where_the_shell_can_show_it(place, shell):
    path, case = place
    assert offered(shell, f"witnessmark case outcome {case} 2 ", path) == {
        str(k): o.result for k, o in enumerate(LOOK.outcomes, start=1)
    }
    assert offered(shell, f"witnessmark case restore {case} ", path) == {"3": "fuse 12"}
    assert "bakery" in offered(shell, "witnessmark case show ", path)[case]


@pytest.mark.parametrize("shell", SHELLS)
def test_completion_makes_no_database_and_never_complains(place, shell, tmp_path):
    for words in ("witnessmark case show ", "witnessmark case outcome zzzz ", "witnessmark case restore zzzz "):
        assert offered(shell, words, tmp_path / "none.db") == {}
        assert offered(shell, words, tmp_path) == {}  # a folder
    assert list(tmp_path.iterdir()) == []
    assert offered(shell, "witnessmark case outcome zzzz 2 ", place[0]) == {}


@pytest.mark.parametrize("shell", SHELLS)
def test_the_page_says_how_it_is_switched_on(shell):
    """Each line of docs/case.md asks for click's script of that shell, which names the program's variable."""
    page = (ROOT / "docs" / "case.md").read_text(encoding="utf-8")
    assert len(re.findall(f"_WITNESSMARK_COMPLETE={shell}_source witnessmark", page)) == 1
    result = CliRunner().invoke(main, env={"_WITNESSMARK_COMPLETE": f"{shell}_source"}, prog_name="witnessmark")
    assert f"_WITNESSMARK_COMPLETE={shell}_complete" in result.stdout
    assert "COMP_WORDS" in result.stdout


@pytest.mark.parametrize("shell", SHELLS)
def test_a_shell_that_is_here_completes(place, shell, tmp_path):
    """The line of the page in the shell itself, then the function that the shell calls at the tabulator key."""
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not on this machine")
    path, case = place
    shim = tmp_path / "witnessmark"
    shim.write_text(f"#!{sys.executable}\nfrom witnessmark.cli import main\nmain()\n")
    shim.chmod(0o755)
    ways = {
        "bash": 'eval "$(_WITNESSMARK_COMPLETE=bash_source witnessmark)"; COMP_WORDS=(witnessmark case close '
        f"{case} x --cause crank-); COMP_CWORD=6; _witnessmark_completion witnessmark; "
        'printf "%s\\n" "${COMPREPLY[@]}"',
        "zsh": 'autoload -U compinit; compinit -D; eval "$(_WITNESSMARK_COMPLETE=zsh_source witnessmark)"; '
        "whence -w _witnessmark_completion && echo crank-sensor",
        "fish": "_WITNESSMARK_COMPLETE=fish_source witnessmark | source; "
        f"complete -C 'witnessmark case close {case} x --cause crank-'",
    }
    whole = {**os.environ, "WITNESSMARK_CASES": path, "PATH": f"{tmp_path}:{os.environ['PATH']}",
             "PYTHONPATH": f"{ROOT / 'src'}"}  # fmt: skip
    done = subprocess.run([program, "-c", ways[shell]], capture_output=True, text=True, env=whole, check=False)
    assert "crank-sensor" in done.stdout, done.stderr
