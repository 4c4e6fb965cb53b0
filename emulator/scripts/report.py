"""Says in words, or to a test, whether a script may be run again: one row a point, what makes it safe, a caution."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree as ET

from emulator.scripts.load import load_scripts
from emulator.scripts.rerun import Found, Judgement, Point, When
from emulator.scripts.rerun import rerun as judge
from emulator.show.exports.recorded import plain
from emulator.show.html import file, table, text
from emulator.show.layout import Page
from emulator.version import VERSION

__all__ = [
    "CAUTION",
    "Rerun",
    "advice",
    "answer",
    "as_data",
    "as_json",
    "as_junit",
    "as_page",
    "as_text",
    "rerun",
    "rerun_points",
]


CAUTION: Final = (
    "The script was really run, with your rights, against stand-ins. What it does by absolute paths or by libraries "
    "was not seen. Try it on copies first: your organisation's change control decides."
)

_WHEN: Final[dict[When, str]] = {
    "dies": "when the machine dies",
    "wakes": "when it sleeps and wakes",
    "refused": "when a call is refused",
}
_COLUMN: Final[dict[When, str]] = {"dies": "dies", "wakes": "wakes", "refused": "refused"}


def _kinds(judgement: Judgement) -> list[When]:
    return [when for when in _WHEN if judgement.of(when)]


def answer(judgement: Judgement) -> list[str]:
    """Give the answer in sentences: whether it is safe, and for each kind of loss where it is not, first."""
    if judgement.wrong:
        return [f"{judgement.name} cannot be judged: {judgement.wrong}."]
    kinds = _kinds(judgement)
    told = [_of_one(judgement, when) for when in kinds]
    if judgement.is_safe:
        points = len({it.point for it in judgement.found})
        tried = " and ".join(_WHEN[when] for when in kinds)
        return [f"Safe to run again: all {points} points were tried, {tried}."]
    return ["Not safe to run again.", *told]


def _of_one(judgement: Judgement, when: When) -> str:
    found = judgement.of(when)
    bad = [it for it in found if not it.is_safe]
    start = _WHEN[when][0].upper() + _WHEN[when][1:]
    if not bad:
        return f"{start}: safe at all {len(found)} points."
    first = bad[0]
    where = _where(first)
    return f"{start}: {_what(bad)} at {len(bad)} of {len(found)} points, first {where}."


def _what(bad: Sequence[Found]) -> str:
    """Name what goes wrong most: one thing, or two."""
    said: dict[str, int] = {}
    for it in bad:
        for effect in dict.fromkeys(effect for effect, _, _ in it.repeated):
            said[f"{effect!r} is repeated"] = said.get(f"{effect!r} is repeated", 0) + 1
        for effect in dict.fromkeys(effect for effect, _ in it.missing):
            said[f"{effect!r} is missing"] = said.get(f"{effect!r} is missing", 0) + 1
        if it.extra:
            said["something is left over"] = said.get("something is left over", 0) + 1
        if it.files:
            said["a file differs"] = said.get("a file differs", 0) + 1
        if not it.done:
            said["it never succeeds again"] = said.get("it never succeeds again", 0) + 1
    return " or ".join(sorted(said, key=lambda one: -said[one])[:2])


def _where(found: Found) -> str:
    """Say where a point is: the call with its line."""
    point, call = found.point, found.call + (f", line {_line(found.line)}" if found.line else "")
    if point.where == "end":
        return "at the end, before its outcome was handed in"
    if point.where == "before":
        return f"before call {point.call} ({call})"
    return f"after call {point.call} ({call}), before its answer"


def _short(call: str) -> str:
    """Give a call as it fits into a row."""
    return call if len(call) <= 34 else call[:33] + "…"


def _cell(found: Found | None, *, short: bool = False) -> str:
    """Say what came of one point: what was repeated, missing, left over or different, in a word or in full."""
    if found is None:
        return ""
    if found.is_safe:
        return "safe"
    if short:
        words = (
            ("repeats", found.repeated),
            ("misses", found.missing),
            ("left over", found.extra),
            ("file", found.files),
            ("never right", not found.done),
        )
        return ", ".join(word for word, is_so in words if is_so)
    said = []
    if found.repeated:
        effect, target, _ = found.repeated[0]
        said.append(f"repeated: {effect} {target}{_more(found.repeated)}")
    if found.missing:
        said.append(f"missing: {' '.join(found.missing[0])}{_more(found.missing)}")
    if found.extra:
        said.append(f"left over: {' '.join(found.extra[0])}{_more(found.extra)}")
    if found.files:
        said.append(f"differs: {found.files[0]}{_more(found.files)}")
    if not found.done:
        said.append(f"never right, exit {found.exit}")
    return ", ".join(said)


def _more(of: Sequence[object]) -> str:
    return f" and {len(of) - 1} more" if len(of) > 1 else ""


def advice(judgement: Judgement) -> list[str]:
    """Say what would make it safe: against dying and against waking, which are two things."""
    said = []
    for when in _kinds(judgement):
        bad = [it for it in judgement.of(when) if not it.is_safe]
        if when == "dies" and any(it.repeated for it in bad):
            said.append(
                "Against dying: check first whether the effect is there, and do only what is missing. Asking the "
                "system helps here, because nobody else works meanwhile."
            )
        if when == "dies" and any(it.missing or it.files or not it.done for it in bad):
            said.append(
                "Against dying: write to another name and rename at the end, and clear what an earlier attempt left "
                "half done, such as a lock file of a process that is gone."
            )
        if when == "wakes" and any(it.repeated for it in bad):
            said.append(
                "Against waking: asking first does not help, because the other attempt acts between check and effect. "
                "The system must refuse the second: put if absent, a fencing token, or an idempotency key."
            )
        if when == "wakes" and not any(it.repeated for it in bad) and bad:
            said.append(
                "Against waking: the woken attempt undoes or overwrites what the other did. Let the system refuse it."
            )
        if when == "refused" and bad:
            said.append("Against refusals: check each exit code, and end with an error where a call was refused.")
    return said


def _line(line: str) -> str:
    """Give the number of a line without its file, which a report is about."""
    return line.rpartition(":")[2]


def _rows(judgement: Judgement) -> Iterator[tuple[Found, dict[When, Found]]]:
    by_point: dict[Point, dict[When, Found]] = {}
    for it in judgement.found:
        by_point.setdefault(it.point, {})[it.when] = it
    for found in by_point.values():
        yield next(iter(found.values())), found


def as_text(judgement: Judgement) -> Page:
    """Lay the report out for a terminal."""
    page = Page()
    for place, sentence in enumerate(answer(judgement)):
        page.say(sentence, "" if place else "good" if judgement.is_safe else "bad")
    if judgement.wrong:
        return page
    kinds = _kinds(judgement)
    page.heading("Where it was cut off, and what was left")
    rows = [["point", "line", "call", *(_COLUMN[when] for when in kinds)]]
    for first, found in _rows(judgement):
        rows.append(
            [
                str(first.point),
                _line(first.line),
                _short(first.call),
                *(_cell(found.get(when), short=True) for when in kinds),
            ]
        )
    page.table(rows)
    page.blank()
    page.say("One point with all that it left: --only POINT --keep FOLDER. Every target and file: --json, --page FILE.")
    if judgement.differs:
        page.blank()
        page.say(f"Differs between two undisturbed runs, so not compared: {', '.join(judgement.differs)}.")
    notes = list(dict.fromkeys(note for it in judgement.undisturbed.tried for note in it.notes))
    for note in notes:
        page.say(f"Note: {note}.")
    if said := advice(judgement):
        page.heading("What would make it safe")
        for one in said:
            page.say(one, indent=2)
    page.blank()
    page.say(CAUTION, "small")
    return page


def as_data(judgement: Judgement) -> dict[str, Any]:
    """Give everything as plain data."""
    return {
        "script": judgement.name,
        "version": VERSION,
        "safe": None if judgement.wrong else judgement.is_safe,
        "answer": answer(judgement),
        "wrong": judgement.wrong,
        "not_compared": list(judgement.differs),
        "calls": [
            {
                "number": it.number,
                "argv": list(it.argv),
                "line": it.line,
                "answer": it.answer,
                "effect": it.takes_effect,
            }
            for it in judgement.undisturbed.calls
        ],
        "notes": list(dict.fromkeys(note for it in judgement.undisturbed.tried for note in it.notes)),
        "points": [
            {
                "point": str(it.point),
                "call": it.call,
                "line": it.line,
                "when": it.when,
                "safe": it.is_safe,
                "repeated": [{"effect": effect, "target": target, "by": who} for effect, target, who in it.repeated],
                "missing": [{"effect": effect, "target": target} for effect, target in it.missing],
                "left_over": [{"effect": effect, "target": target} for effect, target in it.extra],
                "files": list(it.files),
                "attempts_more": it.attempts,
                "done": it.done,
                "exit": it.exit,
            }
            for it in judgement.found
        ],
        "advice": advice(judgement),
        "caution": CAUTION,
    }


def as_json(judgement: Judgement) -> str:
    """Give everything as JSON, in ASCII alone."""
    return json.dumps(as_data(judgement), indent=1, ensure_ascii=True) + "\n"


def as_junit(judgement: Judgement) -> str:
    """Give one test case for each point and kind of loss, in the XML that continuous integration reads."""
    bad = sum(not it.is_safe for it in judgement.found) + bool(judgement.wrong)
    counts = {"tests": str(len(judgement.found) or 1), "failures": str(bad), "errors": "0", "skipped": "0"}
    root = ET.Element("testsuites", {"name": "queuedrill", **counts})
    suite = ET.SubElement(root, "testsuite", {"name": plain(f"{judgement.name} run again"), **counts})
    if judgement.wrong:
        case = ET.SubElement(suite, "testcase", {"classname": plain(judgement.name), "name": "undisturbed"})
        ET.SubElement(case, "failure", {"type": "cannot be judged", "message": plain(answer(judgement)[0])})
    for it in judgement.found:
        name = f"{_WHEN[it.when]}: {_where(it)}"
        case = ET.SubElement(suite, "testcase", {"classname": plain(judgement.name), "name": plain(name)})
        if not it.is_safe:
            ET.SubElement(case, "failure", {"type": "not safe", "message": plain(_cell(it))})
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, "unicode") + "\n"


def as_page(judgement: Judgement) -> str:
    """Give the report as one HTML file without a script."""
    first, *more = answer(judgement)
    look = " fits" if judgement.is_safe else " fails"
    kinds = _kinds(judgement)
    rows = [
        [text(str(it.point)), text(it.line), text(it.call), *(text(_cell(found.get(when))) for when in kinds)]
        for it, found in _rows(judgement)
    ]
    parts = [
        f"<header><p>{text(judgement.name)} run again</p><h1 class='verdict{look}'>{text(first)}</h1>",
        *(f"<p>{text(one)}</p>" for one in more),
        "</header><main>",
    ]
    if rows:
        head = ["point", "line", "call", *(_COLUMN[when] for when in kinds)]
        parts.append(f"<section>{table('Where it was cut off, and what was left', head, rows)}</section>")
    if judgement.differs:
        parts.append(f"<p>Not compared, because it differs undisturbed: {text(', '.join(judgement.differs))}.</p>")
    if said := advice(judgement):
        parts.append(
            "<section><h2>What would make it safe</h2>" + "".join(f"<p>{text(one)}</p>" for one in said) + "</section>"
        )
    parts.append(f"<footer><p>{text(CAUTION)} Made by queuedrill {text(VERSION)}.</p></footer></main>")
    return file(f"{judgement.name} run again", "\n".join(parts))


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
