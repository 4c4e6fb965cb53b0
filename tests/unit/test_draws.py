"""Promises of keyed randomness: emulator/world/draws.py and the whole numbers made from one uniform.

Statistical promises are tested on fixed seeds against the limit that a true generator would break once in 100,000
times (4.42 standard deviations, two-sided), so a failure means a change, never bad luck.
"""

import os
import subprocess
import sys
from fractions import Fraction
from hashlib import blake2b
from itertools import pairwise
from math import sqrt
from struct import pack

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.world.draws import Draws, Purpose, entity_key, exponential, geometric, numbers_key, whole

LIMIT = 4.42
MANY = 20_000

PINNED_UNIFORMS = ["0x1.0b2d443f86d2ep-1", "0x1.490cbdaff543ap-1", "0x1.22a33a081a65bp-1"]
PINNED_KEY = 14860653646828046333

uniforms = st.integers(0, 2**53 - 1).map(lambda k: k * 2.0**-53)


@pytest.mark.parametrize("word", range(8))
def test_a_uniform_is_53_bits_of_a_word_of_keyed_blake2b_over_fixed_width_fields(word):
    """The layout is fixed for ever: built here from the standard's hash, field by field.

    The numbers 2**63 - 8 to 2**63 - 1 share the block 2**60 - 1; each has the word that its last three bits count.
    """
    message = pack("<Q", 14) + pack("<Q", 2**64 - 1) + pack("<q", 2**60 - 1) + pack("<q", -1) + pack("<q", -(2**63))
    digest = blake2b(message, digest_size=64, key=pack("<Q", 2**64 - 1), person=b"uniform block").digest()
    expected = (int.from_bytes(digest[8 * word : 8 * word + 8], "little") >> 11) / 2**53
    got = Draws(2**64 - 1).uniform(Purpose.CALL_ERROR, 2**64 - 1, 2**63 - 8 + word, -1, -(2**63))
    assert got == expected


def test_a_block_that_was_thrown_away_gives_the_same_again():
    """Blocks are kept for their other uniforms; 2,000 other blocks drive the first out."""
    draws = Draws(3)
    first = [draws.uniform(Purpose.PART_TIME, 1, number) for number in range(8)]
    others = [draws.uniform(Purpose.PART_TIME, entity) for entity in range(2, 2_002)]
    assert len(set(others)) == 2_000
    assert [draws.uniform(Purpose.PART_TIME, 1, number) for number in range(8)] == first


def test_pin_uniforms_of_seed_1():
    """Pin copied from a run: these numbers must never change."""
    draws = Draws(1)
    assert [draws.uniform(Purpose.PART_TIME, 7, 17, attempt).hex() for attempt in range(3)] == PINNED_UNIFORMS


def test_the_numbers_of_purposes_never_change():
    """Pin: a purpose may be added at the end, never moved."""
    assert [purpose.name for purpose in Purpose] == [
        "ARRIVAL_GAP",
        "PART_TIME",
        "PARAMETER",
        "HEARTBEAT_JITTER",
        "HEARTBEAT_LOSS",
        "MESSAGE_LOSS",
        "MESSAGE_DELAY",
        "POLL_OFFSET",
        "RETRY_JITTER",
        "FAULT_GAP",
        "FAULT_REPAIR",
        "FAULT_TARGET",
        "SYSTEM_ANSWER",
        "CALL_ERROR",
        "PROPAGATION_DELAY",
        "BOOT_TIME",
        "CLOCK_OFFSET",
        "CLOCK_DRIFT",
        "OUTCOME",
        "TIE_ORDER",
        "REPLICATION",
        "HANDLER",
        "GENERATION",
        "ASK_AGAIN",
        "NIGHT_FACTOR",
        "FAILS_AFTER",
        "POLL_EVERY",
        "BATCH",
        "LATENESS",
        "OF_THIS_NIGHT",
        "FAULT_STRENGTH",
    ]
    assert [purpose.value for purpose in Purpose] == list(range(1, 32))


@pytest.mark.slow
def test_the_same_key_draws_the_same_in_any_process():
    """Neither PYTHONHASHSEED nor the process reaches a draw."""
    program = (
        "from emulator.world.draws import *; "
        "print(Draws(5).uniform(Purpose.POLL_OFFSET, entity_key('dome', 3), 1), entity_key('dome', 3))"
    )
    said = {
        subprocess.run(
            [sys.executable, "-c", program],
            env=dict(os.environ, PYTHONHASHSEED=hash_seed),
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for hash_seed in ("0", "1")
    }
    key = entity_key("dome", 3)
    assert said == {f"{Draws(5).uniform(Purpose.POLL_OFFSET, key, 1)} {key}\n"}


@pytest.mark.parametrize("seed", [-1, 2**64])
def test_a_seed_out_of_range_is_refused_with_the_range(seed):
    with pytest.raises(ValueError) as caught:
        Draws(seed)
    assert str(caught.value) == (f"the seed {seed} is out of range: give a whole number from 0 to 18446744073709551615")


def test_other_draws_leave_a_draw_as_it_was():
    """There is no order of use."""
    draws = Draws(3)
    first = draws.uniform(Purpose.PART_TIME, 1, 1)
    for n in range(100):
        draws.uniform(Purpose.PART_TIME, 2, n)
    assert draws.uniform(Purpose.PART_TIME, 1, 1) == first


def test_a_row_gives_the_uniforms_of_its_key_by_place():
    draws = Draws(3)
    row = draws.row(Purpose.SYSTEM_ANSWER, 8, 2, 5, 9)
    assert [row(place) for place in range(4)] == [
        draws.uniform(Purpose.SYSTEM_ANSWER, 8, 2, 5, 9 + place * 2**40) for place in range(4)
    ]


NEIGHBOURS = {
    "seed": lambda n: Draws(n).uniform(2, 7),
    "entity": lambda n: Draws(0).uniform(2, n),
    "entity name": lambda n: Draws(0).uniform(2, entity_key("plate-copy", n)),
    "number": lambda n: Draws(0).uniform(2, 7, n),
    "attempt": lambda n: Draws(0).uniform(2, 7, 0, n),
    "place": lambda n: Draws(0).uniform(2, 7, 0, 0, n),
    "place in a sample": lambda n: Draws(0).row(2, 7, 3, 1, 5)(n),
    "key of numbers": lambda n: Draws(0).uniform(2, numbers_key(7, 3, n)),
    "purpose": lambda n: Draws(0).uniform(n, 7),
}


def _chi_square_limit(freedom):
    """Where chi-square is exceeded once in 100,000 times, by the cube rule (z = 4.265 one-sided)."""
    ninth = 2 / (9 * freedom)
    return freedom * (1 - ninth + 4.265 * sqrt(ninth)) ** 3


@pytest.mark.parametrize("field", NEIGHBOURS)
def test_draws_of_neighbouring_keys_are_uniform_and_independent(field):
    """For each field alone: mean, lag-1 correlation, and a 16 x 16 table of (draw, next draw); 99.999 % each."""
    draw = NEIGHBOURS[field]
    row = [draw(n) for n in range(MANY + 1)]
    assert all(0 <= u < 1 for u in row)
    mean = sum(row) / len(row)
    assert abs(mean - 0.5) < LIMIT / sqrt(12 * len(row))
    products = sum((a - 0.5) * (b - 0.5) for a, b in pairwise(row)) * 12 / MANY
    assert abs(products) < LIMIT / sqrt(MANY)
    table = [0] * 256
    for a, b in pairwise(row):
        table[int(a * 16) * 16 + int(b * 16)] += 1
    expected = MANY / 256
    assert sum((count - expected) ** 2 / expected for count in table) < _chi_square_limit(255)


def test_each_of_the_53_bits_is_set_half_of_the_time():
    """99.999 % for each of the bits, corrected for their number (4.42 becomes 5.2)."""
    draws = Draws(4)
    mantissas = [int(draws.uniform(1, 1, n) * 2**53) for n in range(MANY)]
    counts = [sum(mantissa >> bit & 1 for mantissa in mantissas) for bit in range(53)]
    assert max(abs(count - MANY / 2) for count in counts) < 5.2 * sqrt(MANY) / 2


def test_two_fields_swapped_make_another_key():
    draws = Draws(0)
    keys = [(1, 2, 3, 4), (1, 2, 4, 3), (1, 3, 2, 4), (2, 1, 3, 4), (1, 23, 0, 0), (12, 3, 0, 0), (1, 2, 3, 0)]
    assert len({draws.uniform(*key) for key in keys}) == len(keys)
    entities = [(1, 2, 3), (1, 3, 2), (2, 1, 3), (1, 23), (12, 3), (1, 2), (1, 2, 0), (1, 2, -1), (2**64 - 1, 2)]
    assert len({numbers_key(*numbers) for numbers in entities}) == len(entities)


def test_entity_keys_tell_apart_what_joined_text_would_confuse():
    parts = [
        (),
        ("",),
        ("", ""),
        ("a", "bc"),
        ("ab", "c"),
        ("abc",),
        (1,),
        ("1",),
        (-1,),
        (255,),
        (0,),
        (1, 23),
        (12, 3),
        (123,),
        ("é",),
        ("e\u0301",),
        ("\ud800",),
        (2**64,),
        (-(2**200),),
        (128,),
        (-128,),
    ]
    keys = [entity_key(*part) for part in parts]
    assert len(set(keys)) == len(parts)
    assert all(0 <= key < 2**64 for key in keys)


def test_pin_entity_key():
    """Pin copied from a run: this number must never change."""
    assert entity_key("plate-copy", 17, -1) == PINNED_KEY


@given(uniforms, st.integers(-(2**60), 2**60), st.integers(0, 2**60))
def test_whole_is_the_exact_inverse(u, low, span):
    """The result is low + floor(u * (high - low + 1)) in exact arithmetic."""
    assert whole(u, low, low + span) == low + int(Fraction(u) * (span + 1))


def test_whole_reaches_both_ends_and_nothing_beyond():
    assert [whole(0.0, -3, 5), whole(1 - 2.0**-53, -3, 5), whole(1 - 2.0**-53, 7, 7)] == [-3, 5, 7]


@pytest.mark.parametrize("p", [0.5, 0.25, 0.75, 0.1, 0.9, 0.3, 0.01])
def test_geometric_is_the_exact_count_also_at_ties(p):
    """G is the largest n with 1 - u <= (1-p)^n, held against fractions, on the ties and beside them."""
    remains = 1 - Fraction(p)
    for n in range(1, 40):
        tie = int((1 - remains**n) * 2**53)
        for k in (tie - 1, tie, min(tie + 1, 2**53 - 1)):
            got = geometric(k / 2**53, p)
            survival = 1 - Fraction(k, 2**53)
            assert survival <= remains**got, (n, k)
            assert survival > remains ** (got + 1), (n, k)


def test_geometric_far_out_agrees_with_its_definition():
    """Past the 53rd success the question goes to logarithms of sixty digits."""
    p = 2.0**-10
    remains = 1 - Fraction(p)
    for n in (60, 200, 1000):
        tie = int((1 - remains**n) * 2**53)
        assert [geometric(k / 2**53, p) for k in (tie - 1, tie, tie + 1)] == [
            next(g for g in (n, n - 1, n - 2) if 1 - Fraction(k, 2**53) <= remains**g) for k in (tie - 1, tie, tie + 1)
        ]


def test_geometric_has_its_mean():
    """Mean (1-p)/p successes, variance (1-p)/p^2, over 20,000 draws at 99.999 %."""
    draws = Draws(6)
    p = 0.05
    mean = sum(geometric(draws.uniform(Purpose.HEARTBEAT_LOSS, 1, n), p) for n in range(MANY)) / MANY
    assert abs(mean - (1 - p) / p) < LIMIT * sqrt((1 - p) / p**2 / MANY)


def test_geometric_of_certain_loss_is_0_and_of_rare_loss_is_cut():
    assert [geometric(0.99, 1.0), geometric(0.0, 1e-300), geometric(0.5, 1e-300)] == [0, 0, 2**52]


@pytest.mark.parametrize("p", [0.0, -0.1, 1.1, float("nan")])
def test_geometric_refuses_a_share_out_of_range(p):
    with pytest.raises(ValueError) as caught:
        geometric(0.5, p)
    assert str(caught.value) == f"the share of losses {p} is out of range: give more than 0, at most 1"


def test_exponential_is_minus_the_mean_times_the_log_of_the_rest():
    """ln 2 = 0.693147180559945..., ln 4 twice that (from memory)."""
    assert [exponential(u, 10**12) for u in (0.0, 0.5, 0.75)] == [0, 693_147_180_560, 1_386_294_361_120]


def test_whether_anything_was_drawn_is_known() -> None:
    """Of a night in which nothing was, every seed gives that very night."""
    draws = Draws(1)
    assert draws.drawn is False
    first = draws.uniform(Purpose.PART_TIME, 5)
    assert (draws.drawn, draws.uniform(Purpose.PART_TIME, 5), Draws(1).uniform(Purpose.PART_TIME, 5)) == (
        True,
        first,
        first,
    )
