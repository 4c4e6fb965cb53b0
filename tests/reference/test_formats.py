"""Do formats and vocabularies agree with what open standards publish?

Each value's source stands beside it; "from memory" marks what was not checked against the original. Where the program
does not write a format, the test says so, and holds what it does write to the rules that could apply.
"""

import json
import time
from http import HTTPStatus
from itertools import product
from pathlib import Path
from uuid import NAMESPACE_DNS, UUID, uuid5

import exported_night
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from emulator import Emulator, Work, run_in_virtual_time
from emulator.broker.states import FINAL_STATES, Facts, Request, State, target
from emulator.record import encoding
from emulator.record.encoding import encode
from emulator.record.meta import content_hash
from emulator.report.exporting import FORMATS
from emulator.scripts.stand_ins import problem
from emulator.show.exports.recorded import Recorded


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return exported_night.night(tmp_path_factory.mktemp("night"))


# -- OpenMetrics 1.0, as an independent reader reads it ----------------------------------------------------------------

LE = ("0.0", "1e-05", "0.0001", "0.1", "1.0", "10.0", "100000.0", "1e+06", "1e+23", "1.1e+23", "+Inf")
BUCKETS = (0, 0, 5, 8, 10, 11, 11, 15, 16, 17, 17)


def histogram(bounds: tuple[str, ...] = LE, buckets: tuple[int, ...] = BUCKETS, count: int = 17) -> str:
    lines = [f'foo_bucket{{le="{le}"}} {value}\n' for le, value in zip(bounds, buckets, strict=True)]
    return "".join(["# TYPE foo histogram\n", *lines, f"foo_count {count}\nfoo_sum 324789.3\n# EOF\n"])


def accepts(text: str) -> bool:
    try:
        return bool(list(text_string_to_metric_families(text)))
    except ValueError:
        return False


def test_the_reader_of_our_metrics_holds_the_published_rules_for_histograms() -> None:
    """Buckets are cumulative, +Inf is there and equals the count (OpenMetrics 1.0, section Histogram; looked up)."""
    assert accepts(histogram())
    assert not accepts(histogram(buckets=(*BUCKETS[:-2], 18, 17)))
    assert not accepts(histogram(LE[:-1], BUCKETS[:-1]))
    assert not accepts(histogram(count=16))


def test_no_metric_of_ours_is_a_histogram(small: Recorded) -> None:
    """The export has figures in place of buckets: what it writes is of four types that need no bounds."""
    found = list(text_string_to_metric_families("".join(FORMATS["openmetrics"](small))))
    assert {family.type for family in found} == {"info", "stateset", "gauge", "counter"}
    labels = {label for family in found for sample in family.samples for label in sample.labels}
    assert labels & {"le", "quantile"} == set()


CANONICAL = (  # OpenMetrics 1.0, section Considerations: Canonical Numbers (looked up)
    *("0.0", "0.001", "0.01", "0.1", "0.9", "0.95", "0.99", "0.999", "1.0", "1.7", "10.0"),
    *("1e-10", "1e-09", "1e-05", "0.0001", "100000.0", "1e+06", "1e+10"),
)


def test_the_reader_of_our_metrics_takes_canonical_bounds() -> None:
    """Each published text is a bound that the reader accepts and gives back; no metric of ours has one (see above)."""
    bounds = (*sorted(CANONICAL, key=float), "+Inf")
    [family] = text_string_to_metric_families(histogram(bounds, (17,) * len(bounds)))
    assert [sample.labels["le"] for sample in family.samples if "le" in sample.labels] == list(bounds)
    assert not accepts(histogram(("a bound", "+Inf"), (17, 17)))


# -- RFC 9457: problem details ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("status", [403, 404, 409, 429, 501, 503])
def test_refusals_of_stand_ins_are_problem_details(status: int) -> None:
    """RFC 9457, sections 3 and 3.1 (looked up): media type, standard members, "about:blank" with the status' phrase."""
    refusal = problem(status, "the archive is full", "1.5")
    assert dict(refusal.headers)["Content-Type"] == "application/problem+json"
    body = json.loads(refusal.body)
    assert set(body) <= {"type", "status", "title", "detail", "instance"}
    assert (body["type"], body["title"], body["status"]) == ("about:blank", HTTPStatus(status).phrase, refusal.status)


# -- RFC 8785: canonical JSON -----------------------------------------------------------------------------------------

# RFC 8785, sections 3.2.2 to 3.2.4: the sample (byte listing looked up on a page of test data).
SAMPLE = '\u20ac$\x0f\nA\'B"\\\\"/'
SAMPLE_AS_CANONICAL = "22e282ac245c75303030665c6e4127425c225c5c5c5c5c222f22"
NUMBERS = (333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001)
NUMBERS_AS_CANONICAL = "[333333333.3333333,1e+30,4.5,0.002,1e-27]"


def test_texts_in_the_event_log_are_escaped_as_canonical_json_escapes_them() -> None:
    """The published string has the published bytes in the log; keys keep an order of their own, and are not sorted."""
    _, line = encode([(5, "queue_held", 3, 0, "", SAMPLE)], 1)
    assert line == b'{"n":1,"at":5,"kind":"queue_held","cause":3,"queue":' + bytes.fromhex(SAMPLE_AS_CANONICAL) + b"}\n"


def test_numbers_are_written_as_canonical_json_writes_them() -> None:
    """The published numbers have the published text; so the shortest one that reads back is what JSON here holds."""
    assert encoding._json(NUMBERS) == NUMBERS_AS_CANONICAL


# -- RFC 9562: identifiers ---------------------------------------------------------------------------------------------


def test_the_time_in_an_identifier_made_by_a_handler_is_virtual() -> None:
    """48 bits of Unix milliseconds lead a UUID of version 7 (RFC 9562, appendix A.6; values from memory).

    The published example is of 2022-02-22, 19:22:22 UTC: at that instant of the virtual calendar, a handler that
    makes such an identifier from ``time.time_ns`` gets these bits.
    """
    published = UUID("017f22e2-79b0-7cc3-98c4-dc0c0c07398f")
    assert (published.int >> 80, published.version) == (1_645_557_742_000, 7)

    seen = []

    async def handle(work: Work) -> None:
        await work.spend("22s")
        seen.append(time.time_ns() // 1_000_000)

    async def test() -> None:
        async with Emulator(handlers={"handle": handle}, starts="2022-02-22T19:22:00", zone="UTC") as emu:
            await emu.submit("handle")

    run_in_virtual_time(test)
    assert seen == [published.int >> 80]


def test_name_based_identifiers_are_the_same_in_virtual_time() -> None:
    """The UUID of version 5 of www.example.com (RFC 9562, appendix A.4; from memory) does not depend on any clock."""

    async def named() -> UUID:
        return uuid5(NAMESPACE_DNS, "www.example.com")

    assert run_in_virtual_time(named()) == UUID("2ed6657d-e927-568b-95e1-2665a8aea6a2")


# -- FIPS 180-4: digests -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "digest"),
    [
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    ],
)
def test_files_that_a_scenario_names_have_the_published_digest(tmp_path: Path, content: bytes, digest: str) -> None:
    """The digest in a log is SHA-256 of the bytes (FIPS 180-4, examples; from memory)."""
    path = tmp_path / "plates.csv"
    path.write_bytes(content)
    assert content_hash(path) == digest


# -- DRMAA v2 and OGSA-BES: states of jobs -----------------------------------------------------------------------------

# Open Grid Forum GFD.231, JobState, and GFD.230, enum drmaa2_jstate: names and groups looked up in the header of the
# working group's reference code; the specification text itself was not checked.
DRMAA = {
    "queued": ("QUEUED", "QUEUED_HELD"),
    "started": ("RUNNING", "SUSPENDED", "REQUEUED", "REQUEUED_HELD"),
    "terminated": ("DONE", "FAILED"),
}


def moves() -> set[tuple[State, State]]:
    """Give every change of state that the table can make, whatever is known of the job."""
    facts = [Facts(*values) for values in product((False, True), repeat=len(Facts._fields))]
    followed = ((state, target(state, request, one)) for state in State for request in Request for one in facts)
    return {(state, to) for state, to in followed if isinstance(to, State) and to is not state}


def test_the_states_are_those_of_the_standard_without_undetermined() -> None:
    """Every state of DRMAA v2 but UNDETERMINED, in its three groups; only a hand-back leads to an earlier group."""
    group = {name: group for group, names in DRMAA.items() for name in names}
    assert {state.name for state in State} == set(group)
    assert {state.name for state in FINAL_STATES} == set(DRMAA["terminated"])
    order = list(DRMAA)
    back = {(a, b) for a, b in moves() if order.index(group[a.name]) > order.index(group[b.name])}
    # A job that its worker hands back unstarted has had no attempt that counts: it is as it was (a rule of our own).
    assert {(a.name, b.name) for a, b in back} == {("RUNNING", "QUEUED"), ("RUNNING", "QUEUED_HELD")} | {
        ("SUSPENDED", "QUEUED"),
        ("SUSPENDED", "QUEUED_HELD"),
    }


# Open Grid Forum GFD-R.108, basic state model: names looked up in public code, transitions from memory.
BES = {
    ("Pending", "Running"),
    ("Pending", "Failed"),
    ("Pending", "Cancelled"),
    ("Running", "Finished"),
    ("Running", "Failed"),
    ("Running", "Cancelled"),
}
AS_BES = {
    **dict.fromkeys((State.QUEUED, State.QUEUED_HELD), "Pending"),
    **dict.fromkeys((State.RUNNING, State.SUSPENDED, State.REQUEUED, State.REQUEUED_HELD), "Running"),
    State.DONE: "Finished",
    State.FAILED: "Failed",  # and Cancelled, where the sub-state is withdrawn
}


def test_the_states_refine_the_basic_model_of_ogsa_bes() -> None:
    """Each move between groups of states is one of the basic model, but for a hand-back; all of them are there."""
    seen = {(AS_BES[a], AS_BES[b]) for a, b in moves() if AS_BES[a] != AS_BES[b]}
    assert seen - {("Running", "Pending")} == {(a, b) for a, b in BES if b != "Cancelled"}
    assert target(State.QUEUED, Request.WITHDRAW, Facts()) is State.FAILED
