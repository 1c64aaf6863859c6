"""Reading the knowledge files of this folder: TOML, checked against a model, each row with its source mark."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from witnessmark.errors import BadKnowledge

FOLDER = Path(__file__).parent / "knowledge"
_File = TypeVar("_File", bound=BaseModel)

Mark = Literal["published", "common practice", "memory", "derived", "measured"]


class Row(BaseModel):
    """One row: nothing but the known keys, and where it comes from."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    mark: Mark
    source: Annotated[str, Field(min_length=10)]


def load(path: Path, model: type[_File]) -> _File:
    """Read and check a knowledge file; :class:`~witnessmark.errors.BadKnowledge` with one line where it is wrong."""
    try:
        with path.open("rb") as file:
            return model.model_validate(tomllib.load(file))
    except OSError as error:
        raise BadKnowledge(f"{path}: {error.strerror or error}; check the path") from None
    except tomllib.TOMLDecodeError as error:
        raise BadKnowledge(f"{path}: not valid TOML ({error}); correct the file") from None
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(p) for p in first["loc"]) or "the file"
        raise BadKnowledge(f"{path}: {where}: {first['msg']}; correct this row") from None
