"""Reports the emulators of a failed test: the last events, the jobs concerned, and what handlers raised.

All of it is told as it stood when the test failed: what the cleanup then does to handlers that are under way is no part
of the story.
"""

import shlex
from collections.abc import Callable, Iterable, Iterator, Sequence
from traceback import format_exception_only
from types import TracebackType
from typing import Final, Unpack

from emulator.measure.invariants import Never
from emulator.measure.words import why_in_words
from emulator.record.events import NO_ALLOWANCE, Event, Row, read
from emulator.record.reasons import NONE
from emulator.scenario.load import AnyScenario
from emulator.show.layout import clean
from emulator.show.trail import TICKS
from emulator.testing.crashing import CrashPoint
from emulator.testing.emulation import Emulator, EmulatorOptions
from emulator.testing.running import last_lines, place_raised
from emulator.timeline.ticks import say

__all__ = ["Emulated", "ToldEmulator", "sections"]

_LAST: Final = 20
_QUIET: Final = frozenset(("heartbeat_received", "lease_renewed"))
_FAILURES: Final = 5


class ToldEmulator(Emulator):
    """An emulator that a failed test tells of: as it was when an error left its block, before the cleanup."""

    _kept: list[tuple[str, str]] | None = None

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        __tracebackhide__ = True
        if error is not None:
            self.keep()
        await super().__aexit__(kind, error, trace)

    def keep(self) -> None:
        """Keep what there is to tell as it is now: the test has failed. Only the first time counts."""
        if self._kept is None and self.has_begun:
            self._kept = list(_sections(self))

    def sections(self) -> list[tuple[str, str]]:
        """Give the sections of the report, each with its title."""
        self.keep()
        return self._kept or []


class Emulated:
    """Makes emulators for one test: the fixture ``emulated``, for annotations.

    >>> import pytest
    >>> from emulator import Emulated, Work
    >>> async def copy(work: Work) -> None:
    ...     await work.spend("10m")
    >>> @pytest.mark.virtual_time
    ... async def test_a_copy(emulated: Emulated) -> None:
    ...     async with emulated(handlers={"copy": copy}) as emu:
    ...         await emu.submit("copy")
    """

    def __init__(
        self,
        test: Callable[[], tuple[list[ToldEmulator], CrashPoint | None]],
        seed: int | None = None,
        never: Sequence[Never] = (),
    ) -> None:
        self._test = test
        self._seed = seed
        self._never = never

    def __call__(self, scenario: AnyScenario | None = None, **options: Unpack[EmulatorOptions]) -> Emulator:
        """Make an emulator, with the arguments of ``Emulator``.

        A seed given here goes before the command line's, ``never`` before the setting ``queuedrill_never``.
        """
        if options.get("seed") is None:
            options["seed"] = self._seed
        of_test, crash_at = self._test()
        options.setdefault("crash_at", crash_at)
        options.setdefault("never", self._never)
        made = ToldEmulator(scenario, **options)
        of_test.append(made)
        return made


def sections(test: str, option: str, told: Iterable[ToldEmulator]) -> Iterator[tuple[str, str]]:
    """Give the sections of a report, each with its title.

    Args:
        test: names the test as the command line does.
        option: the command line's option for the seed.
        told: of the emulators that the test made.
    """
    begun = [each for each in told if each.has_begun]
    for number, each in enumerate(begun, 1):
        of = f" of emulator {number}" if len(begun) > 1 else ""
        for title, text in each.sections():
            yield f"{title}{of}", "\n".join(map(clean, text.split("\n")))
    if begun:
        yield "run it again", f"pytest {shlex.quote(test)} {option} {begun[0].seed}"


def _sections(emulator: Emulator) -> Iterator[tuple[str, str]]:
    yield "last events", "\n".join(map(_line, _last_told(emulator.stream.rows)))
    if stories := emulator.stories():
        yield "jobs concerned", stories
    if raised := _raised(emulator):
        yield "raised by your code", raised


def _last_told(rows: list[Row]) -> list[Event]:
    """Give the last events, without those that only say that all is well."""
    places = [place for place in range(len(rows)) if rows[place][1] not in _QUIET][-_LAST:]
    return [event for place in places for event in read(rows[place : place + 1], place + 1)]


def _line(event: Event) -> str:
    who = " ".join(part for part in (f"job {event.job}" if event.job else "", event.worker) if part)
    given = dict(event.details)
    if given.get("why"):
        given["why"] = why_in_words(given["why"], given.pop("values", NONE.values))
    told = {name: _shown(name, value) for name, value in given.items() if value not in ("", 0)}
    details = ", ".join(f"{name} {value}" for name, value in told.items())
    return f"{event.number:>6}  {say(event.at):>12}  {event.kind:<20} {who:<16} {details}".rstrip()


def _shown(name: str, value: object) -> object:
    """Write a tick as a time, and say none where a queue has no allowance of retries."""
    if name in TICKS and isinstance(value, int):
        return say(value)
    return "none" if name == "retries_left" and value == NO_ALLOWANCE else value


def _raised(emulator: Emulator) -> str:
    """Show, once for each different failure, who raised it first, how often it came, and where in the user's code."""
    raised: dict[tuple[str, str], list[tuple[str, BaseException]]] = {}
    for who, error in emulator.failures_by():
        raised.setdefault(("".join(format_exception_only(error)), place_raised(error)), []).append((who, error))
    told = []
    for first, *more in list(raised.values())[:_FAILURES]:
        who, error = first
        again = f", and {len(more):,} more time{'s' if len(more) > 1 else ''}" if more else ""
        told.append(f"{who}{again}:\n{last_lines(error)}")
    if len(raised) > _FAILURES:
        told.append(f"and {len(raised) - _FAILURES:,} more failures, each different: see `emu.failures`")
    return "\n".join(told)
