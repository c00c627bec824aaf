"""Make the demo's performances again, or longer ones: python -m archives.generator [--minutes M] [NAME …].

The same seed gives the same recordings on one machine; libm differs from one kind of processor to the next, so the
last bit of a sample may too.
"""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path

from archives.generator.evenings import PIECES, make


def main() -> None:
    """Make the performances that are named, or all."""
    parser = argparse.ArgumentParser(prog="python -m archives.generator", description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).parents[1], help="folder of the installations")
    parser.add_argument("--minutes", type=float, help="longer or shorter than the demo's")
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(PIECES)}; all if none is named")
    wanted = parser.parse_args()
    for name in wanted.names or PIECES:
        if name not in PIECES:
            parser.error(f"there is no performance {name}; write one of {', '.join(PIECES)}")
        bag = wanted.out / PIECES[name] / "performances" / name
        if bag.exists():
            shutil.rmtree(bag)
        bag.parent.mkdir(parents=True, exist_ok=True)
        make(name, bag, wanted.minutes)
        size = sum(path.stat().st_size for path in bag.rglob("*") if path.is_file())
        print(f"{bag}: {size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
