"""Run one module of CPython's own tests of asyncio on the virtual loop: ``asyncio_tests.py test_locks``.

Prints how many times a virtual loop was run, then the tests that failed, one a line.
"""

import asyncio
import gc
import os
import sys
import unittest
import warnings

from emulator.timeline import VirtualLoop

runs = 0


class CountingLoop(VirtualLoop):
    """A virtual loop that has little patience, and counts its runs."""

    def __init__(self) -> None:
        super().__init__(patience=2.0, turns=100_000)

    def run_forever(self) -> None:
        global runs
        runs += 1
        super().run_forever()


def main(module: str) -> None:
    with warnings.catch_warnings():  # policies are on their way out; the tests of these Pythons are built on them
        warnings.simplefilter("ignore", DeprecationWarning)

        class Policy(asyncio.DefaultEventLoopPolicy):
            _loop_factory = CountingLoop

        asyncio.set_event_loop_policy(Policy())
        if module == "test_runners":
            from test.test_asyncio import test_runners

            def new_loop(self: unittest.TestCase) -> CountingLoop:
                """Stand in for the loop that those tests make of mocks."""
                loop = CountingLoop()
                loop.shutdown_ag_run = False

                async def shutdown_asyncgens() -> None:
                    loop.shutdown_ag_run = True

                loop.shutdown_asyncgens = shutdown_asyncgens
                return loop

            test_runners.BaseTest.new_loop = new_loop
        suite = unittest.defaultTestLoader.loadTestsFromName(f"test.test_asyncio.{module}")
        gc.collect()
        gc.freeze()  # some of these tests collect hundreds of times: what is loaded now is not looked at each time
        result = unittest.TextTestRunner(stream=sys.stderr, verbosity=0).run(suite)
    failed = {test.id().removeprefix(f"test.test_asyncio.{module}.") for test, _ in result.errors + result.failures}
    print(runs, *sorted(failed), sep="\n", flush=True)
    os._exit(0)  # threads that wait for virtual time (known failures) would keep the interpreter from ending


if __name__ == "__main__":
    main(sys.argv[1])
