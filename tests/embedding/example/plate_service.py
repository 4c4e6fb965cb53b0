"""A service as a team might have it: a store, a lock, several plates at once, and a library of retries.

``PlateService`` is right. Each class after it has one mistake that is easily made, in one method.
"""

import asyncio
from collections.abc import Awaitable, Callable

import aiosqlite
import tenacity

from emulator import CallError, Work


class PlateService:
    """Copies the plates of a box into the archive, all at once, and notes each of them in a store."""

    def __init__(self, work: Work) -> None:
        self.work = work
        self.login = asyncio.Lock()
        self.is_logged_in = False

    async def copy_box(self) -> None:
        """Copy and check all plates; return when all of it is done."""
        async with asyncio.TaskGroup() as group:
            for plate in self.work.parameters["plates"]:
                group.create_task(self.copy(plate))
                group.create_task(self.check(plate))

    async def copy(self, plate: str) -> None:
        """Copy one plate, and note that it is copied."""
        await self.log_in()
        await self.put(plate)
        await self.note(plate)

    async def check(self, plate: str) -> None:
        """Read the plate itself again, which takes longer than to copy it."""
        await self.work.spend("10m")
        self.work.effect("checked", plate)

    async def log_in(self) -> None:
        """Log in to the archive, once for all plates."""
        async with self.login:
            if not self.is_logged_in:
                await self.work.call("archive", "login")
                self.is_logged_in = True

    def tries(self) -> tenacity.AsyncRetrying:
        """Come again less and less often while the archive refuses, for a quarter of an hour."""
        return tenacity.AsyncRetrying(
            retry=tenacity.retry_if_exception_type(CallError),
            wait=tenacity.wait_exponential(multiplier=5, max=60),
            stop=tenacity.stop_after_delay(15 * 60),
            reraise=True,
        )

    async def put(self, plate: str) -> None:
        """Copy one plate."""
        async for attempt in self.tries():
            with attempt:
                await self.work.call("archive", plate, effect="copied")

    async def note(self, plate: str) -> None:
        """Note a plate in the store, once, whichever attempts do it."""
        async with aiosqlite.connect(self.work.parameters["store"]) as store:
            await store.execute("CREATE TABLE IF NOT EXISTS plates (plate PRIMARY KEY)")
            await store.execute("INSERT OR IGNORE INTO plates VALUES (?)", (plate,))
            await store.commit()


class NotesTwice(PlateService):
    """Looks into the store first, copies, and then writes what it found missing: others may have done so meanwhile."""

    async def copy(self, plate: str) -> None:
        """Copy one plate, unless it is noted already."""
        async with aiosqlite.connect(self.work.parameters["store"]) as store:
            await store.execute("CREATE TABLE IF NOT EXISTS plates (plate)")
            if not list(await store.execute_fetchall("SELECT 1 FROM plates WHERE plate = ?", (plate,))):
                await self.log_in()
                await self.put(plate)
                await store.execute("INSERT INTO plates VALUES (?)", (plate,))
                await store.commit()


class LogsInForEachPlate(PlateService):
    """Looks before it has the lock, and not again when it has it."""

    async def log_in(self) -> None:
        """Log in to the archive."""
        if not self.is_logged_in:
            async with self.login:
                await self.work.call("archive", "login")
                self.is_logged_in = True


class ForgetsTheChecks(PlateService):
    """Starts the checks outside the group, which then does not wait for them."""

    async def copy_box(self) -> None:
        """Copy and check all plates."""
        self.checks = [asyncio.create_task(self.check(plate)) for plate in self.work.parameters["plates"]]
        async with asyncio.TaskGroup() as group:
            for plate in self.work.parameters["plates"]:
                group.create_task(self.copy(plate))


class ComesAgainAtOnce(PlateService):
    """Leaves it to the library how long to wait between two tries: not at all."""

    def tries(self) -> tenacity.AsyncRetrying:
        """Come again while the archive refuses, a hundred times."""
        return tenacity.AsyncRetrying(
            retry=tenacity.retry_if_exception_type(CallError), stop=tenacity.stop_after_attempt(100)
        )


def handler(service: type[PlateService]) -> Callable[[Work], Awaitable[None]]:
    """Give what works on a job with one of these."""

    async def copy(work: Work) -> None:
        await service(work).copy_box()

    return copy
