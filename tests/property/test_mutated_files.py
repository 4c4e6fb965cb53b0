"""Whatever stands in a scenario file, ``check`` answers: it is right, or wrong at some place, and never a defect.

Many more are checked by hand: ``python tests/mutated_files.py --count 100000``.
"""

from pathlib import Path

import pytest
from mutated_files import checked, mutant, place

SEED = 20261130
MANY = 100


@pytest.mark.slow
def test_no_file_makes_check_end_with_a_defect(tmp_path: Path) -> None:
    """Of 100 files in which a few things were changed each is right or wrong, and nothing is said of a traceback."""
    path = place(tmp_path)
    ended: dict[int, int] = {}
    for number in range(MANY):
        path.write_bytes(mutant(SEED, number))
        code, said = checked(path)
        assert code in (0, 2), f"python tests/mutated_files.py --seed {SEED} --show {number}\n{said}"
        assert "Traceback" not in said
        ended[code] = ended.get(code, 0) + 1
    assert min(ended[0], ended[2]) > MANY / 20  # both kinds are among them
