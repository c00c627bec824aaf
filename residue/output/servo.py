"""The servo of a room in step: from how late its sound is to how fast its device is fed."""

from __future__ import annotations

from math import pi

BANDWIDTH_HZ = 0.01
"""Slow against the jitter of the readings, fast against the drift of a crystal, which follows the temperature."""
MOST_PPM = 200.0
"""Four times what crystals of sound devices are usually off by: common practice, no source. A speed that is 200 ppm off
is a third of a cent, which nobody hears.
"""
CHANGE_PPM_PER_S = 10.0
"""The speed never moves faster, so that there is no wow."""

_TURN = 2.0 * pi * BANDWIDTH_HZ
_PROPORTIONAL, _INTEGRAL = 2.0 * _TURN, _TURN * _TURN
"""A critically damped loop of second order. Source: any textbook on control; a skew is the integral of a speed."""


class Servo:
    """A controller with a proportional and an integral part, both bounded.

    speed: how many frames are taken for each frame that the device plays; above 1 where the sound is late.
    """

    def __init__(self) -> None:
        self.drift = 0.0
        """By how much the device's clock is slow, as learned; kept over a loss of the device."""
        self._faster = 0.0

    @property
    def speed(self) -> float:
        """The speed for the next block."""
        return 1.0 + self._faster

    @property
    def ppm(self) -> float:
        """The speed, in millionths above 1."""
        return self._faster * 1e6

    def begin(self) -> None:
        """Begins again in place, at the drift that was learned."""
        self._faster = self.drift

    def look(self, late_s: float, after_s: float) -> None:
        """Takes the present skew, after so much time since the last; above 0 if the sound is late."""
        self.drift = _within(self.drift + _INTEGRAL * late_s * after_s, MOST_PPM * 1e-6)
        wanted = _within(self.drift + _PROPORTIONAL * late_s, MOST_PPM * 1e-6)
        self._faster += _within(wanted - self._faster, CHANGE_PPM_PER_S * 1e-6 * after_s)


def _within(value: float, most: float) -> float:
    return min(most, max(-most, value))
