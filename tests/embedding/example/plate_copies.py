"""Automation as a team might have it: copies plates into an archive, one part for each."""

from emulator import StaleTokenError, TransientError, Work


async def copy_plates(work: Work) -> None:
    """Copy each plate that no earlier attempt has copied; write only under a lease that still holds."""
    for plate in work.parameters["plates"]:
        if work.is_finished("copy", plate):
            continue
        with work.part("copy", plate):
            await work.spend("2m")
            if work.lease_left() < 5:
                raise TransientError("no time left under this lease")
            try:
                work.effect("copied", plate, system="archive", repeatable=False)
            except StaleTokenError:
                return
