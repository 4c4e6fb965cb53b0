"""What `sleep`, `timeout` and `date` are asked for: usual options are read, others are refused by name."""

from datetime import UTC, datetime

import pytest

from emulator.scripts.stand_ins import Limit, UnusualError, date_text, limit, sleep_ticks

NOW = datetime(2026, 6, 12, 22, 5, 7, 42, tzinfo=UTC)


@pytest.mark.parametrize(
    ("arguments", "ticks"),
    [
        (["1"], 1_000_000),
        (["0.5"], 500_000),
        (["1m", "30"], 90_000_000),
        (["2h"], 7_200_000_000),
        (["1d"], 86_400_000_000),
    ],
)
def test_sleep_adds_its_times(arguments: list[str], ticks: int) -> None:
    """Times are seconds, or have s, m, h or d behind them; several are added (common practice)."""
    assert sleep_ticks(arguments) == ticks


@pytest.mark.parametrize(
    ("arguments", "asked"),
    [
        (["5", "store"], Limit(5_000_000, 15, ("store",))),
        (["-s", "9", "1m", "store", "put"], Limit(60_000_000, 9, ("store", "put"))),
        (["--signal=INT", "5", "store", "-s"], Limit(5_000_000, 2, ("store", "-s"))),
        (["-sTERM", "--foreground", "0", "a"], Limit(0, 15, ("a",))),
    ],
)
def test_timeout_reads_its_signal_time_and_command(arguments: list[str], asked: Limit) -> None:
    """What stands behind the command is the command's."""
    assert limit(arguments) == asked


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ([], "Fri Jun 12 22:05:07 UTC 2026"),
        (["-u", "+%Y%m%d-%H%M%S"], "20260612-220507"),
        (["-I"], "2026-06-12"),
        (["-Iseconds"], "2026-06-12T22:05:07+00:00"),
        (["-R"], "Fri, 12 Jun 2026 22:05:07 +0000"),
        (["+%s.%N"], "1781301907.000042000"),
        (["-d", "@0", "+%F"], "1970-01-01"),
        (["-d", "yesterday", "+%F"], "2026-06-11"),
        (["--date=2026-01-31", "+%-d %e %%"], "31 31 %"),
    ],
)
def test_date_prints_virtual_time_in_utc(arguments: list[str], text: str) -> None:
    """Formats are those of POSIX (date, strftime) and common practice."""
    assert date_text(arguments, NOW) == text


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: sleep_ticks([]), "a time is missing"),
        (lambda: sleep_ticks(["soon"]), "'soon' is no time"),
        (lambda: limit(["-k", "5", "5", "a"]), "-k is not known here"),
        (lambda: limit(["-s", "NIX", "5", "a"]), "'NIX' is no signal"),
        (lambda: limit(["5"]), "a time and a command are wanted"),
        (lambda: date_text(["-s", "12:00"], NOW), "-s is not known here"),
        (lambda: date_text(["-d", "next full moon"], NOW), "'next full moon' is not known here"),
        (lambda: date_text(["+%Q"], NOW), "%Q is not known here"),
    ],
)
def test_what_is_not_known_is_refused_by_name(call: object, named: str) -> None:
    """No script is judged by an option that the stand-in would have passed over."""
    with pytest.raises(UnusualError) as refused:
        call()  # type: ignore[operator]
    assert named in str(refused.value)
