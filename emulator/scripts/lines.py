"""Lets scripts tell the line of a call: bash by a trap, Python by an audit hook; others have the call's number."""

from pathlib import Path
from typing import Final

__all__ = ["trace_lines"]

# Nested shells of the same script inherit the variable; a function is traced too. `set -T` alone would change nothing.
_BASH: Final = """\
set -T 2>/dev/null
trap 'QUEUEDRILL_LINE=${BASH_SOURCE[0]##*/}:$LINENO' DEBUG
export QUEUEDRILL_LINE
"""

_PYTHON: Final = """\
import os, sys
def _queuedrill_line(event, arguments, starts=("subprocess.Popen", "os.posix_spawn", "os.exec", "os.system")):
    if event in starts:
        frame = sys._getframe(1)
        main = getattr(sys.modules.get("__main__"), "__file__", None)
        while frame is not None and frame.f_code.co_filename != main:
            frame = frame.f_back
        if frame is not None:
            os.environ["QUEUEDRILL_LINE"] = os.path.basename(main) + ":" + str(frame.f_lineno)
sys.addaudithook(_queuedrill_line)
"""


def trace_lines(room: Path) -> dict[str, str]:
    """Write the files that trace lines, once for a folder; give the variables that make shells and Python read them."""
    bash, python = room / "lines.bash", room / "lines"
    if not bash.exists():
        bash.write_text(_BASH)
        python.mkdir()
        (python / "sitecustomize.py").write_text(_PYTHON)
    return {"BASH_ENV": str(bash), "PYTHONPATH": str(python), "PYTHONDONTWRITEBYTECODE": "1"}
