"""Everything Witnessmark raises on purpose.

    WitnessmarkError            one line, fit for standard error
    ├── BadRecording            a file that cannot be read or holds nothing to judge
    ├── BadSetup                a setup file with an unknown key, wrong type or impossible value
    ├── BadScenario             the same for a simulation scenario
    ├── BadKnowledge            a knowledge file (limits, layouts, tests) that fails its schema
    ├── BadObservation          what was seen by hand, or cases closed, cannot be used
    ├── BadOutput               a place that cannot be written
    └── NotConfirmed            what was learnt waits for a yes that did not come

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


class NotConfirmed(WitnessmarkError):
    """What was learnt from a recording was not confirmed; nothing is written."""
