"""Cuts a script off at every step, runs it again elsewhere, and compares what is left with an undisturbed run.

For n calls there are 2n + 1 points: before each call (all earlier ones answered, the script quiet), after its effect
and before its answer, at the end before the outcome is handed in. At each the machine **dies** (its processes are gone
at once) or **sleeps** and wakes after the job has been run elsewhere. Each try is a night of its own in virtual time:
two workers, a lease that is not renewed, one job.
"""

import asyncio
import hashlib
import os
import re
import shutil
import stat
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final, Literal

from emulator.errors import InputError
from emulator.scenario.spelling import advise
from emulator.scripts.load import LoadedScripts, Scripts
from emulator.scripts.running import Landed, Made, Nobody, Stage, Tried, Watcher
from emulator.scripts.stand_ins import without
from emulator.scripts.starter import Starter
from emulator.testing.emulation import Emulator
from emulator.testing.running import run_in_virtual_time

__all__ = ["Found", "Judgement", "Plain", "Point", "When", "point_named", "points_of", "rerun"]

When = Literal["dies", "wakes", "refused"]

_LEASE: Final = "12h"
_ATTEMPTS: Final = 6


@dataclass(frozen=True, slots=True)
class Point:
    """Where a script is cut off.

    Attributes:
        call: the number of the call, from 1; 0 at the end.
        where: ``before`` the call, ``after`` its effect and before its answer, or at the ``end``.

    >>> str(Point(2, "after")), str(Point(0, "end"))
    ('2-after', 'end')
    """

    call: int
    where: Literal["before", "after", "end"]

    def __str__(self) -> str:
        return self.where if self.where == "end" else f"{self.call}-{self.where}"


def point_named(text: str) -> Point:
    """Read a point as ``Point`` writes it.

    Raises:
        InputError: when it is none.

    >>> point_named("5-after")
    Point(call=5, where='after')
    """
    found = re.fullmatch(r"([1-9]\d{0,5})-(before|after)|end", text, re.ASCII)
    if found is None:
        raise InputError(f"there is no point {text!r}: write 2-before, 2-after or end")
    return Point(0, "end") if found[1] is None else Point(int(found[1]), "before" if found[2] == "before" else "after")


def points_of(calls: int) -> list[Point]:
    """Give the points of a script with so many calls, in order: 2n + 1 of them."""
    found = [Point(number, where) for number in range(1, calls + 1) for where in ("before", "after")]
    return [*found, Point(0, "end")]


@dataclass(frozen=True, slots=True)
class Plain:
    """What is left when a job is over, as plain data that can be compared.

    Attributes:
        effects: how often each (effect, target) has landed.
        there: the pairs that are there at the end: landed, and not undone since.
        repeatable: of each pair whether twice is harmless.
        files: what the files of the folder hold, by path: kind, digest of the content or target of the link, and
            whether it is executable.
        exits: the exit code of each attempt; None for one that was cut off.
        calls: what the first attempt called.
        landed: the effects in the order in which they landed.
        tried: the attempts.
        done: whether the job is done.
        refused: calls that a system refused.
    """

    effects: Mapping[tuple[str, str], int]
    there: frozenset[tuple[str, str]]
    repeatable: Mapping[tuple[str, str], bool]
    files: Mapping[str, tuple[str, str, bool]]
    exits: tuple[int | None, ...]
    calls: tuple[Made, ...]
    landed: tuple[Landed, ...]
    tried: tuple[Tried, ...]
    done: bool
    refused: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """What came of cutting off at one point.

    Attributes:
        point: where.
        when: what happened there: ``dies``, ``wakes`` or ``refused``.
        call: the call at that point, for people; "" at the end.
        line: the line of the script that it stands in, as far as it is known, such as ``copy.sh:2``.
        repeated: not repeatable and landed where they were already: (effect, target, by whom).
        missing: effects that are not there at the end, and are undisturbed.
        extra: effects that are there at the end, and are not undisturbed.
        files: paths whose content differs from the undisturbed run's.
        attempts: how many more attempts it took until the job was done.
        done: whether it was done at all.
        exit: the exit code of the last attempt that ended.
    """

    point: Point
    when: When
    call: str
    line: str
    repeated: tuple[tuple[str, str, str], ...]
    missing: tuple[tuple[str, str], ...]
    extra: tuple[tuple[str, str], ...]
    files: tuple[str, ...]
    attempts: int
    done: bool
    exit: int | None

    @property
    def is_safe(self) -> bool:
        """Whether nothing is repeated, missing, left over or different, and the job is done."""
        return self.done and not (self.repeated or self.missing or self.extra or self.files)


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether a script may be run again.

    Attributes:
        name: the script.
        undisturbed: what it does when nothing happens.
        differs: what differs between two undisturbed runs; it is not compared.
        found: what came of each point.
        wrong: why the script cannot be judged; "" if it can.
    """

    name: str
    undisturbed: Plain
    differs: tuple[str, ...]
    found: tuple[Found, ...]
    wrong: str = ""

    def of(self, when: When) -> list[Found]:
        """What came of one kind of loss, point by point."""
        return [it for it in self.found if it.when == when]

    @property
    def is_safe(self) -> bool:
        """Whether it is safe at every point that was tried."""
        return not self.wrong and all(it.is_safe for it in self.found)


class _Cut(Watcher):
    """Cuts the first attempt off at one point."""

    def __init__(self, point: Point, when: When) -> None:
        self.point, self.when = point, when
        self.stage: Stage | None = None
        self.emulator: Emulator | None = None
        self.is_cut = False
        self.call: Made | None = None
        self.asleep: Any = None

    def holds_back(self, tried: Tried, made: Made) -> bool:
        return tried.attempt == 1 and self.point.where == "before" and made.number == self.point.call

    async def before(self, tried: Tried, made: Made) -> None:
        if self.when != "refused" and self._is_here(tried, "before", made.number):
            await self._cut(tried, made)

    async def after(self, tried: Tried, made: Made) -> None:
        if self._is_here(tried, "after", made.number):
            await self._cut(tried, made)

    async def at_end(self, tried: Tried) -> None:
        if self._is_here(tried, "end", 0):
            await self._cut(tried, None)

    def refuses(self, tried: Tried, made: Made) -> bool:
        if self.when != "refused" or not self._is_here(tried, "before", made.number):
            return False
        self.is_cut, self.call = True, made
        return True

    def _is_here(self, tried: Tried, where: str, call: int) -> bool:
        return tried.attempt == 1 and not self.is_cut and (self.point.where, self.point.call) == (where, call)

    async def _cut(self, tried: Tried, made: Made | None) -> None:
        assert self.emulator is not None and self.stage is not None
        self.is_cut, self.call = True, made
        if self.when == "dies":
            self.stage.kill_on(tried.worker)
            self.emulator.power_off(tried.worker)
        else:
            self.stage.freeze_on(tried.worker)
            self.asleep = self.emulator.freeze(tried.worker)
        await asyncio.sleep(0)  # dead, or parked until it wakes
        if self.when == "wakes":
            self.stage.thaw_on(tried.worker)


def _settings(scripts: Scripts, name: str, parameters: Mapping[str, Any]) -> dict[str, Any]:
    kinds = {key: "list" if isinstance(value, list) else "text" for key, value in parameters.items()}
    return {
        "title": f"{name}, run again",
        "lasts": "300d",
        "queues": {"night": {"lease": _LEASE, "renewed": False, "retry": {"attempts_in_all": _ATTEMPTS}}},
        "pools": {"machine": {"count": 2, "serves": ["night"], "poll": "0s", "heartbeat": "200d"}},
        "systems": {
            key: it.model_dump(mode="json", by_alias=True, exclude_unset=True) for key, it in scripts.systems.items()
        },
        "routines": {name: {"parameters": kinds}} if kinds else {},
    }


@dataclass(frozen=True, slots=True)
class _Tries:
    """What every try of one judgement shares."""

    loaded: LoadedScripts
    name: str
    parameters: Mapping[str, Any]
    starter: Starter
    keep: Path | None

    def play(self, watcher: Watcher, called: str) -> Plain:
        """Play one night with one job, and give what is left of it.

        Raises:
            InputError: when the file has no answer for a call.
        """

        async def night() -> Plain:
            stage = Stage(self.loaded.scripts, self.loaded.folder, self.starter, watcher)
            settings = _settings(self.loaded.scripts, self.name, self.parameters)
            try:
                async with Emulator(settings, handlers={self.name: stage.handler(self.name)}) as emu:
                    if isinstance(watcher, _Cut):
                        watcher.stage, watcher.emulator = stage, emu
                    ending = await emu.submit(self.name, **self.parameters)
                    if isinstance(watcher, _Cut) and watcher.asleep is not None:
                        watcher.asleep.end()  # it wakes after its job has been done elsewhere
                        await emu.settle()
                    if stage.mistakes:
                        raise InputError("\n".join(dict.fromkeys(stage.mistakes)))
                    if self.keep is not None:
                        _keep(stage, self.keep / called.replace(" ", "-"))
                    return _plain(stage, ending.state == "done")
            finally:
                stage.close()

        return run_in_virtual_time(night)


def _keep(stage: Stage, folder: Path) -> None:
    for it in stage.tried:
        place = folder / f"attempt-{it.attempt}-{it.worker}"
        shutil.copytree(it.folder, place / "files", symlinks=True)
        (place / "output").write_bytes(it.output)
        (place / "error").write_bytes(it.error)
        (place / "calls").write_text("".join(f"{made}: {made.answer}\n" for made in it.calls), "utf-8")


def _plain(stage: Stage, done: bool) -> Plain:
    pairs = [(it.effect, it.target) for it in stage.landed]
    last = max(stage.tried, key=lambda it: it.attempt)
    return Plain(
        dict(Counter(pairs)),
        frozenset(pair for pair in pairs if stage.is_there(*pair)),
        {(it.effect, it.target): it.repeatable for it in stage.landed},
        _files(last.folder),
        tuple(it.exit for it in stage.tried),
        tuple(stage.tried[0].calls),
        tuple(stage.landed),
        tuple(stage.tried),
        done,
        tuple(stage.refused),
    )


def _files(folder: Path) -> dict[str, tuple[str, str, bool]]:
    """Read what is in a folder: times and owners are not compared."""
    found: dict[str, tuple[str, str, bool]] = {}
    for path in sorted(folder.rglob("*")):
        about = path.lstat()
        executable = bool(about.st_mode & 0o100)
        name = os.fsdecode(path.relative_to(folder))
        if stat.S_ISLNK(about.st_mode):
            found[name] = ("link", os.fsdecode(os.readlink(path)), False)
        elif stat.S_ISDIR(about.st_mode):
            found[name] = ("folder", "", executable)
        elif stat.S_ISREG(about.st_mode):
            with path.open("rb") as file:
                found[name] = ("file", hashlib.file_digest(file, "sha256").hexdigest(), executable)
        else:
            found[name] = ("other", "", False)
    return found


_CALLS: Final = "its calls"
_EFFECTS: Final = "its effects"


def _file_named(path: str) -> str:
    return f"the file {path}"


def _different(one: Plain, other: Plain) -> Iterator[str]:
    """Name what differs between two undisturbed runs."""
    if [it.argv for it in one.calls] != [it.argv for it in other.calls]:
        yield _CALLS
    if one.effects != other.effects:
        yield _EFFECTS
    if one.exits != other.exits:
        yield "its exit code"
    for path in sorted(one.files.keys() | other.files.keys()):
        if one.files.get(path) != other.files.get(path):
            yield _file_named(path)


def _compare(point: Point, when: When, cut: _Cut, plain: Plain, base: Plain, ignored: Sequence[str]) -> Found:
    more = Counter((it.effect, it.target) for it in base.landed if it.again)
    repeated: dict[tuple[str, str], str] = {}
    for it in plain.landed:
        pair = (it.effect, it.target)
        if it.again and not it.repeatable:
            more[pair] -= 1
            if more[pair] < 0:  # undisturbed it is not repeated so often
                repeated.setdefault(pair, f"{it.worker}, attempt {it.attempt}")
    differing = [
        path
        for path in sorted(plain.files.keys() | base.files.keys())
        if plain.files.get(path) != base.files.get(path) and _file_named(path) not in ignored
    ]
    later = [it for it in plain.tried if it.attempt > 1]
    ends = [it for it in plain.exits[1:] if it is not None]
    return Found(
        point,
        when,
        "" if cut.call is None else " ".join(cut.call.argv),
        "" if cut.call is None else cut.call.line,
        tuple((*pair, who) for pair, who in repeated.items()),
        tuple(sorted(base.there - plain.there)),
        tuple(sorted(plain.there - base.there)),
        tuple(differing),
        len(later),
        plain.done,
        ends[-1] if ends else None,
    )


def _shown(found: Found, hide: Callable[[str], str]) -> Found:
    """Take secret values out of everything that a report shows of a point."""
    return replace(
        found,
        call=hide(found.call),
        repeated=tuple((effect, hide(target), who) for effect, target, who in found.repeated),
        missing=tuple((effect, hide(target)) for effect, target in found.missing),
        extra=tuple((effect, hide(target)) for effect, target in found.extra),
        files=tuple(map(hide, found.files)),
    )


def rerun(
    loaded: LoadedScripts,
    name: str,
    parameters: Mapping[str, Any],
    *,
    whens: Sequence[When] = ("dies", "wakes"),
    only: Point | None = None,
    keep: Path | None = None,
    starter: Starter | None = None,
) -> Judgement:
    """Run a script undisturbed twice, then cut it off at each point and run it again.

    Args:
        loaded: the file of scripts (``load_scripts``).
        name: which of its scripts.
        parameters: the values for {names} in its arguments.
        whens: what happens at each point.
        only: one point alone.
        keep: a new folder to which what each attempt left is copied.
        starter: what starts processes; by default one is made and closed.

    Raises:
        InputError: when there is no such script or point, or a stand-in has no answer for a call.
    """
    if name not in loaded.scripts.scripts:
        raise InputError(f"there is no script {name!r}: {advise(name, tuple(loaded.scripts.scripts))}")
    _check_parameters(loaded.scripts, name, parameters)
    if starter is None:
        with Starter() as own:
            return rerun(loaded, name, parameters, whens=whens, only=only, keep=keep, starter=own)
    tries = _Tries(loaded, name, parameters, starter, keep)
    base = tries.play(Nobody, "undisturbed")
    again = tries.play(Nobody, "undisturbed again")
    differs = tuple(_different(base, again))
    wrong = _why_it_cannot_be_judged(base, differs)
    points = points_of(len(base.calls))
    if only is not None and only not in points and not wrong:
        last = f"1-before to {len(base.calls)}-after and end" if base.calls else "end alone"
        raise InputError(f"there is no point {only}: {name} makes {len(base.calls)} calls, so there is {last}")
    found: list[Found] = []
    for point in points if not wrong else ():
        for when in whens if only in (None, point) else ():
            if when != "refused" or point.where == "before":
                cut = _Cut(point, when)
                one = _compare(point, when, cut, tries.play(cut, f"{point} {when}"), base, differs)
                found.append(_shown(one, partial(without, loaded.scripts, parameters)))
    return Judgement(name, base, differs, tuple(found), wrong)


def _check_parameters(scripts: Scripts, name: str, parameters: Mapping[str, Any]) -> None:
    script = scripts.scripts[name]
    texts = [*script.argv, *script.environment.values()]
    wanted = dict.fromkeys(it for text in texts for it in re.findall(r"\{([^{}]+)\}", text))
    missing = [it for it in wanted if it not in parameters and it not in ("key", "job", "attempt")]
    if missing:
        raise InputError(f"{name}: {{{missing[0]}}} has no value: give --parameter {missing[0]}=VALUE")
    answers = str(scripts.model_dump(include={"commands", "http"}))
    for it in parameters:
        if it not in wanted and f"{{{it}}}" not in answers:
            used = tuple(wanted) or ("no parameter",)
            raise InputError(f"{name} uses no parameter {it!r}: it uses {', '.join(used)}")


def _why_it_cannot_be_judged(base: Plain, differs: Sequence[str]) -> str:
    if still := next((it.stands_still for it in base.tried if it.stands_still), ""):
        return f"undisturbed, the script stands still: {still}"
    if not base.done:
        return f"undisturbed, the script never succeeds: its attempts end with {', '.join(map(str, base.exits))}"
    if len(base.exits) > 1:
        exits = ", ".join(map(str, base.exits))
        return f"undisturbed, the script needs {len(base.exits)} attempts: they end with {exits}"
    if base.refused:
        return f"undisturbed, a system refuses a call: {base.refused[0]}"
    if _CALLS in differs or _EFFECTS in differs:
        return "two undisturbed runs differ in what they call or do: nothing can be compared"
    return ""
