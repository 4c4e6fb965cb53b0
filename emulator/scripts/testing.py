"""Asks from a test whether a script is safe to run again: one assertion for all points, or one test for each."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from emulator.scripts.load import load_scripts
from emulator.scripts.report import as_text
from emulator.scripts.rerun import Judgement, Point, When
from emulator.scripts.rerun import rerun as judge

__all__ = ["Rerun", "rerun", "rerun_points"]


@dataclass(frozen=True, slots=True)
class Rerun:
    """What came of cutting a script off and running it again.

    Attributes:
        judgement: everything that was found, as data.
    """

    judgement: Judgement

    def assert_safe(self, *, when: When | None = None) -> None:
        """Fail with the whole report if the script is not safe to run again.

        Args:
            when: look only at what ``"dies"``, ``"wakes"`` or is ``"refused"``.

        Raises:
            AssertionError: when it is not safe at a point, or cannot be judged.
        """
        __tracebackhide__ = True
        found = self.judgement.found if when is None else self.judgement.of(when)
        if self.judgement.wrong or not all(it.is_safe for it in found):
            raise AssertionError("\n" + as_text(self.judgement).as_text())


def rerun(
    path: Path | str,
    script: str,
    *,
    whens: Sequence[When] = ("dies", "wakes"),
    only: Point | None = None,
    **parameters: Any,
) -> Rerun:
    """Run a script, cut it off at each step, run it again, and compare. The script is really run: no question is asked.

    Args:
        path: the file of scripts.
        script: its name in it.
        whens: what happens at each point: ``"dies"``, ``"wakes"``, ``"refused"``.
        only: one point alone.
        parameters: the values for {names} in its arguments: texts, or lists of texts.

    Raises:
        ScenarioError: with every mistake in the file.
        InputError: when there is no such script or point, or a stand-in has no answer for a call.
    """
    return Rerun(judge(load_scripts(path), script, parameters, whens=whens, only=only))


def rerun_points(
    path: Path | str, script: str, *, whens: Sequence[When] = ("dies", "wakes"), **parameters: Any
) -> list[Any]:
    """Give the points of a script for ``pytest.mark.parametrize``: each an outcome, named such as ``2-after-dies``.

    The script is run when the tests are collected, once for each point, and each test then asserts one ``is_safe``.
    """
    import pytest

    found = rerun(path, script, whens=whens, **parameters).judgement.found
    return [pytest.param(it, id=f"{it.point}-{it.when}") for it in found]
