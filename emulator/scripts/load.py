"""A file of scripts: what it may say, and how it is read, with all its mistakes at once, each at its line and column.

The keys of effects (``effect``, ``target``, ``repeatable``, ``lands``) mean what they mean in the parts of a scenario.
"""

import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, Field, ValidationError, WithJsonSchema

from emulator.errors import Problem, ScenarioError
from emulator.scenario import text
from emulator.scenario.clock import Clock
from emulator.scenario.messages import Found, Node, found_by_validation, path_in
from emulator.scenario.models.faults import System
from emulator.scenario.spelling import advise
from emulator.scenario.values import Duration, Mistake, Model, Name, NewName, PositiveDuration, Template
from emulator.timeline.ticks import SECOND

__all__ = [
    "BASICS",
    "VIRTUAL",
    "Answer",
    "Asked",
    "Change",
    "HttpAnswer",
    "LoadedScripts",
    "Response",
    "Said",
    "Script",
    "Scripts",
    "load_scripts",
    "schema_text",
    "shape_of_scripts",
]


VIRTUAL: Final = ("sleep", "timeout", "date")
"""Commands that take virtual time, or tell it, unless the file asks for the real ones."""

BASICS: Final = [
    "basename",
    "bash",
    "cat",
    "cp",
    "cut",
    "dirname",
    "env",
    "expr",
    "grep",
    "head",
    "ls",
    "mkdir",
    "mktemp",
    "mv",
    "printf",
    "rm",
    "rmdir",
    "sed",
    "seq",
    "sh",
    "sort",
    "tail",
    "tee",
    "test",
    "touch",
    "tr",
    "true",
    "false",
    "uniq",
    "wc",
]
"""What a script may use beside its stand-ins when the file does not say."""

_MINUTE: Final = 60 * SECOND


def _text(value: str) -> str:
    if "\0" in value or len(value) > 100_000:
        raise ValueError("a text of at most 100,000 characters without a zero byte is wanted")
    return value


Text = Annotated[str, AfterValidator(_text), WithJsonSchema({"type": "string", "maxLength": 100_000})]


def _folder_name(value: str) -> str:
    if not value or value.startswith("/") or ".." in value.split("/") or "\0" in value:
        raise ValueError("a file below the folder of this file is wanted, such as copy.sh or lib/names.sh")
    return value


FileName = Annotated[str, AfterValidator(_folder_name), WithJsonSchema({"type": "string", "minLength": 1})]

ExitCode = Annotated[int, Field(ge=0, le=255)]


class Said(Model):
    """What a stand-in prints, and how it ends."""

    prints: Text = Field(default="", description="What it prints on standard output; {names} are filled in.")
    prints_error: Text = Field(default="", description="What it prints on standard error; {names} are filled in.")
    exit: ExitCode = Field(default=0, description="Its exit code.")
    dies_by: Literal["KILL", "TERM", "SEGV", "PIPE", "INT", "ABRT"] | None = Field(
        default=None, description="The signal by which it dies after what it prints, in place of an exit code."
    )


class Refused(Said):
    """What a stand-in says when the system refuses the call, fails, or does not answer."""

    exit: ExitCode = Field(default=1, description="Its exit code.")


class Asked(Model):
    """What a stand-in looks up: whether an effect is there, or all targets that have it."""

    effect: NewName | None = Field(default=None, description="The effect that is looked for on `target`.")
    target: Template | None = Field(default=None, description="The target on which `effect` is looked for.")
    yes: Said = Field(default=Said(), description="What it says when the effect is there.")
    no: Said = Field(default=Said(exit=1), description="What it says when it is not; by default it exits with 1.")
    targets_of: NewName | None = Field(default=None, description="The effect whose targets are listed.")
    line: Text = Field(default="{target}\n", description="What is printed for each of them; {target} is filled in.")

    def mistakes(self) -> Iterator[Mistake]:
        if (self.effect is None) == (self.targets_of is None):
            yield (), "`answers` asks for one thing: give `effect` and `target`, or `targets_of`"
        elif self.effect is not None and self.target is None:
            yield ("effect",), "say on which `target` the effect is looked for"
        elif self.targets_of is not None:
            for name in ("target", "yes", "no"):
                if self.stated(name):
                    yield (name,), f"`{name}` belongs to `effect`, not to `targets_of`"


class Change(Model):
    """What a call changes, and what it takes: the same for commands and over HTTP."""

    calls: Name | None = Field(default=None, description="The system that it calls: limits, outages, access apply.")
    takes: Duration = Field(default=0, description="Virtual time that it takes, beside what the system takes.")
    effect: NewName | None = Field(default=None, description="The effect that it has when it succeeds.")
    target: Template | None = Field(default=None, description="What the effect is on. Default: all its arguments.")
    repeatable: bool = Field(default=True, description="false: not safe to repeat.")
    lands: Literal["at_request", "at_end"] = Field(
        default="at_end", description="When the effect lands: as the call is made, or just before it is answered."
    )
    undoes: NewName | None = Field(default=None, description="The effect on the same target that it takes away.")
    never_answers: bool = Field(default=False, description="true: it has its effect, and its caller waits for ever.")

    def mistakes(self) -> Iterator[Mistake]:
        if self.effect is None:
            for name in ("target", "repeatable", "lands", "undoes", "if_there"):
                if self.stated(name):
                    yield (name,), f"`{name}` is about an effect: say which with `effect`"
        if getattr(self, "answers", None) is not None:
            for name in ("effect", "prints", "exit", "answers_with"):
                if name in type(self).model_fields and self.stated(name):
                    yield (name,), f"a call that `answers` changes nothing and says what it found: leave out `{name}`"
        if self.calls is None and self.stated("refused"):
            yield ("refused",), "only a call of a system is refused: say which it `calls`"
        if getattr(self, "if_there", None) is not None and self.lands == "at_request":
            yield ("lands",), "put if absent is decided as the call is answered: leave out `lands`"


class Answer(Change):
    """What a command does for calls with certain arguments. The first that fits is taken."""

    when: tuple[Template, ...] = Field(
        strict=False,
        description="The arguments that it is for: texts, {name} for any argument, {name...} for all that are left.",
    )
    if_there: Said | None = Field(
        default=None, description="Put if absent: what it says, changing nothing, when the effect is there already."
    )
    answers: Asked | None = Field(default=None, description="It looks something up and changes nothing.")
    reads: Literal["stdin"] | None = Field(
        default=None, description="stdin: it reads its standard input to the end first ({input} is filled in)."
    )
    prints: Text = Field(default="", description="What it prints on standard output; {names} are filled in.")
    prints_error: Text = Field(default="", description="What it prints on standard error; {names} are filled in.")
    exit: ExitCode = Field(default=0, description="Its exit code.")
    dies_by: Literal["KILL", "TERM", "SEGV", "PIPE", "INT", "ABRT"] | None = Field(
        default=None, description="The signal by which it dies after what it prints, in place of an exit code."
    )
    refused: Refused = Field(
        default=Refused(),
        description="What it says when the system refuses, fails or does not answer; {why} and {retry_after} are "
        "filled in. By default it exits with 1.",
    )
    on_call: dict[str, Said] = Field(
        default={},
        description="Another answer for the n-th call of this kind in an attempt, by its number; same effect.",
    )

    def mistakes(self) -> Iterator[Mistake]:
        yield from super().mistakes()
        for number in self.on_call:
            if not number.isdecimal() or not 1 <= int(number) <= 1_000_000:
                yield ("on_call", number), f"found {number!r}: the number of a call, from 1, is wanted"


Status = Annotated[int, Field(ge=200, le=599)]


class Response(Model):
    """What is answered over HTTP."""

    status: Status = Field(default=200, description="The status code.")
    json_body: Any = Field(default=None, alias="json", description="The body as JSON; {names} are filled in in texts.")
    text: Text | None = Field(default=None, description="The body as text; {names} are filled in.")
    headers: dict[str, Text] = Field(default={}, description="More headers; {names} are filled in.")

    def mistakes(self) -> Iterator[Mistake]:
        if self.json_body is not None and self.text is not None:
            yield ("text",), "a body is JSON or text: leave out `json` or `text`"


class AskedOverHttp(Model):
    """What a request looks up: whether an effect is there, or all targets that have it."""

    effect: NewName | None = Field(default=None, description="The effect that is looked for on `target`.")
    target: Template | None = Field(default=None, description="The target on which `effect` is looked for.")
    yes: Response = Field(default=Response(), description="What is answered when the effect is there; by default 200.")
    no: Response = Field(default=Response(status=404), description="What is answered when it is not; by default 404.")
    targets_of: NewName | None = Field(
        default=None, description="The effect whose targets are listed, as a JSON list of texts."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if (self.effect is None) == (self.targets_of is None):
            yield (), "`answers` asks for one thing: give `effect` and `target`, or `targets_of`"
        elif self.effect is not None and self.target is None:
            yield ("effect",), "say on which `target` the effect is looked for"


class RefusedOverHttp(Model):
    """What is answered when the system refuses a request; the rest follows the standards."""

    status: Status | None = Field(
        default=None,
        description="The status code. Default: 429 when refused (RFC 6585), 403 without access, 503 else (RFC 9110).",
    )


def _request(value: str) -> str:
    if not re.fullmatch(r"[A-Z]{3,10} /\S*", value):
        raise ValueError("write a method and a path, such as PUT /plates/{plate}")
    return value


class HttpAnswer(Change):
    """What is answered to requests of one method and path. The first that fits is taken."""

    when: Annotated[Template, AfterValidator(_request)] = Field(
        description="The method and path that it is for: PUT /plates/{plate}; {name} stands for one piece of the path."
    )
    answers_with: Response = Field(default=Response(), description="What is answered; by default 200 and no body.")
    if_there: Response | None = Field(
        default=None, description="Put if absent: what is answered, changing nothing, when the effect is there already."
    )
    answers: AskedOverHttp | None = Field(default=None, description="It looks something up and changes nothing.")
    refused: RefusedOverHttp = Field(
        default=RefusedOverHttp(), description="What is answered when the system refuses, fails or does not answer."
    )
    idempotency_header: str | None = Field(
        default=None,
        description="The header with an idempotency key: a request with a key seen before gets the first answer.",
    )
    cut_off: bool = Field(
        default=False, description="true: the connection is closed in the middle of the answer, after its effect."
    )


class Script(Model):
    """One script: what is run, where, and with what."""

    argv: tuple[Template, ...] = Field(
        strict=False, min_length=1, description="The program and its arguments; {parameters} of the job are filled in."
    )
    folder: Literal["new", "kept", "shared"] = Field(
        default="new",
        description="new: each attempt runs in a fresh copy of `files`; kept: in one that this worker keeps; "
        "shared: in one that all workers see.",
    )
    files: tuple[FileName, ...] = Field(
        default=(), strict=False, description="Files and folders beside this file that are copied into the folder."
    )
    environment: dict[NewName, Template] = Field(
        default={}, description="Variables of its environment, beside PATH, HOME (the folder), LANG and TZ."
    )
    real_limit: PositiveDuration = Field(
        default=_MINUTE, description="Real time without a call or an end, after which it is ended: it stands still."
    )
    takes: Duration = Field(default=0, description="Virtual time that its own computing takes, at its end.")
    lines: bool = Field(default=True, description="Whether lines are traced, to name the line of each call.")


class Scripts(Model):
    """A file of scripts."""

    scripts: dict[NewName, Script] = Field(min_length=1, description="The scripts by name.")
    commands: dict[str, Annotated[tuple[Answer, ...], Field(strict=False)]] = Field(
        default={}, description="Stand-ins for commands, by name; they come first on the PATH."
    )
    http: dict[NewName, Annotated[tuple[HttpAnswer, ...], Field(strict=False)]] = Field(
        default={},
        description="Stand-ins over HTTP, by the variable of the environment that holds the base address.",
    )
    systems: dict[NewName, System] = Field(
        default={}, description="Systems that stand-ins call, where no scenario has them."
    )
    basics: tuple[str, ...] | None = Field(
        default=None, strict=False, description="What else is on the PATH. Default: some forty usual commands."
    )
    real: tuple[Literal["sleep", "timeout", "date"], ...] = Field(
        default=(), strict=False, description="Which of sleep, timeout and date are the real ones, in real time."
    )
    hide: tuple[str, ...] = Field(
        default=(),
        strict=False,
        description="Variables and parameters whose values are shown nowhere; those whose names hold TOKEN, SECRET or "
        "PASSWORD never are.",
    )

    def mistakes(self) -> Iterator[Mistake]:
        for name in self.commands:
            if not name or "/" in name or name.startswith("."):
                yield ("commands", name), f"found {name!r}: the name of a command without a folder is wanted"
            elif name in VIRTUAL and name not in self.real:
                yield (
                    ("commands", name),
                    f"{name} is a stand-in of the program itself: give `real: [{name}]` first",
                )
        for place, name in enumerate(self.basics or ()):
            if not name or "/" in name or name.startswith("."):
                yield ("basics", place), f"found {name!r}: the name of a command without a folder is wanted"


_START: Final = datetime(2026, 1, 1)  # noqa: DTZ001 - a local time; the clock knows the zone


@dataclass(frozen=True, slots=True)
class LoadedScripts:
    """A file of scripts that was read and is right.

    Attributes:
        scripts: what it says.
        name: the file as it was given.
        folder: its folder, in which the files of scripts are.
        digest: SHA-256 over the file and everything that its scripts copy: it changes with each version.
    """

    scripts: Scripts
    name: str
    folder: Path
    digest: str


def load_scripts(path: Path | str) -> LoadedScripts:
    """Read a file of scripts and check it whole; nothing is run.

    Raises:
        ScenarioError: with every mistake in it, each at its line and column; when the file cannot be read.
    """
    document = text.read(Path(path))
    found: list[Found] = []
    scripts = None
    try:
        scripts = Scripts.model_validate(document.data, context={"clock": Clock(_START, "UTC")})
    except ValidationError as error:
        found = found_by_validation(document.data, error.errors(include_url=False), shape_of_scripts())
    if scripts is not None:
        found = list(_wrong_references(scripts, Path(path).parent))
    if found or scripts is None:
        problems = [_problem(document, it) for it in found]
        raise ScenarioError(sorted(dict.fromkeys(problems), key=lambda it: (it.line, it.column))[:100])
    folder = Path(path).parent
    return LoadedScripts(scripts, str(path), folder, _digest(document.text, scripts, folder))


def _problem(document: text.Document, it: Found) -> Problem:
    loc = path_in(document.data, it.loc)
    line, column = document.key_place(loc) if it.at_key and len(loc) == len(it.loc) else document.place(loc)
    return Problem(document.name, line, column, ".".join(map(str, it.loc)), it.told(shape_of_scripts()), it.code)


@cache
def shape_of_scripts() -> Node:
    """Give the JSON Schema of the models with every reference written out."""
    whole = Scripts.model_json_schema()
    definitions = whole.pop("$defs")

    def written_out(node: Any, inside: frozenset[str] = frozenset()) -> Any:
        if isinstance(node, Mapping):
            if "$ref" in node:
                if node["$ref"] in inside:  # a distribution made of distributions: once is enough to tell its keys
                    return {"title": node["$ref"].rpartition("/")[2]}
                inside |= {node["$ref"]}
                target = definitions[node["$ref"].removeprefix("#/$defs/")]
                node = {**target, **{key: value for key, value in node.items() if key != "$ref"}}
            return {key: written_out(value, inside) for key, value in node.items()}
        return [written_out(item, inside) for item in node] if isinstance(node, list) else node

    return MappingProxyType(written_out(whole))


def schema_text() -> str:
    """Write the JSON Schema (2020-12) of files of scripts, for editors."""
    top = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "queuedrill scripts"}
    return json.dumps({**top, **_plain(shape_of_scripts())}, indent=1, ensure_ascii=False) + "\n"


def _plain(node: Any) -> Any:
    """Drop what only our own messages read; distributions are left open, ``check`` of a scenario knows them."""
    if isinstance(node, Mapping):
        if node.get("title") == "Distribution":
            return {"description": node.get("description", "A duration or a distribution.")}
        return {key: _plain(value) for key, value in node.items() if key not in ("kind", "title") or key == "type"}
    return [_plain(item) for item in node] if isinstance(node, list) else node


def _wrong_references(scripts: Scripts, folder: Path) -> Iterator[Found]:
    yield from _wrong_files(scripts, folder)
    effects = tuple({it.effect: 0 for answers in scripts.commands.values() for it in answers if it.effect is not None})
    systems = tuple(scripts.systems)
    parameters = set(_names(part for script in scripts.scripts.values() for part in script.argv))
    for name, answers in scripts.commands.items():
        for place, answer in enumerate(answers):
            where = ("commands", name, place)
            if answer.calls is not None and systems and answer.calls.partition("/")[0] not in systems:
                yield Found((*where, "calls"), f"there is no system {answer.calls!r}: {advise(answer.calls, systems)}")
            asked = answer.answers
            effects_named: list[tuple[tuple[str, ...], str | None]] = [(("undoes",), answer.undoes)]
            if asked is not None:
                effects_named += [(("answers", "effect"), asked.effect), (("answers", "targets_of"), asked.targets_of)]
            for keys, effect in effects_named:
                if effect is not None and effect not in effects:
                    yield Found((*where, *keys), f"no command has the effect {effect!r}: {advise(effect, effects)}")
            named = {it.removesuffix("...") for it in _names(answer.when)}
            for it in dict.fromkeys(_names([answer.target or ""])):
                if it not in named | parameters | {"key", "job", "input"}:
                    said = f"nothing is filled in for {{{it}}}: {advise(it, tuple(sorted(named)))}"
                    yield Found((*where, "target"), said)


def _names(texts: Iterable[str]) -> list[str]:
    return [name for text in texts for name in re.findall(r"\{([^{}]+)\}", text)]


def _wrong_files(scripts: Scripts, folder: Path) -> Iterator[Found]:
    for name, script in scripts.scripts.items():
        for place, file in enumerate(script.files):
            loc: tuple[str | int, ...] = ("scripts", name, "files", place)
            there = folder / file
            if not (there.is_file() or there.is_dir()):
                yield Found(loc, f"there is no file {file!r} beside this file")
            elif not there.resolve().is_relative_to(folder.resolve()):
                yield Found(loc, f"{file!r} leads out of this file's folder: copy what it leads to")
        program = script.argv[0]
        if "/" in program and not program.startswith("/") and program.removeprefix("./") not in script.files:
            yield Found(("scripts", name, "argv", 0), f"{program!r} is not among `files`: only those are in its folder")


def _digest(written: str, scripts: Scripts, folder: Path) -> str:
    digest = hashlib.sha256(written.encode())
    for script in scripts.scripts.values():
        for name in script.files:
            for path in sorted([folder / name, *(folder / name).rglob("*")]):
                if path.is_file():
                    digest.update(str(path.relative_to(folder)).encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()
