"""The report in words: what was recorded, and whether people can use it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from residue.archive.ingest.quality import Quality
from residue.archive.performance import ChannelKind, Performance

_MUCH_MISSING, _MUCH_CLIPPED, _MUCH_FLAT = 0.05, 0.001, 0.2
_ALL_MISSING, _ALL_FLAT = 0.5, 0.9
_AUDIBLE_HUM_DB, _LOUD_HUM_DB = 3.0, 10.0
_FEW_BEATS, _NO_BEATS = 0.9, 0.5
"""Below the first share a channel needs care, below the second it has no usable beats: our choice, no source."""


def judge(quality: Quality) -> tuple[str, list[str]]:
    """A channel's verdict, and the reasons for any doubt."""
    spoilt = [
        (quality.missing_share >= _ALL_MISSING, f"{quality.missing_share:.0%} of it was not recorded"),
        (quality.flat_s >= _ALL_FLAT * quality.duration_s, "its value never changes"),
        (_beats(quality) < _NO_BEATS, f"only {_beats(quality):.0%} of its beats are plausible"),
    ]
    doubts = [
        (bool(quality.rate_doubt), f"{quality.rate_doubt}: check its rate, or the unit of its times"),
        (quality.missing_share >= _MUCH_MISSING, f"{quality.missing_share:.0%} of it was not recorded"),
        (quality.clipped_share >= _MUCH_CLIPPED, f"{quality.clipped_share:.2%} of it is clipped"),
        (quality.flat_s >= _MUCH_FLAT * quality.duration_s, f"its value does not change for {quality.flat_s:.0f} s"),
        (
            quality.hum_db >= _LOUD_HUM_DB,
            f"{quality.hum_hz:g} Hz hum, {quality.hum_db:.0f} dB above the neighbouring frequencies",
        )
        if quality.hum_hz
        else (False, ""),
        (_beats(quality) < _FEW_BEATS, f"{_beats(quality):.0%} of its beats are plausible"),
    ]
    reasons = [words for holds, words in spoilt if holds]
    if reasons:
        return "not usable", reasons + [words for holds, words in doubts[:1] if holds]  # the rate may be why
    reasons = [words for holds, words in doubts if holds]
    return ("usable with care" if reasons else "usable"), reasons


def _beats(quality: Quality) -> float:
    return 1.0 if quality.plausible_beats is None else quality.plausible_beats


def write_report(performance: Performance, qualities: Mapping[str, Quality], done: Sequence[str]) -> str:
    """The text of the report. done: the changes during ingest, one sentence each."""
    return "\n".join(_lines(performance, qualities, done)) + "\n"


def _lines(performance: Performance, qualities: Mapping[str, Quality], done: Sequence[str]) -> Iterator[str]:
    yield performance.title
    facts = [performance.performer, f"{performance.recorded:%Y-%m-%d %H:%M %z}" if performance.recorded else ""]
    yield ", ".join(filter(None, [*facts, performance.place]))
    yield ""
    for name, quality in qualities.items():
        channel = performance.channel[name]
        verdict, reasons = judge(quality)
        site = f", {channel.site}" if channel.site else ""
        yield f"{name}: {channel.kind}{site}"
        when = f"{minutes(quality.duration_s)} from {minutes(channel.start_s)}"
        unit = f", in {channel.unit}" if channel.unit != "1" else ""
        beats = channel.kind is ChannelKind.RR
        rate = f"{60 * quality.rate_hz:.0f} beats a minute" if beats else f"{quality.rate_hz:g} Hz"
        yield f"  {when}, {rate}{unit}"
        shares = f"missing {quality.missing_share:.1%}, clipped {quality.clipped_share:.2%}"
        yield f"  {shares}, still {quality.flat_s:.0f} s"
        if quality.hum_hz and quality.hum_db >= _AUDIBLE_HUM_DB:
            yield f"  mains hum at {quality.hum_hz:g} Hz: {quality.hum_db:+.0f} dB above the neighbouring frequencies"
        if quality.plausible_beats is not None:
            yield f"  plausible beats: {quality.plausible_beats:.0%}"
        yield f"  {verdict}{': ' if reasons else ''}{'; '.join(reasons)}"
    if done:
        yield ""
        yield "What was done on ingest:"
        yield from (f"  {sentence}" for sentence in done)


def minutes(seconds: float) -> str:
    """A time as minutes and seconds."""
    sign = "-" if seconds < 0 else ""
    whole, rest = divmod(round(abs(seconds), 1), 60)
    return f"{sign}{whole:.0f} min {rest:04.1f} s"
