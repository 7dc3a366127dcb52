"""A simulated CANopen servo drive on the virtual bus (CiA 301, CiA 402), in front of one axis of the plant."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from functools import partial

from legtest.canbus.frame import Frame
from legtest.simulation.axis import Axis
from legtest.simulation.bus import VirtualBus
from legtest.simulation.config import DriveConfig, Identity
from legtest.simulation.dictionary import RANGE, Abort, Dictionary, between
from legtest.simulation.emergency import (
    HEARTBEAT_LOST,
    OVER_VOLTAGE,
    PDO_TOO_LONG,
    PDO_TOO_SHORT,
    RPDO_TIME_OUT,
    UNDER_VOLTAGE,
    Emergency,
)
from legtest.simulation.motion import TICK_NS, Motion
from legtest.simulation.noise import mix
from legtest.simulation.objects import ROWS, RPDO_COUNT, TPDO_COUNT
from legtest.simulation.pdo import ASYNCHRONOUS, ReceivePdo, TransmitPdo
from legtest.simulation.power import Power
from legtest.simulation.sdo import SdoServer
from legtest.simulation.sensors import Protections, Sensors
from legtest.simulation.watch import Watch

__all__ = ["OPERATIONAL", "PRE_OPERATIONAL", "STOPPED", "DriveConfig", "DriveNode", "Identity"]

BOOT_UP, STOPPED, OPERATIONAL, PRE_OPERATIONAL = 0x00, 0x04, 0x05, 0x7F
_NMT_START, _NMT_STOP, _NMT_PRE_OPERATIONAL, _NMT_RESET_NODE, _NMT_RESET_COMMUNICATION = 1, 2, 0x80, 0x81, 0x82
_REMOTE = 0x200
_MS = 1_000_000


class DriveNode:
    """One drive. It boots at the bus' present instant and acts from then on by itself.

    node_id: 1..127. axis: what it moves. Raises ValueError for another node id.
    """

    def __init__(self, bus: VirtualBus, node_id: int, axis: Axis, identity: Identity, config: DriveConfig) -> None:
        if not 1 <= node_id <= 127:
            raise ValueError(f"node id {node_id} is not within 1..127")
        self.node_id, self.config = node_id, config
        self.nmt = BOOT_UP
        self._bus = bus
        self._dictionary = dictionary = Dictionary(ROWS, node_id)
        _identify(dictionary, identity, config)
        self._port = bus.attach(_nothing, ids=())
        self._answers: deque[Sequence[tuple[int, bytes]]] = deque()  # leave one by one, each turn_around_ns later
        self._emergency = Emergency(dictionary, self._send_emergency)
        self._motion = Motion(dictionary, axis, config)
        self._sensors = Sensors(dictionary, axis, config, self._motion)
        self._protections = protections = Protections(dictionary, config, self._motion)
        self._power = Power(
            dictionary, self._motion, self._emergency, self._sensors.read, protections.hardware, self._state_changed
        )
        dictionary[0x6041, 0].source = self.statusword
        self._sdo = SdoServer(dictionary)
        self._rpdos = tuple(ReceivePdo(dictionary, 0x1400 + n, 0x1600 + n, self._rebuild) for n in range(RPDO_COUNT))
        self._tpdos = tuple(TransmitPdo(dictionary, 0x1800 + n, 0x1A00 + n, self._rebuild) for n in range(TPDO_COUNT))
        self._rpdo_watches = tuple(Watch(bus, partial(self._connection_lost, RPDO_TIME_OUT)) for _ in self._rpdos)
        self._heartbeat_watch = Watch(bus, partial(self._connection_lost, HEARTBEAT_LOST))
        self._beat_due_ns = -1
        self._tick_due_ns = -1
        self._built = 0  # counts rebuilds: timers of an earlier one are void
        dictionary[0x1005, 0].check = _check_sync_id
        dictionary[0x1029, 1].check = between(0, 2)
        dictionary[0x1005, 0].written = self._rebuild
        dictionary[0x1016, 1].written = self._rebuild
        dictionary[0x1017, 0].written = self._start_beating
        bus.at(bus.now_ns, self._boot)

    def statusword(self) -> int:
        """Object 0x6041, as of the last reading of the sensors."""
        reading = self._sensors.reading
        return self._power.state | _REMOTE | self._motion.status_bits(reading) | self._protections.status_bits(reading)

    def supply(self, on: bool) -> None:
        """Take the drive's supply away, logic and all, or give it back: it falls silent, then boots anew."""
        t_ns = self._bus.now_ns
        if on:
            self._reset(t_ns, 0x9FFF)
            return
        self._power.reset(t_ns)
        self.nmt = BOOT_UP
        self._beat_due_ns = -1
        self._built += 1
        self._heartbeat_watch.set(0)
        self._port.handle({})

    # -- network management

    def _boot(self, t_ns: int) -> None:
        self._sensors.read(t_ns)
        self._rebuild(t_ns)
        self._send(0x700 + self.node_id, bytes((BOOT_UP,)))
        self.nmt = PRE_OPERATIONAL
        self._start_beating(t_ns)

    def _on_nmt(self, frame: Frame) -> None:
        if len(frame.data) != 2 or frame.data[1] not in (0, self.node_id):
            return
        t_ns, command = frame.t_ns, frame.data[0]
        if command == _NMT_START:
            if self.nmt != OPERATIONAL:
                self.nmt = OPERATIONAL
                self._rebuild(t_ns)
        elif command == _NMT_STOP:
            self.nmt = STOPPED
            self._power.connection_lost(t_ns, HEARTBEAT_LOST)
        elif command == _NMT_PRE_OPERATIONAL:
            self.nmt = PRE_OPERATIONAL
        elif command == _NMT_RESET_NODE:
            self._power.reset(t_ns)
            self._reset(t_ns, 0x9FFF)
        elif command == _NMT_RESET_COMMUNICATION:
            self._power.connection_lost(t_ns, HEARTBEAT_LOST)
            self._reset(t_ns, 0x1FFF)

    def _reset(self, t_ns: int, last_index: int) -> None:
        """Objects up to that index go back to their defaults; then the boot-up."""
        self._dictionary.reset(0x1000, last_index)
        if last_index > 0x6000:
            self._motion.reset()
        self._sdo = SdoServer(self._dictionary)
        self._boot(t_ns)

    def _start_beating(self, t_ns: int) -> None:
        period_ns = self._dictionary.number(0x1017) * _MS
        self._beat_due_ns = -1
        if period_ns:
            self._beat_due_ns = t_ns + period_ns
            self._bus.at(self._beat_due_ns, self._beat)

    def _beat(self, t_ns: int) -> None:
        if t_ns == self._beat_due_ns:
            self._send(0x700 + self.node_id, bytes((self.nmt,)))
            self._start_beating(t_ns)

    def _connection_lost(self, code: int, t_ns: int) -> None:
        self._emergency.report(code)
        behaviour = self._dictionary.number(0x1029, 1)
        if self.nmt == OPERATIONAL and behaviour == 0:
            self.nmt = PRE_OPERATIONAL
        elif behaviour == 2:
            self.nmt = STOPPED
        self._power.connection_lost(t_ns, code)

    # -- frames

    def _rebuild(self, t_ns: int) -> None:
        """Take over all COB-IDs and mappings; begin watching and counting anew."""
        number = self._dictionary.number
        handlers: dict[int, Callable[[Frame], None]] = {0: self._on_nmt, 0x600 + self.node_id: self._on_sdo}
        handlers[number(0x1005) & 0x7FF] = self._on_sync
        for rpdo, watch in zip(self._rpdos, self._rpdo_watches, strict=True):
            rpdo.build()
            watch.set(rpdo.event_ns)
            if rpdo.exists:
                handlers[rpdo.cob_id] = partial(self._on_rpdo, rpdo, watch)
        self._sync_rpdos = tuple(rpdo for rpdo in self._rpdos if rpdo.exists and rpdo.type < ASYNCHRONOUS)
        for tpdo in self._tpdos:
            tpdo.build()
        existing = [tpdo for tpdo in self._tpdos if tpdo.exists]
        self._sync_tpdos = tuple((tpdo.cob_id, tpdo) for tpdo in existing if tpdo.type < ASYNCHRONOUS)
        self._event_tpdos = tuple((tpdo.cob_id, tpdo) for tpdo in existing if tpdo.type >= ASYNCHRONOUS)
        self._built += 1
        for cob_id, tpdo in self._event_tpdos:
            if tpdo.event_ns:
                self._bus.at(t_ns + tpdo.event_ns, partial(self._on_event_timer, cob_id, tpdo, self._built))
        consumer = number(0x1016, 1)
        self._heartbeat_watch.set(round((consumer & 0xFFFF) * _MS * self.config.watchdog))
        if consumer & 0xFFFF and 1 <= consumer >> 16 & 0xFF <= 127:
            handlers[0x700 + (consumer >> 16 & 0xFF)] = self._on_heartbeat
        self._port.handle(handlers)

    def _send(self, can_id: int, data: bytes) -> None:
        self._port.send_data(can_id, data)

    def _send_emergency(self, data: bytes) -> None:
        if self.nmt != STOPPED:
            self._send(0x80 + self.node_id, data)

    def _on_heartbeat(self, frame: Frame) -> None:
        self._heartbeat_watch.fed(frame.t_ns)
        if self._dictionary[0x603F, 0].value == HEARTBEAT_LOST and not self._power.faulty:
            self._emergency.clear()

    def _on_sdo(self, frame: Frame) -> None:
        if self.nmt == STOPPED:
            return
        t_ns = frame.t_ns
        if t_ns - self._sensors.reading_ns >= TICK_NS:
            self._sample(t_ns)
        answer = self._sdo.answer(frame.data, t_ns)
        self._motion.act(t_ns)
        if answer is not None:
            self._answer(t_ns, ((0x580 + self.node_id, answer),))

    def _on_rpdo(self, rpdo: ReceivePdo, watch: Watch, frame: Frame) -> None:
        if self.nmt != OPERATIONAL:
            return
        t_ns, _, data, _ = frame
        watch.fed(t_ns)
        if len(data) != rpdo.length:
            self._emergency.report(PDO_TOO_SHORT if len(data) < rpdo.length else PDO_TOO_LONG)
            if len(data) < rpdo.length:
                return
        if rpdo.type < ASYNCHRONOUS:
            rpdo.waiting = data
        else:
            rpdo.apply(data, t_ns)
            self._motion.act(t_ns)

    def _on_sync(self, frame: Frame) -> None:
        """Inputs are sampled now and sent right after; outputs received since the last SYNC act now."""
        if self.nmt != OPERATIONAL:
            return
        t_ns = frame[0]
        self._sample(t_ns)
        for rpdo in self._sync_rpdos:
            data = rpdo.waiting
            if data is not None:
                rpdo.waiting = None
                rpdo.apply(data, t_ns)
        self._motion.act(t_ns)
        due = []
        for cob_id, tpdo in self._sync_tpdos:
            if tpdo.left > 1:
                tpdo.left -= 1
                continue
            payload = tpdo.due()
            if payload is not None:
                due.append((cob_id, payload))
        if due:
            self._answer(t_ns, due)

    def _on_event_timer(self, cob_id: int, tpdo: TransmitPdo, built: int, t_ns: int) -> None:
        if built == self._built and self.nmt == OPERATIONAL:
            self._sample(t_ns)
            self._send(cob_id, tpdo.pack())
            self._bus.at(t_ns + tpdo.event_ns, partial(self._on_event_timer, cob_id, tpdo, built))

    def _answer(self, t_ns: int, frames: Sequence[tuple[int, bytes]]) -> None:
        self._answers.append(frames)
        config = self.config
        late = mix(config.noise_key, t_ns) % config.turn_jitter_ns if config.turn_jitter_ns else 0
        self._bus.at(t_ns + config.turn_around_ns + late, self._send_answer)

    def _send_answer(self, t_ns: int) -> None:
        for can_id, data in self._answers.popleft():
            self._port.send_data(can_id, data)

    # -- the drive's own clock

    def _sample(self, t_ns: int) -> None:
        """Read the sensors; while energised, also act on what they say."""
        reading = self._sensors.read(t_ns)
        if self._power.energised:
            code = self._protections.hardware(reading)
            if code:
                # Over- or under-voltage leaves nothing to brake with.
                self._power.fault(t_ns, code, at_once=code in (OVER_VOLTAGE, UNDER_VOLTAGE))
                return
            code = self._protections.motion(t_ns, reading)
            if code:
                self._power.fault(t_ns, code)

    def _tick(self, t_ns: int) -> None:
        if t_ns != self._tick_due_ns:
            return
        self._motion.tick(t_ns)
        if t_ns - self._sensors.reading_ns >= TICK_NS:
            self._sample(t_ns)
        if self._power.energised:
            self._tick_due_ns = t_ns + TICK_NS
            self._bus.at(self._tick_due_ns, self._tick)

    def _state_changed(self, t_ns: int) -> None:
        if not self._power.energised:
            self._tick_due_ns = -1
        elif self._tick_due_ns < 0:
            for rpdo in self._sync_rpdos:
                rpdo.waiting = None  # a set-point from before must not move the axis now
            self._tick_due_ns = t_ns + TICK_NS
            self._bus.at(self._tick_due_ns, self._tick)
        if self.nmt == OPERATIONAL:
            for cob_id, tpdo in self._event_tpdos:
                payload = tpdo.changed()
                if payload is not None:
                    self._answer(t_ns, ((cob_id, payload),))


def _identify(dictionary: Dictionary, identity: Identity, config: DriveConfig) -> None:
    for sub, number in enumerate((identity.vendor, identity.product, identity.revision, identity.serial), start=1):
        dictionary.set(0x1018, sub, number)
    for index, text in ((0x1008, identity.name), (0x1009, identity.hardware), (0x100A, identity.software)):
        dictionary[index, 0].text = text
    dictionary.set(0x6076, 0, round(config.rated_torque_Nm * 1000))


def _nothing(frame: Frame) -> None:
    """Every frame the drive takes has its own handler."""


def _check_sync_id(value: int) -> None:
    if not 0 < value <= 0x7FF:  # the drive makes no SYNC (bit 30) and knows no 29-bit identifiers
        raise Abort(RANGE)
