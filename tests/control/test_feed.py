from __future__ import annotations

import socket

import numpy as np
import pytest
from pythonosc.osc_bundle import OscBundle

from residue.control.feed import MOST_BLOCKS, FeedSender, Value, values
from residue.control.settings import FeedTarget
from residue.mapping.nodes.feeds import Feed
from residue.mapping.playback import Signals
from residue.mapping.signals import Events, Span

EFFORT = Feed(input="effort", address="/dough/effort", rate_hz=20, low=0.0, high=2.0)
BEATS = Feed(input="beats", address="/dough/beat")
SOMEBODY = FeedTarget(host="127.0.0.1", port=47_400)


def test_a_slow_signal_is_told_so_many_times_a_second_whatever_the_blocks() -> None:
    signal = np.linspace(0.0, 2.0, 2_000)
    whole = list(values(EFFORT, signal, Span(0, 48_000)))
    parts = [
        value
        for at in range(0, 48_000, 480)
        for value in values(EFFORT, signal[at // 24 : (at + 480) // 24], Span(at, at + 480))
    ]
    assert parts == whole
    assert [value.frame for value in whole] == list(range(0, 48_000, 2_400))


def test_values_between_low_and_high_go_as_0_to_1_and_no_further() -> None:
    told = [values(EFFORT, np.array([v]), Span(0, 24)) for v in (-1.0, 1.0, 5.0)]
    assert [next(iter(one)).value for one in told] == [0.0, 0.5, 1.0]


def test_events_are_told_each_at_its_own_frame() -> None:
    beats = Events(np.array([100, 4_000]), np.array([71.0, 72.5]))
    assert list(values(BEATS, beats, Span(0, 4_800))) == [
        Value(100, "/dough/beat", 71.0),
        Value(4_000, "/dough/beat", 72.5),
    ]


def test_the_time_tag_is_the_moment_at_which_the_frame_is_heard() -> None:
    wall_s, monotonic_s = 1_790_000_000.0, 500.0
    sender = FeedSender({"beats": BEATS}, [SOMEBODY], lambda: (wall_s, monotonic_s))
    beats = Events(np.array([48_000 + 24_000]), np.array([71.0]))
    (datagram,) = sender.datagrams(Span(48_000, 96_000), {"beats": beats}, monotonic_s + 0.7)
    bundle = OscBundle(datagram)
    assert bundle.timestamp == pytest.approx(wall_s + 0.7 + 0.5, abs=1e-6)
    assert bundle.content(0).address == "/dough/beat"
    assert bundle.content(0).params == [71.0]


def test_a_value_that_no_float_of_osc_holds_is_told_as_the_largest() -> None:
    sender = FeedSender({"beats": BEATS}, [SOMEBODY])
    beats = Events(np.array([24, 48]), np.array([1e300, -1e300]))
    told = [OscBundle(datagram).content(0).params for datagram in sender.datagrams(Span(0, 480), {"beats": beats}, 0.0)]
    assert told == [[pytest.approx(3.4028235e38)], [pytest.approx(-3.4028235e38)]]


def test_the_trust_in_a_reading_is_told_beside_it() -> None:
    sender = FeedSender({"beats": BEATS}, [SOMEBODY])
    signals: Signals = {"beats": Events(), "beats.trust": np.linspace(1.0, 0.0, 2_001)[:2_000]}
    told = [OscBundle(datagram).content(0) for datagram in sender.datagrams(Span(0, 48_000), signals, 0.0)]
    assert {one.address for one in told} == {"/dough/beat/trust"}
    assert [one.params[0] for one in told] == pytest.approx(np.arange(1.0, 0.0, -1 / 25))  # the feed's 25 a second


def test_handing_over_never_waits() -> None:
    sender = FeedSender({"beats": BEATS}, [SOMEBODY])  # nobody sends what is handed over
    for _ in range(MOST_BLOCKS + 5):
        sender.heard(Span(0, 480), {"beats": Events()}, 0.0)
    assert sender.dropped == 5


def test_it_is_sent_to_each_target_at_its_ipv4_or_ipv6_address() -> None:
    """A target that is nowhere delays none. Loopback addresses: RFC 5735, section 3, and RFC 4291, section 2.5.3."""
    hosts = {socket.AF_INET: "127.0.0.1", socket.AF_INET6: "::1"}
    receivers = [socket.socket(family, socket.SOCK_DGRAM) for family in hosts]
    for receiver, host in zip(receivers, hosts.values(), strict=True):
        receiver.bind((host, 0))
        receiver.settimeout(10.0)
    targets = [FeedTarget(host="ff0e::1%lo", port=47_400)]
    targets += [FeedTarget(host=one.getsockname()[0], port=one.getsockname()[1]) for one in receivers]
    sender = FeedSender({"beats": BEATS}, targets)
    sender.start()
    sender.heard(Span(0, 480), {"beats": Events(np.array([24]), np.array([71.0]))}, 0.0)
    told = [OscBundle(receiver.recv(2_048)).content(0).params for receiver in receivers]
    assert told == [[71.0], [71.0]]
    for receiver in receivers:
        receiver.close()
