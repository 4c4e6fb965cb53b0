"""What does the pytest plugin cost a suite that does not use it?

``python tests/bench/plugin_cost.py [--runs N]`` runs 300 unrelated async tests by turns with the plugin and without it
(``-p no:queuedrill``), each in a process of its own, in seconds of processor time, and prints how much slower the suite
is with it, with the spread. The bar is 3 %.
"""

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

TEST = """
import asyncio
import pytest

@pytest.mark.asyncio
@pytest.mark.parametrize("number", range(300))
async def test_unrelated(number):
    queue = asyncio.Queue()
    await queue.put(number)
    await asyncio.sleep(0)
    assert await queue.get() == number
"""


def seconds(folder: str, *options: str) -> float:
    """Give the seconds of processor time that the suite takes."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:hypothesispytest", *options]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
    assert "300 passed" in done.stdout, done.stdout + done.stderr
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=11)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "test_unrelated.py").write_text(TEST)
        (Path(folder) / "pytest.ini").write_text("[pytest]\nasyncio_default_fixture_loop_scope = function\n")
        seconds(folder)
        pairs = [(seconds(folder), seconds(folder, "-p", "no:queuedrill")) for _ in range(given.runs)]
    costs = [100 * (with_it / without - 1) for with_it, without in pairs]
    print(f"300 unrelated async tests: {statistics.median(without for _, without in pairs):.2f} s without the plugin")
    print(
        f"with it {statistics.median(costs):+.1f} % ({min(costs):+.1f} to {max(costs):+.1f} % in {given.runs} runs); "
        "bar 3 %"
    )


if __name__ == "__main__":
    main()
