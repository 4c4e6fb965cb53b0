"""What a type checker must find, for the type checker alone: never run.

Each line is wrong and says so; a line at which the checker finds nothing makes it fail (``warn_unused_ignores``).
"""

import emulator
from emulator import Emulated, Emulator, EmulatorOptions

emulator.whatever()  # type: ignore[attr-defined]

OPTIONS: EmulatorOptions = {"handler": {}}  # type: ignore[typeddict-unknown-key]


async def test(emulated: Emulated) -> None:
    emulated(pool={"dome": {"count": 2}})  # type: ignore[call-arg]
    emulated(never=["effect after leese lost"])  # type: ignore[list-item]
    Emulator(pools={"dome": 2})  # type: ignore[dict-item]
    async with emulated() as emu:
        emu.figure("wait_p9")  # type: ignore[arg-type]
        emu.recorded("handed_uot")  # type: ignore[arg-type]
        len(emu.rows)  # type: ignore[attr-defined]
        job = emu.submit("copy")
        await job.reaches("runing")  # type: ignore[arg-type]
        assert job.state != "finished"  # type: ignore[comparison-overlap]
        for event in emu.recorded():
            assert event.kind != "hand_out"  # type: ignore[comparison-overlap]


def imports_what_there_is_not() -> None:
    from emulator import nonsense  # type: ignore[attr-defined]

    nonsense()
