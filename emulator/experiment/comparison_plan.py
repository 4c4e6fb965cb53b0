"""The plan of a comparison: its settings with the baseline first, the figures that are read, and the seeds.

A plan is made from one scenario and its variants, or from several scenarios as they stand. Everything that can be wrong
with what was asked is said here, before a night is run.
"""

import json
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from emulator.errors import InputError
from emulator.experiment.comparison_result import ComparisonResult
from emulator.experiment.settings import Setting, setting_of
from emulator.measure.comparison.analysis import Compared, conclude
from emulator.measure.comparison.intervals import check_confidence
from emulator.measure.comparison.preference import DEFAULT, DEFAULT_PREFER, DONE
from emulator.measure.comparison.recommend import Entrant, nights_by_default
from emulator.measure.comparison.result import CutShort
from emulator.measure.comparison.wanted import PlayedNight, check_names, default_figures, needed, wanted
from emulator.record.meta import program_version
from emulator.scenario.arguments import FLAG, NUMBER, WHOLE, may_be, must_be, texts
from emulator.scenario.clock import zone_data_version
from emulator.scenario.load import Loaded
from emulator.scenario.spelling import advise
from emulator.scenario.stated import Varied, varied
from emulator.scenario.variants import AS_WRITTEN, changed_keys, changes_the_world, said_candidate
from emulator.show.settings import assumed

__all__ = ["MOST_NIGHTS", "ComparisonPlan", "of_scenarios", "of_variants", "plan", "seed_from"]

MOST_NIGHTS: Final = 1_000_000
"""Of one setting, in one comparison."""


@dataclass(frozen=True)
class ComparisonPlan:
    """What is to be compared."""

    title: str
    files: tuple[str, ...]
    settings: tuple[Setting, ...]  # the baseline first
    measures: tuple[str, ...]
    trade_off: tuple[str, str]
    first_seed: int
    confidence: float
    entrants: tuple[Entrant, ...] = ()  # in file order
    prefer: tuple[str, ...] = ()
    changes: tuple[str, ...] = ()

    def requirements(self) -> dict[str, Sequence[Any]]:
        """Give the requirements of each variant."""
        return {setting.name: setting.loaded().scenario.must_hold for setting in self.settings}

    def figures(self) -> list[str]:
        """Give all that is read of each night: also what is preferred, and the share of jobs done."""
        read = [figure.text for figure in needed(self.measures, self.trade_off, self.requirements())]
        return list(dict.fromkeys([*read, *self.prefer, DONE])) if len(self.settings) > 1 else read

    def identity(self) -> dict[str, str]:
        """Say what makes another comparison the same as this one."""
        return {
            "the scenario under its variants": " ".join(
                f"{setting.name}={setting.fingerprint()}" for setting in self.settings
            ),
            "the figures": ", ".join(self.figures()),
            "the first seed": str(self.first_seed),
            "the version of queuedrill": program_version(),
            "the version of the zone data": zone_data_version(),
        }

    def nights_by_default(self) -> int:
        """Give how many nights of each are run where nobody says."""
        asked = self.requirements()
        shares = [one.in_share for entrant in self.entrants for one in asked[entrant.name] if not entrant.what_if]
        count = sum(1 for one in self.entrants if not one.what_if)
        return nights_by_default(count, shares, self.confidence)

    def conclude(
        self,
        played: Iterable[PlayedNight],
        count: int,
        stopped: str,
        *,
        planned: int | None = None,
        cut_short: CutShort = "",
    ) -> ComparisonResult:
        """Say what the nights say."""
        found = conclude(
            Compared(
                title=self.title,
                changes=self.changes,
                files=self.files,
                variants=[setting.name for setting in self.settings],
                baseline=self.settings[0].name,
                first_seed=self.first_seed,
                nights=count,
                confidence=self.confidence,
                stopped=stopped,
                measures=self.measures,
                trade_off=self.trade_off,
                requirements=self.requirements(),
                lost=(),
                versions={
                    "program": program_version(),
                    "zone data": zone_data_version(),
                    "python": platform.python_version(),
                },
                played=played,
                entrants=self.entrants,
                prefer=self.prefer,
                planned=planned,
                cut_short=cut_short,
            )
        )
        files = [(setting.file, setting.text) for setting in self.settings]
        told = assumed(self.settings[0].loaded(), files, self._varied())
        return ComparisonResult.of(replace(found, assumed=told))

    def _varied(self) -> tuple[Varied, ...]:
        """Say what each variant sets; a single one, or scenarios that are compared as they stand, set nothing."""
        patches = {setting.name: json.loads(setting.patch) for setting in self.settings}
        for setting in self.settings:
            patches[setting.name] |= {
                f"queues.{queue}.retry": type(policy).__qualname__ for queue, policy in setting.policies.items()
            }
        if len(patches) < 2 or not any(patches.values()):
            return ()
        return varied({setting.name: (patches[setting.name], setting.loaded().data) for setting in self.settings})


def of_variants(
    loaded: Loaded, variants: Sequence[str] | Mapping[str, Mapping[str, Any]] | None, baseline: str | None
) -> tuple[list[Setting], tuple[str, ...], tuple[Entrant, ...]]:
    """Give the settings that the variants of one scenario make, the baseline first."""
    patches: dict[str, Mapping[str, Any]] = {AS_WRITTEN: {}, **loaded.patches}
    if isinstance(variants, Mapping):
        for name, patch in variants.items():
            if not isinstance(name, str) or not name:
                raise InputError(f"variants: {name!r} names no variant: give each a name, a text that is not empty")
            if not isinstance(patch, Mapping):
                raise InputError(
                    f"variants: {name} is {patch!r}: give a mapping from dotted paths to values, such as "
                    "{'pools.dome.count': 2}"
                )
        if AS_WRITTEN in variants:
            raise InputError(f"{AS_WRITTEN!r} is the scenario itself: give the variant another name")
        said = {name: patch["candidate"] for name, patch in variants.items() if "candidate" in patch}
        must_be(FLAG, **{f"variants: {name}: candidate": one for name, one in said.items()})
        patches = {AS_WRITTEN: {}}
        patches |= {
            name: {path: value for path, value in patch.items() if path != "candidate"}
            for name, patch in variants.items()
        }
        chosen = list(patches)
    else:
        said = {name: one for name in patches if (one := said_candidate(loaded.data, name)) is not None}
        chosen = list(dict.fromkeys(texts("variants", variants))) if variants is not None else list(patches)
    first = baseline or (loaded.scenario.baseline if loaded.scenario.baseline in patches else None) or AS_WRITTEN
    for name in (first, *chosen):
        if name not in patches:
            raise InputError(f"{loaded.name}: there is no variant {name!r}: {advise(name, tuple(patches))}")
    names = [first, *(name for name in chosen if name != first)]
    settings = [setting_of(loaded, name, patches[name]) for name in names]
    return settings, (loaded.name,), _entrants(loaded, patches, settings, said)


def of_scenarios(
    scenarios: list[Loaded], baseline: str | None
) -> tuple[list[Setting], tuple[str, ...], tuple[Entrant, ...]]:
    """Give the settings that several scenarios make as they stand, the baseline first."""
    if not scenarios:
        raise InputError("no scenario is given: name at least one")
    names: list[str] = []
    for loaded in scenarios:
        name, number = loaded.name, 2
        while name in names:
            name, number = f"{loaded.name} ({number})", number + 1
        names.append(name)
    if baseline is not None and baseline not in names:
        raise InputError(f"there is no scenario {baseline!r} for a baseline: {advise(baseline, names)}")
    ordered = sorted(zip(names, scenarios, strict=True), key=lambda pair: pair[0] != (baseline or names[0]))
    settings = [setting_of(loaded, name) for name, loaded in ordered]
    return settings, tuple(loaded.name for loaded in scenarios), tuple(map(Entrant, names))


def plan(
    settings: Sequence[Setting],
    files: tuple[str, ...],
    measures: Sequence[str] | None,
    trade_off: tuple[str, str] | None,
    confidence: float,
    first_seed: int | None,
    prefer: Sequence[str] | None = None,
    entrants: tuple[Entrant, ...] = (),
) -> ComparisonPlan:
    """Say what is compared, of which figures, from which seed on.

    Raises:
        InputError: for a figure that there is not, or a seed out of range.
    """
    first = settings[0].loaded()
    base = first.scenario
    measures = None if measures is None else texts("measures", measures)
    if measures is not None and not measures:
        raise InputError("no figure is compared: name at least one, or leave `measures` out")
    figures = [wanted(text) for text in measures] if measures is not None else list(default_figures(base.must_hold))
    both = _two(trade_off) or DEFAULT
    must_be(NUMBER, confidence=confidence)
    check_confidence(confidence)
    for setting in settings:
        check_names([*figures, *map(wanted, both)], setting.loaded().scenario)
    seed = seed_from(base.seed, first_seed)
    named = tuple(dict.fromkeys(figure.text for figure in figures))
    return ComparisonPlan(
        first.title,
        files,
        tuple(settings),
        named,
        both,
        seed,
        confidence,
        entrants or tuple(Entrant(setting.name) for setting in settings),
        _preferred(base.prefer if prefer is None else texts("prefer", prefer), None if prefer is None else "prefer"),
        tuple(map(str, first.changes)),
    )


def _entrants(
    loaded: Loaded,
    patches: Mapping[str, Mapping[str, Any]],
    settings: Sequence[Setting],
    said: Mapping[str, bool],
) -> tuple[Entrant, ...]:
    """Say how each variant stands to the scenario as written, in file order: how much it changes, whether a what-if."""
    chosen = {setting.name: setting for setting in settings}
    found = []
    for name in patches:
        if name in chosen:
            keys = changed_keys(loaded.scenario, chosen[name].loaded().scenario)
            what_if = not said[name] if name in said else any(map(changes_the_world, keys))
            found.append(Entrant(name, len(keys) + len(chosen[name].policies), what_if))
    return tuple(found)


def _preferred(asked: Sequence[str], argument: str | None) -> tuple[str, ...]:
    """Give the preferred measures, or those by default; of each, one side has to be better."""
    for name in asked:
        figure = wanted(name)
        if not figure.measure.better:
            raise InputError(f"{argument or 'prefer'}: of {name} neither more nor less is better: name another figure")
    if argument is not None and not asked:
        raise InputError(f"{argument}: no figure is named: name at least one, or leave `{argument}` out")
    if len(set(asked)) < len(asked):
        raise InputError(f"{argument or 'prefer'}: a figure is named twice: name each once")
    return tuple(asked) or DEFAULT_PREFER


def seed_from(stated: int, first_seed: int | None) -> int:
    """Give the seed of the first night: the one that is asked for, else what the scenario states.

    Raises:
        InputError: when it is out of range, with all the nights that may follow it.
    """
    may_be(WHOLE, first_seed=first_seed)
    seed = stated if first_seed is None else int(first_seed)
    if not 0 <= seed < 2**63 - MOST_NIGHTS:
        raise InputError(
            f"the first seed {seed} is out of range: give a whole number from 0 to {2**63 - MOST_NIGHTS - 1}"
        )
    return seed


def _two(trade_off: Sequence[str] | None) -> tuple[str, str] | None:
    if trade_off is None:
        return None
    such = "such as ('makespan', 'failed')"
    if isinstance(trade_off, str):
        raise InputError(f"trade_off: found the text {trade_off!r}: give two figures, {such}")
    named = texts("trade_off", trade_off)
    if len(named) != 2:
        raise InputError(f"trade_off: found {len(named)} of the two figures: give two, {such}")
    return named[0], named[1]
