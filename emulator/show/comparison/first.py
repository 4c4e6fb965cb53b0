"""The first screen of a comparison: the answer, the table, why the others fail, what the answer costs.

Sentences keep within 80 columns. On a page of 120 columns the table has a column for each requirement.
"""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from emulator.measure.comparison.paired import called
from emulator.measure.comparison.result import (
    CandidateStanding,
    Comparison,
    LeaderDifference,
    Recommendation,
    RequirementStanding,
)
from emulator.measure.comparison.wanted import Reading, label_of, wanted
from emulator.measure.estimate import Figure, mean
from emulator.measure.names import SHORT_LABELS
from emulator.measure.words import write
from emulator.show.comparison.answer import answer, capital, difference_in_words
from emulator.show.comparison.words import Column, again, between, column_of, night_count, seeds
from emulator.show.layout import WIDTH, Page, Role, columns
from emulator.show.meta import NOT_RANDOM, ONE_LINE
from emulator.show.words import listed

__all__ = [
    "OPEN",
    "VERDICTS",
    "closing",
    "cost_lines",
    "first_screen",
    "next_step",
    "open_lines",
    "reason_lines",
    "standing_order",
    "table_note",
    "table_rows",
    "what_was_run",
    "why_title",
]

_MISSES: Final = "misses most"

VERDICTS: Final = {
    "take": "take",
    "tie": "tie",
    "qualifies": "qualifies",
    "too_few_nights": "too few nights",
    "fails": "fails",
    "not_judged": "not judged",
    "what_if": "what-if",
    "nothing_asked": "",
}
"""The word for a variant in a table."""

_ROLES: Final[dict[str, Role]] = {"take": "good", "tie": "good", "qualifies": "good", "fails": "bad"}
_ORDER: Final = tuple(VERDICTS)
OPEN: Final = "What is open"
"""The heading of what ``open_lines`` says."""

_MOST_COMMANDS: Final = 2
_MOST_LINES: Final = 40
_CLOSING: Final = 3
"""So many lines come last."""


class _Parts(NamedTuple):
    """How many rows, reasons and costs are shown; the rest is counted."""

    rows: int
    reasons: int
    costs: int


_PARTS: Final = (
    _Parts(10, 4, 4),
    _Parts(10, 3, 3),
    _Parts(10, 2, 3),
    _Parts(8, 2, 2),
    _Parts(6, 1, 2),
    _Parts(4, 1, 1),
)


def first_screen(page: Page, comparison: Comparison, advice: Recommendation) -> None:
    """Write the first screen, up to what it says of more: as much of each part as 40 lines hold."""
    tried = Page(width=page.width)
    for parts in _PARTS:
        tried = Page(width=page.width)
        _write(tried, comparison, advice, parts)
        if len(tried.lines) <= _MOST_LINES - _CLOSING:
            break
    page.lines += tried.lines


def _write(page: Page, comparison: Comparison, advice: Recommendation, parts: "_Parts") -> None:
    page.say(" ".join(answer(comparison)), _role(advice))
    page.blank()
    page.say(f"{comparison.title.rstrip('.')}. {what_was_run(comparison)}")
    if comparison.lost:
        lost = len(comparison.lost)
        page.say(f"{night_count(lost)} failed to run; those variants are not decided: --all", "bad")
    if comparison.stopped:
        page.say(comparison.stopped)
    _table(page, comparison, advice, parts.rows)
    reasons = list(reason_lines(comparison, advice, parts.reasons))
    if reasons:
        page.heading(why_title(advice))
        for text, command in reasons:
            page.say(text, indent=2, hanging=4)
            if command:
                page.command(command, indent=4)
    if several := list(open_lines(advice, parts.reasons)):
        page.heading(OPEN)
        for text in several:
            page.say(text, indent=2, hanging=4)
    title, costs = cost_lines(comparison, advice, parts.costs)
    if costs:
        page.heading(title)
        for text in costs:
            page.say(text, indent=2, hanging=4)
    if step := next_step(advice):
        page.blank()
        page.say(step)


def what_was_run(comparison: Comparison) -> str:
    """Say how many variants and nights were run, and with which seeds."""
    each = "" if comparison.nights == 1 else " each"
    return f"{len(comparison.variants)} variants, {night_count(comparison.nights)}{each} ({seeds(comparison)})."


def why_title(advice: Recommendation) -> str:
    """Give the heading of the reasons."""
    return "Why each one fails" if advice.answer == "none" else "Why the others fail"


def next_step(advice: Recommendation) -> str:
    """Say which option breaks a tie or decides what is open; "" where there is none."""
    if advice.answer == "tie" and (parting := _parting(advice)):
        return f"To break the tie, say what matters: --prefer {parting}"
    if advice.answer == "too_few_nights" and advice.enough is not None and advice.enough.nights is not None:
        return f"Run again with --nights {advice.enough.nights}."
    return ""


def closing(page: Page, *more: str) -> None:
    """Write what comes last on a first screen; ``more``: further options that it names."""
    page.more("--all", "--page FILE", "--json", *(one for one in more if one))
    page.say(ONE_LINE, "small")


def _role(advice: Recommendation) -> Role:
    return "good" if advice.answer in ("take", "tie") else "bad" if advice.answer == "none" else ""


def standing_order(advice: Recommendation) -> list[CandidateStanding]:
    """Give the variants as a table lists them: the answer first, then by verdict and nights kept, what-ifs last."""
    first = {name: place for place, name in enumerate(advice.recommended)}
    order = {"what_if": len(_ORDER)}
    return sorted(
        advice.standings,
        key=lambda one: (
            first.get(one.variant, len(first)),
            one.variant != advice.leads,
            order.get(one.verdict, _ORDER.index(one.verdict)),
            -one.kept,
        ),
    )


# -- the table ---------------------------------------------------------------------------------------------------------


def _readings(comparison: Comparison, measure: str, variant: str) -> list[Reading]:
    return [
        night.readings[measure]
        for night in comparison.played
        if night.variant == variant and not night.failure and measure in night.readings
    ]


def _mean(comparison: Comparison, measure: str, variant: str) -> tuple[float | None, bool]:
    """Give the mean of a figure over the nights of a variant, and whether it is a lower bound."""
    found = [one for one in _readings(comparison, measure, variant) if one.value is not None]
    if not found:
        return None, False
    return mean([one.value for one in found if one.value is not None]), any(one.more_than for one in found)


def _figures(comparison: Comparison, advice: Recommendation) -> list[str]:
    """Give the figures that may have a column: those asked for, then the preferred ones; none that never differs."""
    asked = [share.measure for share in comparison.shares if share.measure]
    found = []
    for measure in dict.fromkeys([*asked, *advice.prefer]):
        means = [_mean(comparison, measure, one.variant) for one in advice.standings]
        if len({(amount, more) for amount, more in means}) > 1:
            found.append(measure)
    return found


def _heading(measure: str, unit: Column) -> str:
    figure = wanted(measure)
    where = next(iter(figure.where.given().values()), "")
    short = SHORT_LABELS[figure.name] + (f" {where}" if where else "")
    return f"{short}, {unit.name}" if unit.name else short


def _two_lines(text: str) -> tuple[str, str]:
    """Part a heading into two lines of about the same length, at a blank."""
    words = text.split(" ")
    if len(words) == 1 or columns(text) <= 6:
        return "", text
    cut = min(range(1, len(words)), key=lambda at: (max(len(" ".join(words[:at])), len(" ".join(words[at:]))), at))
    return " ".join(words[:cut]), " ".join(words[cut:])


def table_rows(
    comparison: Comparison, advice: Recommendation, width: int, most: int = 10
) -> tuple[list[list[str]], list[str], bool]:
    """Give the rows of the table, its headings, and whether a row was left out; as many columns as fit the width."""
    shown = standing_order(advice)
    more = len(shown) > most
    shown = shown[:most]
    heads = ["variant", ""]
    rows = [[one.variant, VERDICTS[one.verdict]] for one in shown]
    asked = any(one.requirements for one in shown)
    if asked:
        heads.append("nights kept" if advice.random else "kept")
        for row, one in zip(rows, shown, strict=True):
            row.append(_kept(one, advice))
    wide = width > WIDTH and asked
    if wide:
        for place, requirement in enumerate(shown[0].requirements):
            heads.append(requirement.label)
            for row, one in zip(rows, shown, strict=True):
                row.append(_held(one.requirements[place], advice) if place < len(one.requirements) else "-")
    elif asked and any(len(one.requirements) > 1 for one in shown):
        heads.append(_MISSES)
        for row, one in zip(rows, shown, strict=True):
            row.append(_misses_most(one))
    for measure in _figures(comparison, advice):
        means = [_mean(comparison, measure, one.variant) for one in shown]
        unit = column_of(wanted(measure).unit, [amount for amount, _ in means])
        cells = [unit.cell(amount, more_than=bound) for amount, bound in means]
        head = _heading(measure, unit)
        if _width([*heads, head], [[*row, cell] for row, cell in zip(rows, cells, strict=True)]) > width:
            continue
        heads.append(head)
        for row, cell in zip(rows, cells, strict=True):
            row.append(cell)
    return rows, heads, more


def _width(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> int:
    """Give the columns that a table takes; its first column may be as narrow as 24."""
    total = 0
    for place, head in enumerate(heads):
        cells = max((columns(row[place]) for row in rows), default=0)
        widest = max(cells, *(columns(line) for line in _wrapped(head)))
        total += (min(widest, 24) if place == 0 else widest) + 2
    return total


def _wrapped(head: str) -> list[str]:
    """Part a heading into up to three lines: that of a requirement is a whole sentence."""
    if columns(head) <= 24:
        return list(_two_lines(head))
    words, lines, line = head.split(" "), [], ""
    for word in words:
        if line and columns(line) + 1 + columns(word) > 18:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [*lines, line]


def _kept(one: CandidateStanding, advice: Recommendation) -> str:
    if not one.judged:
        return "-"
    if not advice.random:
        return "yes" if one.kept == one.judged else "no"
    return f"{one.kept:,} of {one.judged:,}"


def _held(one: RequirementStanding, advice: Recommendation) -> str:
    if one.of_baseline:
        return {"shown": "kept", "missed": "fails", "open": "open"}.get(one.standing, "-")
    if not one.judged:
        return "-"
    if not advice.random:
        return "met" if one.held == one.judged else "missed"
    return f"{one.held:,}" + (" fails" if one.standing == "missed" else "")


def _misses_most(one: CandidateStanding) -> str:
    missed = [it for it in one.requirements if it.judged > it.held]
    if one.misses_most is None or not missed:
        return "-"
    worst = one.requirements[one.misses_most]
    equals = [it for it in missed if it.judged - it.held == worst.judged - worst.held]
    if len(equals) > 1:
        return f"{len(equals)} of {len(one.requirements)}"
    return _short(worst)


def _short(one: RequirementStanding) -> str:
    """Name a requirement in a narrow column: by the short label of its figure."""
    name = one.requirement.split(" ", 1)[0]
    return SHORT_LABELS.get(name, one.label)


def _table(page: Page, comparison: Comparison, advice: Recommendation, most: int) -> None:
    rows, heads, more = table_rows(comparison, advice, page.width, most)
    page.blank()
    wrapped = [_wrapped(head) for head in heads]
    deep = max(len(lines) for lines in wrapped)
    top = [[""] * (deep - len(lines)) + lines for lines in wrapped]
    while deep > 1 and not any(lines[0] for lines in top):
        top, deep = [lines[1:] for lines in top], deep - 1
    head_rows = [[lines[at] for lines in top] for at in range(deep)]
    left = [0, 1, *(place for place, head in enumerate(heads) if head == _MISSES)]
    right = [place for place in range(len(heads)) if place not in left]
    page.table([*head_rows, *rows], right=right)
    if more:
        page.say(f"and {len(advice.standings) - len(rows)} more variants: --all", indent=2)
    page.say(table_note(comparison, advice), "small", indent=2, hanging=2)


def table_note(comparison: Comparison, advice: Recommendation) -> str:
    """Say what the columns are, and why a time that looks short may be no merit."""
    text = "Figures are means per night." if advice.random else NOT_RANDOM
    figures = dict.fromkeys((*advice.prefer, *comparison.measures))
    if any(_mean(comparison, measure, one.variant)[1] for measure in figures for one in advice.standings):
        text += " '>': something was unfinished at the end."
    done = [
        amount for one in advice.standings if (amount := _mean(comparison, "done_share", one.variant)[0]) is not None
    ]
    if done and min(done) < max(done):
        text += " Where fewer jobs are done, a short time is no merit: it is never called better."
    return text


# -- why -----------------------------------------------------------------------------------------------------------


def reason_lines(comparison: Comparison, advice: Recommendation, most: int = 4) -> Iterator[tuple[str, str]]:
    """Give a sentence for each variant that fails, with the command of one night as evidence, or ""."""
    failing = [one for one in standing_order(advice) if one.verdict == "fails"]
    for place, one in enumerate(failing[:most]):
        worst = _worst(one)
        if worst is None:
            continue
        also = sum(1 for it in one.requirements if it.standing == "missed") - 1
        more = f" (and {also} more requirement{'' if also == 1 else 's'})" if also > 0 else ""
        seed = worst.missed_seeds[0] if worst.missed_seeds else None
        if worst.of_baseline:
            yield f"{capital(called(one.variant))}: {worst.label}{more}.", ""
            continue
        kept = f"kept in {worst.held:,} of {night_count(worst.judged)}" if advice.random else "missed"
        text = f"{capital(called(one.variant))}: {worst.label}: {kept}{more}."
        if seed is None:
            yield text, ""
            continue
        found = _found(comparison, worst, one.variant, seed)
        night = (
            f" One night (seed {seed}): {found}." if found and advice.random else f" It was {found}." if found else ""
        )
        yield text + night, again(comparison, one.variant, seed) if place < _MOST_COMMANDS else ""
    if (rest := len(failing) - most) > 0:
        yield f"{rest} more variant{'' if rest == 1 else 's'} fail{'s' if rest == 1 else ''}: --all", ""


def _worst(one: CandidateStanding) -> RequirementStanding | None:
    missed = [it for it in one.requirements if it.standing == "missed"]
    return max(missed, key=lambda it: it.judged - it.held, default=None)


def _found(comparison: Comparison, asked: RequirementStanding, variant: str, seed: int) -> str:
    """Write the figure of one night that a requirement is about, where it was read."""
    share = next(
        (it for it in comparison.shares if it.requirement == asked.requirement and it.variant == variant), None
    )
    if share is None or not share.measure:
        return ""
    night = next((it for it in comparison.played if (it.variant, it.seed) == (variant, seed)), None)
    reading = None if night is None else night.readings.get(share.measure)
    if reading is None or reading.value is None:
        return ""
    return write(Figure(reading.value, wanted(share.measure).unit, more_than=reading.more_than))


def open_lines(advice: Recommendation, most: int = 4) -> Iterator[str]:
    """Say of each variant what is not decided, and between which shares of all nights it lies."""
    several = [one for one in standing_order(advice) if one.verdict == "too_few_nights"]
    for one in several[:most]:
        open_ones = [it for it in one.requirements if it.standing == "open"]
        for it in sorted(open_ones, key=lambda it: it.held / it.judged if it.judged else 0.0)[:1]:
            seen = f"kept in {it.held:,} of {night_count(it.judged)}" if it.judged else "not worse than the baseline?"
            so = "" if it.interval is None else f" ({between(it.interval, 'share')} of all)"
            yield f"{capital(called(one.variant))}: {it.label}: {seen}{so}."
    if (rest := len(several) - most) > 0:
        yield f"{rest} more variant{' is' if rest == 1 else 's are'} open: --all"


# -- what it costs ----------------------------------------------------------------------------------------------------


def cost_lines(comparison: Comparison, advice: Recommendation, most: int = 4) -> tuple[str, list[str]]:
    """Give a title and lines: in what the answer differs from the baseline, or from the next variant that qualifies."""
    if advice.answer not in ("take", "tie"):
        return "", []
    other = _compared_with(comparison, advice)
    if other is None:
        return "", []
    seen = [it for it in advice.differences if it.variant == other]
    if advice.answer == "tie":
        title = f"How they differ in other figures ({called(advice.leads)} beside {called(other)})"
    else:
        title = capital(f"{called(advice.leads)} beside {called(other)}")
    clear = [it for it in seen if it.against in ("better", "worse", "higher", "lower")]
    lines = [f"{label_of(it.measure)}: {difference_in_words(it, turned=True)}" for it in _costs_first(clear)[:most]]
    if len(clear) > most:
        rest = len(clear) - most
        lines.append(f"{rest} more figure{' differs' if rest == 1 else 's differ'}: --all")
    for how, words in (
        ("within_margin", "the same within 2 %"),
        ("no_clear_difference", "no clear difference"),
        ("same", "the same"),
        ("not_compared", "not compared, because fewer jobs are done"),
    ):
        names = [label_of(it.measure) for it in seen if it.against == how]
        if names:
            lines.append(f"{words}: {listed(names, 3)}")
    return title, lines


def _parting(advice: Recommendation) -> str:
    """Name a figure in which those of a tie differ, and which is not preferred; "" for none."""
    found = (it for it in advice.differences if it.variant == advice.recommended[1] and it.measure not in advice.prefer)
    return next((it.measure for it in found if it.against in ("better", "worse") and " " not in it.measure), "")


def _costs_first(clear: Sequence[LeaderDifference]) -> list[LeaderDifference]:
    """Put what the answer costs before what it gains: a variant that is better than it in a figure."""
    return sorted(clear, key=lambda it: it.against != "better")


def _compared_with(comparison: Comparison, advice: Recommendation) -> str | None:
    """Choose whom the answer is compared with: the other of a tie, the baseline, or the runner-up where that fails."""
    if advice.answer == "tie":
        return advice.recommended[1]
    runner_up = next((one.variant for one in standing_order(advice) if one.verdict == "qualifies"), None)
    if comparison.baseline == advice.leads:
        return runner_up
    fails = advice.standing_of(comparison.baseline).verdict == "fails"
    return runner_up if fails and runner_up is not None else comparison.baseline
