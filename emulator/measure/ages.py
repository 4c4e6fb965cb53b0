"""Tells how old the last good result on each target, and of each set of targets, is at its oldest in a night.

At any instant the age of an effect on a target is the time since its newest good result was *as of*: since the part
that made it began, for what that part read may have changed ever since. Newest is what was begun last, so that a result
that lands late, begun before another, never makes a target younger. A landing is good unless the attempt that made it
ended in that very part in an error or at its time limit, be it before the landing or after it. What a worker left
behind that was lost before it could tell is good: the effect stands. A refusal, an error, a part that found its effect
there reset nothing.

A set is what the jobs of one arrival entry leave on a group of targets. It counts from when the job is done, itself or
resubmitted, and is as old as the oldest of its members. What was there before the night is not known unless the
scenario says it (``since``); the age is then at least the time since the start. Time is elapsed time, also in a night
in which the clocks change.

The jobs of a night are kept in few bytes: one row of whole numbers each, packed, in the order of their numbers. What
can be told from a row's place, or is the same for nearly every job, is not stored: the number of a job is its place,
and only a job that was resubmitted has an entry that tells where it goes back to. A row comes to be when its job does,
blank; how many effects the job left is counted there from then on, the rest is written when it is final.
"""

from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from struct import Struct
from typing import Any, Final, NamedTuple

from emulator.errors import InputError
from emulator.records import record
from emulator.scenario.stated import UNKNOWN, Aim

__all__ = [
    "ATTEMPTS",
    "AT_A_TIME",
    "DUE",
    "EFFECTS",
    "FAMILY",
    "FINAL",
    "FINISHED",
    "FIRST_OUT",
    "KIND",
    "NUMBER",
    "ORDINAL",
    "PACK",
    "PLAIN",
    "ROW",
    "RUN",
    "STORED",
    "SUBMITTED",
    "WORKER",
    "Age",
    "JobTable",
    "Landings",
    "Results",
    "ages",
]


# The columns. Ticks are -1 where the thing has not happened.
SUBMITTED: Final = 0
DUE: Final = 1  # from when it waits: submitted, or the end of the hold until it is due
FIRST_OUT: Final = 2  # first handed out (hand-outs that were given back unstarted left aside)
FINISHED: Final = 3
RUN: Final = 4  # run time of the ok attempt; of an unfinished job: of the attempt in progress, up to the horizon
KIND: Final = 5  # place in Night.kinds
ORDINAL: Final = 6
ATTEMPTS: Final = 7
WORKER: Final = 8  # place in Night.workers of the last one it was handed to
FINAL: Final = 9  # place in Night.finals
PLAIN: Final = 10  # 1: it waited from when it was submitted until it was first handed out, and at no other time
STORED: Final = 11
"""So many columns are written when a job is final."""
EFFECTS: Final = 11  # how many effects it left
# What no row holds.
NUMBER: Final = 12
FAMILY: Final = 13  # the job that it goes back to; itself if it was not resubmitted

_FORMATS: Final = "qqqqqiiiiHHi"
_STORED: Final = Struct(f"={_FORMATS[:STORED]}")
_FIELDS: Final = tuple((Struct(code), Struct(f"={_FORMATS[:column]}").size) for column, code in enumerate(_FORMATS))
PACK: Final = _STORED.pack_into
"""Writes all that is stored but the effects: ``PACK(table.rows, (job - table.first) * ROW, *values)``."""
ROW: Final = Struct(f"={_FORMATS}").size
AT_A_TIME: Final = 1024
"""Room is made for so many rows at a time, up to a number that divides by it: a power of two."""


class JobTable:
    """The rows of a night's jobs, the first of which is usually job 1.

    >>> table = JobTable(); table.begin(7); table.count_effect(7)
    >>> table.write(7, [10, 10, 15, 40, 25, 0, 4, 1, 0, 1, 1]); table.cut(8)
    >>> len(table), table.value(7, FINISHED), table.value(7, EFFECTS), table.value(7, NUMBER), table.column(RUN)
    (1, 40, 1, 7, array('q', [25]))
    """

    __slots__ = ("families", "first", "rows")

    def __init__(self) -> None:
        self.rows = bytearray()
        self.families: dict[int, int] = {}
        self.begin(1)

    def begin(self, first: int) -> None:
        """Let the table, of which no row is written yet, begin with a job."""
        self.first = first
        self.rows.clear()
        self.make_room(first)

    def __len__(self) -> int:
        return len(self.rows) // ROW

    def __eq__(self, other: object) -> bool:
        return isinstance(other, JobTable) and (self.first, self.rows, self.families) == (
            other.first,
            other.rows,
            other.families,
        )

    __hash__ = None  # type: ignore[assignment]  # its rows change

    def make_room(self, number: int) -> None:
        """Add blank rows for this job and all after it, up to the next number that divides by 1024."""
        end = (number | (AT_A_TIME - 1)) + 1
        self.rows.extend(bytes(max(0, (end - self.first) * ROW - len(self.rows))))

    def cut(self, end: int) -> None:
        """Take away the rows from this job on: it, and those after it, never came."""
        del self.rows[(end - self.first) * ROW :]

    def write(self, number: int, values: Sequence[Any]) -> None:
        """Write all that is stored of a job but its effects."""
        PACK(self.rows, (number - self.first) * ROW, *values)

    def count_effect(self, number: int) -> None:
        """Count one effect more."""
        field, offset = _FIELDS[EFFECTS]
        place = (number - self.first) * ROW + offset
        field.pack_into(self.rows, place, field.unpack_from(self.rows, place)[0] + 1)

    def restored(self, number: int) -> list[Any]:
        """Give what was written of a job."""
        return [*_STORED.unpack_from(self.rows, (number - self.first) * ROW)]

    def value(self, number: int, column: int) -> int:
        """Give one number of one job."""
        if column == NUMBER:
            return number
        if column == FAMILY:
            return self.families.get(number, number)
        field, offset = _FIELDS[column]
        return field.unpack_from(self.rows, (number - self.first) * ROW + offset)[0]  # type: ignore[no-any-return]  # struct gives Any

    def column(self, column: int) -> "array[int]":
        """Give one number of every job, in the order of their numbers; the array is the caller's own."""
        if column >= NUMBER:
            found = array("q", range(self.first, self.first + len(self)))
            for number, family in self.families.items() if column == FAMILY else ():
                found[number - self.first] = family
            return found
        field, offset = _FIELDS[column]
        if not self.rows:
            return array(field.format)
        every: array[int] = array(field.format)
        every.frombytes(self.rows)
        return every[offset // field.size :: ROW // field.size]


_FAILED: Final = ("error", "permanent_error", "time_limit")

Pairs = Sequence[tuple[int, int]]
"""(tick from which a result counts, tick as of which it is), in the order in which they came."""


class Results(NamedTuple):
    """What good results a night left: on each (effect, target), and of each set (entry, effect, targets)."""

    on_targets: Mapping[tuple[str, str], Pairs]
    of_sets: Mapping[tuple[str, str, tuple[str, ...]], Pairs]


class Landings:
    """Gathers what lands, while the events of a night are folded."""

    __slots__ = ("_begun", "_failed", "_kinds", "_rows")

    def __init__(self) -> None:
        self._begun: dict[tuple[int, str], tuple[int, int]] = {}
        self._failed: set[tuple[int, str, int]] = set()
        self._kinds: dict[tuple[str, str, str], int] = {}
        self._rows = array("q")  # numbers alone: an object for each landing would outweigh the jobs

    def begins(self, token: int, worker: str, at: int) -> None:
        """A worker begins to work under a token: its first part begins."""
        if self._begun.get((token, worker), (-1, 0))[0] < at:  # one that is taken up late has gone further
            self._begun[token, worker] = (at, 0)

    def goes_on(self, token: int, worker: str, at: int) -> None:
        """It has finished a part: the next begins."""
        self._begun[token, worker] = (at, self._begun.get((token, worker), (0, 0))[1] + 1)

    def ends(self, token: int, worker: str, outcome: str) -> None:
        """An attempt has ended: what its last part left is no good result if it failed."""
        if outcome in _FAILED:
            self._failed.add((token, worker, self._begun.get((token, worker), (0, 0))[1]))

    def lands(self, row: tuple[int, int, int, str, str, str], began: int) -> None:
        """An effect has landed: (tick, job, token, worker, effect, target).

        ``began``: since when the worker works, if nothing else is told of it.
        """
        at, number, token, worker, effect, target = row
        as_of, part = self._begun.get((token, worker), (began, 0))
        kind = self._kinds.setdefault((worker, effect, target), len(self._kinds))
        self._rows.extend((at, number, token, kind, as_of, part))

    def results(self, table: JobTable, entries: Sequence[str], done: int) -> Results:
        """Give the good results, at the end of the night.

        Args:
            table: the rows of its jobs. entries: by kind of job, the arrival entry.
            done: the place of the final state "done".
        """
        kinds = tuple(self._kinds)
        done_at = _first_done(table, done) if self._rows else {}
        on_targets: dict[tuple[str, str], list[tuple[int, int]]] = {}
        members_of: dict[tuple[int, str], dict[str, int]] = {}
        numbers = iter(self._rows)
        for at, number, token, kind, as_of, part in zip(*[numbers] * _NUMBERS, strict=True):
            worker, effect, target = kinds[kind]
            if (token, worker, part) in self._failed:
                continue
            on_targets.setdefault((effect, target), []).append((at, as_of))
            family = table.value(number, FAMILY)
            if at <= done_at.get(family, -1):
                members = members_of.setdefault((family, effect), {})
                members[target] = max(as_of, members.get(target, as_of))
        of_sets: dict[tuple[str, str, tuple[str, ...]], list[tuple[int, int]]] = {}
        for (family, effect), members in members_of.items():
            name = entries[table.value(family, KIND)], effect, tuple(sorted(members))
            of_sets.setdefault(name, []).append((done_at[family], min(members.values())))
        return Results(on_targets, {name: sorted(pairs) for name, pairs in of_sets.items()})


def _first_done(table: JobTable, done: int) -> dict[int, int]:
    """Give, for each family of which a job is done, the tick at which the first was."""
    found: dict[int, int] = {}
    for family, final, at in zip(*map(table.column, (FAMILY, FINAL, FINISHED)), strict=True):
        if final == done:
            found[family] = min(at, found.get(family, at))
    return found


_NUMBERS: Final = 6
"""So many numbers are kept of a landing."""


@record
class Age:
    """The longest age of the last good result on a target, or of a set, in one night.

    Attributes:
        effect: what was left.
        what: the target; of a set the arrival entry.
        targets: the members of a set; empty for a single target.
        longest: ticks.
        at_least: nobody knows what was there before the night, and that may have been older.
        at: the tick at which it was so old: when the next result came, or the end of the night.
        as_of: the tick as of which its last good result was then; None when nobody knows of one.
        results: how many good results the night left.
    """

    effect: str
    what: str
    targets: tuple[str, ...]
    longest: int
    at_least: bool
    at: int
    as_of: int | None
    results: int


def ages(
    results: Results,
    aims: Iterable[Aim],
    horizon: int,
    *,
    effect: str | None = None,
    target: str | None = None,
    set_of: str | None = None,
) -> list[Age]:
    """Give the longest age of each target, or of each set of an entry; the oldest first, then by name.

    Args:
        results: what the night left.
        aims: what the scenario is to leave; what never landed is named by these alone.
        horizon: the tick at which the night ended.
        effect, target: of these alone.
        set_of: of the sets of this arrival entry in place of targets.

    Raises:
        InputError: when a target and a set are asked for at once.

    >>> from emulator.scenario.stated import Aim
    >>> left = Results({("copied", "plate-7"): [(3_600_000_000, 3_000_000_000)]}, {})
    >>> [age] = ages(left, [Aim("nightly", "copied", ("plate-7",), -7_200_000_000)], 9_000_000_000)
    >>> age.longest // 1_000_000, age.at // 1_000_000, age.at_least  # two hours before the start, to one after it
    (10800, 3600, False)
    """
    if target is not None and set_of is not None:
        raise InputError("an age is that of a `target` or of a set (`set_of`): name one of the two")
    found = _of_sets(results, aims, set_of) if set_of is not None else _of_targets(results, aims)
    chosen = [
        _age(name, what, targets, pairs, since, horizon)
        for (name, what, targets), (pairs, since) in found.items()
        if effect in (None, name) and target in (None, what)
    ]
    return sorted(chosen, key=lambda age: (-age.longest, not age.at_least, age.effect, age.what, age.targets))


_Found = dict[tuple[str, str, tuple[str, ...]], tuple[Pairs, int]]


def _of_targets(results: Results, aims: Iterable[Aim]) -> _Found:
    found: _Found = {}
    for aim in aims:
        for target in aim.targets:
            since = max(aim.since, found.get((aim.effect, target, ()), ((), UNKNOWN))[1])
            found[aim.effect, target, ()] = ((), since)
    for (effect, target), pairs in results.on_targets.items():
        found[effect, target, ()] = (pairs, found.get((effect, target, ()), ((), UNKNOWN))[1])
    return found


def _of_sets(results: Results, aims: Iterable[Aim], entry: str) -> _Found:
    found: _Found = {
        (aim.effect, entry, tuple(sorted(aim.targets))): ((), aim.since) for aim in aims if aim.entry == entry
    }
    for (of, effect, targets), pairs in results.of_sets.items():
        if of == entry:
            found[effect, entry, targets] = (pairs, found.get((effect, entry, targets), ((), UNKNOWN))[1])
    return found


def _age(effect: str, what: str, targets: tuple[str, ...], pairs: Pairs, since: int, horizon: int) -> Age:
    newest, longest = since, (-1, 0, since)
    for at, as_of in _younger(pairs, since):
        longest = max(longest, _old(at, newest))
        newest = as_of
    longest = max(longest, _old(horizon, newest))
    age, at, as_of = longest
    known = as_of != UNKNOWN
    return Age(effect, what, targets, age, since == UNKNOWN, at, as_of if known else None, len(pairs))


def _old(at: int, as_of: int) -> tuple[int, int, int]:
    """Give how old what was as of a tick is at another, with both; of what nobody knows the time since the start."""
    return at - max(as_of, 0) if as_of == UNKNOWN else at - as_of, at, as_of


def _younger(pairs: Pairs, since: int) -> Iterator[tuple[int, int]]:
    """Give those results that made their target younger when they came."""
    newest = since
    for at, as_of in pairs:
        if as_of > newest:
            yield at, as_of
            newest = as_of
