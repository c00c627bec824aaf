"""The unit under a real systemd, on a computer of its own that plays into a card of the kernel's.

It is installed by deploy/install, comes up with its root file system writable, has its power cut while it plays, and
comes up again with a root that is read-only, /var on a disk of its own, and no battery clock. What is looked at is
what a technician would look at: systemctl, the journal, the status line, the level log, and the sound card.
"""

from __future__ import annotations

import json
import math
import re
import shlex
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.machine.debian import with_a_house
from tests.machine.virtual_machine import Machine, VirtualMachine, running

pytestmark = [pytest.mark.machine, pytest.mark.timeout(7_200)]

PORT = 47_300
STATE = "/var/lib/private/residue"
CARD = "/proc/asound/gallery/pcm0p/sub0"
DRIVER = "/sys/bus/platform/drivers/snd_aloop"
WINDOW_S = 10_800.0
"""Of the only cap: long enough for what sounded before the power cut to count after it."""
LIMIT_DBFS = -40.0
"""Above what the piece reaches over hours, and low enough for 2.5 s of it, which a cut costs, to be little."""
SECONDS = "SELECT duration_s, laeq_db FROM second WHERE laeq_db IS NOT NULL ORDER BY rowid"
"""A second at the beginning of a fade has no level."""
SWITCHED_ON = datetime.now(UTC)
OFF = timedelta(minutes=30)
"""From power to power. The first run is shorter by far."""


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """With a card of the kernel's, a cap over hours, and hours that need no clock that is sure."""
    with with_a_house(tmp_path_factory.mktemp("machine"), PORT, wired) as one:
        yield one


def wired(debian: Path) -> None:
    room = debian / "srv/residue/room.toml"
    playing = room.read_text(encoding="utf-8").replace('device = "silent"', 'device = "gallery"')
    capped = playing.replace("window_s = 60\nlimit_dbfs = -20.0", f"window_s = {WINDOW_S:g}\nlimit_dbfs = {LIMIT_DBFS}")
    room.write_text(capped, encoding="utf-8")
    hours = debian / "srv/residue/hours.toml"
    hours.write_text(f'when_clock_is_unsure = "last known"\n{hours.read_text(encoding="utf-8")}', encoding="utf-8")


@pytest.fixture(scope="module")
def computer(machine: Machine, tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualMachine]:
    """It is up, and the house plays."""
    with running(machine, tmp_path_factory.mktemp("first"), SWITCHED_ON, "rw") as one:
        plays(one)
        yield one


@pytest.fixture(scope="module")
def logged_before_the_cut(computer: VirtualMachine) -> list[list[float]]:
    """Duration and level of each second that was logged while it played, after which the power was cut."""
    plays(computer)
    seconds = logged(computer, SECONDS)
    computer.cut()
    return seconds


@pytest.fixture(scope="module")
def after_the_cut(
    logged_before_the_cut: object, machine: Machine, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[VirtualMachine]:
    """It is up again and plays; its root is read-only, and nothing kept the time while it was off.

    The kernel reads the clock on the board all the same, before the driver that is left out would have been there.
    """
    without_battery = "initcall_blacklist=cmos_init"
    with running(machine, tmp_path_factory.mktemp("second"), SWITCHED_ON + OFF, f"ro {without_battery}") as one:
        plays(one)
        yield one


def plays(computer: VirtualMachine) -> None:
    """Until it says so, and has logged a second of it."""
    computer.run("until systemctl show residue -P StatusText | grep -q '^playing [a-z]'; do sleep 0.5; done; sleep 3")


def sounds(computer: VirtualMachine) -> None:
    """Asserts that the card takes frames, at its rate and without a gap, for three seconds."""
    before, _, after = card(computer), computer.run("sleep 3"), card(computer)
    assert before["trigger_time"] == after["trigger_time"]
    over_s = float(after["tstamp"]) - float(before["tstamp"])
    assert (int(after["hw_ptr"]) - int(before["hw_ptr"])) / over_s == pytest.approx(48_000, rel=0.01)


def card(computer: VirtualMachine) -> dict[str, str]:
    lines = computer.run(f"cat {CARD}/status").splitlines()
    return {key.strip(): value.strip() for key, _, value in (line.partition(":") for line in lines)}


def shown(computer: VirtualMachine, what: str) -> str:
    return computer.run(f"systemctl show residue -P {what}").strip()


def journal(computer: VirtualMachine) -> list[dict[str, str]]:
    return [json.loads(line) for line in computer.run("journalctl -u residue -o json").splitlines()]


def until_logged(computer: VirtualMachine, pattern: str) -> None:
    computer.run(f"until journalctl -u residue -o cat | grep -Eq {shlex.quote(pattern)}; do sleep 0.5; done")


def logged(computer: VirtualMachine, question: str) -> list[list[Any]]:
    """What the level log answers to SQL."""
    program = (
        "import json, sqlite3, sys; "
        f"log = sqlite3.connect('file:{STATE}/levels.sqlite?mode=ro', uri=True); "
        "print(json.dumps(log.execute(sys.argv[1]).fetchall()))"
    )
    rows: list[list[Any]] = json.loads(computer.run(f"python3 -c {shlex.quote(program)} {shlex.quote(question)}"))
    return rows


def reached_dbfs(computer: VirtualMachine, quantity: str) -> float:
    """As the status line tells it."""
    found = re.search(rf"{quantity} (-?[\d.]+)", shown(computer, "StatusText"))
    assert found is not None, shown(computer, "StatusText")
    return float(found[1])


def test_it_is_ready_and_sounds_from_boot_on(computer: VirtualMachine) -> None:
    told = [shown(computer, what) for what in ("Type", "ActiveState", "NRestarts")]
    assert told == ["notify", "active", "0"]
    assert "rate: 48000" in computer.run(f"cat {CARD}/hw_params")
    sounds(computer)
    assert computer.run("systemctl --failed --no-legend") == ""


def test_what_the_card_gets_is_what_the_status_line_says(computer: VirtualMachine) -> None:
    """The kernel's loopback card gives at its second device what it gets at its first.

    A sine at full scale is 0 dBFS: AES17. C weighting takes nothing of a murmur of 30 to 200 Hz.
    """
    record = (
        "import sounddevice; "
        "heard = sounddevice.rec(48_000, 48_000, channels=2, device='hw:0,1', blocking=True); "
        "print((heard.astype(float) ** 2).mean(axis=0).sum())"
    )
    mean_square = float(computer.run(f"/opt/residue/.venv/bin/python -I -c {shlex.quote(record)}"))
    told_dbfs = reached_dbfs(computer, "C")
    assert -40.0 < told_dbfs < -30.0
    assert 10 * math.log10(2 * mean_square) == pytest.approx(told_dbfs, abs=3.0)


def test_what_makes_and_what_plays_frames_has_the_real_time_that_the_unit_allows(computer: VirtualMachine) -> None:
    """Scheduling class FF is SCHED_FIFO. Source: ps(1)."""
    daemon = shown(computer, "MainPID")
    for processes, priority in ((f"-p {daemon}", "20"), (f"--ppid {daemon}", "19")):
        threads = computer.run(f"ps -L -o cls=,rtprio= {processes}").splitlines()
        assert [thread.split() for thread in threads].count(["FF", priority]) == 1


def test_it_exposes_the_machine_no_more_than_it_must(computer: VirtualMachine) -> None:
    """Fails above 1.5. Source: systemd-analyze(1)."""
    assert (
        computer.run("systemd-analyze security --threshold=15 residue >/dev/null; echo $?", check=False).strip() == "0"
    )


def test_its_messages_carry_the_fields_that_one_searches_by(computer: VirtualMachine) -> None:
    """Source: systemd.journal-fields(7)."""
    own = [entry for entry in journal(computer) if entry.get("_TRANSPORT") == "stdout"]
    assert {entry["SYSLOG_IDENTIFIER"] for entry in own} == {"residue"}
    assert {entry["_SYSTEMD_UNIT"] for entry in own} == {"residue.service"}
    started = next(entry for entry in own if entry["MESSAGE"].startswith("started"))
    assert started["PRIORITY"] == "6"
    assert not any(entry["MESSAGE"].startswith("<") for entry in own), "priorities are fields, not text"


def test_a_process_that_hangs_is_ended_by_the_watchdog_and_plays_again(computer: VirtualMachine) -> None:
    stopped, restarts = shown(computer, "MainPID"), shown(computer, "NRestarts")
    assert restarts == "0", "\n".join(entry["MESSAGE"] for entry in journal(computer))
    computer.run(f"kill -STOP {stopped}; until test $(systemctl show residue -P NRestarts) -eq 1; do sleep 0.5; done")
    computer.run("until systemctl is-active --quiet residue; do sleep 0.5; done")
    plays(computer)
    told = [entry["MESSAGE"] for entry in journal(computer)]
    assert any("Watchdog timeout" in message for message in told)
    assert any("Fatal Python error: Aborted" in message for message in told), "the stacks of its threads are kept"
    assert shown(computer, "MainPID") != stopped
    sounds(computer)


def test_an_interface_that_is_pulled_out_costs_no_restart(computer: VirtualMachine) -> None:
    """The kernel takes the card away only when nobody holds it open any more, so whoever hangs in it keeps it there."""
    plays_on = shown(computer, "MainPID")
    computer.run(f"echo snd_aloop.0 >{DRIVER}/unbind")
    computer.run("until systemctl show residue -P StatusText | grep -q 'no sound device'; do sleep 0.5; done")
    computer.run(f"echo snd_aloop.0 >{DRIVER}/bind")
    computer.run(f"until grep -qs RUNNING {CARD}/status; do sleep 0.5; done")
    plays(computer)
    sounds(computer)
    assert shown(computer, "MainPID") == plays_on, "\n".join(entry["MESSAGE"] for entry in journal(computer))


def test_installing_again_changes_nothing_and_starts_it_anew(computer: VirtualMachine) -> None:
    before = shown(computer, "MainPID")
    told = computer.run("sh /opt/residue/deploy/install 2>&1")
    assert told.splitlines()[:-1] == []
    assert (shown(computer, "NRestarts"), shown(computer, "MainPID") == before) == ("0", False)
    plays(computer)


def test_a_power_cut_leaves_everything_whole(
    logged_before_the_cut: list[list[float]], after_the_cut: VirtualMachine
) -> None:
    json.loads(after_the_cut.run(f"head -n 1 {STATE}/memory.json"))
    assert logged(after_the_cut, "PRAGMA integrity_check") == [["ok"]]
    kept = logged(after_the_cut, SECONDS)
    assert kept[: len(logged_before_the_cut)] == logged_before_the_cut
    kinds = [kind for (kind,) in logged(after_the_cut, "SELECT kind FROM event ORDER BY rowid")]
    assert kinds.count("started") - kinds.count("ended") >= 3, "the watchdog's cut, the power cut, and this run"
    boots = [boot for (boot,) in logged(after_the_cut, "SELECT DISTINCT boot FROM event ORDER BY rowid")]
    assert (len(boots), all(boots)) == (2, True), "else what sounded before the cut would never grow older"


def test_what_sounded_before_the_power_cut_counts_after_it(
    logged_before_the_cut: list[list[float]], after_the_cut: VirtualMachine
) -> None:
    """The energies of the seconds in the log, over the window of the cap."""
    reached = reached_dbfs(after_the_cut, "LAeq over 3 h")
    since = logged(after_the_cut, SECONDS)[len(logged_before_the_cut) :]
    assert mean_dbfs(since) < mean_dbfs(logged_before_the_cut) - 3.0, "else this would show nothing"
    assert mean_dbfs(logged_before_the_cut) - 0.1 <= reached <= LIMIT_DBFS


def mean_dbfs(seconds: list[list[float]]) -> float:
    return 10 * math.log10(sum(over_s * 10 ** (level / 10) for over_s, level in seconds) / WINDOW_S)


def test_a_root_that_takes_nothing_is_enough_where_var_takes_something(after_the_cut: VirtualMachine) -> None:
    assert "Read-only" in after_the_cut.run("touch /anything 2>&1", check=False)
    sounds(after_the_cut)
    assert shown(after_the_cut, "NRestarts") == "0"


def test_a_clock_that_nobody_vouches_for_is_told_of(after_the_cut: VirtualMachine) -> None:
    """It sees from within all that the unit forbids it that systemd-timesyncd runs, and has not set the clock."""
    assert "The clock is unsure" in shown(after_the_cut, "StatusText")


def test_a_clock_that_somebody_sets_is_logged_and_not_heard(after_the_cut: VirtualMachine) -> None:
    before = card(after_the_cut)["trigger_time"]
    after_the_cut.run("date --set='+3 hours'")
    until_logged(after_the_cut, r"The clock was set by \+10[78][0-9][0-9] s")
    after_the_cut.run("date --set='-5 hours'")
    until_logged(after_the_cut, r"The clock was set by -1[78][0-9][0-9][0-9] s")
    after_the_cut.run("sleep 12")
    sounds(after_the_cut)
    assert card(after_the_cut)["trigger_time"] == before, "without a gap since then"
    assert shown(after_the_cut, "NRestarts") == "0", "systemd's watchdog goes by another clock"


def test_removing_it_leaves_the_installation_and_the_log(after_the_cut: VirtualMachine) -> None:
    after_the_cut.run("mount -o remount,rw / && sh /opt/residue/deploy/install --remove")
    assert after_the_cut.run("systemctl is-active residue", check=False).strip() == "inactive"
    places = f"/opt/residue /usr/local/bin/residue /etc/systemd/system/residue.service /srv/residue {STATE}"
    left = after_the_cut.run(f"ls -d {places}", check=False)
    assert left.split() == ["/srv/residue", STATE]
