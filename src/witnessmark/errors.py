"""Everything Witnessmark raises on purpose.

    WitnessmarkError            one line, fit for standard error
    ├── BadRecording            a file that cannot be read or holds nothing to judge
    ├── BadSetup                a setup file with an unknown key, wrong type or impossible value
    ├── BadScenario             the same for a simulation scenario
    ├── BadKnowledge            a knowledge file (limits, layouts, tests) that fails its schema
    ├── BadObservation          what was seen by hand, or cases closed, cannot be used
    ├── BadOutput               a place that cannot be written
    ├── BadScan                 a log, an answer or a typed-in snapshot of scan data that cannot be read
    ├── NoLink                  a vehicle bus that cannot be opened, is silent, or refuses what is asked
    ├── Cancelled               work that a progress callback stopped
    ├── BadInstrument           an instrument that does not answer, or answers what it should not
    ├── BadCase                 what a case cannot take in, a damaged case, a database that cannot be used
    │   └── CaseChanged         another process wrote to the case first
    ├── BadWorkbench            the workbench has no such thing, or cannot take this in
    └── NotConfirmed            what changes or teaches something waits for a yes that did not come

Every message is one line that names the file, what is wrong and what to do.
"""


class WitnessmarkError(Exception):
    """Base of all errors that are the input's fault; its text is one line for the user."""


class BadRecording(WitnessmarkError):
    """The recording cannot be read, or holds no samples to judge."""


class BadSetup(WitnessmarkError):
    """The setup file breaks the contract; the message names the key."""


class BadScenario(WitnessmarkError):
    """The simulation scenario breaks its contract; the message names the key."""


class BadKnowledge(WitnessmarkError):
    """A knowledge file fails its schema; the message names file and row."""


class BadObservation(WitnessmarkError):
    """An observation by hand or a count of closed cases cannot be used; the message names it."""


class BadOutput(WitnessmarkError):
    """A file that was to be written cannot be; the message names it."""


class BadScan(WitnessmarkError):
    """A log of the bus, an answer or a typed-in snapshot cannot be read; the message names file and place."""


class NoLink(WitnessmarkError):
    """The link to the vehicle cannot be opened, stays silent, or the control unit refuses; the message names it."""


class Cancelled(WitnessmarkError):
    """Raise it from a progress callback to stop the work; nothing of it is kept."""


class BadInstrument(WitnessmarkError):
    """An instrument cannot be reached, does not answer in time, or answers what it should not; the message names it."""


class BadCase(WitnessmarkError):
    """A case cannot take this in, is damaged, or its database cannot be used; the message says what to do."""


class CaseChanged(BadCase):
    """The case's log has grown since it was read; read it again and decide anew."""


class BadWorkbench(WitnessmarkError):
    """The workbench has no such thing, or cannot take this in; the message says what to do.

    status: what a browser is told, as HTTP has it (RFC 9110).
    """

    def __init__(self, text: str, status: int = 400):
        """``text``: one line."""
        super().__init__(text)
        self.status = status


class NotConfirmed(WitnessmarkError):
    """What was learnt, or what would be erased, was not confirmed; nothing is written or erased."""
