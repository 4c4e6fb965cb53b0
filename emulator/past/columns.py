"""Guesses what each column of an export means, and each word of outcome, with the reasons.

Meanings are read off what the columns hold, and only then off what they are called, since exports come in every
language and with no names at all:

- moments: the column that is first in nearly every row is ``submitted``, the next ``begun``, the last ``ended``;
- ``job``: of nearly as many values as rows, and the rows of one value share the moment of submission;
- ``attempt``: small whole numbers that begin with the same one for each job and rise;
- ``outcome``: few words, known ones of success and failure among them, or different ones where an end is missing;
- ``worker``: few names, empty where nothing has begun, and one job may have several;
- ``routine``: few names, and a job has one.

Each comes with its reason. What stays doubtful is marked as a guess and listed first.

The words of a column are taken in small letters and without space around them. Most are known (in the languages of the
lists below); of what is not known, what it stands beside decides: an attempt without an end is lost or still going on,
one that the same job tries again has failed. Each meaning has its reason, which the file of columns shows.
"""

import itertools
import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from emulator.errors import InputError
from emulator.past.moments import BLANKS, Form, Moments, nearly_moments, read_moments, recognise
from emulator.past.tables import Table

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "MEANINGS",
    "Column",
    "Columns",
    "Seen",
    "Word",
    "guess_columns",
    "meaning_of",
    "plain_name",
    "plain_worker",
]


OUTCOMES: Final = ("ok", "error", "lost", "cancelled", "running", "waiting")
"""What an outcome may mean; the file of columns allows these."""

_KNOWN: Final[Mapping[str, tuple[str, ...]]] = {
    "ok": (
        *("ok", "okay", "success", "succeeded", "successful", "done", "completed", "complete", "finished", "passed"),
        *("good", "true", "exit 0", "exited 0", "erfolgreich", "fertig", "erledigt", "abgeschlossen", "exito", "éxito"),
        *("completado", "terminado", "correcto", "réussi", "terminé", "succès"),
    ),
    "error": (
        *("failed", "failure", "fail", "error", "errored", "err", "fault", "nok", "not ok", "bad", "rejected", "false"),
        *("timeout", "timed out", "fehler", "fehlgeschlagen", "gescheitert", "fallo", "fallido", "échec", "erreur"),
    ),
    "lost": (
        *("lost", "aborted", "abort", "killed", "terminated", "interrupted", "crashed", "vanished", "node fail"),
        *("worker lost", "lease lost", "abgebrochen", "verloren", "perdido", "perdu"),
    ),
    "cancelled": ("cancelled", "canceled", "withdrawn", "revoked", "storniert", "cancelado", "annulé"),
    "running": (
        "running",
        "in progress",
        "in_progress",
        "started",
        "active",
        "executing",
        "läuft",
        "en curso",
        "en cours",
    ),
    "waiting": ("waiting", "queued", "pending", "scheduled", "held", "wartet", "wartend", "en espera", "en attente"),
}
_MEANS: Final = {word: meaning for meaning, words in _KNOWN.items() for word in words}


@dataclass(frozen=True, slots=True)
class Seen:
    """How often a word of outcome stands in the rows, and beside what: of those rows, how many have no end, and how
    many are followed by another attempt of the same job."""

    count: int
    without_end: int
    tried_again: int


@dataclass(frozen=True, slots=True)
class Word:
    """What a word of outcome was taken to mean, why, and whether that is a guess."""

    means: str
    why: str
    guess: bool


def meaning_of(word: str, seen: Seen, commonest: bool) -> Word:
    """Tell what a word of outcome means.

    Args:
        word: in small letters, without space around it.
        seen: the rows in which it stands.
        commonest: whether no word stands in more rows.
    """
    if word in _MEANS:
        return Word(_MEANS[word], "a known word", False)
    begins = word.replace("_", " ").replace("-", " ").replace(":", " ").split()
    if (spaced := " ".join(begins)) in _MEANS:
        return Word(_MEANS[spaced], "a known word", False)
    if begins and begins[0] in _MEANS:
        return Word(_MEANS[begins[0]], f"begins with the known word {begins[0]}", False)
    if begins and begins[-1].isdigit() and begins[0] in ("exit", "exited", "code", "rc", "status"):
        return Word("ok" if int(begins[-1]) == 0 else "error", "an exit code: 0 is ok", False)
    if 2 * seen.without_end > seen.count:
        return Word("lost", f"{seen.without_end} of its {seen.count} rows have no end", True)
    if 2 * seen.tried_again > seen.count:
        return Word("error", f"another attempt follows {seen.tried_again} of its {seen.count} rows", True)
    if commonest:
        return Word("ok", "no word stands in more rows", True)
    if word.isdigit():
        return Word("ok" if int(word) == 0 else "error", "a number: 0 is ok", True)
    return Word("error", "not known, and not the commonest", True)


MEANINGS: Final = ("job", "routine", "submitted", "begun", "ended", "worker", "outcome", "attempt")
"""What a column may mean. What means none of these is not used."""

_FEW: Final = 2_000
_ENOUGH: Final = 50_000
_SURE: Final = 0.95
_DIGITS: Final = re.compile(r"[+-]?\d{1,9}")
_NAMED: Final = {
    "job": ("job", "ticket", "id", "run", "nr", "number", "task", "request"),
    "routine": ("routine", "type", "kind", "name", "job type", "category", "class", "script", "vorgang"),
    "worker": ("worker", "host", "machine", "node", "agent", "runner", "server", "rechner"),
    "outcome": ("outcome", "status", "state", "result", "exit", "zustand", "ergebnis"),
    "attempt": ("attempt", "try", "retry", "retries", "versuch"),
}


@dataclass(frozen=True, slots=True)
class Column:
    """What one column was taken for.

    Attributes:
        name: what the file calls it.
        means: one of :data:`MEANINGS`, or empty where it is not used.
        why: the reason.
        guess: whether another meaning is as likely.
        form: how it writes moments, where it does.
        words: what its words of outcome mean.
    """

    name: str
    means: str
    why: str
    guess: bool = False
    form: Form | None = None
    words: dict[str, Word] = field(default_factory=dict)


@dataclass(slots=True)
class Columns:
    """What the columns of one table mean, and the moments already read."""

    columns: list[Column]
    moments: dict[str, Moments]

    def at(self, means: str) -> int | None:
        """Give the place of the column of that meaning; None where there is none."""
        return next((at for at, column in enumerate(self.columns) if column.means == means), None)


def plain_name(cell: str) -> str:
    """Give a routine's or an outcome's name in small letters and without space around it."""
    return " ".join(cell.split()).casefold()


def plain_worker(cell: str) -> str:
    """Give a worker's name in small letters, without its domain; an address of numbers stays whole."""
    name = plain_name(cell)
    first, dot, _ = name.partition(".")
    return first if dot and not first.isdigit() else name


def words_of(cells: Sequence[str], without_end: Sequence[bool], tried_again: Sequence[bool]) -> dict[str, Word]:
    """Say what each word of a column of outcomes means, the commonest first."""
    count: Counter[str] = Counter()
    no_end: Counter[str] = Counter()
    again: Counter[str] = Counter()
    plain: dict[str, str] = {}
    for cell, without, more in zip(cells, without_end, tried_again, strict=True):
        word = plain.get(cell)
        if word is None:
            word = plain[cell] = plain_name(cell)
        count[word] += 1
        no_end[word] += without
        again[word] += more
    top = max(count.values())
    return {
        word: meaning_of(word, Seen(n, no_end[word], again[word]), n == top)
        for word, n in sorted(count.items(), key=lambda it: (-it[1], it[0]))
        if word not in BLANKS
    }


def guess_columns(table: Table, zone: str) -> Columns:
    """Tell what each column means.

    Raises:
        InputError: no column holds moments, so that nothing can be learnt of when jobs came.
    """
    import numpy as np

    rows = len(table)
    forms = {at: form for at, cells in enumerate(table.columns) if (form := recognise(cells)) is not None}
    forms = {at: form for at, form in forms.items() if len(set(table.columns[at])) > 1 or rows == 1}
    if not forms:
        raise InputError(f"{table.name}: no column holds moments: {_nearest(table)}")
    forms = _one_order(forms)
    moments = {at: read_moments(table.columns[at], form, zone) for at, form in forms.items()}
    found = _times(table, {at: it.seconds for at, it in moments.items()})
    first = next(
        at for at, (means, _, _) in found.items() if means == min((it[0] for it in found.values()), key=MEANINGS.index)
    )
    begun = next((at for at, it in found.items() if it[0] == "begun"), None)
    ended = next((at for at, it in found.items() if it[0] == "ended"), None)
    nothing = np.full(rows, np.nan)
    facts = _Facts(
        table,
        moments[first].seconds,
        nothing if begun is None else moments[begun].seconds,
        nothing if ended is None else moments[ended].seconds,
    )
    rest = [at for at in range(len(table.columns)) if at not in forms]
    found.update(_others(facts, rest))
    columns = []
    for at, name in enumerate(table.names):
        means, why, guess = found.get(at, ("", "nothing that is needed here", False))
        words = (
            _words_of_all(table, at, facts, moments.get(ended) if ended is not None else None)
            if means == "outcome"
            else {}
        )
        form = forms.get(at) if means else None
        columns.append(Column(name, means, why, guess or (form is not None and form.guess), form, words))
    return Columns(columns, {column.means: moments[at] for at, column in enumerate(columns) if column.form})


def _nearest(table: Table) -> str:
    """Say which column comes nearest to one of moments and where it is none, or what to give."""
    found = [(near, at) for at, cells in enumerate(table.columns) if (near := nearly_moments(cells))]
    if not found:
        return "give the time at which each job was submitted or begun"
    (like, filled, row), at = max(found, key=lambda it: it[0][0] / it[0][1])
    cell = table.columns[at][row].strip()
    shown = cell if len(cell) <= 40 else cell[:37] + "..."
    return (
        f"{like} of {filled} cells of column {table.names[at]!r} look like one, and {shown!r} in line "
        f"{table.lines[row]} does not; 9 of 10 must be in one form"
    )


def _words_of_all(table: Table, at: int, facts: "_Facts", ended: Moments | None) -> dict[str, Word]:
    """Say what the words of outcome mean, by all rows."""
    import numpy as np

    rows = len(table)
    if facts.job is None:
        again = [False] * rows
    else:
        last = {job: row for row, job in enumerate(table.columns[facts.job])}
        again = [last[job] != row for row, job in enumerate(table.columns[facts.job])]
    without = [False] * rows if ended is None else np.isnan(ended.seconds).tolist()
    return words_of(table.columns[at], without, again)


def _one_order(forms: dict[int, Form]) -> dict[int, Form]:
    """Let the columns that leave the order open follow one that does not: one program wrote them all."""
    sure = next((form for form in forms.values() if form.kind == "numbers" and not form.guess), None)
    if sure is None:
        return forms
    return {
        at: Form("numbers", sure.order, "as in another column of this file") if form.guess else form
        for at, form in forms.items()
    }


def _times(table: Table, seconds: "dict[int, NDArray[np.float64]]") -> dict[int, tuple[str, str, bool]]:
    """Put the columns of moments in order, and say which is which."""
    import numpy as np

    filled = {at: int(np.isfinite(it).sum()) for at, it in seconds.items()}
    chosen = sorted(seconds, key=lambda at: -filled[at])

    def held(order: Sequence[int]) -> float:
        """In which share of the rows with all of these moments do they come in this order?"""
        both = np.logical_and.reduce([np.isfinite(seconds[at]) for at in order])
        if not both.any():
            return 0.0
        right = np.logical_and.reduce([seconds[a][both] <= seconds[b][both] for a, b in itertools.pairwise(order)])
        return float(np.mean(right))

    if len(chosen) == 1:
        return {chosen[0]: ("submitted", "the only column of moments: no job's run time can be learnt", True)}
    if len(chosen) == 2:
        order = max(itertools.permutations(chosen), key=held)
        share = held(order)
        return {
            order[0]: (
                "begun",
                f"before the other moment in {share:.1%} of rows; no column tells when jobs were submitted",
                True,
            ),
            order[1]: ("ended", f"after the other moment in {share:.1%} of rows", share < _SURE),
        }
    orders = itertools.permutations(chosen[:6], 3)
    best = max(orders, key=lambda order: (round(held(order), 2), filled[order[0]], _spread(seconds, order)))
    share = held(best)
    said = ("the earliest", "the second", "the last")
    return {
        at: (means, f"{which} of the moments, in this order in {share:.1%} of rows", share < _SURE)
        for at, means, which in zip(best, ("submitted", "begun", "ended"), said, strict=True)
    }


def _spread(seconds: "dict[int, NDArray[np.float64]]", order: Sequence[int]) -> float:
    """How far apart the first and the last moment are in the middle: a copy of a column is no column of its own."""
    import numpy as np

    steps = [np.nanmean(seconds[b] != seconds[a]) for a, b in itertools.pairwise(order)]
    return float(min(steps))


class _Facts:
    """What the columns without moments hold, in the first rows of the file: as many as show what a column means."""

    def __init__(
        self,
        table: Table,
        submitted: "NDArray[np.float64]",
        begun: "NDArray[np.float64]",
        ended: "NDArray[np.float64]",
    ) -> None:
        rows = slice(0, _ENOUGH)
        seen = set()
        keep = []
        for at, row in enumerate(zip(*(column[rows] for column in table.columns), strict=True)):
            if row not in seen:  # a row that comes again tells nothing of other attempts
                seen.add(row)
                keep.append(at)
        self._cells = [[column[at] for at in keep] for column in table.columns]
        self.names = table.names if table.named else [""] * len(table.names)
        self.submitted = submitted[keep].tolist()
        self.begun = begun[keep].tolist()
        self.ended = ended[keep].tolist()
        self.without_begin = [it != it for it in self.begun]
        self.without_end = [it != it for it in self.ended]
        self.job: int | None = None
        self.rows = len(keep)

    def cells(self, at: int) -> list[str]:
        return self._cells[at]

    def filled(self, at: int) -> int:
        return sum(1 for cell in self.cells(at) if cell.strip().lower() not in BLANKS)

    def few(self, at: int) -> bool:
        """Whether the column holds names that come again and again."""
        distinct = len({plain_name(cell) for cell in set(self.cells(at))})
        return 1 <= distinct <= min(_FEW, max(20, self.rows // 5))

    def one_submission(self, at: int) -> float:
        """In which share of a column's values do all its rows have one moment of submission?"""
        moments: dict[str, set[float]] = defaultdict(set)
        for cell, moment in zip(self.cells(at), self.submitted, strict=True):
            moments[cell].add(moment)
        return sum(1 for it in moments.values() if len(it) == 1) / len(moments)

    def varies_in_a_job(self, at: int) -> float:
        """Of the jobs with several rows, how many have several values here?"""
        if self.job is None:
            return 0.0
        values: dict[str, set[str]] = defaultdict(set)
        rows: Counter[str] = Counter()
        for job, cell in zip(self.cells(self.job), self.cells(at), strict=True):
            rows[job] += 1
            values[job].add(plain_worker(cell))
        several = [job for job, count in rows.items() if count > 1]
        return sum(1 for job in several if len(values[job]) > 1) / len(several) if several else 0.0

    def works_alone(self, at: int) -> float:
        """In which share of rows has what began before on the same one ended when this row begins?"""
        by_name: dict[str, list[tuple[float, float]]] = defaultdict(list)
        for cell, begun, ended in zip(self.cells(at), self.begun, self.ended, strict=True):
            if begun == begun and ended == ended:
                by_name[plain_worker(cell)].append((begun, ended))
        alone = pairs = 0
        for spans in by_name.values():
            spans.sort()
            for before, after in itertools.pairwise(spans):
                pairs += 1
                alone += before[1] <= after[0] + 1
        return alone / pairs if pairs else 0.0

    def numbers(self, at: int) -> list[int] | None:
        cells = [cell.strip() for cell in self.cells(at)]
        found = [int(cell) for cell in cells if _DIGITS.fullmatch(cell)]
        return found if len(found) >= 0.95 * self.rows else None

    def tried_again(self) -> list[bool]:
        """Whether another row of the same job begins later."""
        if self.job is None:
            return [False] * self.rows
        last: dict[str, int] = {}
        for row, job in enumerate(self.cells(self.job)):
            last[job] = row
        return [last[job] != row for row, job in enumerate(self.cells(self.job))]

    def words(self, at: int) -> dict[str, Word]:
        return words_of(self.cells(at), self.without_end, self.tried_again())

    def named(self, at: int, means: str) -> float:
        """Whether the file itself calls the column so; no more than a nudge."""
        name = plain_name(self.names[at]).replace("_", " ")
        return 0.2 if name and any(word in name.split() or word == name for word in _NAMED[means]) else 0.0


def _others(facts: _Facts, columns: list[int]) -> dict[int, tuple[str, str, bool]]:
    """Say what the columns without moments mean: of all ways to hand out the meanings, the likeliest."""
    found: dict[int, tuple[str, str, bool]] = {}
    job = _job(facts, columns)
    if job is not None:
        facts.job = job[0]
        found[job[0]] = ("job", job[1], False)
    free = [at for at in columns if at not in found]
    for at in free:
        if said := _attempt(facts, at):
            found[at] = ("attempt", said, False)
            break
    free = [at for at in free if at not in found and facts.few(at) and facts.filled(at)]
    scores = {(at, means): score(facts, at) for at in free for means, score in _SCORES.items()}
    meanings = list(_SCORES)
    likely = {at for means in meanings for at in sorted(free, key=lambda at: -scores[at, means][0])[:3]}
    places: list[int | None] = [*sorted(likely), *([None] * len(meanings))]
    best: tuple[float, tuple[int | None, ...]] = (0.0, ())
    for handed in set(itertools.permutations(places, len(meanings))):
        total = sum(scores[at, means][0] for at, means in zip(handed, meanings, strict=True) if at is not None)
        if total > best[0] + 1e-9:
            best = (total, handed)
    for place, means in zip(best[1], meanings, strict=False):
        if place is not None and scores[place, means][0] > 0.3:
            score, why = scores[place, means]
            rival = max((scores[other, means][0] for other in free if other not in best[1]), default=0.0)
            found[place] = (means, why, rival > 0.8 * score and not facts.named(place, means))
    return found


def _job(facts: _Facts, columns: list[int]) -> tuple[int, str] | None:
    """Find the column that names jobs."""
    best: tuple[float, int, str] | None = None
    for at in columns:
        distinct = len(set(facts.cells(at)))
        if distinct < 0.3 * facts.rows or facts.filled(at) < 0.98 * facts.rows:
            continue
        one = facts.one_submission(at)
        score = distinct / facts.rows + one + facts.named(at, "job")
        if one >= _SURE and (best is None or score > best[0]):
            why = f"{distinct} values in {facts.rows} rows, and the rows of one share their first moment"
            best = (score, at, why)
    return None if best is None else (best[1], best[2])


def _attempt(facts: _Facts, at: int) -> str:
    """Say why a column counts a job's attempts; empty where it does not."""
    numbers = facts.numbers(at)
    if numbers is None or min(numbers) not in (0, 1) or not 1 <= max(numbers) <= 100 or facts.job is None:
        return ""
    seen: dict[str, set[str]] = defaultdict(set)
    for job, cell in zip(facts.cells(facts.job), facts.cells(at), strict=True):
        seen[job].add(cell.strip())
    least = str(min(numbers))
    begins = sum(1 for values in seen.values() if least in values) / len(seen)
    rising = sum(1 for values in seen.values() if values == {str(int(least) + n) for n in range(len(values))}) / len(
        seen
    )
    if begins < _SURE or rising < _SURE or numbers.count(int(least)) < 0.5 * len(numbers):
        return ""
    return f"whole numbers from {least} to {max(numbers)} that begin with {least} in {begins:.1%} of jobs and rise"


def _as_outcome(facts: _Facts, at: int) -> tuple[float, str]:
    words = facts.words(at)
    known = sum(1 for it in words.values() if not it.guess)
    rows = Counter(plain_name(cell) for cell in facts.cells(at))
    share = sum(rows[word] for word, it in words.items() if not it.guess) / facts.rows
    parted = _parted_by_end(facts, at)
    score = 1.2 * share + 0.5 * parted + facts.named(at, "outcome") - (0.4 if len(words) > 40 else 0.0)
    if known:
        return score, f"{known} of its {len(words)} words are known words of outcome"
    return score - 0.1, "its words differ where an end is missing or another attempt follows"


def _parted_by_end(facts: _Facts, at: int) -> float:
    """How well do this column's words foretell whether a row has an end or is tried again? 0 not at all, 1 wholly."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for cell, no_end, again in zip(facts.cells(at), facts.without_end, facts.tried_again(), strict=True):
        counts[plain_name(cell)][no_end or again] += 1
    odd = sum(it[1] for it in counts.values())
    if odd in (0, facts.rows):
        return 0.0
    base = min(odd, facts.rows - odd)
    wrong = sum(min(it) for it in counts.values())
    return 1 - wrong / base


def _as_worker(facts: _Facts, at: int) -> tuple[float, str]:
    blank = [cell.strip().lower() in BLANKS for cell in facts.cells(at)]
    agree = sum(1 for it, without in zip(blank, facts.without_begin, strict=True) if it == without) / facts.rows
    idle = any(facts.without_begin) and agree > 0.99
    varies = facts.varies_in_a_job(at)
    names = {plain_worker(cell) for cell in set(facts.cells(at))}
    numbered = sum(1 for name in names if name and name[-1:].isdigit()) / len(names)
    domains = any("." in cell for cell in set(facts.cells(at)))
    alone = facts.works_alone(at)
    score = 0.3 * idle + 0.6 * min(1.0, 2 * varies) + 0.2 * numbered + 0.2 * domains + 0.6 * alone
    score -= 0.6 * _parted_by_end(facts, at)  # what differs as attempts end tells of the end
    why = [f"in {alone:.0%} of rows nothing else runs on the same one"] if alone > 0.5 else []
    why += [f"jobs with several rows have several in {varies:.0%}"] if varies > 0.2 else []
    why += ["empty where nothing has begun"] if idle else []
    return score * (0.3 if len(names) == 1 else 1.0) + facts.named(at, "worker"), "; ".join(why) or "few names"


def _as_routine(facts: _Facts, at: int) -> tuple[float, str]:
    varies = facts.varies_in_a_job(at)
    share = facts.filled(at) / facts.rows
    distinct = len({plain_name(cell) for cell in set(facts.cells(at))})
    parted = _parted_by_end(facts, at)
    score = 0.5 * share + 0.5 * (1 - varies) - 0.3 * parted - (0.3 if distinct == 1 else 0.0)
    return score + facts.named(at, "routine"), f"{distinct} names, of which a job has one in {1 - varies:.0%}"


_SCORES: Final = {"outcome": _as_outcome, "worker": _as_worker, "routine": _as_routine}
