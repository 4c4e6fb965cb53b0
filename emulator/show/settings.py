"""What was assumed? The block of every page that tells the settings of its nights, each value with its source.

The law: every word of it is read from the scenario as it was run. A value whose source nobody stated says so.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby

from emulator.measure.words import duration
from emulator.scenario.load import Loaded
from emulator.scenario.stated import NOT_STATED, Assumed, Stated, stated
from emulator.show.clock_changes import changes_in_words
from emulator.show.fault_words import fault_words
from emulator.show.html import clean, name, table, text

__all__ = ["assumed", "digest", "settings_block"]


def assumed(loaded: Loaded, others: Iterable[tuple[str, str]] = ()) -> Assumed:
    """Read what a night of a scenario rests on.

    Args:
        loaded: the scenario, under the variant that is run.
        others: further files, each with its text ("" for settings of no file).
    """
    start, lasts = loaded.clock.local(0), loaded.scenario.lasts
    files = dict([(loaded.name, loaded.text), *loaded.bases.items(), *others])
    faults = [_called(entry) for entry in loaded.data.get("faults") or ()]
    return Assumed(
        f"{start:%A, %Y-%m-%d %H:%M:%S}, for {duration(lasts)}",
        f"{loaded.clock.zone} (UTC{start.isoformat()[-6:]})",
        tuple(changes_in_words(loaded.clock, lasts)),
        tuple((file, digest(said)) for file, said in files.items()),
        tuple(map(str, loaded.changes)),
        tuple(stated(loaded, faults)),
    )


def _called(entry: Mapping[str, object]) -> str:
    kind = next(iter(entry))
    target = entry[kind]
    who = [str(one) for one in target] if isinstance(target, list | tuple) else [str(target)]
    return fault_words(kind, who)


def digest(said: str) -> str:
    """Give the SHA-256 of a text in UTF-8; "" for none."""
    return hashlib.sha256(said.encode()).hexdigest() if said else ""


def settings_block(of: Assumed, seeds: str, versions: Mapping[str, str]) -> str:
    """Write the block: the head as a list, then a folded table for each part of the scenario."""
    head = [
        ("date", text(of.date)),
        ("zone", text(of.zone)),
        ("clock change", text("; ".join(of.clock_changes) or "none while it lasts")),
        *(("file", f"{name(file)}, {_digest(sum_)}") for file, sum_ in of.files),
        ("seeds", text(seeds)),
        ("version", ", ".join(f"{text(one)} {text(version)}" for one, version in versions.items())),
        ("set on the command line", ", ".join(f"<code>{text(clean(one))}</code>" for one in of.changes) or "nothing"),
    ]
    listed = "".join(f"<dt>{what}</dt><dd>{words}</dd>" for what, words in head)
    parts = []
    for part, several in groupby(of.values, key=lambda one: one.part):
        values = list(several)
        rows = [[text(clean(one.name)), text(clean(one.value)), text(one.source)] for one in values]
        parts.append(
            f'<details class="job"><summary><h3>{part.capitalize()}: {_sources(values)}</h3></summary>'
            f"{_table(part, rows)}</details>"
        )
    return f'<section id="settings"><h2>Settings and assumptions</h2><dl>{listed}</dl>{"".join(parts)}</section>'


def _digest(of: str) -> str:
    return f"SHA-256 <code>{of}</code>" if of else "no file"


def _table(part: str, rows: Sequence[Sequence[str]]) -> str:
    return table(f"{part.capitalize()}, as they were run", ("what", "value", "source"), rows)


def _sources(values: Sequence[Stated]) -> str:
    """Say how many values of a part have no source."""
    bare = sum(1 for one in values if one.source == NOT_STATED)
    return f"{len(values)} value{'' if len(values) == 1 else 's'}, {bare or 'none'} without a source"
