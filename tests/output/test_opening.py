from __future__ import annotations

from pathlib import Path

import pytest

from residue.loudness.outputs.outputs import Output
from residue.output.devices import NoDeviceError, check_width, find
from residue.output.opening import check_device, routing_of, sink_opener
from residue.output.routing import Routing
from residue.output.silent import SilentSink
from residue.problems import ProblemError, Severity

DEVICES = [
    {"name": "USB Audio: - (hw:1,0)", "index": 3, "max_output_channels": 2},
    {"name": "USB Audio: #1 (hw:1,1)", "index": 4, "max_output_channels": 8},
    {"name": "pulse", "index": 5, "max_output_channels": 32},
]


def test_silent_opens_a_sink_that_nobody_hears() -> None:
    assert isinstance(sink_opener("silent", Routing((1,)), Path())(), SilentSink)


@pytest.mark.parametrize(
    ("device", "words"),
    [
        ("silent:loud", 'Write "silent" alone'),
        ("file:", "names no WAV file"),
        ("file:hall.mp3", "ends in .wav"),
        ("file:no/such/folder/a.wav", "names no WAV file"),
    ],
)
def test_what_names_no_sink_is_told_with_the_mend(device: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match=words):
        sink_opener(device, Routing((1,)), tmp_path)


def test_a_file_begins_anew_at_the_start_and_goes_on_after_a_loss(tmp_path: Path) -> None:
    (tmp_path / "hall.wav").write_bytes(b"yesterday's" * 100)
    open_sink = sink_opener("file:hall.wav", Routing((1,)), tmp_path)
    open_sink().close()
    assert (tmp_path / "hall.wav").stat().st_size == 0
    (tmp_path / "hall.wav").write_bytes(b"what was written before the loss" * 10)
    open_sink().close()
    assert (tmp_path / "hall.wav").stat().st_size == 320


def test_a_device_is_found_by_its_name_or_by_a_part_that_only_it_has() -> None:
    assert find("pulse", DEVICES)["index"] == 5
    assert find("#1", DEVICES)["index"] == 4


def test_a_name_that_several_devices_have_is_told_with_all_of_them() -> None:
    with pytest.raises(ProblemError, match=r'"USB Audio" may mean .*hw:1,0.*hw:1,1.* Write more of the name\.'):
        find("USB Audio", DEVICES)


def test_a_device_that_is_not_there_is_told_with_the_nearest() -> None:
    with pytest.raises(NoDeviceError, match=r'There is no sound device "pulze"\. Did you mean pulse\?'):
        find("pulze", DEVICES)


def test_a_machine_without_any_device_says_so() -> None:
    with pytest.raises(NoDeviceError, match="no sound device at all"):
        find("gallery", [])


def test_too_few_channels_are_told_with_the_number_there_is() -> None:
    with pytest.raises(ProblemError, match=r"has 2 channels, and an output is wired to channel 6\. .*1 to 2"):
        check_width("USB", 2, 6)


def test_checking_a_device_plays_nothing_and_leaves_files_alone(tmp_path: Path) -> None:
    kept = tmp_path / "hall.wav"
    kept.write_bytes(b"yesterday's")
    outputs = {"left": Output(device_channel=2), "right": Output(device_channel=1)}
    assert routing_of(outputs) == Routing((2, 1))
    assert check_device("file:hall.wav", outputs, tmp_path) == []
    assert kept.read_bytes() == b"yesterday's"
    (finding,) = check_device("no such device", outputs)
    assert finding.severity is Severity.STOPS
