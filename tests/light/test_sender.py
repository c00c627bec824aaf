from __future__ import annotations

import queue
import uuid
from collections.abc import Iterator

import numpy as np
import pytest
import sacn
from hypothesis import example, given
from hypothesis import strategies as st

from residue.light.e131 import LightSource
from residue.light.flash_cap import FULL, TURN_FROM, FlashCap
from residue.light.lamp_levels import LAG_S, LampLevels
from residue.light.sender import DARK_S, FADE_S, PERMIT_S, TERMINATED, Lights, LightSender
from residue.light.settings import LampPlace, LightSettings
from residue.mapping.nodes.feeds import Lamp
from residue.mapping.signals import Span
from tests.light.receiver import Received, listening, read, read_discovery
from tests.properties import tries

IDENTITY = uuid.UUID("00112233-4455-6677-8899-aabbccddeeff")
LAMPS = {"glow": Lamp(input="effort"), "ember": Lamp(input="effort", low=1.0, high=0.0)}
SETTINGS = LightSettings(
    to="192.0.2.40",
    lamp={
        "glow": LampPlace(universe=1, addresses=(1, 2, 512)),
        "ember": LampPlace(universe=258, addresses=(7,), brightest=0.5),
    },
)
FOURTH, GROUP = LampPlace(universe=770, addresses=(4,)), "239.255.3.2"
"""E1.31, 9.3.1: the group is made of the two octets of the universe, 770 = 3 x 256 + 2."""
STEP_S = 0.025


class Hall:
    """Lamps on a clock of the test, told of blocks of 0.1 s."""

    def __init__(self, settings: LightSettings = SETTINGS) -> None:
        self.levels = LampLevels({name: LAMPS[name] for name in settings.lamp})
        self.now_s = 100.0
        self.lights = Lights(settings, self.levels, LightSource(IDENTITY, settings.priority), FlashCap(2, self.now_s))
        self.sent: list[tuple[float, Received, str]] = []

    def block(self, glow: float, *, heard_at_s: float) -> None:
        signals = {name: np.full(200, glow) for name in LAMPS}
        self.levels.put(Span(0, 4_800), signals, heard_at_s)

    def pass_time(self, over_s: float, *, plays: bool = True, glow: float | None = 1.0) -> None:
        """The piece goes on at this brightness; None: nothing more of it is heard."""
        for step in range(round(over_s / STEP_S)):
            if step % 4 == 0:
                self.lights.permit(self.now_s, plays=plays)
                if glow is not None:
                    self.block(glow, heard_at_s=self.now_s)
            self._tell(self.lights.datagrams(self.now_s))
            self.now_s += STEP_S

    def _tell(self, datagrams: Iterator[tuple[bytes, str]]) -> None:
        self.sent += [(self.now_s, read(datagram), receiver) for datagram, receiver in datagrams]

    def last(self, universe: int) -> Received:
        return [one for _, one, _ in self.sent if one.universe == universe][-1]


def test_lamps_shine_at_their_addresses_and_nowhere_else() -> None:
    hall = Hall()
    hall.pass_time(2.0, glow=1.0)
    assert hall.last(1).slots == bytes([255, 255, *[0] * 509, 255])
    hall.pass_time(2.0, glow=0.0)
    assert hall.last(1).slots == bytes(512)
    half = bytes([*[0] * 6, 128, *[0] * 505])
    assert hall.last(258).slots == half, "half of the range, where low and high change places"
    assert {receiver for *_, receiver in hall.sent} == {"192.0.2.40"}


def test_a_packet_says_who_sends_it_and_in_which_order() -> None:
    hall = Hall()
    hall.pass_time(12.0, glow=0.5)
    one = hall.last(1)
    assert (one.cid, one.source, one.priority, one.start_code, one.synchronisation, one.options) == (
        IDENTITY.bytes,
        "residue",
        100,
        0,
        0,
        0,
    )
    numbers = [one.sequence for _, one, _ in hall.sent if one.universe == 1]
    assert numbers == [number % 256 for number in range(len(numbers))]


def test_what_does_not_change_is_sent_three_times_and_then_every_second_or_so() -> None:
    """Source: E1.31, 6.6.2: three packets, then one in 800 to 1,000 ms."""
    hall = Hall()
    hall.pass_time(3.0, glow=1.0)
    at_s = [at_s for at_s, one, _ in hall.sent if one.universe == 1]
    since = [at_s for at_s in at_s if at_s > 102.0]
    assert all(0.8 <= gap_s <= 1.0 for gap_s in np.diff(since))
    hall.sent.clear()
    hall.pass_time(1.0, glow=0.4)
    quick = [at_s for at_s, one, _ in hall.sent if one.universe == 1][:3]
    assert np.diff(quick) == pytest.approx([STEP_S, STEP_S])


def test_a_lamp_shines_when_the_sound_is_heard_and_earlier_by_its_own_latency() -> None:
    for latency_ms in (0.0, 200.0):
        hall = Hall(LightSettings(to="192.0.2.40", latency_ms=latency_ms, lamp=SETTINGS.lamp))
        hall.pass_time(2.0, glow=0.0)
        for tenth in range(10):
            hall.block(0.0 if tenth < 5 else 1.0, heard_at_s=hall.now_s + tenth / 10)
        bright_s = hall.now_s + 0.5
        hall.sent.clear()
        hall.pass_time(0.9, glow=None)
        shone_s = next(at_s for at_s, one, _ in hall.sent if one.universe == 1 and one.slots[0] > 200)
        assert bright_s - shone_s == pytest.approx(latency_ms / 1000.0, abs=STEP_S)


@pytest.mark.parametrize(
    ("plays", "glow", "after_s"),
    [
        pytest.param(False, 1.0, FADE_S, id="the house is closed or held"),
        pytest.param(True, None, LAG_S + FADE_S, id="nothing more is heard of the piece"),
    ],
)
def test_lamps_go_dark(*, plays: bool, glow: float | None, after_s: float) -> None:
    hall = Hall()
    hall.pass_time(2.0)
    assert hall.lights.shown["glow"] == 1.0
    hall.pass_time(after_s + 0.2, plays=plays, glow=glow)
    assert hall.lights.shown == {"glow": 0.0, "ember": 0.0}


def test_lamps_go_dark_where_nobody_says_any_more_that_the_house_plays() -> None:
    hall = Hall()
    hall.pass_time(2.0)
    for step in range(round((PERMIT_S + FADE_S + 0.3) / STEP_S)):
        if step % 4 == 0:
            hall.block(1.0, heard_at_s=hall.now_s)
        list(hall.lights.datagrams(hall.now_s))
        hall.now_s += STEP_S
    assert hall.lights.shown["glow"] == 0.0


def test_the_end_of_a_stream_is_dark_and_says_that_it_is_the_end() -> None:
    hall = Hall()
    hall.pass_time(1.0)
    last = [read(datagram) for datagram, _ in hall.lights.farewell()]
    told = [(one.universe, one.terminated, any(one.slots)) for one in last]
    assert told == [(1, True, False), (258, True, False)] * 3
    assert TERMINATED == 3  # E1.31, 6.2.6
    assert not any(one.terminated for _, one, _ in hall.sent)


@given(seed=st.integers(0, 2**32 - 1))
@example(seed=3_181)  # its red and its other colours fall after each other: 0.45 s
@tries(quick=5, many=100)
def test_all_may_be_dark_in_the_time_that_is_kept_for_it(seed: int) -> None:
    """The packets that end a stream go round the cap, and all of them are dark."""
    random = np.random.default_rng(seed)
    fixtures = int(random.integers(1, 4))
    cap = FlashCap(3 * fixtures, now_s := 0.0, np.kron(np.eye(fixtures), [1.0, -1.0, -1.0]).tolist())
    wanted, gait = random.uniform(size=3 * fixtures), random.choice([0.1, 0.4, 1.0])
    for _ in range(random.integers(10, 60)):
        now_s += STEP_S + random.exponential(0.005)
        changes = random.uniform(size=3 * fixtures) < gait
        wanted = np.where(changes, random.uniform(size=3 * fixtures).round(random.integers(0, 3)), wanted)
        cap(wanted, now_s)
    for _ in range(round(DARK_S / STEP_S)):
        codes = cap(np.zeros(3 * fixtures), now_s).codes
        now_s += STEP_S
    assert codes.max() <= TURN_FROM * FULL


def test_a_light_that_is_heard_of_never_makes_the_engine_wait() -> None:
    sender = LightSender(SETTINGS, LAMPS, lambda kind, text: None, IDENTITY)  # nobody takes what is handed over
    for _ in range(1_000):
        sender.heard(Span(0, 4_800), {}, 0.0)
    assert sender.told is None


@pytest.mark.parametrize(
    ("settings", "group"),
    [
        pytest.param(LightSettings(to="127.5.5.68", lamp={"glow": FOURTH}), None, id="one"),
        pytest.param(LightSettings(interface="127.0.0.1", lamp={"glow": FOURTH}), GROUP, id="all that listen"),
    ],
)
def test_a_receiver_in_the_network_sees_the_lamp_come_and_the_stream_end(
    settings: LightSettings, group: str | None
) -> None:
    happened: list[str] = []
    sender = LightSender(settings, LAMPS, lambda _kind, text: happened.append(text), IDENTITY, clock := Clock())
    with listening("127.0.0.1" if group else settings.to, group=group) as taking:
        sender.start()
        shone = False
        while not shone:
            sender.permit(plays=True)
            sender.heard(Span(0, 4_800), {"glow": np.ones(200)}, clock.now_s)
            got = read(taking.recv(2_048))
            shone = got.slots[3] == 255
            clock.now_s += 0.05
        assert sender.told == {"lamps": {"glow": 1.0}, "held_steps": 0}
        darkened_s = clock.now_s
        sender.darken()
        while not (got := read(taking.recv(2_048))).terminated:
            clock.now_s += 0.05
        assert got.slots == bytes(512)
        assert clock.now_s >= darkened_s + DARK_S
        sender.end()
    assert happened == []


def test_another_program_sees_all_dark_before_the_stream_ends() -> None:
    """The receiver is that of the library sacn, which knows nothing of what sends here."""
    settings = LightSettings(to="127.5.5.73", lamp={"glow": FOURTH})
    sender = LightSender(settings, LAMPS, lambda _kind, _text: None, IDENTITY, clock := Clock())
    lamp: queue.Queue[int | str] = queue.Queue()
    receiver = sacn.sACNreceiver(bind_address=settings.to)
    receiver.register_listener("universe", lambda packet: lamp.put(max(packet.dmxData)), universe=FOURTH.universe)
    receiver.register_listener("availability", lambda universe, changed: lamp.put(changed))
    receiver.start()
    try:
        sender.start()
        while lamp.get(timeout=60) != 255:
            sender.permit(plays=True)
            sender.heard(Span(0, 4_800), {"glow": np.ones(200)}, clock.now_s)
            clock.now_s += 0.05
        sender.darken()
        seen: list[int | str] = []
        while "timeout" not in seen:
            seen.append(lamp.get(timeout=60))
            clock.now_s += 0.05
        sender.end()
    finally:
        receiver.stop()
    assert seen[-2:] == [0, "timeout"]


class Clock:
    """A clock of the test: it goes on a little whenever it is asked, so that nothing waits for it in vain."""

    def __init__(self) -> None:
        self.now_s = 50.0

    def __call__(self) -> float:
        self.now_s += 0.01
        return self.now_s


def test_a_source_that_all_may_hear_tells_its_universes_every_ten_seconds() -> None:
    """Source: ANSI E1.31-2018, 4.3 and 8."""
    hall = Hall(LightSettings(lamp=SETTINGS.lamp))
    told: list[float] = []
    for _ in range(round(21.0 / STEP_S)):
        for datagram, receiver in hall.lights.datagrams(hall.now_s):
            if receiver == "239.255.250.214":
                told.append(hall.now_s)
                assert read_discovery(datagram) == (IDENTITY.bytes, "residue", [1, 258])
        hall.now_s += STEP_S
    assert told == pytest.approx([100.0, 110.0, 120.0], abs=0.1)


def test_a_network_that_is_not_there_is_said_and_tried_again() -> None:
    happened: list[str] = []
    away = LightSettings(interface="192.0.2.77", lamp=SETTINGS.lamp)  # no address of this machine
    sender = LightSender(away, LAMPS, lambda _kind, text: happened.append(text), IDENTITY)
    sender.darken()  # so that it tries once
    lights = Lights(away, LampLevels(LAMPS), LightSource(IDENTITY, 100), FlashCap(2, 0.0))
    sender._keep(away, lights)
    assert len(happened) == 1
    assert happened[0].startswith("The lamps cannot be told: ")
    assert happened[0].endswith("Look at interface in [light] of room.toml.")


def test_a_network_that_takes_nothing_is_said_once_and_again_when_it_is_back() -> None:
    happened: list[str] = []
    sender = LightSender(SETTINGS, LAMPS, lambda _kind, text: happened.append(text), IDENTITY)

    class Refusing:
        open = False

        def sendto(self, datagram: bytes, receiver: tuple[str, int]) -> int:
            if not self.open:
                raise PermissionError(1, "Operation not permitted")
            return len(datagram)

    network = Refusing()
    for is_open in (False, False, True, True):
        network.open = is_open
        sender._send(network, iter([(b"", "192.0.2.40")]))  # type: ignore[arg-type]  # as far as it is used
    assert happened == [
        "The lamps cannot be told: Operation not permitted. `residue check` says what forbids it.",
        "The lamps are told again.",
    ]
    assert sender.alarm is None
