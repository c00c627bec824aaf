"""A house with secrets, that hands its piece on."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from residue.installation.load import load
from residue.runtime.packing.package import PackageFacts
from residue.runtime.packing.packing import PackedSeason, pack
from tests.runtime import kitchen

DURATION_S = 3.0
NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
ROOM = """
# The key of the cupboard is under the flour.
place = "North hall"
device = "silent"

[output.left]
device_channel = 3
calibration = { played_dbfs = -20.0, read_dba = 84.0, read_dbc = 87.5, on = 2026-03-02, device = "Hall" }
ceiling_dbtp = -6.0
trim_db = -2.0

[output.right]
device_channel = 4
transducer = "shaker"
calibration = { played_dbfs = -20.0, read_dba = 66.0, read_dbc = 88.0, on = 2026-03-02, device = "Hall" }
long_term_dbfs = -9.0
rise_db_per_s = 300.0

[measurement]
meter_class = 2
serial = "hand meter 0417"
by = "Agnes Miller"

[[cap]]
rule = "who-2022"

[[cap]]
quantity = "LCeq"
window_s = 300
limit_db = 92.0

[control]
port = 47399
key = "seven-loaves"

[[equipment]]
kind = "projector"
name = "beamer"
host = "192.0.2.7"
password = "sourdough-secret"

[[notice]]
kind = "webhook"
name = "desk"
url = "https://desk.bakery.example/hook-token"
networks = ["192.0.2.0/24"]
"""
SECRETS = (
    *("under the flour", "Agnes Miller", "0417", "seven-loaves", "47399", "192.0.2.", "sourdough-secret", "hook-token"),
    *("bakery.example", "Duke of Rye", "ask Berta"),
)
"""What stands in the files of this house and may be read by nobody else."""


def house(folder: Path) -> Path:
    """The installation."""
    installation = kitchen.build(folder, 47_399, duration_s=DURATION_S)
    (installation / "room.toml").write_text(ROOM, encoding="utf-8")
    hours = installation / "hours.toml"
    view = '\n[[private_view]]\ndate = 2026-05-01\nopen = ["19:00-21:00"]\nwhy = "the Duke of Rye"\n'
    hours.write_text(f"# ask Berta for the keys\n{hours.read_text(encoding='utf-8')}{view}", encoding="utf-8")
    (installation / "notes.txt").write_text("ask Berta", encoding="utf-8")
    return installation


def packed(folder: Path, out: Path, season: PackedSeason | None = None) -> PackageFacts:
    """The package of an installation."""
    return pack(load(folder), out, out.parent / "cache", NOW, season=season)[0]
