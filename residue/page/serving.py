"""The process of the page: it gets its settings from the house, and talks to it through standard input and output.

python -m residue.page.serving
"""

from __future__ import annotations

import os
import sys
import time

from waitress.server import create_server

from residue.page.link import HouseGoneError, Link
from residue.page.web import HousePage
from residue.page.yesterday import Yesterday
from residue.processes import give_way

NICENESS = 10
THREADS = 4
MOST_CONNECTIONS = 40
MOST_BODY_BYTES = 4_096
PATIENCE_S = 30
"""A silent phone keeps its connection for so long."""


def main() -> None:
    """Serves until the house ends."""
    give_way(NICENESS)
    link = Link(sys.stdout.buffer, sys.stdin.buffer, gone=lambda: os._exit(0))
    try:
        start = link.begin()
        house = HousePage(start, link.ask, Yesterday(start.day_line, start.report), time.monotonic)
        server = create_server(
            house.app,
            host=start.listen,
            port=start.port,
            threads=THREADS,
            connection_limit=MOST_CONNECTIONS,
            channel_timeout=PATIENCE_S,
            max_request_body_size=MOST_BODY_BYTES,
            ident=None,
        )
    except HouseGoneError:
        return
    except OSError as error:
        sys.stderr.write(f"Nothing can listen at {start.listen}:{start.port}: {error.strerror}.\n")
        sys.stderr.flush()
        os._exit(1)  # a thread that waits for an answer would delay the interpreter's own end
    server.run()


if __name__ == "__main__":
    main()
