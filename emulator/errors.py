"""Which errors can the emulator raise, and whose fault is each?

::

    QueuedrillError
    ├── InputError                the caller's input is wrong (exit code 2)
    │   ├── ScenarioError         a scenario file or settings: one problem or many, each with its place
    │   └── LogError              an event log that cannot be read: damaged, newer, or not ours
    ├── TimelineError             what runs on the virtual clock cannot go on
    │   ├── StandstillError       somebody waits, and nothing that could end the wait is left
    │   ├── SpinningError         one instant of virtual time never ends
    │   ├── EndOfTimeError        the stated end of virtual time was reached
    │   ├── WallLimitError        the stated limit of real time was reached
    │   ├── ClockStopError        the clock is stopped and somebody waits for it to move, or stops were misused
    │   └── OutsideWorkError      real I/O outside a clock stop
    └── DefectError               the emulator itself is wrong: please report (exit code 3)

A message names who, what, in which state, when in virtual time, and what to do instead.
"""

from dataclasses import dataclass

__all__ = [
    "ClockStopError",
    "DefectError",
    "EndOfTimeError",
    "InputError",
    "LogError",
    "OutsideWorkError",
    "Problem",
    "QueuedrillError",
    "ScenarioError",
    "SpinningError",
    "StandstillError",
    "TimelineError",
    "WallLimitError",
]


class QueuedrillError(Exception):
    """The base of every error that the emulator raises on purpose."""


class InputError(QueuedrillError):
    """The caller's input is wrong; the message says where, what, and what instead."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in a scenario: its place, what was found, and what is allowed.

    ``file`` is the name as given, ``line`` and ``column`` count from 1 (0 when the place is unknown),
    ``path`` is the dotted path of the value (``queues.night.lease``).
    """

    file: str
    line: int
    column: int
    path: str
    message: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        return f"{place}: {self.path}: {self.message}" if self.path else f"{place}: {self.message}"


class ScenarioError(InputError):
    """A scenario is wrong; ``problems`` holds every mistake that was found, in file order."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, problems)))


class LogError(InputError):
    """An event log cannot be read: it is damaged, of a newer schema, or not an event log at all."""


class TimelineError(QueuedrillError):
    """What runs on the virtual clock cannot go on."""


class StandstillError(TimelineError):
    """Somebody waits, and nothing is left that could ever end the wait."""


class SpinningError(TimelineError):
    """One instant of virtual time never ends: callbacks keep scheduling each other for now."""


class EndOfTimeError(TimelineError):
    """The stated end of virtual time was reached before the work was done."""


class WallLimitError(TimelineError):
    """The stated limit of real time was reached before the work was done."""


class ClockStopError(TimelineError):
    """A clock stop is misused, or somebody waits for virtual time while the clock is stopped."""


class OutsideWorkError(TimelineError):
    """Real I/O was asked for outside a clock stop, where virtual time cannot host it."""


class DefectError(QueuedrillError):
    """The emulator itself is wrong; the message says what to report."""
