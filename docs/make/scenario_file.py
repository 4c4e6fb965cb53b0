"""Makes the reference page of the scenario file from the models, so that it cannot go stale.

``python docs/make/scenario_file.py`` prints it; a test holds ``docs/reference-scenario.md`` to it.
"""

import inspect
import re
import sys
from collections.abc import Iterator, Mapping
from typing import Any, Final

from emulator.hazards import HAZARDS
from emulator.scenario.fault_kinds import FAULT_KEYS
from emulator.scenario.messages import SOURCES, is_of_keys, shape, words
from emulator.scenario.models import arrivals, distribution, faults
from emulator.scenario.schema import said_default
from emulator.scenario.values import KINDS

__all__ = ["reference_page"]

_SECTIONS: Final = (
    ("The file", "Scenario", ""),
    ("Broker", "Broker", "`broker`"),
    ("Nights that differ", "Factor", "`varies.NAME`"),
    ("Growth", "Growth", "an item of `growth`"),
    ("Queues", "Queue", "`queues.NAME`"),
    ("Retries", "Retry", "`queues.NAME.retry`"),
    ("Allowance of retries", "Allowance", "`queues.NAME.retry.allowance`"),
    ("Longest run", "TimeLimit", "`queues.NAME.time_limit`"),
    ("Pools", "Pool", "`pools.NAME`"),
    ("Workers that differ", "WorkerDiffers", "`pools.NAME.per_worker.WORKER`"),
    ("Changes of equipment", "EquipmentChange", "an item of `pools.NAME.equipment_changes`"),
    ("Power schedules", "PowerSchedule", "`pools.NAME.power`, or an item of the list there"),
    ("Links", "Link", "`pools.NAME.link`"),
    ("Clocks of workers", "SkewedClock", "`pools.NAME.clock`, `clock` of a worker that differs or of a fault"),
    ("Systems", "System", "`systems.NAME`"),
    ("Rate limits", "RateLimit", "`systems.NAME.limit`"),
    ("Outages", "Outage", "an item of `systems.NAME.outages`"),
    ("Access", "Grant", "an item of `access`"),
    ("Credentials", "Credential", "an item of `credentials`"),
    ("Routines", "Routine", "`routines.NAME`"),
    ("Parts", "Part", "an item of `routines.NAME.parts`"),
    ("Retention", "Keeps", "`keeps` of a part"),
    ("Times that grow with the work", "Growing", "`takes` of a part"),
    ("Asking again", "AskAgain", "`asks_again` of a part"),
    ("Arrivals", "Arrival", "an item of `arrivals`"),
    ("Rates by the clock", "Rates", "`per_hour` of an arrival"),
    ("Batches", "Batch", "`batch` of an arrival"),
    ("Prerequisites", "Prerequisite", "`after` of an arrival, or an item of the list there"),
    ("The first of several prerequisites", "FirstOf", "`after` of an arrival"),
    ("Faults", "Fault", "an item of `faults`"),
    ("Some of a pool", "Target", "what a fault or an action is aimed at"),
    (
        "Numbers that are drawn",
        "DrawnNumber",
        "a factor, a share, a speed or a number of workers of a fault or an action",
    ),
    ("Actions", "Action", "an item of `actions`"),
    ("Requirements", "Requirement", "an item of `must_hold`"),
    ("Briefs", "Brief", "`brief`"),
    ("Questions", "Question", "an item of `questions`"),
)

_SOURCES: Final = ", ".join(f"`{source}`" for source in SOURCES)
_EXAMPLES: Final = re.compile(r" such as (?:90s|\"21:40\"|\"05:00\"|4m)[^(]*?(?:PT30S|T21:40:00|\"05:00\"|9m\})")

_EXACT: Final = re.compile(r"\ba duration(?: above 0)?(?! above| such as)")

_INTRODUCTION: Final = f"""\
# The scenario file

This page is made from the models (`python docs/make/scenario_file.py`); do not edit it by hand.

A scenario is one YAML 1.2 file in UTF-8. Unknown and duplicate keys are refused; every mistake is told with its line
and column, all at once. `queuedrill check FILE` reads a file without running it.

## How values are written

| value | written |
| --- | --- |
| duration | `90s`, `1h30m`, `500ms`, `250us`, `2d` (48 hours), `1w` (168 hours), or `PT30S`; whole microseconds, at \
most 100 years; 0 needs no unit. All are exact, whatever the clocks do |
| moment | `"21:40"`, the first such time from the start on; `"+2h30m"` from the start; `"+P1D"`, a day of the zone \
from the start; `2026-06-12T21:40:00` in the \
scenario's zone, or with `Z` or `-04:00` behind it |
| time of day | `"05:00"` on the clock of the zone |
| distribution | a duration, or a mapping with one law: see below |
| name | 1 to 200 characters; one that is defined in the file holds none of `.` `/` `#` `{{` `}}` |
| worker | the pool's name and a number from 1: `dome-2` |
| job | the arrival entry and the job's number in it, from 1: `nightly#3` |
| part of a system | `archive/shelf` |
| equipment | `tape`, or `tape 2.1` with a version; what requires it: `tape`, or `tape>=2.1` |
| template | text in which `{{name}}` is filled in |

A clock time that the clocks jump over when they are put forward is read with the offset before that. So it lies as much
later as they jump (01:30 for `"00:30"`). One that comes twice when they are put back is the first of the two, or
the first from the start on. `check` names both.

`P1D` and `P1W` are nominal, as RFC 5545 (section 3.3.6) has it: days of the zone, of 23 to 25 hours where the clocks
change. They stand where a place in the calendar is known: in `lasts` and in moments such as `"+P1D"`, where `24h` and
`1d` stay exact. `P1DT2H` is a day of the zone, then two hours. Of every other key the tables below say "exact": there
`P1D` is refused, with what to write instead.

Notations differ in what comes of an arrival at such a time. `in_missing_hour` and `in_double_hour` of an entry decide;
where they are not stated, this holds. `check` names each such time, unless the entry states what is wanted.

| written | 02:30, when 02:00 is followed by 03:00 | 02:30, when it comes twice | source |
| --- | --- | --- | --- |
| `at: "02:30"` | `shift`: 03:30 | `first` | RFC 5545, section 3.3.5 |
| `recurs: FREQ=DAILY;BYHOUR=2;BYMINUTE=30` | `shift`: 03:30 | `first` | RFC 5545, section 3.3.5 |
| `recurs: 30 2 * * *` | `at_its_end`: 03:00 | `first` | common practice; POSIX (crontab) leaves it open |
| `recurs: "0,30 2 * * *"`: several minutes of an hour | `at_its_end`: 03:00, once for all | `both` | our choice: it \
comes several times an hour, as the next row does; POSIX leaves it open |
| `recurs: FREQ=DAILY;BYHOUR=2;BYMINUTE=0,30` | `shift`: 03:00 and 03:30 | `first` | RFC 5545, section 3.3.5 |
| `recurs: "*/30 2 * * *"`, `"30 * * * *"`: a `*` in minute or hour | `skip` | `both` | common practice; POSIX \
leaves it open |
| `recurs: FREQ=HOURLY` or `MINUTELY` | `skip`: they go by real hours and minutes | `both` | common practice; \
RFC 5545 does not say |

A day that the zone skips altogether has no arrivals. What is skipped has been counted by COUNT of the rule, and not by
`count` of the entry.

An arrival entry without a name is called by its routine and its way of arriving: `plate-copy per_hour 6`.

## Jobs that take several slots

A worker has as many `slots` as its pool says, and a job takes one of them, or the `takes_slots` of its routine. It goes
only to a worker with so many free at once, whether work is handed over at once or the worker polls. Slots of several
workers are never added up: a job has one worker.

Priority and place decide among the jobs that fit the worker which asks. One that does not fit is passed over: jobs
behind it, and jobs of a lower priority, go first meanwhile, and no slot is kept free for it. So it may wait for as long
as smaller jobs come. It never does so silently. `check` warns (`slots-stay-taken`), and the story of the job tells how
long it waited for free slots and how many jobs went first. `start_within` bounds the wait, after which it fails as
expired. A pool of its own, or `running_at_most` for a queue of the small jobs, keeps slots free.

More slots than any worker has that serves the queue are a mistake. Where a worker with as many may still come, or has
not the equipment, `check` warns (`few-have-the-slots`), and what is left at the end is told as stuck.

Work executed, work wasted, offered load and utilisation count a time once for each slot that is taken.

## Where a value comes from

Any value may stand in a wrapper that says where it comes from:
`{{value: 40s, from: measured, on: 2026-05-01, n: 312}}`. What `from` may be: {_SOURCES}.
`on` (a date) and `n` (observations) may be left out. The summary counts them; `check --older-than 90d` names old ones.
`plausible: [30s, 5m]` gives the two ends between which the value may lie: `guesses` tries them. `why` is a reason in
words, `history` the digest of the files that the value was learnt from; the program keeps both.

## Variants

Each variant names values by dotted paths and gives them another value: `queues.night.retry.first: 2m`. An item of a
list goes by its `name` (`arrivals.nightly.count`, `faults.blackout.at`), else by its number from 0 (`faults.0.at`); a
name goes before a number. A key that is not stated is added, and `null` takes a value back to its default.

A list is replaced by another list, or changed:
`faults: {{add: [{{freeze: dome-1, at: "23:00"}}], remove: [blackout]}}`. What is named under `remove` is taken out
first (an item by its name or number, a word by itself); what stands under `add` comes last. `based_on: NAME` among a
variant's paths makes the changes of that other variant first.

A variant that changes faults, how much work comes, how long it takes or how often it fails, or how systems answer, is a
what-if: `compare` shows it and never recommends it. `candidate: true` or `candidate: false` among its paths says
otherwise.

Under another seed or variant, a fault, a grant of access, an action or an arrival entry with a `name` is the same one,
whatever else is changed in it: its draws are keyed by its name. One without a name is known by what it says.

A question asks the same in words: `{{ask: "What if dome-1 freezes?", change: {{faults: {{add: [...]}}}}}}`.
`run FILE --nights N --questions` answers each. `compare` leaves questions out.

## A file that is based on another

`based_on: base.yaml` names another scenario file, whose values hold where this one states none. Mappings merge key by
key. A list takes the place of the other's, or changes it by `add` and `remove` as in a variant. `null` takes a value
back to its default. A distribution, whom a fault is aimed at, and what a variant sets at a path are one value each. A
base may be based on another file; up to 8 are read.

Paths count from the file that they stand in. A base above the scenario's folder, or elsewhere, needs `--allow-folder`.
A mistake is told in the file in which it stands. `check --resolved` shows the whole, with the file and line of each
value. A log keeps the texts of all these files.
"""


def reference_page() -> str:
    """Write the reference page of the scenario file, in Markdown."""
    lines = [_INTRODUCTION]
    lines += ["## Distributions", "", _paragraph("Distribution"), "", *_laws(), "", *_table("Distribution"), ""]
    for title, model, where in _SECTIONS:
        lines += [f"## {title}", "", (f"{where}: " if where else "") + _paragraph(model), "", *_table(model), ""]
        lines += _KINDS[model]() if model in _KINDS else []
    lines += [*_hazards(), ""]
    return "\n".join(lines)


def _paragraph(model: str) -> str:
    text: str = shape()["$defs"][model]["description"]
    return " ".join(text.replace("``", "`").split())


def _table(model: str) -> Iterator[str]:
    node = shape()["$defs"][model]
    yield "| key | meaning | value | default |"
    yield "| --- | --- | --- | --- |"
    for key, value in node["properties"].items():
        default = "needed" if key in node.get("required", ()) else _default(value)
        yield f"| `{key}` | {value['description'].replace('|', '/')} | {_value(value)} | {default} |"


def _value(node: Mapping[str, Any]) -> str:
    """Say what may stand there, without the examples, which the top of the page has."""
    said = "a mapping: see there"
    if not is_of_keys(node):
        said = _EXAMPLES.sub("", words(node).replace(KINDS["distribution"], "a [distribution](#distributions)"))
    return _EXACT.sub(r"\g<0> (exact)", said)


def _default(node: Mapping[str, Any]) -> str:
    default = said_default(node)
    if default is None or default in ("", [], {}):
        return "-"
    if isinstance(default, list):
        return ", ".join(f"`{item}`" for item in default)
    return f"`{str(default).lower() if isinstance(default, bool) else default}`"


def _laws() -> Iterator[str]:
    yield "| law | keys | may stand beside them |"
    yield "| --- | --- | --- |"
    for name, (needed, allowed) in distribution.LAWS.items():
        yield f"| {name} | {_keys(needed)} | {_keys(allowed)} |"


def _keys(keys: tuple[str, ...]) -> str:
    return ", ".join(f"`{key}`" for key in keys) or "-"


def _of_kinds(what: str, keys: Mapping[str, tuple[str, ...]]) -> list[str]:
    rows = [f"| `{kind}` | {_keys(beside)} |" for kind, beside in keys.items()]
    every = ["`name` and `share_of_nights` may stand beside each.", ""] if what in ("fault", "action") else []
    return [f"| {what} | keys that may stand beside it |", "| --- | --- |", *rows, "", *every]


_KINDS: Final = {
    "Fault": lambda: _of_kinds("fault", FAULT_KEYS),
    "Action": lambda: _of_kinds("action", faults.ACTION_KEYS),
    "Arrival": lambda: _of_kinds("way of arriving", arrivals.ARRIVAL_KEYS),
}


def _hazards() -> Iterator[str]:
    yield "## Hazards"
    yield ""
    yield "What `check` warns of. A hazard is no mistake: the scenario runs, and the run shows what comes of it."
    yield ""
    yield "| hazard | what it says |"
    yield "| --- | --- |"
    for code, look in HAZARDS.items():
        yield f"| `{code}` | {(inspect.getdoc(look) or '').splitlines()[0]} |"


if __name__ == "__main__":  # pragma: no cover - one line, and the test calls reference_page itself
    sys.stdout.write(reference_page())
