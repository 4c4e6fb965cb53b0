"""Runs a night under the keys of a viewer, which decide how far it may go at present.

The law: keys decide when things are seen, never what happens. There is no terminal and no clock in here: real time
comes in as whole microseconds, and what comes out is the tick up to which the night may go.

The virtual-time loop is in its manual pace, so that the clock moves only as far as the keys and the time on the wall
allow; everything due until then runs in its order. So what is watched has the same events as any other run.
"""

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final, Literal, Protocol

from emulator.experiment.night import NightResult, Settle, run_night
from emulator.measure.live_state import LiveState
from emulator.measure.story.facts import settings_of
from emulator.record.event_view import AT, KIND
from emulator.record.events import Row
from emulator.scenario.clock import Clock
from emulator.scenario.fault_kinds import FAULT_KINDS
from emulator.scenario.load import Loaded, varied
from emulator.scenario.models import Scenario
from emulator.scenario.models.faults import kind_of
from emulator.scenario.variants import chosen
from emulator.show.watch import Ahead, Sight, day_of, note
from emulator.timeline.loop import VirtualLoop
from emulator.timeline.ticks import MINUTE, SECOND
from emulator.world.faults import aim_of

__all__ = [
    "KEYS",
    "SPEEDS",
    "Aim",
    "RunControl",
    "StoppedError",
    "Viewer",
    "faults_ahead",
    "told_night",
    "usual_speed",
    "watch_night",
]


Aim = Literal["", "event", "fault", "end"]
"""Where the night is going as fast as it goes; "": nowhere, it keeps to its speed."""

SPEEDS: Final = (
    *(0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1_200.0, 1_800.0, 3_600.0),
    *(7_200.0, 14_400.0, 36_000.0, 86_400.0),
)
"""Times real time: what the keys for faster and slower go through."""

KEYS: Final = (
    ("space", "pause"),
    ("+", "faster"),
    ("-", "slower"),
    ("n", "next event"),
    ("f", "next fault"),
    ("e", "end"),
    ("q", "stop"),
)
"""Each key and what it does, as people are told."""

_LONGEST: Final = SECOND // 4
"""Real time that counts at most between two looks: after a longer one the machine slept, or was too slow."""


def usual_speed(lasts: int) -> float:
    """Give the speed at which a night takes a minute, or a little more, but never three (unless it is days long).

    >>> usual_speed(6 * 3_600 * 1_000_000), usual_speed(3_600 * 1_000_000)
    (300.0, 60.0)
    """
    return SPEEDS[max(0, bisect_right(SPEEDS, lasts / MINUTE) - 1)]


class RunControl:
    """The speed of a night, whether it is paused, and where it is going.

    Args:
        speed: seconds of virtual time to each real second, above 0.
        faults: whether the scenario has faults that could be waited for.

    Attributes:
        speed: as it is now. paused: whether the night stands still. aim: where it goes at full speed.
        stopped: whether somebody wants to see no more. message: what is to be said of the last key, if anything.
        behind: whether this machine is too slow for the speed.

    >>> control = RunControl(60.0); control.press("+"); control.reach(0, 100_000, last=3_600_000_000)
    12000000
    >>> control.press(" "); control.reach(12_000_000, 100_000, last=3_600_000_000)
    12000000
    """

    def __init__(self, speed: float, *, faults: bool = True) -> None:
        self.speed = speed
        self.paused = False
        self.aim: Aim = ""
        self.stopped = False
        self.message = ""
        self.behind = False
        self._faults = faults
        self._met = False

    def press(self, key: str) -> None:
        """Do what a key says; any other key does nothing."""
        key = {"p": " ", "=": "+", "_": "-"}.get(key.lower(), key.lower())
        if key not in (" ", "+", "-", "n", "f", "e", "q"):
            return
        self.message = ""
        if key == " ":
            self.paused = not self.paused if not self.aim else True
            self.aim = ""
        elif key == "+":
            self._change_speed(bisect_right(SPEEDS, self.speed), "this is the fastest; e goes straight to the end")
        elif key == "-":
            self._change_speed(bisect_left(SPEEDS, self.speed) - 1, "this is the slowest; space pauses")
        elif key == "n":
            self._go("event")
        elif key == "e":
            self._go("end")
        elif key == "q":
            self.stopped = True
        elif self._faults:
            self._go("fault")
        else:
            self.message = "this scenario has no faults"

    def reach(self, now: int, passed: int, last: int) -> int:
        """Give the tick up to which the night may go on.

        Args:
            now: the present tick.
            passed: microseconds of real time since the last time this was asked.
            last: the last tick of the night.
        """
        if self.aim:
            return last
        if self.paused:
            return now
        return min(last, now + round(min(passed, _LONGEST) * self.speed))

    def see(self, *, of_note: bool, fault: bool) -> None:
        """Note that an event came: whether it is worth a line, and whether it is the beginning of a fault."""
        if (self.aim == "event" and of_note) or (self.aim == "fault" and fault):
            self._met = True

    def arrives(self) -> bool:
        """Say whether what was looked for has come; then the night is paused. Asked at the end of each instant."""
        if not self._met:
            return False
        self._met, self.aim, self.paused = False, "", True
        return True

    def is_over(self) -> bool:
        """Say, at the last tick, whether the night is over; somebody who looked in vain is told first."""
        if self.aim in ("event", "fault"):
            self.message = f"no {self.aim} comes any more: space or e ends the night"
            self.aim, self.paused = "", True
        return not self.paused

    def _go(self, aim: Aim) -> None:
        self.aim, self.paused, self._met = aim, False, False

    def _change_speed(self, place: int, at_the_limit: str) -> None:
        if 0 <= place < len(SPEEDS):
            self.speed = SPEEDS[place]
        else:
            self.message = at_the_limit


_EVENTS_KEPT: Final = 500
"""So many lines of events are kept for the picture."""
_SLICE: Final = 50_000
"""Microseconds of real time after which keys are asked for, however much there is to do."""
_FRAME: Final = 0.05
"""Seconds of real time between two looks at the keys, while there is nothing to do."""


class Viewer(Protocol):
    """Where a night is seen, and whose keys are asked for."""

    def clock(self) -> int:
        """Give real time in microseconds, from any moment on."""
        ...

    def keys(self, seconds: float) -> Iterable[str]:
        """Wait so long for keys, and give those that were pressed."""
        ...

    def show(self, sight: Sight) -> None:
        """Show the night as it is."""
        ...


class StoppedError(Exception):
    """Somebody wanted to see no more before the night was over.

    Attributes:
        at: the tick that it had come to.
    """

    def __init__(self, at: int) -> None:
        super().__init__(f"stopped at tick {at}")
        self.at = at


class _Seen:
    """A sink that keeps what the picture shows."""

    def __init__(self, scenario: Scenario, control: RunControl, clock: Clock) -> None:
        workers = settings_of(scenario).workers
        self.live = LiveState(
            tuple(workers),
            scenario.lasts,
            slots={name: worker.slots for name, worker in workers.items()},
            takes_slots={name: routine.takes_slots for name, routine in scenario.routines.items()},
        )
        self.notes: deque[tuple[int, str, str]] = deque(maxlen=_EVENTS_KEPT)
        self._control, self._clock = control, clock

    def emit(self, row: Row) -> int:
        live = self.live
        live.take(row)
        said = note(row, live.name, self._clock)
        if said is not None:
            self.notes.append((row[AT], row[KIND], said))
        self._control.see(of_note=said is not None, fault=row[KIND] == "fault_began")
        return live.events


def watch_night(
    loaded: Loaded,
    viewer: Viewer,
    *,
    seed: int | None = None,
    variant: str = "",
    log: Path | None = None,
    overwrite: bool = False,
    speed: float | None = None,
    keep_events: bool = False,
) -> NightResult:
    """Run one night as ``run_night`` does, as fast as a viewer lets it go: the same scenario and seed, the same events.

    Args:
        loaded: the scenario.
        viewer: shows it, and gives the keys.
        seed, variant, log, overwrite, keep_events: as for ``run_night``.
        speed: seconds of virtual time to each real second, above 0; by default the night takes a minute or two.

    Raises:
        StoppedError: when the viewer wants to see no more.
        InputError, LogError, DefectError: as by ``run_night``.
    """
    variant = chosen(loaded, variant)
    shown = varied(loaded, loaded.patches[variant], variant) if variant else loaded
    scenario = shown.scenario
    control = RunControl(speed or usual_speed(scenario.lasts), faults=bool(scenario.faults))
    seen = _Seen(scenario, control, shown.clock)
    ahead, unannounced = faults_ahead(scenario)
    last = scenario.lasts - 1

    def show(now: int) -> None:
        seen.live.pass_to(now)
        viewer.show(
            Sight(
                title=shown.title + (f", variant '{variant}'" if variant else ""),
                seed=scenario.seed if seed is None else seed,
                clock=shown.clock,
                now=now,
                ends=scenario.lasts,
                live=seen.live,
                notes=seen.notes,
                speed=control.speed,
                paused=control.paused,
                aim=control.aim,
                behind=control.behind,
                message=control.message,
                ahead=tuple(fault for fault in ahead if fault.at > now),
                unannounced=unannounced,
                keys=KEYS,
            )
        )

    async def drive(settle: Settle) -> None:
        await VirtualLoop.of().advance(0)  # what happens when the night begins
        show(0)
        before, now = viewer.clock(), 0
        while now < last or not control.is_over():
            for key in viewer.keys(0.0 if control.aim else _FRAME):
                control.press(key)
            if control.stopped:
                raise StoppedError(now)
            real = viewer.clock()
            now = await _go_on(control, control.reach(now, real - before, last), viewer)
            before = real
            await settle()
            show(now)

    return run_night(
        loaded,
        seed=seed,
        variant=variant,
        log=log,
        overwrite=overwrite,
        keep_events=keep_events,
        also_to=seen,
        drive=drive,
    )


async def _go_on(control: RunControl, reach: int, viewer: Viewer) -> int:
    """Go from instant to instant up to a tick, but no further than what is looked for, and not for too long.

    Gives the tick that was reached.
    """
    loop = VirtualLoop.of()
    agenda, until = loop.agenda, viewer.clock() + _SLICE
    await loop.advance(0)  # whatever there is to do, Ctrl-C gets in here
    control.behind = False
    while agenda.now < reach:
        head = agenda.peek()
        due = reach if head is None else min(reach, head[0])
        await loop.advance(due - agenda.now)
        if control.arrives():
            break
        if viewer.clock() >= until:
            control.behind = agenda.now < reach and not control.aim
            break
    return agenda.now


def faults_ahead(scenario: Scenario) -> tuple[tuple[Ahead, ...], bool]:
    """Give the faults whose time the scenario states, in order, and whether there are others that come at random."""
    stated, unannounced = [], False
    for fault in scenario.faults:
        kind, whom = aim_of(fault)
        begins = fault.at if fault.at is not None else fault.begins
        if fault.gaps is not None or fault.late_by is not None or fault.share_of_nights < 1:
            unannounced = True
        elif begins is not None and kind_of(fault, FAULT_KINDS) != "poison_job":
            stated.append(Ahead(begins, kind, whom))
    return tuple(sorted(stated)), unannounced


def told_night(
    loaded: Loaded,
    write: Callable[[str], object],
    *,
    seed: int | None = None,
    variant: str = "",
    log: Path | None = None,
    overwrite: bool = False,
    speed: float | None = None,
    keep_events: bool = False,
) -> NightResult:
    """Run one night and write a line for each notable event as it comes.

    Args:
        loaded: the scenario.
        write: takes each line, its end included.
        speed: seconds of virtual time to each real second, above 0; by default as fast as possible.
        seed, variant, log, overwrite, keep_events: as for ``run_night``.

    Raises:
        InputError, LogError, DefectError: as by ``run_night``.
    """
    return run_night(
        loaded,
        seed=seed,
        variant=variant,
        log=log,
        overwrite=overwrite,
        pace=speed,
        keep_events=keep_events,
        also_to=_Told(loaded, write),
    )


class _Told:
    """A sink that writes a line for each notable event."""

    def __init__(self, loaded: Loaded, write: Callable[[str], object]) -> None:
        self._live = LiveState((), loaded.scenario.lasts)
        self._clock = loaded.clock
        self._write = write
        self._day = ""

    def emit(self, row: Row) -> int:
        self._live.take(row)
        if (said := note(row, self._live.name, self._clock)) is not None:
            local = self._clock.local(row[AT])
            if (day := day_of(self._clock, row[AT])) != self._day:
                self._day = day
                self._write(f"{day}\n")
            self._write(f"{local:%H:%M:%S}  {said}\n")
        return self._live.events
