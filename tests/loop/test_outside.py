"""Work outside the loop: threads, real I/O, and the clock stops that make room for them."""

import asyncio
import math
import os
import socket
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import aiosqlite
import pytest

from emulator.errors import ClockStopError, InputError, OutsideWorkError
from emulator.timeline import VirtualLoop, clock_stop

# -- executor calls -------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_thread_takes_no_virtual_time(run):
    """0.2 real seconds in a thread, under a limit of 0.1 virtual seconds: no time passes, no timeout."""

    async def main(loop):
        async with asyncio.timeout(0.1):
            await asyncio.to_thread(time.sleep, 0.2)
            await loop.run_in_executor(None, time.sleep, 0.01)
        return loop.time()

    assert run(main) == 0.0


def test_results_of_threads_come_in_the_order_in_which_they_were_begun(run):
    """The first call takes longest, and still its result comes first, and all that follows from it."""

    async def main(loop):
        seen = []

        async def call(name, seconds):
            seen.append((name, await asyncio.to_thread(lambda: time.sleep(seconds) or name.upper())))
            for step in range(3):
                await asyncio.sleep(0)
                seen.append((name, step))

        await asyncio.gather(call("a", 0.06), call("b", 0.0), call("c", 0.03))
        return seen, loop.irreproducible

    expected = [entry for name in "abc" for entry in ((name, name.upper()), (name, 0), (name, 1), (name, 2))]
    assert run(main) == (expected, [])


def test_without_that_order_results_come_as_they_are_done_and_the_loop_says_so(run):
    """Then a first call may wait for what a second one leads to."""

    async def main(loop):
        gate = threading.Event()

        async def second():
            await asyncio.to_thread(time.sleep, 0.01)
            gate.set()
            return "second"

        return await asyncio.gather(asyncio.to_thread(gate.wait), second()), loop.irreproducible

    assert run(main, in_order=False) == ([True, "second"], ["results of executor calls come as they are done"])


def test_a_thread_that_waits_for_the_result_of_a_later_one_is_an_error_that_names_both(run):
    """In order, that can never end: patience runs out and the message says what stands where."""

    async def main(loop):
        gate = threading.Event()
        loop.gate = gate
        try:
            await asyncio.gather(asyncio.to_thread(gate.wait), asyncio.to_thread(time.sleep, 0.001))
        finally:
            gate.set()

    with pytest.raises(ClockStopError, match=r"because of the executor call Event\.wait, the executor call sleep"):
        run(main, patience=0.05)


def test_errors_of_threads_arrive_as_they_are(run):
    """Also StopIteration, which no coroutine can let through and which becomes a RuntimeError."""

    def fail(error):
        raise error

    async def main(loop):
        results = []
        for error in (KeyError("plate"), StopIteration("end")):
            try:
                await asyncio.to_thread(fail, error)
            except (KeyError, RuntimeError) as caught:
                results.append((repr(caught), repr(caught.__cause__)))
        return results

    assert run(main) == [
        ("KeyError('plate')", "None"),
        ("RuntimeError('the outside call raised StopIteration')", "StopIteration('end')"),
    ]


def test_after_a_cancelled_call_the_clock_waits_for_the_real_end_of_its_thread(run):
    """The result is dropped, and no virtual time passes before the thread has ended."""

    async def main(loop):
        done = []
        task = asyncio.create_task(asyncio.to_thread(lambda: time.sleep(0.05) or done.append(True)))
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        before = list(done)
        await asyncio.sleep(1)
        return before, done, loop.time()

    assert run(main) == ([], [True], 1.0)


def test_a_call_that_was_cancelled_before_it_began_never_begins(run):
    """It waits in line behind a busy thread, is cancelled there, and leaves no trace."""

    async def main(loop):
        ran = []
        with ThreadPoolExecutor(1) as one:
            busy = loop.run_in_executor(one, time.sleep, 0.03)
            waiting = loop.run_in_executor(one, ran.append, 1)
            await asyncio.sleep(0)
            waiting.cancel()
            await busy
            await asyncio.sleep(1)
        return ran, waiting.cancelled()

    assert run(main) == ([], True)


def test_a_call_whose_executor_drops_it_is_cancelled_for_the_one_who_waits(run):
    """An executor that is shut down with ``cancel_futures`` never runs what still stands in line."""

    async def main(loop):
        one = ThreadPoolExecutor(1)
        busy, dropped = loop.run_in_executor(one, time.sleep, 0.02), loop.run_in_executor(one, print)
        one.shutdown(wait=False, cancel_futures=True)
        await busy
        with pytest.raises(asyncio.CancelledError):
            await dropped
        return loop.time()

    assert run(main) == 0.0


def test_a_thread_begun_by_an_entry_of_the_agenda_stops_the_clock_too(run):
    """The entry after it, later in virtual time, fires only when the thread has ended."""

    async def main(loop):
        seen = []
        loop.agenda.at(5, lambda _: loop.run_in_executor(None, lambda: time.sleep(0.03) or seen.append("thread")))
        loop.agenda.at(6, lambda _: seen.append("next entry"))
        await loop.advance(10)
        return seen

    assert run(main) == ["thread", "next entry"]


# -- declared stops -------------------------------------------------------------------------------------------------


def _store(directory, slow, hash_of_run):
    """Three tasks write to a database beside a heartbeat; give the log of what happened when."""
    log = []

    async def main():
        loop = asyncio.get_running_loop()

        async def beat():
            while True:
                await asyncio.sleep(0.5)
                log.append(f"{loop.time()} beat")

        beats = asyncio.create_task(beat())
        async with clock_stop("open the plate archive"):
            database = await aiosqlite.connect(directory / f"{hash_of_run}.db")
            if slow:
                execute = database._execute

                async def slowly(function, *args, **options):
                    return await execute(lambda: time.sleep(0.05) or function(*args, **options))

                database._execute = slowly
            await database.execute("create table plates (number integer)")

        async def write(number):
            await asyncio.sleep(number)
            async with asyncio.timeout(0.01), clock_stop("store a plate"):
                await database.execute("insert into plates values (?)", (number,))
                await database.commit()
            log.append(f"{loop.time()} stored {number}")

        await asyncio.gather(*(write(number // 2) for number in range(4)))
        async with clock_stop("count the plates"):
            rows = await database.execute_fetchall("select count(*) from plates")
            await database.close()
        log.append(f"{loop.time()} {rows[0][0]} plates")
        beats.cancel()

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(main())
    return log


@pytest.mark.slow
def test_a_database_in_a_thread_takes_no_time_inside_a_stop(tmp_path):
    """Other timers stand still meanwhile, and with a disk slowed by 50 ms a call the log is the same."""
    quick, slow = _store(tmp_path, False, "quick"), _store(tmp_path, True, "slow")
    assert quick == [
        "0.0 stored 0",
        "0.0 stored 0",
        "0.5 beat",
        "1.0 beat",  # due at this instant, so it comes before what the database answers
        "1.0 stored 1",
        "1.0 stored 1",
        "1.0 4 plates",
    ]
    assert slow == quick


def test_waiting_for_virtual_time_inside_a_stop_is_an_error_that_names_it(run):
    """Patience, in real seconds, runs out; the error says the stop, who opened it, and where everybody waits."""
    closed = []

    async def main(loop):
        try:
            async with loop.clock_stop("store a plate", patience=0.05):
                await asyncio.sleep(1)
        finally:
            closed.append(loop.is_open_to_outside())

    began = time.monotonic()
    with pytest.raises(ClockStopError) as caught:
        run(main)
    assert str(caught.value).startswith(
        "the clock has stood still at 0s (virtual time) for 0.05 s of real time without a sign from outside, because "
        "of the clock stop 'store a plate' (opened by Task-1); these wait:\n  Task-1 at "
    )
    assert str(caught.value).endswith(
        "\nleave the clock stop before waiting for virtual time, or give it more patience"
    )
    assert "waiting in sleep\n" in str(caught.value)
    assert closed == [False]
    assert time.monotonic() - began < 2


def test_the_longest_patience_of_all_open_stops_counts(run):
    """An impatient stop beside a patient one does not end the wait, and math.inf has no end."""

    async def main(loop):
        async with loop.clock_stop("impatient", patience=0.01), loop.clock_stop("patient", patience=math.inf):
            await asyncio.to_thread(time.sleep, 0.06)
        return loop.time()

    assert run(main, patience=0.02) == 0.0


def test_a_call_from_a_thread_waits_inside_a_stop_until_the_loop_is_quiet(run):
    """However early it comes, all that is ready runs before it; two calls come one after the other."""

    async def main(loop):
        seen, arrived = [], loop.create_future()

        def thread():
            loop.call_soon_threadsafe(lambda: [seen.append("first call"), loop.call_soon(seen.append, "from it")])
            loop.call_soon_threadsafe(lambda: [seen.append("second call"), arrived.set_result(None)])

        async with loop.clock_stop("listen"):
            other = threading.Thread(target=thread)
            other.start()
            other.join()
            for step in range(3):
                seen.append(step)
                await asyncio.sleep(0)
            await arrived
        return seen, loop.irreproducible

    assert run(main) == ([0, 1, 2, "first call", "from it", "second call"], [])


def test_a_call_that_comes_as_its_stop_closes_is_not_lost(run):
    """It is let in before the clock moves on."""

    async def main(loop):
        seen = []
        async with loop.clock_stop("listen"):
            other = threading.Thread(target=loop.call_soon_threadsafe, args=(lambda: seen.append(loop.time()),))
            other.start()
            other.join()
        await asyncio.sleep(1)
        return seen

    assert run(main) == [0.0]


def test_a_task_may_poll_inside_a_stop(run):
    """As on the stock loop: asking again and again lets the outside in, and is no spinning there."""

    async def main(loop):
        async with loop.clock_stop("poll"):
            future = asyncio.to_thread(time.sleep, 0.05)
            task, turns = asyncio.ensure_future(future), 0
            while not task.done():
                await asyncio.sleep(0)
                turns += 1
        return turns > 100, loop.time()

    assert run(main, turns=100) == (True, 0.0)


def test_a_task_may_poll_for_a_call_that_came_as_its_stop_closed(run):
    """Also without a stop the outside is let in after a while, so that it is not spinning that is reported."""

    async def main(loop):
        seen, turns = [], 0
        async with loop.clock_stop("listen"):
            other = threading.Thread(target=loop.call_soon_threadsafe, args=(seen.append, 1))
            other.start()
            other.join()
        while not seen:
            await asyncio.sleep(0)
            turns += 1
        return turns

    assert 500 < run(main, turns=5_000) < 2_000


def test_without_a_stop_a_call_from_a_thread_wakes_the_loop_and_is_reported(run, caplog):
    """Through the exception handler, once, with the name of the thread; it runs all the same."""

    async def main(loop):
        seen = []
        for _ in range(2):
            other = threading.Thread(target=loop.call_soon_threadsafe, args=(seen.append, 1), name="shutter")
            other.start()
            other.join()
        await asyncio.sleep(1)
        return seen, len(loop.irreproducible)

    assert run(main) == ([1, 1], 1)
    reports = [record.getMessage() for record in caplog.records if "shutter" in record.getMessage()]
    assert len(reports) == 1
    assert reports[0].startswith(
        "list.append was called from the thread 'shutter' while the virtual clock was running:"
    )
    assert "async with loop.clock_stop('what for'):" in reports[0]


def test_after_close_a_call_from_a_thread_is_refused():
    """With asyncio's own error, in the thread."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        loop = runner.get_loop()
    errors = []

    def thread():
        try:
            loop.call_soon_threadsafe(print)
        except RuntimeError as error:
            errors.append(str(error))

    other = threading.Thread(target=thread)
    other.start()
    other.join()
    assert errors == ["Event loop is closed"]


def test_a_call_from_a_thread_to_a_loop_that_does_not_run_is_kept_for_the_next_run():
    """As in asyncio."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        seen = []
        other = threading.Thread(target=runner.get_loop().call_soon_threadsafe, args=(seen.append, 1))
        other.start()
        other.join()
        runner.run(asyncio.sleep(1))
        assert seen == [1]


def test_debug_mode_checks_callbacks_from_threads_and_for_executors():
    """A coroutine function is no callback."""

    async def main():
        loop, errors = asyncio.get_running_loop(), []
        with pytest.raises(TypeError, match="run_in_executor"):
            loop.run_in_executor(None, main)

        def thread():
            try:
                loop.call_soon_threadsafe(main)
            except TypeError as error:
                errors.append(str(error))

        async with loop.clock_stop("listen"):
            other = threading.Thread(target=thread)
            other.start()
            other.join()
        return errors

    with asyncio.Runner(loop_factory=VirtualLoop, debug=True) as runner:
        assert runner.run(main()) == ["coroutines cannot be used with call_soon_threadsafe()"]


def test_stops_nest_and_close_in_any_order_and_the_clock_moves_after_the_last(run):
    """Also when one is left by an exception and another by cancellation."""

    async def main(loop):
        seen = []
        loop.call_later(1, seen.append, "timer")
        first, second = loop.clock_stop("first"), loop.clock_stop("second")
        await first.__aenter__()
        await second.__aenter__()

        async def hold(name, gate):
            async with loop.clock_stop(name):
                await gate.wait()

        gate = asyncio.Event()
        tasks = [asyncio.create_task(hold(name, gate)) for name in ("third", "fourth")]
        await asyncio.sleep(0)
        await first.__aexit__(None, None, None)
        with pytest.raises(LookupError):
            async with loop.clock_stop("fifth"), loop.clock_stop("sixth"):
                raise LookupError
        tasks[1].cancel()
        await asyncio.wait(tasks[1:])
        seen.append([stop.name for stop in loop._outside.stops])
        await second.__aexit__(None, None, None)
        gate.set()
        await tasks[0]
        seen.append(loop.is_open_to_outside())
        await asyncio.sleep(2)
        return seen

    assert run(main) == [["second", "third"], False, "timer"]


def test_a_stop_is_entered_once_at_a_time(run):
    """Entering it twice, or leaving it twice, is refused by name."""

    async def main(loop):
        stop = loop.clock_stop("store a plate")
        async with stop:
            with pytest.raises(ClockStopError, match="'store a plate' is open already"):
                await stop.__aenter__()
        with pytest.raises(ClockStopError, match="'store a plate' is not open"):
            await stop.__aexit__(None, None, None)
        async with stop:
            return loop.is_open_to_outside()

    assert run(main) is True


def test_a_stop_opened_outside_a_task_says_so(run):
    """Its error has nobody to name."""

    async def main(loop):
        stop = loop.clock_stop("store a plate", patience=0.01)
        opening = stop.__aenter__()

        def enter():
            with pytest.raises(StopIteration):
                opening.send(None)

        loop.call_soon(enter)
        await asyncio.sleep(1)

    with pytest.raises(ClockStopError, match=r"'store a plate' \(opened by nobody\)"):
        run(main)


@pytest.mark.parametrize("patience", [0, -1, math.nan])
def test_patience_is_above_nothing(run, patience):
    """For a stop as for a loop."""

    async def main(loop):
        with pytest.raises(ValueError, match="patience of the clock stop 'look' is"):
            loop.clock_stop("look", patience)

    run(main)
    with pytest.raises(ValueError, match="patience="):
        VirtualLoop(patience=patience)


def test_on_another_loop_a_stop_of_the_module_does_nothing():
    """So that a handler keeps it in production."""

    async def main():
        async with clock_stop("store a plate"):
            return await asyncio.to_thread(lambda: "stored")

    assert asyncio.run(main()) == "stored"


# -- real I/O -------------------------------------------------------------------------------------------------------


def _sockets(loop):
    one = socket.socket()
    yield "add_reader", lambda: loop.add_reader(one, print)
    yield "add_writer", lambda: loop.add_writer(one, print)
    yield "connect_accepted_socket", lambda: loop.connect_accepted_socket(asyncio.Protocol, one)
    yield "connect_read_pipe", lambda: loop.connect_read_pipe(asyncio.Protocol, one)
    yield "connect_write_pipe", lambda: loop.connect_write_pipe(asyncio.Protocol, one)
    yield "create_connection", lambda: asyncio.open_connection("localhost", 1)
    yield "create_datagram_endpoint", lambda: loop.create_datagram_endpoint(asyncio.DatagramProtocol)
    yield "create_server", lambda: asyncio.start_server(print, "localhost", 0)
    yield "create_unix_connection", lambda: asyncio.open_unix_connection("/nowhere")
    yield "create_unix_server", lambda: asyncio.start_unix_server(print, "/nowhere")
    yield "getaddrinfo", lambda: loop.getaddrinfo("localhost", 80)
    yield "getnameinfo", lambda: loop.getnameinfo(("127.0.0.1", 80))
    yield "sendfile", lambda: loop.sendfile(None, None)
    yield "sock_accept", lambda: loop.sock_accept(one)
    yield "sock_connect", lambda: loop.sock_connect(one, ("127.0.0.1", 80))
    yield "sock_recv", lambda: loop.sock_recv(one, 1)
    yield "sock_recv_into", lambda: loop.sock_recv_into(one, bytearray(1))
    yield "sock_recvfrom", lambda: loop.sock_recvfrom(one, 1)
    yield "sock_recvfrom_into", lambda: loop.sock_recvfrom_into(one, bytearray(1))
    yield "sock_sendall", lambda: loop.sock_sendall(one, b"plate")
    yield "sock_sendfile", lambda: loop.sock_sendfile(one, None)
    yield "sock_sendto", lambda: loop.sock_sendto(one, b"plate", ("127.0.0.1", 80))
    yield "start_tls", lambda: loop.start_tls(None, None, None)
    yield "subprocess_exec", lambda: asyncio.create_subprocess_exec("true")
    yield "subprocess_shell", lambda: asyncio.create_subprocess_shell("true")
    one.close()


def test_real_io_outside_a_stop_is_refused_by_name_with_the_way_out(run):
    """Every call of asyncio that does some; an open executor call is no stop."""
    from emulator.timeline.outside import REAL_IO

    async def main(loop):
        refused = {}
        call = asyncio.ensure_future(asyncio.to_thread(time.sleep, 0.001))
        await asyncio.sleep(0)
        for name, attempt in _sockets(loop):
            try:
                result = attempt()
                if asyncio.iscoroutine(result):
                    await result
            except OutsideWorkError as error:
                refused[name] = str(error)
        await call
        return refused

    refused = run(main)
    assert set(refused) == set(REAL_IO)
    assert refused["create_server"] == (
        "loop.create_server() is real I/O, which takes no virtual time and which the virtual clock would not wait for: "
        "do it inside `async with loop.clock_stop('what for'):`, where the clock stands still"
    )
    assert all(message.startswith(f"loop.{name}() is real I/O") for name, message in refused.items())


def test_inside_a_stop_servers_and_connections_work(run, tmp_path):
    """TCP and Unix sockets, an echo each; no virtual time passes; an idle connection outlives its stop."""

    async def main(loop):
        async def echo(reader, writer):
            while line := await reader.readline():
                writer.write(line.upper())
            writer.close()
            ended.release()

        answers, ended = [], asyncio.Semaphore(0)
        stop = loop.clock_stop("talk")
        async with stop:
            server = await asyncio.start_server(echo, "127.0.0.1", 0)
            reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname())
            unix = await asyncio.start_unix_server(echo, tmp_path / "dome")
            far, near = await asyncio.open_unix_connection(tmp_path / "dome")
            for out, back in ((writer, reader), (near, far)):
                out.write(b"plate\n")
                answers.append(await back.readline())
        await asyncio.sleep(3600)
        async with stop:
            writer.write(b"again\n")
            answers.append(await reader.readline())
            for out in (writer, near):
                out.close()
                await out.wait_closed()
                await ended.acquire()
            for listening in (server, unix):
                listening.close()
                await listening.wait_closed()
        return answers, loop.time()

    assert run(main) == ([b"PLATE\n", b"PLATE\n", b"AGAIN\n"], 3600.0)


def test_inside_a_stop_subprocesses_and_pipes_work(run):
    """A child interpreter answers, its exit code arrives, and no virtual time passes."""

    async def main(loop):
        async with loop.clock_stop("ask a child"):
            child = await asyncio.create_subprocess_exec(
                sys.executable,
                "-c",
                "print(input()[::-1])",
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
            )
            answer = await child.communicate(b"etalp\n")
            shell = await asyncio.create_subprocess_shell("exit 3")
            return answer, child.returncode, await shell.wait(), loop.time()

    assert run(main) == ((b"plate\n", None), 0, 3, 0.0)


def test_inside_a_stop_raw_descriptors_work(run):
    """``add_reader`` and ``sock_*``, and names are looked up."""

    async def main(loop):
        got = []
        receive, send = os.pipe()
        one, two = socket.socketpair()
        one.setblocking(False)
        two.setblocking(False)
        async with loop.clock_stop("look at a pipe"):
            readable = loop.create_future()
            loop.add_reader(receive, lambda: [got.append(os.read(receive, 9)), readable.set_result(None)])
            os.write(send, b"plate")
            await readable
            loop.remove_reader(receive)
            await loop.sock_sendall(one, b"tape")
            got.append(await loop.sock_recv(two, 9))
            got.append((await loop.getaddrinfo("127.0.0.1", 80, type=socket.SOCK_STREAM))[0][4])
        for descriptor in (receive, send):
            os.close(descriptor)
        one.close()
        two.close()
        return got, loop.time()

    assert run(main) == ([b"plate", b"tape", ("127.0.0.1", 80)], 0.0)


# -- other loops ----------------------------------------------------------------------------------------------------


class Loop(asyncio.AbstractEventLoop):
    """Stands in for a loop written in another language, whose clock nobody can set."""


@pytest.mark.parametrize(
    ("make", "name"),
    [(Loop, "test_outside.Loop"), (asyncio.SelectorEventLoop, "asyncio.unix_events._UnixSelectorEventLoop")],
)
def test_another_loop_is_refused_with_the_reason(make, name):
    """Where the virtual one is needed."""
    loop = make()
    try:
        with pytest.raises(InputError) as caught:
            VirtualLoop.of(loop)
    finally:
        if not isinstance(loop, Loop):
            loop.close()
    assert str(caught.value) == (
        f"the emulator needs its own event loop, and {name} is another one: its clock cannot be set and its timers "
        "cannot be put in order; run with asyncio.Runner(loop_factory=VirtualLoop)"
    )


def test_the_running_loop_is_given_if_it_is_a_virtual_one(run):
    """``VirtualLoop.of()`` is a typed ``get_running_loop``."""

    async def main(loop):
        return VirtualLoop.of() is loop and VirtualLoop.of(loop) is loop

    assert run(main) is True
