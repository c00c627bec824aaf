"""Where a secret comes from."""

from __future__ import annotations

from pathlib import Path

import pytest

from residue.notices.bulletin import NoticeError
from residue.notices.secret import NONE_GIVEN, secret


def test_it_stands_in_a_file_with_or_without_an_end_of_line(tmp_path: Path) -> None:
    path = tmp_path / "mail-password"
    for text in ("rye and salt", "rye and salt\n", "rye and salt\r\n"):
        path.write_bytes(text.encode())
        assert secret(str(path), {}) == "rye and salt"


def test_what_the_service_manager_hands_on_counts_first(tmp_path: Path) -> None:
    """Source: systemd.exec(5), LoadCredential: a file of its name in $CREDENTIALS_DIRECTORY."""
    (tmp_path / "credentials").mkdir()
    (tmp_path / "credentials" / "mail-password").write_text("handed")
    environment = {"CREDENTIALS_DIRECTORY": str(tmp_path / "credentials")}
    assert secret("/etc/residue/mail-password", environment) == "handed"
    (tmp_path / "other").write_text("own")
    assert secret(str(tmp_path / "other"), environment) == "own"


def test_a_secret_that_is_not_there_is_told_as_such(tmp_path: Path) -> None:
    (tmp_path / "mail-password").write_text(NONE_GIVEN)
    with pytest.raises(NoticeError, match="There is no secret in /etc/residue/mail-password"):
        secret("/etc/residue/mail-password", {"CREDENTIALS_DIRECTORY": str(tmp_path)})
    with pytest.raises(NoticeError, match="No such file"):
        secret(str(tmp_path / "none"), {})
    (tmp_path / "empty").write_text("\n")
    with pytest.raises(NoticeError, match="There is no secret"):
        secret(str(tmp_path / "empty"), {})
