"""How much faster is a comparison on two processes than on one?

``python tests/bench/compare_processes.py [--runs N]`` compares the same variants over the same nights by turns on one
process and on two, in seconds of real time (the work is shared, so its processor time is the same), and prints how many
times faster two are, with the spread. The bar is 1.7, the aim 1.85, on two quiet processors and a comparison of 20 s.
"""

import argparse
import statistics
from time import perf_counter

from emulator import compare

NIGHT = "scenarios/how-many-workers.yaml"


def seconds(processes: int, replications: int) -> float:
    """Give the seconds of real time that a comparison takes."""
    began = perf_counter()
    compare(NIGHT, replications=replications, processes=processes, measures=["makespan"])
    return perf_counter() - began


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--replications", type=int, default=700)
    given = parser.parse_args()
    seconds(1, 2)  # what is loaded once
    ratios, alone = [], []
    for _ in range(given.runs):
        one, two = seconds(1, given.replications), seconds(2, given.replications)
        alone.append(one)
        ratios.append(one / two)
    print(
        f"compare, {given.replications} nights of each of 3 variants: {statistics.median(alone):.1f} s on one process"
    )
    print(
        f"two processes against one: {statistics.median(ratios):.2f} times as fast "
        f"({min(ratios):.2f} to {max(ratios):.2f} in {given.runs} runs); bar 1.7, aim 1.85"
    )


if __name__ == "__main__":  # processes are started by importing this file anew
    main()
