"""`python -m residue`."""

from residue.cli import main

main(prog_name="residue")
