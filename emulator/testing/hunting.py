"""Plays nights with the user's own handlers, and looks for the smallest schedule of faults that breaks a requirement.

Schedules are drawn and shrunk by hypothesis, each is tried on the scenario itself, with one seed: keyed draws make a
try a pure function of its schedule. What is found is kept as a schedule, not as a seed of the search, so that it stays
found when the library draws otherwise. The budget counts tries, those of the shrinking included, so the search ends.

Crash points are tried first, one after the other: such a point is one fault, and no schedule is smaller. Only when none
of them breaks anything are schedules drawn, with and without a point among their faults.
"""

import importlib
import os
import sys
import tempfile
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import yaml

from emulator.errors import InputError, IrreproducibleError
from emulator.experiment.night import NightResult, Progress, judged_night, run_night
from emulator.measure.fold import NightFold
from emulator.measure.invariants import Never, broken
from emulator.record.event_view import AT, KIND
from emulator.record.events import HEARTBEAT_KINDS, Row
from emulator.record.meta import RunMeta
from emulator.scenario.arguments import FUNCTION, WHOLE, may_be, must_be, texts
from emulator.scenario.load import AnyFolders, AnyScenario, Loaded, loaded_from, varied
from emulator.scenario.spelling import advise
from emulator.scenario.stated import resolved
from emulator.show.words import planned_words
from emulator.testing.crashing import FAULTS_AT_POINTS, SWEPT, CrashPoint, Moment, Probe
from emulator.testing.emulation import Emulator
from emulator.testing.handlers import Handler
from emulator.testing.running import run_in_virtual_time
from emulator.testing.settings import CallBurst, loaded_for, watched
from emulator.testing.views import name_of
from emulator.timeline.ticks import SECOND

__all__ = [
    "Hunt",
    "handlers_named",
    "hunt",
    "night_with_handlers",
]


def night_with_handlers(
    loaded: Loaded,
    seed: int,
    *,
    handlers: Mapping[str, Handler],
    outside: Iterable[str] = (),
) -> NightResult:
    """Run one night of a scenario, in virtual time, with handlers for some of its routines.

    Args:
        loaded: the scenario; jobs come by its ``arrivals``.
        seed: from 0 to 2**63 - 1.
        handlers: by routine.
        outside: libraries each of whose calls gets a clock stop of its own.

    Raises:
        InputError: for a handler that has no routine, or is no coroutine function.
        IrreproducibleError: when another run may come out otherwise.
    """

    async def night() -> NightResult:
        async with Emulator(loaded, handlers=handlers, seed=seed, outside=outside) as emu:
            await emu.advance(loaded.scenario.lasts / SECOND)
            world = emu.world
        rows: tuple[Row, ...] = tuple(emu.stream.rows)
        fold = NightFold(loaded.scenario.lasts)
        fold.feed_all(rows)
        about = RunMeta(
            seed=seed,
            scenario_text=loaded.text or resolved(loaded),
            scenario_name=loaded.name,
            files={},
            heartbeats="simulated",
            changes=loaded.changes if loaded.text else (),
            bases=loaded.bases,
        )
        again = f"emulator.hunt(..., handlers=..., seed={seed})"
        return judged_night(loaded, about, fold, world, again, rows, None, real_code=True)

    return run_in_virtual_time(night)


def handlers_named(name: str) -> Mapping[str, Handler]:
    """Give the handlers that ``module:NAME`` names, a mapping by routine; the module may lie in the present folder.

    Raises:
        InputError: when there is no such module or name, or it is no mapping.
    """
    module, _, attribute = name.partition(":")
    if not module or not attribute:
        raise InputError(f"{name!r} names no handlers: give module:NAME, such as copies:HANDLERS")
    if os.getcwd() not in sys.path:
        sys.path.insert(0, os.getcwd())
    try:
        found = getattr(importlib.import_module(module), attribute)
    except (ImportError, AttributeError) as wrong:
        raise InputError(f"the handlers {name}: {wrong}") from None
    if not isinstance(found, Mapping):
        raise InputError(
            f'the handlers {name}: found {type(found).__name__}: make it a mapping, such as {{"copy": copy}}'
        )
    return found


_MOST: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class Hunt:
    """What a hunt came to; made by ``hunt``.

    Attributes:
        name: the scenario.
        faults: the smallest schedule that was found, as entries of a scenario file; None if none was.
        missed: the requirements that it breaks, with their figures.
        tried: how many nights were run.
        seed: of the nights and of the search.
        has_faults: whether the scenario has faults of its own, to which those that were found come.
        already_missed: the requirements that the scenario misses without any fault more; they count for nothing.
        point: the fault at a crash point that comes to those in ``faults``; None if there is none.
        where: which point that is, in words.
        points: how many crash points were tried one after the other.
        points_in_all: how many there are; those left out are spread evenly.
    """

    name: str
    faults: tuple[Mapping[str, Any], ...] | None
    missed: tuple[str, ...]
    tried: int
    seed: int
    has_faults: bool
    already_missed: tuple[str, ...]
    point: CrashPoint | None = None
    where: str = ""
    points: int = 0
    points_in_all: int = 0

    @property
    def sentence(self) -> str:
        """What came of it: the smallest faults first, in words."""
        nights = f"{self.tried:,} night{'' if self.tried == 1 else 's'}"
        if self.faults is None:
            points = f", and {self.points:,} of {self.points_in_all:,} crash points" if self.points_in_all else ""
            return f"No schedule of faults was found that breaks a requirement: {nights}{points} were tried."
        words = [planned_words(entry) for entry in self.faults]
        words += ["one at a crash point of a job"] if self.point is not None else []
        many = "One fault breaks" if len(words) == 1 else f"{len(words)} faults together break"
        more = f"; and {len(words) - 2} more" if len(words) > 2 else ""
        return f"{many} the night: {'; '.join(words[:2])}{more}. {nights} were tried."

    def fragment(self) -> str:
        """Write the schedule as it stands in a scenario file, to be pasted and run; "" if none was found.

        A fault at a crash point has no place in a scenario file: that is ``point``.

        The line ``faults:`` is left out if the scenario has that key already.
        """
        if not self.faults:
            return ""
        lines = [
            yaml.safe_dump(dict(entry), default_flow_style=True, sort_keys=False, width=10_000) for entry in self.faults
        ]
        return ("" if self.has_faults else "faults:\n") + "".join(f"  - {line}" for line in lines)


def hunt(
    scenario: AnyScenario,
    *,
    seed: int | None = None,
    tries: int = 1_000,
    at_most: int = 3,
    kinds: Collection[str] | None = None,
    progress: Progress | None = None,
    so_far: Callable[[str], None] | None = None,
    night: Callable[[Loaded, int], NightResult] | None = None,
    handlers: Mapping[str, Handler] | None = None,
    outside: Iterable[str] = (),
    never: Iterable[Never | CallBurst] = (),
    crash_points: Iterable[str] = (),
    allow_folders: AnyFolders = (),
) -> Hunt:
    """Look for the smallest schedule of faults that breaks a requirement which holds without it.

    With handlers, more faults begin near the events of the undisturbed night than elsewhere. Settings that are left out
    are filled in as for ``Emulator``. Give ``lasts``, because each night is played to its end.

    Args:
        scenario: a file's path, its settings as a mapping, or what ``load`` gave; the faults that it has itself stay as
            they are.
        seed: of the nights and of the search; by default the scenario's.
        tries: nights to run at most, those of the shrinking included, from 1 to 1,000,000.
        at_most: faults in a schedule, 1 or more.
        kinds: which kinds of fault; by default all that the scenario has a target for.
        progress: told the share of the tries that are used up.
        so_far: told, in a few words, the smallest faults so far that break a requirement.
        night: plays one night of a scenario with a seed, in place of the modelled one, such as one with own scripts.
        handlers: for routines whose work is your own code, as for ``Emulator``; jobs come by the ``arrivals``.
        outside: with handlers, libraries each of whose calls gets a clock stop of its own.
        never: with handlers, what must not happen, as for ``Emulator``; it counts as one more requirement.
        crash_points: with handlers, the names of jobs, ``entry#number``. A fault at each crash point of theirs
            (``CrashPoint``) is tried before any schedule, and then schedules with such a fault among others.
        allow_folders: folders below which the files that a scenario refers to may lie, beside its own folder.

    Raises:
        ScenarioError: with every mistake in the scenario.
        InputError: when nothing is required that one night can judge, when an argument is out of range, when the night
            has no such job, or when the extra ``search`` is not installed.
        IrreproducibleError: when a night comes out otherwise the next time, up to its first fault.

    >>> import emulator
    >>> found = emulator.hunt({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "2h", "queues": {"night": {}},
    ...     "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    ...     "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
    ...     "arrivals": [{"routine": "copy", "at": "21:30"}],
    ...     "must_hold": [{"measure": "lost_leases", "at_most": 0}],
    ... }, tries=50, kinds=["power_off"])
    >>> print(found.fragment(), end="")
    faults:
      - {power_off: dome-1, at: +1m}
    """
    must_be(WHOLE, tries=tries)
    may_be(WHOLE, seed=seed)
    may_be(FUNCTION, progress=progress, so_far=so_far)
    if not 1 <= tries <= _MOST:
        raise InputError(f"tries={tries} is out of range: give a number from 1 to {_MOST:,}")
    _import_hypothesis()
    jobs = texts("crash_points", crash_points)
    if handlers is None and (outside or never or jobs):
        raise InputError("outside, never and crash_points: they are about handlers: give those, too")
    if handlers is not None and night is not None:
        raise InputError("night and handlers are both given: a night with handlers is played as for `Emulator`")
    if handlers is None or not isinstance(scenario, Mapping):
        scenario = loaded_from(scenario, allow_folders)
    loaded = scenario if handlers is None else loaded_for(scenario, {}, handlers)
    assert isinstance(loaded, Loaded), "it was loaded just now"
    forbidden = watched(never, loaded.scenario.systems)
    from random import Random  # noqa: TID251  # the search's own generator; no draw of a night comes from it

    from hypothesis import HealthCheck, Phase, find, settings
    from hypothesis import strategies as st
    from hypothesis.errors import NoSuchExample

    from emulator.testing.strategies import fault_schedules

    chosen = loaded.scenario.seed if seed is None else seed
    if handlers is not None:
        night = partial(night_with_handlers, handlers=handlers, outside=tuple(outside))
    nights = _Nights(loaded, chosen, night or (lambda each, used: run_night(each, seed=used)), forbidden, tries)
    nights.progress, nights.so_far = progress, so_far
    told = () if handlers is None else nights.base.rows or ()
    near = [row[AT] / SECOND for row in told if row[KIND] not in HEARTBEAT_KINDS]

    def schedules(most: int) -> "st.SearchStrategy[list[dict[str, Any]]]":
        return fault_schedules(loaded, at_most=most, at_least=1, kinds=kinds, near=near)

    if not nights.holds:
        raise InputError(
            f"{loaded.name}: no requirement holds in the night with seed {chosen} before any fault: there is nothing "
            "to break; give `must_hold` what the night meets"
        )
    points = nights.points_of(jobs, kinds)
    here = _spread(points, tries - nights.tried)
    for point in here:
        if nights.breaks((), point):
            return nights.found((), point, here.index(point) + 1, len(points))
    drawn: st.SearchStrategy[Any] = schedules(at_most)
    if points and at_most > 1:
        drawn = st.one_of(drawn, st.tuples(schedules(at_most - 1), st.sampled_from(points)))
    quiet = settings(
        database=None,
        max_examples=tries,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.generate, Phase.shrink),
    )
    try:
        drew = find(drawn, lambda tried: nights.breaks(*_apart(tried)), settings=quiet, random=Random(chosen))
    except NoSuchExample:
        return nights.found(None, None, len(here), len(points))
    faults, at = _apart(drew)
    return nights.found(without_needless(faults, lambda some: nights.breaks(some, at)), at, len(here), len(points))


def without_needless(faults: list[Any], breaks: Callable[[list[Any]], bool]) -> list[Any]:
    """Leave out, one after the other, faults without which the rest breaks as much: the shrinking may stop before that.

    >>> without_needless(["off", "off", "outage"], lambda some: {*some} >= {"off", "outage"})
    ['off', 'outage']
    """
    place = 0
    while place < len(faults):
        some = [*faults[:place], *faults[place + 1 :]]
        if some and breaks(some):
            faults = some
        else:
            place += 1
    return faults


class _Nights:
    """Plays nights with faults more than the scenario has, each once, and says what they break."""

    def __init__(
        self, loaded: Loaded, seed: int, night: Callable[[Loaded, int], NightResult], forbidden: Any, tries: int
    ) -> None:
        self.progress: Progress | None = None
        self.so_far: Callable[[str], None] | None = None
        self.tried = 1
        self._fewest = 0  # so many faults at once are the fewest so far that break a requirement; 0: none is known
        self._loaded = loaded
        self._seed = seed
        self._night = night
        self._forbidden = forbidden
        self._tries = tries
        self._known: dict[str, bool] = {}
        self._moments: dict[str, list[Moment]] = {}
        self.base = night(loaded, seed)
        self._missed_anyway = self._missed_in(self.base)
        self.holds = [place for place, one in enumerate(self.base.judged) if one.met is True]
        if forbidden and len(self.base.judged) not in self._missed_anyway:
            self.holds.append(len(self.base.judged))

    def points_of(self, jobs: Iterable[str], kinds: Collection[str] | None) -> list[CrashPoint]:
        """Give the crash points of some jobs, from the night without a fault: each fault at all of them in turn."""
        faults = [fault for fault in FAULTS_AT_POINTS if kinds is None or fault in kinds]
        found = []
        for job in dict.fromkeys(jobs):
            if not faults:
                raise InputError(f"crash_points: kinds names no fault for them: give {' or '.join(FAULTS_AT_POINTS)}")
            known = [name_of(row) for row in self.base.rows or () if row[KIND] == "submitted"]
            if job not in known:
                raise InputError(f"crash_points: the night has no job {job!r}: {advise(job, known)}")
            _, probes = self._play((), CrashPoint(job, faults[0]))
            self.tried += 1
            self._moments[job] = probes[0].moments
            found += [
                CrashPoint(job, fault, number + 1) for fault in faults for number in range(len(probes[0].moments))
            ]
        return found

    def breaks(self, faults: Iterable[Mapping[str, Any]], point: CrashPoint | None) -> bool:
        """Say whether faults break what holds without them; False once the tries are used up."""
        entries = list(faults)
        if (key := repr((entries, point))) not in self._known:
            if self.tried >= self._tries:
                return False
            self.tried += 1
            result, probes = self._play(entries, point)
            if point is not None and not entries and probes[0].moments != self._moments[point.job][: point.number]:
                where = self._moments[point.job][point.number - 1]
                raise IrreproducibleError(
                    f"the night up to {where} was another one than without the fault: handlers keep "
                    "something from one night to the next; let each night begin with nothing left of the one before"
                )
            missed = self._missed_in(result)
            self._known[key] = any(place in missed for place in self.holds)
            if self._known[key]:
                self._tell(len(entries) + (point is not None))
            if self.progress is not None:
                self.progress(self.tried / self._tries)
        return self._known[key]

    def _tell(self, faults: int) -> None:
        """Tell how many faults are enough, when these are fewer than before."""
        if self.so_far is not None and (not self._fewest or faults < self._fewest):
            self._fewest = faults
            many = "1 fault breaks" if faults == 1 else f"{faults} faults together break"
            self.so_far(f"so far {many} a requirement; simpler ones are looked for")

    def found(
        self, faults: Iterable[Mapping[str, Any]] | None, point: CrashPoint | None, points: int, points_in_all: int
    ) -> Hunt:
        """Give what the hunt came to."""
        missed: dict[int, str] = {}
        where = ""
        if faults is not None:
            faults = tuple(faults)
            result, probes = self._play(faults, point)
            missed = self._missed_in(result)
            if point is not None and probes[0].struck:
                where = f"{point.fault} {probes[0].moments[-1]}"
            else:  # with the other faults its job does not come so far
                point = None
        return Hunt(
            self._loaded.name,
            faults,
            tuple(missed[place] for place in self.holds if place in missed),
            self.tried,
            self._seed,
            bool(self._loaded.scenario.faults),
            tuple(self._missed_anyway.values()),
            point,
            where,
            points,
            points_in_all,
        )

    def _play(self, faults: Iterable[Mapping[str, Any]], point: CrashPoint | None) -> tuple[NightResult, list[Probe]]:
        more, probes = list(faults), list[Probe]()
        loaded = varied(self._loaded, {"faults": {"add": more}}) if more else self._loaded
        before = SWEPT.set(None if point is None else (point, probes))
        try:
            return self._night(loaded, self._seed), probes
        finally:
            SWEPT.reset(before)

    def _missed_in(self, result: NightResult) -> dict[int, str]:
        """Give what is missed, by its place among the requirements; what must never happen comes after them."""
        found = {place: one.sentence for place, one in enumerate(result.judged) if one.met is False}
        if self._forbidden and (happened := broken(result.rows or (), self._forbidden, at_end=True)):
            found[len(result.judged)] = f"It has happened: {happened[0]}"
        return found


def _apart(drawn: Any) -> tuple[list[dict[str, Any]], CrashPoint | None]:
    """Give the faults of what was drawn, a schedule or one with a crash point, and the point."""
    return drawn if isinstance(drawn, tuple) else (drawn, None)


def _spread(points: list[CrashPoint], most: int) -> list[CrashPoint]:
    """Leave out points, spread evenly, if there are too many."""
    if len(points) <= most:
        return points
    return [points[len(points) * place // most] for place in range(max(0, most))]


def _import_hypothesis() -> None:
    """Load hypothesis, which would else leave a folder behind where the user works.

    Raises:
        InputError: when it is not installed.
    """
    os.environ.setdefault("HYPOTHESIS_STORAGE_DIRECTORY", os.path.join(tempfile.gettempdir(), "queuedrill-search"))
    try:
        import hypothesis  # noqa: F401  # only to see whether it is there
    except ImportError:
        raise InputError(
            "the search needs hypothesis: python -m pip install '.[search]' in the folder of queuedrill"
        ) from None
