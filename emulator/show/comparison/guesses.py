"""The screen that tells on which guesses verdicts rest: the answer, each requirement with its guesses, the pairs."""

from collections.abc import Mapping
from typing import Any

from emulator.measure.comparison.questions import Corner, End, Guess, Resting, Rests, sentence_of
from emulator.show.comparison.as_json import plain
from emulator.show.comparison.words import night_count
from emulator.show.layout import WIDTH, Page, Role
from emulator.show.meta import ONE_LINE, SMALL_PRINT

__all__ = ["guesses_json", "guesses_page"]

_ROLES: Mapping[str, Role] = {"bad": "bad", "good": "good"}
_VERDICTS = {
    "holds": "holds",
    "does_not_hold": "does not hold",
    "undecided": "too few nights to decide",
    "nothing_to_judge": "nothing to judge",
}


def guesses_json(found: Resting) -> dict[str, Any]:
    """Give the result as plain data for ``json.dumps``."""
    requirements = [
        {**plain(one), "flips": one.flips, "sentence": sentence_of(one, found.guesses)} for one in found.requirements
    ]
    return {
        "verdict": found.sentence,
        "outcome": found.outcome,
        **plain(found),
        "requirements": requirements,
        "note": SMALL_PRINT,
    }


def guesses_page(found: Resting, *, width: int = WIDTH) -> Page:
    """Write the result; ``width``: how wide tables may be."""
    page = Page(width=width)
    page.say(found.sentence, _ROLES.get(found.outcome, ""))
    if found.requirements:
        page.blank()
        last = found.first_seed + found.nights - 1
        seeds = f"seeds {found.first_seed} to {last}" if found.nights > 1 else f"seed {last}"
        page.say(
            f"{found.title.rstrip('.')}. {night_count(found.nights)} ({seeds}) of each of {found.combinations} "
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
    page.say(f"As written: {_VERDICTS[one.as_written.verdict]} ({_kept(one.as_written)}).", indent=2, hanging=4)
    if one.against is not None:
        worst = "worst" if one.as_written.verdict == "holds" else "best"
        many = "all guesses" if len(one.against.ends) > 1 else "the guess"
        said = _VERDICTS[one.against.verdict]
        page.say(f"With {many} at the {worst} end: {said} ({_kept(one.against)}).", indent=2, hanging=4)
    rows = [["guess alone", "from", "nights kept", "to", "nights kept", "against"]]
    for guess in found.tried:
        cells = [_cell(one, guess, "low"), _cell(one, guess, "high")]
        end = one.against.ends.get(guess.path) if one.against is not None else None
        against = {"low": guess.low, "high": guess.high}.get(end or "", "-")
        rows.append([guess.words, guess.low or "-", cells[0], guess.high or "-", cells[1], against])
    page.table(rows, right=[2, 4])
    for corner in one.smallest:
        page.say(f"Flips it: {_ends(corner, found)} ({_kept(corner)}).", indent=2, hanging=4)
    for corner in one.pairs:
        page.say(f"Flips it only as a pair: {_ends(corner, found)} ({_kept(corner)}).", indent=2, hanging=4)
    if found.screened and not one.pairs:
        page.say("No further pair flips it.", indent=2)


def _cell(one: Rests, guess: Guess, end: End) -> str:
    return next((f"{it.held} of {it.judged}" for it in one.single if it.ends == {guess.path: end}), "-")


def _kept(corner: Corner) -> str:
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
