"""What does a test see of a worker?"""

from emulator.world.worker import BOOTING, OFF, Worker, WorkerState
from emulator.world.world import World

__all__ = ["WorkerView"]


class WorkerView:
    """A worker, to look at; ``emu.worker(name)`` and ``emu.workers`` give it. It always tells of the present.

    Attributes:
        name: its name.
        pool: the pool that it belongs to.

    >>> from emulator import Emulator, run_in_virtual_time
    >>> async def copy(work):
    ...     await work.spend("10m")
    >>> async def test():
    ...     async with Emulator(handlers={"copy": copy}, pools={"dome": {"count": 2}}) as emu:
    ...         await emu.submit("copy").reaches("running")
    ...         before = [worker.state for worker in emu.workers]
    ...         emu.power_off("dome-1")
    ...         return before, emu.worker("dome-1").state
    >>> run_in_virtual_time(test)
    (['busy', 'idle'], 'off')
    """

    __slots__ = ("_worker", "_world", "name", "pool")

    def __init__(self, world: World, worker: Worker) -> None:
        self._world = world
        self._worker = worker
        self.name = worker.name
        self.pool = worker.pool

    def __repr__(self) -> str:
        return f"<WorkerView {self.name}: {self.state}>"

    @property
    def state(self) -> WorkerState:
        """Its state: off, booting, idle, busy, draining, frozen or cut_off."""
        worker = self._worker
        if worker.state is OFF:
            return "off"
        if worker.state is BOOTING:
            return "booting"
        return "frozen" if worker.frozen_at >= 0 else self._world.lifecycle.state_word(worker)

    @property
    def jobs(self) -> tuple[str, ...]:
        """The names of the jobs that it works on, whether or not its leases still hold."""
        return tuple(execution.job.name for execution in self._worker.attempts)

    @property
    def speed(self) -> float:
        """How fast it works; 1 is full speed."""
        return self._worker.real_speed

    @property
    def equipped_with(self) -> tuple[str, ...]:
        """What it has, in alphabetical order."""
        return tuple(sorted(self._worker.equipment))
