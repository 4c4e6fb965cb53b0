"""Scenario files with something wrong in them, made by the thousand: whatever is done to a file, ``check`` answers.

``python tests/mutated_files.py --count 100000 --seed 1`` checks so many by hand, each with and without ``--resolved``,
and prints how many were right, how many were wrong, and every one that ended in a defect. The same seed makes the same
files; ``--show N`` prints the file with that number.
"""

import argparse
import io
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import redirect_stderr, redirect_stdout
from copy import deepcopy
from hashlib import blake2b
from pathlib import Path
from time import monotonic
from typing import Any

import yaml

from emulator.cli.main import answer
from emulator.scenario.text import read

__all__ = ["Choices", "checked", "mutant", "place"]

TESTS = Path(__file__).parent
FILES = [
    *(TESTS / "unit" / "right" / f"{name}.yaml" for name in ("quiet", "shown", "everything", "based")),
    *sorted((TESTS.parent / "scenarios").glob("*.yaml")),
]
TEXTS = [path.read_text("utf-8") for path in FILES]
DATA = [read(path).data for path in FILES]

NOISE = (
    *(":", ": ", "- ", "{", "}", "[", "]", "\n", "  ", "\t", "&a ", "*a", "!x ", "'", '"', "#", "|", ">", "%", "\r"),
    *("\0", "\x07", "\x85", "\u2028", "\ud800", "\ue000", "\ufeff", "🔭", "---\n", "? ", "<<: ", "~", "=", "+", "0"),
)
JUNK: tuple[Any, ...] = (
    *(None, True, False, 0, 1, -1, 2, 3, 7, 60, 1e308, -1e308, 5e-324, 0.5, 10**29, -(10**29), 2**31, 2**63, 1.5),
    *("", " ", "x", "x" * 300, "no", "null", "a.b", "a/b", "a#1", "{", "}", "{plates}", "{{}}", "{a}{", "\u202e", "🔭"),
    *("0s", "1us", "90s", "1h30m", "-1s", "36525d", "36526d", "99999999h", "0.5us", "PT30S", "P1Y", "1e3s", "٣s"),
    *("22:40", "24:00", "00:00", "+0s", "+2h", "+99999999h", "+36525d", "-2h", "2026-06-12T21:40:00", "2026-02-30"),
    *("1900-01-01T00:00:00", "9000-12-31T23:59:59", "9999-12-31T23:59:59", "0001-01-01", "2016-12-31T23:59:60Z"),
    *("0 23 * * *", "* * * * *", "0 0 31 2 *", "0 0 30 2 *", "*/5 * * * 1-5", "60 * * * *", "FREQ=DAILY"),
    *("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "FREQ=MINUTELY;BYSECOND=0,30", "FREQ=SECONDLY", "FREQ=DAILY;COUNT=0"),
    *("FREQ=WEEKLY;UNTIL=20260613T040000Z", "Saturday", "UTC", "America/Santiago", "Pacific/Apia", "../UTC"),
    *(
        "night",
        "dome",
        "dome-1",
        "dome-2",
        "dome-0",
        "nightly#1",
        "nightly#99",
        "arrivals.csv",
        "/dev/null",
        "exponential",
    ),
    *("standstill", "copied", "patient", "one", "faults.standstill.at", "must_hold.copied.exactly", "based_on", "add"),
    *("quiet.yaml", "everything.yaml", "based.yaml", "../base.yaml", "-1", "remove", "faults", "arrivals.plates"),
    *("makespan", "done_share", "95%", "100 %", ">=1.2,<2", "1.2.3", "all", "computed", "simulated", "+2h30m"),
)


class Choices:
    """Choices that depend on a seed and a number alone."""

    def __init__(self, seed: int, number: int) -> None:
        self._key = b"%d/%d" % (seed, number)
        self._drawn = 0
        self._left = b""

    def below(self, bound: int) -> int:
        """Give a number from 0 to below the bound."""
        if len(self._left) < 4:
            self._left += blake2b(self._key + b"/%d" % self._drawn).digest()
            self._drawn += 1
        drawn, self._left = int.from_bytes(self._left[:4]), self._left[4:]
        return drawn * bound >> 32

    def of(self, among: Sequence[Any]) -> Any:
        """Give one of several things."""
        return among[self.below(len(among))]


def mutant(seed: int, number: int) -> bytes:
    """Make the file with a number: a right scenario in which one to four things were changed."""
    choices = Choices(seed, number)
    if choices.below(3) == 0:
        return _changed_text(choices).encode("utf-8", "surrogatepass")
    data = _changed_data(choices)
    return yaml.dump(data, Dumper=_Dumper, allow_unicode=True, sort_keys=False).encode("utf-8", "surrogatepass")


class _Dumper(getattr(yaml, "CSafeDumper", yaml.SafeDumper)):  # type: ignore[misc]  # C's is several times as fast
    def ignore_aliases(self, data: Any) -> bool:
        return True


def _changed_text(choices: Choices) -> str:
    text = choices.of(TEXTS)
    for _ in range(1 + choices.below(4)):
        start = choices.below(len(text) + 1)
        end = min(len(text), start + choices.below(40))
        piece = (choices.of(NOISE), "", text[start:end] * 2, str(choices.of(JUNK)))[choices.below(4)]
        text = text[:start] + piece + text[end:]
    return text


def _paths(data: Any, loc: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    for key, value in data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ():
        yield (*loc, key)
        yield from _paths(value, (*loc, key))


def _at(data: Any, loc: Sequence[Any]) -> Any:
    for part in loc:
        data = data[part]
    return data


def _values(data: Any) -> Iterator[tuple[Any, Any]]:
    for loc in _paths(data):
        yield loc[-1], _at(data, loc)


BY_KEY: dict[Any, list[Any]] = {}
"""What stands under a key, in all files."""
for one in DATA:
    for key, value in _values(one):
        BY_KEY.setdefault(key, []).append(value)


def _like(value: Any, key: Any, choices: Choices) -> Any:
    """Choose what might stand there: what does elsewhere under that key, or anything of its type."""
    if choices.below(2):
        return deepcopy(choices.of(BY_KEY.get(key, [value])))
    return choices.of([junk for junk in JUNK if type(junk) is type(value)] or [value])


def _junk(choices: Choices) -> Any:
    kind = choices.below(8)
    if kind == 0:
        return [choices.of(JUNK) for _ in range(choices.below(4))]
    if kind == 1:
        return {str(choices.of(JUNK)): choices.of(JUNK) for _ in range(choices.below(4))}
    return choices.of(JUNK)


def _changed_data(choices: Choices) -> Any:
    data = deepcopy(choices.of(DATA))
    for _ in range(choices.of((1, 1, 1, 2, 3))):
        loc = choices.of(list(_paths(data)) or [("title",)])
        holder, last = _at(data, loc[:-1]), loc[-1]
        how = choices.of(
            ("like", "like", "like", "like", "junk", "junk", "remove", "rename", "double", "transplant", "wrap")
        )
        if how == "like":
            holder[last] = _like(holder[last], last, choices)
        elif how == "junk":
            holder[last] = _junk(choices)
        elif how == "transplant":  # what stands elsewhere, perhaps in another file
            other = choices.of(DATA)
            holder[last] = deepcopy(_at(other, choices.of(list(_paths(other)))))
        elif how == "wrap":
            holder[last] = {"value": holder[last], "from": choices.of(("guess", "measured", "gues", None))}
        elif how == "double":
            if isinstance(holder, list):
                holder.append(deepcopy(holder[last]))
            else:
                holder[f"{last}2"] = deepcopy(holder[last])
        elif how == "rename" and isinstance(holder, dict):
            holder[choices.of((f"{last}s", "value", "at", "lease", str(choices.of(JUNK))))] = holder.pop(last)
        else:
            del holder[last]
    return data


def place(folder: Path) -> Path:
    """Make a place for files one after the other, with the traces that they name: give the path of the file."""
    for trace in {path.parent / name for path, data in zip(FILES, DATA, strict=True) for name in _traces(data)}:
        if trace.is_file():
            (folder / trace.name).write_bytes(trace.read_bytes())
    for path in FILES:  # that a file may be based on
        (folder / path.name).write_bytes(path.read_bytes())
    return folder / "mutant.yaml"


def _traces(data: Any) -> Iterator[str]:
    return (entry["trace"] for entry in data.get("arrivals", ()) if "trace" in entry)


def checked(path: Path) -> tuple[int, str]:
    """Check a file with ``--resolved``, and if it is right without too: the worse exit code, and the complaints."""
    said = io.StringIO()
    with redirect_stdout(io.StringIO()), redirect_stderr(said):
        code = answer(["check", "--resolved", str(path)])
        if code == 0:  # then the hazards are told; what is wrong is told in both cases by the same words
            code = answer(["check", str(path)])
    return code, said.getvalue()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--show", type=int)
    asked = parser.parse_args()
    if asked.show is not None:
        sys.stdout.buffer.write(mutant(asked.seed, asked.show))
        return 0
    began, ended = monotonic(), {0: 0, 2: 0, 3: 0}
    with tempfile.TemporaryDirectory() as folder:
        path = place(Path(folder))
        for number in range(asked.count):
            path.write_bytes(mutant(asked.seed, number))
            code, said = checked(path)
            ended[code] = ended.get(code, 0) + 1
            if code not in (0, 2):
                print(f"--show {number} ended with {code}: {said}", flush=True)
    said = f"{asked.count} files of seed {asked.seed}: {ended[0]} right, {ended[2]} wrong, {ended[3]} defects"
    print(f"{said}, {monotonic() - began:.0f} s")
    return 1 if ended[3] else 0


if __name__ == "__main__":
    sys.exit(main())
