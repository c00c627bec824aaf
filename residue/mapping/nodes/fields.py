"""Types of parameters that many nodes share, with range and meaning."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from residue.mapping.signals import CONTROL_RATE_HZ

GainDb = Annotated[float, Meta(ge=-120.0, le=60.0, description="level added")]
Unity = Annotated[float, Meta(ge=0.0, le=1.0, description="share, from none to all")]
CutoffHz = Annotated[float, Meta(gt=0.0, le=20_000.0, description="where the filter has fallen by 3 dB")]
WindowS = Annotated[float, Meta(ge=1 / CONTROL_RATE_HZ, le=600.0, description="how far back it looks")]
TimeS = Annotated[float, Meta(ge=0.0, le=3600.0, description="time constant: 63 % of a step is reached after it")]
HoldS = Annotated[float, Meta(ge=0.0, le=3600.0, description="how long it is held")]
Real = Annotated[float, Meta(ge=-1e9, le=1e9, description="in the unit of the input")]
FrequencyHz = Annotated[float, Meta(ge=0.01, le=16_000.0, description="frequency")]
