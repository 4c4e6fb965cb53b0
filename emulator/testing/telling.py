"""What does a failed test show of its emulators? The last events, the jobs concerned, and how to run it again."""

import shlex
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final

from emulator.record.events import Event, read
from emulator.timeline.ticks import say

if TYPE_CHECKING:
    from emulator.testing.emulation import Emulator

__all__ = ["sections"]

_LAST: Final = 20
_QUIET: Final = frozenset(("heartbeat_received", "lease_renewed"))


def sections(test: str, option: str, emulators: "Iterable[Emulator]") -> Iterator[tuple[str, str]]:
    """Give the sections of a report, each with its title.

    Args:
        test: names the test as the command line does.
        option: the command line's option for the seed.
        emulators: those that the test made.
    """
    made = [emulator for emulator in emulators if emulator.has_begun]
    for number, emulator in enumerate(made, 1):
        of = f" of emulator {number}" if len(made) > 1 else ""
        told = [event for event in read(emulator.rows) if event.kind not in _QUIET]
        yield f"last events{of}", "\n".join(map(_line, told[-_LAST:]))
        if stories := emulator.stories():
            yield f"jobs concerned{of}", stories
    if made:
        yield "run it again", f"pytest {shlex.quote(test)} {option} {made[0].seed}"


def _line(event: Event) -> str:
    who = " ".join(part for part in (f"job {event.job}" if event.job else "", event.worker) if part)
    details = ", ".join(f"{name} {value}" for name, value in event.details.items() if value not in ("", 0))
    return f"{event.number:>6}  {say(event.at):>12}  {event.kind:<20} {who:<16} {details}".rstrip()
