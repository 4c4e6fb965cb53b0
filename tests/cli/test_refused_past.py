"""What is refused before anything is read or written, and files of past nights that cannot be believed."""

import warnings
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from small_place import Ended

from emulator.errors import InputError
from emulator.past.draft import _Drafting
from emulator.past.drifting import find_drift
from emulator.past.figures import FIGURES, nights_text, read_nights
from emulator.past.foretelling import _Work
from emulator.past.laws import stats
from emulator.past.schedules import _chance_alike, days_of
from emulator.past.workers import Pool

Call = Callable[..., Ended]
NIGHT = ("--night", "18:00+14h", "--zone", "UTC")


@pytest.mark.parametrize(
    ("arguments", "which"),
    [
        (["z.nights.csv", *NIGHT, "-o", "z.yaml"], "z.nights.csv"),
        (["z.columns.yaml", *NIGHT, "-o", "z.yaml"], "z.columns.yaml"),
        (["z.yaml", *NIGHT, "-o", "z.yaml"], "z.yaml"),
        (["linked.csv", *NIGHT, "-o", "z.yaml"], "z.nights.csv"),
        (["other.csv", "--columns", "cc.yaml", "-o", "cc.yaml"], "cc.yaml"),
    ],
)
def test_a_sketch_never_takes_the_place_of_what_it_reads(
    place: Path, queuedrill: Call, arguments: list[str], which: str
) -> None:
    names = ("z.nights.csv", "z.columns.yaml", "z.yaml", "cc.yaml", "other.csv")
    for name in names:
        (place / name).write_text("the only copy\n")
    (place / "linked.csv").symlink_to("z.nights.csv")
    code, out, err = queuedrill("sketch", *arguments, "--overwrite")
    assert (code, out) == (2, "")
    assert f"{which} is what is read: name another file to write to." in err
    assert {(place / name).read_text() for name in names} == {"the only copy\n"}


def test_no_file_is_written_where_one_of_them_cannot_be(place: Path, queuedrill: Call) -> None:
    (place / "draft.nights.csv").mkdir()
    (place / "rules").write_text("30 21 * * * copy-plates\n")
    code, out, err = queuedrill("sketch", "rules", *NIGHT, "--starts", "2026-03-01", "--overwrite")
    assert (code, out) == (2, "")
    assert "draft.nights.csv cannot be written: Is a directory; name another file." in err
    assert not (place / "draft.yaml").exists()


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2026-03-03,weekday,5,nan,1", "column pace: 'nan' is no number from 0 to 1e+15"),
        ("2026-03-03,weekday,inf,1,1", "column accepted: 'inf' is no number from 0 to 1e+15"),
        ("2026-03-03,weekday,-5,1,1", "column accepted: '-5' is no number from 0 to 1e+15"),
        ("2026-03-03,weekday,1e308,1,1", "column accepted: '1e308' is no number from 0 to 1e+15"),
        ("2026-03-03,weekday,5,1,1e3", "column log_run:copy: '1e3' is no number from -100 to 100"),
        ("2026-03-03,weekday,,,", "column accepted: '' is no number from 0 to 1e+15"),
        ("2026-03-03,weekday,5,many,1", "column pace: 'many' is no number from 0 to 1e+15"),
        ("2026-03-02,weekday,5,1,1", "column date: 2026-03-02 does not come after 2026-03-02, the night above"),
        (
            "2026-03-03,weekend,5,1,1",
            "column kind: 'weekend', and 2026-03-03 is a weekday: correct the kind or the date",
        ),
        ("2026-03-07,,5,1,1", "column kind: '', and 2026-03-07 is a weekend: correct the kind or the date"),
        ("soon,weekday,5,1,1", "column date: 'soon' is no date: write one such as 2026-03-02"),
        ("2026-03-03,weekday,5", "it has 3 cells, not 5"),
    ],
)
def test_a_night_that_cannot_be_is_refused_with_its_row_and_column(tmp_path: Path, row: str, said: str) -> None:
    path = tmp_path / "draft.nights.csv"
    path.write_text(f"date,kind,accepted,pace,log_run:copy\n2026-03-02,weekday,5,,-1.5\n{row}\n")
    with pytest.raises(InputError) as refused:
        read_nights(path)
    assert f"{path}:3: cannot be read as a night: {said}" in str(refused.value)


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"date,kind,accepted\n2026-03-02,weekday,\xe9\n", ":2: is not UTF-8: make it anew with sketch"),
        (b"date,kind,accepted,accepted\n", ":1: column accepted stands twice: make it anew with sketch"),
        (b'date,kind,accepted\n"' + b"x" * 200_000 + b'"\n', ":2: cannot be read as rows: field larger than"),
    ],
)
def test_a_file_that_is_no_file_of_nights_is_told_in_plain_words(tmp_path: Path, raw: bytes, said: str) -> None:
    path = tmp_path / "draft.nights.csv"
    path.write_bytes(raw)
    with pytest.raises(InputError) as refused:
        read_nights(path)
    assert str(refused.value).startswith(f"{path}{said}")


def test_a_device_is_no_file_of_nights() -> None:
    """It has no end; and what the system calls an error is told without a number."""
    for path, why in (("/dev/zero", "it is no regular file"), ("none.csv", "No such file or directory")):
        with pytest.raises(InputError) as refused:
            read_nights(path)
        assert str(refused.value) == f"{path}: cannot be read: {why}: name a file that sketch wrote"


def test_a_file_of_nights_has_a_largest_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "draft.nights.csv"
    path.write_text("date,kind,accepted\n")  # 19 bytes
    monkeypatch.setattr("emulator.scenario.files._MOST_BYTES", 19)
    assert read_nights(path)[0] == []
    (path := tmp_path / "longer.nights.csv").write_text("date,kind,accepted\n\n")
    with pytest.raises(InputError, match="is longer than 19 bytes: give a file of nights"):
        read_nights(path)


def test_nights_without_a_number_fit_nothing(place: Path, queuedrill: Call) -> None:
    dates = [date(2026, 3, 2) + timedelta(days=at) for at in range(30)]
    empty = {name: np.full(28, np.nan) for name in FIGURES}
    found = find_drift(dates[:28], empty, dates[28:], {name: np.ones(2) for name in FIGURES})
    assert found.outcome == "unknown"
    assert found.sentence == "The past nights hold no figure that can be compared: make their file anew with sketch."
    (place / "draft.nights.csv").write_text(nights_text(dates[:28], empty))
    with pytest.raises(InputError, match="column accepted: '' is no number"):
        read_nights(place / "draft.nights.csv")


def _pool_names(workers: list[str], *pools: str) -> list[str]:
    drafting: Any = _Drafting.__new__(_Drafting)
    drafting.workers = workers
    drafting.queues, drafting.serves = {0: "night"}, {at: ["night"] for at in range(len(pools))}
    drafting.since, drafting.last, drafting.history = "", date(2026, 3, 2), ""
    drafting.nights = [0]
    found = [Pool(name, (0,), 0.0, 1, frozenset([0]), 5) for name in pools]
    times = SimpleNamespace(slow=[])
    drafting.learnt = SimpleNamespace(polling=SimpleNamespace(waits=0, every=0.0), pools=found, run_times=times)
    return [name for name, _ in drafting._pools()]


def test_no_pool_has_the_name_of_a_worker_however_it_is_cleaned() -> None:
    assert _pool_names(["backup-host", "dome-1"], "backup host", "dome") == ["backup-host-pool", "dome"]
    assert _pool_names(["tower", "tower-pool"], "tower") == ["tower-pool-2"]


def test_a_refused_draft_is_a_defect_of_the_program(tmp_path: Path) -> None:
    work: Any = _Work.__new__(_Work)
    work._adapt, work._folder, work._settings = (lambda settings: settings), tmp_path, {}
    with pytest.raises(RuntimeError, match="own draft of the night 2026-03-14T18:00:00 was refused: title: "):
        work._add("given 3", {"starts": "2026-03-14T18:00:00", "lasts": "soon"})


@pytest.mark.slow  # it loads scipy's laws
def test_kinds_of_days_are_compared_without_a_warning_where_counts_are_constant() -> None:
    """Equal counts are alike, other constant ones are not; else it is Welch's test, as scipy has it."""
    dates = [date(2026, 3, 2) + timedelta(days=at) for at in range(14)]
    weekend = np.array([it.weekday() >= 5 for it in dates])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert (days_of(np.full(14, 7.0), dates).differ, days_of(np.full(14, 7.0), dates).chance) == (False, 1.0)
        assert days_of(np.where(weekend, 7.0, 9.0), dates).differ
        assert not days_of(np.where(weekend, 7.0, [6.0, 8.0] * 7), dates).differ
    one, other = np.array([1.0, 2.5, 4.0, 3.0]), np.array([2.0, 6.0, 5.5])
    assert _chance_alike(one, other) == pytest.approx(stats().ttest_ind(one, other, equal_var=False).pvalue)


def test_a_crontab_is_told_from_an_export_by_name(place: Path, queuedrill: Call) -> None:
    (place / "rules").write_text("30 21 * * * copy-plates\n")
    said = "rules: was taken for a crontab, which tells nothing of past jobs: give an export of them"
    assert queuedrill("hindcast", "rules", *NIGHT, "--learn-until", "2026-03-01") == Ended(2, "", f"{said}\n")
