"""Do readers and laws agree with published records of real systems? The files themselves are not shipped.

The workload is read where ``QUEUEDRILL_WORKLOAD`` names a copy of the file; what its header says of time is held
without it. Of the failure records only the published figures are used.
"""

import hashlib
import os
from datetime import datetime
from pathlib import Path

import pytest

from emulator.scenario.clock import Clock
from emulator.scenario.models import Distribution
from emulator.scenario.traces import read_arrivals, read_workload, workload_header
from emulator.timeline.ticks import MINUTE
from emulator.world.sampling import Empirical, sampling_of

# Parallel Workloads Archive (D. Feitelson), NASA Ames iPSC/860 log, October to December 1993, version 3.1, cleaned;
# acknowledged to Bill Nitzberg. Looked up: a copy of the file in a public repository.
HEADER = """\
; Version: 2.2
; MaxJobs: 18239
; MaxRecords: 18239
; UnixStartTime: 749458803
; TimeZoneString: US/Pacific
; StartTime: Fri Oct 01 00:00:03 PDT 1993
; MaxProcs: 128
"""
SHA_256 = "12ab94d009c084bd3ef80117e3cd80ebba58c93f8593f3784ad43c76ee8a047a"
RECORDS = 18_239


def test_the_header_of_a_real_workload_is_read(tmp_path: Path) -> None:
    """The published labels are found, and the start is the local time that the header tells (PDT is UTC-7)."""
    path = tmp_path / "log.swf"
    path.write_text(HEADER + "1 0 -1 1451 128 -1 -1 -1 -1 -1 -1 1 1 1 -1 -1 -1 -1\n")
    header = workload_header(path)
    assert {name: header[name] for name in ("MaxJobs", "MaxRecords", "MaxProcs", "TimeZoneString")} == {
        "MaxJobs": "18239",
        "MaxRecords": "18239",
        "MaxProcs": "128",
        "TimeZoneString": "US/Pacific",
    }
    clock = Clock(datetime.fromisoformat("1970-01-01T00:00:00"), "UTC").in_zone(header["TimeZoneString"])
    start = clock.local(int(header["UnixStartTime"]) * 1_000_000)
    assert start.isoformat() == "1993-10-01T00:00:03-07:00"
    assert start.strftime("%a %b %d %H:%M:%S PDT %Y") == header["StartTime"]


@pytest.mark.slow
@pytest.mark.skipif("QUEUEDRILL_WORKLOAD" not in os.environ, reason="QUEUEDRILL_WORKLOAD names no copy of the file")
def test_a_real_workload_is_read_whole() -> None:
    """Every one of the published number of records is a job with 18 fields, and comes in order of time."""
    path = Path(os.environ["QUEUEDRILL_WORKLOAD"])
    assert hashlib.sha256(path.read_bytes()).hexdigest() == SHA_256
    header = workload_header(path)
    assert (header["MaxRecords"], header["UnixStartTime"], header["MaxProcs"]) == (str(RECORDS), "749458803", "128")
    assert sum(1 for _ in read_workload(path)) == RECORDS
    clock = Clock(datetime.fromisoformat("1993-10-01T00:00:03"), "US/Pacific")
    assert sum(1 for _ in read_arrivals(path, clock)) == RECORDS


# LA-UR-05-7318 data release, 23,739 records of failures of 23 systems, 1996 to 2005 (recognised: Los Alamos); analysed
# in Schroeder & Gibson, DSN 2006. Figures computed from a copy in a public repository; down time in minutes.
FAILURES, NO_DOWN_TIME, MEDIAN, LONGEST, MEAN = 23_739, 187, 59, 319_482, 352.38143982476095


def test_a_law_of_measured_times_has_the_published_mean_median_and_longest() -> None:
    """A law of four measured times, weighted to the published counts, has the published mean and quantiles.

    By hand: the records that are neither zero nor the longest are parted so that the half-way one is the median, and
    the rest is what their sum leaves.
    """
    at_median = FAILURES // 2 + 1 - NO_DOWN_TIME  # so that record 11,870 of 23,739 in order, the middle one, is 59
    above = FAILURES - NO_DOWN_TIME - at_median - 1
    total = round(MEAN * FAILURES)
    assert total / FAILURES == MEAN  # a whole number of minutes: the published mean is exact
    rest = (total - MEDIAN * at_median - LONGEST) * MINUTE // above
    times = [0, MEDIAN * MINUTE, rest, LONGEST * MINUTE]
    law = sampling_of(Distribution(one_of=tuple(times), weights=(NO_DOWN_TIME, at_median, above, 1)))
    assert law is not None
    assert law.expectation() / MINUTE == pytest.approx(MEAN, abs=1 / MINUTE)  # `rest` is cut to a whole microsecond
    assert law.least() == 0
    assert isinstance(law, Empirical)
    shares = [(NO_DOWN_TIME - 0.5) / FAILURES, (NO_DOWN_TIME + 0.5) / FAILURES, 0.5, (FAILURES - 0.5) / FAILURES]
    assert [law.quantile(share) for share in shares] == [0, MEDIAN * MINUTE, MEDIAN * MINUTE, LONGEST * MINUTE]
    assert law.quantile(0.5 + 1 / FAILURES) == rest
