"""`residue devices`: the sound devices of this machine."""

from __future__ import annotations

import click

from residue.cli.common import AS_JSON, print_json
from residue.cli.screen import say


@click.command()
@AS_JSON
def devices(as_json: bool) -> None:
    """List the sound devices of this machine, with the text for room.toml and sensors.toml.

    For the gallery technician. Nothing is played. A name may be shortened in room.toml as long as it means one device.

    \b
    Example: residue devices
    """
    import msgspec

    from residue.mapping.signals import AUDIO_RATE_HZ
    from residue.output.device_list import in_words, list_devices

    found = list_devices(AUDIO_RATE_HZ)
    if as_json:
        print_json({"devices": [msgspec.to_builtins(one) for one in found]})
        return
    for line in in_words(found):
        say(line)
