"""Does a system accept a write that carries this fencing token?

The law: a fenced system knows nothing of leases. For each target and scope it keeps the highest token that it has
accepted, and refuses a lower one for ever after; the same token may come again. A zombie's write that arrives before
its successor's first write is therefore accepted. The scope is the job's exclusive key if it has one, else the job
together with all jobs resubmitted from it: jobs that have nothing to do with each other never shut each other out.
A system that asks the broker at each write is another mode; there a lost lease is enough to be refused.
"""

from collections.abc import Callable

from emulator.errors import DefectError

__all__ = ["Fences"]


class Fences:
    """Remembers the highest token seen for each target and scope, and judges each write by it.

    >>> fences = Fences()
    >>> [fences.accepts("highest_token", "plate 7", "copy#1", token, lambda token: True) for token in (33, 34, 33)]
    [True, True, False]
    """

    __slots__ = ("_highest",)

    def __init__(self) -> None:
        self._highest: dict[tuple[str, str, str], int] = {}

    def accepts(
        self,
        mode: str,
        target: str,
        scope: str,
        token: int,
        lease_is_valid: Callable[[int], bool],
        system: str = "",
    ) -> bool:
        """Say whether a write is accepted at the instant at which it lands; an accepted one is remembered.

        Args:
            mode: ``no`` (every write is accepted), ``highest_token`` or ``asks_broker``, as the system is fenced.
            target: what is written to.
            scope: what shares one row of tokens on that target.
            token: the token with which the write was sent.
            lease_is_valid: what the broker says of a token now; called in the mode ``asks_broker`` only.
            system: the system that holds the target; two systems know nothing of each other's tokens.

        Raises:
            DefectError: for any other mode.
        """
        if mode == "no":
            return True
        if mode == "asks_broker":
            return lease_is_valid(token)
        if mode != "highest_token":
            raise DefectError(f"a system is fenced {mode!r}: write no, highest_token or asks_broker")
        place = (system, target, scope)
        if token < self._highest.get(place, token):
            return False
        self._highest[place] = token
        return True
