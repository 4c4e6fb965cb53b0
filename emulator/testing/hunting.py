"""Which is the smallest schedule of faults that breaks a requirement?

Schedules are drawn and shrunk by hypothesis, each is tried on the scenario itself, with one seed: keyed draws make a
try a pure function of its schedule. What is found is kept as a schedule, not as a seed of the search, so that it stays
found when the library draws otherwise. The budget counts tries, those of the shrinking included, so the search ends.
"""

import os
import tempfile
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import yaml

from emulator.errors import InputError
from emulator.experiment.night import Progress, run_night
from emulator.experiment.result import NightResult
from emulator.measure.invariants import Never, broken
from emulator.record.events import HEARTBEAT_KINDS
from emulator.scenario.arguments import FUNCTION, WHOLE, may_be, must_be
from emulator.scenario.given import AnyScenario, loaded_from
from emulator.scenario.load import AnyFolders, Loaded, varied
from emulator.testing.handlers import Handler
from emulator.testing.nights import night_with_handlers
from emulator.testing.settings import loaded_for
from emulator.testing.watched import CallBurst, watched
from emulator.timeline.ticks import SECOND

__all__ = ["Hunt", "hunt"]

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
    """

    name: str
    faults: tuple[Mapping[str, Any], ...] | None
    missed: tuple[str, ...]
    tried: int
    seed: int
    has_faults: bool
    already_missed: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """What came of it, in one sentence."""
        nights = f"{self.tried:,} night{'' if self.tried == 1 else 's'}"
        if self.faults is None:
            return f"No schedule of faults was found that breaks a requirement: {nights} were tried."
        many = "one fault breaks" if len(self.faults) == 1 else f"{len(self.faults)} faults together break"
        what = "a requirement" if len(self.missed) == 1 else f"{len(self.missed)} requirements"
        return f"Found: {many} {what}; {nights} were tried."

    def fragment(self) -> str:
        """Write the schedule as it stands in a scenario file, to be pasted and run; "" if none was found.

        The line ``faults:`` is left out if the scenario has that key already.
        """
        if self.faults is None:
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
    night: Callable[[Loaded, int], NightResult] | None = None,
    handlers: Mapping[str, Handler] | None = None,
    outside: Iterable[str] = (),
    never: Iterable[Never | CallBurst] = (),
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
        night: plays one night of a scenario with a seed, in place of the modelled one, such as one with own scripts.
        handlers: for routines whose work is your own code, as for ``Emulator``; jobs come by the ``arrivals``.
        outside: with handlers, libraries each of whose calls gets a clock stop of its own.
        never: with handlers, what must not happen, as for ``Emulator``; it counts as one more requirement.
        allow_folders: folders below which the files that a scenario refers to may lie, beside its own folder.

    Raises:
        ScenarioError: with every mistake in the scenario.
        InputError: when nothing is required that one night can judge, when an argument is out of range, or when the
            extra ``search`` is not installed.

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
    may_be(FUNCTION, progress=progress)
    if not 1 <= tries <= _MOST:
        raise InputError(f"tries={tries} is out of range: give a number from 1 to {_MOST:,}")
    _import_hypothesis()
    if handlers is None and (outside or never):
        raise InputError("outside and never: they are about handlers: give those, too")
    if handlers is not None and night is not None:
        raise InputError("night and handlers are both given: a night with handlers is played as for `Emulator`")
    if handlers is None or not isinstance(scenario, Mapping):
        scenario = loaded_from(scenario, allow_folders)
    loaded = scenario if handlers is None else loaded_for(scenario, {}, handlers)
    assert isinstance(loaded, Loaded), "it was loaded just now"
    forbidden = watched(never, loaded.scenario.systems)
    from random import Random  # noqa: TID251  # the search's own generator; no draw of a night comes from it

    from hypothesis import HealthCheck, Phase, find, settings
    from hypothesis.errors import NoSuchExample

    from emulator.testing.strategies import fault_schedules

    chosen = loaded.scenario.seed if seed is None else seed
    if handlers is not None:
        night = partial(night_with_handlers, handlers=handlers, outside=tuple(outside))
    night = night or (lambda varied, used: run_night(varied, seed=used))
    base = night(loaded, chosen)

    def missed_in(result: NightResult) -> dict[int, str]:
        """Give what is missed, by its place among the requirements; what must never happen comes after them."""
        found = {place: one.sentence for place, one in enumerate(result.judged) if one.met is False}
        if forbidden and (happened := broken(result.rows or (), forbidden, at_end=True)):
            found[len(result.judged)] = f"It has happened: {happened[0]}"
        return found

    missed_anyway = missed_in(base)
    holds = [place for place, one in enumerate(base.judged) if one.met is True]
    if forbidden and len(base.judged) not in missed_anyway:
        holds.append(len(base.judged))
    told = () if handlers is None else base.rows or ()
    near = [row[0] / SECOND for row in told if row[1] not in HEARTBEAT_KINDS]
    schedules = fault_schedules(loaded, at_most=at_most, at_least=1, kinds=kinds, near=near)
    already = tuple(missed_anyway.values())
    if not holds:
        raise InputError(
            f"{loaded.name}: no requirement holds in the night with seed {chosen} before any fault: there is nothing "
            "to break; give `must_hold` what the night meets"
        )
    tried = 1
    known: dict[str, bool] = {}

    def play(faults: list[dict[str, Any]]) -> NightResult:
        return night(_with(loaded, faults), chosen)

    def breaks(faults: list[dict[str, Any]]) -> bool:
        nonlocal tried
        key = repr(faults)
        if key not in known:
            if tried >= tries:
                return False
            tried += 1
            missed = missed_in(play(faults))
            known[key] = any(place in missed for place in holds)
            if progress is not None:
                progress(tried / tries)
        return known[key]

    quiet = settings(
        database=None,
        max_examples=tries,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.generate, Phase.shrink),
    )
    try:
        found = find(schedules, breaks, settings=quiet, random=Random(chosen))
    except NoSuchExample:
        return Hunt(loaded.name, None, (), tried, chosen, bool(loaded.scenario.faults), already)
    last = missed_in(play(found))
    missed = tuple(last[place] for place in holds if place in last)
    return Hunt(loaded.name, tuple(found), missed, tried, chosen, bool(loaded.scenario.faults), already)


def _with(loaded: Loaded, faults: list[dict[str, Any]]) -> Loaded:
    return varied(loaded, {"faults": {"add": faults}})


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
