"""What did a job leave behind, and what of it twice, late or not at all?

Effects are counted in the family of a job (the jobs that were resubmitted from one another), as they are meant to be
left once. What went as it should is told in one fact for each attempt, what did not in one for each effect.
"""

from collections.abc import Iterator

from emulator.measure.story.facts import MOST_CITED, Fact
from emulator.measure.story.surroundings import Surroundings
from emulator.record.event_view import EventView
from emulator.record.history import Job

__all__ = ["landings"]


def landings(around: Surroundings, job: Job) -> Iterator[Fact]:
    """Give the facts about the effects of one job."""
    first = _first_landings(around, job.number)
    normal: dict[int, list[EventView]] = {}
    for event in job.of_kind("effect_landed", "effect_refused", "effect_found"):
        attempt = job.attempt_under(event.token)
        before = [landed for landed in first.get((event.effect, event.target), ()) if landed < event.event]
        values = _values(around, job.submission, event)
        if event.kind == "effect_refused":
            because = (attempt.end,) if attempt is not None and 0 < attempt.end < event.event else ()
            yield Fact("effect_refused", event.at, (event.event,), because, {**values, "why": event.why})
            continue
        if event.kind == "effect_found":
            yield Fact("effect_found", event.at, (event.event,), tuple(before[-1:]), values)
            continue
        late = attempt is None or (attempt.end != 0 and event.event > attempt.end)
        again = bool(before) and event.repeatable is not True
        if not late and not again:
            normal.setdefault(event.token, []).append(event)
            continue
        values |= {"times": len(before) + 1, "late": late, "again": again}
        ended = (attempt.end,) if late and attempt is not None else ()
        yield Fact("landed", event.at, (event.event,), (*ended, *before[:1]), values)
    for token, landed in normal.items():
        last = landed[-1]
        attempt = job.attempt_under(token)
        values = {
            **_values(around, job.submission, last),
            "count": len(landed),
            "targets": tuple(event.target for event in landed[:3]),
            "effects": tuple(dict.fromkeys(event.effect for event in landed)),
            "ok": attempt is not None and attempt.outcome == "ok",
        }
        cited = (last.event, *(event.event for event in landed[:-1]))[:MOST_CITED]
        yield Fact("left", last.at, cited, (), values)


def _first_landings(around: Surroundings, job: int) -> dict[tuple[str, str], list[int]]:
    """Give the events by which each effect landed on each target, from the whole family of a job."""
    found: dict[tuple[str, str], list[int]] = {}
    for member in around.family(job):
        for event in around.source.of_job(member):
            if event.kind == "effect_landed":
                found.setdefault((event.effect, event.target), []).append(event.event)
    return {key: sorted(numbers) for key, numbers in found.items()}


def _values(around: Surroundings, came: EventView, event: EventView) -> dict[str, object]:
    part = around.settings.part(came.routine, event.effect)
    return {
        "worker": event.worker,
        "attempt": event.attempt,
        "token": event.token,
        "effect": event.effect,
        "target": event.target,
        "system": around.settings.fence(part)[0] if part is not None else "",
    }
