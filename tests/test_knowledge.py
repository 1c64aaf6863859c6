"""The one way knowledge files are read: what is wrong is one line with file, row and key."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import BaseModel, ConfigDict

from witnessmark.errors import BadKnowledge
from witnessmark.knowledge import load, once


class Row(BaseModel):
    model_config = ConfigDict(extra="forbid")

    id: str
    value: float


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid")

    row: tuple[Row, ...]
    scale: float = 1.0


def files(tmp_path: Path, *texts: str | bytes) -> list[Path]:
    out = []
    for n, text in enumerate(texts):
        path = tmp_path / f"part{n}.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        out.append(path)
    return out


GOOD = '[[row]]\nid = "a"\nvalue = 1\n[[row]]\nid = "b"\nvalue = 2\n'


def test_several_files_make_one_model(tmp_path: Path) -> None:
    made = load(Table, *files(tmp_path, GOOD, "scale = 3"))
    assert ([r.id for r in made.row], made.scale) == (["a", "b"], 3.0)


@pytest.mark.parametrize(
    ("texts", "line"),
    [
        ((GOOD.replace("value = 2", 'value = "x"'),), "part0.toml: [[row]] number 2 (b) value: Input should be"),
        ((GOOD.replace('id = "b"', ""),), "part0.toml: [[row]] number 2 id: Field required; correct this row"),
        ((GOOD, "scale = 'x'"), "part1.toml: scale: Input should be"),
        ((GOOD, "skale = 2"), "part1.toml: skale: Extra inputs are not permitted; correct it"),
        (("scale = 2",), "part0.toml: row: Field required; correct it"),
        (("[[row]\n",), "part0.toml: not valid TOML ("),
        ((b"scale = '\xff'",), "part0.toml: not valid TOML ("),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, texts: tuple[str | bytes, ...], line: str) -> None:
    with pytest.raises(BadKnowledge) as error:
        load(Table, *files(tmp_path, *texts))
    assert str(error.value).startswith(f"{tmp_path}/{line}")
    assert "\n" not in str(error.value)


def test_a_missing_file_and_a_row_that_stands_twice(tmp_path: Path) -> None:
    with pytest.raises(BadKnowledge, match=r"gone\.toml: no such file or directory; check the path"):
        load(Table, tmp_path / "gone.toml")
    once(["a", "b"], "row", tmp_path)
    with pytest.raises(BadKnowledge, match="row a stands twice; keep one row"):
        once(["a", "b", "a"], "row", tmp_path)
