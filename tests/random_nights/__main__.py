"""``python tests/random_nights FIRST COUNT``: play many random nights by hand; each finding is told as it is made.

Each night is played in both modes of heartbeats, the two are compared, and the events of both are checked. With
``--small`` what shows a finding is made as small as it can be, and written as a scenario. The exit code is 1 if
anything was found.
"""

import argparse
import json
import sys
import time
from functools import partial
from pathlib import Path
from typing import Any

sys.path[0] = str(Path(__file__).parents[1])  # instead of this folder, so that it is the package `random_nights`


def main() -> int:
    from random_nights.generator import night
    from random_nights.play import found, smaller

    asked = argparse.ArgumentParser(prog="python tests/random_nights", description=__doc__)
    asked.add_argument("first", type=int, help="the number of the first night")
    asked.add_argument("count", type=int, help="how many nights")
    asked.add_argument("--small", action="store_true", help="make what shows a finding as small as it can be")
    options = asked.parse_args()
    began, many = time.process_time(), 0
    for number in range(options.first, options.first + options.count):
        settings = night(number)
        try:
            broken = found(settings, number)
        except Exception as error:  # a night that cannot be played is a finding too
            print(f"{number}: {type(error).__name__}: {error}", flush=True)
            many += 1
            continue
        if not broken:
            continue
        many += 1
        rules = {one.rule: one for one in reversed(broken)}
        for rule, one in sorted(rules.items()):
            print(f"{number}: {rule}: event {one.event} at {one.at}: {one.how}", flush=True)
            if options.small:
                print(json.dumps(smaller(settings, partial(_shows, rule, number))), flush=True)
    last = options.first + options.count - 1
    print(
        f"nights {options.first} to {last}: {many} with findings; {time.process_time() - began:.0f} s of processor time"
    )
    return 1 if many else 0


def _shows(rule: str, number: int, settings: dict[str, Any]) -> bool:
    from random_nights.play import found

    try:
        return any(one.rule == rule for one in found(settings, number))
    except KeyError:  # the checker reads names that a file may leave out, and the nights do not
        return False


if __name__ == "__main__":
    sys.exit(main())
