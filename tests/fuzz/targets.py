"""All targets by name."""

from __future__ import annotations

from collections.abc import Mapping

from tests.fuzz.house_files import HOUSE_FILES
from tests.fuzz.libraries import LIBRARIES
from tests.fuzz.packages import PACKAGES
from tests.fuzz.recordings import RECORDINGS
from tests.fuzz.target import Target
from tests.fuzz.wires import WIRES

TARGETS: Mapping[str, Target] = {**RECORDINGS, **LIBRARIES, **HOUSE_FILES, **PACKAGES, **WIRES}
