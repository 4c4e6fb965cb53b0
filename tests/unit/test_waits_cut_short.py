"""What cut a wait off: the end of its job, or the end of the run."""

import re

from emulator.experiment.run import run
from emulator.report.paging import page_of_night
from emulator.scenario.load import load_text

NIGHT = """\
title: Waits with an end
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 6h
queues: {night: {lease: 90s, start_within: 1h}}
pools: {dome: {count: 1, serves: [night], poll: 0s}}
routines: {copy: {queue: night, parts: [{name: copy, takes: 2h}]}}
arrivals:
  - {routine: copy, name: early, count: 3, at: "+1h"}
  - {routine: copy, name: late, count: LATE, at: "+5h30m"}
"""
"""Of the early ones the first is done after two hours and the two others expire; the first late one is in progress at
the end, the others wait. Waits: two ended by their jobs; turnarounds: the late ones are cut off by the end."""


def told(late: int) -> tuple[str, list[str]]:
    """Give what the summary says of cut-off times, and the page of waits and of turnarounds."""
    result = run(load_text(NIGHT.replace("LATE", str(late)), "waits.yaml"))
    summary = " ".join(result.summary(everything=True).as_text().split())
    said = re.search(r"'> x' is .*?\(product-limit estimate\)\.", summary)
    return said[0] if said else "", re.findall(r"Of \d+ jobs\.(.*?)</p>", page_of_night(result))


def test_a_wait_that_its_job_ended_is_not_told_as_cut_off_by_the_run() -> None:
    """Of jobs that expired it is said that they ended; cut off by the end of the run is what waited still then."""
    assert told(3) == (
        "'> x' is 'more than x': up to 3 of these times were cut off by the end of the run and 2 waits were cut off by "
        "the end of their jobs, which no worker had taken; they are counted as such (product-limit estimate).",
        [
            " 2 were cut off by the end of the run and 2 waits were cut off by the end of their jobs, which no worker "
            "had taken; they count as longer than that.",
            " 3 were cut off by the end of the run; they count as longer than that.",
        ],
    )


def test_where_nothing_waits_at_the_end_the_run_cuts_no_wait_off() -> None:
    """A night whose one unfinished job is in progress cuts off its turnaround alone."""
    assert told(1) == (
        "'> x' is 'more than x': up to 1 of these times was cut off by the end of the run and 2 waits were cut off by "
        "the end of their jobs, which no worker had taken; they are counted as such (product-limit estimate).",
        [
            " 2 waits were cut off by the end of their jobs, which no worker had taken; they count as longer than "
            "that.",
            " 1 was cut off by the end of the run; it counts as longer than that.",
        ],
    )
