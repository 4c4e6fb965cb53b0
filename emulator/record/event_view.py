"""Reads the fields of events by name, as ``record.kinds`` declares them.

A row is a plain tuple (see ``record.events``). A view of it is a tuple too, its number first, in the class of its kind,
where each detail is an attribute: ``event.token`` in place of ``row[6]``. The classes are made as kinds are met. Where
millions of rows are looked at, ``AT``, ``KIND``, ``CAUSE``, ``JOB``, ``WORKER`` and ``place_of`` are faster.
"""

from collections.abc import Iterable, Iterator
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final

from emulator.record.events import DETAILS, Row
from emulator.record.reasons import NONE, Because

__all__ = ["AT", "CAUSE", "JOB", "KIND", "WORKER", "EventView", "name_of", "place_of", "view", "views"]

AT, KIND, CAUSE, JOB, WORKER = range(5)
"""Where a row has the fields that every event has."""

_FIXED: Final = ("event", "at", "kind", "cause", "job", "worker")


class EventView(tuple[Any, ...]):
    """One event with its fields by name.

    ``event`` is its number in the run, from 1; ``occurrence`` is the detail that is declared as ``number``. To ask for
    a detail that the kind does not have raises ``AttributeError``.
    """

    __slots__ = ()

    event: int = property(itemgetter(0))  # type: ignore[assignment]
    at: int = property(itemgetter(1))  # type: ignore[assignment]
    kind: str = property(itemgetter(2))  # type: ignore[assignment]
    cause: int = property(itemgetter(3))  # type: ignore[assignment]
    job: int = property(itemgetter(4))  # type: ignore[assignment]
    worker: str = property(itemgetter(5))  # type: ignore[assignment]

    if TYPE_CHECKING:
        action: str
        attempt: int
        attempts: int
        direction: str
        due: int
        effect: str
        element: Any
        entry: str
        equipped_with: str
        factor: str
        fault: str
        idempotency_key: str
        incarnation: int
        kept: Any
        key: str
        last_heard: int
        lease_until: int
        night: Any
        occurrence: int
        ordinal: int
        outcome: str
        part: str
        place: str
        priority: int
        queue: str
        reasons: str
        reason: str
        repeatable: Any
        resubmitted_from: int
        retries_left: int
        routine: str
        seed: Any
        speed: Any
        state: str
        sub_state: str
        system: str
        target: Any
        times: Any
        token: int
        took: int
        was_due: int
        what: str
        who: str
        why: str

    @property
    def row(self) -> Row:
        """The row that it is a view of."""
        return self[1:]

    @property
    def because(self) -> Because:
        """The reason that it carries as its ``why``.

        >>> view(1, (5, "work_stopped", 0, 3, "dome-1", 1, 7, "part_failed", {"part": "copy"})).because
        Because(code='part_failed', values={'part': 'copy'})
        """
        return Because(self.why, self[-1] if len(self) > len(_FIXED) + len(DETAILS[self.kind]) else NONE.values)


class _Classes(dict[str, type[EventView]]):
    """The class of each kind, made when the first event of it is met."""

    def __missing__(self, kind: str) -> type[EventView]:
        body: dict[str, Any] = {"__slots__": ()}
        for place, name in enumerate(DETAILS[kind], len(_FIXED)):
            body["occurrence" if name == "number" else name] = property(itemgetter(place))
        made = self[kind] = type(kind, (EventView,), body)
        return made


_CLASSES: Final = _Classes()


def view(event: int, row: Row) -> EventView:
    """Give the view of a row.

    >>> held = view(7, (5, "queue_held", 3, 0, "", "night"))
    >>> held.event, held.at, held.kind, held.cause, held.queue
    (7, 5, 'queue_held', 3, 'night')
    """
    return _CLASSES[row[KIND]]((event, *row))


def views(rows: Iterable[Row], first: int = 1) -> Iterator[EventView]:
    """Give the views of rows, numbered from ``first``."""
    for event, row in enumerate(rows, first):
        yield _CLASSES[row[KIND]]((event, *row))


def place_of(kind: str, detail: str) -> int:
    """Give where the rows of a kind have a detail.

    >>> place_of("handed_out", "token")
    6
    """
    return 5 + DETAILS[kind].index(detail)


def name_of(came: EventView) -> str:
    """Name a job by its submission: ``entry#number``, and ``(resubmitted as job n)`` for one that was resubmitted.

    >>> name_of(view(1, (7, "submitted", 0, 4, "", "queued", "copy", "night", "plates", 2, "", 0, "", 1)))
    'plates#2 (resubmitted as job 4)'
    """
    name = f"{came.entry}#{came.ordinal}"
    return f"{name} (resubmitted as job {came.job})" if came.resubmitted_from else name
