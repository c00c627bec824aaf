"""All checks of an installation before opening."""

from __future__ import annotations

import shutil
import stat
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

from residue.archive.bag import open_bag, payload_digest
from residue.archive.fixity import verify
from residue.archive.permission import check_permission
from residue.checking import check, ip_address, read_toml
from residue.installation.load import (
    HOURS,
    PIECE,
    ROOM,
    Installation,
    find_performances,
    home_of_hours,
    load,
    read_room,
    read_sensors,
    readable_nodes,
)
from residue.installation.room import Room
from residue.live.sensors import FILE_NAME as SENSORS_FILE
from residue.live.sensors import check_needs
from residue.loudness.caps.cautions import cautions
from residue.loudness.outputs.measurement import measurement_notes
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.changes import changes
from residue.loudness.plan.first_rise import lowered_rises
from residue.loudness.plan.picture import draw_plan
from residue.loudness.plan.plan import PlannedPerformance
from residue.loudness.plan.profile import LevelProfile
from residue.loudness.plan.room_findings import plan_findings
from residue.mapping.graph import needs_of
from residue.notices.settings import WebhookNotice
from residue.output.opening import check_device
from residue.problems import Finding, ProblemError, Severity, stops
from residue.progress import Progress, silent
from residue.runtime.calibration.own_calibration import check_own_calibrations
from residue.runtime.offline.in_step_findings import in_step_findings
from residue.runtime.offline.keypad_findings import keypad_findings
from residue.runtime.offline.light_findings import light_findings
from residue.runtime.offline.microphone import microphone_findings
from residue.runtime.offline.sharing import folder_findings
from residue.runtime.offline.trying_notices import notice_findings
from residue.runtime.offline.unit_findings import device_findings, unit_findings
from residue.runtime.planning.planning import keep, outcome_of
from residue.runtime.planning.preparation import (
    caps,
    open_performance,
    plan_under,
    playback_of,
    profiles_of,
    sounding_outputs,
)
from residue.runtime.system.clock import Clock
from residue.runtime.system.discipline import discipline
from residue.runtime.system.files import save_picture
from residue.runtime.system.unit_files import installed_unit
from residue.schedule import agenda
from residue.schedule.clock_trust import EARLIEST, Witnesses, witnesses
from residue.schedule.doubts import doubts, out_of_time
from residue.schedule.equipment import CommandEquipment, ProjectorEquipment
from residue.schedule.hours import Hours
from residue.schedule.spans import local

AHEAD_DAYS = 366
"""The hours of so many days are checked for oddities."""
LEAST_FREE_BYTES = 1 << 30
"""A season's level log takes about 50 MB; an hour of a prepared channel 0.7 GB as sound, 0.03 GB as a slow signal."""


def inspect(
    folder: Path,
    device: str | None,
    cache: Path,
    clock: Clock,
    *,
    progress: Progress = silent,
    picture: Path | None = None,
) -> list[Finding]:
    """All findings about an installation, those that stop it first.

    device: replaces that of room.toml. picture: the PNG or SVG to draw the plan into, if there is one.
    """
    try:
        installation = load(folder)
    except ProblemError as error:
        return [*error.findings, *(find for find in _beside(folder, device) if find not in error.findings)]
    findings = [*installation.findings, *_clock(clock.now(), witnesses()), *_hours(installation, clock.now())]
    findings += _room(installation.room, local(clock.now(), installation.calendar.zone).date())
    findings += _secrets(installation)
    findings += [*unit_findings(installation, installed_unit()), *device_findings(installation.room)]
    findings += [*notice_findings(installation.room), *keypad_findings(installation.room)]
    findings += folder_findings(installation)
    findings += microphone_findings(installation.room)
    findings += [*_feed(installation), *light_findings(installation), *_page(installation.room)]
    findings += in_step_findings(installation.room, discipline())
    findings += _output(installation, device or installation.room.device)
    findings += _disk(cache)
    day = local(clock.now(), installation.calendar.zone).date()
    broken = [
        finding for name in installation.played for finding in _performance(installation, name, cache, day, progress)
    ]
    findings += broken
    if not stops(broken):
        findings += _plan(installation, cache, picture, progress)
    findings += _sensors(installation)
    findings += _cautions(installation)
    order = list(Severity)
    return sorted(findings, key=lambda finding: order.index(finding.severity))


def _beside(folder: Path, device: str | None) -> Iterator[Finding]:
    """Findings on the sound device and the performances, as far as the files tell them in spite of their faults."""
    named, (room, _) = read_toml(folder / ROOM)[0].get("device"), read_room(folder / ROOM)
    if isinstance(named := device or named, str):
        yield from check_device(named, room.output if room else {"any": Output(device_channel=1)})
    performances = find_performances(folder)
    needed = needs_of(readable_nodes(folder / PIECE).values())
    raw, unread = read_toml(home_of_hours(folder, room) / HOURS)
    hours = None if unread else check(raw, Hours, HOURS)[0]  # without the calendar, which may have taken a minute
    for name in hours.programme.names if hours else ():
        for channel in needed if name in performances else ():
            try:
                open_bag(performances[name]).performance.the_channel(channel, name)
            except ProblemError as error:
                yield from error.findings


def _output(installation: Installation, device: str) -> Iterator[Finding]:
    outputs = sounding_outputs(installation)
    yield from check_device(device, outputs)
    yield from check_own_calibrations(device, outputs)


def _room(room: Room, today: date) -> Iterator[Finding]:
    """Findings on values in room.toml that no room can have, and on the margin."""
    for name, output in room.output.items():
        for key, measured in output.calibrations.items():
            if measured.on > today:
                where, what = f"{ROOM}: output.{name}.{key}.on", f"{measured.on} is in the future."
                yield Finding(Severity.WARNS, where, what, "Write the day on which it was measured.")
    yield from measurement_notes(room.measurement, room.output)
    if lower := [f"{cap.name} {cap.limit_in_words}" for cap in room.caps if cap.margin_db]:
        yield Finding(Severity.NOTES, "margin", f"Caps at an ear are kept with a margin: {'; '.join(lower)}.", "")
    for number, one in enumerate(room.equipment, start=1):
        for key in ("on", "off") if isinstance(one, CommandEquipment) else ():
            program = getattr(one, key)[0]
            if shutil.which(program) is None:
                where, what = f"{ROOM}: equipment[{number}].{key}", f"There is no program {program} that may be run."
                yield Finding(Severity.WARNS, where, what, "Write the full path of a program that may be run.")


def _secrets(installation: Installation) -> Iterator[Finding]:
    """A finding where everybody on the machine may read the key or a password in room.toml."""
    room, path = installation.room, installation.folder / ROOM
    passwords = [one.password for one in room.equipment if isinstance(one, ProjectorEquipment) and one.password]
    webhooks = [one.url for one in room.notice if isinstance(one, WebhookNotice)]
    calendar = room.hours_folder is not None and room.hours_folder.calendar_url
    if (room.control.key or passwords or webhooks or calendar) and path.stat().st_mode & stat.S_IRWXO:
        what = "It holds a key, a password or the url of a webhook or a calendar, and every user may read or change it."
        mend = f"Let root and the service alone do so: sudo chgrp audio {path} && sudo chmod 640 {path}"
        yield Finding(Severity.WARNS, ROOM, what, mend)


def _feed(installation: Installation) -> Iterator[Finding]:
    """A finding where the piece has a feed and nobody receives it, or the other way round."""
    feeds, targets = installation.graph.feeds, installation.room.control.feed
    if feeds and not targets:
        names = ", ".join(feeds)
        what = f"The piece sends a feed ({names}), and room.toml names no machine to send it to."
        mend = 'Write [[control.feed]] with host = "192.0.2.20" and port = 47320, or take the nodes out of piece.toml.'
        yield Finding(Severity.WARNS, f"{ROOM}: control.feed", what, mend)
    elif targets and not feeds:
        what = "The piece has no node of kind feed, so nothing is sent to these machines."
        yield Finding(Severity.WARNS, f"{ROOM}: control.feed", what, "Take them out, or ask the artist for a feed.")


def _page(room: Room) -> Iterator[Finding]:
    """A finding where the page listens to a network, and answers nobody in it."""
    if room.page is None or ip_address(room.page.listen).is_loopback:
        return
    if all(network.is_loopback for network in room.control.networks):
        what = f"The page listens at {room.page.listen}, and [control] allows this machine alone to be answered."
        mend = 'Write allow = ["192.0.2.0/24", "127.0.0.1/32"] under [control], with the network of the phones.'
        yield Finding(Severity.WARNS, f"{ROOM}: page", what, mend)


def _sensors(installation: Installation) -> Iterator[Finding]:
    """Findings that keep the piece from being played live; the gallery version does not need this."""
    if not (installation.folder / SENSORS_FILE).exists():
        return
    sensors, findings = read_sensors(installation.folder)
    for finding in [*findings, *(check_needs(sensors, installation.graph.needs) if sensors else ())]:
        yield replace(finding, severity=Severity.WARNS)


def _performance(
    installation: Installation, name: str, cache: Path, day: date, progress: Progress
) -> Iterator[Finding]:
    found = verify(installation.performances[name], progress)
    yield from found
    if stops(found):
        return
    try:
        performance = open_performance(installation, name, cache, progress)
        playback_of(installation, performance)
        yield from check_permission(performance.performance, name, day)
        yield from performance.notes
    except ProblemError as error:
        yield from error.findings


def _plan(installation: Installation, cache: Path, picture: Path | None, progress: Progress) -> Iterator[Finding]:
    """The plan in words; it is kept for the daemon, and drawn if a picture is wanted."""
    profiles, bounds = profiles_of(installation, installation.played, cache, progress), caps(installation)
    planned = plan_under(installation, profiles, bounds)
    yield from plan_findings(planned)
    for performance in planned.performances:
        yield Finding(Severity.NOTES, "plan", performance.words, "")
        yield from _changes(installation, performance, profiles[performance.name])
        yield from _first_rises(installation, performance, profiles[performance.name])
    other = "shaped" if installation.piece.arc == "whole" else "whole"
    if any(performance.gain_db < 0.0 or performance.knots_db for performance in planned.performances):
        words = {performance.words for performance in planned.performances}
        for performance in plan_under(installation, profiles, bounds, other).performances:
            if performance.words in words:
                continue
            yield Finding(Severity.NOTES, f'plan, with arc = "{other}" in piece.toml', performance.words, "")
    lasting_s = {name: profile.duration_s for name, profile in profiles.items()}
    digests = {name: payload_digest(installation.performances[name]) for name in profiles}
    keep(outcome_of(planned, lasting_s, {}, digests), installation, cache)
    if picture is not None:
        save_picture(draw_plan(planned, profiles, sounding_outputs(installation)), picture)


def _changes(installation: Installation, planned: PlannedPerformance, profile: LevelProfile) -> Iterator[Finding]:
    """Whatever is changed of the sound of the mapping, output by output."""
    for one in changes(profile, planned, sounding_outputs(installation)).values():
        if (words := one.words) is not None:
            where = f"performances/{planned.name}"
            yield Finding(Severity.NOTES, where, f"{words} It sends {one.band_in_words} of it.", "")


def _first_rises(installation: Installation, planned: PlannedPerformance, profile: LevelProfile) -> Iterator[Finding]:
    """Finds the attenuation by the bound on the first rise, for each performance and output."""
    mend = "Let the piece begin more softly there, or raise rise_db_per_s of this output in room.toml."
    for rise in lowered_rises(profile, planned, sounding_outputs(installation)):
        yield Finding(Severity.NOTES, f"performances/{planned.name}", rise.words, mend)


def _cautions(installation: Installation) -> Iterator[Finding]:
    for caution in cautions(feed=bool(installation.graph.feeds), lamps=installation.room.light is not None):
        yield Finding(Severity.NOTES, "caution", caution, "")


def _clock(now: datetime, asked: Witnesses) -> Iterator[Finding]:
    if now < EARLIEST:
        what = f"The machine's clock says {now:%Y-%m-%d %H:%M} UTC."
        yield Finding(Severity.STOPS, "clock", what, "Set it, and let it be synchronised.")
    elif not asked.service:
        what = "The machine does not say that its clock is synchronised."
        mend = "Switch on systemd-timesyncd or another NTP client, or check the clock by hand now and then."
        yield Finding(Severity.WARNS, "clock", what, mend)


def _hours(installation: Installation, now: datetime) -> Iterator[Finding]:
    yield Finding(Severity.NOTES, "hours", agenda.at_present(installation.calendar, now), "")
    today = local(now, installation.hours.zone).date()
    yield from out_of_time(installation.hours, today)
    yield from doubts(installation.hours, installation.answers, today, AHEAD_DAYS)


def _disk(folder: Path) -> Iterator[Finding]:
    existing = next(parent for parent in (folder, *folder.absolute().parents) if parent.exists())
    free = shutil.disk_usage(existing).free
    if free < LEAST_FREE_BYTES:
        what = f"Only {free / 1e6:.0f} MB are free where {existing} is."
        yield Finding(Severity.WARNS, "disk", what, "Make room: 1 GiB is wanted for logs and prepared channels.")
