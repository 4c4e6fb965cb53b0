"""The example suite, run as a user would: a fresh environment with the package, pytest and pytest-asyncio alone."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import emulator

ROOT = Path(emulator.__file__).parent.parent
EXAMPLE = Path(__file__).parent / "example"


@pytest.mark.slow
def test_the_example_suite_passes_in_a_fresh_environment(tmp_path: Path) -> None:
    """Nothing else is installed, the tests are copied away from this checkout, and they pass."""
    checkout = tmp_path / "checkout"
    checkout.mkdir()
    for name in ("emulator", "pyproject.toml", "README.md", "LICENSE"):
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, checkout / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, checkout / name)
    suite = tmp_path / "suite"
    shutil.copytree(EXAMPLE, suite, ignore=shutil.ignore_patterns("__pycache__"))
    env = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "COVERAGE", "PYTEST"))}
    python = tmp_path / "venv" / "bin" / "python"

    def call(*command: str) -> str:
        done = subprocess.run(command, cwd=suite, env=env, capture_output=True, text=True, timeout=300)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    call(sys.executable, "-m", "venv", str(tmp_path / "venv"))
    call(str(python), "-m", "pip", "install", "-q", str(checkout), "pytest>=8.4", "pytest-asyncio>=1.4")
    out = call(
        str(python), "-m", "pytest", "-q", "-p", "no:cacheprovider", "-o", "asyncio_default_fixture_loop_scope=function"
    )
    assert "5 passed" in out
