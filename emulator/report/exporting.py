"""Exports a log in an open format."""

from collections.abc import Callable, Iterator
from pathlib import Path
from types import MappingProxyType
from typing import Final

from emulator.errors import InputError, LogError
from emulator.record.log_reader import Log, fitting
from emulator.report.judged_log import judged_log
from emulator.report.writing import same_file, write_whole
from emulator.scenario.arguments import TEXT, Kind, must_be
from emulator.scenario.load import AnyFolders
from emulator.scenario.spelling import advise
from emulator.show.exports.recorded import Recorded
from emulator.show.exports.spans import otlp
from emulator.show.exports.tables import (
    attempts_csv,
    cloudevents_batch,
    cloudevents_lines,
    jobs_csv,
    openmetrics,
    results_xml,
)

__all__ = [
    "FORMATS",
    "export",
    "pieces",
    "recorded",
    "write_export",
]


FORMATS: Final = MappingProxyType[str, Callable[[Recorded], Iterator[str]]](
    {
        "cloudevents": cloudevents_batch,
        "cloudevents-lines": cloudevents_lines,
        "openmetrics": openmetrics,
        "junit": results_xml,
        "otlp": otlp,
        "jobs-csv": jobs_csv,
        "attempts-csv": attempts_csv,
    }
)
"""Name -> what gives a recorded night in that format, piece by piece."""

_LOG: Final = Kind("the path of a log, or what `open_log` gave", lambda given: isinstance(given, str | Path | Log))


def recorded(log: Log | str | Path, allow_folders: AnyFolders = ()) -> Recorded:
    """Read a log for export.

    Raises:
        LogError: when it cannot be read, was changed since, or holds no event yet.
        ScenarioError: when this version of the program does not take its scenario any more.
    """
    must_be(_LOG, log=log)
    found = judged_log(log, allow_folders=allow_folders)
    about, scenario = found.log.meta, found.loaded.scenario
    return Recorded(
        title=found.loaded.title + (f", variant '{about.variant}'" if about.variant else ""),
        about=about,
        clock=found.loaded.clock,
        rows=found.rows,
        night=found.night,
        judged=found.judged,
        also_true=found.also_true,
        finished=found.log.finished,
        breaks_off=found.breaks_off,
        digest=found.log.digest or "",
        parts={
            name: tuple((part.name, part.for_each is not None) for part in routine.parts)
            for name, routine in scenario.routines.items()
        },
    )


def pieces(log: Log | str | Path, form: str, allow_folders: AnyFolders = ()) -> Iterator[str]:
    """Give a log in an open format, piece by piece. See ``export``."""
    must_be(TEXT, form=form)
    if form not in FORMATS:
        raise InputError(f"there is no format {form!r}: {advise(form, FORMATS)}")
    return _fitting(FORMATS[form], recorded(log, allow_folders), log.path if isinstance(log, Log) else log)


def _fitting(write: Callable[[Recorded], Iterator[str]], night: Recorded, path: str | Path) -> Iterator[str]:
    with fitting(path):
        yield from write(night)


def export(log: Log | str | Path, form: str, *, allow_folders: AnyFolders = ()) -> str:
    r"""Give a log in an open format; the same log gives the same text.

    Args:
        log: what ``open_log`` gave, or the path of a log.
        form: ``cloudevents`` (a JSON batch), ``cloudevents-lines``, ``openmetrics``, ``junit`` (the requirements as
            test results in XML), ``otlp`` (spans), ``jobs-csv`` or ``attempts-csv``.
        allow_folders: folders below which the files of its scenario may lie too.

    Times are virtual ones. To write a text to a file, keep its line ends (``newline=""``): those of CSV are ``\r\n``.

    Raises:
        LogError: when the log cannot be read, was changed since, or holds no event yet.
        InputError: when there is no such format, or the format cannot hold the night.

    >>> import emulator, tempfile
    >>> settings = {
    ...     "title": "One copy",
    ...     "starts": "2026-06-12T21:30:00",
    ...     "zone": "America/Santiago",
    ...     "lasts": "1h",
    ...     "queues": {"night": {"lease": "90s"}},
    ...     "pools": {"dome": {"count": 1, "serves": ["night"]}},
    ...     "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "5m"}]}},
    ...     "arrivals": [{"routine": "copy", "name": "plates", "count": 1, "at": "21:40"}],
    ... }
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     night = emulator.run(settings, log=f"{folder}/one.qdlog")
    ...     print(emulator.export(f"{folder}/one.qdlog", "jobs-csv").splitlines()[1][:50])
    1,plates#1,copy,night,plates,1,,done,,,1,dome-1,0,
    """
    return "".join(pieces(log, form, allow_folders))


def write_export(
    log: str | Path, form: str, path: Path, *, overwrite: bool = False, allow_folders: AnyFolders = ()
) -> None:
    """Write a log in an open format to a new file.

    Raises:
        LogError: when the log cannot be read, or the file cannot be written.
        InputError: when the file is there and may not be overwritten, is the log itself, or as for ``export``.
    """
    if path.exists() and not overwrite:
        raise InputError(f"{path}: there is a file already: give --overwrite, or another name with -o")
    if same_file(path, log):
        raise InputError(f"{path}: is the log itself: give another name with -o")
    text = export(log, form, allow_folders=allow_folders)
    try:
        write_whole(path, text)
    except OSError as error:
        raise LogError(f"{path}: the export cannot be written: {error.strerror}") from None
