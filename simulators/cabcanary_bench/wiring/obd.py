"""An engine controller that answers standard read requests on the diagnostic identifiers.

Encodings follow SAE J1979 / ISO 15031-5, framing ISO 15765-2, identifiers ISO 15765-4 (all from memory).
"""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING, Literal

from cabcanary_bench.van.build import BENCH_VAN

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary_bench.van.build import Build
    from cabcanary_bench.van.vehicle import Truth
    from cabcanary_bench.wiring.slcan import SlcanAdapter

FUNCTIONAL_ID, REQUEST_ID, RESPONSE_ID = 0x7DF, 0x7E0, 0x7E8
FUNCTIONAL_29, TESTER_29 = 0x18DB33F1, 0xF1
#: The frame that a control unit puts on the bus as it wakes, so that others hear that somebody is there. Invented.
WAKE_ID = 0x3F0
#: An invented number: 17 characters of the allowed alphabet and no real maker's prefix.
VIN = "0BENCHVAN00000001"
#: The factory pressure sensor of an engine built without boost ends here, kPa.
_MAP_CEILING_KPA = 115.0
_FLOW_CONTROL_WAIT_S = 1.0
_NO_SUCH_SERVICE, _NO_SUCH_ITEM, _OUT_OF_RANGE, _PENDING = 0x11, 0x12, 0x31, 0x78
_MOST_PIDS = 6


def _byte(value: float) -> bytes:
    return bytes([min(255, max(0, round(value)))])


def _word(value: float) -> bytes:
    return min(65_535, max(0, round(value))).to_bytes(2, "big")


def _fuel_status(truth: Truth) -> bytes:
    if truth.fuel_cut or truth.command_lambda < 1.0:
        return b"\x04\x00"  # open loop because of load or deceleration
    return b"\x02\x00"  # closed loop


_ENCODERS: dict[int, Callable[[Truth], bytes]] = {
    0x03: _fuel_status,
    0x04: lambda t: _byte(min(1.0, t.map_kpa / t.baro_kpa) * 255 if t.running else 0),
    0x05: lambda t: _byte(t.coolant_c + 40),
    0x06: lambda t: _byte(t.short_trim_percent * 1.28 + 128),
    0x07: lambda t: _byte(t.long_trim_percent * 1.28 + 128),
    0x0B: lambda t: _byte(min(t.map_kpa, _MAP_CEILING_KPA)),
    0x0C: lambda t: _word(t.rpm * 4),
    0x0D: lambda t: _byte(t.speed_km_h),
    0x0F: lambda t: _byte(t.charge_c + 40),
    0x33: lambda t: _byte(t.baro_kpa),
    0x42: lambda t: _word(t.supply_v * 1000),
    0x44: lambda t: _word(t.command_lambda * 32_768),
}


def van_pids(truth: Callable[[], Truth], build: Build = BENCH_VAN) -> Callable[[int], bytes | None]:
    """A vehicle's mode 01 data: PID -> data bytes, or None where it is not supported."""

    def throttle(now: Truth) -> bytes:
        return _byte(build.throttle_shown(now.throttle_percent) * 2.55)

    encoders = {**_ENCODERS, 0x11: throttle}

    def pids(pid: int) -> bytes | None:
        encoder = encoders.get(pid)
        return None if encoder is None else encoder(truth())

    return pids


def support_bitmap(base: int, supported: Callable[[int], bool]) -> bytes:
    """Bitmap of PIDs base+1 to base+32, first PID in the highest bit; the last bit says that more follow."""
    bits = 0
    for offset in range(1, 33):
        pid = base + offset
        known = any(supported(p) for p in range(pid + 1, 0x100)) if offset == 32 else supported(pid)
        bits = bits << 1 | known
    return bits.to_bytes(4, "big")


class ObdResponder:
    """Answers mode 01 and the VIN of mode 09 through an adapter; anything else is refused and recorded.

    `awake` is False with the ignition off: nothing is answered then; as it wakes, it says so on the bus.
    `violations` keeps every request that a monitor has no business to send. `unit` 0 is the engine's, answering on
    7E8 (18DAF110 with `extended`), 1 the next, and so on: several may share an adapter. `several` says what
    becomes of a request for several PIDs: answered, refused, not answered, or only its first one is.
    `pending_s` is how long it pleads for patience before it answers for one of `pending_pids` (all, if None).
    """

    def __init__(
        self,
        adapter: SlcanAdapter,
        pids: Callable[[int], bytes | None],
        padding: int | None = 0xAA,
        *,
        unit: int = 0,
        extended: bool = False,
    ) -> None:
        self._adapter = adapter
        self._pids = pids
        self._padding = padding
        self._extended = extended
        self._awake = True
        if extended:
            address = 0x10 + unit
            self._functional, self._request = FUNCTIONAL_29, 0x18DA0000 | address << 8 | TESTER_29
            self._response = 0x18DA0000 | TESTER_29 << 8 | address
        else:
            self._functional, self._request, self._response = FUNCTIONAL_ID, REQUEST_ID + unit, RESPONSE_ID + unit
        self.several: Literal["answered", "refused", "silent", "first"] = "answered"
        self.pending_s = 0.0
        self.pending_pids: frozenset[int] | None = None
        self.asked: list[bytes] = []
        self.violations: list[bytes] = []
        self.requests = 0
        self._waiting: list[bytes] = []  # consecutive frames held back for the host's flow control
        self._waiting_since = 0.0
        self._neighbour = adapter.on_frame
        adapter.on_frame = self.on_frame

    @property
    def awake(self) -> bool:
        """Whether it answers."""
        return self._awake

    @awake.setter
    def awake(self, awake: bool) -> None:
        if awake and not self._awake:
            self._adapter.send(WAKE_ID, extended=False, data=bytes(8))
        self._awake = awake

    def on_frame(self, can_id: int, extended: bool, data: bytes) -> None:
        """A frame that the host put on the bus; called in the adapter's thread."""
        if self._neighbour is not None:
            self._neighbour(can_id, extended, data)
        if extended is not self._extended or can_id not in (self._functional, self._request):
            return
        if not self.awake or not data:
            return
        kind, length = data[0] >> 4, data[0] & 0x0F
        if kind == 3:
            if can_id == self._request:
                self._flow_control(data)
        elif kind == 0 and 1 <= length <= min(7, len(data) - 1):
            self._waiting = []
            self.requests += 1
            self._take(data[1 : 1 + length], functional=can_id == self._functional)
        else:
            self.violations.append(bytes(data))

    def _take(self, request: bytes, functional: bool) -> None:
        """Answer at once, or plead for patience first."""
        self.asked.append(bytes(request))
        if request[0] == 0x01 and len(request) > 2:
            if self.several == "silent":
                return
            if self.several == "refused":
                self._send(bytes([0x7F, 0x01, _OUT_OF_RANGE]))
                return
            request = request[:2] if self.several == "first" else request
        if self.pending_s and (self.pending_pids is None or self.pending_pids & set(request[1:])):
            self._send(bytes([0x7F, request[0], _PENDING]))
            later = threading.Timer(self.pending_s, self._answer, (request, functional))
            later.daemon = True
            later.start()
            return
        self._answer(request, functional)

    def _answer(self, request: bytes, functional: bool) -> None:
        service, items = request[0], request[1:]
        if service == 0x01 and 1 <= len(items) <= _MOST_PIDS:
            body = b"".join(self._item(pid) for pid in items)
        elif service == 0x09 and len(items) == 1:
            body = self._vehicle_information(items[0])
        else:
            self.violations.append(bytes(request))
            self._send(bytes([0x7F, service, _NO_SUCH_SERVICE]))
            return
        if body:
            self._send(bytes([service + 0x40]) + body)
        elif not functional:
            self._send(bytes([0x7F, service, _NO_SUCH_ITEM]))

    def supports(self, pid: int) -> bool:
        """Whether a mode 01 PID carries data here."""
        return self._pids(pid) is not None

    def _item(self, pid: int) -> bytes:
        if pid % 0x20 == 0:
            if pid and not any(self.supports(p) for p in range(pid + 1, 0x100)):
                return b""
            return bytes([pid]) + support_bitmap(pid, self.supports)
        data = self._pids(pid)
        return b"" if data is None else bytes([pid]) + data

    def _vehicle_information(self, item: int) -> bytes:
        if item == 0x00:
            return bytes([0x00]) + support_bitmap(0, lambda i: i == 0x02)
        if item == 0x02:
            return bytes([0x02, 0x01]) + VIN.encode("ascii")
        return b""

    def _frame(self, data: bytes) -> bytes:
        return data if self._padding is None else data.ljust(8, bytes([self._padding]))

    def _send(self, payload: bytes) -> None:
        if len(payload) <= 7:
            self._put(bytes([len(payload)]) + payload)
            return
        rest = payload[6:]
        chunks = [rest[i : i + 7] for i in range(0, len(rest), 7)]
        self._waiting = [bytes([0x20 | (n + 1) % 16]) + chunk for n, chunk in enumerate(chunks)]
        self._waiting_since = time.monotonic()
        self._put((0x1000 | len(payload)).to_bytes(2, "big") + payload[:6])

    def _put(self, data: bytes) -> None:
        self._adapter.send(self._response, extended=self._extended, data=self._frame(data))

    def _flow_control(self, data: bytes) -> None:
        if not self._waiting or len(data) < 3:
            return
        state, block, pause = data[0] & 0x0F, data[1], data[2]
        late = time.monotonic() - self._waiting_since > _FLOW_CONTROL_WAIT_S
        if state == 1 and not late:  # wait
            self._waiting_since = time.monotonic()
            return
        if state != 0 or late:  # overflow, nonsense, or nobody there in time
            self._waiting = []
            return
        now, self._waiting = (self._waiting[:block], self._waiting[block:]) if block else (self._waiting, [])
        for n, frame in enumerate(now):
            if n:
                time.sleep(separation_s(pause))
            self._put(frame)
        self._waiting_since = time.monotonic()


def separation_s(code: int) -> float:
    """STmin of a flow control frame, s: 00 to 7F are ms, F1 to F9 hundreds of microseconds, others 127 ms."""
    if code <= 0x7F:
        return code / 1000
    if 0xF1 <= code <= 0xF9:
        return (code - 0xF0) / 10_000
    return 0.127
