"""Writes figures and reasons for people: two units of time at most, shares in per cent, few digits.

One table makes sentences of the reasons that events carry.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

from emulator.errors import LogError
from emulator.measure.estimate import Figure
from emulator.record.reasons import STATE_TABLE, Values, mistake_in
from emulator.timeline.ticks import DAY, HOUR, MILLISECOND, MINUTE, SECOND, say

__all__ = [
    "REFUSALS",
    "WORDS",
    "difference",
    "duration",
    "number",
    "pair",
    "refusal_in_words",
    "value",
    "why_in_words",
    "write",
]


_TENTH: Final = SECOND // 10


def duration(ticks: float) -> str:
    """Write a duration, rounded (halves up): ``1 h 12 min``, ``4 min 5 s``, ``3.2 s``, ``250 ms``.

    >>> [duration(ticks) for ticks in (4_320_000_000, 3_599_600_000, 59_960_000, 3_200_000, 250_000, 12, 0)]
    ['1 h 12 min', '1 h', '1 min', '3.2 s', '250 ms', '12 us', '0 s']
    """
    whole = round(ticks)
    if whole < 0:
        return "-" + duration(-whole)
    if whole == 0:
        return "0 s"
    if whole < MILLISECOND:
        return f"{whole} us"
    if (milliseconds := _rounded(whole, MILLISECOND)) < 1000:
        return f"{milliseconds} ms"
    if (tenths := _rounded(whole, _TENTH)) < 600:
        return f"{tenths // 10} s" if tenths % 10 == 0 else f"{tenths // 10}.{tenths % 10} s"
    if (seconds := _rounded(whole, SECOND)) < 3600:
        return _two(seconds, 60, "min", "s")
    if (minutes := _rounded(whole, MINUTE)) < 1440:
        return _two(minutes, 60, "h", "min")
    return _two(_rounded(whole, HOUR), DAY // HOUR, "d", "h")


def _rounded(ticks: int, unit: int) -> int:
    return (ticks + unit // 2) // unit


def _two(count: int, of: int, big: str, small: str) -> str:
    most, rest = divmod(count, of)
    return f"{most} {big}" if not rest else f"{most} {big} {rest} {small}"


def number(value: float, digits: int = 3) -> str:
    """Write a number: a whole one in full, any other with so many significant digits, never with an exponent.

    >>> number(1204), number(4.875), number(0.00001234), number(1204.5)
    ('1204', '4.88', '0.0000123', '1204')
    """
    if value == int(value):
        return str(int(value))
    if abs(value) >= 10**digits:
        return str(round(value))
    text = f"{value:.{digits}g}"
    if "e" in text:
        text = f"{value:.20f}"
        leading = len(text.split(".")[1]) - len(text.split(".")[1].lstrip("0"))
        text = f"{value:.{min(20, leading + digits)}f}"
    return text


def _share(value: float) -> str:
    """Write a share in per cent; only what is everything is 100 %, only what is nothing is 0 %."""
    for digits in (1, 2, 4, 7):
        text = f"{value * 100:.{digits}f}".rstrip("0").rstrip(".")
        if (text != "100" or value == 1) and (text != "0" or value == 0):
            return f"{text} %"
    return "just under 100 %" if value > 0.5 else "just over 0 %"


def value(amount: float, unit: str) -> str:
    """Write one value of a unit.

    >>> value(0.995, "share"), value(0.9999, "share"), value(90_000_000, "time"), value(3, "count")
    ('99.5 %', '99.99 %', '1 min 30 s', '3')
    """
    if unit == "time":
        return duration(amount)
    return _share(amount) if unit == "share" else number(amount)


def difference(amount: float, unit: str) -> str:
    """Write how far two values of a unit are apart; shares are apart by percentage points.

    >>> difference(0.05, "share"), difference(0.01, "share"), difference(90_000_000, "time")
    ('5 percentage points', '1 percentage point', '1 min 30 s')
    """
    if unit != "share":
        return value(amount, unit)
    points = number(float(f"{amount * 100:.9g}"))
    return f"{points} percentage point{'' if points == '1' else 's'}"


def write(figure: Figure) -> str:
    """Write a figure: ``more than 6 h``, ``99.5 %``, ``none`` when there is nothing to take it from."""
    if figure.value is None:
        return "none"
    text = value(figure.value, figure.unit)
    return f"more than {text}" if figure.more_than else text


def pair(found: float, bound: float, unit: str) -> tuple[str, str]:
    """Write two values to be compared: more exactly than usual if they would read the same and are not.

    >>> pair(900_000_001, 900_000_000, "time")
    ('15m1us', '15m')
    >>> pair(0.98999, 0.99, "share")
    ('0.98999', '0.99')
    """
    texts = value(found, unit), value(bound, unit)
    if texts[0] != texts[1] or found == bound:
        return texts
    if unit == "time" and round(found) != round(bound):
        return say(round(found)), say(round(bound))
    return f"{found:.9g}", f"{bound:.9g}"


def _plain(code: str) -> str:
    """Write a word of data as people read it."""
    return code.replace("_", " ")


def _by_table(code: str) -> Callable[..., str]:
    """The codes of the state table are their own words."""
    return lambda: _plain(code)


REFUSALS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "credential_ended": "credential ended",
        "ended": "ended",
        "no_grant": "no grant",
        "not_in_force_yet": "not in force yet",
        "refused_earlier": "refused earlier (cached)",
        "withdrawn": "withdrawn",
    }
)
"""Why a worker has no access to a system, by the code that ``emulator.world.access`` gives."""

WORDS: Final[Mapping[str, Callable[..., str]]] = MappingProxyType(
    {
        "lease_ran_out": "lease ran out".format,
        "worker_silent": "worker silent".format,
        "forgotten": "forgotten by the broker".format,
        "withdrawn": "withdrawn".format,
        "time_limit": "time limit".format,
        "total_limit": "total limit".format,
        "said": lambda said: said,
        "stale_token": "{system} refused a stale token".format,
        "part_failed": "{part} failed".format,
        "fails_every_time": "the job fails every time".format,
        "no_access": lambda system, refusal: f"no access to {system}: {refusal_in_words(refusal)}",
        "call_ended": lambda system, outcome: f"{system} answered: {_plain(outcome)}",
        "error_burst": "a burst of errors of {routine}".format,
        "no_tool": "{worker} has no {tool}".format,
        "new_version": "a new version was put in while it waited".format,
        "cancelled": "it was cancelled from within".format,
        "finished": "finished".format,
        "finished_and_left": "finished and left".format,
        "told_lease_lost": "told that its lease is lost".format,
        "own_clock": "its own clock says that the lease has ended".format,
        "given_up": "given up".format,
        "outcome": "{outcome}".format,
        "power_lost": "power lost".format,
        "program_died": "its program died".format,
        "program_absent": "the machine is back, its worker program is not".format,
        "shut_down": "shut down by its schedule".format,
        "too_long_to_finish": "shut down: it took too long to finish".format,
        "idle": "idle".format,
        "goes_on": "goes on".format,
        "link_restored": "link restored".format,
        "out": "out".format,
        "back": "back".format,
        "both": "both".format,
        "told_to_drain": "told to finish and leave".format,
        "schedule_ends": "its schedule shuts it down".format,
        "attempts_done": "it has done its attempts".format,
        "person_withdrew": "a person withdrew it".format,
        "not_started": "it was not started in time".format,
        "total_limit_reached": lambda limit: f"the total limit of {say(limit)} was reached",
        "not_retried": lambda outcome: f"the outcome {_plain(outcome)} is not retried",
        "attempts_in_all": "attempts in all: {most}".format,
        "lost_leases": "lost leases: {lost}, at most {most}".format,
        "no_retry_in_time": lambda limit: f"no retry could start within the total limit of {say(limit)}",
        "time_limit_reached": lambda limit: f"the time limit of {say(limit)} was reached",
        "time_limits_reached": "the time limit was reached {count} times, at most {most}".format,
        "allowance_used_up": "the queue's allowance of retries is used up".format,
        "policy_said_no": "the retry policy said no".format,
        "prerequisite_refused": "the submission of the job before it was refused".format,
        "prerequisite_failed": lambda job, sub_state: (
            f"job {job}, which goes before it, has failed: {_plain(sub_state)}"
        ),
        "queue_full": "the queue holds {most} unfinished jobs, the most that it may".format,
        "token_is_stale": "its token is stale".format,
        "still_running": "still running".format,
        "broker_was_down": "broker down".format,
        "broker_was_down_too_long": "broker down, too late to make up".format,
        "hit_nothing": "it hit nothing".format,
        "was_off": "it was off".format,
        "was_off_or_frozen": "it was off or stood still".format,
        "lacked_tool": "it did not have the tool".format,
        "was_down": "it was down".format,
        "was_withdrawn": "it had been withdrawn".format,
        "nothing_changed": "nothing changed".format,
        "nothing_to_hand_out_twice": "there was nothing to hand out twice".format,
        "no_such_job": "there is no such job".format,
        "no_such_job_came": "no such job came".format,
        "not_before_the_end": "it did not occur before the end".format,
        "no_such_workers": "there are no such workers".format,
        "share_is_none": "so small a share of its workers is none".format,
        "no_workers": "it has no workers".format,
        "no_such_job_yet": "there is no such job yet".format,
        "told_already": "it has been told already".format,
        "broker_is_down": "the broker is down".format,
        "queue_is_full": "the queue is full".format,
        "queue_held_already": "queue {queue} is held already".format,
        "queue_not_held": "queue {queue} is not held".format,
        **{code: _by_table(code) for code in STATE_TABLE},
    }
)
"""For each code of ``emulator.record.reasons.EVENT_REASONS`` what makes its sentence of its values."""

_NOTHING: Final[Values] = {}


def why_in_words(code: str, values: Values = _NOTHING) -> str:
    """Say why, without a capital and without a full stop; "" for no reason.

    Raises:
        LogError: when there is no such reason, or it has other values.

    >>> why_in_words("lost_leases", {"lost": 3, "most": 2}), why_in_words("said", {"said": "tape busy"})
    ('lost leases: 3, at most 2', 'tape busy')
    """
    if not code:
        return ""
    if mistake := mistake_in(code, values):
        raise LogError(mistake)
    given: Mapping[str, Any] = values
    return WORDS[code](**given)


def refusal_in_words(code: str) -> str:
    """Say why a worker has no access to a system.

    >>> refusal_in_words("not_in_force_yet")
    'not in force yet'
    """
    if code not in REFUSALS:
        raise LogError(f"there is no refusal called {code!r}")
    return REFUSALS[code]
