"""Plays scripts as the work of jobs: real processes whose calls are calls of emulated systems, in virtual time.

One ``Stage`` holds what all attempts of one emulation share: what has landed, folders that are kept, the processes.
Between two quiet moments of a script no virtual time passes; it passes while its calls are served. What a call changes
is decided in the instant in which it is answered, so that two callers never both find a target free.

What starts or stops processes runs outside the worker's own context: a power off takes the script's processes away by
itself, and must not close what the emulator needs to do so.
"""

import asyncio
import json
import os
import shutil
import signal
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from contextvars import Context
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeVar

from emulator.errors import CallError, InputError, StaleTokenError, TransientError
from emulator.scripts.load import BASICS, VIRTUAL, Asked, Change, HttpAnswer, Said, Script, Scripts
from emulator.scripts.processes import Call, Process, ScriptStandsStillError, unknown_commands
from emulator.scripts.stand_ins import (
    Request,
    UnusualError,
    Written,
    date_text,
    fill,
    filled,
    in_text,
    limit,
    matched,
    matched_request,
    problem,
    sleep_ticks,
    trace_lines,
    without,
)
from emulator.scripts.starter import Paths, Starter
from emulator.testing.work import Work
from emulator.timeline.ticks import SECOND

__all__ = ["Landed", "Made", "Nobody", "Stage", "Tried"]

_T = TypeVar("_T")

_STATUS: Final = {"refused": 429, "no_access": 403, "in_progress": 409, "abandoned": 504}
_NO_ANSWER_FITS: Final = 64  # EX_USAGE of sysexits.h: the command was used incorrectly
_OTHER_EXIT: Final = 125  # what a stand-in of the program ends with when it is used in a way that it does not know


@dataclass(frozen=True, slots=True)
class Landed:
    """One effect that has landed.

    Attributes:
        effect: what it is.
        target: what it is on.
        repeatable: whether twice is harmless.
        undoes: the effect that it takes away from the target; "" for none.
        worker: whose script called.
        attempt: the attempt of the job.
        call: the number of the call in that attempt, from 1.
        said: the call and its line, for people.
        again: whether it was there already: landed before, and not undone since.
    """

    effect: str
    target: str
    repeatable: bool
    undoes: str
    worker: str
    attempt: int
    call: int
    said: str
    again: bool


@dataclass(slots=True)
class Made:
    """One call that an attempt has made, for reports: its words, its line, and how it was answered."""

    number: int
    argv: tuple[str, ...]
    line: str
    answer: str = "no answer"
    takes_effect: bool = False

    def __str__(self) -> str:
        return (f"{self.line} " if self.line else "") + " ".join(self.argv)


@dataclass(slots=True)
class Tried:
    """One attempt of a script as it went.

    Attributes:
        attempt: its number.
        worker: where it ran.
        calls: what it called, in order.
        exit: its exit code; None while it runs, or when it was cut off.
        output: what it printed on standard output; error: on standard error.
        folder: where it ran.
        notes: what is worth telling: processes left behind, commands not found, waiting by a timer of its own.
        stands_still: why it was ended: it neither called nor ended within its limit of real time; "" if it did.
    """

    attempt: int
    worker: str
    folder: Path
    calls: list[Made] = field(default_factory=list)
    exit: int | None = None
    output: bytes = b""
    error: bytes = b""
    notes: list[str] = field(default_factory=list)
    stands_still: str = ""


class Watcher:
    """What is told of each step of an attempt, and may cut it off there; this one lets all pass."""

    async def before(self, tried: Tried, made: Made) -> None:
        """A call is about to be served."""

    async def after(self, tried: Tried, made: Made) -> None:
        """A call has had its effect, and has not been answered."""

    async def at_end(self, tried: Tried) -> None:
        """The script has ended, and its outcome has not been handed in."""

    def holds_back(self, tried: Tried, made: Made) -> bool:
        """Whether a call waits until all calls before it have been answered."""
        return False

    def refuses(self, tried: Tried, made: Made) -> bool:
        """Whether a call is refused, as its system would refuse it."""
        return False


Nobody: Final = Watcher()


class Stage:
    """What all scripts of one emulation share.

    Args:
        scripts: the file of scripts.
        folder: the folder of that file, in which its ``files`` are.
        starter: what starts processes.
        watcher: what is told of each step.
    """

    def __init__(self, scripts: Scripts, folder: Path, starter: Starter, watcher: Watcher = Nobody) -> None:
        self.scripts = scripts
        self.landed: list[Landed] = []
        self.tried: list[Tried] = []
        self.mistakes: list[str] = []  # calls for which there is no answer: mistakes of the file, not of the script
        self.refused: list[str] = []
        self.keys: dict[tuple[str, int, str], Written | None] = {}  # None: the first request is under way
        self.watcher = watcher
        self._beside = folder
        self._starter = starter
        self._context = Context()
        self._running: dict[tuple[str, int], Process] = {}
        self._room = Path(self.apart(_new_folder, starter.folder))
        self._counted: Counter[str] = Counter()
        virtual = [name for name in VIRTUAL if name not in scripts.real]
        programs = [script.argv[0] for script in scripts.scripts.values() if "/" not in script.argv[0]]
        self._basics = [
            *dict.fromkeys([*(BASICS if scripts.basics is None else scripts.basics), *scripts.real, *programs])
        ]
        self._stand_ins = [*scripts.commands, *virtual]
        self.paths = Paths(self._room / "bin", starter.first_line, self._stand_ins, self._basics)
        self.lacks: Callable[[str], frozenset[str]] = lambda worker: (
            frozenset()
        )  # stand-ins that a worker does not have
        for name in self.paths.missing:
            if scripts.basics is not None and name in scripts.basics:
                raise InputError(f"basics: {name} is not on this machine: install it, or leave it out")

    def apart(self, work: Callable[..., _T], *arguments: object) -> _T:
        """Do what starts or stops processes, outside the context of any worker."""
        return self._context.run(work, *arguments)

    def handler(self, name: str) -> Callable[[Work], Awaitable[None]]:
        """Give the handler that does the work of a routine by running the script of that name."""
        script = self.scripts.scripts[name]

        async def run_script(work: Work) -> None:
            await self._run(script, work)

        return run_script

    def is_there(self, effect: str, target: str) -> bool:
        """Say whether an effect is on a target now: it has landed, and nothing that undoes it has since."""
        for it in reversed(self.landed):
            if it.target == target and effect in (it.effect, it.undoes):
                return it.effect == effect
        return False

    def targets_of(self, effect: str) -> list[str]:
        """List the targets that have an effect now, in the order in which it first landed."""
        seen = dict.fromkeys(it.target for it in self.landed if it.effect == effect)
        return [it for it in seen if self.is_there(effect, it)]

    def kill_on(self, worker: str) -> None:
        """Kill what scripts run on a worker, as a power off does."""
        for process in self._on(worker):
            self.apart(process.kill)

    def freeze_on(self, worker: str) -> None:
        """Stop what scripts run on a worker."""
        for process in self._on(worker):
            self.apart(process.freeze)

    def thaw_on(self, worker: str) -> None:
        """Let what scripts run on a worker go on."""
        for process in self._on(worker):
            self.apart(process.thaw)

    def _on(self, worker: str) -> list[Process]:
        return [process for (name, _), process in self._running.items() if name == worker]

    def close(self) -> None:
        """Kill what still runs, and take away what the attempts left in their folders."""
        for process in self._running.values():
            self.apart(process.kill)
        self._running.clear()
        shutil.rmtree(self._room, ignore_errors=True)

    # -- one attempt --------------------------------------------------------------------------------------------------

    async def _run(self, script: Script, work: Work) -> None:
        folder = self.apart(self._folder_for, script, work)
        tried = Tried(work.attempt, work.worker, folder)
        self.tried.append(tried)
        process = self.apart(self._start, script, work, folder)
        self._running[work.worker, work.token] = process
        work.at_power_off(lambda: self.kill_on(work.worker))
        try:
            await _Attempt(self, script, work, process, tried).play()
        except ScriptStandsStillError as error:
            tried.stands_still = str(error)
            raise TransientError(f"the script stands still: {error}") from None
        finally:
            if self._running.pop((work.worker, work.token), None) is not None:
                self.apart(process.kill)
        tried.output, tried.error = process.output, process.error
        tried.notes += [f"{name}: command not found" for name in unknown_commands(process.error)]
        if script.takes:
            await work.spend(script.takes / SECOND)
        await self.watcher.at_end(tried)
        if tried.exit:
            raise TransientError(without(self.scripts, work.parameters, _why_it_failed(tried)))

    def _start(self, script: Script, work: Work, folder: Path) -> Process:
        values = {**work.parameters, "key": work.order.key, "job": work.name, "attempt": work.attempt}
        argv: list[str] = []
        for it in script.argv:
            value = values.get(it[1:-1]) if it.startswith("{") and it.endswith("}") else None
            argv += map(str, value) if isinstance(value, list | tuple) else [fill(it, in_text(values))]
        environment = {name: fill(text, in_text(values)) for name, text in script.environment.items()}
        if script.lines:
            environment |= trace_lines(self._room)
        return Process(
            self._starter,
            argv,
            folder,
            self.path_of(work.worker),
            environment=environment,
            wants_input=self._wants_input,
            real_limit=script.real_limit / SECOND,
            bases=tuple(self.scripts.http),
        )

    def path_of(self, worker: str) -> Path:
        """Give the folder of a worker's PATH: a stand-in for a tool that the worker lacks is not on it."""
        lacking = sorted(self.lacks(worker) & set(self._stand_ins))
        if not lacking:
            return self.paths.folder
        folder = self._room / ("bin-without-" + "-".join(lacking))
        if not folder.exists():
            Paths(folder, self._starter.first_line, [it for it in self._stand_ins if it not in lacking], self._basics)
        return folder

    def _wants_input(self, argv: list[str]) -> bool:
        found = matched(self.scripts.commands.get(argv[0], ()), argv[1:])
        return found is not None and found[1].reads == "stdin"

    def _folder_for(self, script: Script, work: Work) -> Path:
        if script.folder == "new":
            self._counted["folders"] += 1
            folder = self._room / f"attempt-{self._counted['folders']}"
        else:
            folder = self._room / (f"kept-{work.worker}" if script.folder == "kept" else "shared")
        if not folder.exists():
            folder.mkdir()
            for name in script.files:
                there, here = self._beside / name, folder / name
                here.parent.mkdir(parents=True, exist_ok=True)
                if there.is_dir():
                    shutil.copytree(there, here, symlinks=True)
                elif there.is_file():
                    shutil.copy(there, here)
                else:
                    raise InputError(f"files: {name} is not beside the file of scripts")
        return folder


class _Attempt:
    """One attempt of a script: its calls are served side by side in virtual time, and answered one after another."""

    def __init__(self, stage: Stage, script: Script, work: Work, process: Process, tried: Tried) -> None:
        self.stage, self.script, self.work, self.process, self.tried = stage, script, work, process, tried
        self.tasks: dict[asyncio.Task[Callable[[], None]], tuple[Call | Request, Made]] = {}
        self.held: list[tuple[Call | Request, Made]] = []
        self.kinds: Counter[tuple[str, int]] = Counter()

    async def play(self) -> None:
        """Run it to its end."""
        while True:
            stretch = self.stage.apart(self.process.run)
            if stretch.waited and not stretch.left_running:
                _note(self.tried, "it waited in real time, by a timer of its own")
            for call in stretch.gone:
                self._drop(call)
            if stretch.exit is not None:
                self.tried.exit = stretch.exit if stretch.exit >= 0 else 128 - stretch.exit
                if stretch.left_running:
                    _note(self.tried, f"it ended and left {stretch.left_running} running; they were killed")
                return
            moves_on = False
            for call in stretch.calls:
                if isinstance(call, Call) and call.argv[0] not in self.stage.scripts.commands:
                    moves_on |= self._begin_virtual(call)
                    continue
                shown = tuple(without(self.stage.scripts, self.work.parameters, it) for it in call.argv)
                made = Made(len(self.tried.calls) + 1, shown, call.line)
                self.tried.calls.append(made)
                if self.stage.watcher.holds_back(self.tried, made):
                    self.held.append((call, made))
                else:
                    self._serve(call, made)
            if moves_on:  # a command under a limit has begun: it comes before any time passes
                continue
            if not self.tasks and self.held:
                self._serve(*self.held.pop(0))
            if self.tasks:
                await self._answer_next()

    def _serve(self, call: Call | Request, made: Made) -> None:
        task = asyncio.get_running_loop().create_task(self._served(call, made), name=f"call {made}")
        self.tasks[task] = call, made

    async def _answer_next(self) -> None:
        """Wait until a call has been served, and answer it alone: the script moves on before the next answer."""
        await asyncio.wait(self.tasks, return_when=asyncio.FIRST_COMPLETED)
        for task, (call, made) in self.tasks.items():
            if task.done():
                del self.tasks[task]
                answer = task.result()
                if made.number:
                    await self.stage.watcher.after(self.tried, made)
                self.stage.apart(answer)
                if call.code is None and call.is_answered and self.held and not self.tasks:
                    self._serve(*self.held.pop(0))
                return

    def _drop(self, call: Call | Request) -> None:
        """The caller has left: nobody waits for the answer; what the system still does for it, it does."""
        for task, (other, made) in list(self.tasks.items()):
            if other is call:
                made.answer = f"the command ended with {call.code}" if call.code is not None else "its caller had gone"
                del self.tasks[task]
                if call.code is not None:  # a time limit that was not reached
                    task.cancel()

    # -- one call -----------------------------------------------------------------------------------------------------

    async def _served(self, call: Call | Request, made: Made) -> Callable[[], None]:
        await self.stage.watcher.before(self.tried, made)
        if isinstance(call, Request):
            return await self._served_over_http(call, made)
        return await self._served_by_file(call, made)

    def _begin_virtual(self, call: Call) -> bool:
        """Begin a sleep or a limit, or tell the date; say whether the script moves on before any time passes.

        They change nothing, so they are no points at which it is cut off: number 0.
        """
        name, *arguments = call.argv
        made = Made(0, tuple(call.argv), call.line)
        answer = Said()
        try:
            if name == "sleep":
                self._wait(call, made, sleep_ticks(arguments), _ends(call, made, answer))
                return False
            if name == "timeout":
                asked = limit(arguments)
                there = self.stage.path_of(self.work.worker) / asked.command[0]
                self.stage.apart(call.run_limited, asked.number, [str(there), *asked.command[1:]])
                if asked.ticks:
                    self._wait(call, made, asked.ticks, call.end_limit)
                return True
            answer = Said(prints=date_text(arguments, self.work.now()) + "\n")
        except UnusualError as error:
            self.stage.mistakes.append(f"{name}: {error} ({made})")
            answer = Said(prints_error=f"{name}: {error}\n", exit=_OTHER_EXIT)
        self.stage.apart(_ends(call, made, answer))
        return True

    def _wait(self, call: Call, made: Made, ticks: int, then: Callable[[], None]) -> None:
        async def passed() -> Callable[[], None]:
            await asyncio.sleep(ticks / SECOND)
            return then

        self.tasks[asyncio.get_running_loop().create_task(passed(), name=f"{made}")] = call, made

    async def _served_over_http(self, call: Request, made: Made) -> Callable[[], None]:
        found = matched_request(self.stage.scripts.http[call.base], call.argv)
        if found is None:
            self.stage.mistakes.append(f"no `when` of {call.base} fits the request: {made}")
            return _responds(call, made, problem(501, "there is no answer for this request"))
        place, answer, named = found
        values = in_text({**self.work.parameters, "job": self.work.name, "key": self.work.order.key, **named})
        values["input"] = call.input.decode("utf-8", "replace")
        key = call.headers.get(answer.idempotency_header.lower(), "") if answer.idempotency_header else ""
        seen = self.stage.keys
        if key and (call.base, place, key) in seen:
            first = seen[call.base, place, key]
            return _responds(call, made, first or problem(409, "a request with this key is under way"))
        if key:
            seen[call.base, place, key] = None
        target = fill(answer.target or call.argv[1], values)
        written = await self._changed_over_http(answer, target, made, values)
        if key:
            seen[call.base, place, key] = written
        if answer.never_answers:
            await self.stage.watcher.after(self.tried, made)
            await asyncio.Event().wait()
        return _responds(call, made, written, cut_off=answer.cut_off)

    async def _changed_over_http(
        self, answer: HttpAnswer, target: str, made: Made, values: Mapping[str, str]
    ) -> Written:
        refusal = await self._asked(answer, target, made)
        if refusal is not None:
            self.stage.refused.append(f"{made}: {refusal['why']}")
            status = answer.refused.status or _STATUS.get(refusal["why"], 503)
            return problem(status, refusal["why"], refusal["retry_after"])
        asked = answer.answers
        if asked is not None and asked.targets_of is not None:
            targets = json.dumps(self.stage.targets_of(asked.targets_of)).encode()
            return Written(200, (("Content-Type", "application/json"),), targets)
        if asked is not None:
            assert asked.effect is not None and asked.target is not None
            there = self.stage.is_there(asked.effect, fill(asked.target, values))
            return filled(asked.yes if there else asked.no, values)
        if answer.effect is not None and answer.lands == "at_end":
            if answer.if_there is not None and self.stage.is_there(answer.effect, target):
                return filled(answer.if_there, values)
            if not self._land(answer, target, made):
                self.stage.refused.append(f"{made}: a stale token")
                return problem(answer.refused.status or 409, "a stale token")
        return filled(answer.answers_with, values)

    async def _asked(self, answer: Change, target: str, made: Made) -> dict[str, str] | None:
        """Have the system serve a call and let its time pass; give why it was refused, or None."""
        if self.stage.watcher.refuses(self.tried, made):
            return {"why": "refused", "retry_after": ""}
        if answer.effect is not None and answer.lands == "at_request":
            self._land(answer, target, made)
        refusal = await self._called(answer, target)
        if refusal is None and answer.takes:
            await self.work.spend(answer.takes / SECOND)
        return refusal

    async def _served_by_file(self, call: Call, made: Made) -> Callable[[], None]:
        name, *arguments = call.argv
        found = matched(self.stage.scripts.commands[name], arguments)
        if found is None:
            self.stage.mistakes.append(f"no `when` of the command {name} fits the call: {made}")
            missing = Said(prints_error=f"{name}: there is no answer for these arguments\n", exit=_NO_ANSWER_FITS)
            return _ends(call, made, missing)
        place, answer, named = found
        self.kinds[name, place] += 1
        values = in_text({**self.work.parameters, "job": self.work.name, "key": self.work.order.key, **named})
        if call.input is not None:
            values["input"] = os.fsdecode(call.input)
        target = fill(answer.target or " ".join(arguments), values)
        said = answer.on_call.get(str(self.kinds[name, place])) or Said.model_construct(
            prints=answer.prints, prints_error=answer.prints_error, exit=answer.exit, dies_by=answer.dies_by
        )
        refusal = await self._asked(answer, target, made)
        if refusal is not None:
            self.stage.refused.append(f"{made}: {refusal['why']}")
            return _ends(call, made, answer.refused, {**values, **refusal})
        if answer.answers is not None:
            said = self._looked_up(answer.answers, values)
        elif answer.effect is not None and answer.lands == "at_end":
            if answer.if_there is not None and self.stage.is_there(answer.effect, target):
                said = answer.if_there
            elif not self._land(answer, target, made):
                self.stage.refused.append(f"{made}: a stale token")
                return _ends(call, made, answer.refused, {**values, "why": "a stale token", "retry_after": ""})
        if answer.never_answers:
            await self.stage.watcher.after(self.tried, made)
            await asyncio.Event().wait()
        return _ends(call, made, said, values)

    async def _called(self, answer: Change, target: str) -> dict[str, str] | None:
        """Call the system; give why it refused, or None when it served the call."""
        if answer.calls is None:
            return None
        try:
            await self.work.call(answer.calls, target)
        except CallError as error:
            after = "" if error.retry_after is None else f"{error.retry_after:g}"
            return {"why": str(error.outcome), "retry_after": after}
        return None

    def _land(self, answer: Change, target: str, made: Made) -> bool:
        assert answer.effect is not None
        system = "" if answer.calls is None else answer.calls
        try:
            self.work.effect(answer.effect, target, system=system, repeatable=answer.repeatable)
        except StaleTokenError:
            return False
        made.takes_effect = True
        self.stage.landed.append(
            Landed(
                answer.effect,
                target,
                answer.repeatable,
                answer.undoes or "",
                self.work.worker,
                self.work.attempt,
                made.number,
                str(made),
                self.stage.is_there(answer.effect, target),
            )
        )
        return True

    def _looked_up(self, asked: Asked, values: Mapping[str, str]) -> Said:
        if asked.targets_of is not None:
            lines = (fill(asked.line, {**values, "target": it}) for it in self.stage.targets_of(asked.targets_of))
            return Said.model_construct(prints="".join(lines), prints_error="", exit=0, dies_by=None)
        assert asked.effect is not None and asked.target is not None
        return asked.yes if self.stage.is_there(asked.effect, fill(asked.target, values)) else asked.no


def _ends(call: Call, made: Made, said: Said, values: Mapping[str, str] | None = None) -> Callable[[], None]:
    """Prepare the answer that a stand-in is given."""

    def answer() -> None:
        made.answer = f"exit {said.exit}"
        prints, error = (os.fsencode(fill(it, values or {})) for it in (said.prints, said.prints_error))
        if said.dies_by is not None:
            made.answer = f"died by SIG{said.dies_by}"
            call.die(signal.Signals[f"SIG{said.dies_by}"], prints, error)
        else:
            call.answer(said.exit, prints, error)

    return answer


def _responds(call: Request, made: Made, written: Written, *, cut_off: bool = False) -> Callable[[], None]:
    """Prepare the answer to a request."""

    def answer() -> None:
        made.answer = f"status {written.status}" + (", cut off" if cut_off else "")
        call.respond(written, cut_off=cut_off)

    return answer


def _why_it_failed(tried: Tried) -> str:
    if tried.exit is not None and tried.exit > 128:
        try:
            return f"the script was ended by the signal {signal.Signals(tried.exit - 128).name}"
        except ValueError:
            pass
    last = tried.error.decode("utf-8", "replace").strip().rpartition("\n")[2][:200]
    return f"the script ended with {tried.exit}" + (f": {last}" if last else "")


def _note(tried: Tried, text: str) -> None:
    if text not in tried.notes:
        tried.notes.append(text)


def _new_folder(parent: Path) -> str:
    import tempfile

    return tempfile.mkdtemp(dir=parent)
