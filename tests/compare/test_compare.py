"""Two recordings of one engine, before and after a repair: simulated, so what was repaired is known."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from witnessmark.cli import main
from witnessmark.compare.chances import Chances, careful
from witnessmark.compare.compare import compare, verdict_of
from witnessmark.compare.comparison_json import comparison_json
from witnessmark.compare.document import comparison_html, compose
from witnessmark.compare.judge import _by_chances
from witnessmark.compare.model import Judged
from witnessmark.compare.schema import comparison_schema
from witnessmark.compare.terminal import summary
from witnessmark.findings.model import Finding
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.open import open_recording
from witnessmark.recording.setup import Setup
from witnessmark.report.blocks import WIDTH
from witnessmark.simulate.run import write_simulation

ROOT = Path(__file__).parents[2]
BASE = """
title = "Van"
seed = SEED
duration_s = LAST
[cranking]
attempts = [{ start_s = 0.3, end_s = 9.0 }]
[wheel]
layout = "60-2"
tdc_slot = 22.0
[sensor]
kind = "hall"
[sampling]
rate_hz = 50000.0
"""
RUNNING = '[running]\ninitial = "running"\ntargets = [[0.0, 800.0]]\n'
CRANKING = "[running]\nmay_start = false\n[control]\nwithhold_spark = true\nwithhold_fuel = true\n"
CRANK = '[[channel]]\nrole = "crank"\n'
ABSENT = '[[fault]]\nkind = "tooth-absent"\nslots = [23]\n'


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    """analysis(more text, seed, length): simulated and analysed once."""
    folder = tmp_path_factory.mktemp("compare")

    @cache
    def made(more: str = CRANK, seed: int = 3, last: float = 2.6):
        path = folder / f"r{len(list(folder.iterdir()))}.npz"
        scenario = path.with_suffix(".scenario")
        scenario.write_text(BASE.replace("SEED", str(seed)).replace("LAST", str(last)) + more, encoding="utf-8")
        write_simulation(scenario, path)
        return analyze_recording(open_recording(path), Setup())

    return made


def of_kind(comparison, kind):
    (judged,) = (j for j in comparison.findings if j.shown.kind == kind)
    return judged


# ---- verdicts


def test_a_replaced_wheel(record):
    c = compare(record(CRANK + ABSENT), record(CRANK, 4))
    judged = of_kind(c, "tooth-absent")
    assert judged.verdict == "gone"
    assert c.overall == "repaired"
    assert "slot 23" in c.statement
    assert all(len(sentence) < 160 for sentence in c.statement.split(". "))
    (pair,) = (p for p in c.teeth if p.slot == 23)
    assert pair.before.present == 0.0
    assert pair.after.present == 1.0
    # what none in n leaves open (binomial, derived): 1 - 0.05^(1/n)
    assert judged.bound == pytest.approx(1.0 - 0.05 ** (1.0 / judged.chances))
    assert judged.bound < judged.rate


def test_nothing_done(record):
    before = record(CRANK + ABSENT)
    c = compare(before, record(CRANK + ABSENT, 4))
    assert of_kind(c, "tooth-absent").verdict == "still there"
    assert c.overall == "not-repaired"


def test_a_tooth_bent_half_way_back(record):
    def bent(deg):
        return record(CRANK + f'[[fault]]\nkind = "tooth-displaced"\nslots = [23]\ndeg = {deg}\n')

    judged = of_kind(compare(bent(2.2), bent(1.2)), "tooth-displaced")
    assert judged.verdict == "changed"
    assert compare(bent(2.2), bent(2.2)).overall == "not-repaired"
    c = compare(bent(2.2), record(CRANK, 4))
    judged = of_kind(c, "tooth-displaced")
    assert judged.verdict == "gone"
    assert abs(judged.value_after) < 0.3
    assert c.overall == "repaired"


def test_a_new_fault(record):
    c = compare(record(CRANK), record(CRANK + ABSENT))
    assert of_kind(c, "tooth-absent").verdict == "new"
    assert c.overall == "new-fault"


def test_two_good_records_prove_nothing(record):
    c = compare(record(CRANK), record(CRANK, 4))
    assert c.overall == "nothing-to-compare"
    assert [j for j in c.findings if j.weighty] == []


def test_too_few_turns_after(record):
    c = compare(record(CRANK + ABSENT), record(CRANK, 4, 0.75))
    judged = of_kind(c, "tooth-absent")
    assert judged.verdict == "not comparable"
    assert c.overall == "not-proven"


def test_another_speed_after(record):
    """A tooth missed only while cranking; the record after holds idle only."""
    weak = '[[fault]]\nkind = "tooth-weak"\nslots = [23]\nshare = 0.9\nbelow_rpm = 450.0\n'
    before = record(CRANKING + CRANK + weak)
    assert of_kind(compare(before, record(CRANKING + CRANK, 4)), "tooth-weak").verdict == "gone"
    judged = of_kind(compare(before, record(RUNNING + CRANK, 4)), "tooth-weak")
    assert judged.verdict == "not comparable"
    assert "rpm" in judged.because
    assert judged.chances == 0


def test_a_line_that_is_not_recorded_after(record):
    sparkless = '[control]\nwithhold_spark = true\n[[channel]]\nrole = "crank"\n'
    before = record(sparkless + '[[channel]]\nrole = "coil"\n[[channel]]\nrole = "injector"\n')
    assert any(f.kind == "fuel-without-spark" and f.stated for f in before.findings.found)
    judged = of_kind(compare(before, record(CRANK, 4)), "fuel-without-spark")
    assert judged.verdict == "not comparable"
    assert "ignition coil" in judged.because


def test_a_rare_loss_is_not_proven_gone_by_a_short_record(record):
    lost = '[[fault]]\nkind = "signal-lost"\nstretches = [[1.2, 0.25]]\n'
    before = record(CRANKING + CRANK + lost)
    assert any(f.kind == "signal-lost" and f.stated for f in before.findings.found)
    judged = of_kind(compare(before, record(CRANKING + CRANK, 4)), "signal-lost")
    assert judged.verdict == "not comparable"
    assert judged.bound > judged.rate


def test_another_wheel_after(record):
    before = record(CRANK + ABSENT)
    swapped = record(CRANK + '[[fault]]\nkind = "wheel-unexpected"\nlayout = "36-1"\n', 5)
    c = compare(before, swapped)
    assert of_kind(c, "tooth-absent").verdict == "not comparable"
    assert "36-1" in c.teeth_why_not
    assert compare(before, record(CRANK, 4)).teeth_why_not == ""


# ---- how much none in n proves


@pytest.mark.parametrize(("n", "verdict"), [(58, "not comparable"), (59, "gone")])
def test_a_fault_of_one_turn_in_twenty_needs_59_turns(n, verdict):
    """Binomial: 0.95^58 = 0.051 and 0.95^59 = 0.0485, so to see a 5 % fault with 95 % takes 59 turns (derived)."""
    finding = Finding("F1", "tooth-extra", "crank", "wheel", "", 0.9, ())
    assert _by_chances(finding, Chances(0.05, n, 0, "turns")).verdict == verdict


def test_one_of_one_is_not_taken_for_always():
    assert careful(1, 1) == pytest.approx(2 / 3)  # rule of succession, (k + 1) / (n + 2)
    assert careful(2, 200) == pytest.approx(0.01)  # and never more than was seen
    one = _by_chances(Finding("F1", "no-start", "crank", "none", "", 0.9, ()), Chances(careful(1, 1), 1, 0, "starts"))
    assert one.verdict == "not comparable"


def test_hits_that_are_no_finding_are_a_change():
    finding = Finding("F1", "tooth-weak", "crank", "wheel", "", 0.9, (), slot=3)
    assert _by_chances(finding, Chances(0.9, 100, 1, "passages")).verdict == "changed"


def _judged(verdict, kind, stated=True, before=True):
    finding = Finding("F1", kind, "crank", "wheel", "", 0.9 if stated else 0.3, ())
    return Judged(verdict, finding if before else None, None if before else finding, "")


@pytest.mark.parametrize(
    ("judged", "overall"),
    [
        ([], "nothing-to-compare"),
        ([_judged("gone", "tooth-weak"), _judged("not comparable", "no-start")], "repaired"),
        ([_judged("gone", "tooth-weak"), _judged("still there", "no-start")], "changed"),
        ([_judged("gone", "tooth-weak"), _judged("still there", "edges-dropped")], "not-repaired"),
        ([_judged("gone", "tooth-weak"), _judged("not comparable", "edges-dropped")], "partly-proven"),
        ([_judged("gone", "tooth-weak"), _judged("new", "polarity-reversed", before=False)], "new-fault"),
        ([_judged("gone", "tooth-weak"), _judged("still there", "edges-dropped", stated=False)], "repaired"),
        ([_judged("gone", "tooth-weak"), _judged("new", "record-clipped", before=False)], "repaired"),
        ([_judged("not comparable", "no-start")], "not-proven"),
        ([_judged("still there", "no-start")], "not-repaired"),
    ],
)
def test_the_whole_follows_from_the_parts(judged, overall):
    assert verdict_of(tuple(judged)) == overall


# ---- what is written


def test_json_keeps_to_its_schema(record):
    validator = jsonschema.Draft202012Validator(comparison_schema())
    pairs = (
        (record(CRANK + ABSENT), record(CRANK, 4)),
        (record(CRANK), record(CRANK + ABSENT)),
        (record(CRANK + ABSENT), record(CRANK, 4, 0.75)),
    )
    for before, after in pairs:
        data = json.loads(json.dumps(comparison_json(compare(before, after)), allow_nan=False))
        validator.validate(data)
        assert {f["verdict"] for f in data["findings"]} <= {"gone", "still there", "changed", "new", "not comparable"}


def test_the_published_schema_is_current():
    """After a change: python -m witnessmark.compare.schema > docs/comparison.schema.json."""
    published = json.loads((ROOT / "docs" / "comparison.schema.json").read_text(encoding="utf-8"))
    assert published == comparison_schema()


def test_every_sentence_of_the_report_rests_on_something(record):
    c = compare(record(CRANK + ABSENT), record(CRANK, 4))
    text = comparison_html(c)
    ids = re.findall(r' id="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', text)) <= set(ids)
    assert "://" not in re.sub(r'xmlns(:\w+)?="[^"]*"', "", text)  # no request leaves the file
    samples = {f"before {i.name}": i.samples for i in c.before.recording.channels}
    samples |= {f"after {i.name}": i.samples for i in c.after.recording.channels}
    document = compose(c, with_pictures=False)
    sentences = [document.verdict, *(s for section in document.sections for s in section.sentences)]
    for sentence in sentences:
        assert sentence.ranges or sentence.basis == "knowledge", sentence.text
        assert all(0 <= r.start_sample < r.stop_sample <= samples[r.channel] for r in sentence.ranges)
        assert all(f in ids for f in sentence.findings), sentence.text
    assert text.count("<svg") == 3  # teeth, and the turns before and after


def test_put_back_what_was_disabled_is_always_said(record):
    c = compare(record(CRANK), record(CRANK, 4))
    for text in (summary(c), comparison_html(c), json.dumps(comparison_json(c))):
        assert "put back" in " ".join(text.split())


def test_the_summary_fits_a_plain_terminal(record):
    text = summary(compare(record(CRANK + ABSENT), record(CRANK, 4)))
    assert all(len(line) <= WIDTH for line in text.splitlines())
    assert text.startswith("Verdict")
    text.encode("latin-1")


# ---- the command


def run(*args):
    return CliRunner().invoke(main, [str(a) for a in args])


def test_the_command(record, tmp_path):
    before, after = record(CRANK + ABSENT).recording.path, record(CRANK, 4).recording.path
    result = run("compare", before, after, "--json", tmp_path / "c.json", "--report", tmp_path / "c.html")
    assert result.exit_code == 0, result.output
    assert "GONE" in result.stdout
    data = json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))
    assert (data["schema"], data["verdict"]["id"]) == ("witnessmark.comparison/1", "repaired")
    assert (tmp_path / "c.html").read_text(encoding="utf-8").startswith("<!")
    printed = run("compare", before, after, "--json", "-")
    assert json.loads(printed.stdout)["schema"] == "witnessmark.comparison/1"


def test_bad_input_is_one_line_and_nothing_is_written(record, tmp_path):
    good, other = record(CRANK).recording.path, record(CRANK, 4).recording.path
    setup = tmp_path / "s.toml"
    setup.write_text("[engine]\ncylindres = 4\n", encoding="utf-8")
    for args, word in (
        ((tmp_path / "gone.npz", good), "no such file"),
        ((good, tmp_path / "gone.npz"), "no such file"),
        ((good, good), "the same recording"),
        ((good, other, "--setup", setup), "cylindres"),
        ((good, other, "--json", good), "overwrite"),
        ((good, other, "--report", "-"), "report"),
        ((good, other, "--report", tmp_path / "no" / "c.html"), "folder"),
        ((good,), "AFTER"),
    ):
        result = run("compare", *args)
        assert result.exit_code == 2, args
        assert result.stdout == ""
        assert len(result.stderr.splitlines()) == 1
        assert word in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["s.toml"]


def test_a_touch_of_the_key_proves_no_start(record):
    """Half a turn of cranking after: no chance for the battery to sag nor for the engine to fail."""
    slow = CRANK + '[[channel]]\nrole = "battery"\n[[fault]]\nkind = "cranking-slow"\nrpm = 70.0\n'
    before = record(slow)
    kinds = {f.kind for f in before.findings.found if f.stated} & {"battery-low", "cranking-slow"}
    assert kinds
    c = compare(before, record(CRANK + '[[channel]]\nrole = "battery"\n', 4, 0.55))
    assert {j.verdict for j in c.findings if j.shown.kind in kinds} == {"not comparable"}
    assert c.overall == "not-proven"


def test_labels_of_near_slots_are_one():
    from witnessmark.compare.draw import NEAR, _together

    assert _together([23, 24, 40], NEAR * 58.0) == [[23, 24], [40]]
    assert _together([], 4.0) == []
    assert _together([5, 30], NEAR * 58.0) == [[5], [30]]
