"""Scripts that call over HTTP: answers, refusals by the standards, idempotency keys, and cutting off."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from emulator.errors import InputError
from emulator.scripts.load import load_scripts
from emulator.scripts.rerun import rerun
from emulator.scripts.starter import Starter, can_use_namespaces

FILE = """\
scripts:
  put: {argv: [python3, put.py], files: [put.py], folder: kept}
http:
  STORE_URL:
    - when: "PUT /plates/{plate}"
      calls: archive
      takes: 40s
      effect: archived
      target: "{plate}"
      repeatable: false
      answers_with: {status: 201, json: {id: "{plate}"}}
      idempotency_header: Idempotency-Key
    - when: "POST /plates/{plate}"
      effect: archived
      target: "{plate}"
      repeatable: false
      if_there: {status: 409, text: "{plate} is there"}
    - {when: "GET /plates/{plate}", answers: {effect: archived, target: "{plate}"}}
    - {when: "GET /plates", answers: {targets_of: archived}}
    - {when: "DELETE /plates/{plate}", effect: removed, undoes: archived, target: "{plate}", cut_off: true}
systems:
  archive: {limit: {allows: 1, each: 1h}, retry_after: 90s}
"""

CLIENT = """\
import json, os, urllib.error, urllib.request
BASE = os.environ["STORE_URL"]
def ask(method, path, **headers):
    request = urllib.request.Request(BASE + path, method=method, headers=headers)
    try:
        with urllib.request.urlopen(request) as answer:
            return answer.status, answer.read().decode(), dict(answer.headers)
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode(), dict(error.headers)
"""

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module", params=["namespace", "subreaper"])
def starter(request: pytest.FixtureRequest) -> Iterator[Starter]:
    if request.param == "namespace" and not can_use_namespaces():
        pytest.skip("this system lets this user make no namespace")
    with Starter(request.param == "namespace") as one:
        yield one


def judged(folder: Path, starter: Starter, script: str, **options: object) -> Any:
    (folder / "scripts.yaml").write_text(FILE)
    (folder / "put.py").write_text(CLIENT + script)
    return rerun(load_scripts(folder / "scripts.yaml"), "put", {}, starter=starter, **options)  # type: ignore[arg-type]


def printed(folder: Path, starter: Starter, script: str) -> str:
    """Give what a script prints undisturbed."""
    found = judged(folder, starter, script, whens=())
    return found.undisturbed.tried[0].output.decode()


def test_answers_have_status_headers_and_body(tmp_path: Path, starter: Starter) -> None:
    """Effects are looked up and listed; put if absent answers with what it says."""
    script = """
print(*ask("GET", "/plates/a")[:2])
print(*ask("PUT", "/plates/a")[:2])
print(*ask("GET", "/plates/a")[:2], ask("GET", "/plates")[1])
print(*ask("POST", "/plates/a")[:2], ask("POST", "/plates/b")[0])
"""
    assert printed(tmp_path, starter, script) == '404 \n201 {"id": "a"}\n200  ["a"]\n409 a is there 200\n'


def test_a_refusal_follows_the_standards(tmp_path: Path, starter: Starter) -> None:
    """Beyond its rate: 429 with Retry-After in seconds (RFC 6585) and problem details (RFC 9457)."""
    script = """
ask("PUT", "/plates/a")
status, body, headers = ask("PUT", "/plates/b")
print(status, headers["Retry-After"], headers["Content-Type"], json.loads(body)["title"])
raise SystemExit(0)
"""
    found = judged(tmp_path, starter, script, whens=())
    assert found.undisturbed.tried[0].output == b"429 90 application/problem+json Too Many Requests\n"
    assert found.wrong == "undisturbed, a system refuses a call: PUT /plates/b: refused"


def test_a_key_seen_before_gets_the_first_answer(tmp_path: Path, starter: Starter) -> None:
    """With an idempotency key the second request changes nothing and needs no token of the rate."""
    script = """
for _ in range(2):
    print(*ask("PUT", "/plates/a", **{"Idempotency-Key": "night-7"})[:2])
"""
    assert printed(tmp_path, starter, script) == '201 {"id": "a"}\n201 {"id": "a"}\n'


def test_a_key_makes_it_safe_to_run_again(tmp_path: Path, starter: Starter) -> None:
    """Without a key the plate is put twice after it was cut off; with one the second request is no deed."""
    plain = judged(tmp_path, starter, 'assert ask("PUT", "/plates/a")[0] in (201, 429)\n', whens=("dies",))
    keyed = judged(
        tmp_path,
        starter,
        'assert ask("PUT", "/plates/a", **{"Idempotency-Key": "k"})[0] == 201\n',
        whens=("dies", "wakes"),
    )
    assert [it.is_safe for it in plain.found] == [True, False, False]
    assert keyed.is_safe


def test_an_answer_is_cut_off_after_its_effect(tmp_path: Path, starter: Starter) -> None:
    """The client sees a broken answer, and the effect has landed."""
    script = """
ask("PUT", "/plates/a")
try:
    ask("DELETE", "/plates/a")
except Exception as error:
    print(type(error).__name__)
print(ask("GET", "/plates/a")[0])
"""
    assert printed(tmp_path, starter, script) == "BadStatusLine\n404\n"


def test_nothing_else_is_reached_where_namespaces_are_allowed(tmp_path: Path, starter: Starter) -> None:
    """A script in a network of its own cannot connect anywhere but to the stand-ins."""
    if not starter.namespaces:
        pytest.skip("without namespaces the script has the machine's network, and the page says so")
    script = """
import socket
try:
    socket.create_connection(("192.0.2.1", 80), timeout=2)
except OSError as error:
    print(error.strerror)
"""
    assert printed(tmp_path, starter, script) == "Network is unreachable\n"


def test_a_request_without_an_answer_is_a_mistake_of_the_file(tmp_path: Path, starter: Starter) -> None:
    """Method and path are named."""
    with pytest.raises(InputError, match="no `when` of STORE_URL fits the request: PATCH /plates/a"):
        judged(tmp_path, starter, 'ask("PATCH", "/plates/a")\n')
