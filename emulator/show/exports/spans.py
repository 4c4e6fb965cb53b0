"""Writes a night as OpenTelemetry spans, as OTLP JSON.

The night is a trace of its own: a span for all of it, in it one for each fault, outage of the broker and action. Each
job is a trace: a span for the job, in it one for each attempt, in that one for each part. Where something of another
span led to an event of a job or an attempt, its span has a link to that one; a job that was resubmitted has one to the
job that it goes back to. Every event of the night that is no span is an event of one.

Ids are digests of what a span is of, so that the same night gives the same bytes. As OTLP has it, ids are hexadecimal,
64-bit integers are strings, enumerations are numbers, and times are nanoseconds since 1970: here of virtual time.
"""

import hashlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from emulator.errors import InputError
from emulator.measure.words import why_in_words
from emulator.record.event_view import EventView, views
from emulator.record.events import details_of
from emulator.show.exports.recorded import Attempt, Recorded, as_json, attempts_of, unix_microseconds
from emulator.show.words import spoken

__all__ = ["otlp"]

_INTERNAL: Final = 1  # SpanKind
_OK, _ERROR = 1, 2  # StatusCode
_INT64: Final = 2**63
_UINT64: Final = 2**64
_OPENS: Final = {"fault_began": "fault", "broker_down": "broker outage", "action_taken": "action"}
_CLOSES: Final = {"fault_ended": "fault", "broker_up": "broker outage"}


@dataclass(slots=True)
class _Span:
    trace: str
    id: str
    parent: str
    name: str
    begins: int
    ends: int
    attributes: dict[str, Any]
    events: list[EventView] = field(default_factory=list)
    links: dict[str, tuple["_Span", int, int]] = field(default_factory=dict)  # (to, the event, what led to it)
    status: tuple[int, str] | None = None


def otlp(recorded: Recorded) -> Iterator[str]:
    """Give the night as one JSON object on one line, the ``TracesData`` of OTLP.

    Raises:
        InputError: when the night is not within 1970 and 2554, the years that such times can tell.
    """
    begins = unix_microseconds(recorded.clock, 0)
    if begins < 0 or (begins + recorded.night.horizon) * 1000 >= _UINT64:
        raise InputError(
            f"{recorded.about.scenario_name}: spans tell times from 1970 to 2554 alone, and the night begins on "
            f"{recorded.clock.local(0):%Y-%m-%d}: export it in another format, or give it another date"
        )
    about = recorded.about
    resource = {
        "service.name": "queuedrill",
        "service.version": about.program_version,
        "queuedrill.title": recorded.title,
        "queuedrill.scenario": about.scenario_name,
        "queuedrill.seed": about.seed,
        "queuedrill.variant": about.variant,
        "queuedrill.zone": recorded.clock.zone,
        "queuedrill.zone_data_version": about.zone_data_version,
        "queuedrill.finished": recorded.finished,
    }
    scope = as_json({"name": "queuedrill", "version": about.program_version})
    head = as_json({"attributes": _attributes(resource)})
    yield f'{{"resourceSpans":[{{"resource":{head},"scopeSpans":[{{"scope":{scope},"spans":['
    for number, span in enumerate(_Spans(recorded).all()):
        yield ("," if number else "") + as_json(_as_otlp(span, begins))
    yield "]}]}]}\n"


class _Spans:
    """Makes the spans of one night."""

    def __init__(self, recorded: Recorded) -> None:
        self._recorded = recorded
        self._ends = recorded.night.horizon
        self._events = tuple(views(recorded.rows))
        self._causes: list[int] = [0]
        self._of_event: dict[int, _Span] = {}
        self._jobs: dict[int, _Span] = {}

    def all(self) -> list[_Span]:
        """Give every span: those of the night, then those of each job, outer ones before inner ones."""
        attempts = attempts_of(self._recorded)
        of_night = self._of_the_night()
        self._of_jobs({event.event for one in attempts for event in one.events})
        by_job: dict[int, list[_Span]] = {job: [span] for job, span in self._jobs.items()}
        for one in attempts:
            by_job[one.job] += self._of_attempt(one)
        found = of_night + [span for spans in by_job.values() for span in spans]
        for span in found[1:]:  # the first is the whole night
            for event in span.events:
                self._link(span, event)
        return found

    def _id(self, digits: int, *what: object) -> str:
        made_of = "\n".join([self._recorded.key, *map(str, what)])
        return hashlib.sha256(made_of.encode("utf-8", "backslashreplace")).hexdigest()[:digits]

    def _of_the_night(self) -> list[_Span]:
        trace = self._id(32, "night")
        root = _Span(trace, self._id(16, "night"), "", f"night: {self._recorded.title}", 0, self._ends, {})
        found = [root]
        open_spans: dict[tuple[object, ...], _Span] = {}
        for event in self._events:
            self._causes.append(event.cause)
            if event.kind in _OPENS:
                about = {name: value for name, value in details_of(event.row).items() if value != ""}
                name = " ".join([_OPENS[event.kind], *(str(about[one]) for one in ("fault", "action") if one in about)])
                at_once = event.kind == "action_taken"
                attributes = {f"queuedrill.{key}": value for key, value in about.items()}
                if event.worker:
                    attributes["queuedrill.worker"] = event.worker
                span = _Span(
                    trace,
                    self._id(16, "event", event.event),
                    root.id,
                    name.replace("_", " "),
                    event.at,
                    event.at if at_once else self._ends,
                    attributes,
                )
                found.append(span)
                self._of_event[event.event] = span
                if not at_once:
                    open_spans[_place(event)] = span
            elif event.kind in _CLOSES and (begun := open_spans.pop(_place(event), None)) is not None:
                begun.ends = event.at
                self._of_event[event.event] = begun
            elif not event.job:
                root.events.append(event)
                if event.kind == "fault_missed" and (begun := open_spans.pop(_place(event), None)) is not None:
                    begun.ends = event.at  # it hit nothing, so it did not last
        return found

    def _of_jobs(self, of_attempts: Collection[int]) -> None:
        night = self._recorded.night
        for event in self._events:
            if event.kind == "submitted":
                self._jobs[event.job] = self._of_job(event)
            span = self._jobs.get(event.job)
            if span is None or event.kind == "action_taken":
                continue
            self._of_event[event.event] = span
            if event.event not in of_attempts:
                span.events.append(event)
            if event.kind == "finished":
                span.ends = event.at
                for name in ("state", "sub_state", "why", "attempts"):
                    span.attributes[f"queuedrill.job.{name}"] = getattr(event, name)
                final = night.final_of(event.job)
                why = span.attributes["queuedrill.job.why"] = why_in_words(final.why, dict(final.values))
                reason = ": ".join(part for part in (spoken(final.sub_state), why) if part)
                span.status = (_OK, "") if final.state == "done" else (_ERROR, reason)

    def _of_job(self, event: EventView) -> _Span:
        name = self._recorded.job(event.job)
        attributes = {
            "queuedrill.job.number": event.job,
            "queuedrill.job.name": name,
            "queuedrill.job.state": "unfinished",
        }
        for one in ("routine", "queue", "entry", "ordinal", "key", "priority"):
            attributes[f"queuedrill.job.{one}"] = getattr(event, one)
        span = _Span(
            self._id(32, "job", event.job), self._id(16, "job", event.job), "", name, event.at, self._ends, attributes
        )
        if event.resubmitted_from:
            attributes["queuedrill.job.resubmitted_from"] = event.resubmitted_from
            origin = self._jobs[event.resubmitted_from]
            span.links[origin.id] = origin, event.event, event.cause
        return span

    def _of_attempt(self, one: Attempt) -> list[_Span]:
        job = self._jobs[one.job]
        attributes = {
            "queuedrill.attempt": one.number,
            "queuedrill.token": one.token,
            "queuedrill.worker": one.worker,
            "queuedrill.outcome": one.outcome,
            "queuedrill.why": why_in_words(*one.why),
            "queuedrill.work_stopped_why": why_in_words(*one.stopped_why),
        }
        first = one.events[0].event
        span = _Span(
            job.trace,
            self._id(16, "attempt", first),
            job.id,
            f"attempt {one.number}" if one.handed_out >= 0 else f"attempt {one.number}, {spoken(one.outcome)}",
            one.begins,
            one.ends(self._ends),
            attributes,
            list(one.events),
        )
        if one.outcome == "ok":
            span.status = _OK, ""
        elif one.ended >= 0 and one.outcome not in ("handed_back", "withdrawn"):
            span.status = _ERROR, ": ".join(part for part in (spoken(one.outcome), why_in_words(*one.why)) if part)
        for event in one.events:
            self._of_event[event.event] = span
        parts = [
            _Span(
                job.trace,
                self._id(16, "part", first, place),
                span.id,
                " ".join(
                    text
                    for text in (part.name or ("rest" if part.finished else "part that was not finished"), part.element)
                    if text
                ),
                part.begins,
                part.ends,
                {"queuedrill.part.finished": part.finished, "queuedrill.worker": one.worker},
            )
            for place, part in enumerate(one.parts)
        ]
        return [span, *parts]

    def _link(self, span: _Span, event: EventView) -> None:
        """Link to the nearest span, other than this one and its job's, of what led to an event."""
        job = self._jobs.get(event.job)
        number = event.cause
        while number:
            found = self._of_event.get(number)
            if found is not None and found is not span and found is not job:
                span.links.setdefault(found.id, (found, event.event, number))
                return
            number = self._causes[number]


def _place(event: EventView) -> tuple[object, ...]:
    """Tell which beginning an end belongs to."""
    if event.kind in ("broker_down", "broker_up"):
        return ("broker",)
    return event.place, event.occurrence, event.target


def _as_otlp(span: _Span, begins: int) -> dict[str, Any]:
    def nanoseconds(tick: int) -> str:
        return str((begins + tick) * 1000)

    found: dict[str, Any] = {"traceId": span.trace, "spanId": span.id}
    if span.parent:
        found["parentSpanId"] = span.parent
    found |= {
        "name": span.name,
        "kind": _INTERNAL,
        "startTimeUnixNano": nanoseconds(span.begins),
        "endTimeUnixNano": nanoseconds(span.ends),
        "attributes": _attributes(span.attributes),
    }
    if span.events:
        found["events"] = [
            {
                "timeUnixNano": nanoseconds(event.at),
                "name": event.kind,
                "attributes": _attributes({"queuedrill.event": event.event, **_details(event)}),
            }
            for event in span.events
        ]
    if span.links:
        found["links"] = [
            {
                "traceId": to.trace,
                "spanId": to.id,
                "attributes": _attributes({"queuedrill.event": number, "queuedrill.cause": cause}),
            }
            for to, number, cause in span.links.values()
        ]
    if span.status is not None:
        code, message = span.status
        found["status"] = {"message": message, "code": code} if message else {"code": code}
    return found


def _details(event: EventView) -> dict[str, Any]:
    details = details_of(event.row)
    found = {f"queuedrill.{name}": value for name, value in details.items() if name != "values"}
    return found | {f"queuedrill.why.{name}": value for name, value in details.get("values", {}).items()}


def _attributes(values: Mapping[str, Any]) -> Sequence[dict[str, Any]]:
    return [{"key": key, "value": _value(value)} for key, value in values.items()]


def _value(value: Any) -> dict[str, Any]:
    if isinstance(value, bool):
        return {"boolValue": value}
    if isinstance(value, int) and -_INT64 <= value < _INT64:
        return {"intValue": str(value)}
    return {"doubleValue": value} if isinstance(value, float) else {"stringValue": str(value)}
