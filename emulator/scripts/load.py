"""Reads a file of scripts: all its mistakes at once, each at its line and column."""

import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from pydantic import ValidationError

from emulator.errors import Problem, ScenarioError
from emulator.scenario import text
from emulator.scenario.clock import Clock
from emulator.scenario.messages import Found, Node, found_by_validation, path_in
from emulator.scenario.spelling import advise
from emulator.scripts.models import Scripts

__all__ = ["LoadedScripts", "load_scripts", "schema_text", "shape_of_scripts"]

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
