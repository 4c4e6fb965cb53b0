"""Whatever is done to a scenario file: it loads, or a scenario error says why; never anything else, never slowly."""

import re
from copy import deepcopy
from typing import Any

import jsonschema
import pytest
import yaml
from call_counts import calls_of
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from quiet_night import RIGHT

from emulator.errors import ScenarioError
from emulator.hazards import hazards
from emulator.scenario.load import Loaded, from_settings, load_text
from emulator.scenario.schema import schema
from emulator.scenario.stated import resolved
from emulator.scenario.text import read

TEXTS = [(RIGHT / f"{name}.yaml").read_text("utf-8") for name in ("quiet", "shown", "everything")]
DATA = [read(RIGHT / f"{name}.yaml").data for name in ("quiet", "shown", "everything")]
VALIDATOR = jsonschema.Draft202012Validator(schema())
MOST = 3_000_000
"""Calls that no load may take: some seconds (it takes some ten thousand)."""

FEW = settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))

junk = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 5),
    st.integers(-(10**20), 10**20),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from(
        [
            *(
                "",
                " ",
                "0s",
                "1h30m",
                "-1s",
                "22:40",
                "+2h",
                "2026-06-12T21:40:00",
                "dome-2",
                "dome",
                "night",
                "archive/x",
            ),
            *(
                "nightly#1",
                "nightly#99",
                "{plates}",
                "{",
                "a.b",
                "no",
                "exponential",
                "x" * 300,
                "🔭",
                "PT30S",
                "0 23 * * *",
            ),
            *("FREQ=DAILY", "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "* * * * *", "arrivals.csv", "\x00", "null"),
        ]
    ),
    st.text(max_size=20),
)
values = st.recursive(
    junk,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.sampled_from(["value", "from", "on", "n", "at", "count", "median", "p95", "pool", "some", "x", "name"]),
            inner,
            max_size=3,
        ),
    ),
    max_leaves=5,
)


def checked(load: Any) -> Loaded | None:
    """Load something: give it, or None if a scenario error says in our own words what is wrong."""
    loaded: Loaded | None = None
    wrong: ScenarioError | None = None

    def look() -> None:
        nonlocal loaded, wrong
        try:
            loaded = load()
        except ScenarioError as error:
            wrong = error

    assert calls_of(look) < MOST
    if wrong is not None:
        assert wrong.problems
        for problem in wrong.problems:
            assert problem.message and "\n" not in problem.message.replace("\\n", ""), problem
            assert not re.search("Input should|Value error|pydantic|valid (string|integer|list)", problem.message)
    return loaded


def holds(loaded: Loaded | None) -> None:
    """What loads has hazards that can be told, fits the schema, and comes back from its resolved text."""
    if loaded is None:
        return

    def look() -> None:
        for hazard in hazards(loaded):
            assert hazard.message and hazard.path

    assert calls_of(look) < MOST
    assert load_text(resolved(loaded), folder=RIGHT).scenario == loaded.scenario
    assert [error.message for error in VALIDATOR.iter_errors(loaded.written.layers[0].source.data)] == []


def paths(data: Any, loc: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    below = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [loc] * bool(loc) + [path for key, value in below for path in paths(value, (*loc, key))]


@st.composite
def changed_structures(draw: st.DrawFn) -> dict[str, Any]:
    """Draw a right scenario with one to three values replaced, removed, renamed, doubled, or taken from elsewhere."""
    data = deepcopy(draw(st.sampled_from(DATA)))
    for _ in range(draw(st.integers(1, 3))):
        loc = draw(st.sampled_from(paths(data) or [("title",)]))
        holder: Any = data
        for part in loc[:-1]:
            holder = holder[part]
        how = draw(st.sampled_from(["replace", "replace", "remove", "rename", "double", "transplant", "wrap"]))
        if how == "replace":
            holder[loc[-1]] = draw(values)
        elif how == "remove" or not (isinstance(holder, dict) or how in ("double", "transplant", "wrap")):
            del holder[loc[-1]]
        elif how == "rename":
            new = draw(st.one_of(st.text(max_size=8), st.sampled_from(["lease", "at", "value", str(loc[-1]) + "s"])))
            holder[new] = holder.pop(loc[-1])
        elif how == "transplant":
            other = draw(st.sampled_from(paths(data)))
            taken: Any = data
            for part in other:
                taken = taken[part]
            holder[loc[-1]] = deepcopy(taken)
        elif how == "wrap":
            holder[loc[-1]] = {"value": holder[loc[-1]], "from": draw(st.sampled_from(["guess", "measured", "gues"]))}
        elif isinstance(holder, list):
            holder.append(deepcopy(holder[loc[-1]]))
        else:
            holder[str(loc[-1]) + "2"] = deepcopy(holder[loc[-1]])
    return data


@st.composite
def changed_texts(draw: st.DrawFn) -> str:
    """Draw the text of a right scenario with one to four pieces cut out, doubled, moved, or replaced by noise."""
    text = draw(st.sampled_from(TEXTS))
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(text)))
        end = min(len(text), start + draw(st.integers(0, 40)))
        noise = st.one_of(
            st.text(max_size=5),
            st.sampled_from(
                [":", "- ", "{", "}", "[", "]", "\n", "  ", "\t", "&a ", "*a", "!x ", "'", '"', "#", "|", "%", "\r"]
            ),
        )
        piece = draw(st.one_of(noise, st.just(""), st.just(text[start:end] * 2)))
        text = text[:start] + piece + text[end:]
    return text


@pytest.mark.slow
@FEW
@given(changed_structures())
@example({"queues": {"value": 1}, "pools": [], "arrivals": {}, "faults": 7, "variants": {"a": 1}})
@example({"pools": {}, "faults": [{"freeze": {"pool": "dome", "some": 2}}]})
@example({"routines": {"a": {"parameters": {"b": {}}}}, "arrivals": [{"routine": "a", "parameters": {"b": 1}}]})
@example({"arrivals": [{"routine": "a", "trace": "x" * 300}]})
@example({"arrivals": [{"after": {"entry": 1}}, None, []], "routines": {"a": None, "b": {"parts": [None]}}})
def test_changed_structures_load_or_are_told(data: dict[str, Any]) -> None:
    """A scenario of any structure loads, or a scenario error tells why; what loads keeps every promise."""
    holds(checked(lambda: from_settings(data, folder=RIGHT)))


@pytest.mark.slow
@FEW
@given(changed_texts())
@example("title: [" * 100)
@example("a: &a [1]\nb: [*a, *a]\n")
def test_changed_texts_load_or_are_told(text: str) -> None:
    """A scenario of any text loads, or a scenario error tells why; what loads keeps every promise."""
    holds(checked(lambda: load_text(text, folder=RIGHT)))


@pytest.mark.slow
@FEW
@given(changed_structures())
def test_places_are_those_of_the_text(data: dict[str, Any]) -> None:
    """Written to a file, a wrong scenario is told with places that lie in that file, in its order."""
    try:
        text = yaml.safe_dump(data, allow_unicode=True, sort_keys=False)
    except yaml.YAMLError:
        return
    lines = len(text.splitlines())
    try:
        load_text(text, folder=RIGHT)
    except ScenarioError as error:
        told = [(problem.line, problem.column) for problem in error.problems if problem.line]
        assert told == sorted(told)
        assert all(1 <= line <= lines + 1 and column >= 1 for line, column in told)


def big(kind: str, size: int) -> dict[str, Any]:
    """Make a scenario with much of one thing."""
    data = deepcopy(DATA[0])
    if kind == "arrivals":
        data["arrivals"] = [{**data["arrivals"][0], "name": f"n{i}"} for i in range(size)]
    elif kind == "wrong arrivals":
        data["arrivals"] = [{"routine": f"r{i}", "at": "22:00", "nmae": "x"} for i in range(size)]
    elif kind == "queues":
        data["queues"] |= {f"q{i}": {"leese": "90s"} for i in range(size)}
    elif kind == "faults":
        data["faults"] = [{"freeze": f"dom-{i}", "at": "22:00"} for i in range(size)]
    else:
        data["variants"] = {f"v{i}": {"queues.night.lease": "90s"} for i in range(size // 20)}
    return data


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["arrivals", "wrong arrivals", "queues", "faults", "variants"])
def test_work_grows_no_faster_than_the_file(kind: str) -> None:
    """Of twice as many entries, right or wrong, at most 101 mistakes are told, in at most 2.2 times the calls."""

    def looked_at(size: int) -> int:
        settings = big(kind, size)

        def look() -> None:
            try:
                from_settings(settings)
            except ScenarioError as error:
                assert len(error.problems) <= 101

        return calls_of(look)

    looked_at(20)  # what is imported when it is first used
    assert looked_at(800) < 2.2 * looked_at(400)
