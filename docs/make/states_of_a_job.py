"""Writes the state table as a diagram and a table, made from nothing but the table itself.

``python docs/make/states_of_a_job.py`` writes the page that stands in ``docs/states.md``; a test fails when that page
is stale.
"""

import inspect
import itertools
import sys
from collections.abc import Mapping
from enum import Enum
from types import MappingProxyType
from typing import Final

from emulator.broker.states import FINAL_STATES, TABLE, Request, Rule, State, in_plain_words

__all__ = ["beyond", "mermaid", "page", "table"]

_HEAD = """\
# States of a job

This page is made from the state table of the broker (`python docs/make/states_of_a_job.py`); do not edit it by hand.

The states are those of the open standard DRMAA v2 (GFD.194, GFD.231). A refused request changes nothing.
"""

_BEYOND = """\
The standard lets people hold a job that is queued or requeued, release one that is held, suspend one that is running
and resume one that is suspended. In any other state it refuses the request. The broker grants these as well:
"""

_STANDARD: Final[Mapping[Request, tuple[State, ...]]] = MappingProxyType(
    {
        Request.HOLD: (State.QUEUED, State.REQUEUED),
        Request.RELEASE: (State.QUEUED_HELD, State.REQUEUED_HELD),
        Request.SUSPEND: (State.RUNNING,),
        Request.RESUME: (State.SUSPENDED,),
    }
)
"""The states in which the standard grants what people ask (GFD.231, the operations of a job; from memory)."""

_MEANING: Final[Mapping[Request, str]] = MappingProxyType(
    {
        Request.HOLD: "a person's hold joins other reasons. What a worker has is held once it is back in the queue",
        Request.RELEASE: "the hold of a job that a worker has is taken back",
        Request.SUSPEND: "a resume that the worker has not carried out yet is taken back",
        Request.RESUME: "a suspension that the worker has not carried out yet is taken back",
    }
)


def _words(members: type[Enum]) -> dict[str, str]:
    """Give the docstring that stands below each member in the source."""
    lines = inspect.getsource(members).splitlines()
    values = {f"{member.name} = ": str(member.value) for member in members}
    found = {}
    for line, below in itertools.pairwise(lines):
        for start, value in values.items():
            if line.strip().startswith(start):
                found[value] = below.strip().strip('"')
    return found


def _name(state: State) -> str:
    return state.value.replace(" ", "_")


def mermaid() -> str:
    """Draw the moves from one state to another as a Mermaid state diagram; what leaves the state as it is, is left out.

    >>> print(mermaid().splitlines()[0])
    stateDiagram-v2
    """
    lines = ["stateDiagram-v2"]
    lines += [f'    state "{state.value}" as {_name(state)}' for state in State if " " in state.value]
    lines += [f"    [*] --> {_name(state)}: submit" for state in (State.QUEUED, State.QUEUED_HELD)]
    arrows: dict[tuple[State, State], list[str]] = {}
    for (state, request), rule in TABLE.items():
        for guard, to in rule.moves:
            if to is not state:
                label = f"{request.value} ({guard.words})" if guard.words else request.value
                arrows.setdefault((state, to), []).append(label)
    for (state, to), labels in arrows.items():
        lines += [f"    {_name(state)} --> {_name(to)}: {label}" for label in labels]
    lines += [f"    {_name(state)} --> [*]" for state in FINAL_STATES]
    return "\n".join(lines) + "\n"


def _cell(state: State, rule: Rule) -> str:
    parts = []
    for guard, to in rule.moves:
        where = "stays" if to is state else f"**{to.value}**"
        parts.append(f"{guard.words}: {where}" if guard.words else where)
    if rule.otherwise:
        why = in_plain_words(rule.otherwise)
        parts.append(f"refused: {why}" if not rule.moves else f"else refused: {why}")
    return "; ".join(parts)


def table() -> str:
    """Write the whole table in Markdown, one row a request and one column a state."""
    states = list(State)
    lines = ["| request | " + " | ".join(state.value for state in states) + " |", "| --- " * (len(states) + 1) + "|"]
    for request in Request:
        cells = [_cell(state, TABLE[state, request]) for state in states]
        lines.append(f"| {request.value} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def beyond() -> str:
    """List where the table grants more to people than the standard does.

    >>> print(beyond().splitlines()[2])
    - **suspend** of a job that is suspended: a resume that the worker has not carried out yet is taken back.
    """
    lines = []
    for request, granted in _STANDARD.items():
        more = [state.value for state in State if TABLE[state, request].moves and state not in granted]
        lines.append(f"- **{request.value}** of a job that is {' or '.join(more)}: {_MEANING[request]}.")
    return "\n".join(lines) + "\n"


def page() -> str:
    """Write the page of the docs."""
    parts = [_HEAD, "## States\n"]
    parts.append("\n".join(f"- **{value}**: {words}" for value, words in _words(State).items()) + "\n")
    parts += ["## Diagram\n", f"```mermaid\n{mermaid()}```\n", "## Requests\n"]
    parts.append("\n".join(f"- **{value}**: {words}" for value, words in _words(Request).items()) + "\n")
    parts += ["## Beyond the standard\n", _BEYOND, beyond()]
    parts += ["## The whole table\n", table()]
    return "\n".join(parts)


if __name__ == "__main__":  # pragma: no cover - one line, and the test calls page itself
    sys.stdout.write(page())
