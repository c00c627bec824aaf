"""Writes what a terminal knows of the commands, a man page and completion for three shells.

deploy.terminal FOLDER [GUIDES]: FOLDER stands for a folder such as /usr/local/share, GUIDES for the place of the guides
on that machine. All of it follows from the commands themselves.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import click
from click.shell_completion import get_completion_class

import residue
from residue.cli import main as residue_command

NAME = "residue"
COMPLETIONS = {
    "bash": "bash-completion/completions/residue",
    "zsh": "zsh/site-functions/_residue",
    "fish": "fish/vendor_completions.d/residue.fish",
}
"""Where each shell looks, below a folder share."""
GUIDES = "/opt/residue/deploy/guides"
MANUAL = "man/man1/residue.1"
_END = """\
.SH EXIT STATUS
0: done. 1: what was asked for is not so, such as a damaged bag or a failed check. 2: the command was used wrongly.
.SH FILES
.TP
/srv/residue
The installation of the service: piece.toml, room.toml, hours.toml and performances.
.TP
/var/lib/residue
The level log and the memory of the service.
.TP
@GUIDES@
The guides for the artist, the technician and the curator.
.SH SEE ALSO
.BR systemctl (1),
.BR journalctl (1)
"""


def manual(guides: str = GUIDES) -> str:
    """The man page of all commands, in the macros of man(7)."""
    top = click.Context(residue_command, info_name=NAME, **residue_command.context_settings)
    lines = [f'.TH RESIDUE 1 "" "residue {residue.__version__}"', ".SH NAME"]
    lines.append(f"residue \\- {_escaped(_paragraphs(residue_command)[0].rstrip('.').lower())}")
    lines += [".SH SYNOPSIS", ".B residue", ".I COMMAND", "[\\fIarguments\\fR]", ".SH DESCRIPTION"]
    lines += _prose(_paragraphs(residue_command))
    lines.append(".SH COMMANDS")
    for name, command in residue_command.commands.items():
        context = click.Context(command, info_name=name, parent=top)
        usage = " ".join((NAME, name, *command.collect_usage_pieces(context)))
        lines += [f".SS {_escaped(usage)}", *_prose(_paragraphs(command)), *_options(command, context)]
    return "\n".join(lines) + "\n" + _END.replace("@GUIDES@", guides)


def completion(shell: str) -> str:
    """The script with which a shell asks the program how a word goes on."""
    kind = get_completion_class(shell)
    if kind is None:
        raise KeyError(shell)
    return kind(residue_command, {}, NAME, "_RESIDUE_COMPLETE").source()


def _options(command: click.Command, context: click.Context) -> Iterator[str]:
    for parameter in command.get_params(context):
        told = parameter.get_help_record(context)
        if told is not None and told[1] and parameter.name != "help":
            yield from (".TP", f".B {_escaped(told[0])}", _escaped(" ".join(told[1].split())))


def _paragraphs(command: click.Command) -> list[str]:
    """The paragraphs of its help; a backspace marks for click one whose lines are kept."""
    return [part.strip(" \n") for part in (command.help or "").split("\n\n") if part.strip()]


def _prose(paragraphs: Iterable[str]) -> Iterator[str]:
    for paragraph in paragraphs:
        if paragraph.startswith("\b"):
            yield from (".PP", ".nf", *(_escaped(line) for line in paragraph.splitlines()[1:]), ".fi")
        else:
            yield from (".PP", _escaped(" ".join(paragraph.split())))


def _escaped(text: str) -> str:
    """Text for troff: its two special signs, the hyphen of options, and a full stop that begins a line."""
    safe = text.replace("\\", "\\e").replace("-", "\\-")
    return f"\\&{safe}" if safe.startswith((".", "'")) else safe


def main() -> None:
    """Write all of it into a folder."""
    share = Path(sys.argv[1])
    for place, text in {
        MANUAL: manual(*sys.argv[2:]),
        **{place: completion(shell) for shell, place in COMPLETIONS.items()},
    }.items():
        path = share / place
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
