"""Leases, lost heartbeats, detection and fences, held against published values by running scenarios.

Each test names where its values come from; "from memory" means that the source was not at hand when they were noted
down; all of them were checked by a second computation.
"""

import math

import pytest
from night_runs import holds, mean_and_error, ran

SECOND = 1_000_000


@pytest.mark.slow
@pytest.mark.parametrize(
    ("p", "mean", "variance", "lasts"),
    [
        (0.5, 14.0, 142.0, "150h"),
        (0.1, 1110.0, 1226789.9999999995, "3000h"),
        (0.05, 8420.0, 70855179.99999997, "8000h"),
    ],
)
def test_heartbeats_until_three_in_a_row_are_lost(p, mean, variance, lasts):
    """A lease of 35 s with heartbeats every 10 s ends after three losses in a row: mean and variance of their number.

    Feller, vol. 1, 3rd ed., sec. XIII.7, eq. (7.7) (from memory); each loss independent with probability p. Each job
    is handed out at a heartbeat, so three of them fall inside each lease; the last of them precedes its end by 5 s.
    """
    settings = {
        "lasts": lasts,
        "queues": {"line": {"lease": "35s"}},
        "pools": {"dome": {"count": 1, "serves": ["line"], "heartbeat": "10s"}},
        "routines": {"work": {"queue": "line", "parts": [{"name": "do", "takes": "100000h"}]}},
        "arrivals": [{"routine": "work", "at": "+0s", "count": 10_000}],
        "faults": [{"lose_heartbeats": "dome-1", "at": "+0s", "share": p}],
    }
    run = ran(settings, seed=2)
    out, sent = 0, []
    for row in run.rows:
        if row[1] == "handed_out":
            out = row[0]
            assert out % (10 * SECOND) == 0
        elif row[1] == "attempt_ended":
            assert row[7] == "lease_lost"
            assert (row[0] - out) % (10 * SECOND) == 5 * SECOND
            sent.append((row[0] - out) // (10 * SECOND))
    holds([float(n) for n in sent], mean, sharp=0.06)
    spread = [(n - mean) ** 2 for n in sent]
    holds(spread, variance, sharp=0.25)


@pytest.mark.slow
def test_detection_delay_is_uniform_in_the_heartbeat_period():
    """Heartbeats every 10 s, a lease of 30 s, power lost at any time: the loss is noticed after 20 to 30 s, mean 25.

    Elementary; bound form in Chen, Toueg & Aguilera, IEEE Trans. Computers 51 (2002) 561-580 (from memory).
    """
    settings = {
        "lasts": "4000h",
        "queues": {"line": {"lease": "30s", "retry": {"attempts_in_all": 100_000}}},
        "pools": {"dome": {"count": 1, "serves": ["line"], "heartbeat": "10s"}},
        "routines": {"work": {"queue": "line", "parts": [{"name": "do", "takes": "100000h"}]}},
        "arrivals": [{"routine": "work", "at": "+0s"}],
        "faults": [{"power_off": "dome-1", "gaps": {"mean": "1h", "law": "exponential"}, "back_after": "1s"}],
    }
    run = ran(settings, seed=6)
    delays = [delay / SECOND for _, _, delay in run.night.detections]
    assert len(delays) > 3500
    assert 20 <= min(delays) < 20.1
    assert 29.9 < max(delays) <= 30
    assert run.figure("detection_delay_mean") / SECOND == pytest.approx(25, rel=0.02)
    holds(delays, 25.0, sharp=0.005)
    mean, _ = mean_and_error(delays)
    assert math.fsum((delay - mean) ** 2 for delay in delays) / len(delays) == pytest.approx(
        8.333333333333334, rel=0.05
    )


def test_a_lower_token_is_refused_once_a_higher_has_written():
    """Tokens 33 34 33 34 35 write to a fenced system in that order: the third write is refused, the others accepted.

    Kleppmann, Designing Data-Intensive Applications, 2017, ch. 8, figure on fencing tokens 33 and 34 (from memory).
    """
    write = {"calls": "archive", "effect": "written", "target": "volume"}
    settings = {
        "lasts": "1h",
        "queues": {"line": {"lease": "30s", "retry": {"attempts_in_all": 2}}},
        "pools": {"dome": {"count": 2, "serves": ["line"], "heartbeat": "10s"}},
        "systems": {"archive": {"fenced": "highest_token"}},
        "routines": {
            "earlier": {"queue": "line", "parts": [{"name": "do", "takes": "0s"}]},
            "writes": {
                "queue": "line",
                "key": "volume",
                "parts": [
                    {"name": "first", **write},
                    {"name": "think", "takes": "60s"},
                    {"name": "second", **write},
                ],
            },
        },
        "arrivals": [
            {"routine": "earlier", "name": "earlier", "at": "+0s", "count": 32},
            {"routine": "writes", "name": "one", "at": "+60s"},
            {"routine": "writes", "name": "next", "at": "+61s"},
        ],
        # it stands still one second into the minute of thinking, and goes on after its successor's first write
        "faults": [{"freeze": "dome-1", "at": "+61s", "lasts": "31s"}, {"lose_heartbeats": "dome-1", "at": "+60s"}],
    }
    run = ran(settings)
    writes = [(row[6], row[1]) for row in run.rows if row[1] in ("effect_landed", "effect_refused")]
    assert [token for token, _ in writes[:2]] == [33, 34]
    refused = [token for token, kind in writes if kind == "effect_refused"]
    landed = [token for token, kind in writes if kind == "effect_landed"]
    assert (refused, landed) == ([33], [33, 34, 34, 35, 35])
