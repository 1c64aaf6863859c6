"""Run the workbench."""

from __future__ import annotations

from pathlib import Path


def default_folder() -> Path:
    """The workbench's folder in the user's data folder."""
    from platformdirs import user_data_dir

    return Path(user_data_dir("witnessmark", appauthor=False)) / "bench"


def serve(root: Path, cases: str | None, host: str, port: int) -> None:
    """Serve until interrupted."""
    import uvicorn

    from witnessmark.workbench.app import make_app

    uvicorn.run(make_app(root, cases), host=host, port=port, log_level="warning")
