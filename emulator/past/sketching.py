"""Writes what ``queuedrill sketch`` produces: a draft, the meanings of columns, the figures of each past night."""

import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

from emulator.errors import InputError
from emulator.past.columns_file import columns_text
from emulator.past.draft import Draft, draft_of, draft_of_plans
from emulator.past.learning import Learnt, learn
from emulator.past.nights import YEARS
from emulator.past.reading import History, read_history, taken_for
from emulator.past.tables import LeftOut
from emulator.report.writing import write_whole
from emulator.show.layout import Page
from emulator.show.story.of_jobs import number_of

__all__ = [
    "Sketch",
    "check_outputs",
    "outputs_of",
    "sketch_files",
    "sketch_json",
    "sketch_page",
]


@dataclass(slots=True)
class Sketch:
    """What was read and drafted, and which files were written.

    Attributes:
        history: what the files hold.
        learnt: what their nights tell; None where there is nothing but timetables.
        draft: the scenario.
        written: the files that were written, the scenario first.
    """

    history: History
    learnt: Learnt | None
    draft: Draft
    written: list[Path]


def outputs_of(output: Path | str, *, columns: bool) -> dict[str, Path]:
    """Name the files that a sketch may write: the ``draft``, the meanings of ``columns``, the figures of ``nights``.

    Args:
        output: the scenario to write.
        columns: whether a file of columns is given; then none is written.

    >>> [path.as_posix() for path in outputs_of("plans/draft.yaml", columns=True).values()]
    ['plans/draft.yaml', 'plans/draft.nights.csv']
    """
    output = Path(output)
    stem = output.with_suffix("")
    out = {"draft": output}
    if not columns:
        out["columns"] = stem.with_name(f"{stem.name}.columns.yaml")
    out["nights"] = stem.with_name(f"{stem.name}.nights.csv")
    return out


def check_outputs(outputs: Mapping[str, Path], *, overwrite: bool) -> None:
    """Make sure that the files can take their names.

    Raises:
        InputError: the draft is no .yaml file, its folder is missing, or a file is there already.
    """
    output = outputs["draft"]
    if output.suffix not in (".yaml", ".yml"):
        raise InputError(f"{output}: a scenario is a .yaml file: name one, such as draft.yaml")
    if not output.parent.is_dir():
        raise InputError(f"{output}: cannot be written: there is no folder {output.parent}")
    for path in outputs.values():
        if path.exists() and not overwrite:
            raise InputError(f"{path}: is there already: name another file, or give --overwrite")


def sketch_files(
    files: Sequence[Path | str],
    output: Path | str,
    *,
    columns: Path | str | None = None,
    night: str | None = None,
    zone: str | None = None,
    table: str | None = None,
    overwrite: bool = False,
    starts: date | None = None,
    progress: Callable[[float], None] | None = None,
) -> Sketch:
    """Read files of past jobs, and write a draft with what belongs to it.

    Args:
        files: exports, crontabs and calendars.
        output: the scenario to write, such as ``draft.yaml``; the meanings of columns are written beside it as
            ``draft.columns.yaml``, the figures of past nights as ``draft.nights.csv``.
        columns: a file of columns; then none is written.
        night: as ``18:00+14h``.
        zone: the zone of the times that state none.
        table: the table of SQLite files.
        overwrite: whether files that are there may be replaced.
        starts: on which date the drafted night begins; by default after the last night of the history, and needed
            where there is none.
        progress: told the share of the work that is done, from 0 to 1.

    Raises:
        InputError: a file cannot be read or written, or holds too little; or one to be written is there already.
        ScenarioError: the file of columns is wrong.
    """
    outputs = outputs_of(output, columns=columns is not None)
    check_outputs(outputs, overwrite=overwrite)
    if starts is not None and not YEARS[0] <= starts.year <= YEARS[1]:
        raise InputError(f"--starts {starts}: years run from {YEARS[0]} to {YEARS[1]}: give a date in one of them")
    history = read_history(files, columns=columns, night=night, zone=zone, table=table, progress=progress)
    planned = [it for timetable in history.timetables for it in timetable.planned]
    if history.nights is None:
        learnt = None
        if starts is None:
            raise InputError(
                f"{taken_for(history)}: give an export of them, or state the date on which the night begins, "
                "with --starts"
            )
        if not planned:
            raise InputError(f"{taken_for(history)}, and holds no rule that recurs: give an export of past jobs")
        draft = draft_of_plans(planned, history.window, history.zone, starts)
    else:
        learnt = learn(history.nights)
        draft = draft_of(
            learnt, starts=starts, history=history.digest, planned=planned, nights_file=outputs["nights"].name
        )
    texts = {outputs["draft"]: draft.text}
    if learnt is not None:
        if "columns" in outputs:
            texts[outputs["columns"]] = columns_text(
                history.tables, history.zone, history.window.text, zone_guessed=history.zone_guessed
            )
        texts[outputs["nights"]] = draft.nights
    for path, text in texts.items():
        try:
            write_whole(path, text)
        except OSError as error:
            raise InputError(f"{path}: cannot be written: {error.strerror}") from error
    return Sketch(history, learnt, draft, [*texts])


_MOST_GUESSES: Final = 8


def sketch_page(made: Sketch) -> Page:
    """Write the report."""
    page = Page()
    nights = made.history.nights
    rules = sum(len(it.planned) for it in made.history.timetables)
    if nights is None:
        page.say(f"Drafted from {number_of(rules, 'rule')}, without a history: all else in it is a guess.", "bad")
    else:
        span = f"from {nights.dates[0]} to {nights.dates[-1]}"
        jobs = number_of(len(nights.first), "job")
        page.say(f"Drafted from {jobs} in {number_of(len(nights), 'night')} {span}.", "good")
    page.heading("Read")
    rows = [(Path(table.name).name, number_of(len(table), "row"), table.described) for table, _ in made.history.tables]
    rows += [(Path(it.name).name, number_of(len(it.planned), "rule"), it.kind) for it in made.history.timetables]
    page.table(rows, right=(1,))
    told = _told(made)
    for title, some in (
        ("Left out", [it for it in told if not it.used]),
        ("Counted and used", [it for it in told if it.used]),
    ):
        if some:
            page.heading(title)
            for it in some:
                page.say(_words(it, len(made.history.files) > 1), indent=2, hanging=4)
    if made.draft.warnings:
        page.heading("Look at this first")
        for text in made.draft.warnings:
            page.say(text, indent=2, hanging=4)
    page.heading(f"Guesses in the draft: {len(made.draft.guesses)}")
    for guess in list(made.draft.guesses)[:_MOST_GUESSES]:
        page.say(guess, indent=2, hanging=4)
    if len(made.draft.guesses) > _MOST_GUESSES:
        page.say(f"and {len(made.draft.guesses) - _MOST_GUESSES} more: the draft lists them at its top", indent=2)
    doubtful = _doubtful(made)
    if doubtful:
        page.heading(f"Guesses about columns: {len(doubtful)}")
        for text in doubtful:
            page.say(text, indent=2, hanging=4)
    page.heading("Written")
    for path in made.written:
        page.say(str(path), indent=2, hanging=4)
    page.blank()
    page.say("Read what the draft says of itself, then judge it:", "small")
    page.command(f"queuedrill check {shlex.quote(str(made.written[0]))}")
    page.command(f"queuedrill run {shlex.quote(str(made.written[0]))} --nights 40")
    return page


def sketch_json(made: Sketch) -> dict[str, Any]:
    """Give the report as plain data."""
    nights = made.history.nights
    return {
        "written": [str(path) for path in made.written],
        "nights": 0 if nights is None else len(nights),
        "jobs": 0 if nights is None else len(nights.first),
        "rules": sum(len(it.planned) for it in made.history.timetables),
        "told": [{"file": it.file, "why": it.why, "count": it.count, "lines": list(it.lines)} for it in _told(made)],
        "guesses": dict(made.draft.guesses),
        "warnings": list(made.draft.warnings),
        "columns": {
            table.name: {column.name: column.means for column in columns.columns if column.means}
            for table, columns in made.history.tables
        },
    }


def _told(made: Sketch) -> list[LeftOut]:
    told = [] if made.history.nights is None else made.history.nights.attempts.told
    return [*told, *(it for timetable in made.history.timetables for it in timetable.left_out)]


def _words(it: LeftOut, several: bool) -> str:
    where = "line" if it.count == 1 else "lines"
    lines = ", ".join(map(str, it.lines)) + (", ..." if it.count > len(it.lines) else "")
    return f"{number_of(it.count, 'row')}: {it.why} ({f'{it.file}, ' if several else ''}{where} {lines})"


def _doubtful(made: Sketch) -> list[str]:
    found = (
        ["zone: nobody stated the zone of the times, UTC was taken: give --zone"] if made.history.zone_guessed else []
    )
    for table, columns in made.history.tables:
        for column in columns.columns:
            if column.guess:
                why = column.form.why if column.form and column.form.guess else column.why
                found.append(f"{table.name}, column {column.name}: {column.means or 'not used'}: {why}")
            found += [
                f"{table.name}, column {column.name}, {word!r}: {it.means}: {it.why}"
                for word, it in column.words.items()
                if it.guess
            ]
    return found
