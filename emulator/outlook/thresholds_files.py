"""A table of thresholds for other programs: one row for each signal and hour, and all of it as plain data.

Times are in seconds in the rows, and in whole microseconds in the plain data, as everywhere.
"""

import csv
import io
from typing import Any

from emulator.measure.signals import STEP, Signal
from emulator.outlook.found import Part
from emulator.outlook.shape import Hour
from emulator.outlook.threshold_words import again, too_few_words, verdict
from emulator.outlook.thresholds import Thresholds, TooFewNights
from emulator.show.comparison.as_json import plain
from emulator.show.exports.plain import cell
from emulator.show.meta import SMALL_PRINT
from emulator.timeline.ticks import SECOND

__all__ = ["as_csv", "as_json", "too_few_json"]

_DIRECTION = "at_or_above"
"""Which side of a threshold is the alarm; of every signal, high is bad."""


_HEAD = (
    *("signal", "queue", "unit", "alarm", "from", "until", "from_seconds", "until_seconds", "threshold"),
    "sampled_every_seconds",
)


def as_csv(of: Thresholds) -> str:
    """Give a row for each signal and hour."""
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(_HEAD)
    for signal in of.table.signals:
        for hour, threshold in zip(of.table.hours, of.table.thresholds[signal], strict=True):
            its = (_local(of, hour.begins), _local(of, hour.ends), hour.begins / SECOND, hour.ends / SECOND)
            amount = _amount(signal, threshold)
            writer.writerow((signal.kind, cell(signal.queue), _unit(signal), _DIRECTION, *its, amount, STEP / SECOND))
    return file.getvalue()


def _local(of: Thresholds, at: int) -> str:
    return of.clock.local(at).isoformat()


def _unit(signal: Signal) -> str:
    return "seconds" if signal.unit == "time" else signal.unit


def _amount(signal: Signal, threshold: float) -> float:
    return threshold / SECOND if signal.unit == "time" else threshold


def as_json(of: Thresholds) -> dict[str, Any]:
    """Give all of it as plain data for ``json.dumps``; the same nights give the same bytes."""
    table, found, sets = of.table, of.found, of.sets
    return {
        "verdict": verdict(of),
        "title": of.title,
        "command": again(of),
        "false_alarms_at_most": float(table.share),
        "sure": "95 %" if table.limit.sure else "on average",
        "nights": {
            "first_seed": of.first_seed,
            "as_written": of.nights,
            "played": of.played,
            "shape": len(sets.shape),
            "calibration": len(sets.calibration),
            "choice_of_signals": len(sets.choice),
            "report": len(sets.report),
        },
        "sampled_every": STEP,
        "hours": [_hour(of, hour) for hour in table.hours],
        "signals": [
            {
                "name": one.signal.name,
                "kind": one.signal.kind,
                "queue": one.signal.queue,
                "label": one.signal.label,
                "unit": one.signal.unit,
                "alarm": _DIRECTION,
                "thresholds": plain(table.thresholds[one.signal]),
                "found_in_time": one.found,
                "first_alarm": one.first,
                "false_alarms": one.quiet,
                "useless": one.is_useless and found.bad.of > 0,
            }
            for one in found.signals
        ],
        "found": {
            "quiet": _part(found.quiet),
            "survived": _part(found.survived),
            "bad": _part(found.bad),
            "in_time": _part(found.in_time),
            "causes": plain(found.causes),
        },
        "more_work": None
        if of.growth is None
        else {
            "up_to": plain(of.growth.up_to) if of.growth.grows else None,
            "tried": [{"more": plain(one.more), "holds": one.holds, **_part(one.alarms)} for one in of.growth.tried],
            "not_raised": list(of.growth.fixed),
        },
        "helps": [
            {
                "ask": one.ask,
                "bad_nights": one.of,
                "saved": one.saved,
                "until": None if one.until is None else plain(one.until),
                "at_hours": plain(one.moved),
            }
            for one in of.helps
        ],
        "versions": dict(of.versions),
        "note": SMALL_PRINT,
    }


def _hour(of: Thresholds, hour: Hour) -> dict[str, Any]:
    return {"clock": hour.clock, "from": _local(of, hour.begins), "begins": hour.begins, "ends": hour.ends}


def _part(part: Part) -> dict[str, Any]:
    return {"alarms": part.count, "of": part.of, "interval": plain(part.interval)}


def too_few_json(of: TooFewNights) -> dict[str, Any]:
    """Say as plain data why there is no table."""
    return {
        "verdict": too_few_words(of),
        "false_alarms_at_most": float(of.share),
        "nights": {"played": of.played, "quiet": of.quiet, "calibration": of.calibration},
        "calibration_needed": of.needed,
        "run_nights": of.nights,
    }
