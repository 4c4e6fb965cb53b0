"""Lists what was assumed: the head of every page, its block of settings with their sources, clock changes.

Every word of it is read from the scenario as it was run. A value whose source nobody stated says so.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from itertools import groupby, pairwise
from typing import Final

from emulator.measure.words import duration
from emulator.scenario.clock import Clock
from emulator.scenario.fault_kinds import FAULT_KINDS
from emulator.scenario.load import Loaded
from emulator.scenario.stated import NOT_STATED, Assumed, Stated, Varied, stated
from emulator.show.html import clean, folded, name, section, text
from emulator.show.words import fault_words
from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND

__all__ = [
    "assumed",
    "changes_in_words",
    "digest",
    "faults_called",
    "full_hours",
    "head_block",
    "offsets",
    "settings_block",
]


_MOST_HOURS: Final = 12


def offsets(clock: Clock, horizon: int) -> list[list[int]]:
    """Give from which tick on the local clock is how many seconds ahead of universal time."""
    found: list[list[int]] = []
    step = max(15 * MINUTE, horizon // 4_000)
    for tick in [*range(0, horizon, step), horizon]:
        seconds = _seconds(clock, tick)
        if not found:
            found.append([0, seconds])
        elif seconds != found[-1][1]:
            low, high = max(0, tick - step), tick
            while high - low > SECOND:
                middle = (low + high) // 2
                low, high = (middle, high) if _seconds(clock, middle) == found[-1][1] else (low, middle)
            found.append([-(-low // SECOND) * SECOND, seconds])
    return found


def _seconds(clock: Clock, tick: int) -> int:
    offset = clock.local(tick).utcoffset()
    assert offset is not None, "the scenario's clock has a zone"
    return int(offset.total_seconds())


def full_hours(clock: Clock, horizon: int) -> tuple[tuple[int, str], ...]:
    """Give full hours of the local clock within a night, a dozen at most, each as its tick and what the clock shows.

    >>> from datetime import datetime
    >>> full_hours(Clock(datetime(2026, 6, 12, 21, 30), "UTC"), 2 * HOUR)
    ((1800000000, '22:00'), (5400000000, '23:00'))
    >>> [shown for _, shown in full_hours(Clock(datetime(2026, 6, 12, 12), "UTC"), 40 * DAY)][:2]  # every four days
    ['Fri 12:00', 'Tue 12:00']
    """
    start = clock.local(0)
    first = (HOUR - (start.minute * MINUTE + start.second * SECOND + start.microsecond)) % HOUR
    step = next(
        (size * HOUR for size in (1, 2, 3, 6, 12, 24) if horizon // (size * HOUR) < _MOST_HOURS),
        -(-horizon // (_MOST_HOURS - 1) // DAY) * DAY,
    )
    shown = "%a %H:%M" if horizon > DAY else "%H:%M"
    return tuple((tick, f"{clock.local(tick):{shown}}") for tick in range(first, horizon + 1, step))


def changes_in_words(clock: Clock, horizon: int) -> list[str]:
    """Say each change of the clock: when, by how much, and what it shows then.

    >>> from datetime import datetime
    >>> from emulator.timeline.ticks import HOUR
    >>> changes_in_words(Clock(datetime(2026, 3, 28, 22), "Europe/London"), 9 * HOUR)
    ['2026-03-29 at 01:00 the clock goes forward by 1 h, to 02:00']
    >>> changes_in_words(Clock(datetime(2026, 10, 24, 22), "Europe/London"), 9 * HOUR)
    ['2026-10-25 at 02:00 the clock goes back by 1 h, to 01:00']
    """
    steps = offsets(clock, horizon)
    found = []
    for (_, before), (tick, after) in pairwise(steps):
        shown = clock.local(tick - SECOND) + timedelta(seconds=1)  # on the wall, as if nothing had changed
        until = clock.local(tick)
        way = "forward" if after > before else "back"
        by = duration(abs(after - before) * SECOND)
        found.append(f"{until:%Y-%m-%d} at {shown:%H:%M} the clock goes {way} by {by}, to {until:%H:%M}")
    return found


_TITLE: Final = "Settings and assumptions"
_MOST_VALUES: Final = 60
"""With more values they are folded."""


def assumed(loaded: Loaded, others: Iterable[tuple[str, str]] = (), variants: tuple[Varied, ...] = ()) -> Assumed:
    """Read what a night of a scenario rests on.

    Args:
        loaded: the scenario, under the variant that is run.
        others: further files, each with its text ("" for settings of no file).
        variants: what each variant of a comparison sets.
    """
    start, lasts = loaded.clock.local(0), loaded.scenario.lasts
    files = dict([(loaded.name, loaded.text), *loaded.bases.items(), *others])
    return Assumed(
        f"{start:%A, %Y-%m-%d %H:%M:%S}, for {duration(lasts)}",
        f"{loaded.clock.zone} (UTC{start.isoformat()[-6:]})",
        tuple(changes_in_words(loaded.clock, lasts)),
        tuple((file, digest(said)) for file, said in files.items()),
        tuple(map(str, loaded.changes)),
        tuple(stated(loaded, faults_called(loaded))),
        variants,
        lasts,
        full_hours(loaded.clock, lasts),
    )


def faults_called(loaded: Loaded) -> list[str]:
    """Say in words what each fault of a scenario is, in its order: ``dome-1 loses power``."""
    return [_called(entry) for entry in loaded.data.get("faults") or ()]


def _called(entry: Mapping[str, object]) -> str:
    kind = next(key for key in entry if key in FAULT_KINDS)
    target = entry[kind]
    if isinstance(target, Mapping):
        some = target.get("some", "some")
        target = f"{some if isinstance(some, int) else 'some'} of {target['pool']}"
    who = [str(one) for one in target] if isinstance(target, list | tuple) else [str(target)]
    return fault_words(kind, who)


def digest(said: str) -> str:
    """Give the SHA-256 of a text in UTF-8; "" for none."""
    return hashlib.sha256(said.encode()).hexdigest() if said else ""


def head_block(of: Assumed | None, seeds: str, versions: Mapping[str, str], again: str = "") -> str:
    """Write what stands at the head of a page, below its answer: of which nights it tells, and how to run them again.

    Args:
        of: what the nights rest on; None where nobody has told.
        seeds: of the nights, in words: ``seed 1``, ``seeds 1 to 30``.
        versions: what they were made with, by name.
        again: the command that runs them again; "" for none.
    """
    rows = (
        []
        if of is None
        else [
            ("date", text(of.date)),
            ("zone", f"{text(of.zone)}; {text('; '.join(of.clock_changes) or 'no clock change')}"),
            *(("file", f"{name(file)}, {_digest(sum_)}") for file, sum_ in of.files),
        ]
    )
    rows.append(("played", text(seeds)))
    if versions:
        rows.append(("version", ", ".join(f"{text(one)} {text(version)}" for one, version in versions.items())))
    if of is not None:
        changes = ", ".join(f"<code>{text(clean(one))}</code>" for one in of.changes)
        rows.append(("set on the command line", changes or "nothing"))
    rows += [("run it again", f"<code>{text(clean(again))}</code>")] if again else []
    return f'<dl class="head">{_pairs(rows)}</dl>'


def settings_block(of: Assumed) -> str:
    """Write the settings: of each queue, pool, routine and fault its values, those of one source on one line.

    More values than a reader would read are folded.
    """
    rows = [
        (
            text(clean(entry)),
            "<br>".join(_from(source, list(same)) for source, same in groupby(_by_source(its), _source)),
        )
        for entry, its in groupby(of.values, key=lambda one: one.entry)
    ]
    body = f"<dl>{_pairs(rows)}</dl>" + _variants(of)
    bare = sum(1 for one in of.values if one.source == NOT_STATED)
    if len(of.values) <= _MOST_VALUES:
        return section(_TITLE, body, "settings")
    return folded(f"{_TITLE}: {len(of.values)} values, {bare or 'none'} without a source", body, "settings")


def _variants(of: Assumed) -> str:
    """Write what each variant sets: of the baseline all that some variant changes, of the others what differs."""
    if not of.varied:
        return ""
    base = of.varied[0].values
    items = []
    for place, one in enumerate(of.varied):
        its = [f"{path} {said}" for path, said in one.values.items() if not place or said != base.get(path)]
        items.append(f"<li>{name(one.variant)}: {'; '.join(map(name, its)) or 'nothing else'}</li>")
    return (
        f'<h3>What each variant sets</h3><ul class="many">{"".join(items)}</ul>'
        f"<p><small>What is not named is as in {name(of.varied[0].variant)}.</small></p>"
    )


def _pairs(rows: Iterable[tuple[str, str]]) -> str:
    return "".join(f"<dt>{what}</dt><dd>{words}</dd>" for what, words in rows)


def _digest(of: str) -> str:
    return f"SHA-256 <code>{of}</code>" if of else "no file"


def _source(one: Stated) -> str:
    return one.source


def _by_source(values: Iterable[Stated]) -> list[Stated]:
    """Put values of one source together, in the order in which sources come."""
    found = list(values)
    order = list(dict.fromkeys(one.source for one in found))
    return sorted(found, key=lambda one: order.index(one.source))


def _from(source: str, values: Sequence[Stated]) -> str:
    said = "; ".join(name(f"{one.what} {one.value}".strip()) for one in values)
    return f"{said} <small>({text(source)})</small>"
