"""Writes the answers to a scenario's questions, and on which guesses verdicts rest: text, data, HTML."""

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Any, Final

from emulator.measure.comparison.paired import change, reach
from emulator.measure.comparison.questions import Answer, Answers, Corner, Cost, End, Guess, Resting, Rests, sentence_of
from emulator.measure.comparison.wanted import label_of
from emulator.measure.words import value
from emulator.show.comparison.exports import plain_data
from emulator.show.comparison.words import between, night_count
from emulator.show.html import clean, file, table, text, unbroken
from emulator.show.layout import WIDTH, Page, Role, as_sentence
from emulator.show.meta import ONE_LINE, SMALL_PRINT
from emulator.show.settings import head_block, settings_block

__all__ = [
    "guesses_json",
    "guesses_page",
    "questions_document",
    "questions_json",
    "questions_page",
    "questions_sentence",
]


_FITS: Final = MappingProxyType(
    {
        "fits": "fits",
        "does_not_fit": "does not fit",
        "too_few_nights": "too few nights",
        "not_judged": "not judged",
        "nothing_asked": "nothing asked",
        "failed_to_run": "failed to run",
    }
)
_ROLES: Final[dict[str, Role]] = {"fits": "good", "does_not_fit": "bad", "failed_to_run": "bad"}
_CLASSES: Final = {"fits": "met", "does_not_fit": "missed", "failed_to_run": "missed"}
_MOST_FAILS: Final = 3


def questions_sentence(found: Answers) -> str:
    """Give the answer in a sentence or two.

    The scenario as written comes first, then how many of the questions fit.
    """
    own, fit = found.as_written, sum(1 for one in found.questions if one.answer == "fits")
    many = len(found.questions)
    of = "the one question" if many == 1 else f"{fit} of {many} questions"
    said = {
        "fits": f"As written the night fits, in {_kept(own)}.",
        "does_not_fit": f"As written the night does not fit: kept in {_kept(own)}.",
        "too_few_nights": f"As written too few nights decide: kept in {_kept(own)}.",
        "failed_to_run": "As written a night failed to run.",
    }.get(own.answer, "As written no night had a requirement to judge.")
    if many == 1:
        fits = {"fits": "fits too", "does_not_fit": "does not fit"}.get(found.questions[0].answer)
        return f"{said} With {of} it {fits}." if fits else f"{said} {of.capitalize()} is open."
    return f"{said} It fits with {of}."


def _kept(one: Answer) -> str:
    return f"{one.kept} of {night_count(one.judged)}"


def questions_page(found: Answers) -> Page:
    """Write the answers within 80 columns."""
    page = Page()
    own = found.as_written.answer
    page.say(questions_sentence(found), _ROLES.get(own, ""))
    page.blank()
    played = _seeds(found)
    page.say(f"{as_sentence(found.title)} {night_count(found.nights)} of each on the same draws, {played}.")
    page.heading("Answers")
    rows = [["", "answer", "nights kept", "95 % interval"]]
    named = [("as written", found.as_written), *((str(n), one) for n, one in enumerate(found.questions, 1))]
    rows += [
        [name, _FITS[one.answer], f"{one.kept} of {one.judged}", between(one.interval, "share")] for name, one in named
    ]
    page.table(rows, roles=["", *(_ROLES.get(one.answer, "") for _, one in named)])
    for number, one in enumerate(found.questions, 1):
        page.heading(f"{number}. {one.ask}")
        for line in _why(one):
            page.say(line, indent=2, hanging=4)
        for line in _costs(one):
            page.say(line, indent=2, hanging=4)
        if one.missed_seeds:
            page.command(f"{one.command} --seed {one.missed_seeds[0]}")
    if found.as_written.fails:
        page.heading("As written")
        for line in _why(found.as_written):
            page.say(line, indent=2, hanging=4)
        if seeds := found.as_written.missed_seeds:
            page.command(f"{found.as_written.command} --seed {seeds[0]}")
    page.blank()
    page.say(SMALL_PRINT, "small")
    return page


def _seeds(found: Answers) -> str:
    last = found.first_seed + found.nights - 1
    return f"seed {last}" if found.nights == 1 else f"seeds {found.first_seed} to {last}"


def _why(one: Answer) -> Iterator[str]:
    """Say which requirements fail, or are open, each in a sentence."""
    for it in one.fails[:_MOST_FAILS]:
        state = "is missed" if it.standing == "missed" else "is open"
        held = "" if it.of_baseline else f": kept in {it.held} of {night_count(it.judged)}"
        yield f"{it.label} {state}{held}."
    if (more := len(one.fails) - _MOST_FAILS) > 0:
        yield f"And {more} more requirement{'' if more == 1 else 's'}."


def _costs(one: Answer) -> Iterator[str]:
    """Say what it costs, compared with the scenario as written; what is the same, or not clear, is named at once."""
    clear = [it for it in one.costs if it.effect in ("better", "worse", "higher", "lower")]
    for it in clear:
        yield f"{'It costs' if it.effect == 'worse' else 'It changes'}: {_cost(it)}."
    same = [label_of(it.measure) for it in one.costs if it.effect == "same"]
    if same:
        yield f"The same: {', '.join(same)}."
    rest = [label_of(it.measure) for it in one.costs if it not in clear and it.effect != "same"]
    if rest:
        yield f"No clear difference: {', '.join(rest)}."


def _cost(it: Cost) -> str:
    said = label_of(it.measure) if it.mean is None else f"{label_of(it.measure)} {change(it.mean, it.unit, it.measure)}"
    known = it.interval is not None and it.interval.low != it.interval.high
    return f"{said} ({reach(it.interval, it.unit, it.measure)})" if known and it.interval is not None else said


def questions_json(found: Answers) -> dict[str, Any]:
    """Give the answers as plain data for ``json.dumps``; times are ticks."""
    return {"verdict": questions_sentence(found), **plain_data(found), "note": SMALL_PRINT}


def questions_document(found: Answers) -> str:
    """Write the answers as one HTML page that asks for nothing; the same answers give the same bytes."""
    own = found.as_written.answer
    look = {"fits": " fits", "does_not_fit": " fails", "failed_to_run": " fails"}.get(own, "")
    said = unbroken(questions_sentence(found))
    parts = [
        '<a class="skip" href="#answers">To the answers</a>',
        f"<header><p>{text(clean(found.title))}</p><h1 class='verdict{look}'>{said}</h1>",
        f"<p>{night_count(found.nights)} of each on the same draws, from seed {found.first_seed} on. Intervals are at "
        f"{value(found.confidence, 'share')}, for all answers together.</p>",
        f"{head_block(found.assumed, _seeds(found), found.versions)}</header><main>",
        '<section id="answers"><h2>Answers</h2>',
    ]
    every = [found.as_written, *found.questions]
    head = ("question", "answer", "nights kept", "interval of their share")
    rows = [
        (text(one.ask), _state(one), f"{one.kept} of {one.judged}", text(between(one.interval, "share")))
        for one in every
    ]
    parts += [table("Does the night fit?", head, rows), "</section>"]
    for one in every:
        lines = "".join(f"<li>{text(line)}</li>" for line in (*_why(one), *_costs(one)))
        seen = f"<pre tabindex='0'>{text(one.command)} --seed {one.missed_seeds[0]}</pre>" if one.missed_seeds else ""
        night = "<p>One night in which a requirement is missed:</p>" if seen else ""
        parts.append(f"<section><h2>{text(one.ask)}</h2><ul>{lines}</ul>{night}{seen}</section>")
    if found.assumed is not None:
        parts.append(settings_block(found.assumed))
    parts.append(f"<p><small>{text(SMALL_PRINT)}</small></p></main>")
    return file(found.title, "\n".join(parts))


def _state(one: Answer) -> str:
    look = _CLASSES.get(one.answer)
    word = _FITS[one.answer]
    return f'<span class="{look}">{word}</span>' if look else word


_GUESS_ROLES: Mapping[str, Role] = {"bad": "bad", "good": "good"}
_VERDICTS = {
    "holds": "holds",
    "does_not_hold": "does not hold",
    "undecided": "too few nights to decide",
    "nothing_to_judge": "nothing to judge",
}


def guesses_json(found: Resting) -> dict[str, Any]:
    """Give the result as plain data for ``json.dumps``."""
    requirements = [
        {**plain_data(one), "flips": one.flips, "sentence": sentence_of(one, found.guesses)}
        for one in found.requirements
    ]
    return {
        "verdict": found.sentence,
        "outcome": found.outcome,
        **plain_data(found),
        "requirements": requirements,
        "note": SMALL_PRINT,
    }


def guesses_page(found: Resting, *, width: int = WIDTH) -> Page:
    """Write the result; ``width``: how wide tables may be."""
    page = Page(width=width)
    page.say(found.sentence, _GUESS_ROLES.get(found.outcome, ""))
    if found.requirements:
        page.blank()
        last = found.first_seed + found.nights - 1
        seeds = f"seeds {found.first_seed} to {last}" if found.nights > 1 else f"seed {last}"
        page.say(
            f"{as_sentence(found.title)} {night_count(found.nights)} ({seeds}) of each of {found.combinations} "
            "combinations of values."
        )
    for one in found.requirements:
        _requirement(page, one, found)
    _remarks(page, found)
    if found.requirements:
        page.more("--pairs", "--json", "--nights N")
        page.say(ONE_LINE, "small")
    return page


def _requirement(page: Page, one: Rests, found: Resting) -> None:
    page.heading(one.label)
    page.say(f"As written: {_VERDICTS[one.as_written.verdict]} ({_corner_kept(one.as_written)}).", indent=2, hanging=4)
    if one.against is not None:
        worst = "worst" if one.as_written.verdict == "holds" else "best"
        many = "all guesses" if len(one.against.ends) > 1 else "the guess"
        said = _VERDICTS[one.against.verdict]
        page.say(f"With {many} at the {worst} end: {said} ({_corner_kept(one.against)}).", indent=2, hanging=4)
    rows = [["guess alone", "from", "nights kept", "to", "nights kept", "against"]]
    for guess in found.tried:
        cells = [_cell(one, guess, "low"), _cell(one, guess, "high")]
        end = one.against.ends.get(guess.path) if one.against is not None else None
        against = {"low": guess.low, "high": guess.high}.get(end or "", "-")
        rows.append([guess.words, guess.low or "-", cells[0], guess.high or "-", cells[1], against])
    page.table(rows, right=[2, 4])
    for corner in one.smallest:
        page.say(f"Flips it: {_ends(corner, found)} ({_corner_kept(corner)}).", indent=2, hanging=4)
    for corner in one.pairs:
        page.say(f"Flips it only as a pair: {_ends(corner, found)} ({_corner_kept(corner)}).", indent=2, hanging=4)
    if found.screened and not one.pairs:
        page.say("No further pair flips it.", indent=2)


def _cell(one: Rests, guess: Guess, end: End) -> str:
    return next((f"{it.held} of {it.judged}" for it in one.single if it.ends == {guess.path: end}), "-")


def _corner_kept(corner: Corner) -> str:
    return f"{corner.held} of {night_count(corner.judged)} kept it" if corner.judged else "no night judged it"


def _ends(corner: Corner, found: Resting) -> str:
    by_path = {guess.path: guess for guess in found.guesses}
    said = [
        f"{path} = {by_path[path].low if end == 'low' else by_path[path].high}" for path, end in corner.ends.items()
    ]
    return " with ".join(said)


def _remarks(page: Page, found: Resting) -> None:
    said = [f"{guess.path} was not tried: {guess.not_tried}." for guess in found.guesses if guess.not_tried]
    if assumed := [guess.path for guess in found.tried if guess.assumed]:
        said.append(
            f"Nobody said what is plausible for {', '.join(assumed)}: half and twice the value were tried. "
            "Say it with `plausible: [LOW, HIGH]`."
        )
    if found.refused:
        said.append(f"{found.refused} combinations were left out: the scenario would be wrong with them.")
    if found.tried and not found.screened and not any(one.flips for one in found.requirements):
        said.append(
            "Tried: each guess alone, and all at once. Two of them at other ends may still flip a verdict: --pairs."
        )
    if said:
        page.blank()
    for sentence in said:
        page.say(sentence, hanging=2)
