"""A line to one instrument: commands out, answers and blocks in, and its error queue. pyvisa is imported only here.

Common commands: *IDN? (IEEE 488.2, 10.14), *RST (10.32), *CLS (10.3), *OPC? (10.19); SYSTem:ERRor? (SCPI-1999, volume
2, which also gives the numbers of the errors). From memory of the standards.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from witnessmark.capture.blocks import MAX_BYTES, BadBlock, digits_of, length_of
from witnessmark.errors import BadInstrument
from witnessmark.recording.trouble import one_line, shorten

TIMEOUT_S = 5.0
MAX_ERRORS = 50  # an error queue longer than this is not read on
CHUNK = 1 << 20  # bytes asked for at a time


def bad(name: str, wrong: str, do: str) -> BadInstrument:
    """The one line for an instrument: its name, what is wrong, what to do."""
    return BadInstrument(one_line(f"{name}: {wrong}; {do}"))


@contextmanager
def connected(name: str, backend: str = "@py", timeout_s: float = TIMEOUT_S) -> Iterator[Instrument]:
    """The instrument behind a VISA resource name, closed at the end; raises BadInstrument where there is none."""
    try:
        import pyvisa
    except ImportError:
        raise bad(name, "pyvisa is not installed", 'install it with: pip install "witnessmark[capture]"') from None
    manager = resource = None
    try:
        # whatever a VISA library raises for a name or a line it cannot open, the user gets one line
        try:
            manager = pyvisa.ResourceManager(backend)
            resource = manager.open_resource(name, open_timeout=int(1000 * timeout_s))
        except Exception as error:
            raise bad(
                name, f"cannot be reached ({shorten(str(error), 160)})", "check name, cable and address"
            ) from None
        if not hasattr(resource, "read_bytes"):
            raise bad(name, "takes no messages", "expected a resource for messages, such as TCPIP, USB or GPIB")
        yield Instrument(resource, name, timeout_s)
    finally:
        for opened in (resource, manager):
            if opened is not None:
                _close(opened)


def _close(opened: Any) -> None:
    try:
        opened.close()
    except Exception:  # a line that broke cannot be closed in order; what was fetched is whole all the same
        return


class Instrument:
    """Questions and commands; every failure is a BadInstrument of one line."""

    def __init__(self, resource: Any, name: str, timeout_s: float = TIMEOUT_S):
        """``resource``: an open message-based resource of pyvisa."""
        self._resource, self.name, self._timeout_s = resource, name, timeout_s
        resource.write_termination = "\n"
        resource.read_termination = "\n"
        resource.timeout = 1000.0 * timeout_s

    def send(self, command: str) -> None:
        """One command, without an answer."""
        with self._guarded(command, self._timeout_s):
            self._resource.write(command)

    def ask(self, query: str, timeout_s: float | None = None) -> str:
        """The answer to a query, without its newline; waits ``timeout_s`` (or the usual time)."""
        with self._guarded(query, self._timeout_s if timeout_s is None else timeout_s):
            return str(self._resource.query(query)).strip()

    def answers(self, query: str, timeout_s: float) -> bool:
        """Whether a query is answered with a number; what it leaves in the error queue is cleared."""
        try:
            float(self.ask(query, timeout_s).split(",")[0])
        except (BadInstrument, ValueError):
            self.send("*CLS")
            return False
        return True

    def number(self, query: str, field: int | None = None) -> float:
        """A number, or field ``field`` (from 1) of a list of them."""
        answer = self.ask(query)
        parts = answer.split(",")
        at = 1 if field is None else field
        try:
            if field is None and len(parts) > 1:
                raise ValueError
            return float(parts[at - 1])
        except (ValueError, IndexError):
            what = "a number" if field is None else f"a number as field {field} of a list"
            raise bad(
                self.name,
                f'answers "{shorten(answer, 60)}" to {query}',
                f"expected {what}; try another --dialect",
            ) from None

    def identity(self) -> str:
        """What it says it is, in its own words."""
        answer = self.ask("*IDN?")
        if not answer:
            raise bad(self.name, "gives an empty answer to *IDN?", "expected an instrument that speaks IEEE 488.2")
        return shorten(answer, 120)

    def errors(self) -> list[str]:
        """What is in its error queue, oldest first; the queue is empty afterwards."""
        found: list[str] = []
        while len(found) < MAX_ERRORS:
            answer = self.ask("SYSTem:ERRor?")
            try:
                number = int(float(answer.split(",")[0]))
            except ValueError:
                raise bad(
                    self.name, f'answers "{shorten(answer, 60)}" to SYSTem:ERRor?', 'expected 0,"No error"'
                ) from None
            if number == 0:
                break
            found.append(answer)
        return found

    def check(self, after: str) -> None:
        """Raise what is in the error queue, if anything."""
        found = self.errors()
        if found:
            more = f" and {len(found) - 1} more" if found[1:] else ""
            raise bad(
                self.name,
                f"reports {shorten(found[0], 100)}{more} after {shorten(after, 80)}",
                "check its settings, or try another --dialect",
            )

    def block(self, query: str) -> bytes:
        """The samples that answer a query: one block of definite length (IEEE 488.2, 8.7.9)."""
        with self._guarded(query, self._timeout_s), self._raw():
            self._resource.write(query)
            try:
                count = digits_of(self._bytes(2, ""))
                if count == 0:
                    raise BadBlock("the block is of indefinite length")
                length = length_of(self._bytes(count, query))
                if length > MAX_BYTES:
                    raise BadBlock(f"the block claims {length} bytes")
                data = self._bytes(length, query)
            except BadBlock as error:
                raise bad(
                    self.name, f"{error} (asked {query})", "expected a block of definite length; try another --dialect"
                ) from None
        with self._guarded(query, self._timeout_s):
            rest = str(self._resource.read())
        if rest.strip():
            raise bad(self.name, f"sends more behind the {length} bytes of its block", "try another --dialect")
        return data

    def _bytes(self, wanted: int, within: str) -> bytes:
        """Exactly this many bytes; a line that falls silent ``within`` a block is said to."""
        out = bytearray()
        while len(out) < wanted:
            size = min(CHUNK, wanted - len(out))
            try:
                out += self._resource.read_bytes(size, chunk_size=size)
            except Exception as error:
                if not within:
                    raise
                raise bad(
                    self.name,
                    f"falls silent within its block: fewer than {wanted} bytes came ({shorten(str(error), 80)})",
                    f"asked {within}; check the line, record for a shorter time or give a longer --timeout",
                ) from None
        return bytes(out)

    @contextmanager
    def _raw(self) -> Iterator[None]:
        """A newline among the samples ends nothing."""
        self._resource.read_termination = None
        try:
            yield
        finally:
            self._resource.read_termination = "\n"

    @contextmanager
    def _guarded(self, what: str, timeout_s: float) -> Iterator[None]:
        self._resource.timeout = 1000.0 * timeout_s
        try:
            yield
        except BadInstrument:
            raise
        except UnicodeDecodeError:
            raise bad(self.name, f"answers {what} with bytes that are no text", "try another --dialect") from None
        except Exception as error:  # every VISA library has errors of its own
            said = shorten(str(error), 120)
            if "VI_ERROR_TMO" in str(error):
                raise bad(
                    self.name,
                    f"does not answer {what} within {timeout_s:g} s",
                    "check that it is on and speaks this --dialect, or give a longer --timeout",
                ) from None
            raise bad(self.name, f"the line broke at {what} ({said})", "check cable and address") from None
