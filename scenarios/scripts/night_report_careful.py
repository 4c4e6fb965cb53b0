"""Writes a report of the plates under another name, renames it when it is whole, and sends it under a key."""

import os
import subprocess
import sys

if not os.path.exists("report.txt"):
    with open("report.part", "w") as report:
        for plate in sys.argv[1:]:
            known = subprocess.run(["store", "has", plate]).returncode == 0
            print(plate, "archived" if known else "missing", file=report)
    os.replace("report.part", "report.txt")
with open("report.txt") as report:
    lines = len(report.readlines())
subprocess.run(["mail", "report-once", str(lines)], check=True)
