"""Writes a report of the plates, line by line, and sends it."""

import os
import subprocess
import sys

if not os.path.exists("report.txt"):
    with open("report.txt", "w", buffering=1) as report:
        for plate in sys.argv[1:]:
            known = subprocess.run(["store", "has", plate]).returncode == 0
            print(plate, "archived" if known else "missing", file=report)
with open("report.txt") as report:
    lines = len(report.readlines())
subprocess.run(["mail", "report", str(lines)], check=True)
