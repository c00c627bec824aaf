"""Several sinks as one."""

from __future__ import annotations

from collections.abc import Sequence

from residue.loudness.stage.capped import Capped
from residue.output.sink import Sink


class Together:
    """Gives the same frames to every sink, one after the other; the slowest sets the pace."""

    def __init__(self, sinks: Sequence[Sink]) -> None:
        self._sinks = sinks
        self.latency_s = max(sink.latency_s for sink in sinks)

    @property
    def late_blocks(self) -> int:
        """The late blocks of all sinks together."""
        return sum(sink.late_blocks for sink in self._sinks)

    def write(self, capped: Capped) -> None:
        """Raises SinkLostError when one of them is lost."""
        for sink in self._sinks:
            sink.write(capped)

    def close(self) -> None:
        """Closes all sinks."""
        for sink in self._sinks:
            sink.close()
