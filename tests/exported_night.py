"""A small night with everything that an export has to tell, and its exports as tests keep them.

``python tests/exported_night.py`` writes them anew to tests/golden: look at what changed before you keep it.
"""

import tempfile
from dataclasses import replace
from pathlib import Path

from emulator.experiment.run import run
from emulator.report.exporting import FORMATS, recorded
from emulator.scenario.load import load_text
from emulator.show.exports.recorded import Recorded

GOLDEN = Path(__file__).parent / "golden"
HOSTILE = "=1+1\u202e<b>&\"'\\\u00e9"

SCENARIO = """\
title: "A night to export <b>&amp; \\u202E"
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 1h
queues: {night: {lease: 90s}}
pools: {dome: {count: 2, serves: [night], heartbeat: 30s}}
routines:
  copy:
    queue: night
    parameters: {plates: list}
    parts:
      - {name: read, takes: 4m}
      - {name: write, takes: 2m, for_each: plates, effect: written, target: "{element}", repeatable: false}
  long: {queue: night, parts: [{name: wait, takes: 2h}]}
arrivals:
  - {routine: copy, name: plates, count: 1, at: "21:31", parameters: {plates: [north, HOSTILE]}}
  - {routine: long, name: longs, count: 1, at: "21:56"}
faults: [{freeze: dome-1, at: "21:37", lasts: 10m}]
actions: [{run_again: "plates#1", at: "21:42"}]
must_hold:
  - {measure: unfinished, exactly: 1}
  - {measure: done_share, at_least: 1}
  - {measure: unsafe_repeats, at_most: 0}
  - {measure: lost_while_healthy, at_most: 0, in_share: 0.9}
"""
FORM_OF_FILE = {
    "cloudevents": "json",
    "cloudevents-lines": "jsonl",
    "openmetrics": "txt",
    "junit": "xml",
    "otlp": "json",
    "jobs-csv": "csv",
    "attempts-csv": "csv",
}


def night(folder: Path) -> Recorded:
    """Run the night with a log in a folder, and read it for export; versions are always the same."""
    quoted = '"' + "".join(one if one.isalnum() and one.isascii() else f"\\U{ord(one):08X}" for one in HOSTILE) + '"'
    loaded = load_text(SCENARIO.replace("HOSTILE", quoted), "night.yaml", folder=folder)
    run(loaded, log=folder / "night.qdlog")
    found = recorded(folder / "night.qdlog")
    return replace(found, about=replace(found.about, program_version="0.1.0", zone_data_version="2026a"))


def golden(form: str) -> Path:
    """Give the file that holds the kept export."""
    return GOLDEN / f"export.{form}.{FORM_OF_FILE[form]}"


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        found = night(Path(folder))
    for form, pieces in FORMATS.items():
        golden(form).write_text("".join(pieces(found)), "utf-8", newline="")


if __name__ == "__main__":
    main()
