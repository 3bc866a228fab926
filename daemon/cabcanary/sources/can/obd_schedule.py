"""The engine computer polled over an open link: met, asked at the wanted rates, and left alone when it sleeps."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

from cabcanary.clock import NS_PER_S, Clock
from cabcanary.processes.status import Backoff
from cabcanary.sources.can import obd_pids
from cabcanary.sources.can.link import BusErrorsError
from cabcanary.sources.can.obd_ecu import Answer, Ecu, NoAnswerError
from cabcanary.sources.can.obd_pids import ObdError, Scaling
from cabcanary.sources.can.obd_poller import Courtesy, Poller

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.sources.can.broadcast import Broadcast
    from cabcanary.sources.can.link import Link
    from cabcanary.sources.can.pipe import Guard, Output

NO_ANSWER = "no answer from the engine computer"
NOT_SUPPORTED = "not supported by this vehicle"
NOT_CARRIED = "not carried by this vehicle's answer"
NO_SCALE = "the engine computer did not say how it scales this"
PATIENCE = "the engine computer asks for patience (response pending)"
IGNITION_OFF = "the ignition is off"
ASLEEP = f"{NO_ANSWER}, and it is asked only now and then so that the vehicle can sleep"

# Real seconds.
_ASK_AGAIN_FIRST_S, _ASK_AGAIN_CAP_S = 0.25, 2.0  # the cap is how late values return after a key-on
_SILENT_AFTER = 3  # questions in a row without an answer; one lost frame is no silence
_TRIES = 3  # for each question that is asked once per connection
_REST_S = 0.1  # longest wait without a look at the ignition: "at once" for a person
_PATIENT_S = 1.0  # of pleas for patience, before the items that wait for it are said to be missing


class Polling:
    """Asks for `items` (name: Hz of the clock), one `step` at a time. `courtesy` outlives the link."""

    def __init__(
        self, items: Mapping[str, float], per_request: int, clock: Clock, output: Output, guard: Guard
    ) -> None:
        self.items = items
        self._per_request = self._most = per_request
        self._clock, self._real = clock, clock.for_wires()
        self._output, self._guard = output, guard
        self._poller = Poller(items)
        self.courtesy = Courtesy(clock.now_ns())
        self._ask_again = Backoff(_ASK_AGAIN_FIRST_S, _ASK_AGAIN_CAP_S)
        self._not_before = 0  # real ns
        self._met = False
        #: Whether anything has been sent on this link.
        self.asked = False
        self._failures = 0
        self._resting = ""
        self._single_for_silence = False
        self._asking: tuple[int, ...] = ()
        self._patience_s = 0.0

    def connect(self, link: Link, broadcast: Broadcast, *, extended: bool) -> None:
        """A link has been opened, and what it carries does not contradict its bit rate."""
        self._link, self._broadcast, self._extended = link, broadcast, extended
        self._ecu = Ecu(link, self._clock, extended=extended)
        self._ecu.on_pending = self._be_patient
        self._met, self._failures, self._resting = False, 0, ""
        self.asked = False
        self._most, self._single_for_silence = self._per_request, False
        self._not_before = 0
        self._ask_again.reset()
        self.courtesy.connected(self._clock.now_ns())

    def step(self) -> None:
        """One question with its answer, or a short rest.

        Raises:
            LinkLostError: the adapter went away.
            BusErrorsError: what is on the bus contradicts its bit rate.
        """
        self._guard.alive()
        now = self._clock.now_ns()
        self._follow(now)
        if not self.courtesy.may_ask(now):
            self._rest(now)
            return
        if not self.courtesy.is_silent(now):
            self._resting = ""
        wait = self._real.real_until(self._not_before)
        if wait > 0:
            self._link.run(min(wait, _REST_S))
        elif not self._met:
            self._meet(now)
        else:
            self._poll(now)

    def _follow(self, now: int) -> None:
        """Take note of the ignition and of traffic."""
        ignition = self._guard.ignition
        if ignition is not None and ignition != self.courtesy.ignition:
            self.courtesy.switched(ignition, now)
            if ignition:
                self._not_before = 0
                self._ask_again.reset()
        if self._broadcast.heard_traffic():
            self.courtesy.heard(now)

    def _rest(self, now: int) -> None:
        """Send nothing; said once."""
        off = self.courtesy.is_off(now)
        why = IGNITION_OFF if off else ASLEEP
        if why != self._resting:
            self._resting, self._met, self._failures = why, False, 0
            self._output.status("off" if off else "silent", f"{why}: nothing is asked" if off else why)
            self._output.missing(now, self.items, why)
            self._want(everything=True)  # traffic of any kind tells that the vehicle wakes
        self._link.run(_REST_S)

    # --- meeting ----------------------------------------------------------------------------------------

    def _meet(self, now: int) -> None:
        """Ask once who is there; on an answer, learn what it supports."""
        confirmed = self._link.frames > 0
        if not confirmed and self._link.hears_errors():
            raise BusErrorsError("there are errors on the bus and not one good frame")
        self.courtesy.asked(now)
        self._link.listen_only(False)
        self.asked = True
        try:
            supported = self._supported()
        except (NoAnswerError, ObdError) as error:
            self._not_met(error, confirmed=confirmed)
            return
        now = self._clock.now_ns()
        self.courtesy.answered(now)
        unsupported = self._poller.start(supported, now)
        self._output.missing(now, unsupported, NOT_SUPPORTED)
        self._read_scaling(supported)
        if self._single_for_silence:
            self._most, self._single_for_silence = self._per_request, False
        self._met, self._failures, self._resting = True, 0, ""
        self._want(everything=False)
        self._say_open()

    def _not_met(self, error: Exception, *, confirmed: bool) -> None:
        now = self._clock.now_ns()
        words, why = f"{NO_ANSWER}: turn the key on; check the diagnostic plug", NO_ANSWER
        if isinstance(error, ObdError):
            self.courtesy.answered(now)
            words, why = f"the engine computer does not say what it supports: {error}", str(error)
        elif not confirmed and not self._link.frames:
            # Nobody has been heard on this bus, so nothing says that its bit rate is right: keep silent again, and
            # where the question brought errors, ask no more often than a vehicle that sleeps.
            errors = self._link.hears_errors()
            self._link.listen_only(True)
            if errors:
                self.courtesy.unwelcome(now)
                words = f"{NO_ANSWER}, and errors on the bus: turn the key on; check bitrate and the diagnostic plug"
        if not self._resting:
            self._output.status("silent", words)
            self._output.missing(now, self.items, why)
        self._wait_longer()

    def _supported(self) -> frozenset[int]:
        """The PIDs of the table that the engine computer supports, from its chain of bitmaps."""
        pids: set[int] = set()
        for _ in range(_TRIES):  # the engine's answer may be lost while another unit's is not
            self._guard.alive()
            pids = set(self._ecu.find())
            if self._ecu.engine == self._ecu.first:
                break
        for base in (0x20, 0x40):
            if base not in pids:
                break
            pids |= obd_pids.supported(base, self._insist(base))
        return frozenset(pids)

    def _insist(self, pid: int) -> bytes:
        """Ask once per connection, so not give up at the first lost frame.

        Raises:
            NoAnswerError, ObdError: of the last try.
        """
        for _ in range(_TRIES - 1):
            self._guard.alive()
            try:
                return self._ecu.ask(pid).data
            except (NoAnswerError, ObdError):
                self._link.run(_ASK_AGAIN_FIRST_S)
        self._guard.alive()
        return self._ecu.ask(pid).data

    def _read_scaling(self, supported: frozenset[int]) -> None:
        """Read PID 4F, or stop polling what depends on it: a wrong scale is a plausible, wrong value."""
        self._scaling = Scaling()
        dependent = [pid for pid in self._poller.active if obd_pids.is_rescaled(pid)]
        if obd_pids.SCALING_PID not in supported or not dependent:
            return
        try:
            self._scaling = Scaling.from_4f(self._insist(obd_pids.SCALING_PID))
        except (NoAnswerError, ObdError):
            for pid in dependent:
                self._poller.drop(pid)
                self._output.missing(self._clock.now_ns(), self._poller.wanted[pid], NO_SCALE)

    # --- polling ----------------------------------------------------------------------------------------

    def _poll(self, now: int) -> None:
        pids = self._poller.due(now, self._most)
        if not pids:
            due = self._poller.next_due_ns()
            self._link.run(_REST_S if due is None else min(_REST_S, self._clock.real_until(due)))
            return
        self.courtesy.asked(now)
        self._link.listen_only(False)
        answered = self._ask(pids, now) if len(pids) == 1 else self._ask_group(pids, now)
        if answered:
            self.courtesy.answered(self._clock.now_ns())
            if self._failures >= _SILENT_AFTER:
                self._say_open()
            self._failures = 0
            return
        self._failures += 1
        if self._failures >= _SILENT_AFTER:
            self._fell_silent()

    def _ask(self, pids: tuple[int, ...], now: int) -> bool:
        """One question for one PID; whether there was any answer."""
        (pid,) = pids
        self._poller.asked(pid, now)
        wanted = self._poller.wanted[pid]
        self._asking, self._patience_s = pids, 0.0
        try:
            self._tell(pid, self._ecu.ask(pid))
        except NoAnswerError:
            self._output.missing(self._clock.now_ns(), wanted, NO_ANSWER)
            return False
        except ObdError as error:
            self._output.missing(self._clock.now_ns(), wanted, str(error))
        return True

    def _ask_group(self, pids: tuple[int, ...], now: int) -> bool:
        """One question for several PIDs; one by one from here on, where the control unit does not take that."""
        self._asking, self._patience_s = pids, 0.0
        try:
            answers = self._ecu.ask_all(pids)
        except NoAnswerError:
            # It may only be the kind of question that it does not like: the next ones, one by one, will tell.
            self._most, self._single_for_silence = 1, True
            return False
        except ObdError:
            self._most = 1
            return True
        if len(answers) < len(pids):
            self._most = 1
        for pid, answer in answers.items():
            self._poller.asked(pid, now)
            try:
                self._tell(pid, answer)
            except ObdError as error:
                self._output.missing(answer.time_ns, self._poller.wanted[pid], str(error))
        return True

    def _tell(self, pid: int, answer: Answer) -> None:
        """The values of one PID's answer.

        Raises:
            ObdError: it has none.
        """
        values = obd_pids.decode(pid, answer.data, self._scaling)
        for name in self._poller.wanted[pid]:
            if name in values:
                self._output.value(answer.time_ns, name, values[name])
            else:
                self._output.missing(answer.time_ns, (name,), NOT_CARRIED)

    def _be_patient(self, seconds: float) -> None:
        """Called while the engine computer asks for patience: nothing that waits for it does so silently."""
        self._guard.alive()
        if seconds < self._patience_s + _PATIENT_S:
            return
        self._patience_s = seconds
        now = self._clock.now_ns()
        waiting = {*self._asking, *self._poller.late(now)} if self._met else self._poller.wanted
        for pid in waiting:
            self._output.missing(now, self._poller.wanted[pid], PATIENCE)

    def _fell_silent(self) -> None:
        """Leave a silent engine computer alone for a growing while."""
        now = self._clock.now_ns()
        for pid in self._poller.active:
            self._output.missing(now, self._poller.wanted[pid], NO_ANSWER)
        words = f"{NO_ANSWER}: turn the key on; check the diagnostic plug"
        if self._link.hears_errors():
            words = f"{NO_ANSWER}, and errors on the bus: turn the key on; check the diagnostic plug"
            # Closed and opened again, the adapter comes back to a bus that it has left for its errors (bus-off).
            self._link.listen_only(True)
        self._output.status("silent", words)
        self._wait_longer()

    def _wait_longer(self) -> None:
        wait = self._ask_again.next_s(random.random())  # noqa: S311 - spreads tries, no secret
        self._not_before = self._real.now_ns() + round(wait * NS_PER_S)

    def _say_open(self) -> None:
        self._ask_again.reset()
        polled, wanted = len(self._poller.active), len(self._poller.wanted)
        who = f"{self._ecu.engine:X}" if self._ecu.engine is not None else "?"
        self._output.status("open", f"the engine computer {who} answers; {polled} of {wanted} PIDs polled")

    def _want(self, *, everything: bool) -> None:
        self._link.want(None if everything else self._broadcast.frames_wanted, obd=self._extended)
