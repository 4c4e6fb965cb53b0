"""``python tests/bench``: the suite; ``python tests/bench counts``: the counted work of the hot paths.

(``side`` and ``count-one`` are what these two start in processes of their own.)
"""

import sys
from pathlib import Path

sys.path[0] = str(Path(__file__).parents[1])  # instead of this folder, so that it is the package `bench`

if __name__ == "__main__":  # processes are started by importing this file anew
    asked, *rest = sys.argv[1:] or [""]
    if asked == "side":
        from bench.side import main as side

        side(rest)
        sys.exit()
    if asked in ("counts", "count-one"):
        from bench.counts import main as counts

        sys.exit(counts(sys.argv[1:]))
    from bench.suite import main as suite

    sys.exit(suite(sys.argv[1:]))
