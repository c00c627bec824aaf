"""`residue measure`: loudness and levels of any audio file."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import AS_JSON, PICTURE, print_json, progress
from residue.cli.screen import say


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--picture", type=PICTURE, help="Draw level over time (PNG, SVG).")
@AS_JSON
def measure(file: Path, picture: Path | None, as_json: bool) -> None:
    """Measure loudness and levels of an audio file.

    For whoever has a recording and wants to know how loud it is. Levels in dBFS are such that a full-scale sine
    reads -3.01.

    \b
    Example: residue measure first-batch.wav --picture first-batch.png
    """
    import msgspec

    from residue.loudness.meters.measure import measure as measured
    from residue.loudness.plan.picture import draw_file
    from residue.runtime.system.files import save_picture

    with progress("Measuring") as bar:
        measurement = measured(file, bar)
        if picture is not None:
            save_picture(draw_file(file, bar), picture)
    values = msgspec.to_builtins(measurement)
    if as_json:
        print_json(values)
        return
    width = max(map(len, values))
    for name, value in values.items():
        say(f"{name:<{width}}  {_in_words(value)}")


def _in_words(value: object) -> str:
    if isinstance(value, list):
        return "  ".join(map(_in_words, value))
    if value is None:
        return "no value"
    return f"{value:.2f}" if isinstance(value, float) else str(value)
