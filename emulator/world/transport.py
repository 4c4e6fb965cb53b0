"""Carries messages between a worker and the broker: requests for work, results, heartbeats and their answers.

A request keeps its number until it is answered. Its way out and the way back of its answer each have a fate of their
own, keyed by (worker, incarnation, kind, number, direction). Request lost: the broker knows nothing. Answer lost: the
broker has acted and the worker does not know. The worker waits ``answer_within``, then repeats under the same number,
which the broker takes as the same request. A worker that takes nothing more says so in its repeats: it gets what its
request was given before, and nothing new. A heartbeat is not repeated: the next one follows.

A message with a shorter delay may overtake an older one. A heartbeat that a newer message has overtaken is old: it
renews nothing, and nobody answers it. The answer to a heartbeat older than one that was answered is old too.
"""

from collections.abc import Callable, Mapping
from typing import Any, Final

from emulator.broker.broker import Broker
from emulator.broker.jobs import Attempt
from emulator.broker.workers import HeartbeatReply
from emulator.timeline.agenda import MESSAGES
from emulator.world.draws import Purpose
from emulator.world.heartbeat_schedule import BACK, OUT, HeartbeatSchedule
from emulator.world.worker import ON, Request, RunContext, Worker, WorkerClock

__all__ = ["ARRIVES", "Transport"]

_LOSS: Final = int(Purpose.MESSAGE_LOSS)
_DELAY: Final = int(Purpose.MESSAGE_DELAY)
_REQUEST: Final = 1
_RESULT: Final = 2
ARRIVES: Final = 1 << 59
"""Added to the place of a message among those of its worker: at one instant, what it sends goes before what arrives."""


class Transport:
    """Carries requests, heartbeats and their answers over each worker's link.

    Args:
        context: the event queue, the sink and the draws.
        broker: whom the messages reach.
        schedule: which heartbeats get through.
        expiry_sent_as: how each queue tells a worker when its lease ends.
        are_recorded: whether heartbeats that bring nothing back are recorded too.

    Attributes:
        answered, asked, broker_acted: told of an answer that has come, of a request for work that has reached the
            broker, of an outcome that has acted there.
        learn: told of what a heartbeat has brought back; needs_contact: says whether the next one has to.
    """

    __slots__ = (
        "_agenda",
        "_are_recorded",
        "_broker",
        "_draws",
        "_emit",
        "_expiry_sent_as",
        "_schedule",
        "answered",
        "asked",
        "broker_acted",
        "learn",
        "needs_contact",
    )

    answered: Callable[[Request, Any], None]
    asked: Callable[[Request, Callable[[Request, Any], None]], None]
    broker_acted: Callable[[Attempt], None]
    learn: Callable[[Worker, HeartbeatReply], None]
    needs_contact: Callable[[Worker], bool]

    def __init__(
        self,
        context: RunContext,
        broker: Broker,
        schedule: HeartbeatSchedule,
        expiry_sent_as: Mapping[str, str],
        are_recorded: bool,
    ) -> None:
        self._agenda, self._emit, self._draws = context.agenda, context.emit, context.draws
        self._broker = broker
        self._schedule = schedule
        self._expiry_sent_as = expiry_sent_as
        self._are_recorded = are_recorded

    # -- requests -----------------------------------------------------------------------------------------------------

    def send(self, request: Request) -> None:
        """Send a request now; ``answered`` is called with its answer when that arrives."""
        worker = request.worker
        if request.answered or worker.incarnation != request.incarnation or not worker.is_active:
            return
        agenda = self._agenda
        now = agenda.now
        if agenda.rank < MESSAGES:  # what ends at this instant, and its faults, go before messages
            agenda.at(now, self._send_or_park, request, MESSAGES, worker.index, ARRIVES)
            return
        request.note_sent(now)
        is_direct = request.what != "take" and worker.is_plain and not worker.result_loss
        if is_direct and self._broker.is_up:
            request.arrived = request.order
            self.answered(request, self._ask(request))
            return
        self._agenda.at(now + worker.link.answer_within, self._unanswered, (request, request.tries))
        if worker.cut_out or self._is_lost(request, OUT, worker.link.loss_out) or self._result_is_lost(request):
            self._lose(request, "out")
            return
        delay = self._delay(request, OUT)
        if delay:
            what = (request, request.order)
            self._agenda.at(now + delay, self._arrive, what, MESSAGES, worker.index, ARRIVES + request.order)
        else:
            self._arrive((request, request.order))

    def _send_or_park(self, request: Request) -> None:
        if request.worker.frozen_at >= 0 and request.incarnation == request.worker.incarnation:
            request.worker.requests.append(request)
        else:
            self.send(request)

    def _unanswered(self, what: tuple[Request, int]) -> None:
        request, tries = what
        worker = request.worker
        if request.answered or request.tries != tries or worker.incarnation != request.incarnation:
            return
        if worker.state is not ON:
            return
        if worker.frozen_at >= 0:
            worker.requests.append(request)
            return
        if request.what == "outcome" and request.attempt is not None and request.tries == 1:
            attempt = request.attempt
            row = (self._agenda.now, "outcome_unanswered", attempt.event, attempt.job.number, worker.name)
            self._emit((*row, attempt.token))
        self.send(request)

    def _arrive(self, what: tuple[Request, int]) -> None:
        request, order = what
        if not self._broker.is_up:
            return
        request.arrived = order
        if request.what == "take":
            if order > request.wanted:
                request.is_decided = True  # if nothing was granted before, nothing is now
            self.asked(request, self._reply)
            return
        answer = self._ask(request)
        if request.attempt is not None:
            self.broker_acted(request.attempt)
        self._reply(request, answer)

    def _reply(self, request: Request, answer: Any) -> None:
        """Send the answer to a request back."""
        worker = request.worker
        if worker.cut_back or self._is_lost(request, BACK, worker.link.loss_back):
            self._lose(request, "back")
            return
        delay = self._delay(request, BACK)
        if delay:
            self._agenda.at(self._agenda.now + delay, self._answer, (request, answer))
        else:
            self._answer((request, answer))

    def _answer(self, what: tuple[Request, Any]) -> None:
        request, answer = what
        worker = request.worker
        if request.answered or worker.incarnation != request.incarnation or worker.state is not ON:
            return
        if worker.frozen_at >= 0:
            worker.requests.append(what)
            return
        self.answered(request, answer)

    def _ask(self, request: Request) -> Any:
        """Let an outcome act at the broker, and give the answer."""
        worker = request.worker
        attempt = request.attempt
        assert attempt is not None
        message = (self._broker.holder(worker.name, request.incarnation), request.number, request.arrived)
        return self._broker.hand_in(self._agenda.now, attempt.event, message, attempt.token, *request.outcome)

    # -- heartbeats ---------------------------------------------------------------------------------------------------

    def beat(self, worker: Worker, k: int) -> None:
        """Send heartbeat ``k`` now: it gets out, and names the tokens of what the worker works on.

        What it has handed in, answered or not, it works on no more.
        """
        now = self._agenda.now
        tokens = tuple(one.token for one in worker.attempts if not one.handing_in)
        standing = tuple(one.token for one in worker.attempts if one.suspended)
        order = 0 if worker.is_steady else worker.next_order()
        what = (worker, worker.incarnation, k, now, tokens, order, standing)
        delay = self._schedule.delay_out(worker, k)
        if delay:
            self._agenda.at(now + delay, self._beat_arrives, what, MESSAGES, worker.index, ARRIVES + order)
        else:
            self._beat_arrives(what)

    def _beat_arrives(self, what: tuple[Worker, int, int, int, tuple[int, ...], int, tuple[int, ...]]) -> None:
        worker, incarnation, k, sent, tokens, order, standing = what
        if not self._broker.is_up:
            return
        now, is_recorded = self._agenda.now, self._are_recorded
        message = (self._broker.holder(worker.name, incarnation), k, order)
        reply = self._broker.heartbeat(now, 0, message, tokens, is_recorded, standing)
        if reply is None or worker.cut_back or not self._schedule.answer_gets_through(worker, k):
            return
        delay = self._schedule.delay_back(worker, k)
        if delay:
            self._agenda.at(now + delay, self._beat_answered, (worker, incarnation, k, sent, now, tokens, reply))
        else:
            self._beat_answered((worker, incarnation, k, sent, now, tokens, reply))

    def _beat_answered(self, what: tuple[Worker, int, int, int, int, tuple[int, ...], HeartbeatReply]) -> None:
        worker, incarnation, k, sent, arrived, tokens, reply = what
        if worker.incarnation != incarnation or worker.state is not ON:
            return
        if worker.frozen_at >= 0:
            worker.requests.append(what)
            return
        if k < worker.answered_beat:
            return
        worker.answered_beat = k
        now = self._agenda.now
        for attempt in worker.attempts:
            if attempt.token in tokens and attempt.token not in reply.refused and attempt.job.terms.renewal:
                self.tell_end(attempt, sent, now, arrived + attempt.job.terms.lease)
        if reply.refused or reply.suspend or reply.resume:
            self.learn(worker, reply)
        worker.contact_wanted = self.needs_contact(worker)

    def tell_end(self, attempt: Attempt, sent: int, replied: int, until: int) -> None:
        """Let the worker know when its lease ends, as its queue tells it: by its own clock.

        It has sent at ``sent`` for the first time what was answered at ``replied``.
        """
        if sent < attempt.known_since:
            return  # it knows of a later renewal
        attempt.known_since = sent
        clock, told_as = attempt.worker.clock, self._told_as(attempt)
        if told_as == "clock_time":
            attempt.known_end = clock.true_tick(until)
        else:
            base = sent if told_as == "duration_from_request" else replied
            attempt.known_end = clock.true_tick(clock.local(base) + attempt.job.terms.lease)

    def tell_end_anew(self, attempt: Attempt, before: WorkerClock) -> None:
        """Find the end that the worker knows by its clock, which was ``before`` until now: as time that is left of a
        duration, or as what its clock is to show."""
        now, clock = self._agenda.now, attempt.worker.clock
        shown = before.local(attempt.known_end)
        if self._told_as(attempt) != "clock_time":
            shown = clock.local(now) + max(0, shown - before.local(now))
        attempt.known_end = clock.true_tick(shown)

    def _told_as(self, attempt: Attempt) -> str:
        return self._expiry_sent_as[attempt.job.queue.name]

    def thaw(self, worker: Worker) -> None:
        """Deliver what came, and do what fell due, while a worker stood still."""
        waiting, worker.requests = worker.requests, []
        for what in waiting:
            if isinstance(what, Request):
                self.send(what)
            elif isinstance(what, tuple) and len(what) == 2:
                self._answer(what)
            else:
                self._beat_answered(what)  # type: ignore[arg-type]  # only these three kinds are parked

    # -- messages of a worker that is driven by a program of somebody's own --------------------------------------------

    def way_out(self, request: Request) -> int | None:
        """Give how long a request takes to the broker, None if it is lost on its way, which is told."""
        worker = request.worker
        if worker.cut_out or self._is_lost(request, OUT, worker.link.loss_out) or self._result_is_lost(request):
            self._lose(request, "out")
            return None
        return self._delay(request, OUT)

    def way_back(self, request: Request) -> int | None:
        """Give how long the answer takes to the worker, None if it is lost on its way, which is told."""
        worker = request.worker
        if worker.cut_back or self._is_lost(request, BACK, worker.link.loss_back):
            self._lose(request, "back")
            return None
        return self._delay(request, BACK)

    # -- fates --------------------------------------------------------------------------------------------------------

    def _result_is_lost(self, request: Request) -> bool:
        share = request.worker.result_loss
        if not share or request.what != "outcome":
            return False
        worker = request.worker
        n3 = request.tries * 4
        return (
            share >= 1
            or self._draws.uniform(_LOSS, worker.key, request.number, worker.incarnation * 4 + _RESULT, n3) < share
        )

    def _is_lost(self, request: Request, direction: int, share: float) -> bool:
        if not share:
            return False
        worker = request.worker
        n3 = request.tries * 4 + direction
        return self._draws.uniform(_LOSS, worker.key, request.number, worker.incarnation * 4 + _REQUEST, n3) < share

    def _delay(self, request: Request, direction: int) -> int:
        worker = request.worker
        law = worker.delay_out if direction == OUT else worker.delay_back
        if law is None:
            return 0
        which = request.tries * 4 + direction
        row = self._draws.row(_DELAY, worker.key, request.number, worker.incarnation * 4 + _REQUEST, which)
        return law.sample(row)

    def _lose(self, request: Request, direction: str) -> None:
        attempt = request.attempt
        job = attempt.job.number if attempt is not None else 0
        cause = attempt.event if attempt is not None else 0
        row = (self._agenda.now, "message_lost", cause, job, request.worker.name, request.what)
        self._emit((*row, request.number, direction))
