"""Runs the nights of a comparison that are not there yet: as many as asked for, or until enough is known.

The law: replication k of every setting is played with the seed ``first_seed + k``. Rounds end at fixed numbers of
nights (10, 20, 40 and so on), and what is known is looked at after a round only, never in between: so where the nights
are run, and in which order they come, decides nothing.
"""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from emulator.errors import InputError
from emulator.experiment.executors import NoMoreWorkError, Task, Workers
from emulator.experiment.night import Progress
from emulator.experiment.settings import Setting
from emulator.measure.comparison.wanted import PlayedNight, Reading
from emulator.record.results_file import ResultsFile

__all__ = ["Replications", "Seen", "looks", "replication_from"]

_FIRST_LOOK = 10
_TOGETHER = 25
_ROUNDS = 8
"""So many nights of each setting are run before the next ones, or this part of all of them."""


def looks(at_most: int) -> list[int]:
    """Give the numbers of nights after which is looked whether enough is known.

    >>> looks(100)
    [10, 20, 40, 80, 100]
    """
    found, number = [], min(_FIRST_LOOK, at_most)
    while number < at_most:
        found.append(number)
        number *= 2
    return [*found, at_most]


def replication_from(variant: str, seed: int, body: Any) -> PlayedNight:
    """Make a replication of what a file of results keeps of it.

    Raises:
        AttributeError, LookupError, TypeError, ValueError: when that is something else.
    """
    readings = {text: Reading(reading["value"], reading["more_than"]) for text, reading in body["readings"].items()}
    held = tuple(body["held"])
    values = {type(reading.value) for reading in readings.values()} - {int, float, type(None)}
    if values or {type(one) for one in held} - {bool, type(None)} or type(body["events"]) is not int:
        raise ValueError("its figures are no numbers")
    if type(body["drawn"]) is not bool:
        raise ValueError("it does not say whether anything was drawn")
    return PlayedNight(variant, seed, readings, held, body["events"], str(body["failure"]), body["drawn"])


Seen = Callable[[list[PlayedNight], int], None]


@dataclass
class Replications:
    """The nights of a comparison, as far as they have been run.

    Attributes:
        settings: what is compared, the baseline first.
        figures: the texts that name what is read of each night.
        first_seed: of the first replication.
        workers: what runs them.
        file: where they are kept as they come, if anywhere.
        kept_in: the path of that file.
        progress: told the share that is done.
        at_most: of how many replications the share is.
        seen: told, between two rounds, the first nights that have been run of every setting, and how many of each.
    """

    settings: Sequence[Setting]
    figures: Sequence[str]
    first_seed: int
    workers: Workers
    at_most: int
    file: ResultsFile | None = None
    kept_in: str = ""
    progress: Progress | None = None
    seen: Seen | None = None

    def __post_init__(self) -> None:
        known = self.file.read(replication_from) if self.file is not None else []
        self._known: dict[tuple[str, int], PlayedNight] = {
            (one.variant, one.seed): one for one in known if not one.failure
        }

    def run(self, count: int) -> list[PlayedNight]:
        """Run what is still missing of the first ``count`` replications, and give them all.

        Raises:
            InputError: when an executor that was given cannot go on; the message says what is kept and how to do so.
        """
        last = self.first_seed + count
        wanted = [(setting, seed) for setting in self.settings for seed in range(self.first_seed, last)]
        all_of_it = self.at_most * len(self.settings)

        def done(one: PlayedNight) -> None:
            self._known[one.variant, one.seed] = one
            if self.file is not None and not one.failure:
                body = asdict(one)
                del body["variant"], body["seed"], body["backlog"]  # a comparison does not ask for it
                self.file.add(one.variant, one.seed, body)
            if self.progress is not None:
                self.progress(min(1.0, len(self._known) / all_of_it))

        some = max(_TOGETHER, count // _ROUNDS)
        try:
            begins = [self.first_seed, *range(self.first_seed + min(some, _FIRST_LOOK), last, some)]
            for first, end in zip(begins, [*begins[1:], last], strict=True):
                seeds = range(first, end)  # a run that is cut short has some nights of each setting
                missing = [
                    Task(setting, seed)
                    for setting in self.settings
                    for seed in seeds
                    if (setting.name, seed) not in self._known
                ]
                if missing:
                    self.workers.run(missing, self.figures, done, more=(last - end) * len(self.settings))
                if self.seen is not None and end < self.first_seed + self.at_most:
                    self.seen(*self.so_far())
        except NoMoreWorkError as why:
            raise InputError(f"{why}; {self._how_to_go_on()}") from None
        finally:
            if self.file is not None:
                self.file.flush()
        return [self._known[setting.name, seed] for setting, seed in wanted]

    def so_far(self) -> tuple[list[PlayedNight], int]:
        """Give the first nights that have been run of every setting, and how many of each these are."""
        count = 0
        while all((setting.name, self.first_seed + count) in self._known for setting in self.settings):
            count += 1
        seeds = range(self.first_seed, self.first_seed + count)
        return [self._known[setting.name, seed] for setting in self.settings for seed in seeds], count

    def _how_to_go_on(self) -> str:
        so_far = sum(1 for one in self._known.values() if not one.failure)
        nights = f"{so_far:,} night{'' if so_far == 1 else 's'} so far"
        if self.file is None:
            then = f"{nights}, not kept: begin again with a new executor; `compare(..., results=PATH)` would keep them"
        else:
            then = (
                f"{nights}, kept in {self.kept_in}: go on with a new executor, results={self.kept_in!r} and resume=True"
            )
        return f"{then} (instead of an executor, `processes=N` survives processes that die)"
