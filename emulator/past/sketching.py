"""What does ``queuedrill sketch`` write: a draft, the meanings of columns, and the figures of each past night."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from emulator.errors import InputError
from emulator.experiment.writing import write_whole
from emulator.past.columns_file import columns_text
from emulator.past.draft import Draft, draft_of, draft_of_plans
from emulator.past.learning import Learnt, learn
from emulator.past.reading import History, read_history

__all__ = ["Sketch", "sketch_files"]


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
    output = Path(output)
    stem = output.with_suffix("")
    beside = {
        "columns": stem.with_name(f"{stem.name}.columns.yaml"),
        "nights": stem.with_name(f"{stem.name}.nights.csv"),
    }
    if output.suffix not in (".yaml", ".yml"):
        raise InputError(f"{output}: a scenario is a .yaml file: name one, such as draft.yaml")
    if not output.parent.is_dir():
        raise InputError(f"{output}: cannot be written: there is no folder {output.parent}")
    if columns is not None:
        del beside["columns"]
    for path in (output, *beside.values()):
        if path.exists() and not overwrite:
            raise InputError(f"{path}: is there already: name another file, or give --overwrite")
    history = read_history(files, columns=columns, night=night, zone=zone, table=table, progress=progress)
    planned = [it for timetable in history.timetables for it in timetable.planned]
    if history.nights is None:
        learnt = None
        if starts is None:
            raise InputError("no file tells past jobs: state the date on which the night begins, with --starts")
        if not planned:
            raise InputError(f"{files[0]}: holds no rule that recurs: give an export of past jobs")
        draft = draft_of_plans(planned, history.window, history.zone, starts)
        beside.clear()
    else:
        learnt = learn(history.nights)
        draft = draft_of(learnt, starts=starts, history=history.digest, planned=planned)
    texts = {output: draft.text}
    if "columns" in beside:
        texts[beside["columns"]] = columns_text(
            history.tables, history.zone, history.window.text, zone_guessed=history.zone_guessed
        )
    if "nights" in beside:
        texts[beside["nights"]] = draft.nights
    for path, text in texts.items():
        try:
            write_whole(path, text)
        except OSError as error:
            raise InputError(f"{path}: cannot be written: {error.strerror}") from error
    return Sketch(history, learnt, draft, [*texts])
