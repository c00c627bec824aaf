from __future__ import annotations

import os
import struct
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
import soundfile

from residue.loudness.stage.capped import Capped, Seal
from residue.output.routing import Routing
from residue.output.sink import SinkLostError
from residue.output.wav import WavSink, header

STEREO = Routing((1, 2))


def capped(*rows: list[float]) -> Capped:
    return Capped(np.array(rows), Seal())


def test_what_is_written_is_read_by_another_library_after_every_write(tmp_path: Path) -> None:
    path = tmp_path / "hall.wav"
    sink = WavSink(path, STEREO)
    for count in (1, 2, 3):
        sink.write(capped([0.25, -0.5], [1.0, 0.125]))
        samples, rate = soundfile.read(path, dtype="float32")
        assert rate == 48_000
        assert samples.tolist() == [[0.25, 1.0], [-0.5, 0.125]] * count
    sink.close()


def test_outputs_go_to_the_channels_that_the_room_wired_them_to(tmp_path: Path) -> None:
    path = tmp_path / "hall.wav"
    WavSink(path, Routing((4, 2))).write(capped([0.1], [0.2]))
    samples, _ = soundfile.read(path, dtype="float32")
    assert samples.tolist() == np.array([[0.0, 0.2, 0.0, 0.1]], np.float32).tolist()


def test_a_file_opened_again_goes_on_where_it_ended(tmp_path: Path) -> None:
    path = tmp_path / "hall.wav"
    for value in (0.5, 0.25):
        sink = WavSink(path, Routing((1,)))
        sink.write(capped([value]))
        sink.close()
    assert soundfile.read(path)[0].tolist() == [0.5, 0.25]


def test_a_process_that_is_killed_leaves_a_whole_file(tmp_path: Path) -> None:
    path = tmp_path / "hall.wav"
    code = """
        import os, signal, sys
        import numpy as np
        from pathlib import Path
        from residue.loudness.stage.capped import Capped, Seal
        from residue.output.routing import Routing
        from residue.output.wav import WavSink
        sink = WavSink(Path(sys.argv[1]), Routing((1,)))
        for _ in range(7):
            sink.write(Capped(np.full((1, 100), 0.5), Seal()))
        os.kill(os.getpid(), signal.SIGKILL)
    """
    subprocess.run([sys.executable, "-c", textwrap.dedent(code), str(path)], check=False, timeout=60)
    assert soundfile.info(path).frames == 700


def test_a_file_beyond_4_gib_says_its_sizes_as_ebu_tech_3306_does() -> None:
    frames = 1 << 31
    found = header(channels=2, frames=frames)
    assert found[:4] == b"RF64"
    assert found[4:8] == b"\xff\xff\xff\xff"
    assert found[12:16] == b"ds64"
    riff_bytes, data_bytes, samples = struct.unpack_from("<QQQ", found, 20)
    assert data_bytes == frames * 2 * 4
    assert samples == frames
    assert riff_bytes == len(found) - 8 + data_bytes
    assert len(found) == len(header(channels=2, frames=1))


def test_another_library_reads_the_length_of_a_file_beyond_4_gib(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    frames = 3 << 28
    path.write_bytes(header(channels=2, frames=frames))
    os.truncate(path, len(header(channels=2, frames=frames)) + frames * 8)  # sparse: takes no room
    assert soundfile.info(path).frames == frames


def test_a_full_disk_is_a_lost_sink() -> None:
    with pytest.raises(SinkLostError, match="No space left"):
        WavSink(Path("/dev/full"), Routing((1,))).write(capped([0.5]))
