"""Time: integer ticks, the agenda of what is due, and the virtual-time event loop.

The loop and what goes with it are imported when first asked for: ticks and agenda do without asyncio.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from emulator.timeline.agenda import Agenda
    from emulator.timeline.loop import VirtualLoop
    from emulator.timeline.stops import ClockStop, clock_stop

__all__ = ["Agenda", "ClockStop", "VirtualLoop", "clock_stop"]

_HOMES: Final = {"Agenda": "agenda", "ClockStop": "stops", "VirtualLoop": "loop", "clock_stop": "stops"}


if not TYPE_CHECKING:  # pragma: no branch - type checkers alone, who would else take every name for one that there is

    def __getattr__(name: str) -> Any:
        if name not in _HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
