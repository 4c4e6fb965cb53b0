"""The comparisons, one module each, in the order in which they are run."""

from bench.rows import (
    backlog,
    broken,
    compare,
    idle,
    key,
    leased,
    log,
    loop,
    million,
    mm3,
    plugin,
    processes,
    small,
    start,
)

__all__ = ["ROWS"]

ROWS = {
    module.ROW.name: module.ROW
    for module in (
        mm3,
        leased,
        broken,
        loop,
        log,
        million,
        backlog,
        key,
        idle,
        compare,
        processes,
        small,
        start,
        plugin,
    )
}
"""Each row by its name."""
