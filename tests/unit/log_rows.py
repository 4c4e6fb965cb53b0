"""Rows of every kind for the tests of the log, and a way to write them."""

from pathlib import Path

from hypothesis import strategies as st

from emulator.record.events import DETAILS, Row
from emulator.record.log_writer import SqliteRecorder
from emulator.record.meta import RunMeta

ABOUT = RunMeta(
    seed=20260612,
    scenario_text="title: A quiet night\r\n# señal, 夜\n",
    scenario_name="quiet.yaml",
    files={"arrivals.csv": "ab12"},
    heartbeats="computed",
    variant="patient",
    program_version="0.1.0",
    zone_data_version="2026a",
    python_version="3.11.7",
)


def some_rows(count: int) -> list[Row]:
    """Give rows of two kinds, each different from the others."""
    return [
        (at, "handed_out", at // 2, at, f"dome-{at % 3}", 1, at, at + 90, 1)
        if at % 2
        else (at, "queue_held", 0, 0, "", f"night {at}")
        for at in range(count)
    ]


details = (
    st.integers()
    | st.text(st.characters(exclude_categories=()))  # half surrogate pairs too
    | st.booleans()
    | st.none()
    | st.floats(allow_nan=False, allow_infinity=False)
)
column = st.integers(0, 2**63 - 1)


@st.composite
def any_row(draw: st.DrawFn) -> Row:
    """Draw a row of any kind with whatever JSON can hold as its details."""
    kind = draw(st.sampled_from(sorted(DETAILS)))
    worker = draw(st.sampled_from(["", "dome-1", 'a "quoted" \\ name', "夜\n"]))
    return (draw(column), kind, draw(column), draw(column), worker, *(draw(details) for _ in DETAILS[kind]))


async def write(path: Path, rows: list[Row], *, batch: int = 100, finish: bool = True) -> None:
    """Write a log of these rows."""
    async with await SqliteRecorder.create(path, ABOUT, batch=batch) as recorder:
        for row in rows:
            recorder.emit(row)
        if finish:
            await recorder.finish()
