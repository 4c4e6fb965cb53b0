"""Is a job safe wherever its worker fails? The same test is run once for each point of the job, with a fault there.

Safe at a point means: the test passes, every job ends as without the fault, whatever ``never`` names has not happened,
and no requirement of the scenario is missed that is met without the fault.
"""

from collections.abc import Callable, Coroutine, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from emulator.errors import InputError
from emulator.scenario.arguments import TEXT, WHOLE, must_be, texts
from emulator.testing.crashing import SWEPT, CrashPoint, Moment, Probe
from emulator.testing.running import run_in_virtual_time
from emulator.testing.settings import Lasting

__all__ = ["Sweep", "Sweeper", "Unsafe", "sweep"]

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
