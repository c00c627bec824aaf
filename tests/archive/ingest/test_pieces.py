"""Recordings read piece by piece: whatever is asked for, in whatever order, it is what the whole holds."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from residue.archive.ingest.pieces import PieceSignal, ReadInPieces
from residue.dsp.resampling import Floats

_WHOLE = np.random.default_rng(1).normal(size=(23, 3))


@pytest.mark.parametrize("piece_samples", [1, 5, 23, 100])
def test_signals_read_beside_each_other_share_each_piece(piece_samples: int) -> None:
    loaded: list[int] = []

    def load(start: int, stop: int) -> Floats:
        loaded.append(start)
        return _WHOLE[start:stop]

    recording = ReadInPieces(load, length=23, rate_hz=Fraction(100), signals=3, piece_samples=piece_samples)
    signals = [PieceSignal(recording, number, 1e3) for number in range(3)]
    for start in range(0, 23, piece_samples):
        for number, signal in enumerate(signals):
            stop = min(start + piece_samples, 23)
            assert (signal.read(start, stop) == _WHOLE[start:stop, number] * 1e3).all()
    assert loaded == list(range(0, 23, piece_samples))
    assert (signals[1].read(2, 21) == _WHOLE[2:21, 1] * 1e3).all()
    assert len(signals[1].read(7, 7)) == 0
