"""The points of one job at which its worker may fail, a fault at one of them, and the same test at each of them.

The law: a point is where a fault can come between two steps of a job's code, or after something that happened to it.

- Each wait of the attempt's tasks has two: as it begins to wait, and after its effect, when what it waits for is there
  and the code has not learnt of it.
- Each instant at which events of the job are written has one, once everything that woke at that instant is quiet.
  Renewals of its lease are left out.

Points are counted in the order in which they come. A run is the same up to the fault, so that the number of a point
means the same in each. A fault that has an end ends early when another attempt has ended: then the first one wakes up
beside what the second has left.

Safe at a point means: the test passes, every job ends as without the fault, whatever ``never`` names has not happened,
and no requirement of the scenario is missed that is met without the fault.
"""

import ast
import asyncio
import linecache
import os
from collections.abc import Callable, Coroutine, Generator, Iterator, Mapping, Sequence
from contextvars import Context, ContextVar
from dataclasses import dataclass
from functools import partial
from types import FrameType
from typing import TYPE_CHECKING, Any, Final

from emulator.errors import InputError, NeverError
from emulator.measure.requirements import judge_all
from emulator.record.event_view import view
from emulator.record.events import HEARTBEAT_KINDS, Row
from emulator.scenario.arguments import TEXT, WHOLE, must_be, texts
from emulator.scenario.spelling import advise
from emulator.show.words import spoken
from emulator.testing.running import run_in_virtual_time
from emulator.testing.settings import Lasting, ticks_of
from emulator.testing.views import name_of
from emulator.timeline.agenda import FAULTS
from emulator.timeline.reports import is_library
from emulator.timeline.ticks import say

if TYPE_CHECKING:
    from emulator.testing.emulation import Emulator
    from emulator.testing.faults import FaultHandle

__all__ = [
    "FAULTS_AT_POINTS",
    "SWEPT",
    "CrashPoint",
    "Moment",
    "Probe",
    "Sweep",
    "Sweeper",
    "Unsafe",
    "sweep",
]


FAULTS_AT_POINTS: Final = ("power_off", "freeze", "cut_link")
"""The faults that may come at a point."""

_LAST_OF_FAULTS: Final = 1 << 40
_BEGINS: Final = "as it begins to wait"
_ANSWERED: Final = "after its effect"


@dataclass(frozen=True, slots=True)
class CrashPoint:
    """A fault at one point of one job: ``Emulator(..., crash_at=CrashPoint("copy#1", number=7))``.

    Attributes:
        job: the job's name, ``entry#number``.
        fault: what befalls the worker that has the job: ``power_off``, ``freeze`` or ``cut_link``.
        number: at which point of the job, from 1; 0 for none. Beyond the last one nothing happens.
        lasts: how long at most; a freeze or a cut also ends when another attempt at the job has ended.

    Raises:
        InputError: for another fault, a number below 0, or what is no duration.

    >>> from emulator import CrashPoint, Emulator, run_in_virtual_time
    >>> async def copy(work):
    ...     await work.spend("10m")
    >>> async def test(number):
    ...     async with Emulator(handlers={"copy": copy}, crash_at=CrashPoint("copy#1", number=number)) as emu:
    ...         return (await emu.submit("copy")).attempts
    >>> [run_in_virtual_time(test(number)) for number in (0, 1)]
    [1, 2]
    """

    job: str
    fault: str = "power_off"
    number: int = 0
    lasts: Lasting = "10m"

    def __post_init__(self) -> None:
        must_be(TEXT, job=self.job)
        must_be(WHOLE, number=self.number)
        if self.fault not in FAULTS_AT_POINTS:
            raise InputError(
                f"there is no fault {self.fault!r} at a point: {advise(str(self.fault), FAULTS_AT_POINTS)}"
            )
        if self.number < 0:
            raise InputError(f"number={self.number}: give a point from 1, or 0 for none")
        ticks_of(self.lasts)


@dataclass(frozen=True, slots=True)
class Moment:
    """A point of a job that a run came to.

    Attributes:
        text: what it is, in words.
        at: the tick.
        worker: which worker had the job.
    """

    text: str
    at: int
    worker: str

    def __str__(self) -> str:
        return f"{self.text}, {say(self.at)} after the start"


class Probe:
    """Counts the points of one job in one emulation, and lets the fault in at its own.

    Attributes:
        point: which.
        moments: the points that were passed, up to the fault.
        struck: whether the fault was let in.
        ends: how each job stood at the end, by name: state and sub-state.
        missed: the requirements that were missed, each in a sentence, by their places in the scenario.
        has_job: whether the job was submitted here.
    """

    def __init__(self, emulator: "Emulator", point: CrashPoint, context: Context) -> None:
        self.point = point
        self.moments: list[Moment] = []
        self.struck = False
        self.ends: dict[str, tuple[str, str]] = {}
        self.missed: dict[int, str] = {}
        self.has_job = False
        self._emulator = emulator
        self._context = context
        self._number = 0
        self._worker = ""
        self._attempt = 0
        self._kinds: list[str] = []
        self._fault: FaultHandle | None = None

    # -- what it is told ----------------------------------------------------------------------------------------------

    def see(self, row: Row) -> None:
        """Look at an event of the emulation."""
        event = view(0, row)
        kind, job = event.kind, event.job
        if kind == "submitted" and name_of(row) == self.point.job:
            self._number, self.has_job = job, True
        if not job or job != self._number or kind in HEARTBEAT_KINDS:
            return
        if self.struck:
            if kind == "finished" or (kind == "attempt_ended" and event.attempt > self._attempt):
                self._soon(self._end)
            return
        if kind == "handed_out":
            self._worker, self._attempt = event.worker, event.attempt
        if self._worker:
            self._kinds.append(spoken(kind))
            if len(self._kinds) == 1:
                self._soon(self._after_events)

    def watcher(self, job: int, worker: str) -> "Callable[[Any], Any] | None":
        """Give what watches the tasks of an attempt, if it is one at the job."""
        if job != self._number or self.struck:
            return None
        return lambda inner: _Watched(inner, partial(self._waits, inner, worker))

    async def finish(self) -> None:
        """Let the fault end and everything settle, then note how all of it came out."""
        emulator = self._emulator
        try:
            await emulator.settle()
            await emulator.advance()  # the last events of the job are a point, too
            while self._fault is not None:
                await emulator.stream.change(lambda: f"{self.point.fault} did not end")
            await emulator.settle()
        except NeverError:
            pass  # a job that never ends is told by its state
        scenario = emulator.loaded.scenario
        judged = judge_all(emulator.night(), scenario.must_hold, emulator.loaded.clock)
        self.missed = {place: one.sentence for place, one in enumerate(judged) if one.met is False}
        self.ends = {
            job.name: (job.state, "" if job.ending is None else job.ending.sub_state) for job in emulator.jobs()
        }

    # -- points -------------------------------------------------------------------------------------------------------

    def _soon(self, call: Callable[[object], None]) -> None:
        agenda = self._emulator.agenda
        agenda.at(agenda.now, call, None, FAULTS, _LAST_OF_FAULTS)

    def _after_events(self, _: object) -> None:
        kinds, self._kinds = self._kinds, []
        self._pass(f"after {', '.join(dict.fromkeys(kinds))}", self._worker)

    def _waits(self, inner: Any, worker: str, waiter: Any) -> None:
        """A task of the attempt begins to wait."""
        if self.struck:
            return
        text = awaited_in(inner)
        loop = self._emulator.loop
        loop.call_soon(self._pass, f"at {text}, {_BEGINS}", worker, context=self._context)
        if isinstance(waiter, asyncio.Future):  # called before the task is woken
            waiter.add_done_callback(partial(self._answered, f"at {text}, {_ANSWERED}", worker), context=self._context)

    def _answered(self, text: str, worker: str, _: object) -> None:
        self._pass(text, worker)

    def _pass(self, text: str, worker: str) -> None:
        if self.struck or self._emulator.agenda.over or self._emulator.keeper.over:
            return
        self.moments.append(Moment(text, self._emulator.agenda.now, worker))
        if len(self.moments) == self.point.number:
            self.struck = True
            self._strike(worker)

    def _strike(self, worker: str) -> None:
        emulator, point = self._emulator, self.point
        if point.fault == "power_off":
            emulator.power_off(worker, back_after=point.lasts)
            return
        self._fault = emulator.fault(**{point.fault: worker})
        emulator.agenda.at(emulator.agenda.now + ticks_of(point.lasts), self._end, None, FAULTS, _LAST_OF_FAULTS)

    def _end(self, _: object) -> None:
        fault, self._fault = self._fault, None
        if fault is not None:
            fault.end()


SWEPT: Final[ContextVar[tuple[CrashPoint, list[Probe]] | None]] = ContextVar("emulator_swept", default=None)
"""The point that is tried in each emulator that has none of its own, and the probes of those."""


class _Watched(Coroutine[Any, Any, Any]):
    """A coroutine whose every wait is told."""

    __slots__ = ("_inner", "_waits")
    cr_frame = None
    cr_running = False

    def __init__(self, inner: Coroutine[Any, Any, Any], waits: Callable[[object], None]) -> None:
        self._inner = inner
        self._waits = waits

    @property
    def cr_await(self) -> Coroutine[Any, Any, Any]:
        """What it runs: a report on the task looks here."""
        return self._inner

    def send(self, value: Any) -> Any:
        """Let it run to its next wait."""
        waiter = self._inner.send(value)
        self._waits(waiter)
        return waiter

    def throw(self, *error: Any) -> Any:
        """Let it run to its next wait, from an error."""
        waiter = self._inner.throw(*error)
        self._waits(waiter)
        return waiter

    def close(self) -> None:
        """End it."""
        self._inner.close()

    def __await__(self) -> Generator[Any, Any, Any]:
        return self._inner.__await__()


# -- places in words --------------------------------------------------------------------------------------------------


def awaited_in(step: Any) -> str:
    """Say what the user's own code awaits in a suspended coroutine, and at which line.

    The innermost line of the user's own code is named, and, if it is another, the outermost, through which it came.
    """
    frames: list[FrameType] = []
    while step is not None:
        frame = getattr(step, "cr_frame", None) or getattr(step, "gi_frame", None)
        if frame is not None and not is_library(frame.f_code):
            frames.append(frame)
        step = getattr(step, "cr_await", None) or getattr(step, "gi_yieldfrom", None)
    if not frames:
        return "a line of a library"
    first, last = frames[0], frames[-1]
    file = first.f_code.co_filename
    return _in_words(last, file) + ("" if first is last else f", within {_in_words(first, file)}")


def _in_words(frame: FrameType, file: str) -> str:
    name = frame.f_code.co_filename
    where = "" if name == file else f"{os.path.basename(name)}, "
    return f"`{_awaited(frame)}` ({where}line {frame.f_lineno})"


def _awaited(frame: FrameType) -> str:
    """Give the text of the expression that a suspended frame awaits, arguments left out."""
    name = frame.f_code.co_filename
    line = linecache.getline(name, frame.f_lineno).strip()
    begin, end, left, right = list(frame.f_code.co_positions())[frame.f_lasti // 2]
    if begin is not None and end is not None:
        lines = [linecache.getline(name, number).encode() for number in range(begin, end + 1)]
        lines[-1] = lines[-1][:right]
        lines[0] = lines[0][left:]
        try:
            tree = ast.parse(b"".join(lines).decode().strip(), mode="eval").body
        except (SyntaxError, UnicodeDecodeError):
            return line
        if isinstance(tree, ast.Await) and isinstance(tree.value, ast.Call):
            has_any = tree.value.args or tree.value.keywords
            return f"await {ast.unparse(tree.value.func)}({'...' if has_any else ''})"
        if isinstance(tree, ast.Await):
            return ast.unparse(tree)
    return line


_TOLD: Final = 10


@dataclass(frozen=True, slots=True)
class Unsafe:
    """A point at which a job is not safe.

    Attributes:
        point: the fault: ``Emulator(..., crash_at=point)`` repeats it.
        where: which point that is, in words.
        why: what came of the fault.
    """

    point: CrashPoint
    where: str
    why: str


class Sweep:
    """What came of a fault at each point of a job; ``sweep`` and the marker ``crash_points`` make it.

    Attributes:
        job: which job.
        points: how many points there are: those of the job, once for each fault.
        tried: at how many of them the test was run.
        unsafe: at which of those it is not safe.
        moments: the points of the job, as the run without a fault came to them.
    """

    def __init__(
        self,
        job: str,
        fault: str | Sequence[str] = "power_off",
        lasts: Lasting = "10m",
        limit: int = 200,
        part: tuple[int, int] = (1, 1),
        parts: int = 1,
    ) -> None:
        if parts not in (1, part[1]):
            raise InputError(f"parts={parts}: the marker splits a test of its own, not one of a class or a module")
        must_be(TEXT, job=job)
        must_be(WHOLE, limit=limit)
        if limit < 1:
            raise InputError(f"limit={limit}: give how many points to try at most, from 1")
        self.job = job
        self._faults = [fault] if isinstance(fault, str) else texts("fault", fault)
        if not self._faults:
            raise InputError("fault: none is named: give power_off, freeze, cut_link, or several")
        self.first = CrashPoint(job, self._faults[0], 0, lasts)
        self._lasts = lasts
        self._limit = limit
        self._part = part
        self.moments: Sequence[Moment] = ()
        self._ends: dict[str, tuple[str, str]] = {}
        self._missed: frozenset[int] = frozenset()
        self.points = self.tried = 0
        self.unsafe: list[Unsafe] = []
        for each in self._faults:
            CrashPoint(job, each)

    @property
    def is_safe(self) -> bool:
        """Whether it is safe at every point that was tried."""
        return not self.unsafe

    @property
    def sentence(self) -> str:
        """What came of it, in one sentence, and what was left out."""
        safe = self.tried - len(self.unsafe)
        part, parts = self._part
        said = f"Safe at {safe} of {self.tried} points"
        said += f" (part {part} of {parts})" if parts > 1 else ""
        if len(self.unsafe) == 1:
            said += f"; not {self.unsafe[0].where}"
        within = min(self.points, self._limit)
        if within < self.points:
            said += f". There are {self.points}: {self.points - within} were left out, spread evenly (limit={within})"
        return f"{said}."

    def text(self) -> str:
        """Say what came of it: each point at which it is not safe, ten at most, and why."""
        return "\n".join(self._lines())

    def _lines(self) -> Iterator[str]:
        yield self.sentence
        for each in self.unsafe[:_TOLD]:
            yield f"not {each.where} (point {each.point.number}):"
            yield f"    {each.why}"
        if len(self.unsafe) > _TOLD:
            yield f"and not at {len(self.unsafe) - _TOLD} more points"
        if self.unsafe:
            yield f"to repeat the first: crash_at={self.unsafe[0].point!r}"

    def assert_safe(self) -> None:
        """Fail with the whole report unless it is safe at every point that was tried.

        Raises:
            AssertionError: naming the points.
        """
        __tracebackhide__ = True
        if self.unsafe:
            raise AssertionError(self.text())


class Sweeper(Sweep):
    """A sweep under way: says which points to try, and judges each run."""

    def plan(self, probes: Sequence[Probe]) -> list[CrashPoint]:
        """Give the points to try, from the run without a fault; those left out are spread evenly.

        Raises:
            InputError: when the run had no such job, or no worker took it.
        """
        probe = self._of_job(probes)
        if probe is None:
            raise InputError(
                f"crash points of {self.job!r}: no emulator of the test had a job of that name"
                + (": it made none by the fixture `emulated`" if not probes else "")
            )
        self.moments, self._ends, self._missed = probe.moments, probe.ends, frozenset(probe.missed)
        every = [
            CrashPoint(self.job, fault, number, self._lasts)
            for fault in self._faults
            for number in range(1, len(self.moments) + 1)
        ]
        if not every:
            raise InputError(f"crash points of {self.job!r}: no worker took it, so that there is no point")
        self.points = len(every)
        if self.points > self._limit:
            every = [every[self.points * place // self._limit] for place in range(self._limit)]
        part, parts = self._part
        mine = every[part - 1 :: parts]
        self.tried = len(mine)
        return mine

    def judge(self, point: CrashPoint, probes: Sequence[Probe], failure: str) -> Unsafe | None:
        """Judge the run with a fault at one point.

        Args:
            point: which.
            probes: of the run's emulators.
            failure: how the test failed; "" if it passed.
        """
        probe, expected = self._of_job(probes), self.moments[point.number - 1]
        if probe is None or not probe.struck or probe.moments != self.moments[: point.number]:
            why = "the run up to it was another one than without the fault, so that the test is not reproducible"
        else:
            why = _short(failure) or self._differs(probe)
        if not why:
            return None
        fault = f"{point.fault} " if len(self._faults) > 1 else ""
        self.unsafe.append(found := Unsafe(point, f"{fault}{expected}", why))
        return found

    def _of_job(self, probes: Sequence[Probe]) -> Probe | None:
        return next((probe for probe in probes if probe.has_job), None)

    def _differs(self, probe: Probe) -> str:
        for job, (state, sub_state) in self._ends.items():
            found, found_sub = probe.ends.get(job, ("never submitted", ""))
            if (found, found_sub) != (state, sub_state):
                words = [f"{one} ({more})" if more else one for one, more in ((found, found_sub), (state, sub_state))]
                return f"{job} is {words[0]}, and {words[1]} without the fault"
        return next((sentence for place, sentence in probe.missed.items() if place not in self._missed), "")


def _short(failure: str) -> str:
    """Leave the kind of an error out where its text says all."""
    kind, _, text = failure.partition(":")
    return "; ".join(line.strip() for line in text.splitlines()[1:]) if kind.endswith("InvariantError") else failure


def sweep(
    test: Callable[[], Coroutine[Any, Any, Any]],
    *,
    job: str,
    fault: str | Sequence[str] = "power_off",
    lasts: Lasting = "10m",
    limit: int = 200,
    **options: Any,
) -> Sweep:
    """Run an async test in virtual time, then once more for each point of a job, with a fault there.

    Points are each wait of the job's code (as it begins to wait, and after its effect), and what happens to the job.

    Args:
        test: a function without arguments that makes its ``Emulator`` itself.
        job: the job's name, ``entry#number``.
        fault: ``power_off``, ``freeze``, ``cut_link``, or several of them.
        lasts: how long a fault lasts at most; a freeze or a cut ends before when another attempt at the job has ended.
        limit: so many points at most, 1 or more; those left out are spread evenly, and told of.
        options: of the virtual-time loop.

    Raises:
        InputError: when the test has no such job, or for an argument out of range. What the test raises without a
            fault is raised as it is.

    >>> from emulator import Emulator, sweep
    >>> async def copy(work):
    ...     await work.spend("10m")
    ...     work.effect("copied", "plate-7", repeatable=False)
    ...     await work.spend("1m")
    >>> async def test():
    ...     async with Emulator(handlers={"copy": copy}, never=["unrepeatable effect twice"]) as emu:
    ...         await emu.submit("copy")
    >>> print(sweep(test, job="copy#1").sentence)
    Safe at 4 of 7 points.
    """
    made = Sweeper(job, fault, lasts, limit)
    for point in made.plan(_play(test, made.first, options)[0]):
        probes, error = _play(test, point, options, keep=True)
        made.judge(point, probes, "" if error is None else f"{type(error).__name__}: {error}")
    return made


def _play(
    test: Callable[[], Coroutine[Any, Any, Any]], point: CrashPoint, options: Mapping[str, Any], *, keep: bool = False
) -> tuple[list[Probe], BaseException | None]:
    """Run the test with a fault at a point; give the probes of its emulators, and what it raised."""
    probes: list[Probe] = []
    before = SWEPT.set((point, probes))
    try:
        run_in_virtual_time(test, **options)
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # a test framework's own way to fail is no Exception
        if not keep:
            raise
        return probes, error
    finally:
        SWEPT.reset(before)
    return probes, None
