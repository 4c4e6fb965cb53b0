"""What stands in for the world of a script: answers that fit a call, over HTTP too, and commands in virtual time.

The words of the protocol are h11's. What is answered to a refusal follows the standards: 429 with Retry-After
(RFC 6585, section 4; RFC 9110, section 10.2.3), 503 (RFC 9110, section 15.6.4), problem details (RFC 9457). A repeated
request with the same idempotency key gets the first answer again, and 409 while the first is under way (the IETF draft
"The Idempotency-Key HTTP Header Field", section 2.6; from memory, not checked against the original).

Options of the commands are those of POSIX and of common practice on Linux; any other is refused by its name, so that no
script is judged by something that it did not ask for.
"""

import json
import re
import signal
import socket
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import h11

from emulator.scripts.load import Answer, HttpAnswer, Response, Scripts

__all__ = [
    "HIDDEN",
    "Connection",
    "Limit",
    "Request",
    "UnusualError",
    "Written",
    "date_text",
    "fill",
    "filled",
    "hidden",
    "in_text",
    "limit",
    "matched",
    "matched_request",
    "problem",
    "sleep_ticks",
    "trace_lines",
    "without",
]


HIDDEN: Final = "(hidden)"
_TELLING: Final = re.compile("TOKEN|SECRET|PASSWORD", re.IGNORECASE)
_SHORT: Final = 4  # a shorter value stands in too many words to be taken out of a text


def _is_secret(scripts: Scripts, name: str) -> bool:
    return name in scripts.hide or bool(_TELLING.search(name))


def hidden(scripts: Scripts, values: Mapping[str, Any]) -> dict[str, Any]:
    """Give values by name as they may be shown.

    >>> from emulator.scripts.load import Script
    >>> file = Scripts(scripts={"copy": Script(argv=("sh",))}, hide=("door",))
    >>> hidden(file, {"door": "4711", "api_token": "x", "plate": "plate-7"})
    {'door': '(hidden)', 'api_token': '(hidden)', 'plate': 'plate-7'}
    """
    return {name: HIDDEN if _is_secret(scripts, name) else value for name, value in values.items()}


def without(scripts: Scripts, values: Mapping[str, Any], text: str) -> str:
    """Take secret values out of a text, such as the words of a call."""
    for name, value in values.items():
        if _is_secret(scripts, name):
            for one in map(str, value if isinstance(value, list | tuple) else [value]):
                if len(one) >= _SHORT:
                    text = text.replace(one, HIDDEN)
    return text


_NAME: Final = re.compile(r"\{([^{}]+)\}")
_REST: Final = "..."


def matched(answers: Sequence[Answer], arguments: Sequence[str]) -> tuple[int, Answer, dict[str, str]] | None:
    """Give the first answer that fits: its place, itself, and the arguments by name; None if none fits.

    >>> answers = [Answer(when=("put", "{plate}")), Answer(when=("tag", "{name...}"))]
    >>> place, _, named = matched(answers, ["put", "plate-7"]); place, named
    (0, {'plate': 'plate-7'})
    >>> matched(answers, ["tag", "a", "b"])[2], matched(answers, ["put"])
    ({'name': 'a b'}, None)
    """
    for place, answer in enumerate(answers):
        named = _fits(answer.when, arguments)
        if named is not None:
            return place, answer, named
    return None


def _fits(patterns: Sequence[str], arguments: Sequence[str]) -> dict[str, str] | None:
    named: dict[str, str] = {}
    for place, pattern in enumerate(patterns):
        rest = _NAME.fullmatch(pattern)
        if rest and rest[1].endswith(_REST):
            named[rest[1].removesuffix(_REST)] = " ".join(arguments[place:])
            return named
        if place >= len(arguments):
            return None
        found = _one(pattern, arguments[place])
        if found is None or any(named.setdefault(name, value) != value for name, value in found.items()):
            return None
    return named if len(patterns) == len(arguments) else None


def _one(pattern: str, argument: str) -> dict[str, str] | None:
    """Fit one argument to one pattern, in which {names} stand for any text: ``--plate={plate}``."""
    names = _NAME.findall(pattern)
    if not names:
        return {} if pattern == argument else None
    pieces = [re.escape(piece) if place % 2 == 0 else "(.*)" for place, piece in enumerate(_NAME.split(pattern))]
    found = re.fullmatch("".join(pieces), argument, re.DOTALL)
    return dict(zip(names, found.groups(), strict=True)) if found else None


def fill(text: str, values: Mapping[str, Any]) -> str:
    """Put values in the place of {names}; what has no value stays as it stands.

    >>> fill("put {plate} {x}\\n", {"plate": "plate-7"})
    'put plate-7 {x}\\n'
    """
    return _NAME.sub(lambda found: str(values.get(found[1], found[0])), text)


def in_text(values: Mapping[str, Any]) -> dict[str, str]:
    """Give values as texts in which they can be filled in: a list has a line for each of its elements.

    >>> in_text({"plates": ["a", "b"], "number": 3})
    {'plates': 'a\\nb', 'number': '3'}
    """
    return {
        name: "\n".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
        for name, value in values.items()
    }


_MOST_BODY: Final = 16 << 20
_TITLES: Final = {403: "Forbidden", 404: "Not Found", 409: "Conflict", 429: "Too Many Requests", 501: "Not Implemented"}


@dataclass(frozen=True, slots=True)
class Written:
    """An answer, ready to be sent: its status, headers and body."""

    status: int
    headers: tuple[tuple[str, str], ...] = ()
    body: bytes = b""


@dataclass(eq=False, slots=True)
class Request:
    """One request that waits for its answer.

    Attributes:
        base: the variable of the environment that holds the base address.
        argv: the method and the path, as a call's words.
        headers: its headers, names in lower case.
        input: its body.
        is_gone: whether the client no longer waits.
    """

    base: str
    argv: list[str]
    headers: dict[str, str]
    input: bytes
    _connection: "Connection"
    line: str = ""
    is_gone: bool = False
    is_answered: bool = False
    is_reading: bool = False
    code: int | None = None
    process: int = 0
    place: tuple[int, ...] = ()

    @property
    def has_left(self) -> bool:
        """Whether the client has left without an answer."""
        return not self.is_answered and self.is_gone

    def respond(self, written: Written, *, cut_off: bool = False) -> None:
        """Send an answer; ``cut_off`` closes the connection in the middle of it."""
        self.is_answered = True
        self._connection.send(written, cut_off=cut_off)

    def drop(self) -> None:
        """Close the connection without an answer."""
        self.is_answered = True
        self._connection.close()


@dataclass(eq=False, slots=True)
class Connection:
    """One connection of a client; requests on it come one after another."""

    base: str
    socket: socket.socket
    current: Request | None = None
    is_closed: bool = False
    _protocol: h11.Connection = field(default_factory=lambda: h11.Connection(h11.SERVER))
    _head: h11.Request | None = None
    _body: bytearray = field(default_factory=bytearray)

    def receive(self) -> list[Request]:
        """Take what has come, and give the request if it is whole; a client that has gone leaves its request."""
        try:
            data = self.socket.recv(1 << 18)
        except OSError:
            data = b""
        if not data:
            if self.current is not None and not self.current.is_answered:
                self.current.is_gone = True
            self.close()
            return []
        self._protocol.receive_data(data)
        return self._requests()

    def _requests(self) -> list[Request]:
        try:
            while True:
                event = self._protocol.next_event()
                if isinstance(event, h11.Request):
                    self._head, self._body = event, bytearray()
                elif isinstance(event, h11.Data):
                    self._body += event.data
                    if len(self._body) > _MOST_BODY:
                        raise h11.RemoteProtocolError("too large")
                elif isinstance(event, h11.EndOfMessage) and self._head is not None:
                    return [self._whole(self._head)]
                elif event is h11.NEED_DATA or event is h11.PAUSED:
                    return []
                else:
                    self.close()
                    return []
        except h11.RemoteProtocolError:
            self.close()
            return []

    def _whole(self, head: h11.Request) -> Request:
        headers = {name.decode().lower(): value.decode("latin-1") for name, value in head.headers}
        path = head.target.decode("ascii", "replace")
        self.current = Request(self.base, [head.method.decode(), path], headers, bytes(self._body), self)
        return self.current

    def send(self, written: Written, *, cut_off: bool) -> None:
        """Send an answer; then the connection waits for the next request, unless it was cut off."""
        body = written.body
        headers = [*written.headers, ("Content-Length", str(len(body)))]
        protocol, head = self._protocol, self._head
        data = protocol.send(h11.Response(status_code=written.status, headers=headers)) or b""
        if body and not (head is not None and head.method == b"HEAD"):
            data += protocol.send(h11.Data(data=body)) or b""
        try:
            if cut_off:
                # in the middle of the body, or of the status line: lenient clients take cut headers for whole ones
                self.socket.sendall(data[: len(data) - (len(body) + 1) // 2] if body else data[:7])
                self.close()
                return
            self.socket.sendall(data + (protocol.send(h11.EndOfMessage()) or b""))
            if protocol.our_state is h11.DONE and protocol.their_state is h11.DONE:
                protocol.start_next_cycle()
            else:
                self.close()
        except (OSError, h11.LocalProtocolError):  # the client has gone meanwhile
            self.close()

    def close(self) -> None:
        """Close it."""
        self.is_closed = True
        self.socket.close()


def matched_request(
    answers: Sequence[HttpAnswer], argv: Sequence[str]
) -> tuple[int, HttpAnswer, dict[str, str]] | None:
    """Give the first answer that fits a request: its place, itself, and the pieces of the path by name.

    >>> answers = [HttpAnswer(when="PUT /plates/{plate}")]
    >>> matched_request(answers, ["PUT", "/plates/plate-7?fast=1"])[2], matched_request(answers, ["GET", "/plates/a"])
    ({'plate': 'plate-7'}, None)
    """
    method, path = argv[0], argv[1].partition("?")[0]
    for place, answer in enumerate(answers):
        wanted, _, pattern = answer.when.partition(" ")
        if wanted == method:
            pieces = re.split(r"\{([^{}]+)\}", pattern)
            names = pieces[1::2]
            expression = "([^/]+)".join(map(re.escape, pieces[::2]))
            if found := re.fullmatch(expression, path):
                return place, answer, dict(zip(names, found.groups(), strict=True))
    return None


def filled(response: Response, values: Mapping[str, str]) -> Written:
    """Write an answer with values in the place of {names}.

    >>> filled(Response(status=201, json={"id": "{plate}"}), {"plate": "plate-7"}).body
    b'{"id": "plate-7"}'
    """
    headers = tuple((name, fill(value, values)) for name, value in response.headers.items())
    if response.json_body is not None:
        body = json.dumps(_filled(response.json_body, values)).encode()
        return Written(response.status, (("Content-Type", "application/json"), *headers), body)
    text = fill(response.text or "", values).encode()
    kind = (("Content-Type", "text/plain; charset=utf-8"),) if text else ()
    return Written(response.status, (*kind, *headers), text)


def _filled(value: Any, values: Mapping[str, str]) -> Any:
    if isinstance(value, str):
        return fill(value, values)
    if isinstance(value, Mapping):
        return {key: _filled(item, values) for key, item in value.items()}
    return [_filled(item, values) for item in value] if isinstance(value, list) else value


def problem(status: int, detail: str, retry_after: str = "") -> Written:
    """Write a refusal as problem details (RFC 9457), with Retry-After in whole seconds where a hint is known.

    >>> problem(429, "the archive is full", "1.5").headers
    (('Content-Type', 'application/problem+json'), ('Retry-After', '2'))
    """
    title = _TITLES.get(status, "Service Unavailable" if status == 503 else "Error")
    body = json.dumps({"type": "about:blank", "title": title, "status": status, "detail": detail}).encode()
    headers = [("Content-Type", "application/problem+json")]
    if retry_after:
        headers.append(("Retry-After", str(-int(-float(retry_after) // 1))))
    return Written(status, tuple(headers), body)


_UNITS: Final = {"": 1, "s": 1, "m": 60, "h": 3600, "d": 86400}
_MICRO: Final = 1_000_000
_LONGEST: Final = 100 * 365 * 86400 * _MICRO


class UnusualError(ValueError):
    """An option or argument that the stand-in does not know; the message names it."""


def _ticks(text: str) -> int:
    found = re.fullmatch(r"(\d+(?:\.\d*)?|\.\d+)([smhd]?)", text, re.ASCII)
    if found is None:
        if text in ("inf", "infinity"):
            return _LONGEST
        raise UnusualError(f"{text!r} is no time: a number is wanted, with s, m, h or d behind it or none")
    return min(_LONGEST, round(float(found[1]) * _UNITS[found[2]] * _MICRO))


def sleep_ticks(arguments: Sequence[str]) -> int:
    """Give how long ``sleep`` sleeps, in ticks: the sum of its arguments.

    >>> sleep_ticks(["1.5", "2m"])
    121500000
    """
    if not arguments:
        raise UnusualError("a time is missing")
    return sum(map(_ticks, arguments))


@dataclass(frozen=True, slots=True)
class Limit:
    """What ``timeout`` was asked for.

    Attributes:
        ticks: the limit; 0 for none.
        number: the signal that it sends then.
        command: the command and its arguments.
    """

    ticks: int
    number: int
    command: tuple[str, ...]


def limit(arguments: Sequence[str]) -> Limit:
    """Read the arguments of ``timeout``.

    >>> limit(["-s", "KILL", "30", "store", "put"])
    Limit(ticks=30000000, number=9, command=('store', 'put'))
    """
    number, left = int(signal.SIGTERM), list(arguments)
    while left and left[0].startswith("-") and left[0] != "-":
        option = left.pop(0)
        if option == "--":
            break
        name, _, value = option.partition("=")
        if name in ("-s", "--signal"):
            value = value or (left.pop(0) if left else "")
            number = _signal(value)
        elif option.startswith("-s") and not option.startswith("--"):
            number = _signal(option[2:])
        elif option not in ("-f", "--foreground"):
            raise UnusualError(f"{option} is not known here: -s SIGNAL and --foreground are")
    if len(left) < 2:
        raise UnusualError("a time and a command are wanted")
    return Limit(_ticks(left[0]), number, tuple(left[1:]))


def _signal(text: str) -> int:
    if text.isdecimal() and 1 <= int(text) <= 64:
        return int(text)
    name = text.upper().removeprefix("SIG")
    try:
        return int(signal.Signals[f"SIG{name}"])
    except KeyError:
        raise UnusualError(f"{text!r} is no signal: a number or a name such as TERM or KILL is wanted") from None


_DEFAULT: Final = "%a %b %e %H:%M:%S %Z %Y"
_FORMS: Final = {"date": "%Y-%m-%d", "hours": "%Y-%m-%dT%H+00:00", "minutes": "%Y-%m-%dT%H:%M+00:00"}
_SECONDS: Final = "%Y-%m-%dT%H:%M:%S+00:00"
_NAMES: Final = set("aAbBcCdDeFgGhHIjklmMnNpPrRsSTuUVwWxXyYzZt%")


def date_text(arguments: Sequence[str], now: datetime) -> str:
    """Give what ``date`` prints: the time in UTC, as the script's environment says (TZ=UTC).

    >>> date_text(["+%F %T"], datetime(2026, 6, 12, 22, 0, tzinfo=UTC))
    '2026-06-12 22:00:00'
    """
    form, moment, left = _DEFAULT, now.astimezone(UTC), list(arguments)
    while left:
        option = left.pop(0)
        if option in ("-u", "--utc", "--universal"):
            continue
        if option.startswith("+"):
            form = option[1:]
        elif option in ("-I", "--iso-8601"):
            form = _FORMS["date"]
        elif option in ("-Iseconds", "--iso-8601=seconds"):
            form = _SECONDS
        elif (
            option.startswith(("-I", "--iso-8601=")) and option.removeprefix("-I").removeprefix("--iso-8601=") in _FORMS
        ):
            form = _FORMS[option.removeprefix("-I").removeprefix("--iso-8601=")]
        elif option in ("-R", "--rfc-email"):
            form = "%a, %d %b %Y %H:%M:%S +0000"
        elif option in ("-d", "--date") and left:
            moment = _moment(left.pop(0), moment)
        elif option.startswith("--date="):
            moment = _moment(option.partition("=")[2], moment)
        else:
            raise UnusualError(f"{option} is not known here: -u, -I, -R, -d @SECONDS and +FORMAT are")
    return _formatted(form, moment)


def _moment(text: str, now: datetime) -> datetime:
    if found := re.fullmatch(r"@(\d{1,11})", text, re.ASCII):
        return datetime.fromtimestamp(int(found[1]), UTC)
    words = {"now": timedelta(), "today": timedelta(), "yesterday": timedelta(days=-1), "tomorrow": timedelta(days=1)}
    if text in words:
        return now + words[text]
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UnusualError(f"-d {text!r} is not known here: @SECONDS, yesterday, tomorrow or 2026-06-12 are") from None
    return moment.replace(tzinfo=moment.tzinfo or UTC).astimezone(UTC)


def _formatted(form: str, moment: datetime) -> str:
    def one(found: re.Match[str]) -> str:
        flag, name = found[1], found[2]
        if name not in _NAMES:
            raise UnusualError(f"%{flag}{name} is not known here")
        own = {
            "N": f"{moment.microsecond:06d}000",
            "s": str(int(moment.timestamp())),
            "n": "\n",
            "t": "\t",
            "e": f"{moment.day:2d}",
            "k": f"{moment.hour:2d}",
            "l": f"{(moment.hour - 1) % 12 + 1:2d}",
            "z": "+0000",
            "Z": "UTC",
            "P": moment.strftime("%p").lower(),
        }
        text = own[name] if name in own else moment.strftime("%" + name)
        return (text.lstrip("0") or "0") if flag == "-" else text

    return re.sub(r"%([-_0^]?)(.)", one, form, flags=re.DOTALL)


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
