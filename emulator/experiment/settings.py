"""Which settings are compared? Each is a scenario that can travel to another process, and what is changed in it.

A setting is plain data, and perhaps the user's own retry policies. Where it is run, the scenario is read once and kept:
reading and validating costs far more than a short night.
"""

import hashlib
import json
import pickle
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from emulator.broker.rules import RetryPolicy
from emulator.errors import InputError
from emulator.experiment.own_policies import check_asked, check_policy
from emulator.record.meta import files_of
from emulator.scenario.changes import with_changes
from emulator.scenario.files import Folders, folders_of
from emulator.scenario.load import Loaded, from_settings, load_within, varied
from emulator.scenario.resolved import resolved

__all__ = ["Setting", "check_travels", "packed_policies", "read_setting", "setting_of"]

_KEPT: Final = 256


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of a comparison.

    Attributes:
        name: of the variant.
        text: the scenario as it was read; "" for settings made in Python.
        settings: those settings as JSON; "" for a text.
        file: the name of the scenario, for messages.
        folder: where traces are.
        allowed: other folders below which they may lie.
        patch: dotted paths and their values, as JSON.
        changes: what was set on the command line, as JSON.
        bases: the texts of the files that the scenario is based on, as JSON; "" for settings made in Python.
        policies: the user's own retry policies, by queue.
        moments: at how many moments of each night its backlog is read; 0: at none.
    """

    name: str
    text: str
    settings: str
    file: str
    folder: str
    patch: str = "{}"
    allowed: tuple[str, ...] = ()
    changes: str = "[]"
    bases: str = ""
    policies: Mapping[str, RetryPolicy] = field(default_factory=dict)
    moments: int = 0

    def loaded(self) -> Loaded:
        """Give the scenario under this setting; read once in each process."""
        of = (self.name, self.text, self.settings, self.file, self.folder, self.patch)
        return read_setting(*of, self.allowed, self.changes, self.bases)

    def fingerprint(self) -> str:
        """Give a hash of what the scenario and its files say: equal scenarios in different spelling have one."""
        own = [(queue, type(policy).__qualname__) for queue, policy in sorted(self.policies.items())]
        said = json.dumps([resolved(self.loaded(), places=False), own, files_of(self.loaded())])
        return hashlib.sha256(said.encode()).hexdigest()


@lru_cache(maxsize=_KEPT)
def read_setting(
    name: str,
    text: str,
    settings: str,
    file: str,
    folder: str,
    patch: str,
    allowed: tuple[str, ...],
    set_to: str = "[]",
    bases: str = "",
) -> Loaded:
    """Read a scenario and change it. See ``Setting``.

    Raises:
        ScenarioError: with every mistake in it.
    """
    if text:
        folders = Folders(Path(folder), folders_of(allowed))
        loaded = load_within(text, file, folders, json.loads(bases) if bases else None)
    else:
        loaded = from_settings(json.loads(settings), file, folder=folder, allow_folders=allowed)
    loaded = with_changes(loaded, json.loads(set_to))
    changes = json.loads(patch)
    return varied(loaded, changes, name) if changes else loaded


def check_travels(setting: Setting) -> None:
    """Make sure that a setting can be sent to another process.

    Raises:
        InputError: when a retry policy of the user's own cannot.
    """
    try:
        pickle.dumps(setting)
    except Exception as error:
        raise InputError(
            f"{setting.name}: its retry policy cannot travel to another process ({error}): define its class at the top "
            "of a module, or run nights in this process alone (processes=1)"
        ) from None


def packed_policies(settings: Iterable[Setting]) -> dict[str, bytes]:
    """Give the retry policies of the user's own as they are sent to another process, by the words that name each.

    Raises:
        InputError: when a policy cannot be sent.
    """
    found = {}
    for setting in settings:
        if setting.policies:
            check_travels(setting)
        for queue, policy in setting.policies.items():
            found[f"{_policy_named(setting.name, queue)}, {type(policy).__qualname__}"] = pickle.dumps(policy)
    return found


def setting_of(loaded: Loaded, name: str, patch: Mapping[str, Any] | None = None) -> Setting:
    """Make a setting of a scenario that was read, and a patch; values that decide on retries are policies.

    Raises:
        InputError: for a policy that is put where no retry policy stands, is no object, or is never asked.
        ScenarioError: with every mistake that the patch makes.
    """
    plain, policies = dict(patch or {}), {}
    for path, value in (patch or {}).items():
        if callable(getattr(value, "decide", None)):
            parts = path.split(".")
            if len(parts) != 3 or parts[0] != "queues" or parts[2] != "retry":
                raise InputError(f"{name}: {path} takes no retry policy: write queues.NAME.retry")
            if parts[1] not in loaded.scenario.queues:
                raise InputError(f"{name}: there is no queue {parts[1]!r}: it has {', '.join(loaded.scenario.queues)}")
            check_policy(_policy_named(name, parts[1]), value)
            policies[parts[1]] = value
            del plain[path]
    changed = json.dumps(_plain(plain))  # in its order: one change may be of what another has made
    made = Setting(
        name,
        loaded.text,
        "" if loaded.text else json.dumps(loaded.data, default=str),
        loaded.name,
        str(Path(loaded.folder).absolute()),
        changed,
        tuple(map(str, loaded.folders.allowed)),
        json.dumps(loaded.changes if loaded.text else ()),
        json.dumps(loaded.bases) if loaded.text else "",
        policies,
    )
    queues = made.loaded().scenario.queues
    for queue in policies:
        check_asked(_policy_named(name, queue), queue, queues[queue].retry)
    return made


def _policy_named(setting: str, queue: str) -> str:
    return f"{setting}: the retry policy of queue {queue!r}"


def _plain(patch: Mapping[str, Any]) -> dict[str, Any]:
    from emulator.scenario.load import plain

    found: dict[str, Any] = plain(patch)
    return found
