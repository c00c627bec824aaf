"""Whoever follows what the engine plays and sends. None of them may make it wait."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from residue.mapping.playback import Signals
from residue.mapping.signals import Span

SpanObserver = Callable[[Span, Signals, float], None]
"""Called for each block with its span, its signals, and the monotonic time at which its first frame is heard."""
SentObserver = Callable[[int, NDArray[np.float64], float], None]
"""Called for each block that was sent: the place of its first frame among all that was sent, (outputs, frames), and the
monotonic time at which that frame is heard.
"""
