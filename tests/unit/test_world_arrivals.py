"""Promises of arrivals: when jobs come, what they are, and what an outage, a surge or an unfinished job changes."""

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from emulator.broker.jobs import Job, rare
from emulator.broker.waiters import After, Before
from emulator.errors import ScenarioError
from emulator.record.recorder import Recorder
from emulator.scenario import models
from emulator.scenario.clock import Clock
from emulator.scenario.models.distribution import LAWS
from emulator.timeline.agenda import FAULTS, MESSAGES, Agenda
from emulator.timeline.ticks import HOUR, MINUTE, SECOND
from emulator.world.arrival_processes import Ways, poisson_gaps
from emulator.world.arrivals import Arrivals
from emulator.world.draws import Draws
from emulator.world.numerics import LONGEST
from emulator.world.plan import ReadyRoutine, Sources
from emulator.world.sampling import (
    Constant,
    Empirical,
    Erlang,
    Exponential,
    Gamma,
    Lognormal,
    Mixture,
    Quantiles,
    Triangular,
    Uniform,
    Weibull,
    sampling_of,
)

CLOCK = Clock(datetime.fromisoformat("2026-06-12T21:30"), "America/Santiago")
ROUTINES = {
    "plate-copy": {
        "queue": "night",
        "parameters": {"plates": "list", "volume": "text", "passes": "number"},
        "parts": [{"name": "checksum", "takes": "4m"}],
    },
    "export": {"queue": "night", "parts": [{"name": "write", "takes": {"traced": True}}]},
    "sweep": {
        "queue": "night",
        "key": "{shelf}",
        "parameters": {"shelf": "text"},
        "parts": [{"name": "a", "takes": 0}],
    },
}


class HalfDraws(Draws):
    """Every uniform is one half."""

    def uniform(self, purpose: int, entity: int, n1: int = 0, n2: int = 0, n3: int = 0) -> float:
        return 0.5


class Desk:
    """A submission desk in place of the broker: it writes down what it is given, and refuses what it is told to.

    ``got`` holds (minutes, cause, entry, ordinal) of every submission, ``jobs`` the jobs.
    """

    def __init__(
        self,
        *entries: Mapping[str, Any],
        lasts: str = "6h",
        folder: Path = Path("."),
        draws: Draws | None = None,
        refuses: Callable[[Job], bool] = lambda job: False,
        numbers: Callable[[Job], int] | None = None,
    ) -> None:
        data = {
            "title": "arrivals",
            "starts": "2026-06-12T21:30:00",
            "zone": "America/Santiago",
            "lasts": lasts,
            "queues": {"night": {}},
            "pools": {"dome": {"count": 1, "serves": ["night"]}},
            "routines": ROUTINES,
            "arrivals": [{"routine": "plate-copy", **entry} for entry in entries],
        }
        self.scenario = models.Scenario.model_validate(data, context={"clock": CLOCK})
        self.agenda, self.recorder = Agenda(), Recorder()
        self.jobs: list[Job] = []
        self.got: list[tuple[float, int, str, int]] = []
        self._refuses, self._numbers = refuses, numbers
        draws = Draws(1) if draws is None else draws
        recurring = {entry.label for entry in self.scenario.arrivals if entry.recurs is not None}
        routines = {name: ReadyRoutine(name, model) for name, model in self.scenario.routines.items()}
        ways = Ways(CLOCK, self.scenario.lasts, self.agenda, draws)
        sources = Sources(routines, recurring=recurring)
        self.arrivals = Arrivals(self.scenario, folder, ways.of, self.agenda, self.recorder, self._submit, sources)
        self.arrivals.start()

    def _submit(self, cause: int, job: Job) -> int:
        self.jobs.append(job)
        self.got.append((self.agenda.now / MINUTE, cause, job.source.arrival, job.ordinal))
        if self._refuses(job):
            return 0
        return len(self.jobs) if self._numbers is None else self._numbers(job)

    def at(self, minutes: float, call: Callable[..., None], *arguments: Any, rank: int = FAULTS) -> "Desk":
        self.agenda.at(int(minutes * MINUTE), lambda _: call(*arguments), rank=rank)
        return self

    def outage(self, begins: float, ends: float, cause: int = 77) -> "Desk":
        self.at(begins, self.arrivals.broker_went_down)
        return self.at(ends, self.arrivals.broker_came_up, cause)

    def run(self) -> "Desk":
        self.agenda.run((self.scenario.lasts,))
        return self

    @property
    def times(self) -> list[float]:
        return [minutes for minutes, _, _, _ in self.got]

    @property
    def skipped(self) -> list[tuple[float, int, str, int, str]]:
        rows = self.recorder.rows
        assert {row[1] for row in rows} <= {"occurrence_skipped"}
        return [(row[0] / MINUTE, row[2], row[5], row[6], row[7]) for row in rows]


# -- laws -------------------------------------------------------------------------------------------------------------

WRITTEN = {
    "constant": ({"constant": 5}, Constant(5)),
    "uniform": ({"between": (10, 19)}, Uniform(10, 19)),
    "triangular": ({"min": 0, "mode": 10, "max": 40}, Triangular(0, 10, 40)),
    "lognormal": ({"median": 40, "p95": 120}, Lognormal.of_p95(40, 120)),
    "empirical": ({"one_of": (10, 20), "weights": (3.0, 1.0)}, Empirical((10, 20), (3.0, 1.0))),
    "quantiles": ({"quantiles": (10, 20, 40)}, Quantiles((10, 20, 40))),
    "mixture": ({"mixture": (5, 9), "weights": (3.0, 1.0)}, Mixture((Constant(5), Constant(9)), (3.0, 1.0))),
    "traced": ({"traced": True}, None),
    "law: exponential": ({"law": "exponential", "mean": 60}, Exponential(60)),
    "law: erlang": ({"law": "erlang", "mean": 60, "stages": 3}, Erlang(3, 60)),
    "law: gamma": ({"law": "gamma", "mean": 60, "shape": 2.5}, Gamma(2.5, 60)),
    "law: weibull": ({"law": "weibull", "mean": 60, "shape": 0.7}, Weibull.of_mean(0.7, 60)),
    "law: weibull by its scale": ({"law": "weibull", "scale": 60, "shape": 0.7}, Weibull(0.7, 60)),
    "law: lognormal": ({"law": "lognormal", "mean": 60, "cv": 2.0}, Lognormal.of_mean(60, 2.0)),
}


def occurrences(desk: Desk) -> dict[str, list[int]]:
    """Give when the jobs of each entry were due."""
    return {entry: list(due) for entry, due in desk.arrivals.occurrences.items()}


@pytest.mark.parametrize("law", [law for law in LAWS if law != "from a file"])  # a file is read before
def test_each_way_of_writing_a_distribution_names_its_law(law: str) -> None:
    """Each way of writing a distribution gives the law that it names."""
    written, expected = WRITTEN[law]
    assert sampling_of(models.Distribution.model_validate(written)) == expected


def test_the_gaps_of_a_rate_have_its_mean_exactly() -> None:
    """A rate becomes the exponential of its mean, whole or not, and a mean beyond all times is cut at the longest."""
    third = poisson_gaps(7e9)  # 3.6e9 ticks an hour / 7e9
    assert isinstance(third, Weibull)
    assert (poisson_gaps(8.0), third.shape, f"{third.scale:.12f}", poisson_gaps(1e-9).quantile(0.9)) == (
        Exponential(450 * SECOND),
        1.0,
        "0.514285714286",
        LONGEST,
    )


# -- ways of arriving -------------------------------------------------------------------------------------------------


def test_jobs_at_one_time_come_in_the_order_of_their_numbers() -> None:
    """``at`` brings ``count`` jobs at that instant, one by default, none for 0, in order."""
    desk = Desk(
        {"name": "two", "at": "22:00", "count": 2},
        {"name": "one", "at": "22:00"},
        {"name": "none", "at": 0, "count": 0},
    ).run()
    assert desk.got == [(30, 0, "two", 1), (30, 0, "two", 2), (30, 0, "one", 1)]


def test_constant_gaps_begin_at_from_and_end_before_until() -> None:
    """``every`` brings jobs in [from, until), the first at ``from``."""
    assert Desk({"every": "10m", "from": "22:00", "until": "22:30"}).run().times == [30, 40, 50]


def test_arrivals_end_before_the_horizon_and_after_count() -> None:
    """Without ``until`` jobs come before the end of the scenario, and never more than ``count``."""
    desk = Desk({"name": "a", "every": "20m"}, {"name": "b", "every": "20m", "count": 2}, lasts="1h").run()
    assert occurrences(desk) == {"a": [0, 20 * MINUTE, 40 * MINUTE], "b": [0, 20 * MINUTE]}


def test_drawn_gaps_begin_one_gap_after_from() -> None:
    """``gaps`` brings the first job one gap after ``from``."""
    assert Desk({"gaps": "10m", "from": "22:00", "until": "23:00"}).run().times == [40, 50, 60, 70, 80]


def test_a_poisson_process_adds_up_exponential_gaps() -> None:
    """With every uniform at one half the gaps of 6 an hour are 10 min times ln 2 = 415.888308 s."""
    desk = Desk({"name": "p", "per_hour": 6.0, "from": "+1h", "count": 3}, draws=HalfDraws(1)).run()
    assert occurrences(desk)["p"] == [HOUR + k * 415_888_308 for k in (1, 2, 3)]


def test_an_entry_that_is_added_leaves_the_draws_of_the_others() -> None:
    """Gaps belong to (entry, number), whoever else draws and wherever the entry stands."""
    alone = Desk({"per_hour": 30.0}).run()
    second = Desk({"per_hour": 60.0}, {"per_hour": 30.0}).run()
    name = "plate-copy per_hour 30"
    assert len(alone.jobs) > 100
    assert second.arrivals.occurrences[name] == alone.arrivals.occurrences[name]


def test_only_the_next_job_of_an_entry_is_on_the_agenda() -> None:
    """A million jobs an hour put one entry on the agenda at a time."""
    desk = Desk({"per_hour": 1e6}, {"every": "1ms"}, {"at": "+1h", "count": 1_000_000})
    assert len(desk.agenda) == 3


def test_a_recurrence_comes_on_its_days() -> None:
    """``recurs`` brings jobs at its ticks in [from, until) on days that are not excluded; all are known in advance."""
    desk = Desk(
        {"name": "r", "recurs": "0 22 * * *", "excludes": ["Saturday"]},
        {"name": "f", "recurs": "FREQ=HOURLY;BYMINUTE=0", "from": "+1h", "count": 2},
        lasts="3d",
    )
    due = {"r": [30 * MINUTE, 2 * 24 * HOUR + 30 * MINUTE], "f": [90 * MINUTE, 150 * MINUTE]}
    assert occurrences(desk) == due
    assert [(job.source.arrival, job.ordinal, job.nominal) for job in desk.run().jobs] == [
        ("r", 1, due["r"][0]),
        ("f", 1, due["f"][0]),
        ("f", 2, due["f"][1]),
        ("r", 2, due["r"][1]),
    ]


# -- a finite source --------------------------------------------------------------------------------------------------


def test_a_source_sends_its_next_job_so_long_after_its_last_ended() -> None:
    """Two sources send at ``from``; job 2 ends at 35 min and its source sends job 3 10 min later, caused by the end."""
    desk = Desk({"name": "s", "again_after": "10m", "count": 2, "from": "22:00"})
    desk.at(35, desk.arrivals.job_finished, 9, "s", 2).at(50, desk.arrivals.job_finished, 11, "s", 3).run()
    assert desk.got == [(30, 0, "s", 1), (30, 0, "s", 2), (45, 9, "s", 3), (60, 11, "s", 4)]
    assert desk.arrivals.wants_endings == {"s"}


def test_a_source_sends_nothing_from_until_on() -> None:
    """A pause that ends at ``until`` brings no job, one that ends a tick before does."""
    desk = Desk({"name": "s", "again_after": "10m", "count": 2, "until": "+20m"})
    desk.agenda.at(10 * MINUTE - 1, lambda _: desk.arrivals.job_finished(3, "s", 1))
    desk.at(10, desk.arrivals.job_finished, 4, "s", 2).run()
    assert [job.nominal for job in desk.jobs] == [0, 0, 20 * MINUTE - 1]


def test_the_end_of_a_resubmitted_job_sends_nothing() -> None:
    """A second end under one number is that of a resubmitted job, and not of the source's."""
    desk = Desk({"name": "s", "again_after": "10m", "count": 1})
    desk.at(5, desk.arrivals.job_finished, 3, "s", 1).at(8, desk.arrivals.job_finished, 4, "s", 1).run()
    assert desk.got == [(0, 0, "s", 1), (15, 3, "s", 2)]


def test_a_source_that_is_refused_pauses_and_asks_again() -> None:
    """A refused or repeated submission counts as ended at once; without any pause the source asks a tick later."""
    refused = Desk({"again_after": "10m", "count": 1}, lasts="25m", refuses=lambda job: job.ordinal < 3).run()
    assert refused.times == [0, 10, 20]
    repeated = Desk({"again_after": "10m", "count": 2}, lasts="25m", numbers=lambda job: 1).run()
    assert repeated.times == [0, 0, 10, 20]  # the source whose job was new waits for its end
    restless = Desk({"again_after": 0, "count": 1}, refuses=lambda job: job.ordinal < 3).run()
    assert [job.nominal for job in restless.jobs] == [0, 1, 2]


# -- still running ----------------------------------------------------------------------------------------------------

HOURLY = {"name": "r", "recurs": "0 * * * *", "until": "01:30"}  # due at 30, 90, 150, 210 minutes


def hourly(rule: str, **more: Any) -> Desk:
    """Run the hourly entry under a rule; its job 1 ends at 160 minutes, job 2 (if it was submitted) at 170."""
    desk = Desk({**HOURLY, "if_still_running": rule}, **more)
    desk.at(160, desk.arrivals.job_finished, 51, "r", 1)
    return desk.at(170, desk.arrivals.job_finished, 52, "r", 2).run()


def test_both_submits_an_occurrence_whatever_runs() -> None:
    """``both`` submits every occurrence when it is due, and asks for no endings."""
    desk = Desk({**HOURLY, "if_still_running": "both"}).run()
    assert (desk.times, desk.skipped, desk.arrivals.wants_endings) == ([30, 90, 150, 210], [], frozenset())


def test_skip_drops_an_occurrence_while_an_earlier_one_is_unfinished() -> None:
    """``skip`` drops what falls due before the earlier job has ended, and says so."""
    desk = hourly("skip")
    assert desk.got == [(30, 0, "r", 1), (210, 0, "r", 4)]
    assert desk.skipped == [(90, 0, "r", 2, "still_running"), (150, 0, "r", 3, "still_running")]


def test_wait_submits_one_occurrence_after_another() -> None:
    """``wait`` submits an occurrence when the one before has ended, caused by that end, and keeps when it was due."""
    desk = hourly("wait")
    assert desk.got == [(30, 0, "r", 1), (160, 51, "r", 2), (170, 52, "r", 3)]
    assert [job.nominal / MINUTE for job in desk.jobs] == [30, 90, 150]


def test_a_refused_occurrence_runs_not() -> None:
    """An occurrence that the queue refuses leaves nothing unfinished: the next is submitted, under each rule."""
    refuses = lambda job: job.ordinal == 1  # noqa: E731 - a name for the two calls
    assert Desk({**HOURLY, "if_still_running": "skip"}, refuses=refuses).run().times == [30, 90]
    assert Desk({**HOURLY, "if_still_running": "wait"}, refuses=refuses).run().times == [30, 90]


def test_a_waiting_occurrence_that_is_refused_lets_the_next_go() -> None:
    """When a refused occurrence had waited, the one behind it is submitted at the same instant."""
    desk = hourly("wait", refuses=lambda job: job.ordinal == 2)
    assert desk.got == [(30, 0, "r", 1), (160, 51, "r", 2), (160, 51, "r", 3)]


# -- outages of the broker --------------------------------------------------------------------------------------------


def missed(**rules: Any) -> Desk:
    """Run the hourly entry over an outage from 80 to 200 minutes: 90 and 150 are missed."""
    return Desk({**HOURLY, **rules}).outage(80, 200).run()


def test_missed_occurrences_are_skipped_by_default() -> None:
    """``if_missed: skip`` drops what fell due during the outage; the restart is the cause."""
    desk = missed()
    assert desk.got == [(30, 0, "r", 1), (210, 0, "r", 4)]
    assert desk.skipped == [(200, 77, "r", 2, "broker_was_down"), (200, 77, "r", 3, "broker_was_down")]


def test_once_makes_up_the_last_missed_occurrence() -> None:
    """``if_missed: once`` submits the last one at the restart and skips the others."""
    desk = missed(if_missed="once")
    assert desk.got == [(30, 0, "r", 1), (200, 77, "r", 3), (210, 0, "r", 4)]
    assert desk.skipped == [(200, 77, "r", 2, "broker_was_down")]


def test_each_makes_up_every_missed_occurrence() -> None:
    """``if_missed: each`` submits all of them at the restart, in order."""
    desk = missed(if_missed="each")
    assert desk.got == [(30, 0, "r", 1), (200, 77, "r", 2), (200, 77, "r", 3), (210, 0, "r", 4)]
    assert desk.skipped == []


@pytest.mark.parametrize(("latest", "made_up"), [("50m", [3]), ("49m", []), ("110m", [2, 3]), ("109m", [3])])
def test_a_missed_occurrence_is_made_up_so_late_at_most(latest: str, made_up: list[int]) -> None:
    """At the restart occurrence 2 is 110 min late and occurrence 3 is 50: exactly ``late_at_most`` is still in time."""
    desk = missed(if_missed="each", late_at_most=latest)
    late = [ordinal for ordinal in (2, 3) if ordinal not in made_up]
    assert [ordinal for _, _, _, ordinal in desk.got] == [1, *made_up, 4]
    assert desk.skipped == [(200, 77, "r", ordinal, "broker_was_down_too_long") for ordinal in late]


def test_missed_occurrences_meet_the_rule_for_what_still_runs() -> None:
    """What is made up is skipped, or waits, if an earlier occurrence is unfinished."""
    skip = missed(if_missed="each", if_still_running="skip")
    assert skip.got == [(30, 0, "r", 1)]
    assert skip.skipped == [
        (200, 77, "r", 2, "still_running"),
        (200, 77, "r", 3, "still_running"),
        (210, 0, "r", 4, "still_running"),
    ]
    wait = Desk({**HOURLY, "if_missed": "each", "if_still_running": "wait"}).outage(80, 200)
    wait.at(205, wait.arrivals.job_finished, 5, "r", 1).run()
    assert wait.got == [(30, 0, "r", 1), (205, 5, "r", 2)]


def test_an_occurrence_waits_while_the_broker_is_down() -> None:
    """An end during the outage (told as the broker comes up) lets the next one go at the restart."""
    desk = Desk({**HOURLY, "if_still_running": "wait"})
    desk.at(100, desk.arrivals.broker_went_down).at(120, desk.arrivals.job_finished, 6, "r", 1)
    desk.at(120, desk.arrivals.broker_came_up, 7).run()
    assert desk.got == [(30, 0, "r", 1), (120, 7, "r", 2)]


def test_other_arrivals_are_kept_and_sent_at_the_restart() -> None:
    """Whoever cannot submit keeps the job: all are sent at the restart in the order in which they were due."""
    desk = Desk(
        {"name": "a", "every": "20m", "until": "+1h30m"},
        {"name": "b", "at": "+30m", "count": 2},
        {"name": "c", "at": "+1h"},
        {"name": "r", "recurs": "0 * * * *", "if_missed": "each", "until": "+1h"},
    )
    desk.outage(15, 60).run()
    assert desk.got == [
        (0, 0, "a", 1),
        *[(60, 77, "a", 2), (60, 77, "b", 1), (60, 77, "b", 2), (60, 77, "r", 1), (60, 77, "a", 3)],
        *[(60, 0, "c", 1), (60, 0, "a", 4), (80, 0, "a", 5)],
    ]
    assert [job.nominal / MINUTE for job in desk.jobs] == [0, 20, 30, 30, 30, 40, 60, 60, 80]


def test_kept_jobs_come_after_the_messages_of_the_restart() -> None:
    """At the instant of the restart what is kept is submitted after the messages that reach the broker."""
    desk = Desk({"at": "+10m"}, {"at": "+20m"}, {"at": "+25m"})
    seen: list[int] = []
    desk.at(20, lambda: seen.append(len(desk.got)), rank=MESSAGES)
    desk.outage(5, 20).run()
    assert (seen, desk.times) == ([0], [20, 20, 25])


def test_a_second_outage_at_the_instant_of_the_restart_keeps_what_was_kept() -> None:
    """When the broker goes down again at once, the jobs wait for the next restart."""
    desk = Desk({"at": "+10m"})
    desk.outage(5, 20).outage(20, 40, 88).run()
    assert [(minutes, cause) for minutes, cause, _, _ in desk.got] == [(40, 88)]


# -- surges -----------------------------------------------------------------------------------------------------------


def test_a_surge_divides_what_remains_of_the_gap_and_the_gaps_after_it() -> None:
    """Every 10 min, twice as fast from 5 to 20 min: 5 of 10 remain and become 2.5; at the end 2.5 of 5 become 5."""
    desk = Desk({"name": "a", "every": "10m", "until": "+40m"})
    desk.at(5, desk.arrivals.set_factor, "a", 2.0).at(20, desk.arrivals.set_factor, "a", 1.0).run()
    assert desk.times == [0, 7.5, 12.5, 17.5, 25, 35]


def test_a_surge_keeps_the_draws() -> None:
    """With gaps of 415.888308 s and a quarter of the rate after 15.888308 s, 400 s become 1600 s; next 4 gaps' time."""
    desk = Desk({"name": "p", "per_hour": 6.0, "count": 2}, draws=HalfDraws(1))
    desk.agenda.at(15_888_308, lambda _: desk.arrivals.set_factor("p", 0.25), rank=FAULTS)
    first = 15_888_308 + 1600 * SECOND
    assert occurrences(desk.run())["p"] == [first, first + 4 * 415_888_308]


def test_a_surge_brings_a_job_back_into_the_window() -> None:
    """Due at 80 min with a window to 60; four times as fast from 50 on it comes at 57.5."""
    desk = Desk({"name": "a", "every": "40m", "until": "+1h"})
    assert desk.at(50, desk.arrivals.set_factor, "a", 4.0).run().times == [0, 40, 57.5]


def test_a_surge_before_the_window_leaves_its_beginning() -> None:
    """Gaps begin at ``from``: a surge that holds then halves the first gap, not the time until then."""
    desk = Desk({"name": "a", "gaps": "10m", "from": "+30m", "until": "+50m"})
    assert desk.at(5, desk.arrivals.set_factor, "a", 2.0).run().times == [35, 40, 45]


def test_gaps_of_a_few_ticks_keep_the_rate_of_a_surge() -> None:
    """Gaps of 10 us divided by 3 are 3, 4, 3 ticks and so on, never all rounded the same way."""
    desk = Desk({"name": "a", "every": "10us", "count": 8})
    desk.agenda.at(0, lambda _: desk.arrivals.set_factor("a", 3.0), rank=FAULTS)
    assert occurrences(desk.run())["a"] == [0, 3, 7, 10, 13, 17, 20, 23]


def test_what_has_no_rate_has_no_surge() -> None:
    """A surge of an entry without a rate is refused by name."""
    with pytest.raises(ValueError, match=r"^the arrival entry 'b' has no rate: only per_hour, every and gaps have$"):
        Desk({"name": "b", "at": 0}).arrivals.set_factor("b", 2.0)


# -- what jobs are ----------------------------------------------------------------------------------------------------


def told(job: Job) -> tuple[object, ...]:
    """Give what the arrival of a job tells of it, conditions aside."""
    source = job.source
    name = (source.arrival, job.ordinal, job.routine.name)
    return *name, source.parameters, job.key, source.priority, source.traced, job.nominal


def test_a_job_carries_what_its_entry_says() -> None:
    """Parameters, keys, priority and conditions of the entry stand in the job, its templates filled in."""
    desk = Desk(
        {
            "name": "a",
            "at": "22:00",
            "parameters": {"plates": 2, "volume": "v7", "passes": 3},
            "priority": 5,
            "key": "vol-{volume}",
            "idempotency_key": "{volume}/{number}",
            "not_before": "23:00",
            "after": {"entry": "b"},
        },
        {"name": "b", "at": "22:00", "parameters": {"plates": ["x", 4]}},
    ).run()
    shelf = {"plates": ["plates-1", "plates-2"], "volume": "v7", "passes": 3}
    due = 30 * MINUTE
    first, second = desk.jobs
    assert first.rare is not None
    assert (first.rare.after, first.rare.idempotency_key, first.rare.not_before) == (
        After((Before("b", 1),)),
        "v7/1",
        90 * MINUTE,
    )
    assert [told(job) for job in desk.jobs] == [
        ("a", 1, "plate-copy", shelf, "vol-v7", 5, None, due),
        ("b", 1, "plate-copy", {"plates": ["x", 4]}, "", 0, None, due),
    ]
    assert second.rare is None


def test_entries_without_a_name_are_called_by_what_they_are() -> None:
    """The name of an entry depends on its own content, in file order, never on its place."""
    desk = Desk({"at": "22:00"}, {"name": "n", "every": "1h"}, {"per_hour": 6.0})
    assert desk.arrivals.entry_names == ("plate-copy at 30m", "n", "plate-copy per_hour 6")


def test_two_entries_of_one_name_are_refused() -> None:
    """Two entries that would be called the same are refused in plain words."""
    with pytest.raises(ScenarioError) as caught:
        Desk({"at": 0}, {"at": 0, "priority": 3})
    assert str(caught.value) == (
        "arrivals: wrong-value: arrivals.1: this entry would be called 'plate-copy at 0s', and so is one before: "
        "give it another `name`"
    )


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ({"parameters": {"plates": 100_001}}, "the list 'plates' cannot have 100001 elements: give 0 to 100,000"),
        ({"key": "{volume}"}, "the parameter 'volume' is not given, and '{volume}' is made of it"),
    ],
)
def test_an_entry_that_its_routine_cannot_use_is_refused(entry: dict[str, Any], message: str) -> None:
    """An entry whose list is too long, or whose key is made of nothing, is refused by its name."""
    with pytest.raises(ScenarioError) as caught:
        Desk({"name": "a", "at": 0, **entry}).run()
    assert str(caught.value) == f"arrival entry 'a': wrong-trace: {message}"


def test_a_recurrence_that_comes_far_too_often_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rule with more occurrences than one run may have is refused as a mistake of the scenario, at its place."""
    monkeypatch.setattr("emulator.scenario.recurrence.MOST_OCCURRENCES", 5)
    Desk({"recurs": "0 * * * *", "until": "+5h"})
    with pytest.raises(ScenarioError) as caught:
        Desk({"recurs": "0 * * * *"})
    assert str(caught.value) == (
        "arrivals: wrong-value: arrivals.0: '0 * * * *' comes more than 5 times in this span: make it rarer"
    )


# -- traces -----------------------------------------------------------------------------------------------------------


def traced(folder: Path, text: str, name: str = "t.csv", lasts: str = "6h", **entry: Any) -> Desk:
    (folder / name).write_text(text, "utf-8")
    return Desk({"name": "t", "trace": name, **entry}, folder=folder, lasts=lasts)


def test_a_trace_tells_each_job(tmp_path: Path) -> None:
    """A line's routine, priority, key, work and parameters stand over the entry's; lists are told with ``;``."""
    text = (
        "at,routine,priority,key,takes,parameter.plates,parameter.passes\n"
        "22:00,,,,,p1; p2,2.5\n"
        "22:00,export,7,k,90s,,\n"
        "22:30,,,,,2,4\n"
    )
    entry = {"parameters": {"volume": "v"}, "key": "{volume}", "priority": 1}
    two = ["plates-1", "plates-2"]
    assert [told(job) for job in traced(tmp_path, text, **entry).run().jobs] == [
        ("t", 1, "plate-copy", {"volume": "v", "plates": ["p1", "p2"], "passes": 2.5}, "v", 1, None, 30 * MINUTE),
        ("t", 2, "export", {}, "k", 7, 90 * SECOND, 30 * MINUTE),
        ("t", 3, "plate-copy", {"volume": "v", "plates": two, "passes": 4}, "v", 1, None, 60 * MINUTE),
    ]


def test_a_trace_is_read_one_line_ahead(tmp_path: Path) -> None:
    """A mistake in a trace stops the night only when the line before it has been played, and names the line."""
    desk = traced(tmp_path, "at,routine\n22:00,\n22:10,\n22:20,plate-cpy\n")
    with pytest.raises(ScenarioError) as caught:
        desk.run()
    where = tmp_path / "t.csv"
    assert desk.times == [30, 40]
    assert (
        str(caught.value) == f"{where}:4:1: wrong-trace: no routine is called 'plate-cpy': did you mean 'plate-copy'?"
    )


def test_a_trace_ends_at_the_horizon_and_after_count(tmp_path: Path) -> None:
    """Lines at or beyond the end of the scenario, or beyond ``count``, are no jobs."""
    text = "at_seconds\n0\n60\n119.999999\n120\n"
    assert [job.nominal for job in traced(tmp_path, text, lasts="2m").run().jobs] == [0, MINUTE, 2 * MINUTE - 1]
    assert traced(tmp_path, text, count=2).run().times == [0, 1]


def test_a_trace_tells_texts_and_wholes_as_they_stand(tmp_path: Path) -> None:
    """A text stays a text though it looks like a number, and a list may be told as its length."""
    desk = traced(tmp_path, "at,parameter.volume,parameter.passes,parameter.plates\n22:00,007,-1,1\n").run()
    assert desk.jobs[0].source.parameters == {"volume": "007", "passes": -1, "plates": ["plates-1"]}


def test_a_job_s_own_number_can_be_its_key(tmp_path: Path) -> None:
    """`{job}` is the number that a line gives the job, or that of the workload log."""
    entry = {"key": "k{job}", "idempotency_key": "{job}-{number}"}
    desk = traced(tmp_path, "job,at\nA-17,22:00\nA-18,22:00\n", **entry).run()
    assert [(job.key, rare(job).idempotency_key) for job in desk.jobs] == [("kA-17", "A-17-1"), ("kA-18", "A-18-2")]
    line = "7 60 5 90 4 -1 -1 4 -1 -1 1 1 1 1 1 1 -1 -1\n"
    [job] = traced(tmp_path, line, "t.swf", routine="export", **entry).run().jobs
    assert (job.key, rare(job).idempotency_key) == ("k7", "7-1")


def test_a_workload_log_tells_processors_only_to_who_asks(tmp_path: Path) -> None:
    """The processors of a workload log are left out where the routine has no such parameter."""
    line = "1 60 5 90 4 -1 -1 4 -1 -1 1 1 1 1 1 1 -1 -1\n"
    desk = traced(tmp_path, line, "t.swf", routine="export").run()
    assert [told(job) for job in desk.jobs] == [("t", 1, "export", {}, "", 0, 90 * SECOND, MINUTE)]


@pytest.mark.parametrize(
    ("text", "entry", "message"),
    [
        ("at\n22:00\n", {"routine": "export"}, "no time stands here, and the part 'write' of 'export' takes it"),
        (
            "at,parameter.plate\n22:00,x\n",
            {},
            "its routine has no parameter 'plate': did you mean 'plates'?",
        ),
        (
            "at,parameter.passes\n22:00,two\n",
            {},
            "'two' is not a number, and the parameter 'passes' is one",
        ),
        (
            'at,parameter.passes\n22:00,"2,5"\n',
            {},
            "'2,5' has a decimal comma: write the parameter 'passes' as 12.5, not 12,5",
        ),
        ("at,job\n22:00,\n", {"key": "{job}"}, "the parameter 'job' is not given, and '{job}' is made of it"),
        (
            "at,parameter.plates\n22:00,100001\n",
            {},
            "the list 'plates' cannot have 100001 elements: give 0 to 100,000",
        ),
        ("at\n22:00\n", {"routine": "sweep"}, "the parameter 'shelf' is not given, and the key is made of it"),
        ("at\n22:00\n", {"key": "{volume}"}, "the parameter 'volume' is not given, and '{volume}' is made of it"),
    ],
)
def test_a_line_that_its_routine_cannot_use_is_refused(
    tmp_path: Path, text: str, entry: dict[str, Any], message: str
) -> None:
    """A line without what its routine needs, or with what it cannot read, is refused by its place."""
    with pytest.raises(ScenarioError) as caught:
        traced(tmp_path, text, **entry).run()
    assert str(caught.value) == f"{tmp_path / 't.csv'}:2:1: wrong-trace: {message}"
