"""Nothing is green by accident: a run that is not reproducible, or in which real I/O was refused, fails at its end."""

import asyncio
import contextlib
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import aiosqlite
import pytest

from emulator import Emulator, IrreproducibleError, OutsideWorkError, VirtualLoop, Work, clock_stop, run_in_virtual_time

pytest_plugins = ["pytester"]


def line_of(marker: str) -> str:
    """Say where in this file a line with this comment is, as findings do."""
    lines = Path(__file__).read_text("utf-8").splitlines()
    (number,) = [number for number, line in enumerate(lines, 1) if line.endswith(f"# {marker}")]
    return f"{__file__}:{number} in "


async def swallow_a_refusal() -> None:
    with contextlib.suppress(Exception):  # as a broad handler of the user's does
        await asyncio.open_connection("127.0.0.1", 9)  # the connection


async def copy(work: Work) -> None:
    await swallow_a_refusal()
    await work.spend(10)


def test_a_refusal_that_was_swallowed_fails_the_run() -> None:
    """With the call and its line, although the code went on; the option is the way out."""
    with pytest.raises(IrreproducibleError) as caught:
        run_in_virtual_time(swallow_a_refusal)
    first, found, way_out = str(caught.value).split("\n")
    assert first == "this run proves nothing, although it went well:"
    assert found.startswith(
        f"  loop.create_connection() was refused at {line_of('the connection')}swallow_a_refusal: do"
    )
    assert way_out == "allow_irreproducible=True accepts that"
    run_in_virtual_time(swallow_a_refusal, allow_irreproducible=True)


def test_a_refusal_that_was_swallowed_in_a_handler_fails_its_emulation_once() -> None:
    """Where the emulation is left; whoever expects that has been told, and the run goes on well."""

    async def test() -> None:
        with pytest.raises(IrreproducibleError, match=r"loop\.create_connection\(\) was refused"):
            async with Emulator(handlers={"copy": copy}) as emu:
                assert (await emu.submit("copy")).state == "done"

    run_in_virtual_time(test)


def test_an_error_of_the_run_itself_is_the_one_that_is_raised() -> None:
    """What was found besides would only hide it."""

    async def test() -> None:
        await swallow_a_refusal()
        raise LookupError

    with pytest.raises(LookupError):
        run_in_virtual_time(test)


def test_a_library_with_a_thread_of_its_own_is_refused_at_the_start_of_the_thread(tmp_path: Path) -> None:
    """aiosqlite outside a clock stop, although a timer is pending; nothing carries the number of a thread."""

    async def open_archive() -> None:
        asyncio.get_running_loop().call_later(3600, print)
        await aiosqlite.connect(tmp_path / "plates.db")  # the archive

    with pytest.raises(OutsideWorkError) as caught:
        run_in_virtual_time(open_archive)
    assert str(caught.value).startswith("the virtual clock would not wait for the thread 'Thread")
    assert not any(character.isdigit() for character in str(caught.value))


def test_the_connection_of_a_stop_used_outside_it_fails_the_run(tmp_path: Path) -> None:
    """The answer arrives whenever it does; the finding names the awaiting line of one's own code, not the library's."""

    async def test() -> None:
        async with clock_stop("open"):
            archive = await aiosqlite.connect(tmp_path / "plates.db")
        order = asyncio.ensure_future(waits_for(archive.execute("CREATE TABLE plates (plate)")))
        while not order.done():
            await asyncio.sleep(60)
        async with clock_stop("close"):
            await archive.close()

    async def waits_for(order: Any) -> None:
        await order  # outside

    with pytest.raises(IrreproducibleError) as caught:
        run_in_virtual_time(test)
    assert f"for Task-2 at {line_of('outside')}" in str(caught.value)
    assert "set_result was called from the thread 'Thread" in str(caught.value)


def test_an_answer_to_what_was_begun_outside_counts_as_outside_inside_a_later_stop(tmp_path: Path) -> None:
    """However quick the thread is: it is what was asked outside that makes the run worthless."""

    async def test() -> None:
        async with clock_stop("open"):
            archive = await aiosqlite.connect(tmp_path / "plates.db")
        order = asyncio.ensure_future(_of(archive.execute("CREATE TABLE plates (plate)")))
        await asyncio.sleep(0)
        async with clock_stop("later"):
            await order
            await archive.close()

    with pytest.raises(IrreproducibleError, match="while the virtual clock was running, for Task-"):
        run_in_virtual_time(test)


async def _of(order: Any) -> Any:
    return await order


def test_a_future_that_a_thread_fulfils_counts_from_where_it_was_made() -> None:
    """A thread of one's own, started inside the stop; the future that it fulfils was made there, or before."""

    async def test(inside: bool) -> None:
        loop = asyncio.get_running_loop()
        future = loop.create_future()
        async with clock_stop("a thread"):
            if inside:
                future = loop.create_future()
            threading.Thread(target=loop.call_soon_threadsafe, args=(future.set_result, None)).start()
            await future

    run_in_virtual_time(test(True))
    with pytest.raises(IrreproducibleError):
        run_in_virtual_time(test(False))


def test_a_thread_that_nobody_started_here_is_a_stranger() -> None:
    """One from before the run that calls back without a future."""

    async def test() -> None:
        loop = asyncio.get_running_loop()
        async with clock_stop("a thread"):
            ready.put(loop)
            await asyncio.sleep(0)
            called.wait()
        await asyncio.sleep(1)

    import queue

    ready: queue.Queue[Any] = queue.Queue()
    called = threading.Event()

    def work() -> None:
        ready.get().call_soon_threadsafe(print)
        called.set()

    thread = threading.Thread(target=work)
    thread.start()
    with pytest.raises(IrreproducibleError, match="print was called from the thread 'Thread "):
        run_in_virtual_time(test)
    thread.join()


def test_two_threads_that_answer_within_one_stop_fail_the_run(tmp_path: Path) -> None:
    """Two at a time race, whoever wins; one after the other they do not."""

    async def both(at_once: bool) -> None:
        async with clock_stop("two archives"):
            archives = [await aiosqlite.connect(tmp_path / f"{name}.db") for name in "ab"]
            orders = [archive.execute("SELECT 1") for archive in archives]
            if at_once:
                await asyncio.gather(*orders)
            else:
                for order in orders:
                    await order
            for archive in archives:
                await archive.close()

    run_in_virtual_time(both(False))
    with pytest.raises(IrreproducibleError, match="two threads answered within one clock stop, for Task-"):
        run_in_virtual_time(both(True))


def test_threads_of_executors_that_the_loop_calls_are_no_strangers() -> None:
    """Neither those of the default executor nor of another one, nor what they call back."""
    pool = ThreadPoolExecutor()

    async def test() -> list[str]:
        loop, seen = asyncio.get_running_loop(), []
        for executor in (None, pool):
            await loop.run_in_executor(executor, loop.call_soon_threadsafe, seen.append, "called")
        await asyncio.sleep(0)
        return seen

    with pool:
        assert run_in_virtual_time(test) == ["called", "called"]


def test_results_out_of_order_are_asked_for_and_fail_nothing() -> None:
    """``in_order=False`` marks the log; who gives it knows."""

    async def test() -> list[str]:
        await asyncio.to_thread(print)
        return VirtualLoop.of().irreproducible

    assert run_in_virtual_time(test, in_order=False) == ["results of executor calls come as they are done"]


MARKED = """
    import asyncio, pytest

    async def fetch():
        try:
            await asyncio.open_connection("127.0.0.1", 9)
        except Exception:
            pass

    @pytest.mark.virtual_time
    async def test_swallows():
        await fetch()

    @pytest.mark.virtual_time(allow_irreproducible=True)
    async def test_may():
        await fetch()

    @pytest.mark.virtual_time
    async def test_fails_by_itself():
        await fetch()
        raise LookupError

    @pytest.mark.virtual_time
    async def test_emulates(emulated):
        async def copy(work):
            await fetch()
        async with emulated(handlers={"copy": copy}) as emu:
            assert (await emu.submit("copy")).state == "done"

    @pytest.mark.virtual_time
    async def test_is_well():
        await asyncio.sleep(60)
"""


@pytest.mark.slow
@pytest.mark.parametrize("options", [["-p", "no:asyncio"], []], ids=["alone", "with pytest-asyncio"])
def test_marked_tests_fail_at_their_end(pytester: pytest.Pytester, options: list[str]) -> None:
    """Once, in the test itself, with the finding; the one that failed anyway shows its own error alone."""
    pytester.makepyfile(MARKED)
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider", "-p", "no:hypothesispytest", *options)
    result.assert_outcomes(passed=2, failed=3)
    shown = result.stdout.str().partition("short test summary info")[0]  # which repeats all of it in a build
    assert shown.count("  loop.create_connection() was refused at ") == 2
    assert "E       LookupError\n" in shown


@pytest.mark.slow
def test_a_finding_of_a_fixture_fails_the_end_of_its_test(pytester: pytest.Pytester) -> None:
    """A fixture that swallows a refusal as it ends is an error at the teardown."""
    pytester.makepyfile("""
        import asyncio, pytest, pytest_asyncio

        @pytest_asyncio.fixture
        async def archive():
            yield
            try:
                await asyncio.open_connection("127.0.0.1", 9)
            except Exception:
                pass

        @pytest.mark.virtual_time
        async def test_it(archive):
            pass
    """)
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider", "-p", "no:hypothesispytest")
    result.assert_outcomes(passed=1, errors=1)


@pytest.mark.slow
def test_a_database_that_is_opened_outside_a_stop_is_no_green_test(tmp_path: Path) -> None:
    """Whatever its answers do to the virtual time: each run of such a handler fails the same way."""
    script = f"""
import aiosqlite
from emulator import Emulator, run_in_virtual_time

async def copy(work):
    try:
        async with aiosqlite.connect({str(tmp_path / "plates.db")!r}) as archive:
            await archive.execute("SELECT 1")
    except Exception:
        pass

async def test():
    async with Emulator(handlers={{"copy": copy}}) as emu:
        await emu.submit("copy")

try:
    run_in_virtual_time(test)
except Exception as error:
    print(error)
"""
    told = {subprocess.run([sys.executable, "-c", script], capture_output=True, text=True).stdout for _ in range(3)}
    (text,) = told
    assert "the start of the thread 'Thread" in text
    assert "' was refused at <string>:7 in copy: " in text
