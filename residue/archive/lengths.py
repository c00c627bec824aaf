"""Checks that the channels of one evening have matching lengths: an early end, a wrong rate, a drifting clock."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from residue.archive.performance import Performance
from residue.problems import Finding, Severity

_WORTH_A_NOTE_S = 1.0
_MISTAKEN = {44_100 / 48_000: "44100 for 48000, or the reverse", 250 / 256: "250 for 256, or the like", 0.5: "twice"}
"""Ratios of length that a wrong rate causes, if both rates are usual ones; the longer channel may be the wrong one."""
_SAME = 3e-4
_DRIFT_PPM = (10.0, 300.0)
"""Two crystals differ by a drift in this range; less does not matter, more has another reason. Common practice, no
source.
"""
_LONG_ENOUGH_S = 120.0


@dataclass(frozen=True, slots=True)
class Extent:
    """The begin and end of a channel with samples, in seconds of the performance."""

    begins_s: float
    ends_s: float

    @property
    def length_s(self) -> float:
        """The length of the channel, in seconds."""
        return self.ends_s - self.begins_s


def length_findings(
    where: str, performance: Performance, extents: Mapping[str, Extent], ends_s: float
) -> Iterator[Finding]:
    """Notes and warnings, at most one for each channel. ends_s: the end of the performance."""
    longest = max(extents, key=lambda name: extents[name].length_s, default="")
    for name, extent in extents.items():
        apart = performance.channel[name].file != performance.channel[longest].file
        comparable = apart and extent.length_s >= _LONG_ENOUGH_S
        share = extent.length_s / extents[longest].length_s if extents[longest].length_s > 0 else 1.0
        mistaken = [words for known, words in _MISTAKEN.items() if abs(share - known) <= _SAME * known]
        away_ppm = 1e6 * (1.0 - share)
        if mistaken and comparable:
            what = (
                f"Channel {name} is {share:.4f} times as long as {longest}: one of their files may state its rate "
                f"wrongly ({mistaken[0]})."
            )
            yield Finding(Severity.WARNS, where, what, "Write the true rate_hz of that channel in performance.toml.")
        elif ends_s - extent.ends_s >= _WORTH_A_NOTE_S:
            short_s = ends_s - extent.ends_s
            what = f"Channel {name} ends {short_s:.1f} s before the performance does; it is silent from there."
            yield Finding(Severity.NOTES, where, what, "")
        elif comparable and _DRIFT_PPM[0] <= away_ppm <= _DRIFT_PPM[1]:
            late_ms = 1000.0 * (extents[longest].length_s - extent.length_s)
            what = (
                f"Channel {name} is {late_ms:.0f} ms shorter than {longest}, {away_ppm:.0f} parts in a million: if "
                "both were stopped together, their clocks differ by that."
            )
            yield Finding(Severity.NOTES, where, what, "Then write its true rate_hz in performance.toml.")
