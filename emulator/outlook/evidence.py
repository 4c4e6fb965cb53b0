"""What was run, on what, and what came of it, in a form that shows later whether anything was changed since.

The form is canonical JSON (RFC 8785, JSON Canonicalization Scheme): the same content is the same bytes, whoever writes
it. Its field ``sha256`` is the SHA-256 over the bytes of all others. That shows integrity: this is what was written
then. It does not show who wrote it; for that the file is to be signed by the means of one's own organisation.

Canonical JSON knows no number that a double cannot hold. Whole numbers beyond 2**53 - 1 are written as text, and seeds
always are.
"""

import hashlib
import json
import sys
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from os.path import relpath
from pathlib import Path
from typing import Any, Final, NamedTuple

import rfc8785
import yaml

from emulator.errors import InputError
from emulator.record.meta import content_hash, files_of, program_version
from emulator.scenario.clock import zone_data_version
from emulator.scenario.files import open_regular
from emulator.scenario.load import Loaded
from emulator.scenario.messages import unwrap
from emulator.scenario.stated import resolved
from emulator.scenario.text import read_bytes

__all__ = ["FORMAT", "Evidence", "belongings", "changes", "evidence_of", "read_evidence"]

FORMAT: Final = "evidence of a run, 1"
"""What the field ``format`` of a file of evidence says."""

_DIGEST: Final = "sha256"
_EXACT: Final = 2**53 - 1
_MOST_BYTES: Final = 64_000_000
_MOST_LEVELS: Final = 60
_SHOWN: Final = 60


def evidence_of(
    loaded: Loaded,
    result: Mapping[str, Any],
    seeds: Iterable[int],
    *,
    again: str,
    variant: str,
    outputs: Mapping[str, Path],
    folder: Path,
    made_on: date | None = None,
) -> str:
    """Write the evidence of a run.

    Args:
        loaded: the scenario that was run.
        result: what came of it, as the JSON of the command tells it.
        seeds: of the nights that were played.
        again: the command that runs it again.
        variant: the variant that was run, "" for the scenario as written.
        outputs: what was written beside it (``log``, ``page``), by what it is.
        folder: of the file of evidence; paths count from there.
        made_on: the day on which it was run, by default today.

    Raises:
        InputError: when a file that belongs to it cannot be read.
    """
    values, sources = _values(loaded)
    body = {
        "format": FORMAT,
        "made_on": (made_on or date.today()).isoformat(),  # noqa: DTZ011  # the day on the wall where it was run
        "versions": {"program": program_version(), "python": sys.version.split()[0], "zone_data": zone_data_version()},
        "command": again,
        "seeds": [str(seed) for seed in seeds],
        "scenario": {
            "name": loaded.name,
            "title": loaded.scenario.title,
            "variant": variant,
            "set_by": [str(change) for change in loaded.changes],
            "text": loaded.text,
            "sha256": _of_text(loaded.text),
            "files": files_of(loaded),
            "values": values,
            "sources": sources,
        },
        "outputs": {
            what: {"path": relpath(path.resolve(), folder.resolve()), "sha256": _of_file(path)}
            for what, path in outputs.items()
        },
        "result": result,
    }
    fit = _fit(body)
    return rfc8785.dumps({**fit, _DIGEST: _of_bytes(rfc8785.dumps(fit))}).decode() + "\n"


def _fit(value: Any) -> Any:
    """Make whole numbers that no double holds texts."""
    if isinstance(value, Mapping):
        return {str(key): _fit(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_fit(item) for item in value]
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > _EXACT:
        return str(value)
    return value


def _values(loaded: Loaded) -> tuple[dict[str, Any], dict[str, str]]:
    """Give all values of a scenario, every default filled in, and what is said of where they come from."""
    data, said, _ = unwrap(read_bytes(resolved(loaded, places=False).encode(), loaded.name).data)
    sources = {".".join(map(str, loc)): _source(told) for loc, told in said.items()}
    plain: dict[str, Any] = json.loads(json.dumps(data, default=str))
    return plain, sources


def _source(told: Any) -> str:
    parts = [told.source, *([f"on {told.on}"] if told.on else []), *([f"n {told.n}"] if told.n else [])]
    return ", ".join(parts)


def _of_bytes(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _of_text(text: str) -> str:
    return _of_bytes(text.encode("utf-8", "surrogatepass"))


def _of_file(path: Path) -> str:
    try:
        return content_hash(path)
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from None


class Evidence(NamedTuple):
    """A file of evidence that was read.

    Attributes:
        path: the file.
        told: what it says.
        is_whole: whether its bytes are still those that were written: canonical, and with the digest of all others.
    """

    path: Path
    told: Mapping[str, Any]
    is_whole: bool


def read_evidence(path: Path) -> Evidence:
    """Read a file of evidence.

    Raises:
        InputError: when it cannot be read, or is no evidence of a run.
    """
    try:
        with open_regular(path) as file:
            content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}") from None
    if len(content) > _MOST_BYTES:
        raise InputError(f"{path} is larger than {_MOST_BYTES // 1_000_000} MB: evidence of a run never is")
    try:
        found = json.loads(content)
        canonical = rfc8785.dumps(found)
    except (ValueError, RecursionError, rfc8785.CanonicalizationError):
        found, canonical = None, b""
    if not isinstance(found, dict) or not _is_evidence(found) or _is_deep(found):
        raise InputError(f"{path} is no evidence of a run: give a file that `run --evidence` has written")
    body = {key: value for key, value in found.items() if key != _DIGEST}
    is_whole = content == canonical + b"\n" and _of_bytes(rfc8785.dumps(body)) == found[_DIGEST]
    return Evidence(path, found, is_whole)


def _is_deep(value: Any) -> bool:
    """Say whether something is nested more deeply than a scenario or a result ever is."""
    level = [value]
    for _ in range(_MOST_LEVELS):
        level = [
            inner
            for one in level
            if isinstance(one, dict | list)
            for inner in (one.values() if isinstance(one, dict) else one)
        ]
    return bool(level)


def _is_evidence(found: Mapping[str, Any]) -> bool:
    scenario, outputs = found.get("scenario"), found.get("outputs")
    return (
        found.get("format") == FORMAT
        and isinstance(found.get(_DIGEST), str)
        and isinstance(found.get("made_on"), str)
        and isinstance(found.get("versions"), dict)
        and isinstance(scenario, dict)
        and all(isinstance(scenario.get(key), str) for key in ("name", "text", "sha256", "variant"))
        and all(isinstance(scenario.get(key), dict) for key in ("files", "values", "sources"))
        and isinstance(scenario.get("set_by"), list)
        and isinstance(outputs, dict)
        and all(isinstance(one, dict) and isinstance(one.get("path"), str) for one in outputs.values())
    )


def belongings(loaded: Loaded, evidence: Evidence) -> list[tuple[str, str]]:
    """Say of each thing that evidence is about whether it still is what it was then.

    Returns:
        What it is, and what is wrong with it; "" where it belongs to the evidence.
    """
    told = evidence.told
    scenario = told["scenario"]
    same = _of_text(loaded.text) == scenario["sha256"]
    found = [
        (f"the evidence {evidence.path}", "" if evidence.is_whole else "it was changed after it was written"),
        (f"the scenario {loaded.name}", "" if same else "it is not the text that was run"),
    ]
    before, now = " ".join(map(str, scenario["set_by"])), " ".join(map(str, loaded.changes))
    if before or now:
        wrong = "" if before == now else f"{before or 'nothing'} then, {now or 'nothing'} now"
        found.append(("what was set on the command line", wrong))
    names, then = files_of(loaded), scenario["files"]
    for name in sorted({*names, *then}):
        wrong = "" if names.get(name) == then.get(name) else "its content is not what it was"
        if name not in names:
            wrong = "the scenario names it no more"
        elif name not in then:
            wrong = "the run did not have it"
        found.append((f"the file {name}", wrong))
    for what, one in told["outputs"].items():
        place = evidence.path.parent / one["path"]
        found.append((f"the {what} {place}", _wrong_with(place, one.get(_DIGEST))))
    return found


def _wrong_with(place: Path, digest: object) -> str:
    try:
        return "" if content_hash(place) == digest else "its content is not what was written then"
    except FileNotFoundError:
        return "it is not there"
    except (OSError, ValueError):
        return "it cannot be read as a file"


def changes(loaded: Loaded, evidence: Evidence) -> list[str]:
    """Say in words what has changed in a scenario since a run; empty when nothing has."""
    values, sources = _values(loaded)
    told = evidence.told
    scenario = told["scenario"]
    found = [] if evidence.is_whole else [f"the evidence {evidence.path}: it was changed after it was written"]
    found += _differences("", scenario["values"], values)
    for path in sorted({*sources, *scenario["sources"]}):
        before, now = scenario["sources"].get(path, "not stated"), sources.get(path, "not stated")
        if before != now:
            found.append(f"the source of {path}: {before} then, {now} now")
    files = files_of(loaded)
    for name in sorted({*files, *scenario["files"]}):
        if files.get(name) != scenario["files"].get(name):
            found.append(f"the file {name}: its content is another")
    if not found and _of_text(loaded.text) != scenario["sha256"]:
        found.append("the text of the file: it is another, though every value is the same")
    for what, version in (("program", program_version()), ("zone_data", zone_data_version())):
        before = told["versions"].get(what)
        if before != version:
            found.append(f"the version of {_CALLED[what]}: {before} then, {version} now")
    return found


_CALLED: Final = {"program": "the program", "zone_data": "the zone data"}


def _differences(path: str, before: Any, now: Any) -> Iterator[str]:
    """Tell where two values differ, from the top: what is new or gone is told once, not key by key."""
    if isinstance(before, list) and isinstance(now, list) and (named := _by_name(before, now)) is not None:
        before, now = named
        if list(before) != list(now) and set(before) == set(now):
            yield f"the order of {path}: {', '.join(before)} then, {', '.join(now)} now"
    if isinstance(before, dict) and isinstance(now, dict):
        for key in [*now, *(key for key in before if key not in now)]:
            inner = f"{path}.{key}" if path else str(key)
            if key not in before:
                yield f"{inner}: new, {_shown(now[key])}"
            elif key not in now:
                yield f"{inner}: no more, it was {_shown(before[key])}"
            else:
                yield from _differences(inner, before[key], now[key])
    elif before != now:
        yield f"{path}: {_shown(before)} then, {_shown(now)} now"


def _by_name(before: list[Any], now: list[Any]) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """Make lists of mappings mappings, by names where each item has one of its own, else by places; None for others."""
    if not before or not now or not all(isinstance(item, dict) for item in (*before, *now)):
        return None
    names = [[str(item.get("name", "")) for item in items] for items in (before, now)]
    if not all(all(one) and len(set(one)) == len(one) for one in names):
        names = [[str(place) for place, _ in enumerate(items)] for items in (before, now)]
    first, second = (dict(zip(one, items, strict=True)) for one, items in zip(names, (before, now), strict=True))
    return first, second


def _shown(value: Any) -> str:
    if isinstance(value, str):
        text = value
    else:
        text = yaml.safe_dump(value, default_flow_style=True, width=2**31 - 1, allow_unicode=True, sort_keys=False)
        text = text.removesuffix("\n").removesuffix("\n...")
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 3]}..."
