"""One zip out and in; what was changed, damaged or made to harm is refused in one line and writes nothing."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import random
import zipfile

import pytest

from witnessmark.cases import archive, codec
from witnessmark.cases.archive import import_zip, write_zip
from witnessmark.cases.bodies import Correction, Observation, Opened, Photo
from witnessmark.cases.model import Attachment
from witnessmark.cases.store import Cases, attachment
from witnessmark.cases.vin import sealed, shown
from witnessmark.errors import BadCase, BadOutput

BY = "R. Test"
VIN = "1M8GDM9AXKP042788"  # published: the worked example of 49 CFR 565's check digit
PHOTO = attachment(b"\xff\xd8\xff" + b"slot 23" * 3000, "image/jpeg", "p.jpg")


def opened(store):
    masked, seal = sealed(VIN)
    case = store.new(Opened("cranks long", "the bakery's van", vin=masked, vin_file=seal.sha256), BY, [seal])
    case = store.add(case.id, Photo("p.jpg", PHOTO.sha256, "image/jpeg", "tooth 23 is low"), BY, [PHOTO])
    return store.add(case.id, lambda c: [Observation("0.4 V → half"), Correction(3, {"outcome": "low"}, "added")], BY)


@pytest.fixture
def sent(tmp_path, fresh):
    """A case in a zip, as it comes from another house: (zip, the case)."""
    store = Cases.open(str(fresh("other.db")))
    case = opened(store)
    path = tmp_path / "case.zip"
    write_zip(store, case, str(path))
    return path, case


@pytest.fixture
def here(fresh):
    return Cases.open(str(fresh("here.db")))


# ---- there and back


def test_there_and_back(store, tmp_path, sent):
    path, case = sent
    assert import_zip(store, str(path)) == (case, 4)
    assert store.read(case.id) == case
    assert store.file(case.id, PHOTO.sha256) == PHOTO
    again = tmp_path / "again.zip"
    write_zip(store, store.read(case.id), str(again))
    with zipfile.ZipFile(path) as a, zipfile.ZipFile(again) as b:
        assert a.read("log.jsonl") == b.read("log.jsonl")
        assert sorted(a.namelist()) == sorted(b.namelist())


def test_importing_twice_changes_nothing(store, sent):
    path, case = sent
    assert import_zip(store, str(path))[1] == 4
    assert import_zip(store, str(path)) == (case, 0)
    longer = store.add(case.id, Observation("more"), BY)
    assert import_zip(store, str(path)) == (longer, 0)


def test_what_came_later_is_added(store, sent, tmp_path):
    path, case = sent
    import_zip(store, str(path))
    other = Cases.open(str(tmp_path / "other.db"))
    longer = other.add(case.id, Observation("more"), BY)
    write_zip(other, longer, str(path))
    assert import_zip(store, str(path)) == (longer, 1)


def test_a_case_that_went_two_ways_is_refused(store, sent, tmp_path):
    path, case = sent
    import_zip(store, str(path))
    mine = store.add(case.id, Observation("mine"), BY)
    other = Cases.open(str(tmp_path / "other.db"))
    write_zip(other, other.add(case.id, Observation("theirs"), BY), str(path))
    with pytest.raises(BadCase, match="another way"):
        import_zip(store, str(path))
    assert store.read(case.id) == mine


def test_the_vehicle_number_leaves_only_when_asked(sent, here, tmp_path):
    path, case = sent
    assert VIN.encode() not in b"".join(whole(path).values())
    import_zip(here, str(path))
    assert shown(here, here.read(case.id), whole=False) == "1M8**************"
    assert "left out" in shown(here, here.read(case.id), whole=True)
    other = Cases.open(str(tmp_path / "other.db"))
    write_zip(other, case, str(path), with_private=True)
    assert import_zip(here, str(path))[1] == 0  # the same log; the number it seals comes with it now
    assert shown(here, here.read(case.id), whole=True) == VIN
    write_zip(here, case, str(path))
    assert VIN.encode() not in b"".join(whole(path).values())


def whole(path):
    with zipfile.ZipFile(path) as file:
        return {n: file.read(n) for n in file.namelist()}


# ---- what is refused


def test_the_place_to_write_is_left_as_it_was(sent, tmp_path):
    _, case = sent
    other = Cases.open(str(tmp_path / "other.db"))
    before = sorted(tmp_path.iterdir())
    with pytest.raises(BadOutput):
        write_zip(other, case, str(tmp_path / "no" / "case.zip"))
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize(
    ("limit", "words"),
    [("LARGEST_LOG", "log.jsonl"), ("LARGEST_FILE", "file"), ("LARGEST_WHOLE", "file"),
     ("LARGEST_MANIFEST", "manifest"), ("MOST_FILES", "number of files")],
)  # fmt: skip
def test_what_cannot_be_imported_again_is_not_exported(sent, tmp_path, monkeypatch, limit, words):
    _, case = sent
    other = Cases.open(str(tmp_path / "other.db"))
    monkeypatch.setattr(archive, limit, {"LARGEST_WHOLE": 10_000, "MOST_FILES": 2}.get(limit, 100))
    before = sorted(p.name for p in tmp_path.iterdir())
    with pytest.raises(BadCase, match=words) as caught:
        write_zip(other, case, str(tmp_path / "large.zip"))
    assert "could not be imported" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def put_together(members, path, **changed):
    """A zip of these members, the manifest's hash of the log and its other fields put right or as told."""
    members = dict(members)
    manifest = json.loads(members["manifest.json"])
    manifest["log_sha256"] = hashlib.sha256(members.get("log.jsonl", b"")).hexdigest()
    manifest |= changed
    members["manifest.json"] = json.dumps(manifest).encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for name, data in members.items():
            out.writestr(name, data)


def refused(store, path, *words):
    with pytest.raises(BadCase) as caught:
        import_zip(store, str(path))
    said = str(caught.value)
    assert said.startswith(f"{path}: ") or "case " in said
    assert "\n" not in said
    assert len(said) < 600
    for word in words:
        assert word in said
    assert store.ids() == ()
    return said


@pytest.mark.parametrize(
    "name",
    ["../evil", "/etc/passwd", "files/../../evil", "files\\evil", "C:/evil", "files/" + "A" * 64, "files/", "x" * 5000,
     "files/" + "0" * 63, "log.jsonl/x", "red\x1b[31m"],
)  # fmt: skip
def test_names_that_are_none_of_a_case(here, sent, tmp_path, name):
    path, _ = sent
    put_together({**whole(path), name: b"x"}, path)
    said = refused(here, path, "no file of a case")
    assert "\x1b" not in said
    assert not (tmp_path.parent / "evil").exists()


def test_a_file_nobody_names(here, sent):
    path, _ = sent
    put_together({**whole(path), "files/" + "0" * 64: b"x"}, path)
    refused(here, path, "not in the manifest")


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_name_twice(here, sent):
    path, _ = sent
    with zipfile.ZipFile(path, "a") as out:
        out.writestr("log.jsonl", b"other")
    refused(here, path, "twice")


def test_a_bomb_is_not_unpacked(here, sent, monkeypatch):
    """A member that claims its true, huge size; one that claims a small one; too much in all."""
    path, _ = sent
    members = whole(path)
    put_together({**members, "log.jsonl": bytes(archive.LARGEST_LOG + 1)}, path)
    refused(here, path, "claims", "not read")
    put_together(members, path)
    monkeypatch.setattr(archive, "LARGEST_WHOLE", 1000)
    refused(here, path, "claims", "not read")


def test_a_bomb_that_lies_about_its_size(here, sent):
    path, _ = sent
    members = whole(path)
    name = next(n for n in members if n.startswith("files/"))
    put_together({**members, name: bytes(4_000_000)}, path)
    data = bytearray(path.read_bytes())
    lie = len(members[name]).to_bytes(4, "little")
    true = (4_000_000).to_bytes(4, "little")
    assert data.count(true) == 2  # the member's own head and the directory at the end
    path.write_bytes(bytes(data).replace(true, lie))
    refused(here, path)


def test_too_many_files(here, sent, monkeypatch):
    path, _ = sent
    monkeypatch.setattr(archive, "MOST_FILES", 2)
    refused(here, path, "at most 2")


def test_a_huge_claim_in_the_directory(here, sent):
    """The directory at the end claims 4 GB for the log."""
    path, _ = sent
    data = path.read_bytes()
    at = data.rindex(b"PK\x01\x02", 0, data.index(b"log.jsonl", data.index(b"PK\x01\x02")))
    path.write_bytes(data[: at + 24] + b"\xfe\xff\xff\xff" + data[at + 28 :])
    refused(here, path, "claims")


def test_hashes_that_do_not_fit(here, sent):
    path, _ = sent
    members = whole(path)
    name = next(n for n in members if n.startswith("files/"))
    size = len(members[name])
    put_together({**members, name: b"\xff\xd8\xff" + b"X" * (size - 3)}, path)
    refused(here, path, "hash does not fit")
    put_together(members, path, log_sha256="0" * 64)
    refused(here, path, "log.jsonl", "hash does not fit")
    put_together(members, path, head="0" * 64)
    refused(here, path, "does not end with")
    put_together({**members, "log.jsonl": members["log.jsonl"].replace(b"low", b"new")}, path)
    refused(here, path, "not as it was written")


def rewritten(members, change):
    """The log with every entry rewritten and hashed anew: what somebody who knows the form can make."""
    rows = [json.loads(line) for line in members["log.jsonl"].splitlines()]
    case_id = json.loads(members["manifest.json"])["case"]
    change(rows)
    previous = ""
    for i, row in enumerate(rows):
        row["previous"] = previous
        text = codec.canonical(row["body"])
        row["hash"] = codec.hash_of(case_id, row["number"], row["at_utc"], row["by"], row["kind"], text, previous)
        previous = row["hash"]
        rows[i] = row
    log = "".join(json.dumps(r) + "\n" for r in rows).encode()
    return {**members, "log.jsonl": log}, {"head": previous, "entries": len(rows)}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda rows: rows.append({**rows[-1], "number": 9}), ("does not follow",)),
        (lambda rows: rows.pop(0), ("does not follow",)),
        (lambda rows: rows[2]["body"].update(text="red \x1b[31m"), ("control characters",)),
        (lambda rows: rows[2].update(by="a\nb"), ("a name",)),
        (lambda rows: rows[2].update(by=""), ("a name",)),
        (lambda rows: rows[2].update(at_utc="tomorrow"), ("time in UTC",)),
        (lambda rows: rows[2].update(kind="joke"), ('"joke"', "update")),
        (lambda rows: rows[2]["body"].update(extra=1), ("extra",)),
        (lambda rows: rows[2].update(number="3"), ("number is no int",)),
        (lambda rows: rows[2].update(number=True), ("number is no int",)),
        (lambda rows: rows[3]["body"].update(entry=77), ("no entry 77",)),
        (lambda rows: rows[0]["body"].update(vin=VIN), ("masked",)),
        (lambda rows: rows[1]["body"].update(file="1" * 64), ("do not name the same files",)),
        (lambda rows: rows[1]["body"].update(media_type="image/svg+xml"), ("media_type",)),
        (lambda rows: rows[2].update(spare=1), ("expected the fields",)),
    ],
)
def test_a_log_that_cannot_have_come_about(here, sent, change, words):
    path, _ = sent
    members, heads = rewritten(whole(path), change)
    put_together(members, path, **heads)
    refused(here, path, *words)


def test_a_photo_that_hides_as_private(here, sent):
    path, _ = sent
    members = whole(path)
    name = next(n for n in members if n.startswith("files/"))
    del members[name]
    manifest = json.loads(members["manifest.json"])
    files = [{**f, "left_out": True, "private": True} for f in manifest["files"]]
    put_together(members, path, files=files)
    refused(here, path, "left out and no vehicle number")


def test_a_seal_that_hides_as_public(here, sent, tmp_path):
    other = Cases.open(str(tmp_path / "other.db"))
    path, case = sent
    write_zip(other, case, str(path), with_private=True)
    manifest = json.loads(whole(path)["manifest.json"])
    put_together(whole(path), path, files=[{**f, "private": False} for f in manifest["files"]])
    import_zip(here, str(path))
    kept = here.file(case.id, case.opened.vin_file)
    assert isinstance(kept, Attachment)
    assert kept.private


@pytest.mark.parametrize(
    ("manifest", "words"),
    [
        (b"", ("no JSON",)),
        (b"[" * 100_000, ("no JSON",)),
        (b"{}", ("schema",)),
        (b'{"schema": "witnessmark.case/2"}', ("update witnessmark",)),
        (b"\xff\xfe", ("no JSON",)),
    ],
)
def test_manifests(here, sent, manifest, words):
    path, _ = sent
    members = whole(path) | {"manifest.json": manifest}
    with zipfile.ZipFile(path, "w") as out:
        for name, data in members.items():
            out.writestr(name, data)
    refused(here, path, *words)


@pytest.mark.parametrize("case_id", ["../../x", "ABCDEFGH", "' OR 1=1", "", "abcdefghi"])
def test_ids_that_are_none(here, sent, case_id):
    path, _ = sent
    put_together(whole(path), path, case=case_id)
    refused(here, path, "no id of a case")


def test_no_zip_at_all(here, tmp_path):
    for name, data in (("empty.zip", b""), ("text.zip", b"dear diary"), ("end.zip", b"PK\x05\x06" + bytes(18))):
        (tmp_path / name).write_bytes(data)
        refused(here, tmp_path / name)
    refused(here, tmp_path / "gone.zip", "no such file")
    refused(here, tmp_path, "is a folder")


def test_damage_anywhere_is_refused_or_harmless(here, sent):
    """Bytes changed at random, the file cut at random (fixed seed): never a traceback, never another case."""
    path, case = sent
    good, dice = path.read_bytes(), random.Random(5)
    for _ in range(150):
        data = bytearray(good)
        for _ in range(dice.choice((1, 1, 4))):
            data[dice.randrange(len(data))] = dice.randrange(256)
        path.write_bytes(bytes(data[: dice.randrange(len(data)) if dice.random() < 0.3 else len(data)]))
        with contextlib.suppress(BadCase):
            assert import_zip(here, str(path))[0] == case
    assert here.ids() in ((), (case.id,))


def test_the_same_case_gives_the_same_bytes(sent, tmp_path):
    path, case = sent
    write_zip(Cases.open(str(tmp_path / "other.db")), case, str(tmp_path / "second.zip"))
    assert path.read_bytes() == (tmp_path / "second.zip").read_bytes()
    assert zipfile.ZipFile(io.BytesIO(path.read_bytes())).testzip() is None
