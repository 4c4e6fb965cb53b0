"""The facts that a log states of its run: everything needed to run it again and to compare."""

import json
import sys
from collections.abc import Mapping
from pathlib import Path

from emulator.errors import InputError
from emulator.records import field, record
from emulator.scenario.clock import zone_data_version
from emulator.scenario.files import open_regular
from emulator.scenario.load import Loaded
from emulator.scenario.traces import times_files
from emulator.scenario.written import Change
from emulator.version import VERSION

__all__ = ["RunMeta", "content_hash", "fact", "files_of", "program_version", "whole_number"]


def program_version() -> str:
    """Give the version of the program that is running.

    >>> program_version().count(".")
    2
    """
    return VERSION


def content_hash(path: str | Path) -> str:
    """Give the SHA-256 of a file's content, in hexadecimal; ``RunMeta.files`` holds it for each file referred to.

    Raises:
        OSError: when the file cannot be read, or is no regular file.
    """
    import hashlib  # it loads a library of ciphers, and few scenarios refer to files

    with open_regular(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def files_of(loaded: Loaded) -> dict[str, str]:
    """Give the SHA-256 of each file that a scenario refers to or is based on, by its path from the scenario's folder.

    Raises:
        InputError: when one of them cannot be read.
    """
    found = {}
    scenario = loaded.scenario
    names = [entry.trace for entry in scenario.arrivals] + [it.one_of_nights for it in scenario.varies.values()]
    names += times_files(loaded.data)
    for name in dict.fromkeys([*loaded.bases, *(name for name in names if name is not None)]):
        try:
            found[name] = content_hash(loaded.folder / name)
        except OSError as error:
            raise InputError(f"{loaded.name}: {name} cannot be read: {error.strerror}") from None
    return found


def fact(facts: Mapping[str, str], key: str) -> str:
    """Give what a log says of its run under a key.

    Raises:
        ValueError: when it says nothing, or that is no text.
    """
    if key not in facts:
        raise ValueError(f"{key} is missing")
    if not isinstance(facts[key], str):
        raise ValueError(f"{key} is {str(facts[key])[:40]!r}, which is no text")
    return facts[key]


def whole_number(facts: Mapping[str, str], key: str) -> int:
    """Give what a log says under a key as a number.

    Raises:
        ValueError: when it says nothing, or that is no whole number.
    """
    found = fact(facts, key)
    try:
        return int(found)
    except ValueError as error:
        raise ValueError(f"{key} is {found!r}, which is no whole number") from error


@record
class RunMeta:
    """What a run was made of.

    Attributes:
        seed: the seed that the run used.
        scenario_text: the scenario file as it was read, whole.
        scenario_name: its name as given.
        scenario_folder: the folder in which the files that it refers to are, as a path from the log's folder ("": not
            said, so that of ``scenario_name`` is meant).
        files: for each file that the scenario refers to or is based on, by its path from the scenario's folder, the
            SHA-256 of its content.
        heartbeats: ``computed`` or ``simulated``.
        variant: the variant that was run ("": the scenario as it stands).
        changes: what was set on the command line.
        bases: the texts of the files that the scenario is based on, by their paths from its folder.
        program_version, zone_data_version, python_version: of this process unless stated.

    >>> RunMeta(seed=1, scenario_text="title: Quiet", scenario_name="quiet.yaml").heartbeats
    'computed'
    """

    seed: int
    scenario_text: str
    scenario_name: str
    files: Mapping[str, str] = field(default_factory=dict)
    heartbeats: str = "computed"
    variant: str = ""
    changes: tuple[Change, ...] = ()
    bases: Mapping[str, str] = field(default_factory=dict)
    scenario_folder: str = field(default="", compare=False)  # where the run was, not what
    program_version: str = field(default_factory=program_version)
    zone_data_version: str = field(default_factory=zone_data_version)
    python_version: str = field(default_factory=lambda: sys.version.split()[0])

    def to_facts(self) -> dict[str, str]:
        """Give the meta data as text by key, as the log keeps it."""
        return {
            "seed": str(self.seed),
            "scenario_text": self.scenario_text,
            "scenario_name": self.scenario_name,
            "files": json.dumps(dict(self.files), sort_keys=True, ensure_ascii=False),
            "heartbeats": self.heartbeats,
            "variant": self.variant,
            "program_version": self.program_version,
            "zone_data_version": self.zone_data_version,
            "python_version": self.python_version,
            **({"changes": json.dumps(self.changes, ensure_ascii=False)} if self.changes else {}),
            **({"bases": json.dumps(dict(self.bases), ensure_ascii=False)} if self.bases else {}),
            **({"scenario_folder": self.scenario_folder} if self.scenario_folder else {}),
        }

    @classmethod
    def from_facts(cls, facts: Mapping[str, str]) -> "RunMeta":
        """Read back what ``to_facts`` gave; further keys are left alone.

        Raises:
            ValueError: when a key is missing or is not what it should be; the message says which, and what it is.
        """
        return cls(
            seed=whole_number(facts, "seed"),
            scenario_text=fact(facts, "scenario_text"),
            scenario_name=_path(facts, "scenario_name"),
            files=_files(fact(facts, "files")),
            heartbeats=fact(facts, "heartbeats"),
            variant=fact(facts, "variant"),
            changes=_changes(fact(facts, "changes")) if "changes" in facts else (),
            bases=_files(fact(facts, "bases"), "bases") if "bases" in facts else {},
            scenario_folder=_path(facts, "scenario_folder") if "scenario_folder" in facts else "",
            program_version=fact(facts, "program_version"),
            zone_data_version=fact(facts, "zone_data_version"),
            python_version=fact(facts, "python_version"),
        )


def _path(facts: Mapping[str, str], key: str) -> str:
    found = fact(facts, key)
    if "\0" in found:
        raise ValueError(f"{key} is {found[:40]!r}, which is no path")
    return found


def _changes(text: str) -> tuple[Change, ...]:
    try:
        found = json.loads(text)
    except ValueError:
        found = None
    if not isinstance(found, list) or not all(map(_is_change, found)):
        raise ValueError(f"changes is {text[:40]!r}, which is no list of options with their texts")
    return tuple(Change(*change) for change in found)


def _is_change(found: object) -> bool:
    return isinstance(found, list) and len(found) == 2 and found[0] in ("change", "add") and isinstance(found[1], str)


def _files(text: str, key: str = "files") -> dict[str, str]:
    try:
        found = json.loads(text)
    except ValueError:
        found = None
    if not isinstance(found, dict) or not all(isinstance(value, str) for value in found.values()):
        raise ValueError(f"{key} is {text[:40]!r}, which is no JSON object of texts")
    return found
