"""Runs replications in this process, in others or on an executor; repeats those whose process died.

The law: a replication is a pure function of its setting and seed, so one that was lost is simply run again. When a
process dies, nobody knows which of the replications that were under way killed it. From then on one single replication
is under way at a time until all suspects are through: the one whose process dies again, three times in all, is lost
and named, and the rest completes. Replications go out in batches, so that a task is worth its journey, and never more
than a few per process, so that stopping is quick.

Starting processes has its price: the first replications are run in this process, and others are started only when what
is left would take longer. While they start and run, this process goes on running replications itself. With retry
policies of the user's own it runs none: what they do may end the process.
"""

import multiprocessing
import os
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from typing import Any, Final, Protocol

from emulator.errors import InputError
from emulator.experiment.night import heartbeats_for, play
from emulator.experiment.processes import check_found, interrupt_put_off, needs_script, own_processes
from emulator.experiment.settings import AskedPolicy, Setting, check_travels, packed_policies
from emulator.measure.comparison.wanted import PlayedNight, read, wanted
from emulator.measure.figures import Selection
from emulator.measure.requirements import has_bound, judge_all
from emulator.scenario.arguments import TEXT, WHOLE, may_be

__all__ = [
    "NoMoreWorkError",
    "Pool",
    "Task",
    "Workers",
    "open_workers",
    "play_batch",
    "replicate",
]


def replicate(setting: Setting, seed: int, figures: Sequence[str]) -> PlayedNight:
    """Play one night, and read of it what is compared.

    A night that ends with a defect of the emulator, or of a retry policy of the user's own, is a replication with a
    ``failure``: the others go on.

    Args:
        setting: what is played.
        seed: with which seed.
        figures: the texts that name what is read.
    """
    try:
        loaded = setting.loaded()
        own = {queue: AskedPolicy(queue, policy) for queue, policy in setting.policies.items()}
        heartbeats = heartbeats_for(loaded, (wanted(text).name for text in figures))
        night, events, drawn = play(loaded, seed, own, heartbeats=heartbeats, stated=setting.stated)
        judged = judge_all(night, loaded.scenario.must_hold, loaded.clock)
    except Exception as error:
        said = " ".join(str(error).split())
        return PlayedNight(setting.name, seed, {}, (), 0, f"{type(error).__name__}: {said}")
    held = tuple(
        one.met if has_bound(asked) else None for one, asked in zip(judged, loaded.scenario.must_hold, strict=True)
    )
    readings = read(night, map(wanted, figures))
    backlog = Selection(night).waiting_at(setting.moments) if setting.moments else ()
    return PlayedNight(setting.name, seed, readings, held, events, drawn=drawn, backlog=backlog)


def play_batch(setting: Setting, seeds: Sequence[int], figures: Sequence[str]) -> list[PlayedNight]:
    """Play several nights of one setting, in order; what is sent to another process.

    That process ends when the one that it works for has gone: nobody would take its nights.
    """
    parent = multiprocessing.parent_process()
    played = []
    for seed in seeds:
        if parent is not None and not parent.is_alive():
            os._exit(1)
        played.append(replicate(setting, seed, figures))
    return played


_TRIES: Final = 3
_WINDOW: Final = 4  # tasks under way for each process
_WINDOW_OF_HELPED: Final = 2  # where this process works too: what was sent cannot be taken back at the end
_WORTH: Final = 0.1  # seconds of real time that a batch should take
_LARGEST: Final = 200
_WORTH_PROCESSES: Final = 0.8
"""Processor seconds that the rest has to take here, for others to be started: loading the program takes half."""
_SURE: Final = 0.2
"""Seconds after which the first night says how long others take, though it has loaded some things once."""


@dataclass(frozen=True, slots=True)
class Task:
    """One replication that is to be run."""

    setting: Setting
    seed: int


Done = Callable[[PlayedNight], None]


class NoMoreWorkError(Exception):
    """An executor that was given runs nothing any more; whoever knows what is kept tells how to go on."""


class Workers(Protocol):
    """What runs replications."""

    def run(self, tasks: Iterable[Task], figures: Sequence[str], done: Done, more: int = 0) -> None:
        """Run all of them, in whichever order, and hand over each as it is done.

        One that is lost is handed over with a ``failure``. ``more``: how many others are expected after them.

        Raises:
            NoMoreWorkError: when an executor that was given cannot go on.
        """
        ...


class Serial:
    """Runs one replication after another in this process."""

    def run(self, tasks: Iterable[Task], figures: Sequence[str], done: Done, more: int = 0) -> None:
        """Run all of them."""
        for task in tasks:
            done(replicate(task.setting, task.seed, figures))


class Growing:
    """Runs replications in this process, and in others too when what is left is worth it.

    Args:
        processes: how many there are at most, this one among them.
        meanwhile: called once, while others start.
    """

    def __init__(self, processes: int, meanwhile: Callable[[], None]) -> None:
        self._others = processes - 1
        self._meanwhile = meanwhile
        self._took: list[float] = []  # processor seconds that each replication took here: what else runs counts little
        self._pool: Pool | None = None
        self._stack = ExitStack()

    def __enter__(self) -> "Growing":
        self._stack.__enter__()
        return self

    def __exit__(self, *error: Any) -> bool | None:
        return self._stack.__exit__(*error)

    def run(self, tasks: Iterable[Task], figures: Sequence[str], done: Done, more: int = 0) -> None:
        """Run all of them."""
        waiting = deque(tasks)
        while waiting and self._pool is None:
            if self._per_night() * (len(waiting) + more) > _WORTH_PROCESSES:
                self._pool = self._stack.enter_context(_own_processes(self._others, {}, helping=self._per_night()))
                break
            task = waiting.popleft()
            began = time.process_time()
            done(replicate(task.setting, task.seed, figures))
            self._took.append(time.process_time() - began)
        if waiting and self._pool is not None:
            self._pool.run(waiting, figures, done, meanwhile=self._once_meanwhile)

    def _once_meanwhile(self) -> None:
        with interrupt_put_off():  # what is half loaded cannot be ended cleanly
            self._meanwhile()
        self._meanwhile = lambda: None

    def _per_night(self) -> float:
        """Give the seconds that a replication takes here; 0 as long as nobody knows: the first loads things too."""
        first, *others = self._took or [0.0]
        return sum(others) / len(others) if others else first if first > _SURE else 0.0


class Pool:
    """Runs replications wherever an executor runs them.

    Args:
        make: makes an executor; called again when one is broken. None: the given one cannot be made again.
        executor: the first one.
        processes: how many tasks it runs at once.
        is_death: whether an error says that the process of a task died.
        helping: seconds that a replication takes in this process, which runs some too; 0: it runs none.
    """

    def __init__(
        self,
        executor: Executor,
        processes: int,
        make: Callable[[], Executor] | None = None,
        is_death: Callable[[BaseException], bool] = lambda error: isinstance(error, BrokenExecutor),
        helping: float = 0.0,
    ) -> None:
        self.executor = executor
        self._make = make
        self._processes = processes
        self._is_death = is_death
        self._helps = helping > 0
        self._window = processes * (_WINDOW_OF_HELPED if self._helps else _WINDOW)
        self._per_night = helping  # seconds of real time that a night takes, as seen so far

    def run(
        self,
        tasks: Iterable[Task],
        figures: Sequence[str],
        done: Done,
        more: int = 0,
        *,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> None:
        """Run all of them; ``meanwhile`` is called when the first are under way."""
        under_way: dict[Future[list[PlayedNight]], tuple[list[Task], float]] = {}
        try:
            self._run_all(tasks, figures, done, under_way, meanwhile)
        except NoMoreWorkError:
            for future, (batch, _) in under_way.items():  # what was done all the same is not lost
                self._keep_or_suspect(future, batch, deque(), done)
            raise

    def _run_all(
        self,
        tasks: Iterable[Task],
        figures: Sequence[str],
        done: Done,
        under_way: "dict[Future[list[PlayedNight]], tuple[list[Task], float]]",
        meanwhile: Callable[[], None],
    ) -> None:
        waiting = deque(tasks)
        for setting in {id(task.setting): task.setting for task in waiting}.values():
            check_travels(setting)
        batches = self._batches(waiting)
        suspects: deque[Task] = deque()
        deaths: dict[tuple[str, int], int] = {}
        while True:
            alone = bool(suspects)
            while len(under_way) < (1 if alone else self._window):
                batch = [suspects.popleft()] if suspects and not under_way else None
                if batch is None:
                    batch = None if alone else next(batches, None)
                if batch is None:
                    break
                self._send(batch, figures, under_way, suspects)
            if not under_way:
                if suspects:
                    continue
                return
            meanwhile()
            helps = self._helps and not alone and bool(waiting)
            if helps:
                task = waiting.popleft()
                done(replicate(task.setting, task.seed, figures))
            finished, _ = wait(under_way, timeout=0 if helps else None, return_when=FIRST_COMPLETED)
            broken = False
            for future in finished:
                batch, since = under_way.pop(future)
                if future.cancelled():
                    raise NoMoreWorkError("the given executor has cancelled what it was given")
                error = future.exception()
                if error is None:
                    if not self._helps:
                        self._per_night = (time.perf_counter() - since) / len(batch) / _WINDOW
                    for replication in self._done(future, batch):
                        done(replication)
                elif self._is_death(error):
                    broken = True
                    self._suspect(batch, suspects, deaths, done, error)
                else:
                    raise error
            if broken:
                for future, (batch, _) in list(under_way.items()):
                    future.cancel()
                    self._keep_or_suspect(future, batch, suspects, done)
                under_way.clear()
                self._make_anew()

    def _send(
        self, batch: list[Task], figures: Sequence[str], under_way: dict[Any, Any], suspects: deque[Task]
    ) -> None:
        seeds = [task.seed for task in batch]
        try:
            future = self.executor.submit(play_batch, batch[0].setting, seeds, tuple(figures))
        except RuntimeError as error:  # a broken executor is one, one that was shut down has no name for it
            if self._make is None:  # it would be refused again and again
                raise NoMoreWorkError(f"the given executor takes no more work ({str(error).rstrip('.')})") from None
            if not isinstance(error, BrokenExecutor):
                raise
            suspects.extendleft(reversed(batch))
            self._make_anew()
            return
        if not isinstance(future, Future):
            raise InputError(
                f"executor: `submit` of {type(self.executor).__name__} gave a value of type {type(future).__name__}: "
                "it has to give a `concurrent.futures.Future`"
            )
        under_way[future] = (batch, time.perf_counter())

    def _suspect(
        self,
        batch: list[Task],
        suspects: deque[Task],
        deaths: dict[tuple[str, int], int],
        done: Done,
        error: BaseException,
    ) -> None:
        """Look again at what was under way when a process died; count it for one that was alone."""
        if len(batch) > 1:
            suspects.extend(batch)
            return
        task = batch[0]
        key = (task.setting.name, task.seed)
        deaths[key] = deaths.get(key, 0) + 1
        if deaths[key] < _TRIES:
            suspects.append(task)
        else:
            why = f"its process died each time, {_TRIES} times ({type(error).__name__})"
            done(PlayedNight(task.setting.name, task.seed, {}, (), 0, why))

    def _keep_or_suspect(
        self, future: "Future[list[PlayedNight]]", batch: list[Task], suspects: deque[Task], done: Done
    ) -> None:
        """Take what was done all the same when the executor broke; the rest is looked at again."""
        if future.done() and not future.cancelled() and future.exception() is None:
            for replication in self._done(future, batch):
                done(replication)
        else:
            suspects.extend(batch)

    def _done(self, future: "Future[list[PlayedNight]]", batch: list[Task]) -> list[PlayedNight]:
        """Give the replications of a batch; an executor that was given may answer anything.

        Raises:
            InputError: when it has not answered with them.
        """
        found: Any = future.result()
        wanted = [(task.setting.name, task.seed) for task in batch]
        if not isinstance(found, list) or [_which(one) for one in found] != wanted:
            raise InputError(
                f"executor: a future of {type(self.executor).__name__} has a result of type {type(found).__name__} "
                "that is not what the submitted call returns: let `submit(call, *arguments)` carry out "
                "`call(*arguments)`"
            )
        return found

    def _make_anew(self) -> None:
        if self._make is None:
            return
        self.executor.shutdown(wait=False, cancel_futures=True)
        self.executor = self._make()

    def _batches(self, tasks: "deque[Task]") -> Iterator[list[Task]]:
        """Give tasks of one setting together, as many as are worth a journey."""
        while tasks:
            most = 1 if not self._per_night else max(1, min(_LARGEST, int(_WORTH / self._per_night)))
            most = max(1, min(most, len(tasks) // (2 * (self._processes + self._helps))))
            batch = [tasks.popleft()]
            while tasks and len(batch) < most and tasks[0].setting is batch[0].setting:
                batch.append(tasks.popleft())
            yield batch


def _which(replication: Any) -> tuple[str, int] | None:
    return (replication.variant, replication.seed) if isinstance(replication, PlayedNight) else None


@contextmanager
def open_workers(
    settings: Sequence[Setting],
    processes: int | None = None,
    executor: Executor | None = None,
    cluster: str | None = None,
    *,
    meanwhile: Callable[[], None] = lambda: None,
) -> Iterator[Workers]:
    """Open what replications are run by: one process, several, an executor, or a cluster.

    Args:
        settings: of the replications.
        processes: how many processes; 1 is this one, None as many as the machine has processors.
        executor: anything with the interface of ``concurrent.futures.Executor``; it is not closed here.
        cluster: the address of the scheduler of a cluster of Dask's distributed engine.
        meanwhile: what this process has to do in any case before the end, such as loading what the conclusions need:
            done while other processes start, or at once where this one starts none.

    Raises:
        InputError: when more than one is given, a number is out of range, or a cluster cannot be reached; or a retry
            policy of the user's own cannot go to another process.
    """
    may_be(WHOLE, processes=processes)
    may_be(TEXT, cluster=cluster)
    if sum(given is not None for given in (processes, executor, cluster)) > 1:
        raise InputError("processes, an executor and a cluster are given: choose one")
    if processes is not None and not 1 <= processes <= 1_024:
        raise InputError(f"{processes} processes are out of range: give a number from 1 to 1024")
    many = processes or os.cpu_count() or 1
    own = executor is None and cluster is None and many > 1
    if own and not any(setting.policies for setting in settings):
        with Growing(many, meanwhile) as growing:
            yield growing
        return
    meanwhile()
    if executor is not None:
        if not callable(getattr(executor, "submit", None)) or isinstance(executor, type):
            raise InputError(
                f"executor={executor!r} is no executor: give an object with the interface of "
                "concurrent.futures.Executor, or a number of `processes`"
            )
        at_once = getattr(executor, "_max_workers", None)
        yield Pool(executor, at_once if isinstance(at_once, int) else os.cpu_count() or 1)
    elif cluster is not None:
        with _dask(cluster) as pool:
            yield pool
    elif own:
        with _own_processes(many, packed_policies(settings)) as pool:
            yield pool
    else:
        yield Serial()


@contextmanager
def _own_processes(many: int, policies: Mapping[str, bytes], helping: float = 0.0) -> Iterator[Pool]:
    others = set(multiprocessing.active_children())
    make = partial(own_processes, many, script=needs_script(policies.values()))
    pool = Pool(make(), many, make, helping=helping)
    try:
        check_found(pool.executor, policies)
        yield pool
    except BaseException:
        pool.executor.shutdown(wait=False, cancel_futures=True)
        for child in set(multiprocessing.active_children()) - others:
            child.kill()
        raise
    pool.executor.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _dask(address: str) -> Iterator[Pool]:
    try:
        distributed: Any = import_module("distributed")  # an extra, and untyped
    except ImportError:
        raise InputError(
            "a cluster needs Dask's distributed engine: python -m pip install '.[dask]' in the folder of queuedrill"
        ) from None
    try:
        client = distributed.Client(address, timeout="10s")
    except (OSError, TimeoutError, ValueError) as error:
        raise InputError(f"the cluster at {address} cannot be reached: {error}") from None
    try:
        many = max(1, sum(client.nthreads().values()))
        # the scheduler runs a task of a worker that died again by itself, and gives up after its own number of tries
        yield Pool(
            client.get_executor(pure=False), many, is_death=lambda error: isinstance(error, distributed.KilledWorker)
        )
    finally:
        client.close()
