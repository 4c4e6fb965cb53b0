"""How do the requirements of a night become test results in the XML that continuous integration reads?

There is no standard for it; what is written keeps to what the common readers agree on: ``testsuites`` with one
``testsuite``, one ``testcase`` for each requirement, in it ``failure`` for a missed one and ``skipped`` for one that
this night could not decide (of a log that breaks off before its run was finished: for every one). Facts under
``also_true`` have a ``testsuite`` of their own. Times are left out of
test cases: no requirement takes any. The night's own length, in virtual time, stands in the properties.
"""

from collections.abc import Iterator, Sequence
from xml.etree import ElementTree as ET

from emulator.measure.verdict import Judged
from emulator.measure.words import write
from emulator.show.exports.plain import local_time, plain, seconds
from emulator.show.exports.recorded import Recorded
from emulator.show.meta import verdict

__all__ = ["results_xml"]


def results_xml(recorded: Recorded) -> Iterator[str]:
    """Give the requirements as XML."""
    root = ET.Element("testsuites", {"name": "queuedrill", **_counts((*recorded.judged, *recorded.also_true))})
    title = plain(recorded.title)
    suite = ET.SubElement(root, "testsuite", {"name": title, **_counts(recorded.judged)})
    properties = ET.SubElement(suite, "properties")
    for name, value in _properties(recorded):
        ET.SubElement(properties, "property", {"name": name, "value": plain(value)})
    _add_cases(suite, title, recorded, recorded.judged)
    if recorded.also_true:
        facts = f"{title}: also true"
        suite = ET.SubElement(root, "testsuite", {"name": facts, **_counts(recorded.also_true)})
        _add_cases(suite, facts, recorded, recorded.also_true)
    ET.indent(root)
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield ET.tostring(root, "unicode") + "\n"


def _counts(judged: Sequence[Judged]) -> dict[str, str]:
    return {
        "tests": str(len(judged)),
        "failures": str(sum(one.met is False for one in judged)),
        "errors": "0",
        "skipped": str(sum(one.met is None for one in judged)),
    }


def _add_cases(suite: ET.Element, of: str, recorded: Recorded, judged: Sequence[Judged]) -> None:
    seen: dict[str, int] = {}
    for one in judged:
        seen[one.requirement] = again = seen.get(one.requirement, 0) + 1
        name = one.requirement if again == 1 else f"{one.requirement} ({again})"
        case = ET.SubElement(suite, "testcase", {"classname": of, "name": plain(name)})
        if one.met is False:
            failure = ET.SubElement(case, "failure", {"type": "missed", "message": plain(one.sentence)})
            failure.text = _evidence(recorded, one)
        elif one.met is None:
            ET.SubElement(case, "skipped", {"message": plain(one.sentence)})


def _properties(recorded: Recorded) -> Iterator[tuple[str, str]]:
    about = recorded.about
    yield "verdict", recorded.breaks_off or verdict(recorded.judged)[1]
    yield "scenario", about.scenario_name
    yield "seed", str(about.seed)
    yield "variant", about.variant
    if about.changes:
        yield "changes of the command line", " ".join(map(str, about.changes))
    yield "night begins", local_time(recorded.clock, 0)
    yield "night lasts, seconds of virtual time", seconds(recorded.night.horizon)
    yield "finished", "yes" if recorded.finished else "no"
    yield "program version", about.program_version
    yield "zone data version", about.zone_data_version


def _evidence(recorded: Recorded, one: Judged) -> str:
    """Say what was found, and name the jobs that show why, each on a line."""
    lines = [one.sentence, f"Found: {write(one.found)}."]
    if one.evidence:
        lines.append("Jobs that show why, the worst first:")
        lines += [f"{recorded.job(job)} (job {job})" for job in one.evidence]
    return "\n".join(plain(line) for line in lines)
