"""`residue verify`: fixity and completeness of an archived performance."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import progress, tell
from residue.cli.screen import say


@click.command()
@click.argument("path", metavar="BAG|INSTALLATION", type=click.Path(path_type=Path))
@click.option("--all", "whole_folder", is_flag=True, help="Verify every bag in the folder, a line for each.")
@click.option("--fingerprint", type=click.Path(path_type=Path), help="Render again and compare with this fingerprint.")
@click.pass_context
def verify(ctx: click.Context, path: Path, whole_folder: bool, fingerprint: Path | None) -> None:
    """Check that an archived performance is complete and unchanged since it was sealed (BagIt, RFC 8493).

    Of an installation, every performance in it. With --fingerprint, whether an installation still sounds as it did, to
    the bit; else where, and by how many dB it differs. For the artist who hands it over, and for whoever keeps it.
    Exit status 1 where it is not.

    \b
    Example: residue verify archives/night-dough/performances/first-batch
    Example: residue verify archives/night-dough
    Example: residue verify --fingerprint first-batch.toml archives/night-dough
    """
    from residue.installation.load import PERFORMANCES, PIECE

    if fingerprint is not None:
        whole = _verify_sound(path, fingerprint)
    else:
        within = path / PERFORMANCES if (path / PIECE).is_file() else path
        whole = _verify_all(within) if whole_folder or within != path else _verify_one(path)
    ctx.exit(0 if whole else 1)


def _verify_one(bag: Path) -> bool:
    from residue.archive.fixity import is_valid
    from residue.archive.fixity import verify as verified

    with progress("Verifying") as bar:
        findings = verified(bag, bar)
    tell(tuple(findings))
    whole = is_valid(findings)
    say(f"{bag}: {'complete and unchanged' if whole else 'NOT as it was sealed'}")
    return whole


def _verify_all(folder: Path) -> bool:
    from residue.archive.fixity_of_many import find_bags, verify_all

    bags = find_bags(folder)
    verdicts = []
    try:
        with progress("Verifying") as bar:
            for verdict in verify_all(bags):  # as they come; a line of any of them here would run into the bar
                verdicts.append(verdict)
                bar(verdict.bag.name, len(verdicts), len(bags))
    finally:
        for verdict in sorted(verdicts, key=lambda one: bags.index(one.bag)):
            say(str(verdict))
    spoilt, unknown = sum(verdict.spoilt for verdict in verdicts), sum(verdict.unknown for verdict in verdicts)
    say(f"{len(bags)} bags, {spoilt} not as they were sealed" + (f", {unknown} not known" if unknown else ""))
    return spoilt + unknown == 0


def _verify_sound(installation: Path, fingerprint: Path) -> bool:
    from residue.installation.drafts import draft
    from residue.runtime.offline.fingerprint import read
    from residue.runtime.offline.verification import verify as verified
    from residue.runtime.system.folders import cache_folder

    kept = read(fingerprint)
    # As it was rendered: what the graph gives before the cap needs neither room nor hours.
    loaded = draft(installation, kept.performance, gallery=kept.gain_db is not None)
    tell(loaded.findings)
    with progress("Rendering") as bar:
        verdict = verified(loaded, kept, cache_folder(), bar)
    for line in verdict.words:
        say(line)
    return verdict.same
