"""What do people's words of outcome mean: did an attempt go well, fail, get lost, or is it still going on?

The words of a column are taken in small letters and without space around them. Most are known (in the languages of the
lists below); of what is not known, what it stands beside decides: an attempt without an end is lost or still going on,
one that the same job tries again has failed. Each meaning has its reason, which the file of columns shows.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

__all__ = ["MEANINGS", "Seen", "Word", "meaning_of"]

MEANINGS: Final = ("ok", "error", "lost", "cancelled", "running", "waiting")
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
