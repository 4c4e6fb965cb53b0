"""Real I/O: refused by name outside a clock stop, as on a stock loop inside one; other loops are refused altogether."""

import asyncio
import os
import socket
import sys
import time

import pytest

from emulator.errors import InputError, OutsideWorkError
from emulator.timeline import VirtualLoop


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
        "do it inside `async with emulator.clock_stop('what for'):`, where the clock stands still"
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


class Loop(asyncio.AbstractEventLoop):
    """Stands in for a loop written in another language, whose clock nobody can set."""


@pytest.mark.parametrize(
    ("make", "name"),
    [(Loop, "test_real_io.Loop"), (asyncio.SelectorEventLoop, "asyncio.unix_events._UnixSelectorEventLoop")],
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
        "cannot be put in order; mark a test with @pytest.mark.virtual_time, elsewhere call "
        "`emulator.run_in_virtual_time(main)`"
    )


def test_the_running_loop_is_given_if_it_is_a_virtual_one(run):
    """``VirtualLoop.of()`` is a typed ``get_running_loop``."""

    async def main(loop):
        return VirtualLoop.of() is loop and VirtualLoop.of(loop) is loop

    assert run(main) is True
