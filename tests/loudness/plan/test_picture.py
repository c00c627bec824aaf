"""Pictures can be drawn of anything that can be measured."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest
import soundfile
from matplotlib.figure import Figure

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.outputs.calibration import Calibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.picture import _before_and_after, _fill, draw_file, draw_levels, draw_plan
from residue.loudness.plan.plan import plan
from residue.loudness.plan.profile import profile

PNG, SVG = b"\x89PNG", b"<?xml"


@pytest.mark.parametrize(("name", "begins"), [("levels.png", PNG), ("levels.svg", SVG)])
@pytest.mark.parametrize("curve", [np.linspace(-60.0, -10.0, 50), np.full(5, -np.inf), np.zeros(0)])
def test_levels(tmp_path: Path, name: str, begins: bytes, curve: np.ndarray) -> None:
    draw_levels("Night Dough", 1.0, {"A": curve}).savefig(tmp_path / name)
    assert (tmp_path / name).read_bytes().startswith(begins)


def test_no_legend_lies_over_the_curves() -> None:
    figure = Figure(figsize=(8.0, 4.0), layout="constrained")
    axes = figure.add_subplot()
    _fill(axes, 1.0, {f"curve {n}": np.linspace(-60.0, -10.0, 50) for n in range(4)})
    figure.draw_without_rendering()
    legend = axes.get_legend()
    assert legend is not None
    assert legend.get_window_extent().y1 < axes.get_window_extent().y0
    assert legend.get_window_extent().y0 >= 0.0, "it is not cut off either"


def test_a_file(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "x.wav", 0.1 * np.random.default_rng(1).standard_normal((100_000, 2)), 48_000)
    draw_file(tmp_path / "x.wav").savefig(tmp_path / "x.png")
    assert (tmp_path / "x.png").read_bytes().startswith(PNG)


def test_what_is_drawn_before_and_after_is_the_level_at_the_ear_also_beside_a_cap_in_dbfs() -> None:
    calibrated = Calibration(played_dbfs=-20.0, read_dba=74.0, read_dbc=75.6, on=date(2026, 3, 2))
    outputs = {"left": Output(device_channel=1, calibration=calibrated)}
    caps = expand([CapEntry(quantity="LAeq", window_s=5.0, limit_dbfs=-3.0)])
    noise = np.random.default_rng(1).standard_normal((1, 96_000)) * 0.1
    profiles = {"first": profile([noise], outputs, caps)}
    (one,) = plan(list(profiles.items()), 3.0, caps, outputs).performances
    curves = _before_and_after(one, profiles["first"])
    assert curves["A-weighted, before"].min() > 50.0, "dB at the ear, not dBFS"


def test_a_plan(tmp_path: Path) -> None:
    outputs = {"left": Output(device_channel=1)}
    caps = expand([CapEntry(quantity="LAeq", window_s=5.0, limit_dbfs=-30.0)])
    noise = np.random.default_rng(1).standard_normal((1, 300_000)) * np.linspace(0.01, 0.5, 300_000)
    profiles = {name: profile([noise * share], outputs, caps) for name, share in (("first", 1.0), ("second", 0.01))}
    planned = plan(list(profiles.items()), 3.0, caps, outputs)
    draw_plan(planned, profiles, outputs).savefig(tmp_path / "plan.png")
    assert (tmp_path / "plan.png").read_bytes().startswith(PNG)
