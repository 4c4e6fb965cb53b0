"""How are the questions of a scenario answered? By nights of the scenario as written and of each, on the same draws."""

import json
import shlex
from collections.abc import Mapping
from typing import Any

from emulator.errors import InputError
from emulator.experiment.compare import carry_out
from emulator.experiment.comparison_plan import MOST_NIGHTS
from emulator.experiment.comparison_plan import plan as plan_of
from emulator.experiment.night import Progress
from emulator.experiment.settings import setting_of
from emulator.measure.comparison.preference import DEFAULT_PREFER
from emulator.measure.comparison.questions import Answers, answers_of
from emulator.scenario.arguments import WHOLE, must_be
from emulator.scenario.load import Loaded
from emulator.scenario.variants import AS_WRITTEN
from emulator.scenario.written import Change

__all__ = ["answer_questions"]


def answer_questions(
    loaded: Loaded,
    count: int,
    *,
    first_seed: int | None = None,
    processes: int | None = None,
    progress: Progress | None = None,
) -> Answers:
    """Run so many nights of a scenario as written and of each question, and say what they answer.

    Args:
        loaded: the scenario.
        count: how many nights of each, from 1 to 1,000,000, with seeds that follow each other.
        first_seed: by default the scenario's.
        processes: how many processes run nights; by default one for each processor.
        progress: told the share that is done.

    Raises:
        InputError: when the scenario asks nothing, or an argument is out of range.
    """
    must_be(WHOLE, count=count)
    if not 1 <= count <= MOST_NIGHTS:
        raise InputError(f"{count} nights are out of range: give a number from 1 to {MOST_NIGHTS:,}")
    if not loaded.questions:
        raise InputError(f"{loaded.name}: it asks no questions: give it `questions`, each with `ask` and `change`")
    patches: dict[str, Mapping[str, Any]] = {AS_WRITTEN: {}}
    patches |= {asked.ask: asked.patch for asked in loaded.questions}
    settings = [setting_of(loaded, name, patch) for name, patch in patches.items()]
    measures = loaded.scenario.prefer or DEFAULT_PREFER
    plan = plan_of(settings, (loaded.name,), measures, None, 0.95, first_seed)
    found = carry_out(plan, count, processes=processes, progress=progress)
    return answers_of(found, [_command(loaded, patch) for patch in patches.values()])


def _command(loaded: Loaded, patch: Mapping[str, Any]) -> str:
    """Give the command that runs one night with a patch; its seed is to be added."""
    set_so = [Change("change", f"{path}={json.dumps(value, ensure_ascii=False)}") for path, value in patch.items()]
    allowed = [f"--allow-folder {shlex.quote(str(folder))}" for folder in loaded.folders.allowed]
    return " ".join([f"queuedrill run {shlex.quote(loaded.name)}", *map(str, (*loaded.changes, *set_so)), *allowed])
