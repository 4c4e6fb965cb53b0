"""The catalogue of figures: complete, light, and the source of the reference page."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from emulator.errors import InputError
from emulator.measure.catalogue import MEASURES, find, names, reference_page
from emulator.measure.names import SHORT_LABELS

PAGE = Path(__file__).parents[2] / "docs" / "reference-figures.md"


def test_the_reference_page_is_fresh() -> None:
    """Renew it with: python -m emulator.measure.catalogue > docs/reference-figures.md"""
    assert PAGE.read_text(encoding="utf-8") == reference_page()


def test_every_figure_has_a_plain_name_and_one_sentence() -> None:
    assert [name for name in names() if not re.fullmatch(r"[a-z][a-z0-9_]*", name)] == []
    assert [m.name for m in MEASURES.values() if not m.says.endswith(".") or "|" in m.says] == []
    assert len(set(names())) == len(names())


def test_the_figures_that_a_scenario_is_most_likely_to_name_are_there() -> None:
    wanted = (
        "done_share failed wait_median wait_p90 turnaround_p99 makespan backlog_peak drain_time attempts lost_leases "
        "overlap unsafe_repeats late_effects partial_effects utilisation detection_delay_p90"
    )
    assert [name for name in wanted.split() if name not in names()] == []


@pytest.mark.parametrize(
    ("wrong", "advice"),
    [
        ("wait_p9", "there is no figure 'wait_p9': did you mean 'wait_p90'?"),
        ("Done-Share", "there is no figure 'Done-Share': did you mean 'done_share'?"),
    ],
)
def test_an_unknown_figure_is_refused_with_the_nearest(wrong: str, advice: str) -> None:
    with pytest.raises(InputError) as caught:
        find(wrong)
    assert str(caught.value) == advice


def test_a_figure_that_is_no_text_is_refused() -> None:
    with pytest.raises(InputError) as caught:
        find(["makespan"])  # type: ignore[arg-type]
    assert str(caught.value) == "['makespan'] names no figure: give its name as a text, such as 'makespan'"


def test_loading_the_catalogue_loads_no_heavy_library() -> None:
    code = (
        "import sys, emulator.measure.catalogue\n"
        "print([name for name in ('pydantic', 'rich', 'yaml', 'asyncio', 'sqlite3', 'scipy') if name in sys.modules])"
    )
    shown = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PAGE.parents[1]
    )
    assert shown.stdout == "[]\n"


def test_each_figure_has_a_label_of_its_own_in_words() -> None:
    """A label is short, holds no name of a figure that is typed, and no two are alike."""
    labels = [measure.label for measure in MEASURES.values()]
    assert len(set(labels)) == len(MEASURES)
    assert [label for label in labels if "_" in label or not 8 <= len(label) <= 54] == []


def test_each_figure_has_a_short_label_of_its_own() -> None:
    """It heads a narrow column: at most 12 characters, no name of a figure that is typed, no two alike."""
    shorts = [SHORT_LABELS[name] for name in MEASURES]
    assert len(set(shorts)) == len(MEASURES)
    assert [short for short in shorts if "_" in short or not 4 <= len(short) <= 12] == []
