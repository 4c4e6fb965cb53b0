"""Does this Python's asyncio have what the loop needs, and does the loop pass asyncio's own tests?"""

import asyncio
import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

import emulator.timeline
from emulator.errors import DefectError
from emulator.timeline import VirtualLoop
from emulator.timeline import loop as loop_module


def test_this_python_has_all_private_names_that_the_loop_uses():
    """Of a stock loop, and of handles."""
    loop = asyncio.SelectorEventLoop()
    handle = loop.call_soon(print)
    try:
        assert [name for name in loop_module.PRIVATE if not hasattr(loop, name)] == []
        assert [n for n in ("_callback", "_cancelled", "_run", "_source_traceback") if not hasattr(handle, n)] == []
    finally:
        loop.close()


def test_a_python_that_lacks_one_gets_one_readable_sentence(monkeypatch):
    """At the making of a loop, and nothing is left open."""
    monkeypatch.setattr(loop_module, "PRIVATE", ("_ready", "_turn_table", "_moon"))
    with pytest.raises(DefectError) as caught:
        VirtualLoop()
    assert str(caught.value) == "this Python's asyncio lacks _turn_table, _moon, which the virtual loop needs"


def test_ticks_and_agenda_do_without_asyncio():
    """They are imported where no loop is wanted; the rest of the package comes when first asked for."""
    script = (
        "import sys, emulator.timeline.ticks, emulator.timeline.agenda, emulator.timeline\n"
        "assert 'asyncio' not in sys.modules\n"
        "from emulator.timeline import Agenda, VirtualLoop\n"
        "assert 'asyncio' in sys.modules and Agenda is emulator.timeline.agenda.Agenda\n"
    )
    subprocess.run([sys.executable, "-c", script], check=True)


def test_the_package_gives_what_it_lists_and_nothing_else():
    """A wrong name gets Python's usual error."""
    assert [
        getattr(emulator.timeline, name).__name__ for name in emulator.timeline.__all__
    ] == emulator.timeline.__all__
    with pytest.raises(AttributeError, match=r"module 'emulator\.timeline' has no attribute 'Moon'"):
        _ = emulator.timeline.Moon


KNOWN = {
    "test_locks": set(),
    "test_queues": set(),
    "test_runners": {
        # asks again and again, without waiting, until a signal of real time comes: that is spinning
        "RunnerTests.test_interrupt_call_soon",
    },
    "test_taskgroups": set(),
    "test_tasks": {
        # a thread of an executor waits for virtual time, which stands still for the thread
        "RunCoroutineThreadsafeTests.test_run_coroutine_threadsafe",
        "RunCoroutineThreadsafeTests.test_run_coroutine_threadsafe_task_cancelled",
        "RunCoroutineThreadsafeTests.test_run_coroutine_threadsafe_with_exception",
    },
    "test_threads": set(),
    "test_timeouts": set(),
    "test_waitfor": set(),
}
"""Modules of CPython's own tests of asyncio, and the tests in them that virtual time fails by design, each with why."""


@pytest.mark.slow
@pytest.mark.parametrize("module", KNOWN)
def test_the_own_tests_of_asyncio_pass(module):
    """All but the known ones, which fail on every Python (a test that no longer fails must leave the list)."""
    if importlib.util.find_spec("test.test_asyncio") is None:
        pytest.skip("this Python comes without its own tests")
    driver = Path(__file__).with_name("asyncio_tests.py")
    result = subprocess.run([sys.executable, driver, module], capture_output=True, text=True, timeout=110)
    runs, *failed = result.stdout.splitlines()
    assert set(failed) == KNOWN[module], result.stderr[-2_000:]
    assert int(runs) >= 20, "the tests hardly used the virtual loop"
