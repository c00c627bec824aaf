"""A technician with a sound level meter in a room that is simulated: what the sink was given is what is heard."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import log10

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from residue.loudness.meters.weightings import Weighting, sections
from residue.loudness.stage.capped import Capped
from residue.runtime.calibration.calibration_player import CalibrationPlayer

Floats = NDArray[np.float64]
RATE_HZ = 48_000
METER_HOPS = 20
"""How long the meter's mean is."""
LEAST_FELT_M_PER_S2 = 0.01
"""Below this the vibration meter shows its own noise."""
PATIENCE = 60
"""Nobody answers more often than that."""


class Recorder:
    """A sink that keeps all it is given, and can be unplugged."""

    latency_s = 0.0
    late_blocks = 0

    def __init__(self) -> None:
        self.blocks: list[Floats] = []

    def write(self, capped: Capped) -> None:
        self.blocks.append(capped.frames.copy())

    def close(self) -> None:
        pass

    @property
    def frames(self) -> Floats:
        """(outputs, frames)."""
        return np.concatenate(self.blocks, axis=1)


@dataclass
class Hall:
    """What full scale makes at the visitor's place, for each output, and what is there without it.

    full_scale_db: dB re 20 uPa, unweighted; full_scale_aw: m/s² of the Wk-weighted signal.
    """

    full_scale_db: Mapping[int, float]
    background_dba: float = 38.0
    background_dbc: float = 50.0
    full_scale_aw: Mapping[int, float] = field(default_factory=dict)

    def level_db(self, sent: Floats, weighting: Weighting) -> float:
        """The equivalent level of what was sent, the background left out."""
        weighted = signal.sosfilt(sections(weighting, RATE_HZ), sent, axis=1)
        powers = np.mean(weighted**2, axis=1)
        arriving = [float(powers[index]) * 10 ** (full_db / 10) for index, full_db in self.full_scale_db.items()]
        return 10 * log10(sum(arriving) + 1e-30)

    def read(self, sent: Floats) -> tuple[float, float]:
        """What the meter shows, A and C, to a tenth of a dB."""
        backgrounds = ((Weighting.A, self.background_dba), (Weighting.C, self.background_dbc))
        a, c = (
            10 * log10(10 ** (self.level_db(sent, weighting) / 10) + 10 ** (background / 10))
            for weighting, background in backgrounds
        )
        return round(a, 1), round(c, 1)

    def felt_m_per_s2(self, sent: Floats) -> float:
        """What the vibration meter shows."""
        weighted = signal.sosfilt(sections(Weighting.WK, RATE_HZ), sent, axis=1)
        powers = [float(np.mean(weighted[index] ** 2)) * full**2 for index, full in self.full_scale_aw.items()]
        return float(np.sqrt(sum(powers)))


class FakeTechnician:
    """Waits for the sound to settle, reads the meter, and answers what a person would; or what a test says instead.

    instead: by a part of the question, answers to give once each before the honest one.
    """

    def __init__(self, player: CalibrationPlayer, recorder: Recorder, hall: Hall) -> None:
        self._player, self._recorder, self._hall = player, recorder, hall
        self.instead: dict[str, Iterator[str]] = {}
        self.told: list[str] = []
        self.asked: list[str] = []
        self.vibration_meter = False
        self.listens_hops = METER_HOPS + 14

    def tell(self, text: str) -> None:
        self.told.append(text)

    def ask(self, question: str) -> str:
        self.asked.append(question)
        if len(self.asked) > PATIENCE:
            return "q"
        for _ in range(self.listens_hops):
            self._player.write_hop()
        for part, answers in self.instead.items():
            if part in question and (answer := next(answers, None)) is not None:
                return answer
        if "Enter" in question:
            return ""
        recent = np.concatenate(self._recorder.blocks[-METER_HOPS:], axis=1)
        a, c = self._hall.read(recent)
        quiet = max(a - self._hall.background_dba, c - self._hall.background_dbc) < 1.0
        if quiet and "Nothing plays" not in question:
            return ""
        felt = self._hall.felt_m_per_s2(recent) if self.vibration_meter else 0.0
        return f"{a} {c}" + (f" {felt:.4f}" if felt >= LEAST_FELT_M_PER_S2 else "")

    @property
    def heard(self) -> str:
        """All that was told, as one text."""
        return "\n".join(self.told)
