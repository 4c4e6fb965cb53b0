"""The errors that the emulator raises, as a tree that shows whose fault each is.

::

    QueuedrillError
    ├── InputError                the caller's input is wrong (exit code 2)
    │   ├── ScenarioError         a scenario file or settings: one problem or many, each with its place
    │   ├── LogError              an event log that cannot be read: damaged, of another format, or not ours
    │   └── RefusedError          the broker refused a job: its queue is full, or the broker is down
    ├── TimelineError             what runs on the virtual clock cannot go on
    │   ├── StandstillError       somebody waits, and nothing that could end the wait is left
    │   ├── SpinningError         one instant of virtual time never ends
    │   ├── EndOfTimeError        the stated end of virtual time was reached
    │   │   └── NeverError        an emulation is over, and what somebody waited for never came
    │   ├── WallLimitError        the stated limit of real time was reached
    │   ├── ClockStopError        the clock is stopped and somebody waits for it to move, or stops were misused
    │   ├── OutsideWorkError      real I/O outside a clock stop, or a thread that outlives its loop
    │   └── IrreproducibleError   a run that went well and proves nothing: the next one may come out otherwise
    ├── WorkError                 what goes wrong in the work of a job, raised by it or to it
    │   ├── TransientError        it may go well next time: the attempt ends `error`
    │   │   ├── CallError         a system did not do what it was asked to
    │   │   └── NoAnswerError     the broker did not answer in time, or could not be reached
    │   ├── PermanentError        it will never go well: the attempt ends `permanent_error`
    │   └── StaleTokenError       somebody else holds the lease by now: a write or a request was refused
    ├── InvariantError            what must never happen has happened in an emulation (an AssertionError too)
    └── DefectError               the emulator itself is wrong: please report (exit code 3)

A message names who, what, in which state, when in virtual time, and what to do instead.
"""

from emulator.records import field, record

__all__ = [
    "CallError",
    "ClockStopError",
    "DefectError",
    "EndOfTimeError",
    "InputError",
    "InvariantError",
    "IrreproducibleError",
    "LogError",
    "NeverError",
    "NoAnswerError",
    "OutsideWorkError",
    "PermanentError",
    "Problem",
    "QueuedrillError",
    "RefusedError",
    "ScenarioError",
    "SpinningError",
    "StaleTokenError",
    "StandstillError",
    "TimelineError",
    "TransientError",
    "WallLimitError",
    "WorkError",
]


class QueuedrillError(Exception):
    """The base of every error that the emulator raises on purpose."""


class InputError(QueuedrillError):
    """The caller's input is wrong; the message says where, what, and what instead."""


@record
class Problem:
    """One mistake in a scenario: its place, what was found, and what is allowed.

    Attributes:
        file: the name of the file as given.
        line: counted from 1; 0 when the place is unknown.
        column: likewise.
        path: the dotted path of the value, such as ``queues.night.lease``.
        message: what was found, and what is allowed.
        code: what kind of mistake it is: ``unreadable`` (the file, or a character in it), ``wrong-yaml``,
            ``unknown-key``, ``missing-key``, ``wrong-value``, ``contradiction`` (values that do not go together),
            ``wrong-reference`` (what is named is not there, or no such thing), ``wrong-trace`` or ``wrong-change``
            (what was set on the command line); "" where nothing more is said than how many are left.
    """

    file: str
    line: int
    column: int
    path: str
    message: str
    code: str = field(default="", compare=False)

    def __str__(self) -> str:
        return ": ".join(filter(None, (self._place(), self.path, self.message)))

    @property
    def coded(self) -> str:
        """The mistake as commands tell it: its place, its code, its path and the message."""
        return ": ".join(filter(None, (self._place(), self.code, self.path, self.message)))

    def _place(self) -> str:
        return f"{self.file}:{self.line}:{self.column}" if self.line else self.file


class ScenarioError(InputError):
    """A scenario is wrong.

    Attributes:
        problems: every mistake that was found, in file order, each a ``Problem``.
    """

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problem.coded for problem in problems))


class LogError(InputError):
    """An event log cannot be read: it is damaged, of another format, or not an event log at all."""


class RefusedError(InputError):
    """The broker refused a job; the message says why."""


class TimelineError(QueuedrillError):
    """What runs on the virtual clock cannot go on."""


class StandstillError(TimelineError):
    """Somebody waits, and nothing is left that could ever end the wait."""


class SpinningError(TimelineError):
    """One instant of virtual time never ends: callbacks keep scheduling each other for now."""


class EndOfTimeError(TimelineError):
    """The stated end of virtual time was reached before the work was done."""


class NeverError(EndOfTimeError):
    """An emulation is over, and what somebody waited for never came."""


class WallLimitError(TimelineError):
    """The stated limit of real time was reached before the work was done."""


class ClockStopError(TimelineError):
    """A clock stop is misused, or somebody waits for virtual time while the clock is stopped."""


class OutsideWorkError(TimelineError):
    """Real I/O was asked for outside a clock stop, where virtual time cannot host it, or a thread outlives its loop."""


class IrreproducibleError(TimelineError):
    """A run went well and proves nothing: the next may differ, real I/O was refused in it, or a fault hit nothing."""


class WorkError(QueuedrillError):
    """Something went wrong in the work of a job: the base of what handlers raise and meet."""


class TransientError(WorkError):
    """The work failed this time and may go well the next: the attempt ends ``error``, and the retry policy decides.

    Attributes:
        retry_after: how long to wait at least before the next attempt: a duration (``"2m"``), seconds, or a
            ``timedelta``; None: no hint.
    """

    def __init__(self, *args: object, retry_after: object = None) -> None:
        super().__init__(*args)
        self.retry_after = retry_after


class CallError(TransientError):
    """A system did not do what it was asked to.

    Attributes:
        system: its name.
        outcome: what came of the call: error, refused, no_access, abandoned, in_progress.
    """

    def __init__(self, message: str, system: str, outcome: str, retry_after: object = None) -> None:
        super().__init__(message, retry_after=retry_after)
        self.system = system
        self.outcome = outcome


class NoAnswerError(TransientError):
    """The broker did not answer in time: it may have acted, or never have heard."""


class PermanentError(WorkError):
    """The work can never go well: the attempt ends ``permanent_error``."""


class StaleTokenError(WorkError):
    """A write or a request was refused because its fencing token is no longer good: somebody else has the job."""


class InvariantError(QueuedrillError, AssertionError):
    """What must never happen has happened in an emulation; the message names the events."""


class DefectError(QueuedrillError):
    """The emulator itself is wrong; the message says what to report."""
