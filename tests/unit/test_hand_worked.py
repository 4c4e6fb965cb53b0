"""Some nights worked out by hand, to the instant: every attempt and every effect, compared whole.

All times in these scenarios are constants, so that paper and pencil give the same as the program. An attempt is
(job, attempt, worker, its work began, its work stopped, the broker ended it, outcome); an effect is (at, job,
attempt, effect, target), with "refused" before it where a fence refused it. Times are local.
"""

from collections import defaultdict
from pathlib import Path
from typing import Any

from emulator.experiment.night import run_night
from emulator.record.events import read
from emulator.scenario.load import load
from emulator.timeline.ticks import SECOND

SCENARIOS = Path(__file__).parents[2] / "scenarios"

Attempt = tuple[Any, ...]
Effect = tuple[Any, ...]


def worked(name: str) -> tuple[list[Attempt], list[Effect]]:
    """Run a scenario and list its attempts, by hand-out, and its effects, in the order in which they came."""
    loaded = load(SCENARIOS / name)

    def told(tick: int) -> str:
        part = f"{tick % SECOND / SECOND:g}"[1:]  # such as ".2", and nothing at a whole second
        return f"{loaded.clock.local(tick):%H:%M:%S}{part}"

    attempts: dict[tuple[int, int], dict[str, Any]] = defaultdict(dict)
    effects: list[Effect] = []
    for event in read(run_night(loaded, keep_events=True).rows or ()):
        of = event.details
        if event.kind == "handed_out":
            attempts[event.job, of["attempt"]]["worker"] = event.worker
        elif event.kind in ("work_began", "work_stopped", "attempt_ended"):
            attempts[event.job, of["attempt"]][event.kind] = told(event.at)
            if event.kind == "attempt_ended":
                attempts[event.job, of["attempt"]]["outcome"] = of["outcome"]
        elif event.kind in ("effect_landed", "effect_refused"):
            refused = ("refused",) if event.kind == "effect_refused" else ()
            effects.append((*refused, told(event.at), event.job, of["attempt"], of["effect"], of["target"]))
    keys = ("worker", "work_began", "work_stopped", "attempt_ended", "outcome")
    return [(*which, *(found[key] for key in keys)) for which, found in attempts.items()], effects


def test_a_zombie_that_a_fence_refuses() -> None:
    """A frozen worker loses its lease 90 s after its last heartbeat arrived, and its late write is refused."""
    # Each way over the link takes 2 s.
    # Attempt 1. The job comes at 22:00:46. dome-1 asks at once: the request arrives at :46 + 2 s = 22:00:48, the answer
    #   at 22:00:50, and work begins. Reading takes 4 min, to 22:04:50. Writing takes 2 min, to 22:06:50.
    #   At 22:06:48 dome-1 freezes, with 2 s of writing left.
    #   Its heartbeats leave every 22 s from 22:00:00. The last before the freeze is number 18: 18 x 22 s = 396 s, which
    #   is 22:06:36 (number 19 would leave at 22:06:58). It arrives at 22:06:38 and renews the lease to 22:06:38 + 90 s
    #   = 22:08:08. There the lease is lost.
    # Attempt 2. There is no pause. dome-2 asks at 22:08:08; the request arrives at :10, the answer at 22:08:12; work
    #   begins. 22:08:12 + 4 min + 2 min = 22:14:12: the tape is written. The outcome arrives 2 s later, at 22:14:14.
    # The zombie. dome-1 goes on at 22:06:48 + 10 min = 22:16:48 and writes after the 2 s that were left, at 22:16:50.
    #   Its overdue heartbeat left at 22:16:48, and the answer would be there at 22:16:52: too late to stop it. The
    #   archive has seen token 2 for this tape and refuses token 1, and the work stops with that.
    assert worked("zombie-fenced.yaml") == (
        [
            (1, 1, "dome-1", "22:00:50", "22:16:50", "22:08:08", "lease_lost"),
            (1, 2, "dome-2", "22:08:12", "22:14:12", "22:14:14", "ok"),
        ],
        [
            ("22:14:12", 1, 2, "written", "tape north"),
            ("refused", "22:16:50", 1, 1, "written", "tape north"),
        ],
    )


def test_a_zombie_that_nothing_refuses() -> None:
    """The same night without the fence: the late write lands, and the tape is written twice."""
    # All times are those of the test above; the archive takes what it is sent.
    assert worked("zombie-writes-twice.yaml") == (
        [
            (1, 1, "dome-1", "22:00:50", "22:16:50", "22:08:08", "lease_lost"),
            (1, 2, "dome-2", "22:08:12", "22:14:12", "22:14:14", "ok"),
        ],
        [
            ("22:14:12", 1, 2, "written", "tape north"),
            ("22:16:50", 1, 1, "written", "tape north"),
        ],
    )


def test_a_shutdown_after_the_second_of_five_strips() -> None:
    """The work starts over in the morning: two strips are scanned twice, and it ends at 09:20."""
    # No delays, and work is handed over at once.
    # Attempt 1 begins at 16:20:00. Strips end after 40 min each: 17:00, 17:40; the third would end at 18:20.
    #   At 18:00:00 the scanner is switched off, and the work stops. Heartbeats left every 22 s from 16:00:00; the last
    #   before 18:00:00 (7200 s) is number 327: 327 x 22 s = 7194 s, which is 17:59:54 (number 328 would leave at 7216
    #   s). The lease ends at 17:59:54 + 90 s = 18:01:24.
    # Attempt 2 begins when the scanner is on again, at 06:00:00, with the first strip:
    #   06:40, 07:20, 08:00, 08:40, 09:20.
    assert worked("end-of-shift-start-over.yaml") == (
        [
            (1, 1, "scanner-1", "16:20:00", "18:00:00", "18:01:24", "lease_lost"),
            (1, 2, "scanner-1", "06:00:00", "09:20:00", "09:20:00", "ok"),
        ],
        [
            ("17:00:00", 1, 1, "scanned", "strip-a"),
            ("17:40:00", 1, 1, "scanned", "strip-b"),
            ("06:40:00", 1, 2, "scanned", "strip-a"),
            ("07:20:00", 1, 2, "scanned", "strip-b"),
            ("08:00:00", 1, 2, "scanned", "strip-c"),
            ("08:40:00", 1, 2, "scanned", "strip-d"),
            ("09:20:00", 1, 2, "scanned", "strip-e"),
        ],
    )


def test_a_shutdown_and_work_that_goes_on_where_it_was() -> None:
    """The work resumes with the third strip: each is scanned once, and it ends at 08:00."""
    # Attempt 1 is that of the test above. Attempt 2 has three strips left from 06:00: 06:40, 07:20, 08:00.
    assert worked("end-of-shift-resume.yaml") == (
        [
            (1, 1, "scanner-1", "16:20:00", "18:00:00", "18:01:24", "lease_lost"),
            (1, 2, "scanner-1", "06:00:00", "08:00:00", "08:00:00", "ok"),
        ],
        [
            ("17:00:00", 1, 1, "scanned", "strip-a"),
            ("17:40:00", 1, 1, "scanned", "strip-b"),
            ("06:40:00", 1, 2, "scanned", "strip-c"),
            ("07:20:00", 1, 2, "scanned", "strip-d"),
            ("08:00:00", 1, 2, "scanned", "strip-e"),
        ],
    )


def test_work_that_can_never_finish_under_its_cap() -> None:
    """Two jobs of two hours get five attempts of 100 minutes each, and are not done in the end."""
    # Workers are on at 20:00 and boot for 2 min; their heartbeats leave every 22 s from 20:02:00.
    # Attempts 1 begin at 21:00:00 on borrowed-1 and borrowed-2, the first two that are idle. Fields of 30 min end at
    #   21:30, 22:00, 22:30; the fourth would end at 23:00. The cap of 100 min ends both at 22:40:00.
    # Attempts 2 begin at that instant on borrowed-3 and borrowed-4, because borrowed-1 and borrowed-2 have not heard of
    #   it yet. Their next heartbeat is number 431: 430 x 22 s = 9460 s < 9480 s (20:02:00 to 22:40:00), 431 x 22 s =
    #   9482 s, which is 22:40:02. Its answer stops them. Fields end at 23:10, 23:40, 00:10; the cap comes at 00:20:00
    #   (15480 s). borrowed-3 and borrowed-4 hear of it by heartbeat 704: 704 x 22 s = 15488 s, which is 00:20:08.
    # Attempts 3 begin at 00:20:00 on borrowed-1 and borrowed-2. Fields end at 00:50, 01:20, 01:50; the cap comes at
    #   02:00:00 (21480 s), and heartbeat 977 leaves at 21494 s, which is 02:00:14.
    # Attempts 4 begin at 02:00:00 on borrowed-3 and borrowed-4. Fields end at 02:30, 03:00, 03:30; the cap comes at
    #   03:40:00 (27480 s), and heartbeat 1250 leaves at 27500 s, which is 03:40:20.
    # Attempts 5 begin at 03:40:00 on borrowed-1 and borrowed-2. Fields end at 04:10, 04:40, 05:10; the cap comes at
    #   05:20:00 (33480 s), and heartbeat 1522 leaves at 33484 s, which is 05:20:04.
    # A job may start over four times for the cap, so that is the end.
    times = {
        1: ("21:30:00", "22:00:00", "22:30:00"),
        2: ("23:10:00", "23:40:00", "00:10:00"),
        3: ("00:50:00", "01:20:00", "01:50:00"),
        4: ("02:30:00", "03:00:00", "03:30:00"),
        5: ("04:10:00", "04:40:00", "05:10:00"),
    }
    assert worked("cap-too-short.yaml") == (
        [
            (1, 1, "borrowed-1", "21:00:00", "22:40:02", "22:40:00", "time_limit"),
            (2, 1, "borrowed-2", "21:00:00", "22:40:02", "22:40:00", "time_limit"),
            (1, 2, "borrowed-3", "22:40:00", "00:20:08", "00:20:00", "time_limit"),
            (2, 2, "borrowed-4", "22:40:00", "00:20:08", "00:20:00", "time_limit"),
            (1, 3, "borrowed-1", "00:20:00", "02:00:14", "02:00:00", "time_limit"),
            (2, 3, "borrowed-2", "00:20:00", "02:00:14", "02:00:00", "time_limit"),
            (1, 4, "borrowed-3", "02:00:00", "03:40:20", "03:40:00", "time_limit"),
            (2, 4, "borrowed-4", "02:00:00", "03:40:20", "03:40:00", "time_limit"),
            (1, 5, "borrowed-1", "03:40:00", "05:20:04", "05:20:00", "time_limit"),
            (2, 5, "borrowed-2", "03:40:00", "05:20:04", "05:20:00", "time_limit"),
        ],
        [
            (time, job, attempt, "mapped", f"surveys#{job} {field}")
            for attempt, ends in times.items()
            for time, field in zip(ends, ("north", "east", "south"), strict=True)
            for job in (1, 2)
        ],
    )


def test_a_worker_that_is_cut_off_and_stops_by_a_slow_clock() -> None:
    """Its clock loses a fifth, so it stops 22.3 s after its lease has ended, while another does the job already."""
    # Each way over the link takes 0.2 s. The jobs come at 22:00:00; dome-1 and dome-2 ask at once, the requests arrive
    #   at 22:00:00.2, the answers at 22:00:00.4, and work of 20 min begins.
    # dome-1's clock shows 0.8 s for each second. Its heartbeats leave every 22 s by that clock, every 22 / 0.8 = 27.5 s
    #   in truth, from 21:30:00. The link is cut at 22:10:00 (2400 s); the last heartbeat before is number 87:
    #   87 x 27.5 s = 2392.5 s, which is 22:09:52.5. It arrives at 22:09:52.7: the lease ends at + 90 s = 22:11:22.7.
    # dome-3 asks at 22:11:22.7, is handed the job at 22:11:22.9 and begins at 22:11:23.1. It is done after 20 min, at
    #   22:31:23.1, and its outcome arrives at 22:31:23.3.
    # dome-1 counts 90 s from when it sent that heartbeat: 90 / 0.8 = 112.5 s in truth, 22:09:52.5 + 112.5 s = 22:11:45.
    assert worked("cut-off-with-a-drifting-clock.yaml") == (
        [
            (1, 1, "dome-1", "22:00:00.4", "22:11:45", "22:11:22.7", "lease_lost"),
            (2, 1, "dome-2", "22:00:00.4", "22:20:00.4", "22:20:00.6", "ok"),
            (1, 2, "dome-3", "22:11:23.1", "22:31:23.1", "22:31:23.3", "ok"),
        ],
        [
            ("22:20:00.4", 2, 1, "copied", "volumes#2"),
            ("22:31:23.1", 1, 2, "copied", "volumes#1"),
        ],
    )
