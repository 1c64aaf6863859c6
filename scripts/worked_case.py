"""The worked case of docs/worked-case.md: runs its commands in order, and writes what they print into the page.

    python scripts/worked_case.py          # in the project's folder: the page with what the commands print now

A block of the page that begins with ``$ `` holds commands, each followed by what it prints; a block whose first line is
``# NAME`` is that file. The test of the page runs the same and compares. Ids, times, hashes and the folder are another
in every run and stand as fixed examples in the page.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "worked-case.md"
CASE, FOLDER = "k3v9x2mt", "~/van"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.M | re.S)
CHANGING = (
    (re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d"), "2024-02-01 09:30"),
    (re.compile(r"\d{4}-\d\d-\d\dT[\d:+.]+Z?"), "2024-02-01T09:30:00+00:00"),
    (re.compile(r"SHA-256\s+[0-9a-f]{12}"), "SHA-256 0123456789ab"),
    (re.compile(r"simulated\d+,\s+\d+\s+frames,\s+\d+\s+answers(,\s+over\s+[\d.]+\s+s)?"), "simulated0"),
)


@dataclass(frozen=True)
class Step:
    """One command of the page as it stands there, and what it printed."""

    command: str
    printed: str


class Failed(Exception):
    """A command of the page that does not succeed."""


def pieces(text: str) -> list[tuple[str, tuple[int, int]]]:
    """(content, its place in the text) of every block of the page."""
    return [(m[2], m.span(2)) for m in BLOCK.finditer(text)]


def commands(block: str) -> list[str]:
    """The commands of a block, in order; none where it is a file."""
    return [line[2:] for line in block.splitlines() if line.startswith("$ ")]


def steps_of(block: str) -> list[Step]:
    """The commands of a block with what the page says that they print."""
    parts = re.split(r"^\$ (.*)\n", block, flags=re.M)[1:]
    return [Step(c, p.rstrip("\n")) for c, p in zip(parts[::2], parts[1::2], strict=True)]


class Session:
    """Runs the page's commands in a folder; ``settle`` makes what they print the same in every run."""

    def __init__(self, folder: Path):
        """``folder``: empty; it gets a copy of the project's examples."""
        self.folder, self.case = folder, CASE
        self.environment: dict[str, str] = {}
        shutil.copytree(ROOT / "examples", folder / "examples")

    def play(self, block: str) -> list[Step]:
        """The block's commands run; a file written where it is one."""
        name = re.match(r"# (\S+\.\w+)\n", block)
        if name is not None:
            (self.folder / name[1]).write_text(block, encoding="utf-8")
            return []
        return [self._run(command) for command in commands(block)]

    def _run(self, command: str) -> Step:
        words = shlex.split(command.replace(CASE, self.case))
        if words[0] == "export":
            self.environment |= dict([words[1].split("=", 1)])
            return Step(command, "")
        assert words[0] == "witnessmark", command
        from witnessmark.cli import main

        before = os.getcwd()
        os.chdir(self.folder)
        try:
            done = CliRunner().invoke(main, words[1:], env=self.environment)
        finally:
            os.chdir(before)
        if done.exit_code:
            raise Failed(f"{command}: {done.output}")
        if words[1:3] == ["case", "new"]:
            self.case = done.stdout.strip()
        return Step(command, self.settle(done.stdout).rstrip("\n"))

    def settle(self, text: str) -> str:
        """What differs from run to run as the page's examples."""
        for folder in (str(self.folder.resolve()), str(self.folder)):
            text = text.replace(folder, FOLDER)
        text = text.replace(self.case, CASE)
        for pattern, example in CHANGING:
            text = pattern.sub(example, text)
        return text


def written(text: str, session: Session) -> str:
    """The page with what its commands print now."""
    out, at = [], 0
    for block, (start, stop) in pieces(text):
        steps = session.play(block)
        new = "".join(f"$ {s.command}\n{s.printed}{chr(10) if s.printed else ''}" for s in steps) if steps else block
        out += [text[at:start], new]
        at = stop
    return "".join([*out, text[at:]])


def main() -> None:
    """Write the page anew."""
    with tempfile.TemporaryDirectory(prefix="van") as folder:
        text = written(PAGE.read_text(encoding="utf-8"), Session(Path(folder)))
    PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
