"""Which times in a scenario say something else than they seem to?"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from emulator.scenario.clock import Clock
from emulator.scenario.hazards.outlook import Loc, Outlook, Said, law_of, windows_of
from emulator.scenario.models.distribution import Distribution
from emulator.scenario.names import expand
from emulator.scenario.recurrence import Unclear, hints, unclear, usual
from emulator.scenario.schedules import is_on, switches, times_of
from emulator.timeline.ticks import DAY, say

__all__ = ["after_the_end", "clock_change", "crosses_clock_change", "nothing_comes", "recurrence_minute"]

_CLOCK_TIMES: Final = (
    *(("arrivals", "*", key) for key in ("at", "from", "until", "not_before")),
    *(("faults", "*", key) for key in ("at", "from", "until")),
    *(("actions", "*", key) for key in ("at", "until")),
    *(("access", "*", key) for key in ("given", "until")),
    *(("systems", "*", "outages", "*", key) for key in ("from", "until")),
    ("pools", "*", "joins"),
    ("pools", "*", "per_worker", "*", "joins"),
    ("pools", "*", "equipment_changes", "*", "at"),
)
"""Where a scenario may state a time on the clock."""


def after_the_end(outlook: Outlook) -> Iterator[Said]:
    """Something is stated for a time at which the run has ended."""
    for loc, tick in _moments(outlook):
        if tick >= outlook.scenario.lasts:
            yield (
                loc,
                f"{outlook.clock.local(tick):%Y-%m-%d %H:%M} is +{say(tick)} from the start, and the run ends at "
                f"+{say(outlook.scenario.lasts)}: this never happens",
            )


def _moments(outlook: Outlook) -> Iterator[tuple[Loc, int]]:
    scenario = outlook.scenario
    found: list[tuple[Loc, int | None]] = []
    for place, arrival in enumerate(scenario.arrivals):
        found += [(("arrivals", place, "at"), arrival.at), (("arrivals", place, "from"), arrival.begins)]
        found.append((("arrivals", place, "not_before"), arrival.not_before))
    for place, fault in enumerate(scenario.faults):
        found += [(("faults", place, "at"), fault.at), (("faults", place, "from"), fault.begins)]
    found += [(("actions", place, "at"), action.at) for place, action in enumerate(scenario.actions)]
    found += [(("access", place, "given"), grant.given) for place, grant in enumerate(scenario.access)]
    for name, system in scenario.systems.items():
        found += [(("systems", name, "outages", i, "from"), outage.begins) for i, outage in enumerate(system.outages)]
    for name, pool in scenario.pools.items():
        found.append((("pools", name, "joins"), pool.joins))
        found += [
            (("pools", name, "per_worker", worker, "joins"), one.joins) for worker, one in pool.per_worker.items()
        ]
        changes = enumerate(pool.equipment_changes)
        found += [(("pools", name, "equipment_changes", i, "at"), change.at) for i, change in changes]
    return ((loc, tick) for loc, tick in found if tick is not None)


def clock_change(outlook: Outlook) -> Iterator[Said]:
    """The clocks change: a stated time does not exist, or comes twice, or days of 24 hours lead to another."""
    clock = outlook.clock
    if len(shown := clock.instants(clock.starts)) != 1:
        yield ("starts",), _unclear(clock, clock.starts, shown, 0)
    for pattern in _CLOCK_TIMES:
        for loc, text in expand(outlook.data, pattern):
            if isinstance(text, str) and (found := clock.unclear(text)) and not _wished(outlook, loc, found[1]):
                yield loc, _unclear(clock, *found, clock.moment(text))
    yield from _recurrences(outlook)
    yield from _exact_days(outlook)
    for name, pool in outlook.scenario.pools.items():
        for loc, window in windows_of(name, pool):
            here = clock if window.zone is None else clock.in_zone(window.zone)
            for key, text in (("on", window.on), ("off", window.off)):
                for local, tick in switches(outlook.clock, window, text, outlook.scenario.lasts):
                    if 0 <= tick < outlook.scenario.lasts and len(shown := here.instants(local)) != 1:
                        yield (*loc, key), _unclear(here, local, shown, tick)


def _exact_days(outlook: Outlook) -> Iterator[Said]:
    """Tell the whole days of 24 hours after which the clock shows another time than before them."""
    clock = outlook.clock
    for loc, text in (found for pattern in _CLOCK_TIMES for found in expand(outlook.data, pattern)):
        if isinstance(text, str) and text.startswith("+") and text.endswith(("d", "w")):
            days, rest = divmod(ticks := clock.moment(text), DAY)
            if not rest and (shown := clock.local(ticks)).utcoffset() != clock.local(0).utcoffset():
                yield loc, _by_24_hours(text, shown, f"+P{days}D")
    for place, arrival in enumerate(outlook.scenario.arrivals):
        if arrival.every is not None and not arrival.every % DAY:
            ends = outlook.scenario.lasts if arrival.ends is None else min(arrival.ends, outlook.scenario.lasts)
            begins = clock.local(arrival.begins).utcoffset()
            due = (clock.local(tick) for tick in range(arrival.begins, ends, arrival.every))
            if (first := next((shown for shown in due if shown.utcoffset() != begins), None)) is not None:
                days = arrival.every // DAY
                step = f";INTERVAL={days}" if days > 1 else ""
                yield ("arrivals", place, "every"), _by_24_hours(say(arrival.every), first, f"recurs: FREQ=DAILY{step}")


def _by_24_hours(text: str, shown: datetime, instead: str) -> str:
    told = f"{text} counts 24 hours a day, and the clocks change meanwhile: it leads to {shown.isoformat()}"
    return f"{told}; for the same time on the clock write {instead}"


def _wished(outlook: Outlook, loc: Loc, shown: tuple[int, ...]) -> bool:
    """Say whether an arrival entry states what is wanted of a time that the clock never shows, or shows twice."""
    if (loc[0], loc[-1]) not in (("arrivals", "at"), ("arrivals", "recurs")):
        return False
    arrival = outlook.scenario.arrivals[int(loc[1])]
    return (arrival.in_double_hour if shown else arrival.in_missing_hour) is not None


def _recurrences(outlook: Outlook) -> Iterator[Said]:
    """Tell what recurrences name and the clock never shows, or shows twice, where nothing is stated of it."""
    clock, lasts = outlook.clock, outlook.scenario.lasts
    for place, arrival in enumerate(outlook.scenario.arrivals):
        ends = lasts if arrival.ends is None else min(arrival.ends, lasts)
        if arrival.count == 0:
            continue
        if arrival.recurs is not None:
            loc, what, wish = ("arrivals", place, "recurs"), arrival.recurs, usual(arrival.recurs)
            named = unclear(arrival.recurs, clock, ends, from_tick=arrival.begins, excluded=arrival.excludes)
        elif arrival.at is not None and arrival.days:
            loc, what, wish = ("arrivals", place, "at"), "at", ("shift", "first")
            named = list(_unclear_days(clock, arrival.at, lasts))
        else:
            continue
        for found in named:
            if _wished(outlook, loc, found.shown) or not is_on(arrival.days, found.local):
                continue
            as_usual = f"in_double_hour: {wish[1]}" if found.shown else f"in_missing_hour: {wish[0]}"
            names = f"{what} names {found.local}" + (f" (and {found.more} more)" if found.more else "")
            happens = "put back and shows twice" if found.shown else "put forward over"
            comes = " and ".join(clock.local(tick).isoformat() for tick in found.taken)
            then = f"it comes at {comes}" if comes else "it does not come"
            yield loc, f"{names}, which the clock in {clock.zone} is {happens}: {then} ({as_usual})"


def _unclear_days(clock: Clock, at: int, lasts: int) -> Iterator[Unclear]:
    """Give the days after the first on which the clock never shows the time of `at`, or shows it twice."""
    for number, local in enumerate(times_of(at, clock, lasts)):
        shown, taken = clock.instants(local), clock.ticks_at(local)
        if number and len(shown) != 1 and taken and taken[0] < lasts:
            yield Unclear(local, shown, taken, 0)


def _unclear(clock: Clock, local: datetime, shown: tuple[int, ...], taken: int) -> str:
    taken_is, stated = clock.local(taken).isoformat(), local.isoformat(" ")
    if not shown:
        return f"the clock in {clock.zone} is put forward over {stated}, which it never shows: {taken_is} is taken"
    other = clock.local(shown[-1]).isoformat()
    return f"the clock in {clock.zone} is put back and shows {stated} twice: {taken_is} is taken, and not {other}"


def crosses_clock_change(outlook: Outlook) -> Iterator[Said]:
    """A fault or an action begins before the clocks change and ends after that."""
    clock, lasts = outlook.clock, outlook.scenario.lasts
    for loc, key, begins, ends in _spans(outlook):
        ends = min(ends, lasts)
        change = clock.local(ends).utcoffset() if begins < ends else None
        before = clock.local(begins).utcoffset()
        if change is None or before is None or change == before:
            continue
        forward, shift = change > before, abs(change - before) // _TICK
        moved = f"the clocks are put {'forward' if forward else 'back'} by {say(shift)} in between"
        shown = (ends - begins) + (shift if forward else -shift)
        span = f"from {clock.local(begins):%H:%M} to {clock.local(ends):%H:%M}"
        if key == "until":
            what = f"it lasts {say(ends - begins)}, and not the {say(max(shown, 0))} that the clock shows"
        else:
            what = f"it lasts {say(ends - begins)}, and the clock shows {say(max(shown, 0))}"
        yield (*loc, key), f"{span} {moved}: {what}"


def _spans(outlook: Outlook) -> Iterator[tuple[Loc, str, int, int]]:
    """List what faults and actions state of their beginning and end: place, the key of the end, the two ticks.

    A length that is drawn is taken at its p95; random processes are left aside.
    """
    for place, fault in enumerate(outlook.scenario.faults):
        begins = fault.at if fault.at is not None else fault.begins or 0
        if fault.gaps is None:
            yield from _ended(("faults", place), begins, fault.ends, fault.lasts, fault.back_after)
    for place, action in enumerate(outlook.scenario.actions):
        lasts = None if action.lasts is None else Distribution(constant=action.lasts)
        yield from _ended(("actions", place), action.at, action.ends, lasts, action.back_after)


def _ended(
    loc: Loc, begins: int, ends: int | None, lasts: Distribution | None, back_after: Distribution | None
) -> Iterator[tuple[Loc, str, int, int]]:
    if ends is not None:
        yield loc, "until", begins, ends
    for key, law in (("lasts", lasts), ("back_after", back_after)):
        if law is not None:
            yield loc, key, begins, begins + law_of(law).p95()


_TICK: Final = timedelta(microseconds=1)


def nothing_comes(outlook: Outlook) -> Iterator[Said]:
    """An arrival entry brings no job before the end."""
    lasts = outlook.scenario.lasts
    for place, arrival in enumerate(outlook.scenario.arrivals):
        begins, ends = arrival.begins, lasts if arrival.ends is None else min(arrival.ends, lasts)
        if arrival.count == 0 or begins >= lasts:
            continue
        if arrival.recurs is not None and not outlook.due(arrival):
            span = f"from {outlook.clock.local(begins):%Y-%m-%d %H:%M} to {outlook.clock.local(ends):%Y-%m-%d %H:%M}"
            yield ("arrivals", place, "recurs"), f"{arrival.recurs} does not occur {span}: no job comes"
        elif arrival.gaps is not None and (least := law_of(arrival.gaps).least()) >= ends - begins:
            told = f"the first gap is at least {say(round(least))}, and the time for it is {say(ends - begins)}"
            yield ("arrivals", place, "gaps"), f"{told}: no job comes"


def recurrence_minute(outlook: Outlook) -> Iterator[Said]:
    """A recurrence takes its minute from the start of the scenario."""
    for place, arrival in enumerate(outlook.scenario.arrivals):
        if arrival.recurs is not None:
            for hint in hints(arrival.recurs, outlook.clock, arrival.begins):
                yield ("arrivals", place, "recurs"), hint
