"""residue: replays archived body-sensor performances through their mapping graph, unattended."""

__version__ = "0.1.0"
