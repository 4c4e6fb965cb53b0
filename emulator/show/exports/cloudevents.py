"""How do events become CloudEvents 1.0, as a JSON batch or as lines of JSON?

Each event of the night is one: ``id`` is its number, ``source`` the night, ``type`` its kind, ``time`` the virtual
time, ``subject`` the job, else the worker, that it is about, ``data`` its details. Three attributes more are
extensions: ``cause``, the id of the event that led to it; ``tick``, the microseconds since the night began (as a
string: an integer attribute has 32 bits); ``worker``.
"""

from collections.abc import Iterator
from typing import Any

from emulator.record.events import Event
from emulator.show.exports.plain import as_json, plain, utc_time
from emulator.show.exports.recorded import Recorded

__all__ = ["cloudevents_batch", "cloudevents_lines"]


def cloudevents_batch(recorded: Recorded) -> Iterator[str]:
    """Give the events as one JSON array (media type ``application/cloudevents-batch+json``), an event on each line."""
    before = "["
    for text in _each(recorded):
        yield f"{before}\n{text}"
        before = ","
    yield "[]\n" if before == "[" else "\n]\n"


def cloudevents_lines(recorded: Recorded) -> Iterator[str]:
    """Give each event as a line that is a JSON object (media type ``application/cloudevents+json``)."""
    return (f"{text}\n" for text in _each(recorded))


def _each(recorded: Recorded) -> Iterator[str]:
    source = f"/queuedrill/night/{recorded.key}"
    return (as_json(_attributes(recorded, source, event)) for event in recorded.events())


def _attributes(recorded: Recorded, source: str, event: Event) -> dict[str, Any]:
    found: dict[str, Any] = {
        "specversion": "1.0",
        "id": str(event.number),
        "source": source,
        "type": f"queuedrill.{event.kind}",
        "time": utc_time(recorded.clock, event.at),
    }
    if subject := plain(recorded.job(event.job) or event.worker):
        found["subject"] = subject
    if event.cause:
        found["cause"] = str(event.cause)
    found["tick"] = str(event.at)
    if event.worker:
        found["worker"] = plain(event.worker)
    about = {"job": event.job} if event.job else {}
    return {**found, "datacontenttype": "application/json", "data": {**about, **event.details}}
