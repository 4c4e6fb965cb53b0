"""What a test sees of workers, switching them on, and answers of systems that it orders."""

from typing import Any

import pytest

from emulator import CallError, Emulator, InputError, Work, run_in_virtual_time


async def copy(work: Work) -> None:
    await work.spend("10m")


def test_each_state_of_a_worker_is_seen_by_its_name() -> None:
    """Two idle and one busy; then booting, frozen, cut off, draining and off, each at the very instant."""

    async def test() -> Any:
        pools = {"dome": {"count": 3, "boots_in": "1m", "equipped_with": ["lens", "camera"]}}
        async with Emulator(handlers={"copy": copy}, pools=pools) as emu:
            states = [[worker.state for worker in emu.workers]]
            await emu.advance(minutes=1)
            job = emu.submit("copy")
            await job.reaches("running")
            states.append([worker.state for worker in emu.workers])
            busy = next(worker for worker in emu.workers if worker.state == "busy")
            assert (busy.pool, busy.jobs, busy.speed, busy.equipped_with) == (
                "dome",
                ("copy#1",),
                1.0,
                ("camera", "lens"),
            )
            emu.freeze("dome-1")
            emu.cut_link("dome-2")
            emu.power_off("dome-3")
            states.append([emu.worker(f"dome-{number}").state for number in (1, 2, 3)])
            emu.power_on("dome-3")
            states.append([emu.worker("dome-3").state])
            await emu.until(lambda: emu.worker("dome-3").state == "busy")
            emu.drain("dome-3")
            states.append([emu.worker("dome-3").state])
            await emu.advance(minutes=10)
            states.append([emu.worker("dome-3").state])
            assert repr(emu.worker("dome-3")) == "<WorkerView dome-3: off>"
            with pytest.raises(InputError, match="there is no worker 'dome-4': did you mean"):
                emu.worker("dome-4")
            with pytest.raises(InputError, match="power_on: dome-3 has left for good at"):
                emu.power_on("dome-3")
            return states

    first, second, *rest = run_in_virtual_time(test)
    assert first == ["booting", "booting", "booting"]
    assert sorted(second) == ["busy", "idle", "idle"]
    assert rest == [["frozen", "cut_off", "off"], ["booting"], ["draining"], ["off"]]


def test_a_worker_that_was_off_for_good_is_switched_on() -> None:
    """The job that waited for it goes on then; a pool needs one that is off, and an unknown name is refused."""

    async def test() -> Any:
        async with Emulator(handlers={"copy": copy}) as emu:
            emu.power_off("workers-1")
            job = emu.submit("copy")
            await emu.advance(minutes=5)
            waiting = job.state
            emu.power_on("workers")
            ending = await job
            for name in ("workers-1", ["workers"]):
                with pytest.raises(InputError, match="is on already at 15m: only what is off is switched on"):
                    emu.power_on(name)
            with pytest.raises(InputError, match="there is no worker or pool 'worker'"):
                emu.power_on("worker")
            return waiting, ending.state, emu.time, emu.recorded("worker_registered")[-1].details["incarnation"]

    assert run_in_virtual_time(test) == ("queued", "done", 900.0, 2)


@pytest.mark.parametrize(
    ("ordered", "expected"),
    [
        ([], ["ok 2"] * 3),
        ([("error", {})], ["error 2", "ok 4", "ok 6"]),
        ([("refused", {"retry_after": "5m"})], ["refused 0 300.0", "ok 2", "ok 4"]),
        ([("refused", {"times": 2})], ["refused 0 60.0", "refused 0 60.0", "ok 2"]),
        ([("error", {}), ("refused", {})], ["error 2", "refused 2 60.0", "ok 4"]),
    ],
)
def test_a_system_answers_its_next_calls_as_it_was_asked_to(ordered: Any, expected: list[str]) -> None:
    """Three calls one after the other: a refusal takes no time, other answers take the two seconds of the system."""
    if not ordered:
        expected = ["ok 2", "ok 4", "ok 6"]

    async def asks(work: Work) -> None:
        for _ in range(3):
            try:
                await work.call("archive")
                seen.append(f"ok {emulators[0].time:g}")
            except CallError as error:
                hint = "" if error.retry_after is None else f" {error.retry_after}"
                seen.append(f"{error.outcome} {emulators[0].time:g}{hint}")

    seen: list[str] = []
    emulators: list[Emulator] = []

    async def test() -> None:
        systems = {"archive": {"answers_in": "2s", "retry_after": "1m"}}
        async with Emulator(handlers={"copy": asks}, systems=systems) as emu:
            emulators.append(emu)
            for outcome, options in ordered:
                emu.next_answer("archive", outcome, **options)
            await emu.submit("copy")

    run_in_virtual_time(test)
    assert seen == expected


def test_an_ordered_success_goes_before_the_share_of_errors() -> None:
    """Of a system that answers with errors alone the first call is answered well."""

    async def asks(work: Work) -> None:
        await work.call("archive")
        with pytest.raises(CallError):
            await work.call("archive")

    async def test() -> Any:
        async with Emulator(handlers={"copy": asks}, systems={"archive": {"error_share": 1.0}}) as emu:
            emu.next_answer("archive", "ok")
            return (await emu.submit("copy")).state

    assert run_in_virtual_time(test) == "done"


@pytest.mark.parametrize(
    ("arguments", "options", "said"),
    [
        (("archiv", "ok"), {}, "there is no system 'archiv': did you mean 'archive'"),
        (("archive", "fine"), {}, "there is no outcome 'fine'"),
        (("archive", "error"), {"retry_after": "1m"}, "the hint comes with a refusal, and this answer is error"),
        (("archive", "ok"), {"times": 0}, "times=0: give a whole number of calls, 1 or more"),
    ],
)
def test_an_answer_that_no_system_gives_is_refused(arguments: Any, options: Any, said: str) -> None:
    """The error says what there is instead."""

    async def test() -> None:
        async with Emulator(handlers={"copy": copy}, systems={"archive": {}}) as emu:
            with pytest.raises(InputError, match=said):
                emu.next_answer(*arguments, **options)

    run_in_virtual_time(test)
