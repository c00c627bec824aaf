"""Two rooms in step, each in a virtual machine with a kernel, a clock and a network of its own, which chronyd leads.

As test_in_step.py, which says how it is measured; but what leads the clock is that machine's kernel, and its crystal
stands under the kernel. The processor's counter, which nobody leads, puts what both heard onto one clock.

`python -m tests.machine.in_step_virtual FOLDER SECONDS` prints how far the rooms were apart, and leaves what it
measured in the folder. Debian packages beside those of test_in_step.py: user-mode-linux.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from dataclasses import replace
from pathlib import Path

from residue.processes import command_of
from tests.machine.sound_card import NAME, Kept
from tests.machine.test_in_step import (
    BEGUN,
    CHRONY,
    CUT,
    KILLED,
    ON_CARDS,
    TIED,
    Machine,
    Room,
    clock_set,
    heard,
    print_course,
    run,
)
from tests.machine.user_mode import KERNEL, Counter, UserModeMachine
from tests.runtime.asking import wait_until

_HAPPENS = {CUT: 0.36, TIED: 0.44, KILLED: 0.70, BEGUN: 0.705}
"""Each after a share of the time: of an hour, the time server is gone for five minutes."""
_OWN = "/run/chrony"
_COMMAND = """
mkdir -m 700 {own}
chronyd -d -u root -f {folder}/chrony.conf >{folder}/chronyd.txt 2>&1 &
until [ -S {own}/chronyd.sock ]; do sleep 0.1; done
chronyc -h {own}/chronyd.sock waitsync 60 0.001 100 1
export XDG_CACHE_HOME={cache} XDG_RUNTIME_DIR=/run ALSA_CONFIG_PATH={cards}
cd {project}
play() {{
    {play} >>{folder}/residue.txt 2>&1 &
    player=$!
}}
play
while sleep 1; do
    chronyc -h {own}/chronyd.sock -c tracking >/run/tracking && cp /run/tracking {folder}/tracking
    [ -e {folder}/do ] && mv {folder}/do /run/do && . /run/do
done
"""


class VirtualRoom(Room):
    """A virtual machine with a room on it."""

    def __init__(self, folder: Path, number: int, machine: Machine, space: str) -> None:
        super().__init__(folder, number, machine, space)
        self._counter = Counter()
        self._began = self._counter.look()
        self._machine_of_its_own: UserModeMachine | None = None

    def follow(self, server: str) -> None:
        conf = CHRONY.format(server=server, folder=_OWN)
        (self.folder / "chrony.conf").write_text(f"{conf}rtcsync\n", encoding="utf-8")

    def play(self) -> None:
        if self._machine_of_its_own is not None:
            self._do("play")
            return
        played = ["run", str(self.daemon.installation), "--device", NAME, "--state", "/tmp/state"]
        command = _COMMAND.format(
            own=_OWN,
            folder=self.folder,
            cache=self.daemon.cache,
            cards=self._card.environment["ALSA_CONFIG_PATH"],
            project=Path(__file__).parents[2],
            play=" ".join(command_of("residue", played)),
        )
        address = f"10.19.{self.number}.3/24"
        self._machine_of_its_own = UserModeMachine(self.folder, self.clock, self.within, "to0", address, command)

    def kill(self) -> None:
        self._do("kill -KILL $player")

    def set_clock(self, by_s: float) -> None:
        self._do(f'{sys.executable} -c "{clock_set(by_s)}"')

    def tracking(self) -> str:
        told = self.folder / "tracking"
        return told.read_text(encoding="utf-8").strip() if told.exists() else ""

    def kept(self) -> list[Kept]:
        """By the CLOCK_BOOTTIME of the real machine."""
        now, rows = self._counter.look(), super().kept()
        found = []
        for row, other in zip(rows, [*rows[1:], *rows[-2:-1]], strict=True):
            ticks_a_second = (other.ticks - row.ticks) / (other.looked_s - row.looked_s)
            at_s = self._began.boot_s_at(row.ticks + (row.at_s - row.looked_s) * ticks_a_second, now)
            found.append(replace(row, at_s=at_s, wall_ahead_s=row.wall_ahead_s + row.at_s - at_s))
        return found

    def end(self) -> None:
        super().end()
        if self._machine_of_its_own is not None:
            self._machine_of_its_own.cut()

    def _do(self, command: str) -> None:
        """Has the machine's shell do something, within some seconds after it has done what it was told before."""
        wait_until(lambda: not (self.folder / "do").exists())
        (self.folder / "doing").write_text(f"{command}\n", encoding="utf-8")
        (self.folder / "doing").rename(self.folder / "do")


def main() -> None:
    """Runs both rooms and prints how far they were apart."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the measured values are left")
    parser.add_argument("seconds", type=float)
    asked = parser.parse_args()
    if shutil.which(KERNEL) is None:
        sys.exit(f"{KERNEL} is missing: sudo apt-get install user-mode-linux")
    asked.folder.mkdir(parents=True, exist_ok=True)
    found = heard(asked.folder, run(asked.folder, ON_CARDS, asked.seconds, VirtualRoom, _HAPPENS))
    print_course(asked.folder, "in virtual machines", found)


if __name__ == "__main__":
    main()
