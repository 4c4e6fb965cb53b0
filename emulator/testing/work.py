"""The work that a handler is given: what it is told of the job, can ask for, and can leave behind.

All that is told of the job is plain data (``Work.order``): a handler that is given the same on a real worker needs
nothing of Python's. What it asks for goes over the emulated worker: its link, its clock, its speed.
"""

import asyncio
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal, Protocol, TypeVar

from emulator.errors import InputError, StaleTokenError
from emulator.scenario.arguments import FLAG, TEXT, must_be
from emulator.scenario.spelling import advise
from emulator.testing.settings import Lasting, ticks_of
from emulator.timeline.ticks import SECOND

__all__ = ["Attempt", "Order", "Work", "afresh"]

_T = TypeVar("_T")

_LANDS: Final = ("at_request", "at_end", "remotely")
_MEETS: Final = ("error", "ok", "wait")


@dataclass(frozen=True, slots=True)
class Order:
    """What a worker is told of an attempt: plain data, as it would go over a wire.

    Attributes:
        job: the job's number at the broker.
        name: what summaries call it, ``entry#number``.
        routine: what kind of work it is.
        parameters: the values that it was submitted with; lists and mappings among them are this attempt's own.
        key: the exclusive key; "" for none.
        attempt: which attempt this is, from 1.
        token: the fencing token of the lease.
        worker: the name of the worker.
        finished: the parts that earlier attempts have finished, each with its element ("" for none).
    """

    job: int
    name: str
    routine: str
    parameters: Mapping[str, Any]
    key: str
    attempt: int
    token: int
    worker: str
    finished: tuple[tuple[str, str], ...]


def afresh(value: Any) -> Any:
    """Give a value as it comes out of a message: lists, mappings and sets anew, however deep; all else is the same.

    What an attempt does to its parameters stays its own, as its memory does on a real worker.

    >>> plates = ["a", "b"]; afresh({"plates": plates})["plates"] is plates
    False
    """
    if type(value) is dict:
        return {key: afresh(item) for key, item in value.items()}
    if type(value) in (list, tuple):
        return type(value)(map(afresh, value))
    return set(value) if type(value) is set else value


class Attempt(Protocol):
    """What carries the work of one attempt (``emulator.testing.handlers``)."""

    order: Order

    def lease_left(self) -> int: ...
    def local_time(self) -> datetime: ...
    def leave(self, effect: str, target: str, holder: str, repeatable: bool) -> bool: ...
    def at_power_off(self, call: Callable[[], object]) -> None: ...
    def part_over(self, part: str, element: str) -> None: ...
    async def spend(self, ticks: int) -> None: ...
    async def call(self, system: str, options: Mapping[str, Any]) -> None: ...


class Work:
    """One attempt at a job, as its handler sees it: ``async def copy(work): ...``.

    How the handler ends decides the outcome of the attempt: it returns, ``ok``; it raises ``PermanentError``,
    ``permanent_error``; it raises ``TransientError`` or anything else, ``error``, and the retry policy decides.

    Attributes:
        order: what is told of it, as plain data.

    >>> from emulator import Emulator, run_in_virtual_time
    >>> async def copy(work):
    ...     for plate in work.parameters["plates"]:
    ...         if not work.is_finished("copy", plate):
    ...             with work.part("copy", plate):
    ...                 await work.spend("10m")
    ...                 work.effect("copied", plate, repeatable=False)
    >>> async def test():
    ...     async with Emulator(handlers={"copy": copy}) as emu:
    ...         await emu.submit("copy", plates=["a", "b"])
    ...         return emu.time, emu.figure("effects_landed").value
    >>> run_in_virtual_time(test)
    (1200.0, 2)
    """

    __slots__ = ("_attempt", "order")

    def __init__(self, attempt: Attempt) -> None:
        self._attempt = attempt
        self.order = attempt.order

    def __repr__(self) -> str:
        order = self.order
        return f"<Work {order.name}, attempt {order.attempt} on {order.worker}>"

    # -- what is told -------------------------------------------------------------------------------------------------

    @property
    def job(self) -> int:
        """The job's number at the broker."""
        return self.order.job

    @property
    def name(self) -> str:
        """The job's name, ``entry#number``."""
        return self.order.name

    @property
    def routine(self) -> str:
        """What kind of work it is."""
        return self.order.routine

    @property
    def parameters(self) -> Mapping[str, Any]:
        """The values that the job was submitted with, by name; lists and mappings among them are this attempt's own."""
        return self.order.parameters

    @property
    def attempt(self) -> int:
        """Which attempt at the job this is, from 1; lost leases count."""
        return self.order.attempt

    @property
    def token(self) -> int:
        """The fencing token of its lease: higher than any that was granted before."""
        return self.order.token

    @property
    def worker(self) -> str:
        """The name of the worker that it runs on."""
        return self.order.worker

    # -- where to go on -----------------------------------------------------------------------------------------------

    @property
    def finished(self) -> tuple[tuple[str, str], ...]:
        """The parts that earlier attempts have finished, each with its element, in the order in which they did."""
        return self.order.finished

    @property
    def resume_point(self) -> tuple[str, str] | None:
        """The last part that an earlier attempt has finished, with its element; None to start at the beginning."""
        return self.order.finished[-1] if self.order.finished else None

    def is_finished(self, part: str, element: str = "") -> bool:
        """Say whether an earlier attempt has finished a part (of an element)."""
        return (part, element) in self.order.finished

    @contextmanager
    def part(self, name: str, element: str = "") -> Iterator[None]:
        """Do a part of the work: ``with work.part("copy", plate): ...``.

        If nothing is raised it counts as finished, and later attempts are told so (``is_finished``).

        Raises:
            InputError: for a name or an element that is no text.
        """
        must_be(TEXT, name=name, element=element)
        yield
        self._attempt.part_over(name, element)

    # -- the lease, the clock -----------------------------------------------------------------------------------------

    def lease_left(self) -> float:
        """Give the seconds for which the lease still holds, as far as its worker knows; 0 when it has ended.

        It is the worker's view: renewed by each heartbeat whose answer came back, read off its own clock.
        """
        return self._attempt.lease_left() / SECOND

    def now(self) -> datetime:
        """Give the time that the worker's own clock shows, which a fault may have put wrong."""
        return self._attempt.local_time()

    async def spend(self, lasting: Lasting) -> None:
        """Work for so long at full speed (``"10m"``, seconds, a timedelta); a slower worker takes longer.

        It is work, not a timer: while the worker stands still nothing of it is done.

        Raises:
            InputError: when it is no duration.
        """
        await self._attempt.spend(ticks_of(lasting))

    async def outside(self, work: Callable[..., _T], *arguments: object, takes: Lasting = 0) -> _T:
        """Call something in a thread while the clock stands still; then let the time pass that it is to take.

        A power off waits for the real end of the thread, and its result is lost.

        Raises:
            InputError: when ``takes`` is no duration; else what the call raises, after that time too.
        """
        ticks = ticks_of(takes)
        try:
            return await asyncio.to_thread(work, *arguments)
        finally:
            if ticks:
                await asyncio.sleep(ticks / SECOND)

    def at_power_off(self, call: Callable[[], object]) -> None:
        """Have something called when this worker's power goes, if this work is still under way then.

        Connections of SQLite, sockets and child processes of the handler are given back by themselves. This is for what
        else a machine without power loses, such as the end of a file that no disk has yet. First asked for, first
        called; what it raises is raised again where the emulation is left.

        Args:
            call: a plain function without arguments.

        Raises:
            InputError: for anything else; for work that the test itself speaks for, whose code loses no power.

        >>> from emulator import Emulator, run_in_virtual_time
        >>> lost = []
        >>> async def copy(work):
        ...     work.at_power_off(lambda: lost.append(work.attempt))
        ...     await work.spend("10m")
        >>> async def test():
        ...     async with Emulator(handlers={"copy": copy}) as emu:
        ...         job = emu.submit("copy")
        ...         await emu.advance(minutes=1)
        ...         emu.power_off("workers-1", back_after="1m")
        ...         await job
        >>> run_in_virtual_time(test)
        >>> lost
        [1]
        """
        if not callable(call) or asyncio.iscoroutinefunction(call):
            raise InputError(f"at_power_off: found {call!r}: give a plain function that takes no arguments")
        self._attempt.at_power_off(call)

    # -- what it does to the world ------------------------------------------------------------------------------------

    def effect(self, effect: str, target: str = "", *, system: str = "", repeatable: bool = True) -> None:
        """Record an effect on a target: it stands there with the token of this attempt, whoever holds the lease by now.

        Args:
            effect: what was done, such as ``"copied"``.
            target: what it was done to; by default the job's exclusive key, else its name.
            system: the system that holds the target, if it is one of the scenario: a fenced one refuses stale tokens.
            repeatable: False if it is not safe to repeat.

        Raises:
            StaleTokenError: when the system refuses the token.
            InputError: when there is no such system; for an argument of another kind.
        """
        must_be(TEXT, effect=effect, target=target, system=system)
        must_be(FLAG, repeatable=repeatable)
        if not effect:
            raise InputError("effect: found '': name what was done, such as 'copied'")
        on = target or self.order.key or self.order.name
        if not self._attempt.leave(effect, on, system, repeatable):
            raise StaleTokenError(
                f"{system} refused {effect!r} on {on}: it has seen a higher token than {self.token}, which "
                f"attempt {self.attempt} of {self.name} on {self.worker} holds"
            )

    async def call(
        self,
        system: str,
        target: str = "",
        *,
        effect: str = "",
        repeatable: bool = True,
        lands: Literal["at_request", "at_end", "remotely"] = "at_end",
        if_already_in_progress: Literal["error", "ok", "wait"] = "error",
        patience: Lasting | None = None,
    ) -> None:
        """Call a system of the scenario, ``"archive"`` or a part of it, ``"archive/read"``, and wait for its answer.

        A caller that stops waiting, by a timeout of its own for instance, leaves the call in the system's line.

        Args:
            system: whom to call.
            target: what the call is about; by default the job's exclusive key, else its name.
            effect: the effect that it has there, if it has one.
            repeatable: False if that effect is not safe to repeat.
            lands: when the effect lands: as the call is made (unless the system refuses it at once), or as it is
                answered. ``"remotely"``: in the system, even after the worker has died.
            if_already_in_progress: the outcome when the system still works on an earlier request for the same effect;
                ``"wait"`` waits for that one.
            patience: how long to wait; by default as long as the system's own callers do.

        Raises:
            CallError: when it did not do it; its ``outcome`` says how, its ``retry_after`` when to come again. A
                handler that lets it through ends its attempt with an error.
            InputError: when there is no such system; for an argument of another kind, or a word that is none of those
                above.
        """
        must_be(
            TEXT,
            system=system,
            target=target,
            effect=effect,
            lands=lands,
            if_already_in_progress=if_already_in_progress,
        )
        must_be(FLAG, repeatable=repeatable)
        for what, word, known in (("lands", lands, _LANDS), ("if_already_in_progress", if_already_in_progress, _MEETS)):
            if word not in known:
                raise InputError(f"there is no {what}={word!r}: {advise(word, known)}")
        options = {
            "target": target,
            "effect": effect,
            "repeatable": repeatable,
            "lands": lands,
            "if_already_in_progress": if_already_in_progress,
            "patience": None if patience is None else ticks_of(patience),
        }
        await self._attempt.call(system, options)
