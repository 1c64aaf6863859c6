"""What the rows of this folder's knowledge files have in common."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from witnessmark.knowledge import Mark

FOLDER = Path(__file__).parent / "knowledge"


class Row(BaseModel):
    """One row: nothing but the known keys, and where it comes from."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    mark: Mark
    source: Annotated[str, Field(min_length=10)]
