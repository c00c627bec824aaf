"""A real sound server without a sound card: PulseAudio with a null sink, and a recorder of what comes out of it.

Debian packages: pulseaudio, pulseaudio-utils, libasound2-plugins. Any user may run it; nothing outside the folder is
touched.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

CHANNEL_MAPS = {2: "front-left,front-right", 4: "front-left,front-right,rear-left,rear-right"}
_PATIENCE_S = 200.0


class SoundServer:
    """A server of its own in a folder; what is played on the ALSA device "pulse" under `environment` goes to it."""

    def __init__(self, folder: Path, channels: int) -> None:
        missing = [tool for tool in ("pulseaudio", "parec") if shutil.which(tool) is None]
        if missing:
            raise RuntimeError(f"{' and '.join(missing)} are missing: apt-get install pulseaudio pulseaudio-utils")
        self._folder = folder
        self._channels = channels
        self._socket = folder / "pulse.sock"
        self._server: subprocess.Popen[bytes] | None = None
        homes = ("XDG_RUNTIME_DIR", "PULSE_RUNTIME_PATH", "PULSE_STATE_PATH", "XDG_CONFIG_HOME", "HOME")
        for home in homes:
            (folder / home.lower()).mkdir(mode=0o700, exist_ok=True)
        self.environment = {
            **os.environ,
            **{home: str(folder / home.lower()) for home in homes},
            "PULSE_SERVER": f"unix:{self._socket}",
        }

    def start(self) -> None:
        """Until it takes connections."""
        native = f"module-native-protocol-unix socket={self._socket} auth-anonymous=1"
        options = "-n --daemonize=no --use-pid-file=no --exit-idle-time=-1 --disable-shm=yes --high-priority=no"
        self._server = subprocess.Popen(
            ["pulseaudio", *options.split(), "--realtime=no", "-L", native, "-L", self.sink()],
            env=self.environment,
            stderr=subprocess.DEVNULL,
        )
        _wait(lambda: subprocess.run(["pactl", "info"], env=self.environment, capture_output=True).returncode == 0)

    @property
    def pid(self) -> int:
        """Of the server, which runs."""
        assert self._server is not None
        return self._server.pid

    def sink(self) -> str:
        """The module that plays, with its arguments."""
        return (
            f"module-null-sink sink_name=gallery rate=48000 format=float32le channels={self._channels} "
            f"channel_map={CHANNEL_MAPS[self._channels]} norewinds=1"
        )

    def hang(self) -> None:
        """It lives, and answers nobody."""
        if self._server is not None:
            self._server.send_signal(signal.SIGSTOP)

    def wake(self) -> None:
        """It answers again."""
        if self._server is not None:
            self._server.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        """As if it had crashed."""
        if self._server is not None:
            self._server.kill()
            self._server.wait()
            self._socket.unlink(missing_ok=True)

    @contextmanager
    def recording(self) -> Iterator[Path]:
        """A file that grows with what comes out, as raw float32."""
        path = self._folder / "captured.raw"
        form = ["--raw", "--format=float32le", "--rate=48000", f"--channels={self._channels}"]
        form += [f"--channel-map={CHANNEL_MAPS[self._channels]}", "--latency-msec=20"]
        with subprocess.Popen(["parec", "-d", "gallery.monitor", *form, str(path)], env=self.environment) as recorder:
            try:
                _wait(lambda: path.exists() and path.stat().st_size > 0)
                yield path
            finally:
                recorder.terminate()

    def captured(self, path: Path) -> NDArray[np.float32]:
        """(channels, frames)."""
        samples = np.fromfile(path, np.float32)
        return samples[: samples.size // self._channels * self._channels].reshape(-1, self._channels).T


@contextmanager
def sound_server(folder: Path, channels: int = 2) -> Iterator[SoundServer]:
    """A server that runs within the context."""
    server = SoundServer(folder, channels)
    server.start()
    try:
        yield server
    finally:
        server.kill()


def players(daemon: int) -> list[int]:
    """The processes that play on a sound device for it."""
    lists = [task / "children" for task in Path(f"/proc/{daemon}/task").iterdir()]
    children = [int(child) for one in lists for child in one.read_text().split()]
    return [one for one in children if b"residue.output.device_process" in Path(f"/proc/{one}/cmdline").read_bytes()]


def _wait(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + _PATIENCE_S
    while not true():
        if time.monotonic() > deadline:
            raise TimeoutError("The sound server does not come up")
        time.sleep(0.02)
