"""How do the requirements of many nights become test results in the XML that continuous integration reads?

One ``testsuite`` with a ``testcase`` for each requirement: ``failure`` where it does not hold, ``error`` where there
are too few nights to decide or none had anything to judge. So nothing passes that was not shown. Nights that failed to
run are an ``error`` of a ``testcase`` of their own. Whoever lets what is open pass (or fail) gets ``skipped`` (or
``failure``) instead of ``error``.
"""

from collections.abc import Iterator
from typing import Literal
from xml.etree import ElementTree as ET

from emulator.measure.comparison.result import Comparison, Share
from emulator.measure.comparison.shares import ALL
from emulator.measure.words import value
from emulator.scenario.variants import AS_WRITTEN
from emulator.show.comparison.verdict import sentence
from emulator.show.comparison.words import again
from emulator.show.exports.plain import plain

__all__ = ["Open", "nights_xml"]

Open = Literal["error", "failure", "skipped"]
"""What becomes of a requirement that so few nights leave open."""


def nights_xml(nights: Comparison, open_as: Open = "error") -> str:
    """Give the requirements of many nights of one scenario as XML."""
    title = nights.title + ("" if nights.baseline == AS_WRITTEN else f", variant '{nights.baseline}'")
    suite = ET.Element("testsuite", {"name": plain(title)})
    properties = ET.SubElement(suite, "properties")
    for name, said in _properties(nights):
        ET.SubElement(properties, "property", {"name": name, "value": plain(said)})
    seen: dict[str, int] = {}
    for one in nights.shares:
        if one.requirement == ALL:
            continue
        seen[one.requirement] = number = seen.get(one.requirement, 0) + 1
        name = one.requirement if number == 1 else f"{one.requirement} ({number})"
        case = ET.SubElement(suite, "testcase", {"classname": plain(title), "name": plain(name)})
        _result(case, nights, one, open_as)
    if nights.lost:
        case = ET.SubElement(suite, "testcase", {"classname": plain(title), "name": "every night was run"})
        said = f"{len(nights.lost)} of {nights.nights} nights failed to run"
        error = ET.SubElement(case, "error", {"type": "lost", "message": said})
        error.text = plain("\n".join(f"seed {one.seed}: {one.why}" for one in nights.lost))
    root = ET.Element("testsuites", {"name": "queuedrill"})
    root.append(suite)
    for element in (root, suite):
        for key, tag in (("tests", "testcase"), ("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
            element.set(key, str(sum(1 for _ in suite.iter(tag))))
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, "unicode") + "\n"


def _result(case: ET.Element, nights: Comparison, one: Share, open_as: Open) -> None:
    if one.verdict == "holds":
        return
    tag = "failure" if one.verdict == "does_not_hold" else open_as
    found = ET.SubElement(case, tag, {"message": plain(one.sentence)})
    if tag != "skipped":
        found.set("type", one.verdict)
    lines = [f"Kept in {one.held} of {one.judged} nights."]
    if one.missed_seeds:
        lines += ["Nights that missed it:", *(again(nights, nights.baseline, seed) for seed in one.missed_seeds)]
    found.text = "\n".join(plain(line) for line in lines)


def _properties(nights: Comparison) -> Iterator[tuple[str, str]]:
    yield "verdict", sentence(nights)
    yield "scenario", ", ".join(nights.files)
    yield "nights", str(nights.nights)
    yield "first seed", str(nights.first_seed)
    yield "variant", "" if nights.baseline == AS_WRITTEN else nights.baseline
    yield "confidence", value(nights.confidence, "share")
    yield "program version", nights.versions.get("program", "")
    yield "zone data version", nights.versions.get("zone data", "")
