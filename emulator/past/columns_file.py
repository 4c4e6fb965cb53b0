"""Writes the file that states what columns mean, and reads it back once a person has corrected it.

``NAME.columns.yaml`` has an entry for each file: its columns with what they mean, how they write moments, and what the
words of outcome mean, each with the reason beside it as a comment. A person changes what is wrong, and gives the file
back; then nothing is guessed. Guesses are marked and stand in the head of the file.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from emulator.errors import Problem, ScenarioError
from emulator.past.columns import MEANINGS, OUTCOMES, Column, Columns, Word
from emulator.past.moments import Form, form_named, read_moments
from emulator.past.tables import Table
from emulator.past.workloads import workload_moments
from emulator.scenario import text
from emulator.scenario.spelling import advise

__all__ = ["StatedColumns", "columns_text", "read_columns_file"]

_FORMS: Final = (
    *("day month year", "month day year", "year month day", "month in words", "yyyymmdd", "since 1970", "workload log"),
)


def columns_text(tables: Sequence[tuple[Table, Columns]], zone: str, night: str, *, zone_guessed: bool = False) -> str:
    """Write down what the columns of all files were taken for, guesses first."""
    lines = [
        "# What each column was taken for, and why. Change what is wrong, and give this file back with --columns.",
        f"# A column may mean: {', '.join(MEANINGS)}; one without `means` is not used.",
        f"# A word of outcome may mean: {', '.join(OUTCOMES)}.",
    ]
    guesses = [f"zone: {zone}: nobody stated the zone of the times"] if zone_guessed else []
    guesses += _guesses(tables)
    lines += ["#", f"# Guesses, {len(guesses)}:" if guesses else "# No guesses."]
    lines += [f"# - {it}" for it in guesses]
    lines += [
        "",
        f"zone: {zone}{'  # nobody stated it (a guess)' if zone_guessed else ''}",
        f'night: "{night}"',
        "files:",
    ]
    for table, columns in tables:
        lines.append(f"  {_quoted(Path(table.name).name)}:  # {table.described}")
        for column in columns.columns:
            stated = [f"name: {_quoted(column.name)}"]
            stated += [f"means: {column.means}"] if column.means else []
            stated += [f"form: {column.form.name}"] if column.form else []
            lines.append(f"    - {{{', '.join(stated)}}}  # {_why(column)}")
            if column.words:
                lines[-1] = f"    - name: {_quoted(column.name)}"
                lines += [f"      means: {column.means}  # {_why(column)}", "      words:"]
                lines += [f"        {_quoted(word)}: {it.means}  # {_why(it)}" for word, it in column.words.items()]
    return "\n".join(lines) + "\n"


def _guesses(tables: Sequence[tuple[Table, Columns]]) -> Iterator[str]:
    for table, columns in tables:
        for column in columns.columns:
            place = f"{Path(table.name).name}, {column.name}"
            if column.guess:
                why = column.form.why if column.form and column.form.guess else column.why
                yield f"{place}: {column.means or 'not used'}: {why}"
            for word, it in column.words.items():
                if it.guess:
                    yield f"{place}, {word!r}: {it.means}: {it.why}"


def _why(it: Column | Word) -> str:
    said = it.why
    if isinstance(it, Column) and it.form and it.form.why:
        said += f"; {it.form.why}"
    return said + (" (a guess)" if it.guess else "")


def _quoted(word: str) -> str:
    return json.dumps(word, ensure_ascii=False)


@dataclass(frozen=True, slots=True)
class StatedColumns:
    """What a file of columns says.

    Attributes:
        name: the file.
        zone: the zone of the times that state none.
        night: when a night begins and how long it lasts, as ``18:00+14h``.
        files: the columns stated for each file.
    """

    name: str
    zone: str
    night: str
    files: Mapping[str, tuple[Column, ...]]

    def of(self, table: Table) -> Columns:
        """Give the columns of a table: those stated for a file of its name, or else of the same columns.

        Raises:
            ScenarioError: none fits.
        """
        stated = self.files.get(Path(table.name).name)
        names = set(table.names)
        if stated is None:
            fitting = (it for it in self.files.values() if names.issuperset(column.name for column in it))
            stated = next(fitting, None)
        if stated is None:
            said = f"nothing is stated for {table.name!r}, whose columns are {', '.join(table.names)}"
            raise ScenarioError([Problem(self.name, 0, 0, "files", said)])
        by_name = {column.name: column for column in stated}
        if missing := [name for name in by_name if name not in names and by_name[name].means]:
            said = f"{table.name!r} has no column {missing[0]!r}: {advise(missing[0], tuple(table.names))}"
            raise ScenarioError([Problem(self.name, 0, 0, "files", said)])
        columns = [by_name.get(name, Column(name, "", "not stated")) for name in table.names]
        if table.is_workload:
            return Columns(columns, workload_moments(table))
        if any(column.form and column.form.kind == "workload" for column in columns):
            said = f"{table.name!r} is no workload log: state another form of its moments"
            raise ScenarioError([Problem(self.name, 0, 0, "files", said)])
        moments = {}
        for at, column in enumerate(columns):
            if column.form:
                moments[column.means] = found = read_moments(table.columns[at], column.form, self.zone)
                if len(found.unread) > len(table) / 2:
                    row = found.unread[0]
                    said = f"{table.name}:{table.lines[row]}, column {column.name!r}: {table.columns[at][row]!r} is no "
                    said += f"moment of the form {column.form.name!r}: state one of {', '.join(_FORMS)}"
                    raise ScenarioError([Problem(self.name, 0, 0, "files", said)])
        return Columns(columns, moments)


def read_columns_file(path: Path | str) -> StatedColumns:
    """Read a file of columns.

    Raises:
        ScenarioError: with every mistake in it, each at its line and column.
    """
    document = text.read(Path(path), keys="zone:, night:, files:, as sketch writes them")
    problems: list[Problem] = []

    def wrong(loc: tuple[str | int, ...], said: str) -> None:
        line, column = document.place(loc)
        problems.append(Problem(document.name, line, column, ".".join(map(str, loc)), said))

    data: Any = document.data
    if not isinstance(data, dict):
        raise ScenarioError(
            [Problem(document.name, 1, 1, "", "a file of columns is a mapping with zone, night and files")]
        )
    for key in data:
        if key not in ("zone", "night", "files"):
            wrong((key,), f"there is no key {key!r} here: {advise(str(key), ('zone', 'night', 'files'))}")
    zone, night = data.get("zone", "UTC"), data.get("night", "")
    if not isinstance(zone, str) or not _is_zone(zone):
        wrong(("zone",), f"{zone!r} is no zone: write one such as America/Santiago")
    if not isinstance(night, str):
        wrong(("night",), f"{night!r} is no night: write one in quotes, such as '18:00+14h'")
    files = data.get("files")
    if not isinstance(files, dict) or not files:
        wrong(("files",), "name at least one file, with its columns")
        files = {}
    stated = {str(name): tuple(_columns(name, found, wrong)) for name, found in files.items()}
    if problems:
        raise ScenarioError(problems)
    return StatedColumns(document.name, zone, night, stated)


def _is_zone(name: str) -> bool:
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _columns(file: str, found: Any, wrong: Any) -> Iterator[Column]:
    if not isinstance(found, list):
        wrong(("files", file), "list its columns, each with name and means")
        return
    seen: dict[str, int] = {}
    for at, it in enumerate(found):
        loc = ("files", file, at)
        if not isinstance(it, dict) or not isinstance(it.get("name"), str):
            wrong(loc, "a column has a name")
            continue
        for key in it:
            if key not in ("name", "means", "form", "words"):
                wrong(
                    (*loc, key), f"there is no key {key!r} here: {advise(str(key), ('name', 'means', 'form', 'words'))}"
                )
        means, form, words = it.get("means") or "", it.get("form"), it.get("words") or {}
        if means and means not in MEANINGS:
            wrong((*loc, "means"), f"a column cannot mean {means!r}: {advise(str(means), MEANINGS)}")
            continue
        if means and means in seen:
            wrong((*loc, "means"), f"{means} stands twice: it is column {seen[means] + 1} of this list too")
        seen.setdefault(means, at)
        yield Column(it["name"], means, "stated", form=_form(loc, means, form, wrong), words=_words(loc, words, wrong))


def _form(loc: tuple[str | int, ...], means: str, form: Any, wrong: Any) -> Form | None:
    if means not in ("submitted", "begun", "ended"):
        return None
    found = form_named(form) if isinstance(form, str) else None
    if found is None:
        wrong(
            (*loc, "form") if form is not None else loc,
            f"state how it writes moments, as form: one of {', '.join(_FORMS)}",
        )
    return found


def _words(loc: tuple[str | int, ...], words: Any, wrong: Any) -> dict[str, Word]:
    if not isinstance(words, dict):
        wrong((*loc, "words"), "a mapping: what each word of outcome means")
        return {}
    out = {}
    for word, means in words.items():
        if means not in OUTCOMES:
            wrong((*loc, "words", word), f"a word cannot mean {means!r}: {advise(str(means), OUTCOMES)}")
            continue
        out[str(word)] = Word(means, "stated", False)
    return out
