"""The check after the repair: a new recording held against one of the case's."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from witnessmark.cases.bodies import Body, RecordingAdded, StartLine, Verified, Work
from witnessmark.cases.model import Attachment, Case, alters
from witnessmark.cases.store import Cases, attachment
from witnessmark.cases.vin import without_vins
from witnessmark.cases.work import (
    JSON,
    MOST_LINES,
    Analyse,
    Recorded,
    content_of,
    finding_line,
    json_bytes,
    recorded,
    size_of,
)
from witnessmark.errors import BadCase
from witnessmark.report.model import Analysis


@dataclass(frozen=True)
class Checked:
    """A comparison ready to enter the log: the recording after (if new to the case), its analysis, the comparison."""

    after: Recorded | int
    verified: Verified
    files: tuple[Attachment, ...]

    def bodies(self, case: Case) -> tuple[Body, ...]:
        """The entries that follow the case's last one."""
        if isinstance(self.after, int):
            return (replace(self.verified, after=self.after),)
        return *self.after.after(case.last), replace(self.verified, after=case.last + 1)


def before_repair(case: Case, number: int | None = None) -> tuple[int, RecordingAdded]:
    """The recording to hold a new one against: the one named, else the last one before the last work done."""
    recordings = case.of(RecordingAdded)
    if number is not None:
        found = [(n, r) for n, r in recordings if n == number]
        if not found:
            raise BadCase(f"case {case.id}: entry {number} is no recording that counts; case show lists them")
        return found[0]
    if not recordings:
        raise BadCase(f"case {case.id}: holds no recording to compare with; add the one made before the repair first")
    repaired = [n for n, w in case.of(Work) if not w.earlier]
    earlier = [(n, r) for n, r in recordings if repaired and n < repaired[-1]]
    return earlier[-1] if earlier else recordings[0]


def checked_repair(
    store: Cases, case: Case, path: str, analyse: Analyse, number: int | None = None, setup_path: str | None = None
) -> Checked:
    """Hold the recording at ``path`` against one of the case's. BadCase where that one is gone or not the same."""
    before_number, before = before_repair(case, number)
    same = _held(case, path)
    if same is not None and _sha256(case, same) == before.sha256:
        raise BadCase(f"{path}: the same recording as before the repair; give the one made after it")
    _made_since(case, path, same)
    earlier_path = as_it_was(case.id, before_number, before)
    with setup_of(store, case, before, setup_path) as (used, name):
        after = recorded(path, used, "after the repair", analyse, name)
        earlier = analyse(earlier_path, used)
    verified, whole = _verified(earlier, after.analysis, before_number, name)
    return Checked(after if same is None else same, verified, (*after.files, whole) if same is None else (whole,))


def _held(case: Case, path: str) -> int | None:
    """The first recording of the case with the same content, None where it is new. Only equal sizes are hashed."""
    size = size_of(path)
    alike = [(n, r.sha256) for n, r in case.of(RecordingAdded) if r.size_bytes == size]
    sha256 = content_of(path)[0] if alike else ""
    return next((n for n, held in alike if held == sha256), None)


def _sha256(case: Case, number: int) -> str:
    return next(r.sha256 for n, r in case.of(RecordingAdded) if n == number)


def _made_since(case: Case, path: str, number: int | None) -> None:
    """Refuse a recording that the case holds from before the last work, before minutes are spent on it."""
    last = max((e.number for e in case.log if e.counts and alters(e.body)), default=0)
    if number is not None and number < last:
        raise BadCase(f"{path}: is recording {number} of case {case.id}, older than entry {last} "
                      f"({case.log[last - 1].entry.kind}); make a recording now and give that")  # fmt: skip


def as_it_was(case_id: str, number: int, added: RecordingAdded) -> str:
    """The path of a recording of the case, which must hold what it held when it was added."""
    if not os.path.exists(added.path):
        raise BadCase(f"{added.path}: recording {number} of case {case_id} is there no more; put it back, or say where "
                      f"it lies: case correct {case_id} {number} --set path=... --why moved")  # fmt: skip
    if size_of(added.path) != added.size_bytes or content_of(added.path)[0] != added.sha256:
        raise BadCase(f"{added.path}: not what it was when it became recording {number} of case {case_id}; "
                      "put the original back")  # fmt: skip
    return added.path


@contextmanager
def setup_of(
    store: Cases, case: Case, before: RecordingAdded, given: str | None = None
) -> Iterator[tuple[str | None, str]]:
    """(setup file to use, how to name it): the one given, else the one kept with the recording."""
    if given is not None or before.setup_file is None:
        yield given, given or ""
        return
    kept = store.file(case.id, before.setup_file)
    if kept is None:
        raise BadCase(f"case {case.id}: the setup kept with {before.path} is missing; give it with --setup")
    with tempfile.TemporaryDirectory(prefix="witnessmark-") as folder:
        path = os.path.join(folder, "setup.toml")
        Path(path).write_bytes(kept.data)
        yield path, before.setup_path


def _verified(before: Analysis, after: Analysis, number: int, setup: str) -> tuple[Verified, Attachment]:
    from witnessmark.compare.compare import compare
    from witnessmark.compare.comparison_json import comparison_json

    data = comparison_json(compare(before, after))
    data["setup"]["path"] = setup or None
    whole = attachment(json_bytes(without_vins(data)), JSON, "comparison")
    findings = tuple(
        finding_line({**f, **(f["before"] or f["after"])}, f["verdict"], f["because"])
        for f in data["findings"][:MOST_LINES]
    )
    starts = tuple(StartLine(**data["starts"][when]) for when in ("before", "after"))
    body = Verified(number, number + 1, whole.sha256, data["verdict"]["id"], data["verdict"]["statement"], findings,
                    (starts[0], starts[1]), tuple(data["cautions"]))  # fmt: skip
    return body, whole
