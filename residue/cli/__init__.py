"""The commands: one function each, without logic of its own."""

from __future__ import annotations

from typing import Any

import click

import residue
from residue.cli import (
    calibrate,
    caps,
    check,
    devices,
    draw,
    hours,
    house,
    ingest,
    listen,
    measure,
    new,
    nodes,
    notice,
    overview,
    pack,
    ready,
    record,
    rehearse,
    render,
    report,
    run,
    share,
    show,
    status,
    survey,
    swap,
    trace,
    unit,
    unpack,
    verify,
)
from residue.cli.common import Group

_SETTINGS: dict[str, Any] = {"help_option_names": ["-h", "--help"], "show_default": True}


@click.group(cls=Group, context_settings=_SETTINGS)
@click.version_option(residue.__version__)
def main() -> None:
    """Replay archived body-sensor performances through their mapping graph, every open hour.

    Strong low sound and vibration can hurt. Measure before you open; local rules and a qualified person decide.
    """


for _command in (
    new.new,
    devices.devices,
    run.run,
    check.check,
    ready.ready,
    unit.unit,
    share.share,
    notice.notice,
    caps.caps,
    calibrate.calibrate,
    listen.listen,
    render.render,
    trace.trace,
    overview.overview,
    nodes.nodes,
    draw.draw,
    measure.measure,
    ingest.ingest,
    record.record,
    show.show,
    verify.verify,
    survey.survey,
    pack.pack,
    unpack.unpack,
    swap.swap,
    hours.hours,
    rehearse.rehearse,
    report.report,
    status.status,
    house.hold,
    house.release,
    house.trim,
    house.next_,
):
    # Click keeps the names of the help option once they are asked for, be it of a command alone.
    _command.context_settings = {**_SETTINGS, **_command.context_settings}
    main.add_command(_command)
