"""What comes in: gaps bridged, samples and beats set into time, a device that loses frames and comes back."""

from __future__ import annotations

import math
import select
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sounddevice
from hypothesis import given
from hypothesis import strategies as st
from pythonosc.osc_message_builder import OscMessageBuilder

from residue.archive.fixity import verify
from residue.archive.in_memory import InMemoryPerformance
from residue.archive.performance import ChannelKind
from residue.archive.readers.beats import read_beats
from residue.archive.readers.catalogue import open_channel
from residue.archive.recorded import RAMP_S
from residue.archive.summary import summarise
from residue.installation.load import read_sensors
from residue.live.arrivals import CUSHION_S, BeatMessage, BeatQueue, SampleQueue
from residue.live.bridge import Bridge
from residue.live.device_input import _Stream
from residue.live.messages import Arrival, OscReceiver
from residue.live.sensors import Messages, Sensor, check_needs
from residue.live.sound_input import RETRY_S, DeviceInput
from residue.live.take import Take, recovered, work_folder
from residue.live.tracks import GrowingTrack, look_ahead_frames
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, Kind, Span
from residue.problems import ProblemError, stopping
from tests.live.stage import TODAY, installation, sensors_of
from tests.runtime.running import free_port

NAN = math.nan
NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


@given(
    present=st.lists(st.booleans(), min_size=1, max_size=60),
    cuts=st.lists(st.integers(1, 59), max_size=6),
)
def test_a_bridge_gives_finite_values_without_steps_however_it_is_cut(present: list[bool], cuts: list[int]) -> None:
    """The signal rises by 0.1 a sample; nothing that is given may ever step by much more than the ramp needs."""
    received = np.where(present, 0.1 * np.arange(len(present)), NAN).astype(np.float32)
    whole = Bridge(rate_hz=100)
    given_out = whole(received)
    assert np.isfinite(given_out).all()
    cut = Bridge(rate_hz=100)
    parts = [cut(part) for part in np.split(received, sorted({at for at in cuts if at < len(received)}))]
    assert np.concatenate(parts).tobytes() == given_out.tobytes()
    assert cut.gaps == whole.gaps


def test_a_gap_is_held_and_left_on_a_line() -> None:
    bridge = Bridge(rate_hz=100)  # a ramp of five samples
    found = bridge(np.array([2.0, 2.0, NAN, NAN, *[8.0] * 8], np.float32))
    assert found.tolist() == [2.0, 2.0, 2.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 8.0, 8.0]
    assert bridge.gaps == [(2, 4)]


def test_gaps_close_to_each_other_are_one() -> None:
    bridge = Bridge(rate_hz=100)
    bridge(np.array([1.0, NAN, 1.0, 1.0, NAN, *[1.0] * 40, NAN], np.float32))
    assert bridge.gaps == [(1, 5), (45, 46)]


def test_samples_wait_for_a_cushion_and_again_after_they_ran_out() -> None:
    queue = SampleQueue("o1", rate_hz=100)
    cushion = round(CUSHION_S * 100)
    queue.put((1.0,) * (cushion - 1))
    assert np.isnan(queue.take(5)).all()
    queue.put((2.0,))
    assert queue.take(cushion + 3)[cushion - 2 : cushion + 1].tolist()[:2] == [1.0, 2.0]
    queue.put((3.0,))
    assert np.isnan(queue.take(1)).all()


@pytest.mark.parametrize(("sent_hz", "told"), [(100, None), (101, None), (110, 110.0), (75, 75.0)])
def test_a_rate_that_was_stated_wrongly_is_told(sent_hz: int, told: float | None) -> None:
    queue = SampleQueue("o1", rate_hz=100)
    for second in range(60):
        queue.put((float(second),) * sent_hz)
        queue.take(100)
    if told is None:
        assert queue.wrong_rate is None
    else:
        assert f"about {told - 1:.0f}" <= str(queue.wrong_rate)[len("Channel o1 sends ") :] <= f"about {told + 1:.0f}"


@pytest.mark.parametrize(
    ("numbers", "interval_s"),
    [((812.0,), 0.812), ((), 0.5), ((NAN,), 0.5), ((-3.0,), 0.5), ((1e9,), 0.5)],
    ids=["told", "not told", "no number", "negative", "wild"],
)
def test_a_beat_has_the_interval_that_was_told_or_the_time_that_passed(
    numbers: tuple[float, ...], interval_s: float
) -> None:
    beats = BeatQueue(Sensor(kind=ChannelKind.RR, unit="ms", address="/beat"))
    beats.put(1_000, ())
    beats.put(25_000, numbers)
    found = beats(Span(0, 48_000))
    assert found.frames.tolist() == [1_000, 25_000]
    assert found.values.tolist() == [0.0, interval_s]


@dataclass
class FakeStream:
    """A device that gives ones as its clock goes, and does what its script says at its n-th read."""

    script: dict[int, Callable[[FakeStream], None]] = field(default_factory=dict)
    now_s: float = 0.0
    reads: int = 0
    lost: bool = False
    there: bool = True
    wrong: bool = False
    available: int = 0

    def opens(self) -> FakeStream:
        if self.wrong:
            raise stopping("sensors.toml: channel", "It has too few inputs.", "Name another.")
        if not self.there:
            raise OSError("it is not there")
        return self

    def read(self, frames: int) -> tuple[Any, bool]:
        if self.reads in self.script:
            self.script[self.reads](self)
        self.reads += 1
        if not self.there:
            raise OSError("it was pulled out")
        self.sleep(frames / AUDIO_RATE_HZ)
        self.available = max(0, self.available - frames)
        lost, self.lost = self.lost, False
        return np.ones((frames, 2), np.float32), lost

    def close(self) -> None:
        """Nothing to let go of."""

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def lose(self, seconds: float) -> None:
        self.lost = True
        self.now_s += seconds

    def input(self) -> DeviceInput:
        return DeviceInput(self.opens, 2, lambda: self.now_s, self.sleep)


def test_what_follows_lost_frames_comes_at_once_after_a_gap() -> None:
    stream = FakeStream({2: lambda it: it.lose(0.05)})
    sound = stream.input()
    heard = np.concatenate([sound.read(4_800) for _ in range(5)], axis=1)
    assert np.flatnonzero(np.isnan(heard[0])).tolist() == [2 * 4_800]


def test_what_waits_too_long_is_dropped_so_that_nothing_stays_late() -> None:
    def wait(stream: FakeStream) -> None:
        stream.available = 4_000

    stream = FakeStream({2: wait})
    sound = stream.input()
    heard = np.concatenate([sound.read(240) for _ in range(6)], axis=1)
    # Of the 4,000 the read takes 240, and the next one the last 240.
    assert np.flatnonzero(np.isnan(heard[0])).tolist() == [3 * 240]
    assert stream.now_s == pytest.approx((6 * 240 - 1 + 4_000 - 2 * 240) / AUDIO_RATE_HZ)


def test_what_came_before_the_performance_is_no_part_of_it() -> None:
    stream = FakeStream(available=4_000)
    sound = stream.input()
    assert not np.isnan(sound.read(240)).any()
    assert stream.now_s == pytest.approx(4_000 / AUDIO_RATE_HZ)


def test_a_device_that_is_pulled_out_is_a_gap_as_long_as_it_is_away() -> None:
    def pull_out(stream: FakeStream) -> None:
        stream.there = False

    stream = FakeStream({3: pull_out})
    sound = stream.input()
    parts = [sound.read(4_800) for _ in range(15)]
    stream.there = True
    parts += [sound.read(4_800) for _ in range(15)]
    heard = np.concatenate(parts, axis=1)
    missing = np.isnan(heard[0])
    assert not missing[: 3 * 4_800].any()
    assert missing[3 * 4_800 : 15 * 4_800].all()
    assert not missing[-4_800:].any()
    assert missing.sum() / AUDIO_RATE_HZ < 1.2 + RETRY_S + 0.2
    assert heard.shape[1] / AUDIO_RATE_HZ == pytest.approx(stream.now_s, abs=0.11)


def test_a_device_that_cannot_tell_what_waits_counts_as_pulled_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """PortAudio has an error of its own for it, which would end the performance."""

    class Gone:
        def __init__(self, **_: object) -> None:
            self.asked = 0

        def start(self) -> None:
            """It starts."""

        @property
        def read_available(self) -> int:
            self.asked += 1
            if self.asked > 2:
                monkeypatch.setattr(sounddevice, "query_devices", list)
                raise sounddevice.PortAudioError("Device unavailable", -9985)
            return 240

        def read(self, frames: int) -> tuple[Any, bool]:
            return np.ones((frames, 1), np.float32), False

        def abort(self) -> None:
            """It ends."""

        close = abort

    monkeypatch.setattr(sounddevice, "query_devices", lambda: [{"name": "a", "index": 0, "max_input_channels": 1}])
    monkeypatch.setattr(sounddevice, "InputStream", Gone)
    sound = DeviceInput(lambda: _Stream("a", 1, "", 0.01), 1, lambda: 0.0, lambda seconds: None)
    parts = [sound.read(240) for _ in range(3)]
    assert np.isfinite(parts[1]).all()
    assert np.isnan(parts[2]).all()


def test_another_device_of_that_name_is_waited_out_as_well() -> None:
    def exchange(stream: FakeStream) -> None:
        stream.there, stream.wrong = False, True

    stream = FakeStream({3: exchange})
    sound = stream.input()
    parts = [sound.read(4_800) for _ in range(40)]
    stream.there, stream.wrong = True, False
    parts += [sound.read(4_800) for _ in range(15)]
    assert np.isnan(parts[39]).all()
    assert not np.isnan(parts[-1]).any()


@pytest.mark.parametrize(("rate_hz", "kind", "latest_s"), [(48_000, Kind.SLOW, 0.005), (250, Kind.SLOW, 0.037)])
def test_the_look_ahead_is_enough_for_every_tick_and_short(rate_hz: int, kind: Kind, latest_s: float) -> None:
    assert 0.0 < look_ahead_frames(rate_hz, kind) / AUDIO_RATE_HZ < latest_s
    assert look_ahead_frames(48_000, Kind.FAST) == 0


def test_a_track_does_not_give_what_it_has_not() -> None:
    track = GrowingTrack(250, 2.0)
    track.append(np.ones(100, np.float32))
    assert track.read(90, 100).tolist() == [2.0] * 10
    with pytest.raises(IndexError):
        track.read(90, 101)


def test_a_channel_that_ends_early_goes_out_on_a_ramp() -> None:
    """It keeps its offset of 5 to the end: no step may come out of that."""
    short = InMemoryPerformance(frames=96_000, slow={"arm": np.full(2_000, 5.0)}).channel("arm", Kind.SLOW)
    values = short(Span(0, 96_000))
    assert isinstance(values, np.ndarray)
    assert values[0] == 5.0
    assert np.abs(np.diff(values)).max() < 1.01 * 5.0 / (RAMP_S * CONTROL_RATE_HZ)
    assert not values[2_000:].any()


@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        ('kind = "mmg"', 'kind = "mmq"', "kind"),
        ("input = 2", 'input = 2\naddress = "/arm"', "Write one of input and address"),
        ("rate_hz = 250", "", "rate_hz belongs to samples that come to an address"),
        ("rate_hz = 250", "rate_hz = 5000", "rate_hz"),
        ('unit = "ms"', 'unit = "bpm"', "is not a unit of beat intervals"),
        ('device = "pulse"', "", 'Write device = "…"'),
        ("[channel.o1]", '[channel."o 1"]', "is not a plain name"),
        ('"/heart/beat"', '"/brain/o1"', "Give each an address of its own"),
    ],
)
def test_a_slip_in_sensors_toml_is_told_with_the_mend(tmp_path: Path, was: str, becomes: str, said: str) -> None:
    folder = installation(tmp_path)
    text = (folder / "sensors.toml").read_text(encoding="utf-8").replace(was, becomes)
    (folder / "sensors.toml").write_text(text, encoding="utf-8")
    sensors, findings = read_sensors(folder)
    assert sensors is None
    assert any(said in str(finding) and "sensors.toml" in str(finding) for finding in findings)


def test_channels_that_nothing_sends_are_told_all_at_once(tmp_path: Path) -> None:
    sensors = sensors_of(installation(tmp_path))
    found = [str(one) for one in check_needs(sensors, {"forearn": {Kind.SLOW}, "chest": {Kind.SLOW}})]
    assert len(found) == 2
    assert "Channel chest is rr, and the piece reads it as slow" in found[0]
    assert "Did you mean forearm?" in found[1]


def test_a_disk_that_fills_up_ends_the_recording_and_what_was_written_is_sealed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sensors = sensors_of(installation(tmp_path))
    take = Take(tmp_path / "live", sensors, sensors.performance(NOON))
    take.sound(np.ones((1, 4_800), np.float32))
    take.samples("o1", np.ones(25, np.float32))
    take._write_what_waits()

    def full(*_: object) -> int:
        return 3

    monkeypatch.setattr("residue.output.wav.os.pwrite", full)
    take.sound(np.ones((1, 4_800), np.float32))
    while take.trouble is None:
        take._ending.wait(0.01)
    monkeypatch.undo()
    assert "The disk is full" in take.trouble
    waiting = take._orders.qsize()
    take.sound(np.ones((1, 4_800), np.float32))
    assert take._orders.qsize() == waiting, "what is not recorded does not fill the memory"
    bag = take.seal(9_600, {}, {"sound.input.wav": 9_600, "o1.wav": 50}, TODAY)
    assert bag.performance.duration_s is None
    assert not (tmp_path / ".recording-live").exists()


def test_what_a_cut_has_torn_is_sealed_up_to_the_tear(tmp_path: Path) -> None:
    """Half a frame, half a line, and a header that promises what never reached the disk."""
    sensors = sensors_of(installation(tmp_path))
    into = tmp_path / "live"
    take = Take(into, sensors, sensors.performance(NOON))
    take.sound(np.full((1, 480), 0.5, np.float32))
    take.samples("o1", np.ones(25, np.float32))
    take.beat("chest", BeatMessage(48_000, 0.0))
    take.beat("chest", BeatMessage(86_400, 0.8))
    take._ending.set()
    take._thread.join()
    for beats in take._beats.values():
        beats.close()
    kept = work_folder(into) / "data"
    with (kept / "sound.input.wav").open("ab") as file:
        file.write(b"\x01\x02\x03")
    with (kept / "chest.csv").open("a", encoding="utf-8") as lines:
        lines.write("2.61")
    with (kept / "o1.wav").open("r+b") as file:
        file.truncate((kept / "o1.wav").stat().st_size - 10)
    bag = recovered(into, TODAY)
    assert verify(into) == []
    channels = bag.performance.channel
    assert open_channel(bag.file_of("forearm"), channels["forearm"]).length == 480
    assert open_channel(bag.file_of("o1"), channels["o1"]).length == 22
    assert read_beats(bag.file_of("chest"), channels["chest"]).times_s.tolist() == [1.0, 1.8]
    assert not work_folder(into).exists()


def test_a_bag_in_which_no_beat_came_and_much_was_missed_can_be_shown(tmp_path: Path) -> None:
    sensors = sensors_of(installation(tmp_path))
    take = Take(tmp_path / "live", sensors, sensors.performance(NOON))
    take.sound(np.full((1, 48_000), 0.5, np.float32))
    take.samples("o1", np.ones(250, np.float32))
    bag = take.seal(48_000, {"forearm": [(0, 24_000)]}, {"sound.input.wav": 48_000, "o1.wav": 250}, TODAY)
    shown = summarise(bag)
    assert "no beats" in shown
    assert "forearm: gaps when it was played 1, the longest 0.5 s" in shown


def test_a_bag_in_which_one_beat_came_can_be_shown(tmp_path: Path) -> None:
    sensors = sensors_of(installation(tmp_path))
    take = Take(tmp_path / "live", sensors, sensors.performance(NOON))
    take.sound(np.full((1, 48_000), 0.5, np.float32))
    take.samples("o1", np.ones(250, np.float32))
    take.beat("chest", BeatMessage(24_000, 0.8))
    bag = take.seal(48_000, {}, {"sound.input.wav": 48_000, "o1.wav": 250}, TODAY)
    assert "1 beats" in summarise(bag)


def test_there_is_nothing_to_recover_where_nothing_was_cut(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="Record it without --recover"):
        recovered(tmp_path / "live", TODAY)


def heard(settings: Messages, *datagrams: bytes) -> tuple[list[Arrival], OscReceiver]:
    listener = OscReceiver(settings, ["/beat"], lambda: 5.0)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for datagram in datagrams:
            sender.sendto(datagram, (settings.listen, settings.port))
    while listener._socket.fileno() >= 0 and select.select([listener._socket], [], [], 0.2)[0]:
        pass
    listener.close()
    return listener.take(), listener


def message(address: str, *numbers: float | str) -> bytes:
    builder = OscMessageBuilder(address)
    for number in numbers:
        builder.add_arg(number)
    return bytes(builder.build().dgram)


def test_messages_of_sensors_are_taken_and_others_counted() -> None:
    found, listener = heard(
        Messages(port=free_port()), message("/beat", 0.8, "x"), message("/other", 1.0), b"no message", message("/beat")
    )
    assert [one.address for one in found] == ["/beat", "/beat"]
    assert found[0].numbers[0] == pytest.approx(0.8)
    assert math.isnan(found[0].numbers[1])
    assert (listener.unknown, listener.unread, found[0].at_s) == (1, 1, 5.0)


def test_who_is_not_allowed_is_not_heard() -> None:
    found, listener = heard(Messages(port=free_port(), allow=("10.0.0.0/8",)), message("/beat"))
    assert found == []
    assert listener.unknown == 0


def test_a_sender_in_an_allowed_ipv4_network_is_heard_at_an_ipv6_address_too() -> None:
    """RFC 4291, 2.5.5.2: its address arrives as ::ffff:127.0.0.1."""
    port = free_port()
    listener = OscReceiver(Messages(listen="::", port=port), ["/beat"], lambda: 5.0)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(message("/beat", 0.8), ("127.0.0.1", port))
    while select.select([listener._socket], [], [], 0.2)[0]:
        pass
    listener.close()
    assert [one.address for one in listener.take()] == ["/beat"]


def test_a_port_that_is_taken_is_told() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", 0))
        with pytest.raises(ProblemError, match="write another port"):
            OscReceiver(Messages(port=other.getsockname()[1]), [])
