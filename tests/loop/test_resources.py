"""What is kept account of, to be given back, and threads: the parts, each by itself."""

import _socket
import asyncio
import contextvars
import queue
import socket
import subprocess
import sys
import threading
from concurrent.futures import Executor, Future
from types import SimpleNamespace
from typing import Any

import pytest

from emulator.errors import OutsideWorkError, WallLimitError
from emulator.timeline import VirtualLoop, threads, wall_clocks
from emulator.timeline.bearers import BEARER, NOBODY, Bearer
from emulator.timeline.reports import place_here
from emulator.timeline.resources import Held, held_by
from emulator.timeline.resources import _kill as kill
from emulator.timeline.surface import RAN
from emulator.timeline.waits import what_it_has_of


def borne(bearer: Bearer, call: Any) -> Any:
    """Call something as a bearer's code."""
    context = contextvars.copy_context()
    context.run(BEARER.set, bearer)
    return context.run(call)


def test_only_what_a_bearer_opens_is_kept_account_of(run: Any) -> None:
    """Sockets as Python's own class makes them; what only looks like the start of a child process is none."""

    async def main(loop: VirtualLoop) -> Any:
        bearer = Bearer("dome-1")
        with socket.socket() as nobodys:
            one = borne(bearer, socket.socket)
            raw = borne(bearer, _socket.socket)
            borne(bearer, lambda: sys.audit("subprocess.Popen", "sh", [], None, None))
            held = held_by(bearer)
            found = set(held.sockets), set(held.children), held.is_anything()
            loop.abandon(bearer, "power lost")
            closed = one.fileno(), raw.fileno() >= 0, nobodys.fileno() >= 0
            raw.close()
            return found == ({one}, set(), True), closed, held.is_anything()

    assert run(main) == (True, (-1, True, True), False)


def test_an_account_of_nothing_gives_nothing_back() -> None:
    """As for a worker whose code opened nothing."""
    held = Held()
    assert (held.is_anything(), held.give_back()) == (False, [])


def test_a_database_thread_that_is_its_connection_is_told_to_end(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """aiosqlite up to 0.21 takes the end of its thread through the queue of the connection, which is the thread."""
    sentinel = object()

    class Connection(threading.Thread):
        def __init__(self) -> None:
            super().__init__(name="a connection")
            self._tx: queue.SimpleQueue[Any] = queue.SimpleQueue()

        def run(self) -> None:
            while self._tx.get() is not sentinel:
                pass

    core = SimpleNamespace(Connection=Connection, _STOP_RUNNING_SENTINEL=sentinel)
    monkeypatch.setitem(sys.modules, "aiosqlite.core", core)

    async def main(loop: VirtualLoop) -> bool:
        bearer = Bearer("dome-1")
        connection = Connection()
        async with loop.clock_stop("open"):
            borne(bearer, connection.start)
        loop.abandon(bearer, "power lost")
        await loop.all_given_back()
        connection.join(30)  # the end of its code is waited for there; its thread needs a moment more to be gone
        return connection.is_alive()

    assert run(main) is False


@pytest.mark.parametrize("is_loaded", [True, False], ids=["aiosqlite", "no aiosqlite"])
def test_nobody_waits_for_a_thread_of_its_own_that_stands_still(
    run: Any, monkeypatch: pytest.MonkeyPatch, is_loaded: bool
) -> None:
    """It may never end; only the threads of databases take a request that says when they have done all before it."""
    if is_loaded:
        monkeypatch.setitem(sys.modules, "aiosqlite.core", SimpleNamespace(Connection=queue.SimpleQueue))
    else:
        monkeypatch.delitem(sys.modules, "aiosqlite.core", raising=False)
    may = threading.Event()

    async def main(loop: VirtualLoop) -> tuple[float, bool]:
        bearer, thread = Bearer("dome-1"), threading.Thread(target=may.wait)
        async with loop.clock_stop("a thread"):
            borne(bearer, thread.start)
        loop.stand_still(bearer, "frozen")
        await asyncio.sleep(60)
        found = loop.time(), thread.is_alive()
        may.set()
        return found

    assert run(main) == (60, True)


def test_a_thread_that_cannot_start_leaves_nothing_behind(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """It may be started later, and counts as ended."""

    def fails(thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    async def main(loop: VirtualLoop) -> Any:
        async with loop.clock_stop("a thread"):
            thread = threading.Thread(target=print)
            monkeypatch.setattr(threads, "STOCK_START", fails)
            with pytest.raises(RuntimeError, match="can't start new thread"):
                thread.start()
            monkeypatch.undo()
            return "run" in vars(thread), [origin.is_over for origin in loop._threads]

    assert run(main) == (False, [True])


def test_a_thread_of_nobody_starts_threads_as_ever(run: Any) -> None:
    """One that was there before the loop, while that runs."""
    may, done = threading.Event(), threading.Event()

    def work() -> None:
        may.wait()
        inner = threading.Thread(target=print)
        inner.start()
        inner.join()
        done.set()

    thread = threading.Thread(target=work)
    thread.start()

    async def main(loop: VirtualLoop) -> int:
        may.set()
        done.wait()
        return len(loop._threads)

    assert run(main) == 0
    thread.join()


def test_a_thread_that_outlives_its_loop_is_an_error_of_close(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the line that started it; a loop that is closed while an error is under way notes it there."""
    monkeypatch.setattr(threads, "_LAST_WAIT", 0.01)
    over = threading.Event()

    async def main() -> None:
        async with VirtualLoop.of().clock_stop("a thread"):
            threading.Thread(target=over.wait, name="shutter").start()
            threading.Thread(target=over.wait, name="daemon", daemon=True).start()

    loop = VirtualLoop()
    loop.run_until_complete(main())
    try:
        with pytest.raises(
            OutsideWorkError, match=r"^the thread 'shutter', started at .* in .*main still lives 0\.01 s"
        ):
            loop.close()
        other = VirtualLoop()
        other.run_until_complete(main())
        with pytest.raises(LookupError) as caught:
            try:
                raise LookupError
            finally:
                other.close()
        assert caught.value.__notes__[0].startswith("the thread 'shutter', started at ")
    finally:
        over.set()


def test_a_line_of_a_library_is_told_where_none_is_the_users_own() -> None:
    """In a thread that a library started, for example."""
    seen: list[str] = []
    code = compile("def work():\n    seen.append(place_here())", "/lib/site-packages/plates.py", "exec")
    names: dict[str, Any] = {"seen": seen, "place_here": place_here}
    exec(code, names)
    thread = threading.Thread(target=names["work"])
    thread.start()
    thread.join()
    assert seen == ["at /lib/site-packages/plates.py:2 in work"]


def test_a_stop_that_waits_may_be_dropped_after_it_was_set_aside(run: Any) -> None:
    """It is in no line any more, and nothing is taken out twice."""

    async def main(loop: VirtualLoop) -> list[str]:
        async with loop.clock_stop("served"):
            waits = loop.clock_stop("waits")
            entering = waits.__aenter__()
            contextvars.Context().run(entering.send, None)
            loop._outside.set_aside(NOBODY)
            entering.close()
            loop._outside.take_back(NOBODY)
            names = [stop.name for stop in loop._outside.stops]
            waits.step_out()
        return names

    assert run(main) == ["served", "waits"]


def test_a_refusal_is_told_once_for_each_line(run: Any) -> None:
    """However often the line is run."""

    async def main(loop: VirtualLoop) -> int:
        for _ in range(3):
            with pytest.raises(OutsideWorkError):
                loop.require_stop("sock_recv")
        return len(loop.findings)

    assert run(main) == 1


def test_the_limit_of_real_time_begins_anew_with_each_test() -> None:
    """On a loop that several tests share: where somebody asks which loops ran, each asks anew."""
    loop = VirtualLoop(wall_limit=60)
    try:
        assert loop._wall is not None
        for _ in range(2):
            token = RAN.set({})
            try:
                for _ in range(2):
                    loop.run_until_complete(asyncio.sleep(1))
                    loop._wall._left -= 10
            finally:
                RAN.reset(token)
        assert 39 < loop._wall._left <= 40
    finally:
        loop.close()


def test_code_that_does_not_give_way_fails_at_the_next_clock_or_anywhere(run: Any) -> None:
    """First the clocks raise, once; when nobody reads one, the error comes to whatever line is run."""

    async def main(loop: VirtualLoop) -> Any:
        loop._insist()
        shown = loop._shown_tick()
        with pytest.raises(WallLimitError, match=r"^the limit of 60 s of real time was reached at 0s"):
            shown + 1  # type: ignore[operator]
        assert loop._over is None
        loop._insist()
        with pytest.raises(WallLimitError, match="give the loop a longer wall_limit"):
            loop._insist()
            for _ in range(1_000_000):
                pass
        return loop._over

    assert run(main, wall_limit=60) is None
    loop = VirtualLoop(wall_limit=60)
    loop._insist()
    loop._insist()  # in no thread: nobody to raise it in
    loop.close()


def test_the_calendar_is_set_without_loading_pytest(monkeypatch: pytest.MonkeyPatch) -> None:
    """Which time-machine would load for a fixture, where it is not loaded yet."""
    kept = sys.modules["pytest"]
    with monkeypatch.context() as patch:
        patch.delitem(sys.modules, "pytest")
        with wall_clocks.wall_clocks():
            assert "pytest" not in sys.modules
    assert sys.modules["pytest"] is kept


@pytest.mark.parametrize("wanted", ["first", "second", "none"])
def test_what_a_task_has_of_what_another_waits_for(run: Any, wanted: str) -> None:
    """A lock that it entered by ``async with``, not any other, nor what nobody shares."""

    async def main(loop: VirtualLoop) -> str | None:
        locks = {"first": asyncio.Lock(), "second": asyncio.Lock()}
        await locks["second"].acquire()

        async def holds() -> None:
            async with locks["first"]:
                await asyncio.sleep(100)

        async def waits() -> None:
            if wanted == "none":
                await asyncio.sleep(100)
            async with locks[wanted]:
                pass

        holder, waiting = asyncio.create_task(holds()), asyncio.create_task(waits())
        await asyncio.sleep(1)
        return what_it_has_of(holder, waiting)

    assert run(main) == {"first": "the Lock that it entered by `async with`"}.get(wanted)


def test_of_two_dead_waiters_of_a_condition_neither_takes_the_wake_up(run: Any) -> None:
    """The next who lives gets what both had been given."""

    async def main(loop: VirtualLoop) -> list[str]:
        condition, seen = asyncio.Condition(), []

        async def wait(name: str) -> None:
            async with condition:
                await condition.wait()
            seen.append(name)

        bearer = Bearer("dome-1")
        context = contextvars.copy_context()
        context.run(BEARER.set, bearer)
        for name in ("one", "two"):
            loop.create_task(wait(name), context=context.copy())
        await asyncio.sleep(1)
        living = [asyncio.create_task(wait(name)) for name in ("three", "four")]
        await asyncio.sleep(1)
        async with condition:
            condition.notify(2)
        loop.abandon(bearer, "power lost")
        await asyncio.wait(living)
        return seen

    assert run(main) == ["three", "four"]


def test_a_child_that_somebody_waits_for_is_left_to_whoever_does() -> None:
    """asyncio's own thread for a child would miss it; a child that has ended is no matter."""
    over = threading.Event()
    waits = threading.Thread(target=over.wait, name="waitpid-1")
    waits.start()
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as child:
        kill(child)
        over.set()
        waits.join()
        assert (child.returncode, child.wait()) == (None, -9)
        kill(child)


def test_sockets_that_a_thread_may_be_using_are_shut_and_closed_by_its_end() -> None:
    """Closed at once, their number could be another file's, while the thread still reads from it."""
    bearer = Bearer("dome-1")
    origin = threads.Origin(bearer, None, "", [])
    one, other = socket.socketpair()
    held = held_by(bearer)
    held.sockets[one] = origin
    held.give_back()
    assert (one.fileno() >= 0, other.recv(1)) == (True, b"")
    origin.run(print)
    assert one.fileno() == -1
    other.close()


class Inline(Executor):
    """Runs at once what it is given."""

    def submit(self, call: Any, /, *args: Any, **named: Any) -> Any:
        done: Future[Any] = Future()
        done.set_result(call(*args, **named))
        return done


def test_an_executor_of_another_kind_gets_the_call_as_it_is(run: Any) -> None:
    """One that pickles its calls could not take more."""

    async def main(loop: VirtualLoop) -> int:
        total: int = await loop.run_in_executor(Inline(), sum, [1, 2])
        return total

    assert run(main) == 3


def test_an_answer_that_no_task_waits_for_is_told_without_one(run: Any) -> None:
    """A callback of one's own may wait for it."""

    async def main(loop: VirtualLoop) -> list[str]:
        future = loop.create_future()
        future.add_done_callback(lambda done: None)
        async with loop.clock_stop("a thread"):
            threading.Thread(target=loop.call_soon_threadsafe, args=(future.set_result, None)).start()
            while not future.done():
                await asyncio.sleep(0)
        return loop.irreproducible

    (told,) = run(main)
    assert "while the virtual clock was running: when it arrives" in told
