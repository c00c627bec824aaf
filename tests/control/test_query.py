import socket

import pytest

from residue.control.query import status
from residue.problems import ProblemError


def test_where_nobody_listens_one_message_says_so_with_the_mend() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(ProblemError, match=rf"127.0.0.1:{port}: Nobody listens there\. Start it with `residue run`"):
        status("127.0.0.1", port)
