"""Does a log give the figures and verdicts that its run gave?"""

from pathlib import Path

import pytest

from emulator.errors import LogError
from emulator.experiment.run import run
from emulator.measure.catalogue import MEASURES
from emulator.measure.figures import Figures
from emulator.measure.night import FAMILY, PLAIN, Night
from emulator.report.judged_log import judged_log

SCENARIOS = Path(__file__).parents[2] / "scenarios"
ALL = sorted(path.stem for path in SCENARIOS.glob("*.yaml"))


@pytest.mark.slow
@pytest.mark.parametrize("name", ALL)
def test_a_log_is_judged_as_its_run_was(name: str, tmp_path: Path) -> None:
    """For every ready scenario each figure, requirement and job's row is the same from the log as from the run."""
    result = run(SCENARIOS / f"{name}.yaml", log=tmp_path / "night.db")
    found = judged_log(tmp_path / "night.db")

    before, after = Figures(result.night), Figures(found.night)
    assert [after.get(one) for one in MEASURES] == [before.get(one) for one in MEASURES]
    assert (found.judged, rows_of(found.night), found.night.waiting) == (
        result.judged,
        rows_of(result.night),
        result.night.waiting,
    )


def test_a_log_states_the_load_that_its_run_stated_where_nights_differ(tmp_path: Path) -> None:
    """A factor of the night changes what comes, and not what the scenario states; a log of it says the same."""
    result = run(
        {
            "title": "Plates of a night that differs",
            "starts": "2026-06-12T20:00:00",
            "lasts": "2h",
            "varies": {"demand": {"cv": 0.4}},
            "queues": {"night": {"lease": "60s"}},
            "pools": {"dome": {"count": 3, "serves": ["night"], "heartbeat": "20s"}},
            "routines": {"copy": {"queue": "night", "parts": [{"name": "read", "takes": "6m"}]}},
            "arrivals": [{"routine": "copy", "per_hour": 12, "varies_with": "demand"}],
        },
        log=tmp_path / "night.db",
    )
    found = judged_log(tmp_path / "night.db")
    assert found.night.offered_load == result.night.offered_load == {"dome": pytest.approx(1.2)}  # 12 an hour, 0.1 h


def rows_of(night: Night) -> list[object]:
    """Give each column of the jobs' rows, but for the mark of those whose waiting the row itself tells."""
    return [night.column(column) for column in range(FAMILY + 1) if column != PLAIN]


def test_a_log_of_a_variant_is_judged_under_that_variant(tmp_path: Path) -> None:
    """The variant that was run decides which scenario the log is judged by."""
    result = run(SCENARIOS / "how-long-a-lease.yaml", variant="5 min", log=tmp_path / "night.db")
    found = judged_log(tmp_path / "night.db")
    assert (found.loaded.scenario, found.judged) == (result.loaded.scenario, result.judged)


def test_a_file_that_is_no_log_is_refused(tmp_path: Path) -> None:
    """What is not there is refused as a log is refused everywhere."""
    with pytest.raises(LogError, match=r"none\.db"):
        judged_log(tmp_path / "none.db")
