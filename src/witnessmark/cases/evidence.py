"""What an analysis of a case takes in beside the recording: tests by hand, snapshots of control units, closed cases.

Work on the vehicle parts the evidence (:mod:`witnessmark.cases.weighing`): only what belongs to the vehicle as it was
when the recording was made is taken in.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Protocol

from witnessmark.cases.bodies import Analysed, Body, RecordingAdded, Snapshot
from witnessmark.cases.history import history
from witnessmark.cases.model import Attachment, Case
from witnessmark.cases.store import Cases
from witnessmark.cases.verify import as_it_was, setup_of
from witnessmark.cases.weighing import seen, works_before
from witnessmark.cases.work import Recorded, read_back, recorded
from witnessmark.causes.observations import Observation
from witnessmark.errors import BadCase
from witnessmark.report.model import Analysis
from witnessmark.scan.judge import judge, together
from witnessmark.scan.model import SCHEMA, ScanSnapshot


class Analyse(Protocol):
    """``pipeline.analyze``."""

    def __call__(
        self,
        recording_path: str,
        setup_path: str | None,
        /,
        *,
        observations: tuple[Observation, ...],
        closed: Mapping[str, int] | None,
    ) -> Analysis:
        """The analysis of a recording with what was seen by hand, and priors moved by closed cases."""


class WithScan(Protocol):
    """``pipeline.with_scan``."""

    def __call__(
        self,
        analysis: Analysis,
        /,
        *snapshots: ScanSnapshot,
        observations: tuple[Observation, ...],
        closed: Mapping[str, int] | None,
    ) -> Analysis:
        """The analysis with what control units said."""


@dataclass(frozen=True)
class Evidence:
    """What an analysis takes in.

    told: (entry, what was seen by hand). said: (entry, snapshot), oldest first. closed: closed cases by cause.
    closed_since: the reset of the priors (UTC) after which those were closed; empty where none holds.
    """

    told: tuple[tuple[int, Observation], ...]
    said: tuple[tuple[int, ScanSnapshot], ...]
    closed: Mapping[str, int]
    closed_since: str = ""

    def weighed(
        self, path: str, setup_path: str | None, note: str, analyse: Analyse, with_scan: WithScan, setup_name: str = ""
    ) -> Recorded:
        """The recording analysed with all of it; each finding of a snapshot names the snapshot's entry."""

        def whole(recording: str, setup: str | None) -> Analysis:
            return self.analysis(recording, setup, analyse, with_scan)

        made = recorded(path, setup_path, note, whole, setup_name, weighed=tuple(n for n, _ in self.told))
        body = self._named(made.analysed, made.analysis)
        since = self.closed_since if body.closed_cases else ""
        return replace(made, analysed=replace(body, closed_since=since))

    def analysis(self, path: str, setup_path: str | None, analyse: Analyse, with_scan: WithScan) -> Analysis:
        """The analysis of a recording with all of it, nothing of which is to be entered."""
        observations, closed = tuple(o for _, o in self.told), self.closed or None
        found = analyse(path, setup_path, observations=observations, closed=closed)
        if not self.said:
            return found
        return with_scan(found, *(s for _, s in self.said), observations=observations, closed=closed)

    def _named(self, body: Analysed, analysis: Analysis) -> Analysed:
        if not self.said:
            return body
        merged, origin = together([judge(s) for _, s in self.said])
        last = analysis.findings.found[len(analysis.findings.found) - len(merged.found) :]
        entry = {f.id: self.said[n][0] for f, n in zip(last, origin, strict=True)}
        lines = tuple(replace(f, snapshot=entry.get(f.id)) for f in body.findings)
        return replace(body, findings=lines, scanned=tuple(n for n, _ in self.said))


def evidence(store: Cases, case: Case, *, works: int | None = None, as_delivered: bool = False) -> Evidence:
    """What belongs to the vehicle as it is now, or as it was after so many ``works``.

    as_delivered: closed cases are left out.
    """
    at = works_before(case, case.last + 1) if works is None else works
    told, said = seen(case, at), snapshots(store, case, at)
    if as_delivered:
        return Evidence(told, said, {})
    shop = history(store, case.id)
    return Evidence(told, said, shop.counts, shop.since_utc)


def snapshots(store: Cases, case: Case, works: int) -> tuple[tuple[int, ScanSnapshot], ...]:
    """(entry, snapshot) of those that scan reads and that were read after so many works, oldest first."""
    out = []
    for number, body in case.of(Snapshot):
        if body.schema != SCHEMA or works_before(case, number) != works:
            continue
        kept = store.file(case.id, body.file)
        if kept is None:
            raise BadCase(f"case {case.id}: the snapshot of entry {number} is missing; add it again and withdraw that")
        out.append((number, read_back(json.loads(kept.data), f"snapshot {number}")))
    return tuple(out)


def to_weigh_anew(case: Case) -> int | None:
    """The recording whose analysis a snapshot that comes now moves; None where there is none.

    That is the last one analysed, if the vehicle was not worked on since. A check of the repair is left as it is.
    """
    judged = case.verdict
    if judged is None or case.verification is not None:
        return None
    recording = judged[1].recording
    return recording if works_before(case, recording) == works_before(case, case.last + 1) else None


@dataclass(frozen=True)
class Anew:
    """An analysis of a recording that the case holds, made again; ``files`` go with it."""

    analysed: Analysed
    files: tuple[Attachment, ...]
    analysis: Analysis

    def entry(self, snapshot: int | None = None) -> Body:
        """The entry; ``snapshot``: the number that the snapshot gets which is added with it."""
        if snapshot is None:
            return self.analysed
        lines = tuple(replace(f, snapshot=snapshot) if f.snapshot == COMING else f for f in self.analysed.findings)
        scanned = tuple(snapshot if n == COMING else n for n in self.analysed.scanned)
        return replace(self.analysed, findings=lines, scanned=scanned)


COMING = 0  # number of a snapshot that is about to enter the log


def anew(
    store: Cases,
    case: Case,
    number: int,
    analyse: Analyse,
    with_scan: WithScan,
    coming: ScanSnapshot | None = None,
    *,
    as_delivered: bool = False,
) -> Anew:
    """Recording ``number`` analysed again with what belongs to it now, and with a snapshot that is to be added.

    BadCase where there is no such recording, or it is no longer as it was.
    """
    added = next((r for n, r in case.of(RecordingAdded) if n == number), None)
    if added is None:
        raise BadCase(f"case {case.id}: entry {number} is no recording that counts; case show lists them")
    known = evidence(store, case, works=works_before(case, number), as_delivered=as_delivered)
    if coming is not None:
        known = replace(known, said=(*known.said, (COMING, coming)))
    path = as_it_was(case.id, number, added)
    with setup_of(store, case, added) as (setup, name):
        made = known.weighed(path, setup, added.note, analyse, with_scan, name)
    return Anew(replace(made.analysed, recording=number), made.files[:1], made.analysis)
