"""The feed: chosen signals and events for other machines, each with the time at which it is heard.

The engine only passes blocks on; a thread of its own selects, packs and sends the values.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from queue import Full, Queue

import numpy as np
from pythonosc.osc_bundle_builder import OscBundleBuilder
from pythonosc.osc_message_builder import OscMessageBuilder

from residue.control.settings import FeedTarget
from residue.mapping.nodes.feeds import Feed
from residue.mapping.playback import Signals
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Events, Signal, Slow, Span, seconds
from residue.mapping.trust import trust_of

MOST_BLOCKS = 32
"""Blocks that may wait to be sent; if the network is slower, the newest are dropped."""
MOST_EVENTS = 64
"""The most events of one node that are sent for one block."""
_LARGEST = float(np.finfo(np.float32).max)
"""OSC's floats have 32 bits."""


@dataclass(frozen=True, slots=True)
class Value:
    """One value to be sent, at a frame of the performance."""

    frame: int
    address: str
    value: float


def values(feed: Feed, signal: Signal, span: Span) -> Iterator[Value]:
    """The feed's values over a span: events as they are, a slow signal at the ticks of its own rate."""
    if isinstance(signal, Events):
        for frame, value in list(zip(signal.frames, signal.values, strict=True))[:MOST_EVENTS]:
            yield Value(int(frame), feed.address, _scaled(feed, float(value)))
        return
    for frame, value in _at_its_rate(feed, signal, span):
        yield Value(frame, feed.address, _scaled(feed, value))


def trust_values(feed: Feed, trust: Slow, span: Span) -> Iterator[Value]:
    """The trust in the values of a feed: 0 to 1, at the feed's address with /trust after it."""
    for frame, value in _at_its_rate(feed, trust, span):
        yield Value(frame, f"{feed.address}/trust", value)


def _at_its_rate(feed: Feed, signal: Slow, span: Span) -> Iterator[tuple[int, float]]:
    """(frame, value) at the ticks of the feed's rate."""
    every = max(1, round(CONTROL_RATE_HZ / feed.rate_hz))
    first = -(-span.first_tick // every) * every
    for tick in range(first, span.last_tick, every):
        yield tick * FRAMES_PER_TICK, float(signal[tick - span.first_tick])


def bundle(at_s: float, told: Sequence[Value]) -> bytes:
    """One OSC bundle for values of one moment; at_s: seconds since 1970, UTC."""
    builder = OscBundleBuilder(at_s)  # type: ignore[arg-type]  # takes a float, says int
    for value in told:
        message = OscMessageBuilder(value.address)
        message.add_arg(min(_LARGEST, max(-_LARGEST, value.value)), "f")
        builder.add_content(message.build())
    return builder.build().dgram


class FeedSender:
    """Sends the values of feeds to the targets of the room.

    dropped: the number of blocks that came too fast to be sent.
    """

    def __init__(
        self,
        feeds: Mapping[str, Feed],
        targets: Sequence[FeedTarget],
        clocks: Callable[[], tuple[float, float]] = lambda: (time.time(), time.monotonic()),
    ) -> None:
        self._feeds = feeds
        self._targets = targets
        self._clocks = clocks
        self._queue: Queue[tuple[Span, Signals, float]] = Queue(MOST_BLOCKS)
        self.dropped = 0
        self._thread = threading.Thread(target=self._run, name="feed", daemon=True)

    def start(self) -> None:
        """Begins to send, if there are feeds and targets."""
        if self._feeds and self._targets:
            self._thread.start()

    def heard(self, span: Span, signals: Signals, heard_at_s: float) -> None:
        """Passes a block on, without waiting. heard_at_s: monotonic."""
        if not (self._feeds and self._targets):
            return
        try:
            named = [one for name in self._feeds for one in (name, trust_of(name)) if one in signals]
            self._queue.put_nowait((span, {name: signals[name] for name in named}, heard_at_s))
        except Full:
            self.dropped += 1

    def datagrams(self, span: Span, signals: Signals, heard_at_s: float) -> Iterator[bytes]:
        """The bundles of a block in the order of time."""
        wall_s, monotonic_s = self._clocks()
        offset_s = wall_s - monotonic_s + heard_at_s - seconds(span.start)
        told = sorted(self._told(span, signals), key=lambda value: value.frame)
        frames = np.array([value.frame for value in told])
        for frame in np.unique(frames):
            yield bundle(offset_s + seconds(int(frame)), [value for value in told if value.frame == frame])

    def _told(self, span: Span, signals: Signals) -> Iterator[Value]:
        for name, feed in self._feeds.items():
            if name in signals:
                yield from values(feed, signals[name], span)
            trust = signals.get(trust_of(name))
            if trust is not None and not isinstance(trust, Events):
                yield from trust_values(feed, trust, span)

    def _run(self) -> None:
        senders = [_Sender(target) for target in self._targets]
        while True:
            for datagram in self.datagrams(*self._queue.get()):
                self.dropped += sum(not sender.sent(datagram) for sender in senders)


class _Sender:
    """Sends datagrams to one target, at its IPv4 or IPv6 address, without waiting."""

    def __init__(self, target: FeedTarget) -> None:
        self._address = (target.host, target.port)
        self._family = socket.AF_INET6 if ":" in target.host else socket.AF_INET
        self._socket: socket.socket | None = None

    def sent(self, datagram: bytes) -> bool:
        """Whether it was sent; not if the network is down or full. Late values are of no use."""
        try:
            if self._socket is None:
                self._socket = socket.socket(self._family, socket.SOCK_DGRAM)
                self._socket.settimeout(0.0)
            self._socket.sendto(datagram, self._address)
        except OSError:
            return False
        return True


def _scaled(feed: Feed, value: float) -> float:
    """A value from low to high, as 0 to 1, where the feed says what these are."""
    if feed.low is None or feed.high is None or feed.high == feed.low:
        return value
    return min(1.0, max(0.0, (value - feed.low) / (feed.high - feed.low)))
