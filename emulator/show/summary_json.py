"""What does a program read after a run? The figures of the summary, as one JSON object with stable keys."""

from collections.abc import Sequence
from typing import Any, Final

from emulator.measure.catalogue import names
from emulator.measure.estimate import Figure
from emulator.measure.figures import Figures
from emulator.measure.night import HEALTHY, LostLease, Night
from emulator.measure.reasons import why_in_words
from emulator.measure.selection import Where
from emulator.measure.verdict import Judged
from emulator.show.meta import SMALL_PRINT, RunMeta, verdict
from emulator.show.summary import final_states
from emulator.show.troubles import unfinished_jobs
from emulator.show.worst import worst_jobs

__all__ = ["as_json"]

_UNITS: Final = {"time": "microseconds", "share": "0 to 1", "count": "whole number", "ratio": "number"}


def as_json(night: Night, judged: Sequence[Judged], meta: RunMeta) -> dict[str, Any]:
    """Give the summary of one run as plain data for ``json.dumps``; floats have 9 significant digits."""
    figures = Figures(night)
    fits, sentence = verdict(tuple(judged))
    pools = sorted(set(night.pools.values()))
    return {
        "format": "queuedrill-summary/2",
        "title": meta.title,
        "file": meta.file,
        "variant": meta.variant,
        "starts": None if meta.clock is None else f"{meta.clock.local(0):%Y-%m-%dT%H:%M:%S}",
        "zone": None if meta.clock is None else meta.clock.zone,
        "seed": meta.seed,
        **({"factors": dict(night.factors)} if night.factors else {}),
        "changes": list(meta.changes),
        "again": meta.again,
        "versions": dict(meta.versions),
        "units": dict(_UNITS),
        "lasts": night.horizon,
        "random": meta.random,
        "verdict": {
            "fits": fits,
            "sentence": sentence,
            "stated": len(judged),
            "met": sum(1 for one in judged if one.met),
            "missed": sum(1 for one in judged if one.met is False),
            "not_judged": sum(1 for one in judged if one.met is None),
        },
        "requirements": [_requirement(night, one) for one in judged],
        "also_true": [_requirement(night, one) for one in meta.also_true],
        "jobs": [
            {"state": state, "sub_state": sub_state, "count": count} for state, sub_state, count in final_states(night)
        ],
        "figures": {name: _figure(figures.get(name)) for name in names()},
        "pools": {
            pool: {"workers": sum(1 for other in night.pools.values() if other == pool)}
            | {name: _figure(Figures(night, Where(pool=pool)).get(name)) for name in ("utilisation", "offered_load")}
            for pool in pools
        },
        "unsafe_repeats": [
            {"effect": one.effect, "target": one.target, "times": one.times, **_job(night, one.job)}
            for one in night.repeats
        ],
        "unsafe_repeats_across_jobs": [
            {"effect": effect, "target": target, "times": times} for (effect, target), times in night.shared.items()
        ],
        "worst_jobs": [{**_job(night, one.job), "why": one.why} for one in worst_jobs(night)],
        "unfinished_jobs": [
            {**_job(night, job), "stuck": stuck, "why": why} for job, stuck, why in unfinished_jobs(night, meta)
        ],
        "arrivals_without_jobs": list(meta.nothing_came),
        "faults": [{**one._asdict(), "ended": one.ended if one.ended >= 0 else None} for one in night.faults],
        "faults_missed": [{**one._asdict(), "why": why_in_words(one.why)} for one in night.faults_missed],
        "actions": [one._asdict() for one in night.actions],
        "lost_leases": [_lost(night, one) for one in night.lost],
        "refused_jobs": [
            {
                "at": one.at,
                "entry": one.kind.entry,
                "name": f"{one.kind.entry}#{one.ordinal}",
                "why": why_in_words(one.why, one.values),
            }
            for one in night.refused
        ],
        "skipped_occurrences": [{**one._asdict(), "why": why_in_words(one.why)} for one in night.skipped],
        "guessed_values": {"guessed": meta.guessed, "stated": meta.stated},
        "sources": dict(meta.sources),
        "note": SMALL_PRINT,
    }


def _lost(night: Night, one: LostLease) -> dict[str, Any]:
    """Tell a lost lease: how long after its worker had gone it was noticed, if the worker had and that is known."""
    return {
        "at": one.at,
        **_job(night, one.job),
        "worker": one.worker,
        "healthy": one.delay == HEALTHY,
        "noticed_after": one.delay if one.delay >= 0 else None,
    }


def _requirement(night: Night, one: Judged) -> dict[str, Any]:
    return {
        "requirement": one.requirement,
        "label": one.asks,
        "met": one.met,
        "found": _figure(one.found),
        "bound": _rounded(one.bound),
        "sentence": one.sentence,
        "evidence": [_job(night, job) for job in one.evidence],
    }


def _job(night: Night, job: int) -> dict[str, Any]:
    return {"job": job, "name": night.name_of(job)}


def _figure(figure: Figure) -> dict[str, Any]:
    return {
        "value": _rounded(figure.value),
        "unit": figure.unit,
        "more_than": figure.more_than,
        "estimator": figure.estimator,
        "n": figure.n,
        "unfinished": figure.unfinished,
    }


def _rounded(number: float | None) -> float | None:
    return float(f"{number:.9g}") if isinstance(number, float) else number
