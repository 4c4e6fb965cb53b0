"""What has somebody in hand who has submitted a job?"""

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any, Final, Literal, Protocol

from emulator.broker.broker import Broker
from emulator.broker.rules import Outcome
from emulator.broker.states import FINAL_STATES, State, StateName
from emulator.errors import InputError, NeverError
from emulator.measure.reasons import why_in_words
from emulator.record.event_view import KIND, view, views
from emulator.record.events import DETAILS, Row
from emulator.record.history import job_of
from emulator.scenario.arguments import texts
from emulator.scenario.spelling import advise
from emulator.show.phrases import spoken
from emulator.testing.stream import Stream

__all__ = ["Ending", "JobHandle", "name_of"]

_STATES: Final = tuple(state.value for state in State)
_ENTERS: Final = {"handed_out": State.RUNNING.value, "suspended": State.SUSPENDED.value, "resumed": State.RUNNING.value}


@dataclass(frozen=True, slots=True)
class Ending:
    """How a job ended.

    Attributes:
        state: ``done`` or ``failed``.
        sub_state: for a failed one: attempts_used_up, permanent_error, withdrawn, expired, and so on.
        why: the last reason, in words; "" when it is done.
        attempts: how many there were.
        said: what was said of the last attempt, in words, such as the handler's own in ``PermanentError("never")``; ""
            when that went well, or there was none.
    """

    state: Literal["done", "failed"]
    sub_state: str
    why: str
    attempts: int
    said: str = ""


class Holder(Protocol):
    """What a job's handle asks of its emulation."""

    @property
    def broker(self) -> Broker: ...
    @property
    def stream(self) -> Stream: ...
    def why_unfinished(self, job: int) -> str: ...


class JobHandle:
    """A job that was submitted: ``await job`` waits for its end and gives its ``Ending``; ``emu.submit`` makes it.

    Awaiting it raises ``NeverError`` when the emulation is over before the job has ended.

    Attributes:
        number: its number at the broker.
        name: ``entry#number``, as summaries name it.

    >>> from emulator import Emulator, run_in_virtual_time
    >>> async def copy(work):
    ...     await work.spend("10m")
    >>> async def test():
    ...     async with Emulator(handlers={"copy": copy}) as emu:
    ...         job = emu.submit("copy")
    ...         await job.reaches("running")
    ...         emu.power_off("workers-1", back_after="5m")
    ...         ending = await job
    ...         return ending.state, ending.attempts, job.outcomes
    >>> run_in_virtual_time(test)
    ('done', 2, ['lease_lost', 'ok'])
    """

    __slots__ = ("_emulation", "_ending", "_seen", "name", "number")

    def __init__(self, emulation: Holder, number: int) -> None:
        self._emulation = emulation
        self._ending: Ending | None = None
        self._seen = 0
        self.number = number
        self.name = name_of(self._rows[0])

    @property
    def _rows(self) -> list[Row]:
        """The events of this job so far."""
        return self._emulation.stream.of_job[self.number]

    def __repr__(self) -> str:
        return f"<JobHandle {self.name}: {self.state}>"

    @property
    def state(self) -> StateName:
        """The state at the broker: queued, queued_held, running, suspended, requeued, requeued_held, done, failed."""
        name: StateName = self._emulation.broker.state_of(self.number).value
        return name

    @property
    def ending(self) -> Ending | None:
        """How it ended; None while it is unfinished."""
        if self._ending is None and self._emulation.broker.final_state(self.number) is not None:
            life = job_of(views(self._rows))
            end = life.finished
            assert end is not None, "a job that is in a final state was finished by an event"
            ended = [attempt for attempt in life.attempts if attempt.outcome not in ("", "handed_back")]
            last = why_in_words(*ended[-1].reason) if ended else ""
            state: Any = end.state
            self._ending = Ending(state, end.sub_state, why_in_words(*end.because), end.attempts, last)
        return self._ending

    @property
    def outcomes(self) -> list[Outcome]:
        """The outcomes of its attempts so far, in order: ok, error, permanent_error, time_limit, lease_lost."""
        found: list[Any] = [event.outcome for event in views(self._rows) if event.kind == "attempt_ended"]
        return found

    async def reaches(self, *states: StateName) -> StateName:
        """Wait until it is in one of these states, and give the first that it entered since this was asked last.

        So none is missed in a row of them, however short. The words are those of ``state``: ``"running"``, ``"requeued
        held"``.

        Raises:
            InputError: for a word that is no state, or none at all.
            NeverError: when it has ended otherwise, or the emulation is over before.
        """
        for state in texts("states", states):
            if state not in _STATES:
                raise InputError(f"{state!r} is no state of a job: {advise(state, _STATES)}")
        if not states:
            raise InputError("which state? give at least one, such as 'running'")
        rows = self._rows
        while True:
            while self._seen < len(rows):
                entered = _entered(rows[self._seen])
                self._seen += 1
                if entered in states:
                    return entered
            if self.state in states:
                return self.state
            if (ending := self.ending) is not None:
                raise NeverError(
                    f"{self.name} will never be {' or '.join(states)}: it is {ending.state}"
                    + (f" ({spoken(ending.sub_state)}: {ending.why})" if ending.sub_state else "")
                )
            await self._emulation.stream.change(self._in_vain, self.number)

    def _in_vain(self) -> str:
        return f"{self.name} is {self.state}: {self._emulation.why_unfinished(self.number)}"

    def __await__(self) -> Generator[Any, None, Ending]:
        yield from self.reaches(*(state.value for state in FINAL_STATES)).__await__()
        ending = self.ending
        assert ending is not None, "a job that is in a final state was finished by an event"
        return ending


def name_of(row: Row) -> str:
    """Give the name of a job by the event of its submission."""
    came = view(0, row)
    return f"{came.entry}#{came.ordinal}"


def _entered(row: Row) -> str:
    """Give the state that a job entered by an event, "" if by that it entered none."""
    kind = row[KIND]
    return _ENTERS.get(kind, "") if "state" not in DETAILS[kind] else str(view(0, row).state)
