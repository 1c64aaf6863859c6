"""Fuzz one reader for a stated number of executions; run by the slow tests, or by hand:

    python -m tests.recording.fuzz_readers NAME [RUNS]

Coverage-guided (atheris) where that can be had, else plain random changes of the same number. It fails on anything but
a recording or a refusal of one line, on an execution of more than 20 s, and on more than 1 GB of memory.
"""

from __future__ import annotations

import contextlib
import random
import resource
import signal
import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path

RUNS = 100_000
SLOWEST_S = 20
MEMORY_MB = 1024
SAMPLES = 96


def seeds(name: str) -> list[bytes]:
    """Good files of a format to begin from. Of a folder: one seed a file, led by the file's number."""
    from .helpers import CHANGES, FORMATS, simulated

    with tempfile.TemporaryDirectory() as folder:
        fmt = {**FORMATS, **CHANGES}[name]
        path = Path(folder) / f"van{fmt.suffix}"
        fmt.write(path, simulated(SAMPLES))
        if path.is_file():
            return [path.read_bytes()]
        return [bytes([i]) + member.read_bytes() for i, member in enumerate(_members(path))]


def _members(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if p.is_file())


def target(name: str, folder: Path) -> Callable[[bytes], None]:
    """What is run for each input: write it, open it, read it."""
    from .helpers import CHANGES, FORMATS, read_or_refused, simulated

    fmt = {**FORMATS, **CHANGES}[name]
    path, whole = folder / f"fuzz{fmt.suffix}", folder / f"whole{fmt.suffix}"
    fmt.write(whole, simulated(SAMPLES))
    members = _members(whole) if whole.is_dir() else []
    good = [member.read_bytes() for member in members]

    def run(data: bytes) -> None:
        if not members:
            path.unlink(missing_ok=True)  # a mapped file must not be rewritten under its readers
            path.write_bytes(data)
            read_or_refused(path)
            return
        which = data[0] % len(members) if data else 0
        members[which].write_bytes(data[1:])
        try:
            read_or_refused(whole)
        finally:
            members[which].write_bytes(good[which])

    return run


def which_file(number: int) -> int:
    """Files of one folder reach the same code as long as they are good; this tells them apart for the guide."""
    if number == 0:
        return 0
    if number == 1:
        return 1
    if number == 2:
        return 2
    if number == 3:
        return 3
    if number == 4:
        return 4
    if number == 5:
        return 5
    return 6


def guided(name: str, runs: int, folder: Path) -> None:
    """Coverage-guided; atheris ends the process itself."""
    import atheris

    with atheris.instrument_imports(include=["witnessmark.recording"]):
        import importlib

        from witnessmark.recording.registry import STORE, reader_for

        from .helpers import CHANGES, FORMATS

        reader = STORE if name == "store" else reader_for({**FORMATS, **CHANGES}[name].suffix)
        assert reader is not None
        importlib.import_module(reader.module)
    corpus = folder / "corpus"
    corpus.mkdir()
    good = seeds(name)
    for i, data in enumerate(good):
        (corpus / str(i)).write_bytes(data)
    run, mark = target(name, folder), atheris.instrument_func(which_file)

    def marked(data: bytes) -> None:
        if len(good) > 1 and data:
            mark(data[0] % len(good))
        run(data)

    kept = f"{tempfile.gettempdir()}/fuzz-{name.replace(' ', '-')}-"
    atheris.Setup(
        ["fuzz", f"-runs={runs}", f"-timeout={SLOWEST_S}", f"-rss_limit_mb={MEMORY_MB}", "-seed=1", "-len_control=0",
         "-keep_seed=1", f"-max_len={2 * max(map(len, good)) + 64}", f"-artifact_prefix={kept}",
         str(corpus)],
        marked,
    )  # fmt: skip
    atheris.Fuzz()


def plain(name: str, runs: int, folder: Path) -> None:
    """Random changes, without knowledge of what they reach."""
    run, good, rng = target(name, folder), seeds(name), random.Random(1)
    signal.signal(signal.SIGALRM, lambda *_: (_ for _ in ()).throw(TimeoutError("an execution hangs")))
    for n in range(runs):
        data = bytearray(rng.choice(good))
        for _ in range(rng.randint(1, 6)):
            at, how = rng.randrange(len(data) + 1), rng.randrange(4)
            new = rng.choice([rng.randbytes(rng.randint(1, 8)), b"\xff" * 4, b"\0" * 8, b"\x7f\xff\xff\xff"])
            if how == 0:
                data[at : at + len(new)] = new
            elif how == 1:
                del data[at : at + rng.randint(1, 16)]
            elif how == 2:
                data[at:at] = data[max(0, at - 40) : at]
            elif rng.random() < 0.2:
                del data[at:]
        signal.alarm(SLOWEST_S)
        try:
            run(bytes(data))
        except BaseException:
            (Path(tempfile.gettempdir()) / f"fuzz-{name.replace(' ', '-')}-{n}").write_bytes(bytes(data))
            raise
        signal.alarm(0)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    assert most < MEMORY_MB, f"{most:.0f} MB"
    print(f"Done {runs} runs, plain, at most {most:.0f} MB")


def main(arguments: list[str]) -> None:
    """NAME [RUNS] [plain]."""
    name, runs = arguments[0], int(arguments[1]) if len(arguments) > 1 else RUNS
    warnings.simplefilter("error")  # a warning would be a second line on standard error
    how = plain
    if "plain" not in arguments:
        with contextlib.suppress(ImportError):
            import atheris  # noqa: F401

            how = guided
    with tempfile.TemporaryDirectory() as folder:
        how(name, runs, Path(folder))


if __name__ == "__main__":
    main(sys.argv[1:])
