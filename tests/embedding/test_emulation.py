"""The emulator around a test's own code: jobs, time, events, figures, and what it refuses."""

import asyncio
from typing import Any

import pytest

from emulator import Emulator, InputError, NeverError, PermanentError, RefusedError, ScenarioError, TransientError, Work
from emulator.errors import InvariantError, LogError
from emulator.record.log_reader import open_log
from emulator.timeline import VirtualLoop
from emulator.timeline.ticks import SECOND


async def copy(work: Work) -> None:
    """Ten minutes of work that leaves one effect."""
    await work.spend("10m")
    work.effect("copied", repeatable=False)


HANDLERS = {"copy": copy}

# -- jobs --------------------------------------------------------------------------------------------------------------


def test_a_job_is_submitted_and_awaited(go: Any) -> None:
    """Awaiting a job gives its ending at the very instant of it."""

    async def test() -> Any:
        async with Emulator(handlers=HANDLERS) as emu:
            job = emu.submit("copy")
            assert (job.name, job.number, job.state, job.ending) == (
                "copy#1",
                1,
                "queued",
                None,
            ) or job.state == "running"
            ending = await job
            return ending.state, ending.attempts, emu.time, job.state, job.outcomes, repr(job)

    assert go(test()) == ("done", 1, 600.0, "done", ["ok"], "<JobHandle copy#1: done>")


def test_a_job_is_awaited_to_a_state_that_it_may_only_pass_through(go: Any) -> None:
    """States that last no time are not missed; a state that can come no more is an error that says why."""

    async def test() -> Any:
        async with Emulator(handlers={"copy": fails}, pools={"dome": {"count": 1}}) as emu:
            job = emu.submit("copy", not_before="1h")
            assert job.state == "queued_held"
            seen = [await job.reaches("running"), emu.time, await job.reaches("requeued", "requeued_held"), emu.time]
            await job
            with pytest.raises(NeverError, match=r"copy#1 will never be done: it is failed \(permanent error: "):
                await job.reaches("done")
            assert emu.stories().startswith(
                "copy#1 is failed (permanent error: the outcome permanent error is not retried); "
            )
            with pytest.raises(InputError, match="'runing' is no state of a job: did you mean 'running'"):
                await job.reaches("runing")
            return seen

    async def fails(work: Work) -> None:
        raise TransientError("tape busy") if work.attempt == 1 else PermanentError("no such plate")

    assert go(test()) == ["running", 3600.0, "requeued", 3600.0]


def test_what_a_handler_raises_decides_the_outcome(go: Any) -> None:
    """Transient, anything else, a group and permanent; hints make the retry wait; mistakes are kept to be looked at."""

    async def handler(work: Work) -> None:
        if work.attempt == 1:
            raise TransientError("tape busy", retry_after="5m")
        if work.attempt == 2:
            raise ValueError("a mistake")
        async with asyncio.TaskGroup() as group:
            group.create_task(fails())

    async def fails() -> None:
        raise PermanentError("no such plate")

    async def test() -> Any:
        async with Emulator(handlers={"copy": handler}) as emu:
            job = emu.submit("copy")
            await job
            return job.outcomes, emu.time, [repr(error) for error in emu.failures]

    assert go(test()) == (["error", "error", "permanent_error"], 300.0, ["ValueError('a mistake')"])


def test_parameters_keys_and_prerequisites_reach_the_work(go: Any) -> None:
    """Two jobs of one key go one after the other, a third after both; the handler sees what it was submitted with."""
    seen: list[Any] = []

    async def handler(work: Work) -> None:
        seen.append((work.name, dict(work.parameters), emu.time))
        await work.spend("1m")

    async def test() -> None:
        async with emu:
            first = emu.submit("copy", key="vol-1", plates=["a", "b"])
            emu.submit("copy", key="vol-1", priority=-1)
            await emu.submit("copy", after=first, shelf="low")
            await emu.settle()

    emu = Emulator(handlers={"copy": handler}, pools={"dome": {"count": 3}})
    go(test())
    assert seen == [("copy#1", {"plates": ["a", "b"]}, 0.0), ("copy#3", {"shelf": "low"}, 60.0), ("copy#2", {}, 60.0)]


def test_what_is_said_of_a_queue_leaves_its_other_defaults_as_they_are(go: Any) -> None:
    """Four attempts in all and a lease of 90 s, key by key, whatever else is said of the queue or of its retries."""

    async def fails(work: Work) -> None:
        raise TransientError("tape busy")

    async def attempts(**more: Any) -> Any:
        async with Emulator(handlers={"copy": fails}, **more) as emu:
            lease = emu.scenario.queues["night"].lease // SECOND
            return (await emu.submit("copy")).attempts, lease, emu.time

    assert go(attempts()) == (4, 90, 0.0)
    assert go(attempts(queues={"night": {"lease": "60s"}})) == (4, 60, 0.0)
    assert go(attempts(queues={"night": {"retry": {"pause": "constant", "first": "10s"}}})) == (4, 90, 30.0)
    assert go(attempts(queues={"night": {"retry": {"attempts_in_all": 2}}})) == (2, 90, 0.0)


def test_a_repeated_submission_gives_the_first_job(go: Any) -> None:
    """With the same idempotency key there is one job."""

    async def test() -> Any:
        async with Emulator(handlers=HANDLERS) as emu:
            one, other = (emu.submit("copy", idempotency_key="tonight") for _ in range(2))
            return one.number, other.number, len(emu.jobs())

    assert go(test()) == (1, 1, 1)


def test_what_the_broker_refuses_is_an_error_that_says_why(go: Any) -> None:
    """A full queue, a broker that is down, an unknown routine or parameter: each in words."""

    async def test() -> None:
        async with Emulator(
            queues={"night": {"capacity": 1}},
            routines={"copy": {"parameters": {"plates": "list"}}},
            handlers=HANDLERS,
        ) as emu:
            emu.submit("copy")
            with pytest.raises(
                RefusedError, match=r"copy#2 was refused at 2026-01-01 00:00:00 .*: the queue holds 1 unfinished job"
            ):
                emu.submit("copy")
            with pytest.raises(InputError, match="there is no routine 'copi': did you mean 'copy'"):
                emu.submit("copi")
            with pytest.raises(InputError, match="there is no parameter of copy 'plate': did you mean 'plates'"):
                emu.submit("copy", plate=["a"])
            emu.broker_outage()
            with pytest.raises(RefusedError, match="the broker is down at 2026-01-01 00:00:00"):
                emu.submit("copy")

    go(test())


# -- the scenario ------------------------------------------------------------------------------------------------------


def test_modelled_routines_and_handlers_mix_in_one_run(go: Any) -> None:
    """A scenario's own arrivals of a modelled routine run beside the jobs of a handler, on the same workers."""

    async def test() -> Any:
        async with Emulator(
            {
                "lasts": "6h",
                "pools": {"dome": {"count": 1}},
                "routines": {"sweep": {"queue": "night", "parts": [{"name": "sweep", "takes": "30m"}]}},
                "arrivals": [{"routine": "sweep", "at": "00:05", "count": 2}],
            },
            handlers=HANDLERS,
        ) as emu:
            job = emu.submit("copy")
            await emu.settle()
            return job.state, [one.name for one in emu.jobs()], emu.time, emu.figure("done").value

    assert go(test()) == ("done", ["copy#1", "sweep at 5m#1", "sweep at 5m#2"], 4200.0, 3)


def test_settings_and_handlers_are_checked_before_anything_runs() -> None:
    """Mistakes in settings come all at once; a handler needs a routine and has to be a coroutine function."""
    with pytest.raises(ScenarioError, match=r"queues.night.leese: unknown key 'leese'"):
        Emulator(queues={"night": {"leese": "90s"}}, handlers=HANDLERS)
    with pytest.raises(InputError, match="the handler of 'copy' is no coroutine function: write `async def copy"):
        Emulator(handlers={"copy": lambda work: None})  # type: ignore[dict-item]
    with pytest.raises(InputError, match="a scenario and the settings lasts are given"):
        Emulator({"lasts": "6h"}, lasts="7h", handlers=HANDLERS)
    with pytest.raises(InputError, match="there is no queue 'day'"):
        Emulator(handlers=HANDLERS, retry={"day": None})  # type: ignore[dict-item]
    with pytest.raises(InputError, match="cannot be watched for"):
        Emulator(handlers=HANDLERS, never=["effect"])


def test_it_is_entered_once_and_only_on_the_virtual_loop(go: Any) -> None:
    """On a stock loop it is refused with the way out; after its end nothing more can be done to it."""

    async def stock() -> None:
        async with Emulator(handlers=HANDLERS):
            pass

    with pytest.raises(InputError, match="the emulator needs its own event loop"):
        asyncio.run(stock())

    async def test() -> None:
        emu = Emulator(handlers=HANDLERS)
        with pytest.raises(InputError, match="the emulator is not entered"):
            emu.submit("copy")
        async with emu:
            pass
        with pytest.raises(InputError, match="has been entered before: make one for each emulation"):
            async with emu:
                pass
        with pytest.raises(NeverError, match="the emulation was left at 2026-01-01 00:00:00"):
            emu.submit("copy")

    go(test())


# -- time --------------------------------------------------------------------------------------------------------------


def test_time_passes_by_amounts_by_conditions_and_until_nothing_is_left(go: Any) -> None:
    """``advance`` ends at exactly its time, ``until`` right after the event that fulfils it, ``settle`` at the last."""

    async def test() -> Any:
        async with Emulator(handlers=HANDLERS) as emu:
            emu.submit("copy")
            emu.submit("copy")
            await emu.advance(minutes=5, seconds=1)
            seen = [emu.time]
            await emu.until(lambda: emu.figure("done").value == 1)
            seen.append(emu.time)
            await emu.settle()
            seen.append(emu.time)
            await emu.advance("1h")
            return [*seen, emu.clock_time().isoformat()]

    assert go(test()) == [301.0, 600.0, 1200.0, "2026-01-01T01:20:00+00:00"]


def test_what_can_never_come_is_told_with_where_everybody_waits(go: Any) -> None:
    """At the end of the scenario the wait ends in an error that names the job, its state and its handler's line."""

    async def waits(work: Work) -> None:
        while True:
            await asyncio.sleep(600)

    async def test() -> None:
        async with Emulator(handlers={"copy": waits}, lasts="1h") as emu:
            job = emu.submit("copy")
            with pytest.raises(
                NeverError, match=r"over after 1h, and copy#1 is running: .*attempt 1 waits at .*\.py:\d+"
            ):
                await job

        async with Emulator(handlers={"copy": waits}, lasts="1h") as emu:
            emu.submit("copy")
            with pytest.raises(NeverError, match=r"these jobs are unfinished:\n  copy#1: worker workers-1 has it"):
                await emu.settle()

    go(test())


def test_two_emulators_on_one_loop_share_the_clock_alone(go: Any) -> None:
    """The second begins at its own time 0; jobs, workers, events and draws are apart."""

    async def test() -> Any:
        async with Emulator(handlers=HANDLERS) as one:
            first = one.submit("copy")
            await one.advance(minutes=4)
            async with Emulator(handlers=HANDLERS) as other:
                second = other.submit("copy")
                await first
                times = [(one.time, other.time)]
                other.power_off("workers-1")
                await one.submit("copy")
                times.append((one.time, other.time))
                return times, second.outcomes, len(one.jobs()), len(other.jobs())

    assert go(test()) == ([(600.0, 360.0), (1200.0, 960.0)], ["lease_lost"], 2, 1)


def test_all_paces_give_the_same_events() -> None:
    """The same handlers in virtual time, paced by the real clock, and advanced by hand write the same log."""

    async def test() -> str:
        async with Emulator(handlers={"copy": short}, pools={"dome": {"count": 2}}, queues=QUICK) as emu:
            emu.submit("copy")
            emu.submit("copy")
            await emu.advance(0.05)
            emu.freeze("dome-1", lasts=0.1)
            await emu.advance(0.4)
            return emu.digest()

    async def short(work: Work) -> None:
        await asyncio.sleep(0.1)
        work.effect("copied", work.name)

    digests = []
    for pace in ("fast", 4.0, "manual"):
        with asyncio.Runner(loop_factory=lambda pace=pace: VirtualLoop(pace=pace)) as runner:  # type: ignore[misc]
            digests.append(runner.run(test()))
    assert digests[0] == digests[1] == digests[2]


QUICK = {"night": {"lease": "1s", "retry": {"attempts_in_all": 2}}}

# -- events and figures ------------------------------------------------------------------------------------------------


def test_events_come_by_iteration_and_by_subscription(go: Any) -> None:
    """An async iterator gives every event from the start, a subscriber those from then on until it ends that."""
    told: list[str] = []

    async def test() -> Any:
        async with Emulator(handlers=HANDLERS) as emu:
            read: list[str] = []

            async def reader() -> None:
                async for event in emu.events(since_start=True):
                    read.append(event.kind)

            task = asyncio.create_task(reader())
            emu.submit("copy")
            end = emu.subscribe(lambda event: told.append(event.kind))
            await emu.advance(minutes=11)
            end()
            emu.submit("copy")
            await emu.settle()
        await task
        return read == [event.kind for event in emu.recorded()], read[0], read[-1]

    assert go(test()) == (True, "run_began", "run_ended")
    assert [kind for kind in told if kind not in ("heartbeat_received", "lease_renewed")] == [
        "handed_out",
        "work_began",
        "effect_landed",
        "work_stopped",
        "attempt_ended",
        "finished",
    ]


def test_figures_and_the_log_are_there_at_any_moment(go: Any, tmp_path: Any) -> None:
    """Figures are those of a night that ends now; a log saved in the middle opens and holds the events so far."""

    async def test() -> Any:
        async with Emulator(handlers=HANDLERS) as emu:
            emu.submit("copy")
            await emu.advance(minutes=5)
            path = await emu.save(tmp_path / "half.qdlog")
            half = len(emu.recorded()), emu.figure("done").value, emu.figure("unfinished", queue="night").value
            with pytest.raises(LogError):
                await emu.save(path)
            await emu.settle()
            assert emu.time == 600.0
            return half, emu.figure("done").value, len(list(open_log(path).rows()))

    half, done, rows = go(test())
    assert (half[1:], done, rows) == ((0, 1), 1, half[0])


def test_the_same_seed_gives_the_same_bytes_and_another_does_not() -> None:
    """Modelled draws follow the seed; what the test does is the same each time."""

    async def test(seed: int) -> str:
        async with Emulator(
            routines={
                "sweep": {"queue": "night", "parts": [{"name": "sweep", "takes": {"median": "4m", "p95": "9m"}}]}
            },
            seed=seed,
        ) as emu:
            await emu.submit("sweep")
            return emu.digest()

    def digest(seed: int) -> str:
        with asyncio.Runner(loop_factory=VirtualLoop) as runner:
            return runner.run(test(seed))

    assert digest(3) == digest(3) != digest(4)


# -- what must never happen --------------------------------------------------------------------------------------------


def test_what_must_never_happen_fails_the_test_when_it_is_left(go: Any) -> None:
    """The zombie's second write is named with both events; without it the same test passes."""

    async def slow(work: Work) -> None:
        await asyncio.sleep(100)
        work.effect("copied", "plate-7", repeatable=False)

    async def test(freeze: bool) -> None:
        async with Emulator(
            handlers={"copy": slow}, pools={"dome": {"count": 2}}, never=["unrepeatable effect twice"]
        ) as emu:
            job = emu.submit("copy")
            await emu.advance(minutes=1)
            if freeze:
                emu.freeze("dome-1", lasts="10m")
            await job
            emu.check()
            await emu.settle()

    go(test(freeze=False))
    with pytest.raises(InvariantError, match=r"unrepeatable effect twice: event \d+: dome-1 left 'copied' on plate-7"):
        go(test(freeze=True))


# -- faults and actions ------------------------------------------------------------------------------------------------


def test_every_fault_and_action_of_the_scenario_file_is_a_method() -> None:
    """The methods have the names of the file's keys, all of them."""
    from emulator.scenario.fault_kinds import FAULT_KINDS
    from emulator.scenario.models.faults import ACTION_KINDS

    assert [name for name in (*FAULT_KINDS, *ACTION_KINDS) if not callable(getattr(Emulator, name, None))] == []


def test_faults_are_ended_by_hand_or_by_themselves(go: Any) -> None:
    """A fault without an end lasts until it is ended; one with an end is not ended twice; a miss is told."""

    async def test() -> None:
        async with Emulator(handlers=HANDLERS, pools={"dome": {"count": 2}}) as emu:
            frozen = emu.freeze("dome-1")
            assert (frozen.kind, frozen.hit) == ("freeze", True)
            await emu.advance(minutes=1)
            frozen.end()
            with pytest.raises(InputError, match="freeze has been ended before"):
                frozen.end()
            with pytest.raises(InputError, match="ends by itself"):
                emu.freeze("dome-1", lasts="1m").end()
            emu.power_off("dome-2")
            assert not emu.freeze("dome-2").hit
            assert [event.details["why"] for event in emu.recorded("fault_missed")] == ["was_off_or_frozen"]

    go(test())


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (lambda emu: emu.power_off("dom-1"), "there is no worker or pool 'dom-1': did you mean 'dome-1'?"),
        (lambda emu: emu.freeze({"pool": "dom", "some": 1}), "there is no pool 'dom': did you mean 'dome'?"),
        (
            lambda emu: emu.slow_down("dome-1", to=0),
            "to: found 0: a number above 0, at most 1000 or a mapping with keys",
        ),
        (lambda emu: emu.system_outage("archive"), "there is no system 'archive': there is none at all"),
        (lambda emu: emu.fault(power_off="dome-1", lasts="5m"), "lasts: `lasts` does not belong to power_off"),
        (lambda emu: emu.power_off("dome-1", back_after="soon"), "back_after: 'soon' is not a duration"),
        (lambda emu: emu.hold("copy"), "'copy' names no job: give its handle, or entry#number"),
        (lambda emu: emu.hold("copy#7"), "hold of copy#7 was refused at 0s: there is no such job yet"),
        (lambda emu: emu.hold_queue("day"), "there is no queue 'day': "),
        (lambda emu: emu.poison_job("copy"), "'copy' names no job: give its handle, or entry#number"),
        (lambda emu: emu.client("dome-1"), "dome-1 works by itself: name it in `by_hand`"),
        (lambda emu: emu.job("copy#9"), "there is no job 'copy#9' at 2026-01-01 00:00:00"),
        (lambda emu: emu.schedule([{"freeze": "dome-1"}]), "when? give `at` or `from`, or `gaps` for a random"),
    ],
)
def test_wrong_interventions_are_told_with_what_to_give(go: Any, act: Any, message: str) -> None:
    """A target that there is not, a value out of range, keys that do not go together: each says what instead."""

    async def test() -> None:
        async with Emulator(handlers=HANDLERS, pools={"dome": {"count": 2}}) as emu:
            with pytest.raises(InputError) as caught:
                act(emu)
            assert message in str(caught.value)

    go(test())


def test_a_schedule_of_faults_from_a_file_begins_at_its_times(go: Any) -> None:
    """Entries as under ``faults`` happen at their times; one whose time has passed is refused."""

    async def test() -> Any:
        async with Emulator(handlers=HANDLERS, pools={"dome": {"count": 1}}) as emu:
            emu.schedule(
                [
                    {"power_off": "dome-1", "at": "+5m", "back_after": "5m"},
                    {"freeze": "dome", "at": "00:30", "lasts": "1m"},
                ]
            )
            job = emu.submit("copy")
            await job
            await emu.advance(hours=1)
            with pytest.raises(InputError, match="freeze at 10m lies before the present, 1h20m"):
                emu.schedule([{"freeze": "dome", "at": "+10m"}])
            return job.outcomes, [
                (event.at // 60_000_000, event.kind) for event in emu.recorded("fault_began", "fault_ended")
            ]

    assert go(test()) == (
        ["lease_lost", "ok"],
        [(5, "fault_began"), (10, "fault_ended"), (30, "fault_began"), (31, "fault_ended")],
    )


def test_people_act_on_jobs_and_queues(go: Any) -> None:
    """Hold and release, withdraw, run again, hold a queue: as in scenario files, by handle or by name."""

    async def test() -> Any:
        async with Emulator(handlers=HANDLERS) as emu:
            emu.hold_queue("night", lasts="10m")
            held, gone, plain = (emu.submit("copy") for _ in range(3))
            emu.hold(held)
            emu.withdraw("copy#2")
            await plain
            emu.release(held.name)
            await held
            emu.run_again(plain)
            await emu.settle()
            return gone.ending.sub_state, emu.time, [job.state for job in emu.jobs()]

    assert go(test()) == ("withdrawn", 2400.0, ["done", "failed", "done", "done"])


def test_events_and_figures_tell_their_times_in_seconds_too(go: Any) -> None:
    """``emu.time`` is seconds, ``at`` and ``value`` are ticks, and ``seconds`` of either is what ``emu.time`` was."""

    async def test() -> Any:
        async with Emulator(handlers=HANDLERS) as emu:
            await emu.submit("copy")
            [end] = emu.recorded("finished")
            with pytest.raises(InputError, match="a figure whose unit is count has no seconds: read its `value`"):
                _ = emu.figure("done").seconds
            makespan, none = emu.figure("makespan"), emu.figure("detection_delay_mean")
            return emu.time, (end.at, end.seconds), (makespan.value, makespan.seconds), (none.value, none.seconds)

    assert go(test()) == (600.0, (600 * SECOND, 600.0), (600 * SECOND, 600.0), (None, None))
