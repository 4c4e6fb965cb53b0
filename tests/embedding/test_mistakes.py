"""The first mistakes of somebody who embeds the emulator: each is told at once, with what to write instead."""

import asyncio
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

import emulator
from emulator import Emulator, InputError, Lease, RetryCase, Verdict, Work
from emulator.testing.telling import Emulated

pytest_plugins = ["pytester"]


async def copy(work: Work) -> None:
    await work.spend("10m")


async def without_arguments() -> None:
    pass


class Own:
    """A retry policy that always says no."""

    def decide(self, case: RetryCase) -> Verdict:
        return Verdict(False, why="no")


NO_WORK = (
    "the emulator was given no work, neither handlers nor routines: give your own code, such as "
    '`Emulator(handlers={"copy": copy})` with `async def copy(work): ...`, or modelled work, such as '
    '`Emulator(routines={"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "5m"}]}})`'
)
NOT_ENTERED = "the emulator is not entered: write `async with Emulator(...) as emu:` and use `emu` inside"

MADE: dict[str, tuple[Callable[[], object], str]] = {
    "nothing to do": (lambda: Emulator(), NO_WORK),
    "only workers": (lambda: Emulator(pools={"dome": {"count": 2}}), NO_WORK),
    "settings without work": (lambda: Emulator({"lasts": "6h"}), NO_WORK),
    "handler is not async": (
        lambda: Emulator(handlers={"copy": print}),  # type: ignore[dict-item]
        "the handler of 'copy' is no coroutine function: write `async def copy(work): ...`, and for code that blocks "
        "`await work.outside(it)` inside",
    ),
    "handler was called": (
        lambda: Emulator(handlers={"copy": without_arguments()}),  # type: ignore[dict-item]
        "the handler of 'copy' is a coroutine, which can run only once: give the function itself, without ()",
    ),
    "handler takes nothing": (
        lambda: Emulator(handlers={"copy": without_arguments}),  # type: ignore[dict-item]
        "the handler of 'copy' cannot be called with 'work' alone, as it will be: write `async def copy(work): ...`",
    ),
    "handlers are a function": (
        lambda: Emulator(handlers=copy),  # type: ignore[arg-type]
        'handlers: found the function copy: give a mapping, such as `handlers={"copy": copy}`',
    ),
    "handlers are a list": (
        lambda: Emulator(handlers=[copy]),  # type: ignore[arg-type]
        'handlers: found a value of type list: give a mapping, such as `handlers={"copy": copy}`',
    ),
    "handlers as the scenario": (
        lambda: Emulator({"copy": copy}),
        "the first argument is a scenario: give handlers by their name, `Emulator(handlers={...})`",
    ),
    "argument misspelt": (
        lambda: Emulator(handler={"copy": copy}),
        "there is no argument 'handler' of the emulator: did you mean 'handlers'?",
    ),
    "no scenario": (
        lambda: Emulator(7),
        "7 is no scenario: give a file's path, settings, or what `load` gave",
    ),
    "program is not async": (
        lambda: Emulator(handlers={"copy": copy}, programs={"workers": print}),  # type: ignore[dict-item]
        "the program of 'workers' is no coroutine function: write `async def main(client): ...`",
    ),
    "names as one text": (
        lambda: Emulator(handlers={"copy": copy}, never="job left unfinished"),
        "never: found the text 'job left unfinished': give a list, `never=['job left unfinished']`",
    ),
    "workers as one text": (
        lambda: Emulator(handlers={"copy": copy}, by_hand="workers"),
        "by_hand: found the text 'workers': give a list, `by_hand=['workers']`",
    ),
    "seed is a text": (
        lambda: Emulator(handlers={"copy": copy}, seed="7"),  # type: ignore[arg-type]
        "seed='7': give a whole number from 0 to 2**63 - 1",
    ),
    "policy without its queue": (
        lambda: Emulator(handlers={"copy": copy}, retry=Own()),  # type: ignore[arg-type]
        'retry: found a value of type Own: give a mapping from queues, such as `retry={"night": Own()}`',
    ),
    "policy as a class": (
        lambda: Emulator(handlers={"copy": copy}, retry={"night": Own}),  # type: ignore[dict-item]
        "the retry policy of queue 'night' is the class Own: give an object, `Own()`",
    ),
    "policy that cannot decide": (
        lambda: Emulator(handlers={"copy": copy}, retry={"night": 4}),  # type: ignore[dict-item]
        "the retry policy of queue 'night' is a value of type int, which cannot decide: give an object with "
        "`def decide(self, case): ...` that returns an `emulator.Verdict`",
    ),
    "policy that is never asked": (
        lambda: Emulator(
            handlers={"copy": copy}, queues={"night": {"retry": {"attempts_in_all": 1}}}, retry={"night": Own()}
        ),
        "the retry policy of queue 'night' is never asked, because the scenario allows 1 attempt in all: give "
        "`queues.night.retry.attempts_in_all` more, such as 5",
    ),
    "option of the loop misspelt": (
        lambda: emulator.run_in_virtual_time(copy(None), speed=3),  # type: ignore[arg-type]
        "got an unexpected keyword argument 'speed': the options are those of VirtualLoop: agenda, start, pace, end, "
        "wall_limit, patience, turns, shuffle_ties, interleave, in_order, allow_irreproducible, wall_clocks, outside",
    ),
}


@pytest.mark.parametrize("slip", MADE)
def test_what_is_given_is_looked_at_before_anything_runs(slip: str) -> None:
    """The message says what was found and what to write; no coroutine is left behind that was never awaited."""
    make, message = MADE[slip]
    with pytest.raises(InputError) as caught:
        make()
    assert (str(caught.value), caught.value.__cause__) == (message, None)


UNENTERED: dict[str, Callable[[Emulator], Any]] = {
    "submit": lambda emu: emu.submit("copy"),
    "advance": lambda emu: emu.advance(minutes=5),
    "until": lambda emu: emu.until(lambda: False),
    "settle": lambda emu: emu.settle(),
    "a fault": lambda emu: emu.power_off("workers-1"),
    "an action": lambda emu: emu.hold_queue("night"),
    "the time": lambda emu: emu.time,
    "the jobs": lambda emu: emu.jobs(),
    "a figure": lambda emu: emu.figure("done"),
    "the events": lambda emu: emu.recorded(),
    "check": lambda emu: emu.check(),
}


@pytest.mark.parametrize("use", UNENTERED)
def test_an_emulator_that_was_not_entered_says_so(go: Any, use: str) -> None:
    """Whatever is asked of it first."""

    async def test() -> None:
        found = UNENTERED[use](Emulator(handlers={"copy": copy}))
        if asyncio.iscoroutine(found):
            await found

    with pytest.raises(InputError) as caught:
        go(test())
    assert str(caught.value) == NOT_ENTERED


def test_with_without_async_is_told() -> None:
    """A plain ``with`` names the right one; a name that there is not is an AttributeError as ever."""
    emu = Emulator(handlers={"copy": copy})
    with (
        pytest.raises(InputError, match=r"^an emulator is entered by `async with`: write `async with Emulator\(\.\.\."),
        emu,
    ):
        pass
    assert not hasattr(emu, "wordl")


def test_an_emulator_that_is_awaited_says_how_it_is_entered(go: Any) -> None:
    """Before it was entered and after; it is no coroutine that was forgotten."""

    async def test(emu: Any) -> None:
        await emu

    emu = Emulator(handlers={"copy": copy})
    with pytest.raises(InputError) as caught:
        go(test(emu))
    assert str(caught.value) == (
        "an emulator is not awaited but entered: write `async with Emulator(...) as emu:` and use `emu` inside"
    )


def test_a_figure_of_what_is_not_there_is_told(go: Any) -> None:
    """Names that neither the scenario nor the jobs of the test have are errors; those that jobs have are none."""

    async def test() -> tuple[list[str], list[float | None]]:
        said: list[str] = []
        async with Emulator(
            routines={"copy": {"queue": "night"}},
            handlers={"copy": copy},
            arrivals=[{"routine": "copy", "name": "copy", "count": 2, "at": "00:00"}],
        ) as emu:
            found = [emu.figure("accepted", entry="copy (submitted)").value]
            emu.submit("copy")
            for word, name in (
                ("entry", "copy (submitted)"),
                ("entry", "copy"),
                ("queue", "night"),
                ("routine", "copy"),
            ):
                found.append(emu.figure("accepted", **{word: name}).value)
            for word, name in (
                ("pool", "worker"),
                ("entry", "copy (submited)"),
                ("queue", "nite"),
                ("routine", "cpoy"),
            ):
                with pytest.raises(InputError) as caught:
                    emu.figure("accepted", **{word: name})
                said.append(str(caught.value))
        return said, found

    said, found = go(test())
    assert found == [0, 1, 2, 3, 3]
    assert said == [
        "'accepted for pool worker': there is no pool 'worker': did you mean 'workers'?",
        "'accepted for entry copy (submited)': there is no entry 'copy (submited)': did you mean 'copy (submitted)'?",
        "'accepted for queue nite': there is no queue 'nite': did you mean 'night'?",
        "'accepted for routine cpoy': there is no routine 'cpoy': did you mean 'copy'?",
    ]


INSIDE: dict[str, tuple[Callable[[Any, Any], Any], str]] = {
    "a key": (lambda emu, job: emu.submit("copy", key=5), "key: found 5: give a text"),
    "an idempotency key": (
        lambda emu, job: emu.submit("copy", idempotency_key=["x"]),
        "idempotency_key: found ['x']: give a text",
    ),
    "a priority": (lambda emu, job: emu.submit("copy", priority=1.5), "priority: found 1.5: give a whole number"),
    "a prerequisite": (
        lambda emu, job: emu.submit("copy", after=5),
        "after: found a value of type int: give the job's handle, or its name, such as 'copy#1'",
    ),
    "a time without end": (
        lambda emu, job: emu.submit("copy", not_before=1e300),
        "1e+300 is too long: at most 100 years (36525d)",
    ),
    "a kind of event": (
        lambda emu, job: emu.recorded("handed_uot"),
        "there is no event of the kind 'handed_uot': did you mean 'handed_out'?",
    ),
    "kinds of events": (lambda emu, job: emu.recorded(["a"]), "kinds: found ['a'] in the list: give texts"),
    "faults": (lambda emu, job: emu.schedule(5), "faults: found 5: give a list"),
    "one fault": (
        lambda emu, job: emu.schedule({"freeze": "workers-1"}),
        "fault: found 'freeze': give a mapping",
    ),
    "a subscriber": (lambda emu, job: emu.subscribe(5), "subscriber: found 5: give a function"),
    "a log": (lambda emu, job: emu.save(5), "path: found 5: give the path of a file"),
    "how many stories": (lambda emu, job: emu.stories("x"), "at_most: found 'x': give a whole number"),
    "a job": (
        lambda emu, job: emu.why_unfinished(99),
        "there is no job 99 at 2026-01-01 00:00:00 (0s after the start): allowed are: copy#1",
    ),
    "a worker": (lambda emu, job: emu.client(5), "worker: found 5: give a text"),
    "a state": (lambda emu, job: job.reaches(5), "states: found 5 in the list: give texts"),
}


@pytest.mark.parametrize("use", INSIDE)
def test_what_a_running_emulation_cannot_use_is_told(go: Any, use: str) -> None:
    """Each is told at its own line, and changes nothing."""

    async def test() -> str:
        call, _ = INSIDE[use]
        async with Emulator(handlers={"copy": copy}, lasts="2h") as emu:
            job = emu.submit("copy")
            before = len(emu.recorded())
            with pytest.raises(InputError) as caught:
                found = call(emu, job)
                if asyncio.iscoroutine(found):
                    await found
            assert len(emu.recorded()) == before
        return str(caught.value)

    assert go(test()) == INSIDE[use][1]


def test_the_wrong_loop_is_told_with_both_ways_out() -> None:
    """On the stock loop: the marker in tests, the function elsewhere."""

    async def main() -> None:
        async with Emulator(handlers={"copy": copy}):
            pass

    with pytest.raises(
        InputError, match=r"mark a test with @pytest\.mark\.virtual_time, elsewhere call `emulator\.run"
    ):
        asyncio.run(main())


def test_what_is_asked_of_a_running_emulation_is_looked_at(go: Any) -> None:
    """Routines by name, conditions as plain functions, jobs that there are."""

    async def condition() -> bool:
        return True

    async def test() -> list[str]:
        told = []
        async with Emulated(lambda: ([], None))(handlers={"copy": copy}) as emu:
            slips: list[Callable[[], Any]] = [
                lambda: emu.submit("cpoy"),
                lambda: emu.submit(7),  # type: ignore[arg-type]
                lambda: emu.submit("copy", after="copy#9"),
                lambda: emu.submit("copy", if_failed="go on"),  # type: ignore[arg-type]
                lambda: emu.until(emu.submit("copy")),  # type: ignore[arg-type]
                lambda: emu.until(condition),
                lambda: emu.job("copy#2"),
            ]
            for slip in slips:
                with pytest.raises(InputError) as caught:
                    if asyncio.iscoroutine(found := slip()):
                        await found
                told.append(str(caught.value).partition(f" ({__file__}")[0])
            first = emu.job("copy#1")
            second = emu.submit("copy", after="copy#1")
            await second
            assert first.state == "done"
        return told

    assert go(test()) == [
        "there is no routine 'cpoy': did you mean 'copy'?",
        "7 names no routine: give its name as a text, such as 'copy'",
        "there is no job 'copy#9' at 2026-01-01 00:00:00 (0s after the start): none has been submitted",
        "there is no answer for if_failed 'go on': did you mean 'go_on'?",
        "<JobHandle copy#1: queued> is no condition: give a function, `await emu.until(lambda: ...)`; to wait for a "
        "job, write `await job`",
        "the condition test_what_is_asked_of_a_running_emulation_is_looked_at.<locals>.condition",
        "there is no job 'copy#2' at 2026-01-01 00:00:00 (0s after the start): did you mean 'copy#1'?",
    ]


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (ValueError("no table"), "ValueError: no table"),
        (True, "InputError: it answered True: return an `emulator.Verdict`"),
        (
            Verdict(True, 1.5),  # type: ignore[arg-type]
            "InputError: it answered a pause of 1.5: a pause is a whole number of microseconds, 0 or more",
        ),
    ],
)
def test_a_retry_policy_that_goes_wrong_fails_the_job_and_says_so(go: Any, answer: Any, why: str) -> None:
    """It does not leave the job running for ever, and what it raised is among the failures."""

    class Wrong:
        def decide(self, case: RetryCase) -> Verdict:
            if isinstance(answer, Exception):
                raise answer
            return answer  # type: ignore[no-any-return]

    async def fails(work: Work) -> None:
        raise emulator.TransientError("tape busy")

    async def test() -> Any:
        async with Emulator(handlers={"copy": fails}, retry={"night": Wrong()}) as emu:
            ending = await emu.submit("copy")
            return ending.why, [f"{type(error).__name__}: {error}" for error in emu.failures]

    assert go(test()) == (f"the retry policy of queue night raised {why}", [why])


SUITE = """
    import pytest

    async def copy(work):
        await work.spend("10m")

    @pytest.mark.virtual_time
    async def test_slip(emulated):
        async with emulated(handlers={"copy": copy}) as emu:
            emu.submit("cpoy")
"""


@pytest.mark.slow
@pytest.mark.parametrize(("options", "shown"), [([], False), (["--full-trace"], True)])
def test_a_report_ends_at_the_line_of_the_test(pytester: pytest.Pytester, options: list[str], shown: bool) -> None:
    """What the package did before it refused is left out, unless the whole trace is asked for."""
    pytester.makepyfile(SUITE)
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider", "-p", "no:hypothesispytest", *options)
    text = result.stdout.str()
    assert '>           emu.submit("cpoy")' in text
    assert "InputError: there is no routine 'cpoy': did you mean 'copy'?" in text
    assert ("def _known(" in text) is shown


def test_an_error_in_a_test_body_comes_alone() -> None:
    """What a body raises is not told as having come while another error was handled."""

    async def body() -> None:
        raise LookupError("of the body")

    with pytest.raises(LookupError) as caught:
        emulator.run_in_virtual_time(body)
    assert caught.value.__context__ is None


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ({"plate": asyncio.Lock()}, "the parameter plate of copy is a value of type Lock"),
        (
            {"plates": ["a", {"b": print}]},
            "the parameter plates[1]['b'] of copy is the builtin_function_or_method print",
        ),
        ({"plates": {object: 1}}, "the parameter plates (a key of it) of copy is the type object"),
        ({"plates": {b"a", frozenset({Lease})}}, "the parameter plates[...][...] of copy is the type Lease"),
    ],
)
def test_a_parameter_that_no_message_could_carry_is_refused_at_submit(parameters: dict[str, Any], said: str) -> None:
    """The error names the place; no job is made."""

    async def test() -> Any:
        async with Emulator(handlers={"copy": copy}) as emu:
            with pytest.raises(InputError) as caught:
                emu.submit("copy", **parameters)
            return str(caught.value), emu.jobs()

    assert emulator.run_in_virtual_time(test) == (
        f"{said}, which no message could carry to a worker: give texts, numbers, dates, and lists and mappings of "
        "these",
        [],
    )


def test_plain_parameters_are_taken_and_one_that_holds_itself_is_not() -> None:
    """Texts, numbers, dates, paths, enumerations, and lists, sets and mappings of these, however deep."""
    plain = {"a": [1, 2.5, None, True, "x", b"y"], "when": timedelta(1), "where": Path("a"), "set": {("k", 1): {2}}}
    endless: list[Any] = []
    endless.append(endless)

    async def test() -> Any:
        async with Emulator(handlers={"copy": copy}) as emu:
            emu.submit("copy", **plain)
            with pytest.raises(InputError, match=r"the parameter a\[0\]\[0\].* is more than 100 levels deep, or holds"):
                emu.submit("copy", a=endless)
            return len(emu.jobs())

    assert emulator.run_in_virtual_time(test) == 1
