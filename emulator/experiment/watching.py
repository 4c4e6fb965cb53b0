"""How does a night go on under the eyes of somebody who has keys for it?

The law: the virtual-time loop is in its manual pace, so that the clock moves only as far as the keys and the time on
the wall allow; everything due until then runs in its order. So what is watched has the same events as any other run.
"""

from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final, Protocol

from emulator.experiment.night import Settle, run_night
from emulator.experiment.result import NightResult
from emulator.experiment.run_control import KEYS, RunControl, usual_speed
from emulator.measure.live_state import LiveState
from emulator.measure.story.settings import settings_of
from emulator.record.event_view import AT, KIND
from emulator.record.events import Row
from emulator.scenario.clock import Clock
from emulator.scenario.fault_kinds import FAULT_KINDS
from emulator.scenario.load import Loaded, varied
from emulator.scenario.models import Scenario
from emulator.scenario.models.faults import kind_of
from emulator.scenario.variants import chosen
from emulator.show.watch.notes import day_of, note
from emulator.show.watch.picture import Ahead, Sight
from emulator.timeline.loop import VirtualLoop
from emulator.world.fault_times import aim_of

__all__ = ["StoppedError", "Viewer", "faults_ahead", "told_night", "watch_night"]

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
        self.present = LiveState(
            tuple(workers),
            scenario.lasts,
            slots={name: worker.slots for name, worker in workers.items()},
            takes_slots={name: routine.takes_slots for name, routine in scenario.routines.items()},
        )
        self.notes: deque[tuple[int, str, str]] = deque(maxlen=_EVENTS_KEPT)
        self._control, self._clock = control, clock

    def emit(self, row: Row) -> int:
        present = self.present
        present.take(row)
        said = note(row, present.name, self._clock)
        if said is not None:
            self.notes.append((row[AT], row[KIND], said))
        self._control.see(of_note=said is not None, fault=row[KIND] == "fault_began")
        return present.events


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
        seen.present.pass_to(now)
        viewer.show(
            Sight(
                title=shown.title + (f", variant '{variant}'" if variant else ""),
                seed=scenario.seed if seed is None else seed,
                clock=shown.clock,
                now=now,
                ends=scenario.lasts,
                present=seen.present,
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
        self._present = LiveState((), loaded.scenario.lasts)
        self._clock = loaded.clock
        self._write = write
        self._day = ""

    def emit(self, row: Row) -> int:
        self._present.take(row)
        if (said := note(row, self._present.name, self._clock)) is not None:
            local = self._clock.local(row[AT])
            if (day := day_of(self._clock, row[AT])) != self._day:
                self._day = day
                self._write(f"{day}\n")
            self._write(f"{local:%H:%M:%S}  {said}\n")
        return self._present.events
