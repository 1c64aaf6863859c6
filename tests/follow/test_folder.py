"""A watched folder: a recording is taken when it is whole, once, and again when it has changed."""

from __future__ import annotations

import pytest

from witnessmark.errors import BadOutput, BadRecording, BadSetup
from witnessmark.follow.folder import Folder, watch
from witnessmark.follow.marks import Marks

from .scripted import Script


def add(path, data):
    def step():
        path.parent.mkdir(exist_ok=True)
        with open(path, "ab") as file:
            file.write(data)

    return step


def nothing():
    pass


def run(folder, *steps, waits=40, **options):
    seen, said, marks = [], [], Marks()

    def analyse(path):
        if "bad" in path:
            raise BadRecording(f"{path}: is no recording; export it again")
        seen.append(path)

    script = Script(*steps, *([nothing] * waits), marks=marks)
    count = watch(Folder(str(folder), settle_s=1.0, **options), analyse, said.append, marks, clock=script.clock)
    assert count == len(seen)
    return [p.rsplit("/", 1)[1] for p in seen], said


def test_a_file_is_taken_when_it_no_longer_grows(tmp_path):
    (tmp_path / "old.csv").write_text("time,crank\n")
    writing = [add(tmp_path / "van.csv", b"0,1\n")] * 30
    first, _ = run(tmp_path, *writing, waits=4)
    assert first == []  # 30 waits of 0.2 s, each with another row: never still for a second
    (tmp_path / "van.csv").unlink()
    second, _ = run(tmp_path, *writing)
    assert second == ["van.csv"]


def test_what_lay_there_is_left_unless_it_is_asked_for_or_changes(tmp_path):
    (tmp_path / "old.csv").write_text("time,crank\n")
    assert run(tmp_path)[0] == []
    assert run(tmp_path, there_too=True)[0] == ["old.csv"]
    assert run(tmp_path, nothing, add(tmp_path / "old.csv", b"0,1\n"))[0] == ["old.csv"]


def test_what_is_no_finished_recording_is_left_alone(tmp_path):
    names = [".hidden.csv", "van.csv.part", "van.tmp", "notes.docx", "empty.csv", "a.csv~"]
    steps = [add(tmp_path / n, b"" if n == "empty.csv" else b"x") for n in names]
    assert run(tmp_path, nothing, *steps)[0] == []


def test_folders_that_are_recordings_and_bad_ones(tmp_path):
    zarr = tmp_path / "van.zarr"
    steps = [nothing, add(zarr / "zarr.json", b"{}"), add(zarr / "c0", b"1"), add(tmp_path / "bad.csv", b"x\n")]
    seen, said = run(tmp_path, *steps)
    assert seen == ["van.zarr"]
    assert len(said) == 1
    assert "bad.csv" in said[0]


def test_a_bad_recording_is_tried_again_when_it_changes(tmp_path):
    steps = [nothing, add(tmp_path / "bad.csv", b"x\n"), *([nothing] * 10), add(tmp_path / "bad.csv", b"y\n")]
    assert len(run(tmp_path, *steps)[1]) == 2


def test_it_ends_when_nothing_comes_and_when_the_folder_is_gone(tmp_path):
    folder, script = tmp_path / "in", Script()
    folder.mkdir()
    assert watch(Folder(str(folder)), print, print, Marks(), idle_s=3.0, clock=script.clock) == 0
    assert 3.0 < script.now_s < 4.0
    gone = Script(folder.rmdir)
    with pytest.raises(BadRecording, match="cannot be watched"):
        watch(Folder(str(folder)), print, print, Marks(), idle_s=3.0, clock=gone.clock)


FAULTS = [
    (BadSetup("van.toml: [[channel]] names crank, which bad.csv lacks; correct the name"), "which bad.csv lacks"),
    (BadOutput("out/bad.csv.html: no space left on device; choose another place"), "no space left"),
    (MemoryError(), "bad.csv: MemoryError"),
    (ValueError("odd\nrow"), "bad.csv: ValueError: odd row"),
]


@pytest.mark.parametrize(("fault", "words"), FAULTS)
def test_one_that_goes_wrong_is_one_line_and_the_next_is_taken(tmp_path, monkeypatch, fault, words):
    taken, said, marks = [], [], Marks()

    def analyse(path):
        if "bad" in path:
            raise fault
        taken.append(path)

    def run_once():
        steps = [nothing, add(tmp_path / "bad.csv", b"x\n"), *([nothing] * 8), add(tmp_path / "good.csv", b"x\n")]
        script = Script(*steps, *([nothing] * 20), marks=marks)
        return watch(Folder(str(tmp_path), settle_s=1.0), analyse, said.append, marks, clock=script.clock)

    monkeypatch.delenv("WITNESSMARK_DEBUG", raising=False)
    assert run_once() == 1
    assert taken == [str(tmp_path / "good.csv")]
    (line,) = said
    assert words in line
    assert "\n" not in line
    for path in tmp_path.iterdir():
        path.unlink()
    marks.stop = False
    if not isinstance(fault, (BadSetup, BadOutput)):
        monkeypatch.setenv("WITNESSMARK_DEBUG", "1")
        with pytest.raises(type(fault)):
            run_once()
