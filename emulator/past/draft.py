"""Drafts a scenario from what was learnt of past nights.

Each value stands in a wrapper that says where it comes from, with a comment of its observations and its interval. What
the history cannot tell is a guess: leases and heartbeats always, and losses of idle workers, which leave no trace in an
export of jobs. Guesses come first in the file's head.

What comes by the clock is drafted as recurrences, what comes at random as rates by the day and the hour.
"""

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Final

from emulator.errors import InputError
from emulator.past.commented import (
    Stated,
    at_once,
    clock_text,
    gap_interval,
    middle_of,
    names_of,
    other_sizes,
    plain_of,
    quantile_law,
    rates_by_day,
    rounded_pause,
    rules_of,
    share_of,
    span_text,
    stated_in,
    yaml_lines,
)
from emulator.past.durations import Duration, Retries
from emulator.past.figures import horizon_of, nights_text, runs_of
from emulator.past.learning import Learnt
from emulator.past.nights import NightWindow
from emulator.past.schedules import Schedule, law_of_factors, widened
from emulator.past.timetables import Planned
from emulator.past.workers import Pool
from emulator.scenario.files import OF_ROUTINE
from emulator.show.story.of_jobs import number_of
from emulator.timeline.ticks import HOUR, SECOND, say

__all__ = ["CLOSED", "Draft", "draft_of", "draft_of_plans"]

_LEAST_SPREAD: Final = 0.02
_LEAST_MEAN: Final = 1.005
CLOSED: Final = 0.3
"""From this share on of submissions that follow ends, beyond chance, arrivals are drafted as a closed loop."""
_RARELY: Final = 0.01
"""A schedule that misses no larger share of its times is drafted as one that always comes."""
_ENOUGH: Final = 10
"""From fewer gaps a pause is called an estimate."""
_NEVER: Final = 1e-6
_IDLE: Final = "a guess for idle workers: that they are lost as often as those at work"
_NOT_TOLD: Final = "a guess: not in the history"


@dataclass(frozen=True, slots=True)
class Draft:
    """A drafted scenario.

    Attributes:
        settings: the scenario as plain data, without wrappers; :func:`emulator.run` takes it as it is.
        text: the same as a file: YAML with wrappers and comments.
        nights: the figures of the past nights, the text of ``draft.nights.csv``.
        guesses: the dotted path of each guess, with what is guessed and why.
        warnings: what a person has to know before believing the draft.
    """

    settings: dict[str, Any]
    text: str
    nights: str
    guesses: dict[str, str]
    warnings: tuple[str, ...]


def draft_of(
    learnt: Learnt,
    *,
    title: str = "A night like those of the history",
    starts: date | None = None,
    history: str = "",
    planned: Sequence[Planned] = (),
    nights_file: str = "draft.nights.csv",
) -> Draft:
    """Turn what was learnt into a scenario.

    Args:
        learnt: what past nights tell, as :func:`emulator.past.learning.learn` gives it.
        title: the scenario's title.
        starts: the date on which its night begins; by default the day after the last night of the history.
        history: the digest of the files, which each value that was learnt from them keeps.
        planned: what a crontab or a calendar states; routines that the history tells of are taken from there.
        nights_file: the name that the file of past nights will have beside the draft.
    """
    drafting = _Drafting(learnt, starts, history, nights_file)
    data = drafting.scenario(title)
    warnings = tuple(_warnings(learnt))
    known = {name.casefold() for at, name in enumerate(drafting.names) if learnt.schedules.get(at)}
    fresh = [it for it in planned if names_of([it.routine])[0].casefold() not in known]
    if len(fresh) < len(planned):
        told = ", ".join(sorted({it.routine for it in planned} - {it.routine for it in fresh}))
        warnings = (*warnings, f"Planned and in the history too; taken from the history: {told}.")
    warnings = (*warnings, *_add_planned(data, fresh))
    nights = learnt.nights
    source = f"From {len(nights.first)} jobs in {len(nights)} nights from {nights.dates[0]} to {nights.dates[-1]}"
    own = {f"pace{OF_ROUTINE}{drafting.names[at]}": it for at, it in learnt.run_times.pace_of.items()}
    figures = {**learnt.figures, "demand": learnt.demand, **own, **runs_of(nights)}
    return _draft(data, warnings, f"{source} ({nights.zone}).", nights_text(nights.dates, figures))


def draft_of_plans(planned: Sequence[Planned], window: NightWindow, zone: str, starts: date) -> Draft:
    """Turn what crontabs and calendars state into a scenario, without any history: all else in it is a guess.

    Raises:
        InputError: all of it is over before the night.
    """
    data: dict[str, Any] = {
        "title": "A night by its timetable",
        "starts": (datetime.combine(starts, time()) + timedelta(seconds=window.begins)).isoformat(),
        "zone": zone,
        "lasts": say(window.lasts * SECOND),
        "queues": {"night": {"lease": _lease("")}},
        "pools": {
            "worker": {
                "count": Stated(2, "guess", "a guess: a timetable tells of no workers", plausible=(1, 8)),
                "serves": ["night"],
                "poll": Stated("0s", "guess", _NOT_TOLD, plausible=("0s", "1m")),
                "heartbeat": _heartbeat(),
            }
        },
        "routines": {},
        "arrivals": [],
    }
    warnings = _add_planned(data, planned)
    if not data["arrivals"]:
        raise InputError(f"nothing is left to draft. {' '.join(warnings)} Give another date with --starts")
    said = Stated(0.99, "", "what is asked of a night is no history: say it")
    data["must_hold"] = [{"name": "done", "measure": "done_share", "at_least": said}]
    return _draft(
        data, warnings, f"From {len(data['arrivals'])} rules; how long the work takes is not in them ({zone}).", ""
    )


def _add_planned(data: dict[str, Any], planned: Sequence[Planned]) -> tuple[str, ...]:
    """Add what a timetable states to a scenario that is being drafted; tell what is left out of it, and why."""
    queue, starts = next(iter(data["queues"])), datetime.fromisoformat(data["starts"])
    left_out: dict[str, list[str]] = {}
    named = [(it, names_of([it.routine])[0]) for it in planned]
    entries = names_of([f"{name}-planned" for _, name in named])
    for (it, name), entry in zip(named, entries, strict=True):
        try:
            found = it.from_night(starts, data["zone"])
            why = "" if found else f"over before {starts:%Y-%m-%d}"
        except ValueError as error:
            found, why = None, f"not taken over, {error}"
        if found is None:
            left_out.setdefault(why, []).append(f"{it.routine} ({it.place})")
            continue
        rule, begins = found
        if name not in data["routines"]:
            takes = Stated(
                "5m", "guess", "a guess: a timetable does not say how long work takes", plausible=("1m", "30m")
            )
            if it.lasts:
                takes = Stated(span_text(it.lasts), "documented", f"as long as {it.place} says")
            data["routines"][name] = {"queue": queue, "parts": [{"name": "work", "takes": takes}]}
        came: dict[str, Any] = {
            "routine": name,
            "name": entry,
            "recurs": Stated(rule, "documented", f"as {it.place} says"),
        }
        if begins is not None:
            said = f"the first time from {starts:%Y-%m-%d} on, from which what {it.place} says is counted"
            came["from"] = Stated(begins.isoformat(), "documented", said)
        data["arrivals"].append(came | ({"excludes": list(it.excludes)} if it.excludes else {}))
    return tuple(f"Planned, and {why}: {', '.join(some)}." for why, some in left_out.items())


def _draft(data: dict[str, Any], warnings: tuple[str, ...], source: str, nights: str) -> Draft:
    guesses = {path: it.comment for path, it in stated_in(data) if it.source == "guess"}
    # The gaps themselves were measured at work; what they are for idle workers was not.
    guesses |= {f"faults.{it['name']}.gaps": _IDLE for it in data.get("faults", ())}
    lines = [*_head(source, guesses, warnings), *yaml_lines(data)]
    return Draft(plain_of(data), "\n".join(lines) + "\n", nights, guesses, warnings)


def _lease(more: str) -> Stated:
    why = "an export of jobs tells no leases: ask the broker's settings"
    return Stated("90s", "guess", _NOT_TOLD + more, plausible=("30s", "5m"), why=why)


def _heartbeat() -> Stated:
    why = "an export of jobs tells no heartbeats: ask the workers' settings"
    return Stated("20s", "guess", _NOT_TOLD, plausible=("5s", "30s"), why=why)


def _head(source: str, guesses: Mapping[str, str], warnings: Sequence[str]) -> Iterator[str]:
    """Say what a reader has to know first: guesses, then warnings, then what it was learnt from."""
    yield "# Drafted from past jobs. It supports and does not replace the organisation's own change control."
    yield "#"
    yield f"# Guesses, {len(guesses)}: measure these, or ask those who know."
    for path, why in guesses.items():
        yield f"# - {path}: {why}"
    yield "# What the night must keep, under must_hold, nobody but you can say."
    if warnings:
        yield "#"
        yield "# Look at this first:"
        yield from (f"# - {it}" for it in warnings)
    yield "#"
    yield f"# {source}"


def _warnings(learnt: Learnt) -> Iterator[str]:
    nights = learnt.nights
    if learnt.closed_loop >= CLOSED:
        share = f"{learnt.closed_loop:.0%}"
        yield f"{share} of the jobs were submitted as soon as one ended, beyond chance: drafted as again_after."
    elif learnt.closed_loop > 0:
        yield f"{learnt.closed_loop:.0%} of the jobs were submitted as soon as one ended, beyond chance."
    if not nights.attempts.knows_submission:
        yield "Submission and begin are the same: no wait was seen, so no number of workers can be learnt."
    if learnt.left_out:
        names = ", ".join(nights.attempts.routines[at] for at in learnt.left_out)
        yield f"Too little was seen of these, and they are left out: {names}."
    if learnt.rare:
        names = ", ".join(nights.attempts.workers[at] for at in learnt.rare)
        yield f"These workers were hardly seen, and are left out: {names}."
    if not learnt.losses.count and learnt.losses.hours:
        # With no event in T hours, the rate is below 3 / T at 95 % (the rule of three).
        third = learnt.losses.hours / 3
        yield f"No loss was seen in {learnt.losses.hours:.0f} hours at work: they lie {third:.0f} hours or more apart."


class _Drafting:
    """Writes the parts of a scenario from what was learnt."""

    def __init__(self, learnt: Learnt, starts: date | None, history: str, nights_file: str) -> None:
        self.learnt = learnt
        self.nights_file = nights_file
        self.history = history
        self.nights = learnt.nights
        self.last = self.nights.dates[-1]
        self.starts = starts or self.last + timedelta(days=1)
        self.since = f"from {self.nights.dates[0]} to {self.last}"
        self.names = names_of(self.nights.attempts.routines)
        self.workers = names_of(self.nights.attempts.workers)
        self.durations = {it.routine: it for it in learnt.run_times.durations}
        self.come = [at for at in self.durations if learnt.schedules.get(at) or at in learnt.random]
        self.closed = learnt.closed_loop >= CLOSED
        self.demand = not self.closed and learnt.demand_cv >= _LEAST_SPREAD and bool(learnt.random)
        self.pace = learnt.run_times.pace_cv >= _LEAST_SPREAD
        self.queues = self._queues()

    def measured(
        self, value: Any, comment: str, n: int, source: str = "measured", plausible: tuple[Any, ...] = ()
    ) -> Stated:
        return Stated(value, source, comment, n, self.last, plausible, "", self.history)

    def scenario(self, title: str) -> dict[str, Any]:
        window = self.nights.window
        begins = datetime.combine(self.starts, time()) + timedelta(seconds=window.begins)
        out: dict[str, Any] = {
            "title": title,
            "starts": begins.isoformat(),
            "zone": self.nights.zone,
            "lasts": self._lasts(),
        }
        if varies := self._varies():
            out["varies"] = varies
        out["queues"] = {name: self._queue() for name in dict.fromkeys(self.queues.values())}
        out["pools"] = dict(self._pools())
        out["routines"] = {self.names[at]: self._routine(at) for at in self.come}
        out["arrivals"] = [entry for at in self.come for entry in self._arrivals(at)]
        if faults := list(self._faults(out["pools"])):
            out["faults"] = faults
        out["must_hold"] = [{"name": "done", "measure": "done_share", "at_least": self._share_done()}]
        if variants := dict(other_sizes(out["pools"])):
            out["variants"] = variants
        return out

    def _lasts(self) -> Any:
        """Let a night last until its last job has ended: nothing comes after its window, and work goes on."""
        window, lasts = self.nights.window.lasts, horizon_of(self.nights)
        if lasts <= window:
            return say(window * SECOND)
        said = (
            f"jobs come for {say(window * SECOND)}, and the last of them ended up to {span_text(lasts - window)} later"
        )
        return self.measured(say(lasts * SECOND), said, len(self.nights), "estimated")

    def _varies(self) -> dict[str, Any]:
        count = len(self.nights)
        out: dict[str, Any] = {}
        if self.demand:
            low, high = middle_of(self.learnt.demand)
            said = f"what came at random in {count} nights {self.since}; 90 % between {low:.2f} and {high:.2f} of usual"
            levels = 2 if any(it.days.differ for it in self.learnt.random.values()) else 1
            law = law_of_factors(self.learnt.demand, self.learnt.demand_cv)
            out["demand"] = {"cv": self._spread(self.learnt.demand_cv, said, levels), "law": law}
        if self.pace:
            low, high = middle_of(self.learnt.run_times.pace)
            said = f"run times in {count} nights {self.since}; 90 % between {low:.2f} and {high:.2f} of the usual ones"
            said += f"; {{one_of_nights: {self.nights_file}}} instead of both borrows them from one past night"
            if own := [self.names[at] for at in self.learnt.run_times.pace_of]:
                said += f", with the run times of its own that it had for {', '.join(own)}"
            cv = self.learnt.run_times.pace_cv
            law = law_of_factors(self.learnt.run_times.pace, cv)
            out["pace"] = {"cv": self._spread(cv, said, 1), "law": law}
            # Run times are told for a night whose factor has the mean logarithm, 0; the mean of either law is above 1.
            mean = (1 + cv**2) ** 0.5 if law == "lognormal" else math.exp(cv**2 / 2 + min(cv, 1.5) ** 4 / 12)
            if mean >= _LEAST_MEAN:
                said = f"the mean of these factors, where that of their logarithms is 0; from {count} nights"
                out["pace"]["mean"] = self.measured(round(mean, 3), said, count, "estimated")
        return out

    def _spread(self, found: float, said: str, levels: int) -> Stated:
        count = len(self.nights)
        said = f"{said}; {found:.3f} was found, and a further night is predicted from {count} nights by a wider one"
        return self.measured(round(widened(found, count, levels), 3), said, count)

    def _queues(self) -> dict[int, str]:
        """Give each routine its queue: those that the same pools ran share one."""
        pools = self.learnt.pools
        attempts = self.nights.attempts
        runs = Counter(attempts.routine[attempts.worker >= 0].tolist())
        of_pool = [sum(1 for _ in pool.workers) for pool in pools]
        every = max(1, sum(of_pool))
        kinds: dict[tuple[int, ...], str] = {}
        out = {}
        for at in self.come:
            ran = tuple(
                place
                for place, pool in enumerate(pools)
                if at in pool.routines or (1 - of_pool[place] / every) ** runs[at] > _NEVER
            )
            out[at] = kinds.setdefault(ran, "night" if not kinds else f"night-{len(kinds) + 1}")
        self.serves = {
            place: [name for ran, name in kinds.items() if place in ran or not pools] for place in range(len(pools))
        }
        return out

    def _queue(self) -> dict[str, Any]:
        after = self.learnt.retries.after_loss
        more = ""
        if after == after:
            more = f"; a lost attempt's job began again {span_text(after)} after the attempt had begun (median)"
        out: dict[str, Any] = {"lease": _lease(more)}
        found = self.learnt.retries
        if found.attempts_in_all > 1:
            said = f"the most that a job had; {number_of(found.used_up, 'job')} failed at that many"
            source = "measured" if found.used_up else "estimated"  # it may be more where no job has used it up
            out["retry"] = {"attempts_in_all": self.measured(found.attempts_in_all, said, max(1, found.gaps), source)}
            if found.pauses and found.pauses[0] >= 1:
                out["retry"] |= self._pause(found)
        return out

    def _pause(self, found: Retries) -> dict[str, Any]:
        pauses, gaps = found.pauses, found.gaps
        first = span_text(rounded_pause(pauses[0]))
        said = f"from {gaps} gaps between a failure and the next attempt {self.since}"
        source = "measured" if gaps >= _ENOUGH else "estimated"
        kind: dict[str, Any] = {"pause": "constant"}
        if len(pauses) > 1 and pauses[1] > 1.5 * pauses[0]:
            grows = pauses[1] / pauses[0]
            kind = {
                "pause": "exponential",
                "grows_by": self.measured(round(grows, 1), f"{said}: the second pause", gaps, source),
            }
        low, high = found.middle
        said += ": the shortest of them, since waiting only adds; 90 % between "
        said += f"{span_text(low)} and {span_text(high)}"
        return {**kind, "first": self.measured(first, said, gaps, source)}

    def _pools(self) -> Iterator[tuple[str, dict[str, Any]]]:
        polling = self.learnt.polling
        if polling.waits >= 30:
            said = f"from {polling.waits} waits for the only idle worker {self.since}; 95 % interval "
            said += f"{span_text(polling.low)} to {span_text(polling.high)}"
            poll = self.measured(span_text(polling.every), said, polling.waits)
        else:
            said = f"{_NOT_TOLD}: too seldom was one worker alone idle"
            poll = Stated("0s", "guess", said, plausible=("0s", "1m"))
        beat = _heartbeat()
        if not self.learnt.pools:
            said = "a guess: no column names workers; the most attempts at once in 19 of 20 nights"
            serves = list(dict.fromkeys(self.queues.values())) or ["night"]
            yield (
                "worker",
                {
                    "count": Stated(
                        once := at_once(self.learnt), "guess", said, plausible=(max(1, once // 2), 2 * once)
                    ),
                    "serves": serves,
                    "poll": poll,
                    "heartbeat": beat,
                },
            )
        plain = [names_of([it.name])[0] for it in self.learnt.pools]
        wanted = [f"{name}-pool" if name in self.workers else name for name in plain]
        names = names_of([*self.workers, *wanted])[len(self.workers) :]  # no pool may have the name of a worker
        for place, (name, pool) in enumerate(zip(names, self.learnt.pools, strict=True)):
            if self.serves[place]:
                yield name, {**self._workers(name, pool), "serves": self.serves[place], "poll": poll, "heartbeat": beat}

    def _workers(self, name: str, pool: Pool) -> dict[str, Any]:
        workers = [self.workers[at] for at in pool.workers]
        said = f"seen at work in {pool.nights} of {len(self.nights)} nights {self.since}"
        numbered = {f"{name}-{at}" for at in range(1, len(workers) + 1)}
        out: dict[str, Any]
        if numbered != set(workers):
            out = {"workers": self.measured(sorted(workers), said, pool.nights)}
        elif self.nights.attempts.knows_submission:
            out = {"count": self.measured(len(workers), said, pool.nights)}
        else:
            said = f"a guess: {said}, and as no wait was seen, nobody knows whether these were all"
            out = {"count": Stated(len(workers), "guess", said, plausible=(len(workers), 2 * len(workers)))}
        if pool.slots > 1:
            out["slots"] = self.measured(pool.slots, "attempts at once, in at least a tenth of the nights", pool.nights)
        if pool.begins:
            said = "when the first job of its shift begins, at the earliest"
            out["joins"] = self.measured(f"+{say(round(pool.begins) * SECOND)}", said, pool.nights, "estimated")
        if pool.until:
            longest = max((it.quantiles[-1][1] for it in self.learnt.run_times.durations), default=0.0)
            off = {
                "off": clock_text(self.nights.window.begins + pool.until),
                "at_shutdown": "finish",
                "finish_within": say((int(longest // 3600) + 1) * HOUR),
            }
            said = "after this none of them began a job, though others did; what runs is finished"
            out["power"] = self.measured(off, said, pool.nights, "estimated")
        slow = {}
        for at in sorted(set(pool.workers) & set(self.learnt.run_times.slow)):
            runs = int((self.nights.attempts.worker == at).sum())
            low, high = self.learnt.run_times.slow[at]
            said = f"its run times beside those of other workers, from {runs} runs {self.since}; 95 % interval "
            said += f"{low:.2f} to {high:.2f}"
            slow[self.workers[at]] = {
                "speed": self.measured(round(float(self.learnt.run_times.speed[at]), 2), said, runs)
            }
        return out | ({"per_worker": slow} if slow else {})

    def _routine(self, at: int) -> dict[str, Any]:
        share = self.learnt.shares[at]
        part: dict[str, Any] = {"name": "work", "takes": self._takes(self.durations[at])}
        if share.of:
            said = f"{share.count} of {share.of} attempts failed {self.since}"
            said += f"; 95 % interval {share.low:.2%} to {share.high:.2%}"
            ends = (float(f"{share.low:.3g}"), float(f"{share.high:.3g}"))
            found = self.durations[at]
            if found.fails_late:
                said += "; they failed later than others ended well, which a scenario cannot say: drafted as at the end"
            part["error_share"] = self.measured(float(f"{share.value:.3g}"), said, share.of, plausible=ends)
            if found.early:
                part["fails_after"] = self._fails_after(found)
        return {"queue": self.queues[at], "drawn": "each_attempt", "parts": [part]}

    def _takes(self, it: Duration) -> Stated:
        shares = dict(it.quantiles)
        low, high = shares.get(0.05, it.low), shares[0.95]
        cut = f", {it.cut} more without an end" if it.cut else ""
        said = f"from {it.ended} runs {self.since}{cut}; 90 % between {span_text(low)} and {span_text(high)}"
        law: dict[str, Any]
        if it.lognormal and it.p95 > it.median:
            law = {"median": span_text(it.median), "p95": span_text(it.p95)}
        else:
            law = quantile_law(shares)
        return self.measured(law | ({"varies_with": "pace"} if self.pace else {}), said, it.ended)

    def _fails_after(self, it: Duration) -> Stated:
        low, high = it.early[0], it.early[-1]
        said = f"when {it.failed} failed attempts ended {self.since}, from {span_text(low)} to {span_text(high)}"
        said += " after they began; the work would have lasted longer"
        law = {"constant": span_text(low)} if low == high else {"quantiles": [span_text(each) for each in it.early]}
        return self.measured(law | ({"varies_with": "pace"} if self.pace else {}), said, it.failed)

    def _arrivals(self, at: int) -> Iterator[dict[str, Any]]:
        taken: Counter[str] = Counter()
        for rule, group in rules_of(self.learnt.schedules.get(at, []), self.nights.window.begins):
            time = clock_text(group[0].at + self.nights.window.begins).replace(":", "")
            name = f"{self.names[at]}-{time}-{group[0].days.replace(' ', '-')}"
            taken[name] += 1
            yield self._recurring(at, name if taken[name] == 1 else f"{name}-{taken[name]}", rule, group)
        if at in self.learnt.random:
            yield self._at_random(at)

    def _recurring(self, at: int, name: str, rule: str, group: list[Schedule]) -> dict[str, Any]:
        hits, nights = sum(it.hits for it in group), sum(it.nights for it in group)
        late = sorted(each for it in group for each in it.lateness)
        many = "1 time" if len(group) == 1 else f"{len(group)} times"
        said = f"{many} of the night, {group[0].days}: came {hits} of {nights} times {self.since}"
        out: dict[str, Any] = {"routine": self.names[at], "name": name, "recurs": self.measured(rule, said, hits)}
        if late[-1] > 1:
            said = (
                f"so late it came; 90 % between {span_text(share_of(late, 0.05))} and {span_text(share_of(late, 0.95))}"
            )
            times = [span_text(share_of(late, place / 10)) for place in range(11)]
            out["late_by"] = self.measured({"quantiles": times}, said, len(late))
        batches = Counter(each for it in group for each in it.batches)
        if nights - hits > _RARELY * nights:
            batches[0] = nights - hits
        law: dict[str, Any]
        if len(batches) > 1:
            law = {"one_of": sorted(batches), "weights": [batches[each] for each in sorted(batches)]}
            out["batch"] = self.measured(law, "how many came at once", len(late))
        elif (only := next(iter(batches))) > 1:
            out["batch"] = self.measured(only, "as many each time", len(late))
        return out

    def _at_random(self, at: int) -> dict[str, Any]:
        found = self.learnt.random[at]
        name = f"{self.names[at]}-at-random"
        if self.closed:
            said = "a guess: whoever waits for a job to end submits the next within two seconds"
            return {
                "routine": self.names[at],
                "name": name,
                "again_after": Stated({"between": ["0s", "2s"]}, "guess", said, plausible=("0s", "1m")),
                "count": Stated(
                    once := at_once(self.learnt, at),
                    "guess",
                    "a guess: as many unfinished at once in most nights",
                    plausible=(max(1, once // 2), 2 * once),
                ),
            }
        usual = f"{found.days.weekdays:.3g} a night"
        if found.days.differ:
            usual = f"{found.days.weekdays:.3g} a night on weekdays, {found.days.weekends:.3g} on weekends"
        low, high = found.middle
        said = f"from {found.jobs} jobs in {len(self.nights)} nights {self.since}: {usual}; 90 % of the nights had "
        said += f"{low:.0f} to {high:.0f}"
        rates = rates_by_day(found.pieces, self.nights.window.begins, self.nights.window.lasts)
        out: dict[str, Any] = {
            "routine": self.names[at],
            "name": name,
            "per_hour": self.measured(rates, said, found.jobs),
        }
        return out | ({"varies_with": "demand"} if self.demand else {})

    def _faults(self, pools: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
        it = self.learnt.losses
        if not it.count:
            return
        low, high = gap_interval(it.count, it.hours)
        said = (
            f"{it.count} losses in {it.hours:.0f} hours at work {self.since}; 95 % between {low:.0f} and {high:.0f} h. "
            "That idle workers are lost as often is a guess"
        )
        for name in pools:
            yield {
                "power_off": name,
                "name": f"losses-of-{name}",
                "gaps": self.measured({"mean": span_text(it.hours_apart * 3600), "law": "exponential"}, said, it.count),
                "back_after": self._back_after(),
            }

    def _back_after(self) -> Stated:
        it = self.learnt.losses
        if it.back_after != it.back_after:
            return Stated("20m", "guess", _NOT_TOLD, plausible=("5m", "1h"))
        back = span_text(it.back_after)
        if not it.at_most > it.back_after:
            return self.measured(back, "from a loss to the worker's next job", it.count, "estimated")
        most = span_text(it.at_most)
        said = (
            f"{most} from a lost attempt's begin to its worker's next (median), which is an upper limit; less the work "
        )
        said += "until a loss and the wait for another job, by what both are otherwise"
        return self.measured(back, said, it.count, "estimated", plausible=("0s", most))

    def _share_done(self) -> Stated:
        import numpy as np

        accepted, done = self.learnt.figures["accepted"], self.learnt.figures["done"]
        shares = (done / np.maximum(accepted, 1))[accepted > 0]
        low = float(np.quantile(shares, 0.05)) if len(shares) else 0.0
        said = f"what is asked of a night is no history: say it; 19 of 20 past nights had {low:.3f} or more"
        return Stated(min(0.99, int(low * 100) / 100), "", said)
