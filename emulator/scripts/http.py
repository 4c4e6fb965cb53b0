"""Stands in for addresses over HTTP: takes requests off a socket, and writes the answers that it is told.

The words of the protocol are h11's. What is answered to a refusal follows the standards: 429 with Retry-After
(RFC 6585, section 4; RFC 9110, section 10.2.3), 503 (RFC 9110, section 15.6.4), problem details (RFC 9457). A repeated
request with the same idempotency key gets the first answer again, and 409 while the first is under way (the IETF draft
"The Idempotency-Key HTTP Header Field", section 2.6; from memory, not checked against the original).
"""

import json
import re
import socket
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import h11

from emulator.scripts.matching import fill
from emulator.scripts.models import HttpAnswer, Response

__all__ = ["Connection", "Request", "Written", "filled", "matched_request", "problem"]

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
