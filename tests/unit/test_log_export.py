"""The JSON Lines export: its bytes, its digest, and where two logs part."""

import hashlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from log_rows import any_row, some_rows

from emulator.errors import DefectError
from emulator.record.encoding import decode, decode_all, encode
from emulator.record.events import DETAILS, Row, to_json_object
from emulator.record.export import Difference, difference, digest, json_lines


def plainly(number: int, row: Row) -> bytes:
    """Write a line the slow way, as RFC 8259 has it; half a surrogate pair is escaped."""
    text = json.dumps(to_json_object(number, row), separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8", "backslashreplace") + b"\n"


@pytest.mark.slow
@given(st.lists(any_row(), max_size=12), st.integers(1, 10**9))
def test_the_export_is_what_json_writes_of_each_event(rows: list[Row], first: int) -> None:
    """The quick encoder writes the bytes that ``json.dumps`` writes of the object of each event."""
    expected = b"".join(plainly(number, row) for number, row in enumerate(rows, first))
    assert b"".join(json_lines(rows, first)) == expected
    assert encode(rows, first)[1] == expected


alike = st.sampled_from([1, True, 1.0, 0, False, -0.0, None, "", "1", "%s%%", '",{\n}', "a\ud800"])


@pytest.mark.slow
@given(
    st.lists(
        st.tuples(st.just(5), st.just("queue_held"), st.just(3), st.integers(0, 1), st.sampled_from(["", "%s"]), alike)
        | st.tuples(st.just(5), st.just("run_ended"), st.just(3), st.integers(0, 1), st.just(""))
        | st.tuples(st.just(5), st.just("resumed"), st.just(3), st.just(2), st.just("dome-1"), st.just(1) | alike),
        max_size=8,
    )
)
def test_events_of_one_kind_that_are_much_alike_are_told_apart(rows: list[Row]) -> None:
    """Details that are equal in Python but not in JSON are each written their own way, whatever stands beside them."""
    expected = [plainly(number, row) for number, row in enumerate(rows, 1)]
    columns, lines = encode(rows, 1)
    assert lines == b"".join(expected)
    back = [(*columns, *decode(columns[1], body)) for _, *columns, body in zip(*columns, strict=True)]
    assert [repr(row) for row in back] == [repr(row) for row in rows]


@pytest.mark.slow
@given(any_row())
def test_details_come_back_as_they_were(row: Row) -> None:
    """What a record holds of an event, read back, is the row that was emitted, types included."""
    [number], *columns, [body] = encode([row], 7)[0]
    back = (*(value for [value] in columns), *decode(row[1], body))
    assert (number, back) == (7, row)
    assert [type(value) for value in back] == [type(value) for value in row]


def test_half_a_surrogate_pair_is_escaped() -> None:
    """Text that UTF-8 has no bytes for is written as the JSON escape of it, and comes back."""
    row = (5, "queue_held", 0, 0, "", "a\ud800é")
    (*_, [body]), lines = encode([row], 1)
    assert body == '{"queue":"a\\ud800é"}'
    assert lines == '{"n":1,"at":5,"kind":"queue_held","cause":0,"queue":"a\\ud800é"}\n'.encode()
    assert decode("queue_held", body) == ("a\ud800é",)


def test_every_kind_has_its_keys_in_order() -> None:
    """Each kind of event is written with its fixed keys first and its details after, in the order of DETAILS."""
    for kind, names in DETAILS.items():
        row = (5, kind, 3, 2, "dome-1", *range(len(names)))
        keys = list(json.loads(b"".join(json_lines([row]))))
        assert keys == ["n", "at", "kind", "cause", "job", "worker", *names]


def test_a_long_export_is_written_in_pieces_that_join() -> None:
    """An export of many pieces is the same bytes as its lines written one by one, and its digest is their SHA-256."""
    rows = some_rows(4_501)
    expected = b"".join(plainly(number, row) for number, row in enumerate(rows, 1))
    assert b"".join(json_lines(iter(rows))) == expected
    assert digest(iter(rows)) == hashlib.sha256(expected).hexdigest()


@pytest.mark.parametrize(
    ("row", "complaint"),
    [
        ((5, "queue_held", 0, 0, ""), "event 8 cannot be written: (5, 'queue_held', 0, 0, '')"),
        ((5, "no such kind", 0, 0, "", 1), "event 8 cannot be written: (5, 'no such kind', 0, 0, '', 1)"),
        ((5, "queue_held", 0, 0, "", float("nan")), "event 8 cannot be written: (5, 'queue_held', 0, 0, '', nan)"),
        ((5, "queue_held", 0, 0, "", b"x"), "event 8 cannot be written: (5, 'queue_held', 0, 0, '', b'x')"),
        ((5, "queue_held", 0, 0, "", [1, 2]), "event 8 cannot be written: (5, 'queue_held', 0, 0, '', [1, 2])"),
        ((5, "queue_held"), "event 8 cannot be written: (5, 'queue_held')"),
    ],
)
def test_a_row_that_is_no_event_is_named(row: Row, complaint: str) -> None:
    """A row that does not fit its kind is reported as a defect that names it, whatever stands around it."""
    good = (5, "queue_held", 0, 0, "", "night")
    with pytest.raises(DefectError) as caught:
        encode([good, row, good], 7)
    assert str(caught.value).startswith(f"{complaint} is no row of a known kind: ")


@pytest.mark.parametrize(
    ("kind", "body"), [("queue_held", "{}"), ("queue_held", "[1]"), ("?", "{}"), ("queue_held", '{"queue":')]
)
def test_damaged_details_are_refused(kind: str, body: str) -> None:
    """Text that is not the details of that kind of event raises ValueError, alone and among others."""
    with pytest.raises(ValueError, match=r"is not what an event of the kind|Expecting value"):
        decode(kind, body)
    good = (1, 5, "queue_held", 0, 0, "", '{"queue":"night"}')
    with pytest.raises(ValueError, match=r"is not what an event of the kind|Expecting|zip"):
        decode_all([good, (2, 5, kind, 0, 0, "", body), good])


held, released = (5, "queue_held", 3, 0, "", "night"), (5, "queue_released", 3, 0, "", "night")


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        (released, "event 2101 differs in kind: queue_held in the log, queue_released in the new run"),
        (
            (6, "queue_held", 4, 0, "", "night"),
            "event 2101 differs in at: 5 in the log, 6 in the new run; cause: 3 in the log, 4 in the new run",
        ),
        ((5, "queue_held", 3, 9, "", "night"), "event 2101 differs in job: nothing in the log, 9 in the new run"),
        (
            (5, "queue_held", 3, 0, "", "day"),
            'event 2101 differs in queue: "night" in the log, "day" in the new run',
        ),
    ],
)
def test_the_first_difference_is_said_in_words(changed: Row, words: str) -> None:
    """Where two logs part, the number of the event and what differs are told, also far into them."""
    before, after = some_rows(2_100), some_rows(50)
    found = difference([*before, held, *after], iter([*before, changed, *after[1:]]))
    assert found == Difference(2101, held, changed)
    assert found.in_words("the log", "the new run") == words


def test_a_log_that_ends_early_differs_at_its_end() -> None:
    """When one log is the beginning of the other, the first event that it lacks is the difference."""
    rows = some_rows(4_000)
    shorter, longer = difference(rows[:2_000], rows), difference(rows, rows[:2_000])
    assert shorter == Difference(2_001, None, rows[2_000])
    assert longer == Difference(2_001, rows[2_000], None)
    assert shorter.in_words() == "event 2001 (queue_held at 2ms) is in the second alone: the first ends before it"
    assert longer.in_words() == "event 2001 (queue_held at 2ms) is in the first alone: the second ends before it"


def test_equal_logs_have_no_difference() -> None:
    """Streams that export to the same bytes are identical, the empty ones too."""
    assert difference(iter(some_rows(4_000)), some_rows(4_000)) is None
    assert difference([], []) is None


def test_numbers_of_different_types_differ() -> None:
    """True, 1 and 1.0 are equal in Python and not in the export: they make a difference."""
    one, true, real = ((5, "queue_held", 0, 0, "", value) for value in (1, True, 1.0))
    assert difference([one], [true]) == Difference(1, one, true)
    assert difference([one], [real]) == Difference(1, one, real)
