"""What did a job leave behind, and what of it twice, late or not at all?

Effects are counted in the family of a job (the jobs that were resubmitted from one another), as they are meant to be
left once. What went as it should is told in one fact for each attempt, what did not in one for each effect.
"""

from collections.abc import Iterator, Sequence

from emulator.measure.story.attempts import Attempt
from emulator.measure.story.facts import MOST_CITED, Fact
from emulator.measure.story.surroundings import Surroundings
from emulator.record.events import Row

__all__ = ["landings"]


def landings(
    around: Surroundings, rows: Sequence[tuple[int, Row]], came: Row, attempts: Sequence[Attempt]
) -> Iterator[Fact]:
    """Give the facts about the effects of one job."""
    first = _first_landings(around, came[3])
    by_token = {attempt.token: attempt for attempt in attempts}
    normal: dict[int, list[tuple[int, Row]]] = {}
    times: dict[tuple[str, str], int] = {}
    for number, row in rows:
        if row[1] == "effect_landed":
            key = (row[7], row[8])
            before = [event for event in first.get(key, ()) if event < number]
            times[key] = len(before) + 1
            attempt = by_token.get(row[6])
            late = attempt is None or (attempt.end != 0 and number > attempt.end)
            again = bool(before) and row[9] is not True
            if not late and not again:
                normal.setdefault(row[6], []).append((number, row))
                continue
            values = {**_values(around, came, row), "times": times[key], "late": late, "again": again}
            ended = (attempt.end,) if late and attempt is not None else ()
            yield Fact("landed", row[0], (number,), (*ended, *before[:1]), values)
        elif row[1] == "effect_refused":
            attempt = by_token.get(row[6])
            because = (attempt.end,) if attempt is not None and 0 < attempt.end < number else ()
            yield Fact("effect_refused", row[0], (number,), because, {**_values(around, came, row), "why": row[9]})
        elif row[1] == "effect_found":
            before = [event for event in first.get((row[7], row[8]), ()) if event < number]
            yield Fact("effect_found", row[0], (number,), tuple(before[-1:]), _values(around, came, row))
    for token, landed in normal.items():
        number, row = landed[-1]
        values = {
            **_values(around, came, row),
            "count": len(landed),
            "targets": tuple(one[8] for _, one in landed[:3]),
            "effects": tuple(dict.fromkeys(one[7] for _, one in landed)),
            "ok": token in by_token and by_token[token].outcome == "ok",
        }
        yield Fact("left", row[0], (number, *(one for one, _ in landed[:-1]))[:MOST_CITED], (), values)


def _first_landings(around: Surroundings, job: int) -> dict[tuple[str, str], list[int]]:
    """Give the events by which each effect landed on each target, from the whole family of a job."""
    found: dict[tuple[str, str], list[int]] = {}
    for member in around.family(job):
        for number, row in around.source.of_job(member):
            if row[1] == "effect_landed":
                found.setdefault((row[7], row[8]), []).append(number)
    return {key: sorted(numbers) for key, numbers in found.items()}


def _values(around: Surroundings, came: Row, row: Row) -> dict[str, object]:
    part = around.settings.part(came[6], row[7])
    system = around.settings.fence(part)[0] if part is not None else ""
    return {"worker": row[4], "attempt": row[5], "token": row[6], "effect": row[7], "target": row[8], "system": system}
